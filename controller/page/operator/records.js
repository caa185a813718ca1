// The past: operations, use of liquids, refusals, and the hygiene record to print.
import { get } from '../api.js';
import { h } from '../dom.js';
import { english, word } from '../said.js';
import { known, ml, moment, t, within } from '../texts.js';
import { button } from './parts.js';

const DAY_S = 86400;
let operations = [];
let usage = [];
let refusals = [];
let record = null;
let days = 7;

export async function load() {
  const since = `since_wall_s=${Math.floor(Date.now() / 1000 - days * DAY_S)}`;
  [operations, usage, refusals, record] = await Promise.all([get(`operations?limit=40&${since}`), get(`usage?${since}`), get(`refusals?${since}`), get(`hygiene/record?${since}`)]);
}

function table(name, heads, rows) {
  if (!rows.length) return h('p.soft', t('nothing_yet'));
  return h('div.scroll', { tabindex: '0', role: 'region', 'aria-label': name }, h('table',
    h('thead', h('tr', heads.map((one) => h('th', { scope: 'col' }, t(one))))), h('tbody', rows.map((row) => h('tr', row.map((one) => h('td', { class: String(one?.textContent ?? one).length > 24 ? 'long' : null }, one)))))));
}

const outcome = (one) => (one.refused.length ? t('outcome_refused') : one.outcome ? t(`outcome_${one.outcome}`) : '');
const poured = (one) => one.lines.filter((it) => it.delivered_ml > 0).map((it) => `${it.liquid} ${it.at_most ? '≤ ' : ''}${it.weighed ? `${within(it.weighed)} mL` : ml(it.delivered_ml)}`).join(', ') + (one.unweighed ? `; ${t('unweighed', { why: one.unweighed })}` : '');

export function view() {
  if (!record) return [h('h1', t('tab_records'))];
  const choose = async (event) => {
    days = Number(event.target.value);
    await load();
  };
  return [
    h('h1', t('tab_records')),
    h('div.row.noprint', h('label.field', t('since'), h('select', { onchange: choose }, [1, 7, 31, 366].map((one) => h('option', { value: one, selected: one === days }, t('days', { n: one }))))), button(t('print'), async () => print())),
    h('section', h('h2', t('hygiene_record')), h('p.small.soft', `${record.machine}, ${record.book}. `, t('record_span', { from: moment(record.since_wall_s), to: moment(record.until_wall_s) })),
      table(t('hygiene_record'), ['when', 'line', 'event', 'what', 'outcome', 'person_head'], record.rows.map((one) => [moment(one.wall_s), String(one.line), t(`${known(`event_${one.event}`) ? 'event' : 'kind'}_${one.event}`), english(one.text), word(`outcome_${one.outcome}`, one.outcome), one.person]))),
    h('section.noprint', h('h2', t('operations')), table(t('operations'), ['when', 'what', 'poured', 'outcome'], operations.map((one) => [moment(one.asked_wall_s), one.recipe || t(`kind_${one.kind}`), poured(one), outcome(one)]))),
    h('section.noprint', h('h2', t('usage')), table(t('usage'), ['evening', 'liquid', 'asked', 'poured', 'other_use'], usage.map((one) => [one.evening, one.liquid, ml(one.asked_ml), ml(one.poured_ml), ml(one.other_ml)]))),
    h('section.noprint', h('h2', t('refusals')), table(t('refusals'), ['rule', 'times'], refusals.map((one) => [word(`rule_${one.rule}`, one.rule), String(one.refusals)]))),
  ];
}
