// Pictures of the page: a drink as its doses along a tape, a line as its tube, both to scale.
import { h } from './dom.js';
import { ml, t } from './texts.js';

const tints = new Map();

// Each liquid keeps one of eight pigments, in the order in which they are first told.
export function learnTints(liquids) {
  for (const one of liquids) if (!tints.has(one)) tints.set(one, tints.size % 8);
}

export const tint = (liquid) => `t${tints.get(liquid) ?? 7}`;

const widest = (entry) => entry.phases.reduce((sum, phase) => sum + phase.doses.reduce((all, one) => all + one.volume_ml, 0), 0);

// The length of the tape (mL): one for all drinks, so that they compare.
export const tapeMl = (entries) => Math.max(100, Math.ceil(Math.max(...entries.map(widest), 0) / 50) * 50);

// phases: of a menu entry; the text beside it says the same, so that it is hidden from screen readers.
export function tape(phases, fullMl, times = 1) {
  const pieces = phases.flatMap((phase, at) => [
    phase.hand && at ? h('div.hand') : null,
    ...phase.doses.map((one) =>
      h('div', { class: `dose ${tint(one.liquid)}`, style: { width: `${(100 * one.volume_ml * times) / fullMl}%` } }),
    ),
  ]);
  const marks = [];
  for (let at = 0; at <= fullMl; at += fullMl > 250 ? 100 : 50)
    marks.push(h('span', { class: `mark num ${at === 0 ? 'first' : at === fullMl ? 'last' : ''}`, style: { left: `${(100 * at) / fullMl}%` } }, at ? String(at) : ml(0)));
  return h('div.tape', { 'aria-hidden': 'true', style: { '--full': String(fullMl) } },
    h('div.doses', pieces), h('div.ticks'), marks);
}

// What stands on the tape, in words: doses in order, hand steps between them.
export function doseKey(phases, times = 1) {
  return h('ul.key', phases.flatMap((phase) => [
    phase.hand ? h('li.soft', t('hand', { step: phase.hand })) : null,
    ...phase.doses.map((one) =>
      h('li', h('span', { class: `swatch ${tint(one.liquid)}` }), h('span', one.liquid), h('span.num.soft', ml(one.volume_ml * times)))),
  ]));
}
