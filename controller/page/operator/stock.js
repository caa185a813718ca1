// What hangs on a line and how much is left: another container, a weighing, an empty one.
import { ask, get, post } from '../api.js';
import { byId, h } from '../dom.js';
import { ml, moment, number, t } from '../texts.js';
import { amount, back, button, gauge, read, tick, ticked } from './parts.js';
import { line } from './store.js';

let stock;
let liquids = [];
let said = '';

export function enter() {
  said = '';
}

export async function load(given) {
  stock = (await get('stock')).find((one) => one.line === Number(given));
  if (!liquids.length) liquids = (await get('names')).liquids;
}

const changed = (change) => {
  stock = change.now;
  said = t('booked', { was: ml(change.booked_ml), now: ml(change.now.remaining_ml) });
};

function assign(at) {
  const hang = () => ask('PUT', `lines/${at}`, { liquid: byId('liquid').value, container_ml: read('size') }).then(() => load(at));
  return h('section.stack', h('h2', t('hang')), h('label.field', t('liquid'), h('select', { id: 'liquid' }, liquids.map((one) => h('option', one)))), amount(t('container_ml'), 'size'), button(t('hang_go'), hang, 'main'));
}

export function view(given) {
  const at = Number(given);
  const one = line(at);
  const path = `stock/${at}`;
  if (!stock) return [back(`line/${at}`, t('line_number', { line: at })), h('h1', t('job_stock')), assign(at)];
  return [
    back(`line/${at}`, t('line_number', { line: at })), h('h1', t('line_title', { line: at, liquid: one.liquid || stock.liquid })), gauge(stock),
    h('p.small.soft', t('opened', { at: moment(stock.opened_wall_s) }), stock.keeps_until_wall_s && ` ${t('keeps', { at: moment(stock.keeps_until_wall_s) })}`),
    said && h('p.notice.good', { role: 'status' }, said),
    !stock.is_known_to_guard && h('div.notice.stack', h('p', t('differs')), button(t('stock_right'), () => post(`${path}/confirm`).then(() => load(at)))),
    h('section.stack', h('h2', t('fresh')), amount(t('container_ml'), 'size', { value: number(stock.container_ml).replace(/\D/g, '') }), tick(t('tube_full'), 'full'),
      button(t('fresh_go'), async () => changed(await post(`${path}/refill`, { container_ml: read('size'), tube_full: ticked('full') })), 'main')),
    h('section.stack', h('h2', t('weighed')), amount(t('weighs_g'), 'grams'), amount(t('tare_g'), 'tare', { value: stock.tare_g == null ? '' : String(stock.tare_g) }),
      button(t('weighed_go'), async () => changed(await post(`${path}/weighing`, { grams: read('grams'), ...(byId('tare').value ? { tare_g: read('tare') } : {}) })))),
    h('section.stack', h('h2', t('ran_dry')), h('p.small', t('ran_dry_why')), button(t('ran_dry_go'), async () => changed(await post(`${path}/empty`, {})))),
    h('p', h('a', { href: `#/change/${at}` }, t('job_change'))),
  ];
}
