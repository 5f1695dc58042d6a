// Lay: the mat or the cloth with its rulers, and the pieces on it.

import { h, s, press, choice, field, rebuild, tick } from "./make.js";
import { ask, say } from "./talk.js";
import { inUnits, length, stride, units, withUnit } from "./lengths.js";
import { spoken } from "./spoken.js";
import { asReference, scaleSentence } from "./scale_words.js";
import { Glass, draggable } from "./glass.js";

let got = null;
let stamp = "";
let glass = null;
let mat = 0;
let held = "";
let live = null;
const clothScale = { kind: "", size: "" };
const wishes = { on: "mat", size: "12x24in", margin: "1in", gap: "2mm", turn: "180", within: "0", selvedge: "0mm", fold: false, holes: false, shrinkage: "0%", seconds: "10", mats: "" };
let wished = false;
const usual = () => ({ mat: "12x24in", fabric: units() === "in" ? "44in" : "110cm", leftover: units() === "in" ? "8x12in" : "20x30cm" });
const LENGTHS = new Set(["size", "margin", "gap", "selvedge"]);

async function load(state, page) {
  if (stamp === String(state.revision)) return;
  stamp = String(state.revision);
  const answer = await ask("/api/lay");
  if (!answer) return;
  got = answer;
  if (!wished && Object.keys(got.asked).length) Object.assign(wishes, got.asked);
  live = null;
  page.again();
}

function asked() {
  const out = { ...wishes };
  for (const k of Object.keys(out)) if (out[k] === "") delete out[k];
  return out;
}

function start(rest, page) {
  say(rest ? "laying the rest" : "laying");
  ask("/api/lay", { asked: asked(), rest }, { quiet: true }).then((answer) => {
    if (answer && answer.refused && answer.message) say(answer.message, { trouble: true });
  });
  page.again();
}

function sentence(page) {
  const set = (k) => (v) => {
    wishes[k] = typeof v === "string" ? (LENGTHS.has(k) ? withUnit(v) : v.trim()) : v;
    wished = true;
    if (k === "on") {
      wishes.size = usual()[v];
      wishes.margin = v === "mat" ? "1in" : "0mm";
    }
    page.again();
  };
  const words = (label, k, hint) => field(label, String(wishes[k] ?? ""), set(k), { key: `lay ${k}`, hint, oninput: (v) => { wishes[k] = v.trim(); wished = true; } });
  return h("div", {},
    h("p", { class: "sentence" }, choice("Lay them on", wishes.on, [["mat", "cutting mats"], ["fabric", "cloth by length"], ["leftover", "a leftover"]], set("on"), { key: "lay on" }), " ",
      words(wishes.on === "fabric" ? "as wide as" : "of size", "size"), ", ", words("keep free along the edge", "margin"), " and ", words("between pieces", "gap"), ". ",
      choice("Pieces may be turned", wishes.turn, [["180", "half way round, along the grain"], ["none", "not at all (nap, one-way print)"], ["free", "any way (felt, paper)"]], set("turn"), { key: "lay turn" }), ". ",
      words("Search for this many seconds:", "seconds"), "."),
    h("details", { "data-key": "lay more" }, h("summary", {}, "Fold, selvedge, lean, holes, shrinking"),
      h("p", { class: "sentence" }, wishes.on === "fabric" ? [words("Selvedge on each side", "selvedge"), " ", tick("The cloth is folded along its length", wishes.fold, set("fold"), { key: "lay fold" }), " "] : null,
        words("Pieces may lean from the grain by degrees", "within"), " ", tick("Small pieces may lie in the holes of larger ones", wishes.holes, set("holes"), { key: "lay holes" }), " ",
        words("The cloth shrinks by", "shrinkage"), " ", wishes.on === "mat" ? words("Mats there are", "mats", "empty: as many as needed") : null)));
}

function rulers(width, height, broad) {
  const step = units() === "in" ? 25.4 : 10;
  const parts = units() === "in" ? 4 : 2;
  const every = units() === "in" ? 2 : 5;
  let ticks = "";
  const out = [];
  const edge = (long, upright) => {
    for (let k = 0; k * (step / parts) <= long + 1e-6; k += 1) {
      const at = (k * step) / parts;
      const whole = k % parts === 0;
      const depth = broad * (whole ? ((k / parts) % every === 0 ? 7 : 5) : 3);
      ticks += upright ? `M0 ${at}h${-depth}` : `M${at} 0v${-depth}`;
      if (whole && (k / parts) % every === 0 && k) out.push(s("text", upright ? { x: -8 * broad, y: at, dy: "0.35em", "text-anchor": "end" } : { x: at, y: -8.5 * broad, "text-anchor": "middle" }, String(k / parts)));
    }
  };
  edge(width, false);
  edge(height, true);
  return [s("path", { d: ticks, class: "tick" }), ...out];
}

const who = (p) => `${p.name} ${p.copy}`;
const rowTransform = (p) => `translate(${p.dx} ${p.dy}) rotate(${p.rotation_deg}) scale(${p.mirrored ? -1 : 1} 1)`;

function middleOf(p) {
  const [mx, my] = got.table.shapes[p.piece].middle;
  const x = p.mirrored ? -mx : mx;
  const a = (p.rotation_deg * Math.PI) / 180;
  return [p.dx + x * Math.cos(a) - my * Math.sin(a), p.dy + x * Math.sin(a) + my * Math.cos(a)];
}

const wrongNow = () => live || got.table.wrong;
const isWrong = (p) => wrongNow().some((w) => w.who.includes(who(p)));

let asking = false;
async function tryMove(p) {
  if (asking) return;
  asking = true;
  const answer = await ask("/api/lay/move", { piece: p.piece, copy: p.copy, dx: p.dx, dy: p.dy, rotation_deg: p.rotation_deg, mirrored: p.mirrored, mat }, { quiet: true });
  asking = false;
  if (answer && answer.wrong && live !== false) {
    live = answer.wrong;
    markWrong();
  }
}

function markWrong() {
  for (const g of document.querySelectorAll(".laid")) g.classList.toggle("wrong", wrongNow().some((w) => w.who.includes(g.dataset.who)));
  const list = document.getElementById("lay-wrong");
  if (list) list.replaceWith(wrongList());
}

function wrongList() {
  const wrong = wrongNow();
  return h("ul", { id: "lay-wrong", class: wrong.length ? "mind" : "quiet" }, wrong.length ? wrong.map((w) => h("li", {}, inUnits(w.words))) : h("li", {}, "Nothing overlaps, and margins and gaps are kept."));
}

async function keep(p, more, words, page) {
  live = false;
  const answer = await ask("/api/lay/move", { piece: p.piece, copy: p.copy, dx: p.dx, dy: p.dy, rotation_deg: p.rotation_deg, mirrored: p.mirrored, mat, ...more, keep: true });
  live = null;
  if (answer) {
    const own = answer.wrong.filter((w) => w.who.includes(who(p)));
    say(own.length ? own.map((w) => inUnits(w.words)).join("; ") : words, { trouble: own.length > 0 });
  } else page.again();
}

function turn(p, by, page) {
  const [x, y] = middleOf(p);
  const q = { ...p, rotation_deg: (((p.rotation_deg + by) % 360) + 360) % 360 };
  const [nx, ny] = middleOf(q);
  q.dx += x - nx;
  q.dy += y - ny;
  keep(q, {}, `${who(p)} turned`, page);
}

function mirror(p, page) {
  const [x, y] = middleOf(p);
  const q = { ...p, mirrored: !p.mirrored, rotation_deg: (360 - p.rotation_deg) % 360 };
  const [nx, ny] = middleOf(q);
  q.dx += x - nx;
  q.dy += y - ny;
  keep(q, {}, `${who(p)} mirrored`, page);
}

function laid(p, rows, page, movable) {
  const shape = got.table.shapes[p.piece];
  const at = { dx: p.dx, dy: p.dy };
  const name = who(p);
  const [mx, my] = middleOf(p);
  const words = s("text", { x: mx, y: my, "text-anchor": "middle", class: "laid-name" }, `${name}${p.mirrored ? " \u21c4" : ""}${p.pinned ? " (pinned)" : ""}`);
  const body = s("g", { class: "laid-shape", transform: rowTransform(p) }, s("title", {}, name), s("path", { d: shape.d, class: "laid-body", "fill-rule": "evenodd" }), shape.grain ? s("path", { d: shape.grain, class: "laid-grain" }) : null);
  const group = s("g", { class: `laid ${isWrong(p) ? "wrong" : ""} ${p.pinned ? "pinned" : ""} ${held === name ? "held" : ""}`, "data-who": name, "data-key": `laid ${name}`, role: "button", tabindex: held === name ? "0" : "-1",
    "aria-label": `${name}${p.mirrored ? ", mirrored" : ""}${p.pinned ? ", pinned" : ""}, ${length(mx, 0)} across, ${length(my, 0)} down; arrow keys move it by ${stride().words[0]}, with Shift by ${stride().words[1]}, Page Down goes to the next` }, body, words);
  const put = (dx, dy) => {
    at.dx = dx;
    at.dy = dy;
    body.setAttribute("transform", rowTransform({ ...p, dx, dy }));
    words.setAttribute("x", mx + dx - p.dx);
    words.setAttribute("y", my + dy - p.dy);
    if (movable) tryMove({ ...p, dx, dy });
  };
  const onTop = () => {
    // The others go below it: moved itself, it would lose the pointer that holds it.
    while (group.nextSibling && group.nextSibling.classList.contains("laid")) group.before(group.nextSibling);
  };
  group.addEventListener("focus", () => {
    onTop();
    if (held === name) return;
    held = name;
    for (const g of document.querySelectorAll(".laid")) {
      g.setAttribute("tabindex", g === group ? "0" : "-1");
      g.classList.toggle("held", g === group);
    }
    const box = document.getElementById("held-words");
    if (box) box.replaceWith(heldWords(rows, page, movable));
  });
  if (!movable) return group;
  let timer = 0;
  const flush = () => {
    clearTimeout(timer);
    timer = 0;
    keep({ ...p, ...at }, {}, `${name} moved`, page);
  };
  group.addEventListener("blur", () => timer && flush());
  group.addEventListener("keydown", (e) => {
    const step = e.shiftKey ? stride().large : stride().small;
    const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
    if (by) {
      put(at.dx + by[0], at.dy + by[1]);
      clearTimeout(timer);
      timer = setTimeout(flush, 700);
    } else if (e.key === "PageDown" || e.key === "PageUp") {
      const all = [...document.querySelectorAll(".laid")];
      all[(all.indexOf(group) + (e.key === "PageDown" ? 1 : all.length - 1)) % all.length].focus({ preventScroll: true });
    } else return;
    e.preventDefault();
    e.stopPropagation();
  });
  draggable(group, glass, {
    start: onTop,
    move: ([dx, dy]) => put(p.dx + dx, p.dy + dy),
    done: (by) => {
      if (by) keep({ ...p, dx: p.dx + by[0], dy: p.dy + by[1] }, {}, `${name} moved`, page);
      else page.again();
    },
  });
  return group;
}

function heldWords(rows, page, movable) {
  const p = rows.find((r) => who(r) === held);
  if (!p) return h("div", { id: "held-words" }, h("p", { class: "quiet" }, "Take hold of a piece: click it, or go to the table with Tab."));
  if (!movable) return h("div", { id: "held-words" }, h("p", {}, who(p)), h("p", { class: "quiet" }, "On folded cloth pieces are not moved by hand."));
  let angle = 90;
  const mats = got.table.mats;
  return h("div", { id: "held-words" },
    h("h3", {}, `${who(p)}${p.mirrored ? ", mirrored" : ""}`),
    h("p", {}, press("Turn it half round", () => turn(p, 180, page), { kind: "small", key: "turn half" }), " ",
      press("Mirror it", () => mirror(p, page), { kind: "small", key: "mirror" }), " ",
      press(p.pinned ? "Unpin it" : "Pin it where it is", () => keep(p, { pinned: !p.pinned }, p.pinned ? `${who(p)} unpinned` : `${who(p)} pinned`, page), { kind: "small", key: "pin", "aria-pressed": String(p.pinned) })),
    h("p", { class: "turning" }, press("Turn it", () => turn(p, angle, page), { kind: "small", key: "turn it" }), " ", field("by", "90", (v) => { angle = Number(v) || 0; }, { key: "turn by", narrow: true, oninput: (v) => { angle = Number(v) || 0; } }), " degrees"),
    h("p", {}, mats.length > 1 ? choice("Move it to", String(mat), mats.map((m, k) => [String(k), `table ${k + 1}`]), (v) => keep(p, { mat: Number(v) }, `${who(p)} lies on table ${Number(v) + 1}`, page), { key: "to mat" }) : null));
}

async function bringCloth(state, file, page) {
  say("finding the scale of the cloth");
  const answer = await ask("/api/cloth", { file, reference: asReference(clothScale) });
  if (answer) say("the cloth lies under the pieces");
  page.again();
}

export const lay = {
  name: "lay",
  word: "Lay",
  sum: (state) => ({ done: state.lay.stamp > 0 && !state.lay.stale, words: state.lay.stale ? "the pieces have changed since they were laid" : state.lay.stamp > 0 ? "laid out" : "mat, cloth or leftover" }),
  leave() {
    if (glass) glass.close();
    glass = null;
  },
  show(holder, page) {
    const state = page.state;
    if (state.pattern) load(state, page);
    rebuild(holder, () => {
      if (!state.pattern) return h("p", {}, "Nothing is traced yet. ", press("Go to the tray", () => page.go("tray"), { kind: "plain" }));
      if (!got) return h("p", {}, "One moment\u2026");
      const table = got.table;
      const busy = state.work.state === "working";
      const pinned = table ? table.mats.some((m) => m.placements.some((p) => p.pinned)) : false;
      const head = [
        state.cut.made ? null : h("p", { class: "quiet" }, "There is no cut list yet: every traced piece is laid as often as is written on it."),
        sentence(page),
        h("p", {}, press("Lay them out", () => start(false, page), { kind: "main", key: "lay out", disabled: busy }), " ",
          pinned ? press("Lay the rest", () => start(true, page), { key: "lay rest", disabled: busy }) : null, " ",
          table && table.steps && table.steps.done ? [press("Take back the last move", () => ask("/api/lay/step", { back: true }).then((ok) => ok && say("put back")), { kind: "small", key: "put back" }), " "] : null,
          table && table.steps && table.steps.done < table.steps.count ? press("Do it again", () => ask("/api/lay/step", { back: false }).then((ok) => ok && say("moved again")), { kind: "small", key: "move again" }) : null),
      ];
      if (!table) return head;
      if (table.stale) return [head, h("p", { class: "mind" }, table.stale)];
      if (mat >= table.mats.length) mat = 0;
      const here = table.mats[mat];
      // The rulers lie around the table, as broad as can be read on it.
      const room = Math.max(12, 0.036 * Math.max(here.width_mm, here.length_mm));
      const next = new Glass({ label: `Table ${mat + 1}`, width: here.width_mm + 2 * room, height: here.length_mm + 2 * room }).as(glass);
      if (glass) glass.close();
      glass = next;
      glass.pane.classList.add("table");
      const rows = here.placements;
      if (!rows.some((p) => who(p) === held)) held = rows.length ? who(rows[0]) : "";
      const onTop = rows.findIndex((p) => who(p) === held);
      const margin = table.surface.margin_mm;
      const side = margin + (table.surface.selvedge_mm || 0);
      const top = s("g", { transform: `translate(${room} ${room})`, class: state.cloth ? "on-cloth" : "" },
        s("rect", { width: here.width_mm, height: here.length_mm, class: "surface" }),
        state.cloth ? s("image", { href: `/job/${state.cloth.picture}?v=${state.revision}`, width: state.cloth.width_mm, height: state.cloth.length_mm, preserveAspectRatio: "none", "clip-path": "inset(0)" }) : null,
        table.surface.outline ? s("path", { d: table.surface.outline, class: "leftover" }) : null,
        s("rect", { x: side, y: margin, width: Math.max(0, here.width_mm - 2 * side), height: Math.max(0, here.length_mm - 2 * margin), class: "margin" }),
        here.fold ? s("path", { d: `M${here.fold.x_mm} 0V${here.length_mm}`, class: "cloth-fold" }) : null,
        s("g", { class: "rulers" }, rulers(here.width_mm, here.length_mm, room / 16)),
        // The one that is held lies on top; the others stay in their order.
        [...rows.slice(onTop + 1), ...rows.slice(0, onTop + 1)].map((p) => laid(p, rows, page, table.movable)));
      glass.drawing.append(top);
      glass.onrest((mmPerPx) => {
        for (const t of glass.drawing.querySelectorAll(".rulers text")) t.setAttribute("font-size", Math.min(0.42 * room, 12 * mmPerPx));
        // A name is written as large as fits on its piece, and not at all where it could not be read.
        for (const g of glass.drawing.querySelectorAll(".laid")) {
          const name = g.querySelector(".laid-name");
          const { width: wide, height: high } = g.querySelector(".laid-shape").getBoundingClientRect();
          // On a piece that is long and narrow it runs along it.
          const upright = high > 1.5 * wide;
          name.classList.toggle("upright", upright);
          const letterPx = Math.min(15, 0.5 * Math.min(wide, high), (1.5 * (upright ? high : wide)) / Math.max(4, name.textContent.length));
          name.setAttribute("font-size", letterPx * mmPerPx);
          name.classList.toggle("unread", letterPx < 7);
        }
      });
      return [
        head,
        h("div", { class: "beside" },
          h("div", {},
            table.mats.length > 1 ? h("p", { class: "over-glass" }, table.mats.map((m, k) => [press(`Table ${k + 1}${m.material ? `, ${m.material}` : ""}`, () => { mat = k; page.again(); }, { kind: k === mat ? "small on" : "small", "aria-pressed": String(k === mat) }), " "])) : null,
            glass.element),
          h("div", { class: "ticket" },
            h("ul", { class: "answers" }, table.answers.filter((a) => !a.startsWith("Look again")).map((a) => h("li", {}, spoken(a)))),
            wrongList(),
            table.not_placed.length ? h("p", { class: "mind" }, `Not laid: ${table.not_placed.map((m) => `${m.name} ${m.copy} (${m.why})`).join("; ")}`) : null,
            heldWords(rows, page, table.movable),
            h("details", { "data-key": "cloth" }, h("summary", {}, "A photo of the cloth under it"),
              h("p", {}, "Bring the photo into the tray, with something of known size on it, then choose it here."),
              scaleSentence(clothScale, () => page.again(), "cloth"),
              h("p", {}, choice("Put under the pieces", state.cloth ? state.cloth.file : "", [["", "nothing"], ...state.tray.map((e) => [e.file, e.file])], (v) => (v ? bringCloth(state, v, page) : ask("/api/cloth", {})), { key: "cloth file" }))))),
      ];
    });
  },
};
