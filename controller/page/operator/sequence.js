// Guided sequences, step by step as the engine says: a change of liquid on a line, and the closing.
import { get, post } from '../api.js';
import { byId, h } from '../dom.js';
import { duration, list, ml, t } from '../texts.js';
import { amount, back, button, field, operation, read, tick, ticked } from './parts.js';
import { begin, line } from './store.js';

let open = [];
let names = { liquids: [] };
let taken = 0;

export async function load() {
  [open, names] = await Promise.all([get('sequences'), get('names')]);
  taken = Date.now();
}

const doneOf = (one) => `${one.done_lines.length} / ${one.lines.length}`;

function step(sequence, path) {
  const one = sequence.step;
  const leftS = Math.max(0, one.seconds - (Date.now() - taken) / 1000);
  const go = async () => {
    await begin(`${path}/next`);
    await load();
  };
  return h('section.ticket.now.stack',
    h('h2', t(`step_${one.kind}`, { lines: list(one.lines.map(String)) })), h('p.small.soft', t('lines_done', { done: doneOf(sequence) })),
    one.kind === 'wait'
      ? h('p.big.num', { role: 'timer' }, leftS > 0 ? t('contact', { time: duration(leftS) }) : t('contact_over'))
      : [h('ol.stack', h('li', one.kind === 'prime' ? t('hang_prime', sequence) : t(`wet_${one.kind}_tubes`)), h('li', t('jug_takes', { ml: ml(one.volume_ml, 0) }))), h('p.small.soft', t('step_takes', { ml: ml(one.volume_ml), time: duration(one.seconds) })), button(t('step_go'), go, 'main')],
    one.kind === 'wait' && leftS === 0 && button(t('next'), load, 'main'));
}

function running(sequence, path) {
  return [
    sequence.step ? step(sequence, path) : h('p.notice.good', { role: 'status' }, t('sequence_done')),
    operation(),
    sequence.step && button(t('sequence_drop'), () => post(`${path}/drop`).then(load), 'quiet'),
  ];
}

function change(at) {
  const path = `lines/${at}/change`;
  const sequence = open.find((one) => one.kind === 'change' && one.line === at);
  const start = async () => { open = [...open, await post(path, { liquid: byId('liquid').value, container_ml: read('size') })]; taken = Date.now(); };
  return [
    back(`line/${at}`, t('line_number', { line: at })), h('h1', t('change_title', { line: at, liquid: line(at)?.liquid || t('nothing_hangs') })), h('p.soft', t('job_change_why')),
    sequence ? [h('p', t('change_to', { liquid: sequence.liquid })), running(sequence, path)]
      : [h('label.field', t('liquid'), h('select', { id: 'liquid' }, names.liquids.map((one) => h('option', one)))), amount(t('container_ml'), 'size'), button(t('change_go'), start, 'main')],
  ];
}

function closing() {
  const path = 'sequences/close';
  const sequence = open.find((one) => one.kind === 'close');
  const start = async () => {
    const word = (id) => byId(id).value;
    open = [...open, await post(path, { person: word('person'), cleaner: word('cleaner'), dry: ticked('dry') })];
    taken = Date.now();
  };
  return [
    back('jobs', t('tab_jobs')), h('h1', t('job_closing')), h('p.soft', t('closing_why')),
    sequence ? running(sequence, path)
      : [field(t('person'), { id: 'person', maxlength: '60' }), field(t('cleaner'), { id: 'cleaner', maxlength: '200' }), tick(t('dry'), 'dry'), button(t('closing_go'), start, 'main')],
  ];
}

export const view = (given) => (given ? change(Number(given)) : closing());
