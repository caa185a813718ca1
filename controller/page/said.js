// What the engine says, by its codes in the reader's language; its own words are English, and stay where they say more.
import { h } from './dom.js';
import { allergen } from './guest.js';
import { figure, known, language, ml, number, t } from './texts.js';

export const english = (text) => h('span', { lang: 'en' }, text);

// A refusal: its rule, what was asked and what is allowed.
export function refused({ rule, reason, asked, allowed, remedy }) {
  const own = [reason, remedy].filter(Boolean).join(' ');
  if (language === 'en' || !known(`rule_${rule}`)) return h('p', { lang: 'en' }, own);
  const figures = /^\d/.test(asked) && /^\d/.test(allowed) && ` ${t('asked_allowed', { asked: figure(asked), allowed: figure(allowed) })}`;
  return [h('p', {}, t(`rule_${rule}`), figures), own && h('p', { class: 'small soft' }, english(own))];
}

// Whatever went wrong with a request.
export function problem(error) {
  if (error.refusals.length) return error.refusals.map(refused);
  if (!error.status) return h('p', {}, error.message); // our own words
  const key = `problem_${error.name}`;
  if (language === 'en' || !known(key)) return h('p', { lang: 'en' }, error.message);
  return [h('p', {}, t(key)), h('p', { class: 'small soft' }, english(error.message))];
}

// Why an order is over; what the operator wrote is in whatever language that is.
export function ending({ rule, reason }) {
  if (rule === 'operator') return reason || t('rule_operator');
  return language !== 'en' && known(`rule_${rule}`) ? t(`rule_${rule}`) : reason && english(reason);
}

// What of the recipe is left out or replaced, and what the engine has rounded besides.
export function changes({ without, instead, changes: all }) {
  if (language === 'en') return all.map(english);
  const asked = [...without.map((liquid) => t('without', { liquid })), ...instead.map((one) => t('instead', one))];
  return [...asked, ...all.slice(asked.length).map(english)];
}

// What of an ordered drink is no longer as it was.
export function change({ about, what, now, then }) {
  const shown = about === 'dose' ? ml : (value) => number(value, 1);
  return t(`changed_${about}`, { what: allergen(what), now: shown(now), then: shown(then) });
}
