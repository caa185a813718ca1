// The fit of a calibration: what every trial gave over how long it ran, and the straight line through them.
import { number, t } from '../texts.js';

const NS = 'http://www.w3.org/2000/svg';
const [W, H, LEFT, TOP, BOTTOM] = [360, 210, 38, 12, 30];

function s(tag, attributes, text) {
  const node = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text !== undefined) node.textContent = text;
  return node;
}

const niceStep = (full) => [1, 2, 5, 10, 20, 50, 100, 200].find((one) => full / one <= 5) || 500;

export function fitPicture(fit) {
  const trials = fit.trials.length ? fit.trials : fit.behind;
  if (!trials.length) return null;
  const fullS = Math.max(...trials.map((one) => one.on_s)) * 1.1;
  const fullMl = Math.max(...trials.map((one) => one.volume_ml)) * 1.15;
  const x = (at) => LEFT + ((W - LEFT - 10) * at) / fullS;
  const y = (at) => H - BOTTOM - ((H - TOP - BOTTOM) * at) / fullMl;
  const picture = s('svg', { class: 'fit', viewBox: `0 0 ${W} ${H}`, role: 'img', 'aria-label': t('fit_alt', { n: trials.length }) });
  for (let at = 0; at <= fullS; at += niceStep(fullS)) picture.append(s('path', { class: 'ax', d: `M${x(at)} ${H - BOTTOM}v5` }), s('text', { x: x(at), y: H - 12, 'text-anchor': 'middle' }, number(at)));
  for (let at = 0; at <= fullMl; at += niceStep(fullMl)) picture.append(s('path', { class: 'ax', d: `M${LEFT} ${y(at)}h-5` }), s('text', { x: LEFT - 8, y: y(at) + 4, 'text-anchor': 'end' }, number(at)));
  picture.append(s('path', { class: 'ax', fill: 'none', d: `M${LEFT} ${TOP}V${H - BOTTOM}H${W - 10}` }), s('text', { x: W - 10, y: H - 12, 'text-anchor': 'end' }, 's'), s('text', { x: LEFT + 5, y: TOP + 8 }, 'mL'));
  const law = fit.calibration;
  if (law) {
    const fromS = Math.max(0, law.lag_s);
    const at = (onS) => y(Math.max(0, law.flow_ml_s * (onS - law.lag_s)));
    picture.append(s('path', { class: 'law', fill: 'none', d: `M${x(fromS)} ${at(fromS)}L${x(fullS)} ${at(fullS)}` }));
  }
  for (const one of trials) picture.append(s('circle', { class: one.state === 'counts' ? '' : 'out', cx: x(one.on_s), cy: y(one.volume_ml), r: 4.5 }));
  return picture;
}
