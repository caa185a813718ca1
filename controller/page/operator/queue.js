// The orders: what is called and poured now, what waits, and the house's last orders.
import { ask, get, post } from '../api.js';
import { h } from '../dom.js';
import { closed } from '../guest.js';
import { change, changes, ending, remark } from '../said.js';
import { clock, duration, grams, ml, t } from '../texts.js';
import { button, operation, tick, ticked } from './parts.js';
import { store, underWay } from './store.js';

export const load = async () => { store.short = (await get('orders')).short; };

const OVER = new Set(['taken', 'withdrawn', 'expired', 'refused']); // a failed one waits for somebody's word

const verb = (order, name, body) => () => post(`orders/${order.order}/${name}`, body);

// The finished drink may still stand there: only a glass set down after it is asked about.
function consent(order) {
  const { glass_present: present, fresh_glass: isFresh } = store.status.inputs ?? {};
  const id = `seen-${order.order}`;
  if (underWay() || (present != null && !isFresh)) return [h('p', t('glass_awaited', { glass: order.glass }))];
  return [
    present == null ? tick(t('empty_glass_seen', { glass: order.glass }), id) : h('p', t('glass_stands', { glass: order.glass })),
    button(t('pour_order', { number: order.number }), () => ask('POST', `orders/${order.order}/consent`, { empty_glass: ticked(id) }), 'main'),
  ];
}

function actions(order) {
  return {
    placed: () => [order.changed.length > 0 && button(t('agrees'), verb(order, 'agree', { changed: order.changed }), 'main'), order.needs_nod && button(t('nod'), verb(order, 'nod'), 'main'), button(t('call'), verb(order, 'call')), order.place > 1 && button(t('to_front'), verb(order, 'move', { place: 1 })), refuse(order)],
    called: () => [...consent(order), refuse(order)],
    ready: () => [button(t('is_taken'), verb(order, 'taken'), 'main')],
    failed: () => [button(t('again'), verb(order, 'again')), refuse(order)],
  }[order.state]?.();
}

const refuse = (order) => button(t('refuse', { number: order.number }), verb(order, 'refuse', {}), 'quiet');

function card(order) {
  const isNow = ['called', 'pouring', 'ready'].includes(order.state);
  return h('li', { class: isNow ? 'ticket now stack' : 'ticket stack', 'data-key': String(order.order) },
    h('div.row.apart', h('div', h('h2', order.recipe), h('p.small.soft', [t(`state_${order.state}`), order.name, order.wait_s != null && order.state === 'placed' && t('in_about', { time: duration(order.wait_s) }), order.call_ends_wall_s && t('call_ends', { time: clock(order.call_ends_wall_s) })].filter(Boolean).join(', '))),
      h('p.number', h('span.unseen', t('order_number')), String(order.number))),
    h('p.facts', h('span', order.glass), h('span.num', ml(order.volume_ml)), order.ethanol_g > 0 && h('span.num', t('ethanol', { g: grams(order.ethanol_g) })), order.ahead.map((step) => h('span', t('ahead', { step })))),
    changes(order).map((one) => h('p.small', one)),
    order.changed.length > 0 && h('ul.small.notice', order.changed.map((one) => h('li', change(one)))),
    order.needs.map((one) => h('p.small.notice', remark(one))),
    (order.rule || order.reason) && h('p.small', ending(order)),
    h('div.actions', actions(order)));
}

export function view() {
  const open = store.orders.filter((one) => !OVER.has(one.state));
  const past = store.orders.filter((one) => OVER.has(one.state)).slice(0, 12);
  const last = store.queue?.last_orders;
  return [
    h('h1', t('tab_orders')),
    store.queue?.closed && h('p.notice', closed(store.queue)),
    store.short.map((one) => h('p.notice.small', remark(one))),
    operation(),
    open.length ? h('ul.stack', { 'aria-label': t('open_orders') }, open.map(card)) : h('p.soft', t('no_orders')),
    store.queue && h('p', button(t(last ? 'orders_again' : 'last_orders'), () => post('orders/last', { last_orders: !last }))),
    past.length > 0 && h('details', h('summary', t('past_orders')), h('ul.stack', past.map(card))),
    h('details', h('summary', t('event_over')), h('div.stack', h('p', t('event_over_why')), button(t('forget'), () => post('orders/forget')))),
  ];
}
