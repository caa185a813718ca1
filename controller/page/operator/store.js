// What the operator's side knows of the machine, kept up to date by the stream of events.
import { get, post, Problem } from '../api.js';
import { h, later, say } from '../dom.js';
import { problem } from '../said.js';
import { t } from '../texts.js';

export const store = { status: null, orders: [], queue: null, short: [], menu: [], behindMs: 0, trouble: null };
const over = new Map(); // operation -> resolvers of those who wait for its end
const plans = new Map();
let draw = () => {};

export const onChange = (render) => { draw = render; };
export const redraw = () => later(draw);

export function take(name, data) {
  if (name === 'status') store.status = data;
  else if (name === 'orders') {
    Object.assign(store, { orders: data.orders, queue: data.queue, short: data.short || [] });
    store.behindMs = Date.now() - data.queue.at_wall_s * 1000;
  } else if (name === 'queue') store.queue = data;
  else if (name === 'order') takeOrder(data);
  else if (store.status) takeOperation(data);
  redraw();
}

// Open orders stand in the order of the queue.
function takeOrder(order) {
  const others = store.orders.filter((one) => one.order !== order.order);
  const rank = (one) => one.place ?? (one.ended_wall_s ? 1e6 : 0);
  store.orders = [...others, order].sort((a, b) => rank(a) - rank(b) || (b.ended_wall_s || 0) - (a.ended_wall_s || 0));
}

function takeOperation(view) {
  store.status = { ...store.status, operation: view };
  settle(view);
}

function settle(view) {
  if (!view.outcome && !view.refused.length) return;
  (over.get(view.operation) || []).forEach((done) => done(view));
  over.delete(view.operation);
}

// The operation at its end; asked for as well, in case its event was lost.
export async function ended(operation) {
  const end = new Promise((done) => over.set(operation, [...(over.get(operation) || []), done]));
  const look = setInterval(() => get(`operations/${operation}`).then(settle, () => {}), 2000);
  const view = await end;
  clearInterval(look);
  return view;
}

export const underWay = () => {
  const view = store.status?.operation;
  return view && view.admitted && !view.outcome ? view : null;
};

// Segments of an operation, [] until they are there.
export function planOf(operation) {
  if (!plans.has(operation)) {
    plans.set(operation, []);
    get(`operations/${operation}/plan`).then((found) => { plans.set(operation, found); redraw(); }, () => plans.delete(operation));
  }
  return plans.get(operation);
}

// What a button does: busy meanwhile, and trouble is told where the reader is.
export function does(what) {
  return async (event) => {
    const button = event?.currentTarget;
    event?.preventDefault?.();
    if (button) button.disabled = true;
    store.trouble = null;
    try {
      await what(event);
    } catch (error) {
      if (!(error instanceof Problem)) console.warn(error);
      store.trouble = error instanceof Problem ? error : new Problem(0, { detail: t('no_connection') });
      say(store.trouble.message);
    } finally {
      if (button) button.disabled = false;
      redraw();
    }
  };
}

export function trouble() {
  const it = store.trouble;
  if (!it) return null;
  return h('div.notice.bad.stack', { role: 'alert', 'data-key': 'trouble' }, problem(it));
}

export const line = (number) => store.status?.lines.find((one) => one.line === number);

// The operation at its end; what the guard refuses to begin is trouble like any other refusal.
export async function begin(path, body) {
  const asked = await post(path, body);
  takeOperation(asked);
  const view = await ended(asked.operation);
  if (view.refused.length) throw new Problem(0, { detail: view.refused[0].reason, refusals: view.refused });
  return view;
}
