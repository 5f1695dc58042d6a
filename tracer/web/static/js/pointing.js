// Pointing at the four corners of something of known size: on the picture as it was taken, or on the sheet as traced.

import { h, s, press, field } from "./make.js";
import { ask } from "./talk.js";
import { units } from "./lengths.js";
import { Glass, draggable } from "./glass.js";

const CORNER_WORDS = ["top left", "top right", "bottom right", "bottom left"];
const LOUPE_PX = 168;
const LOUPE_TIMES = 4;

/** The round window that shows a place of a picture much larger: `look([x, y])` in the sheet's own units. */
export function loupe(picture, width, height, glass) {
  const element = h("div", { class: "loupe", "aria-hidden": "true", hidden: true });
  const look = ([x, y]) => {
    // Several times as near as the glass, and never so near that single pixels of the screen show nothing.
    const near = Math.max(glass.scale * LOUPE_TIMES, glass.nearest / 6);
    element.hidden = false;
    element.style.backgroundImage = picture ? `url("${picture}")` : "none";
    element.style.backgroundSize = `${width * near}px ${height * near}px`;
    element.style.backgroundPosition = `${LOUPE_PX / 2 - x * near}px ${LOUPE_PX / 2 - y * near}px`;
    // Out of the way of the corner that is held.
    const at = x * glass.scale + glass.x > glass.pane.clientWidth / 2;
    element.classList.toggle("left", at);
  };
  return { element, look };
}

/** Four handles on a glass; `corners` is changed in place. `fine` is how far an arrow key moves one. */
export function handles(glass, corners, { picture, width, height, fine, words }) {
  const round = loupe(picture, width, height, glass);
  glass.pane.append(round.element);
  const ring = s("path", { class: "reference by-hand" });
  const draw = () => ring.setAttribute("d", `M${corners.map((p) => p.join(" ")).join("L")}Z`);
  const marks = corners.map((_, k) => {
    const mark = s("g", { tabindex: "0", role: "button", "data-key": `corner ${k}`, class: "corner", "aria-label": `${CORNER_WORDS[k]} corner; arrow keys move it by ${words[0]}, with Shift by ${words[1]}` },
      s("circle", { class: "touch" }), s("path", { class: "cross" }));
    const place = () => {
      const [x, y] = corners[k];
      const r = 12 / (glass.scale || 1);
      mark.querySelector("circle").setAttribute("cx", x);
      mark.querySelector("circle").setAttribute("cy", y);
      mark.querySelector("circle").setAttribute("r", r);
      mark.querySelector("path").setAttribute("d", `M${x - r} ${y}h${r * 0.8}M${x + r} ${y}h${-r * 0.8}M${x} ${y - r}v${r * 0.8}M${x} ${y + r}v${-r * 0.8}`);
      draw();
    };
    const show = () => {
      place();
      round.look(corners[k]);
    };
    mark.addEventListener("focus", show);
    mark.addEventListener("keydown", (e) => {
      const step = e.shiftKey ? fine * 10 : fine;
      const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
      if (!by) return;
      e.preventDefault();
      e.stopPropagation();
      corners[k] = [corners[k][0] + by[0], corners[k][1] + by[1]];
      show();
    });
    let from = null;
    draggable(mark, glass, {
      start: () => { from = [...corners[k]]; },
      move: ([dx, dy]) => { corners[k] = [from[0] + dx, from[1] + dy]; show(); },
      done: () => {},
    });
    glass.onrest(place);
    return mark;
  });
  glass.drawing.append(ring, ...marks);
}

let picture = null;
let seen = null;
let corners = null;
let size = "";
let glass = null;

/** The picture that is pointed at, null when none is. */
export const at = () => picture;

export async function begin(which, page) {
  picture = which;
  seen = null;
  page.again();
  seen = await ask("/api/close-up", which);
  if (!seen) picture = null;
  else {
    const [w, hgt] = seen.size_px;
    const m = Math.min(w, hgt) / 8;
    size ||= units() === "in" ? "2x2in" : "50x50mm";
    corners = [[w / 2 - m, hgt / 2 - m], [w / 2 + m, hgt / 2 - m], [w / 2 + m, hgt / 2 + m], [w / 2 - m, hgt / 2 + m]];
  }
  page.again();
  const first = document.querySelector('[data-key="corner 0"]');
  if (first) first.focus();
}

export function leave() {
  if (glass) glass.close();
  glass = null;
  picture = null;
  seen = null;
}

/** What the tray shows while a picture is pointed at. */
export function view(page, done, busy) {
  if (!picture || busy) return null;
  if (!seen) return h("p", {}, "Looking closely\u2026");
  const [w, hgt] = seen.size_px;
  const href = `/job/inbox-pages/${encodeURIComponent(seen.picture)}`;
  const next = new Glass({ label: `${picture.file} as it was taken`, width: w, height: hgt, picture: href, nearest: 12 }).as(glass);
  if (glass) glass.close();
  glass = next;
  handles(glass, corners, { picture: href, width: w, height: hgt, fine: 0.2, words: ["a fifth of a pixel", "2 pixels"] });
  return h("div", { class: "beside" },
    h("div", {}, glass.element),
    h("div", { class: "ticket" },
      h("h3", {}, "Point at its four corners"),
      h("p", {}, "Anything flat with right angles whose size you know: a card, a book, a sheet of paper, four lines of a mat. Drag the corners onto its own; the round window shows the one you hold, much larger."),
      h("p", {}, field("It is, across by down,", size, (v) => { size = v.trim(); }, { key: "pointed size", hint: "like 50x50mm or 8x10in", oninput: (v) => { size = v.trim(); } })),
      h("p", {}, press("Trace by these corners", () => { const c = corners.map((p) => [...p]); const of = picture; leave(); done(of, c, size); }, { key: "trace pointed" }), " ",
        press("Never mind", () => { leave(); page.again(); }, { kind: "small", key: "leave pointing" }))));
}
