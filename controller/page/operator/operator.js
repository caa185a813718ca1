// The operator's side: the frame with its stop, and which screen is shown.
import { follow, link, post } from '../api.js';
import { learnTints } from '../draw.js';
import { byId, focusOn, h, morph, morphChildren, say } from '../dom.js';
import { connection } from '../main.js';
import { loadMoreTexts, t } from '../texts.js';
import { onChange, redraw, store, take, trouble } from './store.js';

const SCREENS = {
  '': () => import('./machine.js'),
  orders: () => import('./queue.js'),
  jobs: () => import('./jobs.js'),
  line: () => import('./line.js'),
  setup: () => import('./setup.js'),
  wet: () => import('./wet.js'),
  calibrate: () => import('./calibrate.js'),
  stock: () => import('./stock.js'),
  change: () => import('./sequence.js'),
  closing: () => import('./sequence.js'),
  records: () => import('./records.js'),
};
const TABS = { '': ['', 'line', 'stock', 'calibrate', 'change'], orders: ['orders'], jobs: ['jobs', 'setup', 'wet', 'closing'], records: ['records'] };
let screen = null; // {load, view} of the module that is shown
let path = [];

async function stop() {
  say(t('stopping'));
  for (let n = 0; n < 5; n += 1) {
    try {
      await post('stop');
      return say(t('stopped'));
    } catch {
      say(t('stop_again'));
      await new Promise((done) => setTimeout(done, 300));
    }
  }
  return say(t('stop_failed'));
}

function stopBar() {
  return h('div.stopbar', { role: 'region', 'aria-label': t('stop_region') },
    h('button.stop', { id: 'stop', type: 'button', onclick: stop }, t('stop')), h('p.small', t('no_emergency_stop')));
}

function head() {
  const waiting = store.orders.filter((one) => ['placed', 'called'].includes(one.state)).length;
  return h('header.top', { id: 'top' },
    h('div.row.apart', h('p.small.soft', store.status ? `${store.status.machine}, ${store.status.book}` : ''), connection()),
    h('nav', { 'aria-label': t('nav') }, h('ul.tabs', Object.entries(TABS).map(([one, below]) =>
      h('li', h('a', { href: `#/${one}`, 'aria-current': below.includes(path[0] || '') ? 'page' : null }, t(`tab_${one || 'machine'}`), one === 'orders' && waiting > 0 && h('span.count', String(waiting))))))));
}

function fault() {
  const status = store.status;
  if (!status?.fault || path[0] === '') return null;
  return h('p.notice.bad', h('a', { href: '#/' }, t('fault_elsewhere')));
}

function render() {
  morph(byId('top'), head());
  if (screen && store.status) morphChildren(byId('main'), [h('div.stack.screen', { 'data-key': path.join('-') || 'machine' }, fault(), trouble(), screen.view(...path.slice(1)))]);
}

let lastHash = null;

async function route() {
  if (location.hash === lastHash) return;
  const isFirst = lastHash === null;
  lastHash = location.hash;
  const wanted = location.hash.replace(/^#\/?/, '').split('/').map(decodeURIComponent);
  const found = SCREENS[wanted[0]] ? wanted : [''];
  const fresh = await SCREENS[found[0]]();
  path = found;
  screen = fresh;
  store.trouble = null;
  screen.enter?.(...path.slice(1));
  await screen.load?.(...path.slice(1)).catch(() => {});
  render();
  if (!isFirst) {
    scrollTo(0, 0);
    focusOn(document.querySelector('main h1'));
  }
}

// Facts beside the stream are asked for again when something has changed, at most every second.
let reload = null;
function changed(name, data) {
  take(name, data);
  if (name === 'progress' || reload) return;
  reload = setTimeout(() => {
    reload = null;
    screen?.load?.(...path.slice(1)).then(redraw, () => {});
  }, 1000);
}

export async function show(menu) {
  const style = h('link', { rel: 'stylesheet', href: '/page/operator/operator.css' });
  document.head.append(style);
  await Promise.all([loadMoreTexts('operator/texts'), loadMoreTexts('rules'), new Promise((done) => { style.onload = done; style.onerror = done; })]);
  document.title = t('operator_title');
  store.menu = await menu;
  learnTints(store.menu.flatMap((one) => one.liquids));
  document.body.classList.add('operator');
  document.body.append(stopBar());
  onChange(render);
  addEventListener('hashchange', route);
  link.addEventListener('change', redraw);
  setInterval(redraw, 1000); // countdowns
  route();
  return follow(changed, 'status');
}
