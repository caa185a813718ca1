// Ordering a drink, once and only once, and following the orders of this phone.
import './plan.js';
import { ask, becomeGuest, freshKey, get, link, post, Problem } from './api.js';
import { doseKey, tape } from './draw.js';
import { byId, focusOn, h, later, say } from './dom.js';
import { allergens, draw, facts, state } from './guest.js';
import { change, changes, ending, problem } from './said.js';
import { clock, duration, t } from './texts.js';

const PENDING = 'order-being-sent';
const OVER = new Set(['taken', 'withdrawn', 'expired', 'refused', 'failed']);
const SHOWN_OVER_S = 900; // how long an order that is over stays on the page
const LOOK_MS = 2000; // between two looks at how far a pour of this phone has come
const plans = new Map(); // operation -> segments, null while they are asked for
const pours = new Map(); // operation -> what the engine said of it last
let trouble = null; // what went wrong last

const secrets = () => JSON.parse(localStorage.getItem('secrets') || '{}');

// The key is kept before anything is sent: whatever happens to this page or the network, the same order is sent again.
async function place(request) {
  sessionStorage.setItem(PENDING, JSON.stringify({ ...request, key: freshKey() }));
  return resend();
}

export async function resend() {
  const pending = sessionStorage.getItem(PENDING);
  if (!pending) return null;
  await becomeGuest();
  const placed = await post('orders', JSON.parse(pending)).catch((error) => {
    if (error instanceof Problem && error.status < 500 && error.status !== 429) sessionStorage.removeItem(PENDING);
    throw error;
  });
  sessionStorage.removeItem(PENDING);
  localStorage.setItem('secrets', JSON.stringify({ ...secrets(), [placed.order.order]: placed.secret }));
  state.orders = [placed.order, ...state.orders.filter((one) => one.order !== placed.order.order)];
  say(t('placed_said', { number: placed.order.number, recipe: placed.order.recipe }));
  later(draw);
  return placed.order;
}

link.addEventListener('change', () => resend().catch(() => {}));

// --- the dialog

export function openOrder(entry, offer) {
  const chosen = { times: 1, without: new Set(offer.without), instead: [...offer.instead] };
  const name = h('input', { id: 'name', maxlength: '40', autocomplete: 'off', value: sessionStorage.getItem('name') || '' });
  const wrong = h('div', { role: 'alert' });
  const picture = h('div');
  const redraw = () => {
    const phases = entry.phases.map((phase) => ({ ...phase, doses: phase.doses.filter((one) => !chosen.without.has(one.liquid)) }));
    picture.replaceChildren(tape(phases, Math.max(100, Math.ceil((entry.volume_ml * chosen.times) / 50) * 50), chosen.times), doseKey(phases, chosen.times), facts(entry, chosen.times));
  };
  const size = (times, word) => h('label.tick',
    h('input', { type: 'radio', name: 'size', checked: times === 1, onchange: () => redraw((chosen.times = times)) }), word);
  const leave = (liquid) => h('label.tick', h('input', {
    type: 'checkbox', checked: chosen.without.has(liquid),
    onchange: (event) => redraw(chosen.without[event.target.checked ? 'add' : 'delete'](liquid)),
  }), t('without', { liquid }));
  const swap = (one) => h('label.tick', h('input', {
    type: 'checkbox', checked: chosen.instead.some((it) => it.liquid === one.liquid && it.by === one.by),
    onchange: (event) => { chosen.instead = chosen.instead.filter((it) => it.liquid !== one.liquid).concat(event.target.checked ? one : []); },
  }), t('instead', one));
  const dialog = h('dialog.order', { 'aria-labelledby': 'order-title' });
  const submit = h('button.main', t('order_one'));
  const send = async (event) => {
    event.preventDefault();
    submit.disabled = true;
    sessionStorage.setItem('name', name.value);
    try {
      const placed = await place({ recipe: entry.recipe, times: chosen.times, without: [...chosen.without], instead: chosen.instead, name: name.value });
      dialog.close();
      later(() => focusOn(byId(`order-${placed.order}`)));
    } catch (error) {
      wrong.replaceChildren(refusal(error));
      submit.disabled = !(error instanceof Problem); // the one that could not be sent goes out by itself
    }
  };
  dialog.append(h('form.stack', { onsubmit: send },
    h('h2', { id: 'order-title' }, entry.recipe), picture, allergens(entry),
    h('fieldset.row', h('legend', t('size')), size(0.5, t('half')), size(1, t('single')), size(2, t('double'))),
    entry.optional.map(leave), entry.substitutes.map(swap),
    h('label.field', t('name'), name), h('p.small.soft', t('name_why')),
    entry.ethanol_g > 0 && h('p.notice.small', t('caution_alcohol')),
    wrong, h('div.actions', submit, h('button', { type: 'button', onclick: () => dialog.close() }, t('cancel')))));
  redraw();
  dialog.addEventListener('close', () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}

function refusal(error) {
  if (!(error instanceof Problem)) return h('p.notice', t('will_send'));
  return h('div.notice.bad', problem(error));
}

// --- this phone's orders

export function tell(order) {
  const key = `told_${order.state}`;
  say(t(key, { number: order.number, recipe: order.recipe, glass: order.glass }));
}

export function tickets() {
  const nowS = (Date.now() - state.behindMs) / 1000;
  const shown = state.orders.filter((one) => !OVER.has(one.state) || nowS - (one.ended_wall_s || 0) < SHOWN_OVER_S);
  if (!shown.length && !sessionStorage.getItem(PENDING)) return null;
  return h('section.stack', { 'aria-labelledby': 'mine-title' }, h('h2', { id: 'mine-title' }, t('mine')),
    sessionStorage.getItem(PENDING) && h('p.notice', t('will_send')),
    trouble && h('div.notice.bad', { role: 'alert' }, trouble instanceof Problem ? problem(trouble) : h('p', t('no_connection'))),
    h('ul.stack', shown.map(ticket)));
}

function ticket(order) {
  const isNow = ['called', 'pouring', 'ready'].includes(order.state);
  return h('li', { class: isNow ? 'ticket now stack' : 'ticket stack', id: `order-${order.order}`, 'data-key': String(order.order) },
    h('div.row.apart', h('div', h('h3', order.recipe), h('p.soft.small', t(`state_${order.state}`))),
      h('p.number', h('span.unseen', t('order_number')), String(order.number))),
    (BODIES[order.state] || over)(order));
}

// The drink is no longer what was ordered: it waits until this guest agrees.
const changed = (order) => order.changed.length > 0 && h('div.notice.stack', { role: 'status' },
  h('p', h('b', t('changed'))), h('ul', order.changed.map((one) => h('li', change(one)))),
  order.changed.every((one) => one.about !== 'gone') && h('button.main', { onclick: (event) => act(event, () => post(`orders/${order.order}/agree`, { changed: order.changed })) }, t('agree')));

const may = (order) => order.may_consent && order.consent_ends_wall_s && secrets()[order.order];

const BODIES = {
  placed: (order) => [
    h('p', order.place != null && t('place', { n: order.place }), ' ', order.wait_s == null ? t('wait_unknown') : t('wait', { time: duration(order.wait_s) })),
    order.needs_nod && h('p.small.notice', t('needs_nod')),
    changed(order),
    withdraw(order),
  ],
  called: (order) => [
    h('p', h('b', t('set_down', { glass: order.glass }))),
    order.ahead.map((step) => h('p', t('ahead', { step }))),
    order.call_ends_wall_s && h('p.small.soft', t('call_ends', { time: clock(order.call_ends_wall_s) })),
    may(order) ? h('button.main', { onclick: (event) => act(event, () => consent(order)) }, t('consent')) : h('p.small', t('somebody_says')),
    withdraw(order),
  ],
  pouring: (order) => [plan(order), pours.get(order.operation)?.waiting && h('p.notice', { role: 'status' }, waits(pours.get(order.operation)))],
  ready: (order) => [h('p', h('b', t('take_it'))), changes(order).map((one) => h('p.small', one))],
};

const over = (order) => [(order.rule || order.reason) && h('p.small', ending(order))];

export const waits = ({ waiting, waiting_for: step }) => t({ glass: 'waits_glass', container: 'waits_operator' }[waiting.kind] ?? 'waits_step', { step });

// The plan is asked for once and runs by itself; how far it has come in truth is asked for now and then.
function plan(order) {
  const { operation } = order;
  if (!plans.has(operation)) {
    plans.set(operation, null);
    get(`orders/${order.order}/plan`).then((found) => plans.set(operation, found), () => plans.delete(operation)).then(() => later(draw));
    look(operation);
  }
  const segments = plans.get(operation);
  const view = pours.get(operation);
  if (!segments?.length) return null;
  return h('pour-plan', { model: { segments, sinceMs: order.began_wall_s * 1000 + state.behindMs, lines: view?.lines, takenMs: view?.takenMs, isHeld: Boolean(view?.waiting_for), isOver: false } });
}

async function look(operation) {
  const view = await get(`operations/${operation}`).catch(() => null);
  if (view) pours.set(operation, { ...view, takenMs: Date.now() });
  later(draw);
  if (state.orders.some((one) => one.operation === operation && one.state === 'pouring')) setTimeout(look, LOOK_MS, operation);
}

const consent = (order) => ask('POST', `orders/${order.order}/consent`, { secret: secrets()[order.order] });

const withdraw = (order) => h('button.quiet', { onclick: (event) => act(event, () => post(`orders/${order.order}/withdraw`)) }, t('withdraw', { number: order.number }));

async function act(event, what) {
  event.target.disabled = true;
  trouble = null;
  try {
    await what();
  } catch (error) {
    trouble = error;
  }
  event.target.disabled = false;
  later(draw);
}
