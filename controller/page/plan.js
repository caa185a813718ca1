// A pour as its plan running through time: a lane for each line, its runs as bars along the seconds.
import { h } from './dom.js';
import { tint } from './draw.js';
import { ml, number, t, within } from './texts.js';

const calm = matchMedia('(prefers-reduced-motion: reduce)');

// Runs of all segments end to end: {line, liquid, from, to, ml}, and how long they take together (s).
export function runsOf(segments) {
  let from = 0;
  const runs = [];
  for (const segment of segments) {
    for (const one of segment.runs)
      runs.push({ line: one.line, liquid: one.liquid, from: from + one.start_s, to: from + one.start_s + one.duration_s, ml: one.volume_ml });
    from = Math.max(from, ...runs.map((one) => one.to));
  }
  return { runs, seconds: from };
}

// When on the plan's own time this line had delivered so much (mL).
function reachedS(runs, delivered) {
  let left = delivered;
  let at = 0;
  for (const one of runs) {
    if (left <= 0) break;
    at = one.from + (one.to - one.from) * Math.min(1, left / one.ml);
    left -= one.ml;
  }
  return at;
}

// <pour-plan>; model: {segments, sinceMs, isHeld, isOver, lines, takenMs}. Moves by itself from `sinceMs` (Date.now) on;
// `lines`, the engine's own progress at `takenMs`, counts instead where it is known.
class PourPlan extends HTMLElement {
  #model = null;

  get model() {
    return this.#model;
  }

  set model(model) {
    const isNew = JSON.stringify(this.#model?.segments) !== JSON.stringify(model.segments);
    this.#model = { takenMs: Date.now(), ...model };
    if (isNew) this.#build();
    if (this.isConnected) this.#move();
  }

  connectedCallback() {
    this.#run();
  }

  disconnectedCallback() {
    clearTimeout(this.timer);
  }

  #run() {
    if (!this.isConnected) return;
    this.#move();
    this.timer = setTimeout(() => (calm.matches ? this.#run() : requestAnimationFrame(() => this.#run())), calm.matches ? 1000 : 60);
  }

  #build() {
    const { runs, seconds } = runsOf(this.#model.segments);
    const lanes = Map.groupBy ? [...Map.groupBy(runs, (one) => one.line)] : [...new Set(runs.map((one) => one.line))].map((line) => [line, runs.filter((one) => one.line === line)]);
    this.lanes = lanes;
    this.seconds = Math.max(seconds, 0.1);
    const step = [1, 2, 5, 10, 20, 30, 60].find((one) => seconds / one <= 8) || 60;
    const marks = [];
    for (let at = 0; at <= seconds; at += step) marks.push(h('span.num', { style: { left: `${(100 * at) / this.seconds}%` } }, at ? number(at) : '0 s'));
    this.replaceChildren(
      h('div.plan-field', { 'aria-hidden': 'true' },
        lanes.map(([line, all]) => h('div.lane',
          h('div.row.apart.small', h('span', all[0].liquid), h('span.num.soft', { 'data-given': line })),
          h('div.track', all.map((one) => h('div', {
            class: `run ${tint(one.liquid)}`, style: { left: `${(100 * one.from) / this.seconds}%`, width: `${(100 * (one.to - one.from)) / this.seconds}%` },
          }, h('div.given')))))),
        h('div.axis', marks), h('div.cursor')),
      h('p.unseen', lanes.map(([, all]) => t('plan_row', { liquid: all[0].liquid, ml: ml(all.reduce((sum, one) => sum + one.ml, 0)), from: number(all[0].from, 1), to: number(all.at(-1).to, 1) }))));
  }

  // Where on the plan's own time the pour is: by what each line has delivered where that is known, and on from there.
  #position() {
    const { lines, isHeld, isOver, takenMs, sinceMs } = this.#model;
    if (isOver && !lines) return this.seconds;
    if (!lines) return (Date.now() - sinceMs) / 1000;
    const furthest = Math.max(0, ...this.lanes.map(([line, all]) => reachedS(all, this.#delivered(line))));
    return furthest + (isHeld || isOver ? 0 : (Date.now() - takenMs) / 1000);
  }

  #delivered = (line) => this.#model.lines?.find((one) => one.line === line)?.delivered_ml || 0;

  #move() {
    const at = Math.min(this.#position(), this.seconds);
    this.lanes.forEach(([line, all], n) => {
      const upTo = this.#model.isOver ? reachedS(all, this.#delivered(line)) : Math.max(at, reachedS(all, this.#delivered(line)));
      const shares = all.map((one) => Math.min(1, Math.max(0, (upTo - one.from) / (one.to - one.from))));
      const lane = this.querySelectorAll('.lane')[n];
      lane.querySelectorAll('.given').forEach((bar, k) => bar.style.setProperty('width', `${100 * shares[k]}%`));
      const became = this.#model.lines?.find((one) => one.line === line)?.weighed;
      const given = this.#model.isOver ? this.#delivered(line) : all.reduce((sum, one, k) => sum + one.ml * shares[k], 0);
      lane.querySelector('[data-given]').textContent = t('given', { given: became ? within(became) : number(given), asked: ml(all.reduce((sum, one) => sum + one.ml, 0)) });
    });
    this.querySelector('.cursor').style.setProperty('left', `${(100 * at) / this.seconds}%`);
  }
}

customElements.define('pour-plan', PourPlan);
