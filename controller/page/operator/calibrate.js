// Calibration of a line by weight: run, type the grams, see the fit grow, accept it.
import { get, post } from '../api.js';
import { byId, h } from '../dom.js';
import { english, gist } from '../said.js';
import { grams, ml, number, t } from '../texts.js';
import { fitPicture } from './fit.js';
import { amount, back, button, operation, read, steps, tick, ticked } from './parts.js';
import { begin, line, store, underWay } from './store.js';

let fit = null;
let trial = null; // ran, and is not weighed yet
let early = null; // ended before its time, so that the jar is no longer empty
let isAccepted = false;
let emptyG = null; // what the machine's own scale showed before the run, null without one

export function enter() {
  [trial, early, isAccepted, emptyG] = [null, null, false, null];
}

export async function load(given) {
  fit = await get(`calibrations/${given}`);
  const last = store.status?.operation; // also when the page was left meanwhile
  if (last?.kind === 'trial' && last.lines.some((one) => one.line === fit.line)) early = endedEarly(last) || early;
}

const endedEarly = (view) => (['stopped', 'aborted', 'faulted'].includes(view.outcome) ? view : null);

const loadG = () => get('scale').then((it) => it.load_g ?? null, () => null);

function trials(at) {
  const rows = fit.trials.length ? fit.trials : fit.behind;
  const strike = (n, struck) => async () => { fit = await post(`calibrations/${at}/trials/strike`, { trial: n + 1, struck }); };
  return rows.length > 0 && h('div.scroll', { tabindex: '0', role: 'region', 'aria-label': t('trials') }, h('table',
    h('thead', h('tr', ['trial', 'ran_s', 'weighed_g', 'off_ml', 'trial_state'].map((key, n) => h('th', { scope: 'col', class: n && n < 4 ? 'num' : '' }, t(key))))),
    h('tbody', rows.map((one, n) => h('tr', h('th', { scope: 'row' }, String(n + 1)), h('td.num', number(one.on_s, 2)), h('td.num', number(one.grams, 1)), h('td.num', one.residual_ml == null ? '' : number(one.residual_ml, 2)),
      h('td', t(`trial_${one.state.replace(' ', '_')}`), fit.trials.length > 0 && button(t(one.state === 'struck' ? 'restore' : 'strike'), strike(n, one.state !== 'struck'), 'quiet'))))))) ;
}

function result() {
  const found = fit.calibration;
  return h('div.stack',
    found && h('p', t('flow', { flow: number(found.flow_ml_s, 3), lag: number(found.lag_s, 2) })),
    fit.smallest_dose_ml != null && h('p.small', t('smallest', { ml: ml(fit.smallest_dose_ml, 1) })),
    fit.warnings.map((one) => h('p.notice.small', gist(`fit_${one.about}`, one.text))),
    fit.doubts.map((one) => h('p.notice.bad.small', gist(`doubt_${one.about}`, one.text))));
}

export function view(given) {
  const at = Number(given);
  if (!fit || fit.line !== at) return [h('h1', t('job_calibrate'))];
  const runS = fit.next_on_s || 8;
  const longS = () => (byId('run')?.value ? read('run') : runS);
  const run = async () => {
    const onS = longS();
    emptyG = await loadG();
    const view = await begin('trials', { lines: [at], on_s: onS, jug: ticked('jug') });
    early = endedEarly(view);
    if (!early) trial = view;
  };
  const weigh = async () => {
    fit = await post('weighings', { operation: trial.operation, line: at, grams: read('grams') });
    trial = null;
  };
  const accept = async () => {
    fit = await post(`calibrations/${at}`, { accept: true, sure: ticked('sure') });
    isAccepted = true;
  };
  return [
    back(`line/${at}`, t('line_number', { line: at })), h('h1', t('calibrate_title', { line: at, liquid: fit.liquid })),
    isAccepted && h('p.notice.good', { role: 'status' }, t('accepted', { line: at })),
    steps([
      {
        title: t('cal_run'),
        body: [early && h('p.notice.bad', { role: 'alert' }, t('cal_early')), fit.design && !fit.trials.length && h('p.small.soft', english(fit.design)), h('p', t('cal_jar')), tick(t('jug_stands'), 'jug', true), h('div', { 'data-key': `run-${runS}` }, amount(t('cal_run_s'), 'run', { value: number(runS, 1), required: false })), fit.next_grams != null && h('p.small.soft', t('cal_expect', { g: grams(fit.next_grams, 0) })), button(t('cal_run_go'), run, 'main')],
      },
      { title: t('cal_weigh'), body: [amount(t('cal_grams'), 'grams'), emptyG != null && button(t('cal_scale'), async () => { byId('grams').value = ((await loadG()) - emptyG).toFixed(1); }), h('div.actions', button(t('cal_weigh_go'), weigh, 'main'), button(t('cal_discard'), () => { trial = null; }))] },
    ], trial ? 1 : 0),
    operation(underWay() || early), fitPicture(fit), result(), trials(at),
    fit.trials.length > 0 && fit.calibration && h('section.stack', fit.doubts.length > 0 && tick(t('sure'), 'sure'), button(t('accept'), accept, line(at) && !fit.next_on_s ? 'main' : '')),
  ];
}
