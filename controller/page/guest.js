// A guest's side: what can be had now, and the guest's own orders.
import { becomeGuest, follow, get } from './api.js';
import { doseKey, learnTints, tape, tapeMl } from './draw.js';
import { byId, h, later, morph, morphChildren } from './dom.js';
import { connection } from './main.js';
import { duration, grams, known, list, loadMoreTexts, ml, number, percent, t } from './texts.js';

const MENU_MS = 20000; // how old the menu may get while somebody looks at it

export const state = { menu: [], orders: [], queue: null, behindMs: 0 };
const filter = { avoid: new Set(), noAlcohol: false };
let parts = null; // order.js, loaded when the menu stands
const ordering = () => import('./order.js');

export const allergen = (one) => (known(`allergen_${one}`) ? t(`allergen_${one}`) : one);

// What of a menu entry is had now: as it is, or as the engine offers it; null when it cannot be had.
export function offered(entry) {
  if (!entry.missing.length) return { without: [], instead: [] };
  return entry.offer && { without: entry.offer.without || [], instead: entry.offer.instead || [] };
}

function said({ without, instead }) {
  return [...without.map((one) => t('without', { liquid: one })), ...instead.map((one) => t('instead', one))];
}

export function facts(entry, times = 1) {
  return h('p.facts',
    h('span.num', h('b', ml(entry.volume_ml * times))), h('span', entry.glass),
    h('span.num', entry.abv_percent > 0 ? t('strength', { abv: percent(entry.abv_percent) }) : t('no_alcohol')),
    entry.ethanol_g > 0 && h('span.num', t('ethanol', { g: grams(entry.ethanol_g * times) })),
    entry.ethanol_g > 0 && entry.standard_drinks != null && h('span.num',
      t('standard_drinks', { n: number(entry.standard_drinks * times, 1), country: entry.standard_drink })),
    entry.seconds != null && times === 1 && h('span.num', t('pours_in', { time: duration(entry.seconds) })));
}

export function allergens(entry) {
  return h('p.small',
    entry.allergens.length ? h('b', t('made_with', { list: list(entry.allergens.map(allergen)) })) : t('made_with_none'),
    entry.may_contain.length > 0 && ` ${t('traces', { list: list(entry.may_contain.map(allergen)) })}`);
}

function drink(entry, fullMl) {
  const now = offered(entry);
  const id = `d-${state.menu.indexOf(entry)}`;
  return h('li', { 'data-key': entry.recipe },
    h('div.drink-head', h('h3', { id }, entry.recipe),
      now && h('button.go', { 'aria-describedby': id, onclick: async () => (await ordering()).openOrder(entry, now), disabled: Boolean(state.queue?.closed) }, t('order'))),
    tape(entry.phases, fullMl), doseKey(entry.phases),
    now && said(now).map((one) => h('p.small.notice', one)),
    facts(entry), allergens(entry));
}

function filters() {
  const all = [...new Set(state.menu.flatMap((one) => [...one.allergens, ...one.may_contain]))].sort();
  const choose = (one) => (event) => {
    filter.avoid[event.target.checked ? 'add' : 'delete'](one);
    later(draw);
  };
  const drop = (event) => {
    filter.noAlcohol = event.target.checked;
    later(draw);
  };
  return h('details', h('summary', t('filter')), h('div.stack',
    state.menu.some((one) => one.ethanol_g > 0) && h('label.tick', h('input', { type: 'checkbox', onchange: drop }), t('only_no_alcohol')),
    all.length > 0 && h('fieldset', h('legend', t('leave_out')),
      all.map((one) => h('label.tick', { 'data-key': one }, h('input', { type: 'checkbox', onchange: choose(one) }), allergen(one)))),
    h('p.notice.small', t('never_free'))));
}

export const closed = (queue) => (queue.last_orders ? t('closed_last') : t('closed_full', { n: queue.waiting }));

function queueLine() {
  const queue = state.queue;
  if (!queue) return null;
  if (queue.closed) return h('p.notice', closed(queue));
  return h('p.soft.small', t('waiting', { n: queue.waiting }), ' ',
    queue.wait_s == null ? t('wait_unknown') : t('wait', { time: duration(queue.wait_s) }));
}

export function draw() {
  const fits = (one) => !one.allergens.some((it) => filter.avoid.has(it)) && !(filter.noAlcohol && one.ethanol_g > 0);
  const wanted = state.menu.filter(fits);
  const now = wanted.filter(offered);
  const others = state.menu.filter((one) => !offered(one));
  const fullMl = tapeMl(state.menu);
  morph(byId('top'), h('header.top', { id: 'top' },
    h('div.row.apart', h('h1', state.queue?.book || t('title')), connection())));
  morphChildren(byId('main'), [
    h('div', { 'data-key': 'mine' }, parts?.tickets()),
    h('div.stack', { 'data-key': 'menu' },
      h('h2', t('now')), queueLine(), filters(),
      now.length === 0 && h('p', t(state.menu.length && wanted.length < state.menu.length ? 'none_fits' : 'none_now')),
      h('ul.drinks', now.map((one) => drink(one, fullMl))),
      others.length > 0 && h('details', h('summary', t('not_now', { n: others.length })),
        h('ul', others.map((one) => h('li', { 'data-key': one.recipe }, one.recipe))))),
  ]);
}

function takeMenu(menu) {
  state.menu = menu;
  learnTints(menu.flatMap((one) => one.liquids));
}

async function renewMenu() {
  takeMenu(await get('menu'));
  later(draw);
}

function take(name, data) {
  if (name === 'orders') {
    ({ orders: state.orders, queue: state.queue } = data);
    state.behindMs = Date.now() - data.queue.at_wall_s * 1000;
    renewMenu().catch(() => {});
  } else if (name === 'queue') state.queue = data;
  else if (name === 'order') {
    state.behindMs = Date.now() - data.at_wall_s * 1000;
    state.orders = [data, ...state.orders.filter((one) => one.order !== data.order)];
    parts?.tell(data);
  }
  later(draw);
}

export async function show(menu) {
  takeMenu(await menu);
  draw();
  const cautions = ['caution_allergens', 'caution_alcohol', 'caution_food', location.protocol === 'http:' && 'caution_open'].filter(Boolean);
  byId('cautions').append(...cautions.map((one) => h('p', t(one))));
  [parts] = await Promise.all([ordering(), loadMoreTexts('rules')]);
  for (;;) {
    try {
      await becomeGuest();
      break;
    } catch {
      await new Promise((done) => setTimeout(done, 3000));
    }
  }
  parts.resend();
  setInterval(() => document.visibilityState === 'visible' && renewMenu().catch(() => {}), MENU_MS * (1 + Math.random() / 2));
  return follow(take, 'orders');
}
