// What the engine says, by its codes in the reader's language; its own words are English, and stay where they say more.
import { h } from './dom.js';
import { allergen } from './guest.js';
import { duration, figure, known, language, list, ml, number, t } from './texts.js';

export const english = (text) => h('span', { lang: 'en' }, text);

// The text of a code, else the engine's own word.
export const word = (key, own) => (known(key) ? t(key) : own && english(own));

// A remark, with its values as the reader's language writes them.
export function remark({ code, text, values }) {
  const shown = ([name, value]) => [name, Array.isArray(value) ? list(value.map(allergen)) : name.endsWith('_ml') ? ml(value) : name.endsWith('_s') ? duration(value) : value];
  return known(`remark_${code}`) ? t(`remark_${code}`, Object.fromEntries(Object.entries(values).map(shown))) : english(text);
}

// What a sentence is about, and its figures beside.
export const gist = (key, own) => (language === 'en' || !known(key) ? english(own) : [t(key), ' ', english(own)]);

// Why an operation is over.
export function ended({ outcome, cause, reason }) {
  if (outcome === 'faulted') return gist(`fault_${cause}`, reason);
  return (/\d/.test(reason) ? gist : word)(`ended_${cause}`, reason);
}

// A refusal: its rule, what was asked and what is allowed.
export function refused({ rule, reason, asked, allowed, remedy }) {
  const own = [reason, remedy].filter(Boolean).join(' ');
  if (language === 'en' || !known(`rule_${rule}`)) return h('p', { lang: 'en' }, own);
  const figures = /^\d/.test(asked) && /^\d/.test(allowed) && ` ${t('asked_allowed', { asked: figure(asked), allowed: figure(allowed) })}`;
  return [h('p', t(`rule_${rule}`), figures), own && h('p.small.soft', english(own))];
}

// What went wrong with a request.
export function problem(error) {
  if (error.refusals.length) return error.refusals.map(refused);
  if (!error.status) return h('p', error.message); // our own words
  const key = `problem_${error.name}`;
  if (language === 'en' || !known(key)) return h('p', { lang: 'en' }, error.message);
  return [h('p', t(key)), h('p.small.soft', english(error.message))];
}

// Why an order is over; what the operator wrote is in any language.
export function ending({ rule, reason }) {
  if (rule === 'operator') return reason || t('rule_operator');
  return language !== 'en' && known(`rule_${rule}`) ? t(`rule_${rule}`) : reason && english(reason);
}

// What is left out or replaced, and what the engine has rounded.
export function changes({ without, instead, changes: all }) {
  if (language === 'en') return all.map(english);
  const asked = [...without.map((liquid) => t('without', { liquid })), ...instead.map((one) => t('instead', one))];
  return [...asked, ...all.slice(asked.length).map(english)];
}

// What has changed of an ordered drink.
export function change({ about, what, now, then }) {
  const shown = about === 'dose' ? ml : (value) => number(value, 1);
  return t(`changed_${about}`, { what: allergen(what), now: shown(now), then: shown(then) });
}
