// Set-up from bare wiring: every pump is run while a button is held, and somebody says whether the right one moved.
import { get, post } from '../api.js';
import { byId, h } from '../dom.js';
import { t } from '../texts.js';
import { back, button, goTo, steps } from './parts.js';
import { begin, redraw, store } from './store.js';

const JOG_S = 0.4; // each; the next one is asked for when it is over, so that silence stops the pump by itself
let jogs = [];
let at = 0;
let last = null; // the operation of the last jog

export async function load() {
  jogs = await get('jogs');
}

// The first two steps stand for all lines.
export function enter(line) {
  last = null;
  if (!line) at = 0;
}

// <hold-button>: `model.tick` is called again and again while it is held; released, left or hidden ends it at once.
class HoldButton extends HTMLElement {
  #held = false;

  #model = null;

  #onHidden = null;

  get model() {
    return this.#model;
  }

  set model(model) {
    this.#model = model;
    if (!this.firstChild) this.#build();
  }

  #build() {
    const pad = h('button.hold', { type: 'button' }, this.#model.label);
    const down = (event) => { event.preventDefault(); pad.focus(); this.#hold(); };
    const up = () => this.#release();
    pad.addEventListener('pointerdown', down);
    for (const one of ['pointerup', 'pointercancel', 'pointerleave', 'blur', 'contextmenu']) pad.addEventListener(one, up);
    pad.addEventListener('keydown', (event) => [' ', 'Enter'].includes(event.key) && (event.repeat ? event.preventDefault() : down(event)));
    pad.addEventListener('keyup', up);
    this.#onHidden = () => document.hidden && up();
    document.addEventListener('visibilitychange', this.#onHidden);
    this.append(pad);
  }

  disconnectedCallback() {
    document.removeEventListener('visibilitychange', this.#onHidden);
    this.#release();
  }

  async #hold() {
    if (this.#held) return;
    this.#held = true;
    this.firstChild.classList.add('moves');
    while (this.#held) if (!(await this.#model.tick().catch((error) => this.#model.fail(error)))) this.#held = false;
    this.firstChild.classList.remove('moves');
    this.#model.done();
  }

  #release() {
    if (!this.#held) return;
    this.#held = false;
    post('stop').catch(() => {}); // what was asked for ends by itself after JOG_S
  }
}

customElements.define('hold-button', HoldButton);

async function jog(line) {
  const view = await begin('jogs', { line, on_s: JOG_S, jug: true });
  last = view.operation;
  return view.outcome === 'done';
}

function fail(error) {
  store.trouble = error;
  redraw();
  return false;
}

async function answer(line, isRight) {
  jogs = await post('jogs/answers', { operation: last, is_right: isRight, remark: byId('remark').value });
  const next = isRight && jogs.find((one) => one.line > line && one.is_right == null);
  last = null;
  if (next) goTo(`setup/${next.line}`);
  else goTo('setup');
}

function ofLine(one) {
  const next = button(t('next'), () => { at += 1; }, 'main');
  return [
    back('setup', t('job_setup')),
    h('h1', t('jog_title', { line: one.line })),
    h('p.soft', t('jog_wiring', { channel: one.channel, gpio: one.gpio })),
    steps([
      { title: t('jog_step_power'), body: [h('p', t('setup_why')), next] },
      { title: t('jog_step_jug'), body: [next] },
      {
        title: t('jog_step_hold'),
        body: [h('hold-button', { model: { label: t('jog_hold', { line: one.line }), tick: () => jog(one.line), fail, done: redraw } }), h('p.small.soft', t('jog_hold_why'))],
      },
    ], at),
    last && h('section.ticket.stack', h('h2', t('jog_question')), h('p', t('jog_rotation'), ' ', t(`rotation_${one.rotation}`)),
      h('label.field', t('remark'), h('input', { id: 'remark', maxlength: '200', autocomplete: 'off' })),
      h('div.actions', button(t('jog_right'), () => answer(one.line, true), 'main'), button(t('jog_wrong'), () => answer(one.line, false)))),
  ];
}

export function view(given) {
  const one = jogs.find((it) => it.line === Number(given));
  if (one) return ofLine(one);
  return [
    back('jobs', t('tab_jobs')), h('h1', t('job_setup')), h('p', t('setup_why')),
    h('ul.joblist', jogs.map(row)),
  ];
}

const row = (it) => h('li', { 'data-key': String(it.line) }, h('a', { href: `#/setup/${it.line}` },
  h('b', t('line_number', { line: it.line })), h('span', t(it.is_right == null ? 'jog_open' : it.is_right ? 'jog_seen_right' : 'jog_seen_wrong'), it.remark && ` ${it.remark}`)));
