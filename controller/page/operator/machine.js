// The machine at a glance: state, faults, what is under way, each line with what is in it, what is left, what is due.
import { get, post } from '../api.js';
import { h } from '../dom.js';
import { english, word } from '../said.js';
import { known, t } from '../texts.js';
import { button, contents, due, gauge, operation, tube } from './parts.js';
import { store } from './store.js';

let stock = [];

export async function load() {
  stock = await get('stock');
}

function faulted(status) {
  return h('section.notice.bad.stack', { role: 'alert' }, h('h2', t('fault')), 
    h('p', h('b', word(`fault_${status.fault}`, status.fault))), known(`remedy_${status.fault}`) && h('p', t(`remedy_${status.fault}`)),
    h('p', t('fault_remedy')), button(t('acknowledge'), () => post('acknowledge', { cause: status.fault }), 'main'));
}

function inputs(found) {
  if (!found) return null;
  const rows = [
    t(found.stop_pressed ? 'input_stop_pressed' : 'input_stop_free'),
    found.glass_present != null && t(found.glass_present ? 'input_glass' : 'input_no_glass'),
    found.tray_full != null && t(found.tray_full ? 'input_tray_full' : 'input_tray_free'),
  ];
  return h('ul.facts', rows.filter(Boolean).map((one) => h('li', one)));
}

const row = (one) => h('li', { 'data-key': String(one.line) }, h('a', { href: `#/line/${one.line}` },
  h('span.plate', h('span.unseen', `${t('line')} `), String(one.line)),
  h('div', h('h3', one.liquid || t('nothing_hangs')), tube(one),
    h('p.row.small', h('span.soft', contents(one)), one.due && h('span.due', due(one))),
    gauge(stock.find((it) => it.line === one.line)))));

export function view() {
  const { status } = store;
  return [
    h('h1', status.guard_connected ? t(`state_machine_${status.state}`) : t('guard_lost')),
    inputs(status.inputs),
    status.fault ? faulted(status) : operation(status.operation),
    status.doubts.length > 0 && h('div.notice', status.doubts.map((one) => h('p', english(one)))),
    h('section', h('h2', t('lines')), h('ul.lines', status.lines.map(row))),
  ];
}
