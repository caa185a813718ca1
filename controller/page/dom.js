// Elements: `h` makes a tree, `morph` changes the one on the page to match it; focus, scrolling and what is typed stay.

export const byId = (id) => document.getElementById(id);

// tag: with its classes, as `p.small.soft`. After it may come an object of props: `on…` handlers, `model` for elements of
// our own, `style` as an object of properties, all else attributes.
export function h(tag, ...kids) {
  const [name, ...classes] = tag.split('.');
  const node = document.createElement(name);
  if (classes.length) node.className = classes.join(' ');
  const props = kids[0]?.constructor === Object ? kids.shift() : {};
  for (const [key, value] of Object.entries(props)) {
    if (key === 'style') for (const [one, set] of Object.entries(value)) node.style.setProperty(one, set);
    else if (key === 'model' || key.startsWith('on')) node[key] = value;
    else if (value === true) node.setAttribute(key, '');
    else if (value !== false && value != null) node.setAttribute(key, value);
  }
  append(node, kids);
  return node;
}

function append(node, kids) {
  for (const kid of kids.flat(Infinity)) if (kid != null && kid !== false && kid !== '') node.append(kid);
}

const HANDLERS = ['onclick', 'onsubmit', 'onchange', 'oninput'];
const KEPT = new Set(['open', 'tabindex']); // what the browser, the reader or `focusOn` sets

// Whether two nodes stand for the same thing.
const isSame = (one, other) =>
  one.nodeName === other.nodeName && one.id === other.id && one.dataset?.key === other.dataset?.key;

export function morph(old, fresh) {
  if (!isSame(old, fresh)) return old.replaceWith(fresh);
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== fresh.data) old.data = fresh.data;
    return undefined;
  }
  for (const { name, value } of [...fresh.attributes])
    if (old.getAttribute(name) !== value && !KEPT.has(name)) old.setAttribute(name, value);
  for (const { name } of [...old.attributes])
    if (!fresh.hasAttribute(name) && !KEPT.has(name)) old.removeAttribute(name);
  for (const name of HANDLERS) if (old[name] !== fresh[name]) old[name] = fresh[name];
  if (fresh.model !== undefined) {
    old.model = fresh.model; // it draws its own children
    return undefined;
  }
  return morphChildren(old, [...fresh.childNodes]);
}

export function morphChildren(old, fresh) {
  fresh.filter(Boolean).forEach((wanted, at) => {
    const there = old.childNodes[at];
    if (there && isSame(there, wanted)) return morph(there, wanted);
    const moved = [...old.childNodes].slice(at).find((one) => isSame(one, wanted));
    // A node that moves loses the focus, and so what is being typed: others move.
    if (moved?.contains(document.activeElement)) while (old.childNodes[at] !== moved) old.append(old.childNodes[at]);
    else old.insertBefore(moved || wanted, there || null);
    return moved && morph(moved, wanted);
  });
  while (old.childNodes.length > fresh.filter(Boolean).length) old.lastChild.remove();
}

export function say(text) {
  const region = byId('said');
  if (region.textContent !== text) region.textContent = text;
}

export function focusOn(node) {
  if (!node) return;
  if (!node.matches('a,button,input,select,summary')) node.tabIndex = -1;
  node.focus();
}

let scheduled = false;
const draws = new Set();

// Call `draw` once before the next frame, however often that is asked for; without frames (page hidden) a little later.
export function later(draw) {
  draws.add(draw);
  if (scheduled) return;
  scheduled = true;
  const run = () => {
    if (!scheduled) return;
    scheduled = false;
    const due = [...draws];
    draws.clear();
    due.forEach((one) => one());
  };
  requestAnimationFrame(run);
  setTimeout(run, 100);
}
