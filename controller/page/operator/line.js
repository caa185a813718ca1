// One line: how it stands, and its jobs.
import { get } from '../api.js';
import { h } from '../dom.js';
import { moment, number, t } from '../texts.js';
import { back, contents, due, gauge, tube } from './parts.js';
import { line } from './store.js';

let stock;
let hygiene;

export async function load(given) {
  const at = Number(given);
  [stock, hygiene] = (await Promise.all([get('stock'), get('hygiene')])).map((all) => all.find((one) => one.line === at));
}

const fact = (name, value) => value && h('div.row.apart', h('dt.soft', name), h('dd', value));

export function view(given) {
  const one = line(Number(given));
  if (!one) return [h('h1', t('no_line'))];
  const jobs = ['stock', 'calibrate', 'change', 'setup'];
  return [
    back('', t('tab_machine')),
    h('h1', t('line_title', { line: one.line, liquid: one.liquid || t('nothing_hangs') })),
    tube(one), gauge(stock),
    one.due && h('p.due', due(one)),
    h('dl.stack.small',
      fact(t('fact_contents'), one.contents === 'liquid' ? one.holds : contents(one)),
      fact(t('fact_flow'), one.calibration && t('flow', { flow: number(one.calibration.flow_ml_s, 2), lag: number(one.calibration.lag_s, 2) })),
      fact(t('fact_calibrated'), one.calibration && moment(one.calibration.taken_wall_s)),
      fact(t('fact_cleaned'), hygiene?.cleaned_wall_s && moment(hygiene.cleaned_wall_s)),
      fact(t('fact_clean_by'), hygiene?.clean_by_wall_s && moment(hygiene.clean_by_wall_s)),
      fact(t('fact_keeps'), hygiene?.keeps_until_wall_s && moment(hygiene.keeps_until_wall_s))),
    h('ul.joblist', jobs.map((job) => h('li', h('a', { href: `#/${job}/${one.line}` }, h('b', t(`job_${job}`)), h('span', t(`job_${job}_why`))))),
      h('li', h('a', { href: `#/wet/prime/${one.line}` }, h('b', t('job_wet_prime')), h('span', t('job_wet_prime_why'))))),
  ];
}
