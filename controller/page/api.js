// Questions to the engine, and its stream of events. The token goes in a header, never in an address.

export class Unreachable extends Error {}

// A refusal or another problem (RFC 9457), with every rule that refused.
export class Problem extends Error {
  constructor(status, body) {
    super(body.detail || body.title || String(status));
    this.status = status;
    this.name = (body.type || '').split('/').pop();
    this.remedy = body.remedy || '';
    this.refusals = body.refusals || [];
  }
}

export const link = new EventTarget(); // `change`: the connection came or went; `closed`: the token is not known
let token = localStorage.getItem('token') || '';
let isUp = true;
let joining = null; // while the guest's own token is asked for

export const hasToken = () => token !== '';
export const isConnected = () => isUp;

export function keepToken(fresh) {
  token = fresh;
  localStorage.setItem('token', fresh);
}

// A token that a person was given; who scans the same invitation again keeps the orders placed with it.
export function useInvitation(given) {
  if (given === localStorage.getItem('invitation')) return;
  localStorage.setItem('invitation', given);
  keepToken(given);
}

// `#token=…` of an invitation: kept, and taken out of the address.
export function takeTokenFromAddress() {
  const given = new URLSearchParams(location.hash.slice(1)).get('token');
  if (!given) return false;
  useInvitation(given);
  history.replaceState(null, '', location.pathname);
  return true;
}

// The invitation opens the menu; to order, every guest needs a token of their own.
export function becomeGuest() {
  if (token !== localStorage.getItem('invitation')) return Promise.resolve();
  joining ||= post('guests').then((own) => keepToken(own.token)).finally(() => { joining = null; });
  return joining;
}

function connected(up) {
  if (up === isUp) return;
  isUp = up;
  link.dispatchEvent(new Event('change'));
}

function send(method, path, body, headers, signal) {
  const sent = { authorization: `Bearer ${token}`, ...headers };
  if (body !== undefined) sent['content-type'] = 'application/json';
  return fetch(`/v1/${path}`, {
    method,
    headers: sent,
    body: body === undefined ? undefined : JSON.stringify(body),
    cache: 'no-store',
    credentials: 'omit',
    signal,
  });
}

const ANSWER_MS = 12000;

export async function ask(method, path, body, headers) {
  let response;
  let answer;
  try {
    response = await send(method, path, body, headers, AbortSignal.timeout(ANSWER_MS));
    const text = await response.text();
    answer = text ? JSON.parse(text) : null;
  } catch {
    connected(false);
    throw new Unreachable();
  }
  connected(true);
  if (response.ok) return answer;
  if (response.status === 401) link.dispatchEvent(new Event('closed'));
  throw new Problem(response.status, answer || {});
}

export const get = (path) => ask('GET', path);
export const post = (path, body) => ask('POST', path, body);

// Random, for a request that must not be done twice; works without TLS too, unlike randomUUID.
export function freshKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (one) => one.toString(16).padStart(2, '0')).join('');
}

const SILENT_MS = 25000; // the engine gives a sign of life every 15 s
const pause = (ms) => new Promise((done) => setTimeout(done, ms));

// Call `take(name, data)` for every event, for ever: comes back by itself; asks for `instead` while no stream is free.
export async function follow(take, instead) {
  let last = '';
  let waitMs = 400;
  const wake = new EventTarget();
  let cut;
  for (const one of ['online', 'focus']) addEventListener(one, () => wake.dispatchEvent(new Event('now')));
  addEventListener('offline', () => cut.abort());
  for (;;) {
    cut = new AbortController();
    try {
      const response = await send('GET', 'events', undefined, last ? { 'last-event-id': last } : {}, cut.signal);
      if (response.status === 401) return link.dispatchEvent(new Event('closed'));
      if (!response.ok) throw new Problem(response.status, {});
      connected(true);
      waitMs = 400;
      for await (const [id, name, data] of frames(response.body, cut)) {
        last = id || last;
        take(name, data);
      }
    } catch (error) {
      if (error instanceof Problem) await poll(take, instead).catch(() => {});
    }
    cut.abort();
    connected(false);
    await Promise.race([pause(waitMs), new Promise((now) => wake.addEventListener('now', now, { once: true }))]);
    waitMs = Math.min(waitMs * 2, 6000);
  }
}

async function poll(take, name) {
  for (let n = 0; n < 5; n += 1) {
    take(name, await get(name));
    await pause(3000);
  }
}

async function* frames(body, cut) {
  const reader = body.pipeThrough(new TextDecoderStream()).getReader();
  let left = '';
  for (;;) {
    const silent = setTimeout(() => cut.abort(), SILENT_MS);
    const { done, value } = await reader.read();
    clearTimeout(silent);
    if (done) return;
    const parts = (left + value).split('\n\n');
    left = parts.pop();
    for (const part of parts) {
      const fields = Object.fromEntries(part.split('\n').map((row) => [row.split(':')[0], row.slice(row.indexOf(':') + 1).trim()]));
      if (fields.data) yield [fields.id, fields.event, JSON.parse(fields.data)];
    }
  }
}
