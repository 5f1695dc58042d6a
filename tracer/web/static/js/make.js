// Elements made in one expression, and views rebuilt without losing what the person is doing in them.

import { say } from "./talk.js";

const SVG = "http://www.w3.org/2000/svg";

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "value" || name === "checked" || name === "disabled" || name === "indeterminate") element[name] = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  for (const child of children.flat(4)) {
    if (child === null || child === undefined || child === false) continue;
    element.append(child);
  }
  // A select takes its value only once its options are there.
  if (element instanceof HTMLSelectElement && attributes && attributes.value !== undefined) element.value = attributes.value;
  return element;
}

/** Make an HTML element. Listeners are given as `onclick` and the like, and added, never written as attributes. */
export const h = (tag, attributes, ...children) => fill(document.createElement(tag), attributes, children);

/** Make an SVG element. */
export const s = (tag, attributes, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);

let rebuilding = false;

// Nothing is rebuilt while a pointer is down: the button under it must still be there when it goes up, and what is
// being dragged must not be taken out of the hand by a change made elsewhere.
let pointerDown = false;
const postponed = new Map();
addEventListener("pointerdown", () => { pointerDown = true; }, true);
for (const kind of ["pointerup", "pointercancel", "blur"]) {
  addEventListener(kind, (e) => {
    if (kind === "blur" && e.target !== window) return;
    pointerDown = false;
    setTimeout(() => {
      const due = [...postponed];
      postponed.clear();
      for (const [holder, make] of due) rebuild(holder, make);
    });
  }, true);
}

/** Rebuild a view: focus, half-typed words and opened details stay as they were (`data-key` names what is what). */
export function rebuild(holder, make) {
  if (pointerDown && holder.hasChildNodes()) {
    postponed.set(holder, make);
    return;
  }
  postponed.delete(holder);
  const active = document.activeElement;
  const inside = holder.contains(active) ? active : null;
  const key = inside && inside.dataset ? inside.dataset.key : "";
  const typed = inside && inside.matches("input[type=text]") ? inside : null;
  const marked = typed ? [typed.selectionStart, typed.selectionEnd] : null;
  const kept = typed && typed.dataset.dirty ? typed.value : null;
  const open = new Set([...holder.querySelectorAll("details[open][data-key]")].map((d) => d.dataset.key));
  const made = [make()].flat(4).filter(Boolean);
  rebuilding = true;
  holder.replaceChildren(...made);
  rebuilding = false;
  for (const details of holder.querySelectorAll("details[data-key]")) if (open.has(details.dataset.key)) details.open = true;
  if (!key) return;
  const again = holder.querySelector(`[data-key="${CSS.escape(key)}"]`);
  if (!again) return;
  again.focus({ preventScroll: true });
  if (kept !== null) {
    again.value = kept;
    again.dataset.dirty = "1";
    // What is typed over a value that another page has changed meanwhile was not meant for that value.
    const { given } = again.dataset;
    if (typed.dataset.changed || (given !== typed.dataset.given && given !== kept.trim())) again.dataset.changed = "1";
  }
  // What was marked is still marked: the next letter replaces it, as it would have.
  if (marked) again.setSelectionRange(...marked);
}

let counter = 0;
/** A fresh id for labels. */
export const freshId = (word) => `${word}-${(counter += 1)}`;

/** Hand typed words on, once: a field that was rebuilt while it was typed in gets no change event of its own. */
function commit(input, done) {
  if (rebuilding || !input.dataset.dirty) return;
  delete input.dataset.dirty;
  const { value } = input;
  const { given, changed } = input.dataset;
  if (changed) {
    delete input.dataset.changed;
    input.value = given;
    if (value.trim() !== given) say(`this was changed on another page meanwhile: it is now ${given ? `\u201c${given}\u201d` : "empty"}; you had typed \u201c${value}\u201d`, { trouble: true });
    return;
  }
  // Later: a view rebuilt before the focus has moved on would lose the place that it moves to.
  setTimeout(() => done(value));
}

/** A labelled text field whose words are handed on when they are done with; `none` is what an empty one means. */
export function field(label, value, done, { key, wide = false, narrow = false, hint = "", none = "", oninput, type = "text", list } = {}) {
  const id = freshId("f");
  const input = h("input", {
    id, type, value, autocomplete: "off", class: wide ? "wide" : narrow ? "narrow" : "", "data-key": key || label, "data-given": value, list, placeholder: none || undefined,
    "aria-describedby": hint ? `${id}-hint` : undefined,
    oninput: (e) => {
      e.target.dataset.dirty = "1";
      if (oninput) oninput(e.target.value);
    },
    onchange: (e) => commit(e.target, done),
    onblur: (e) => commit(e.target, done),
    onkeydown: (e) => e.key === "Enter" && commit(e.target, done),
  });
  return h("span", { class: "field" }, h("label", { for: id }, label), " ", input, hint ? h("span", { id: `${id}-hint`, class: "hint" }, hint) : null);
}

/** A labelled choice. */
export function choice(label, value, options, done, { key, onfocus } = {}) {
  const id = freshId("f");
  return h("span", { class: "field" }, h("label", { for: id }, label), " ",
    h("select", { id, value, "data-key": key || label, onchange: (e) => done(e.target.value), onfocus },
      options.map(([v, words]) => h("option", { value: v }, words))));
}

/** A labelled tick. */
export function tick(label, checked, done, { key, disabled } = {}) {
  return h("label", { class: "tick" }, h("input", { type: "checkbox", checked, disabled, "data-key": key || label, onchange: (e) => done(e.target.checked) }), " ", label);
}

/** A button in words. */
export const press = (words, done, { key, kind = "", ...rest } = {}) =>
  h("button", { type: "button", class: kind, "data-key": key || words, onclick: done, ...rest }, words);
