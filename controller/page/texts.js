// Every word of the page, by key, in the reader's language; numbers, units and times as that language writes them.

export const LANGUAGES = { en: 'English', de: 'Deutsch' };
let texts = {};
export let language = 'en';
let locale = 'en'; // the reader's own form of the language: dates and units

// A folder's texts in the reader's language; a key that ends in _ begins all those below it.
async function fetchTexts(folder) {
  const answer = await fetch(`/page/${folder}/${language}.json`);
  const flat = (found, before) => Object.entries(found).flatMap(([key, text]) => (key.endsWith('_') ? flat(text, before + key) : [[before + key, text]]));
  return Object.fromEntries(flat(await answer.json(), ''));
}

export async function loadTexts() {
  const wanted = [localStorage.getItem('language'), ...navigator.languages].filter(Boolean);
  language = wanted.map((one) => one.slice(0, 2)).find((one) => one in LANGUAGES) || 'en';
  locale = navigator.languages.find((one) => one.slice(0, 2) === language) || language;
  texts = await fetchTexts('texts');
  document.documentElement.lang = language;
  document.title = texts.title;
}

// More words, of a side that most readers do not need.
export const loadMoreTexts = async (folder) => Object.assign(texts, await fetchTexts(folder));

export function chooseLanguage(one) {
  localStorage.setItem('language', one);
  location.reload();
}

// The text of `key` with {names} filled in; a text with forms takes the one that belongs to `values.n`.
export function t(key, values = {}) {
  let text = texts[key];
  if (text === undefined) return key;
  if (typeof text === 'object') text = (values.n === 0 && text.zero) || text[new Intl.PluralRules(language).select(values.n)] || text.other;
  return text.replace(/{(\w+)}/g, (_, name) => values[name] ?? '');
}

export const known = (key) => key in texts;

export function number(value, digits = 0) {
  return new Intl.NumberFormat(locale, { maximumFractionDigits: digits, signDisplay: 'negative' }).format(value);
}

const unit = (value, name, digits) =>
  new Intl.NumberFormat(locale, { style: 'unit', unit: name, maximumFractionDigits: digits }).format(value);

export const ml = (value, digits = value < 10 ? 1 : 0) => unit(value, 'milliliter', digits);
// What a dose became by weight, with its interval (k = 2).
export const within = (dose) => `${number(dose.volume_ml, 1)} ± ${number(2 * dose.u_ml, 1)}`;
export const figure = (text) => text.replace(/(\d)\.(\d)/g, `$1${number(1.5, 1)[1]}$2`); // of the engine's, with its unit
export const grams = (value, digits = 1) => unit(value, 'gram', digits);
export const percent = (value) => `${number(value, 1)} %`;

export function duration(seconds) {
  if (seconds < 90) return t('seconds', { n: Math.round(seconds) });
  if (seconds < 5400) return t('minutes', { n: Math.round(seconds / 60) });
  return t('hours', { n: number(seconds / 3600, 1) });
}

export function moment(wallS) {
  return new Intl.DateTimeFormat(locale, { dateStyle: 'short', timeStyle: 'short' }).format(wallS * 1000);
}

export const clock = (wallS) =>
  new Intl.DateTimeFormat(locale, { hour: '2-digit', minute: '2-digit' }).format(wallS * 1000);

export const list = (words) => new Intl.ListFormat(language).format(words);
