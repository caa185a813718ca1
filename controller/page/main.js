// The page's begin: token, language, whose side it is; the frame around both sides.
import { get, hasToken, isConnected, link, takeTokenFromAddress, useInvitation } from './api.js';
import { byId, focusOn, h, morph } from './dom.js';
import { chooseLanguage, language, LANGUAGES, loadTexts, t } from './texts.js';

function frame(...more) {
  document.body.replaceChildren(
    h('a.skip', { href: '#main' }, t('skip')),
    h('header.top', { id: 'top' }),
    h('p.unseen', { id: 'said', role: 'status' }),
    h('main', { id: 'main', tabindex: '-1' }),
    h('footer', more),
  );
}

function languages() {
  const select = h('select', { onchange: (event) => chooseLanguage(event.target.value) },
    Object.entries(LANGUAGES).map(([code, name]) => h('option', { value: code, lang: code, selected: code === language }, name)));
  return h('label.field.small', t('language'), select);
}

export function showConnection() {
  const line = byId('connection');
  if (line) morph(line, connection());
}

export const connection = () =>
  h('p', { id: 'connection', class: isConnected() ? 'state small soft' : 'state small off', role: 'status' },
    isConnected() ? t('connected') : t('no_connection'));

function askForToken(reason) {
  frame(h('div.caution', languages()));
  const field = h('input', { id: 'token', type: 'password', autocomplete: 'off', autocapitalize: 'off', required: true });
  const enter = (event) => {
    event.preventDefault();
    useInvitation(field.value.trim());
    location.reload();
  };
  byId('main').append(
    h('form.stack', { onsubmit: enter },
      h('h1', t('token_title')), h('p', t(reason)),
      h('label.field', t('token'), field), h('button.main', t('enter'))));
  focusOn(document.querySelector('h1'));
}

// The menu is asked for at once: both sides need it, and a guest waits for nothing else.
async function enter() {
  const menu = get('menu');
  menu.catch(() => {});
  const { role } = await get('access');
  const { show } = await (role === 'operator' ? import('./operator/operator.js') : import('./guest.js'));
  return () => show(menu);
}

async function begin() {
  takeTokenFromAddress();
  addEventListener('hashchange', () => takeTokenFromAddress() && location.reload());
  const texts = loadTexts();
  let side = hasToken() ? enter() : null;
  side?.catch(() => {});
  await texts;
  if (!side) return askForToken('token_missing');
  link.addEventListener('closed', () => askForToken('token_unknown'), { once: true });
  link.addEventListener('change', showConnection);
  for (;;) {
    try {
      const show = await side;
      frame(h('div.caution.stack', h('div.stack', { id: 'cautions' }), languages()));
      return await show();
    } catch (error) {
      if (error.status === 401) return undefined;
      document.body.textContent = t('no_connection');
      await new Promise((done) => setTimeout(done, 2000));
      side = enter();
    }
  }
}

begin();
