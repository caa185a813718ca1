// Prime, purge, clean or rinse lines: which ones, what a person does first, then the pumps.
import { get, Problem } from '../api.js';
import { h } from '../dom.js';
import { duration, list, number, t } from '../texts.js';
import { back, button, contents, operation, steps, tick, ticked } from './parts.js';
import { begin, line, store, underWay } from './store.js';

const WANTED = { prime: ['empty', 'rinse water'], rinse: ['cleaner'], clean: ['unknown'], purge: ['unknown'] };
let at = 0;
let over = null;
let contactS = 0;
let hygiene = [];

export function enter() {
  [at, over] = [0, null];
}

export async function load() {
  [hygiene, contactS] = [await get('hygiene'), (await get('hygiene/record?since_wall_s=1e10')).contact_s];
}

// How long the cleaner in these lines still has to stand (s), by the machine's own clock; null while none is known of.
function standsS() {
  const nowS = (Date.now() - store.behindMs) / 1000;
  const ends = hygiene.filter((one) => one.contents === 'cleaner' && one.since_wall_s).map((one) => one.since_wall_s + contactS);
  return ends.length ? Math.max(0, ...ends.map((one) => one - nowS)) : null;
}

function chosen() {
  return store.status.lines.map((one) => one.line).filter((one) => ticked(`line-${one}`));
}

let lines = [];

export function view(kind = 'prime', only = '') {
  const isWanted = (one) => (only ? one.line === Number(only) : WANTED[kind].includes(one.contents) && (kind !== 'prime' || one.liquid));
  const go = async () => {
    over = await begin('line-operations', { kind, lines, jug: ticked('jug'), in_air: kind === 'purge' && ticked('air') });
    await load();
    at = over.outcome === 'done' ? 2 : 1;
  };
  const choose = () => {
    lines = chosen();
    if (!lines.length) throw new Problem(0, { detail: t('needs_line') });
    at = 1;
  };
  const wait = kind === 'rinse' ? standsS() : 0;
  return [
    back('jobs', t('tab_jobs')), h('h1', t(`job_wet_${kind}`)), h('p.soft', t(`wet_${kind}_why`)),
    steps([
      { title: t('wet_which'), body: [h('div', store.status.lines.map((one) => tick(`${one.line}  ${one.liquid || t('nothing_hangs')}${one.contents === 'liquid' && one.holds === one.liquid ? '' : ` (${contents(one)})`}`, `line-${one.line}`, isWanted(one)))), button(t('next'), choose, 'main')] },
      {
        title: t('wet_ready'),
        body: [
          h('p', t('wet_lines', { n: lines.length, lines: list(lines.map(String)) }), ' ', t(`wet_${kind}_tubes`)), kind === 'purge' && tick(t('in_air'), 'air', true), tick(t('jug_stands'), 'jug', true),
          wait > 0 && h('p.notice', t('contact', { time: duration(wait) })),
          h('div.actions', button(t('wet_begin'), go, 'main'), button(t('wet_others'), () => { at = 0; })),
        ],
      },
      { title: t('wet_done'), body: [h('p', t(`wet_${kind}_next`, { time: duration(contactS) })), kind === 'clean' && countdown(), button(t('wet_more'), () => enter())] },
    ], at),
    operation(underWay() || over),
    over && h('ul.facts', over.lines.map((one) => h('li.num', `${line(one.line)?.liquid || one.liquid}: ${number(one.delivered_ml, 1)} / ${number(one.asked_ml, 1)} mL`))),
  ];
}

function countdown() {
  const leftS = standsS();
  return leftS != null && h('p.big.num', { role: 'timer' }, leftS > 0 ? t('contact', { time: duration(leftS) }) : t('contact_over'));
}
