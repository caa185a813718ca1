// Every job, in the order of a machine's life.
import { h } from '../dom.js';
import { t } from '../texts.js';

const JOBS = ['setup', 'wet/prime', 'closing', 'wet/clean', 'wet/rinse', 'wet/purge'];

export function view() {
  return [
    h('h1', t('tab_jobs')),
    h('ul.joblist', JOBS.map((one) => h('li', h('a', { href: `#/${one}` }, h('b', t(`job_${one.replace('/', '_')}`)), h('span', t(`job_${one.replace('/', '_')}_why`)))))),
    h('p.soft.small', t('jobs_of_lines')),
  ];
}
