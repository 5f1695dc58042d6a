// A looking glass over a sheet: the picture and the drawing on it in millimetres, brought nearer and moved about.
//
// While it moves only a transform changes, so that the picture is not drawn anew for each frame; when it rests, the
// sheet is laid out at its true size on the screen and drawn sharp.

import { h, s, press } from "./make.js";

const REST_MS = 160;
const MOST_PX_PER_MM = 48;

export class Glass {
  constructor({ label, width, height, picture = "", onpoint = null, nearest = MOST_PX_PER_MM }) {
    this.width = width;
    this.height = height;
    this.onpoint = onpoint;
    this.nearest = nearest;
    this.drawing = s("svg", { viewBox: `0 0 ${width} ${height}`, class: "drawing", preserveAspectRatio: "none", "aria-hidden": "false", role: "group", "aria-label": `${label}, drawn` });
    this.image = picture ? h("img", { src: picture, alt: "", draggable: "false", decoding: "async" }) : null;
    this.sheet = h("div", { class: "sheet" }, this.image, this.drawing);
    this.pane = h("div", { class: "glass", tabindex: "0", role: "group", "aria-label": `${label}. Arrow keys move it, plus and minus bring it nearer or farther.`, "data-key": `glass ${label}` }, this.sheet);
    this.element = h("div", { class: "glass-holder" }, this.pane,
      h("p", { class: "glass-words" },
        press("Nearer", () => this.nearer(1.5), { key: `nearer ${label}`, kind: "small" }), " ",
        press("Farther", () => this.nearer(1 / 1.5), { key: `farther ${label}`, kind: "small" }), " ",
        press("Whole sheet", () => this.whole(), { key: `whole ${label}`, kind: "small" })));
    this.scale = 0;
    this.x = 0;
    this.y = 0;
    this.resting = { scale: 1, x: 0, y: 0 };
    this.listeners = [];
    this._listen();
    this._watch = new ResizeObserver(() => (this.touched ? this._draw() : this.whole()));
    this._watch.observe(this.pane);
  }

  _listen() {
    const pane = this.pane;
    pane.addEventListener("wheel", (e) => {
      e.preventDefault();
      const [x, y] = this._at(e);
      this.touched = true;
      this._zoom(Math.exp(-e.deltaY * (e.deltaMode ? 0.05 : 0.0016)), x, y);
    }, { passive: false });
    pane.addEventListener("pointerdown", (e) => {
      if (e.button !== 0 || e.target.closest("[data-held]")) return;
      const start = { x: this.x, y: this.y, px: e.clientX, py: e.clientY, far: false };
      pane.setPointerCapture(e.pointerId);
      const move = (m) => {
        if (Math.hypot(m.clientX - start.px, m.clientY - start.py) > 3) start.far = true;
        this.x = start.x + m.clientX - start.px;
        this.y = start.y + m.clientY - start.py;
        this.touched = true;
        this._soon();
      };
      const up = (m) => {
        pane.removeEventListener("pointermove", move);
        pane.removeEventListener("pointerup", up);
        pane.removeEventListener("pointercancel", up);
        // The pane holds the pointer, so a click would only ever name the pane.
        if (!start.far && this.onpoint && m.type === "pointerup") this.onpoint(this.millimetres(m), document.elementFromPoint(m.clientX, m.clientY));
      };
      pane.addEventListener("pointermove", move);
      pane.addEventListener("pointerup", up);
      pane.addEventListener("pointercancel", up);
    });
    pane.addEventListener("keydown", (e) => {
      if (e.target !== pane) return;
      const step = 48;
      const by = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[e.key];
      if (by) {
        this.x += by[0];
        this.y += by[1];
        this.touched = true;
        this._soon();
      } else if (e.key === "+" || e.key === "=") this.nearer(1.3);
      else if (e.key === "-") this.nearer(1 / 1.3);
      else return;
      e.preventDefault();
    });
  }

  _at(event) {
    const box = this.pane.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  /** Where a pointer is on the sheet, in mm. */
  millimetres(event) {
    const [x, y] = this._at(event);
    return [(x - this.x) / this.scale, (y - this.y) / this.scale];
  }

  nearer(factor) {
    this.touched = true;
    this._zoom(factor, this.pane.clientWidth / 2, this.pane.clientHeight / 2);
  }

  _zoom(factor, x, y) {
    const to = Math.min(this.nearest, Math.max(this._fit() * 0.5, this.scale * factor));
    const by = to / this.scale;
    this.x = x - (x - this.x) * by;
    this.y = y - (y - this.y) * by;
    this.scale = to;
    this._soon();
  }

  _fit() {
    return Math.max(0.01, Math.min(this.pane.clientWidth / this.width, this.pane.clientHeight / this.height) * 0.97);
  }

  whole() {
    if (!this.pane.clientWidth) return;
    this.touched = false;
    this.look([0, 0, this.width, this.height], 0.97);
    this.touched = false;
  }

  /** Show a box of the sheet. */
  look([x, y, w, hgt], share = 0.75) {
    if (!this.pane.clientWidth) return;
    this.touched = true;
    const fit = Math.min(this.pane.clientWidth / Math.max(w, 1), this.pane.clientHeight / Math.max(hgt, 1)) * share;
    this.scale = Math.min(this.nearest, fit);
    this.x = this.pane.clientWidth / 2 - (x + w / 2) * this.scale;
    this.y = this.pane.clientHeight / 2 - (y + hgt / 2) * this.scale;
    this._draw();
  }

  _soon() {
    if (!this.frame) this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.sheet.classList.add("moving");
      const by = this.scale / this.resting.scale;
      this.sheet.style.transform = `translate(${this.x}px, ${this.y}px) scale(${by})`;
    });
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this._draw(), REST_MS);
  }

  _draw() {
    if (!this.scale) return;
    clearTimeout(this.timer);
    this.resting = { scale: this.scale };
    this.sheet.classList.remove("moving");
    this.sheet.style.width = `${this.width * this.scale}px`;
    this.sheet.style.height = `${this.height * this.scale}px`;
    this.sheet.style.transform = `translate(${this.x}px, ${this.y}px)`;
    this.tellRest();
  }

  /** Tell all that wait for it how many mm a pixel of the screen is. */
  tellRest() {
    for (const listener of this.scale ? this.listeners : []) listener(1 / this.scale);
  }

  /** Be told how many mm a pixel of the screen is, whenever the glass comes to rest. */
  onrest(listener) {
    this.listeners.push(listener);
    if (this.scale) listener(1 / this.scale);
  }

  /** Take over place and nearness of a glass that this one replaces. */
  as(other) {
    if (!other || !other.scale || !other.touched || other.width !== this.width) return this;
    this.scale = other.scale;
    this.x = other.x;
    this.y = other.y;
    this.touched = true;
    return this;
  }

  close() {
    this._watch.disconnect();
    clearTimeout(this.timer);
  }
}

/** Let something on the sheet be dragged: `move([x, y], event)` in mm while it goes, `done` once at the end. */
export function draggable(element, glass, { start, move, done }) {
  element.setAttribute("data-held", "");
  element.addEventListener("pointerdown", (e) => {
    if (e.button !== 0) return;
    e.preventDefault();
    e.stopPropagation();
    element.focus({ preventScroll: true });
    const from = glass.millimetres(e);
    if (start && start(from) === false) return;
    element.setPointerCapture(e.pointerId);
    let last = null;
    const go = (m) => {
      last = glass.millimetres(m);
      move([last[0] - from[0], last[1] - from[1]], last);
    };
    const end = (m) => {
      element.removeEventListener("pointermove", go);
      element.removeEventListener("pointerup", end);
      element.removeEventListener("pointercancel", end);
      if (last && m.type === "pointerup") done([last[0] - from[0], last[1] - from[1]], last);
      else if (m.type === "pointercancel") done(null);
    };
    element.addEventListener("pointermove", go);
    element.addEventListener("pointerup", end);
    element.addEventListener("pointercancel", end);
  });
}
