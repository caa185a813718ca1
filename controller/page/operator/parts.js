// Pieces that several of the operator's screens show.
import { post, Problem } from '../api.js';
import '../plan.js';
import { tint } from '../draw.js';
import { byId, h } from '../dom.js';
import { ended, english, remark } from '../said.js';
import { ml, t } from '../texts.js';
import { does, planOf, store, underWay } from './store.js';

export const goTo = (path) => { location.hash = `#/${path}`; };

export const button = (text, what, kind = '') => h('button', { class: kind, type: 'button', onclick: does(what) }, text);

export const field = (label, props) => h('label.field', label, h('input', { autocomplete: 'off', ...props }));

export const amount = (label, id, more = {}) => field(label, { id, type: 'text', inputmode: 'decimal', required: true, ...more });

// A number as people type it, with a comma or a point.
export function read(id) {
  const text = byId(id).value.trim().replace(',', '.');
  const value = Number(text);
  if (text === '' || !Number.isFinite(value)) {
    byId(id).focus();
    throw new Problem(0, { detail: t('needs_number') });
  }
  return value;
}

export const tick = (label, id, checked = false) =>
  h('label.tick', h('input', { type: 'checkbox', id, checked }), h('span', label));

export const ticked = (id) => byId(id)?.checked === true;

// What a line needs next; with what it needs care for.
export const due = (one) => [t(`due_${one.due}`, { liquid: one.holds }), ['care', 'assign'].includes(one.due) && one.reasons.map((why) => [': ', remark(why)])];

// A line's tube from its container to the outlet, with what is in it.
export function tube(one) {
  const kind = one.contents.replace(' ', '-');
  return h('div.tube', { 'aria-hidden': 'true' },
    h('div', { class: `bottle ${one.liquid ? tint(one.liquid) : 'none'}` }),
    h('div', { class: `bore ${kind} ${one.holds ? tint(one.holds) : ''}` }), h('div.tip'));
}

// What is left in a container, to scale: surely there, and perhaps.
export function gauge(stock) {
  if (!stock) return null;
  const share = (value) => `${Math.min(100, Math.max(0, (100 * value) / stock.container_ml))}%`;
  const give = Math.max(0, stock.remaining_ml - stock.sure_ml);
  return h('div.gauge-row',
    h('div', { class: `gauge ${tint(stock.liquid)}`, 'aria-hidden': 'true' },
      h('div.perhaps', { style: { width: share(Math.min(stock.container_ml, stock.remaining_ml + give + stock.perhaps_more_ml)) } }),
      h('div.sure', { style: { width: share(stock.sure_ml) } })),
    h('span.small.num', t(give >= 0.5 ? 'left_give' : 'left', { ml: ml(stock.remaining_ml), give: ml(give, 0), of: ml(stock.container_ml) })));
}

export const contents = (one) => (one.contents === 'liquid' ? t('holds', { liquid: one.holds }) : t(`contents_${one.contents.replace(' ', '_')}`));

// The operation under way, or the one of this id when it is over.
export function operation(view = underWay()) {
  if (!view) return null;
  const segments = planOf(view.operation);
  const isOver = Boolean(view.outcome);
  return h('section', { class: isOver ? 'ticket stack' : 'ticket now stack', 'data-key': `op-${view.operation}`, 'aria-label': t('under_way') },
    h('div.row.apart', h('h2', view.recipe || t(`kind_${view.kind}`)),
      h('span.small.soft', isOver ? t(`outcome_${view.outcome}`) : t(`state_machine_${store.status.state}`))),
    segments.length ? h('pour-plan', { model: { segments, sinceMs: Date.now(), lines: view.lines, isHeld: Boolean(view.waiting_for), isOver } }) : null,
    view.waiting && waiting(view),
    isOver && view.reason && h('p.small', ended(view)),
    isOver && view.unweighed && h('p.small', t('unweighed'), ' ', english(view.unweighed)));
}

function waiting(view) {
  const { kind, line } = view.waiting;
  if (kind === 'glass') return h('p.notice', t('waits_glass'));
  const text = kind === 'container' ? t('waits_container', { line }) : t('waits_step', { step: view.waiting_for });
  return h('div.notice.stack', h('p', text), button(t('done_go_on'), () => post(`operations/${view.operation}/confirm`), 'main'));
}

// A guided job: numbered steps, of which one is now.
export function steps(all, at) {
  return h('ol.steps', all.map((one, n) =>
    h('li', { class: n < at ? 'past' : n === at ? 'now' : 'later', 'aria-current': n === at ? 'step' : null }, h('span.step-title', one.title), n === at && h('div.stack', one.body))));
}

export const back = (path, text) => h('p', h('a.back', { href: `#/${path}` }, text));
