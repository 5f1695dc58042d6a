// Trace: the pieces over their picture; names, marks, points. Every change is recorded and can be taken back.

import { h, s, press, choice, field, rebuild, tick } from "./make.js";
import { ask, change, say } from "./talk.js";
import { fine, size, units, within } from "./lengths.js";
import { box, viewBox } from "./paths.js";
import { Glass } from "./glass.js";
import { drawPen, drawPoints, drawing as pen, pointControls } from "./points.js";
import { choose as chooseMark, drawMarks, firstLook, kindTicks, markList, markTicket, marked, marksOf } from "./marks.js";
import { spoken } from "./spoken.js";
import { sheetWords, told } from "./told.js";

export const view = { piece: "", sheet: "", fade: 70, errors: false, points: false, point: 1, pen: null };
let glass = null;
let sizesSeen = 0;
let about = {};

export const ERROR_STEPS = [0.02, 0.05, 0.1, 0.2];

async function know(sheet, page) {
  if (!sheet.about || (about[sheet.id] && about[sheet.id].stamp === sheet.stamp)) return;
  const got = await ask(`/job/${sheet.about}?v=${sheet.stamp}`);
  if (got) {
    about[sheet.id] = { ...got, stamp: sheet.stamp };
    page.again();
  }
}

function errorPaths(profile) {
  const classes = new Map();
  profile.forEach(([x, y, e], k) => {
    const [nx, ny] = profile[(k + 1) % profile.length];
    const cls = e === null ? "none" : String(ERROR_STEPS.filter((step) => Math.abs(e) > step).length);
    classes.set(cls, `${classes.get(cls) || ""}M${x} ${y}L${nx} ${ny}`);
  });
  return [...classes].map(([cls, d]) => s("path", { d, class: `off off-${cls}` }));
}

function drawSheet(state, sheet) {
  const pieces = state.pattern.pieces.filter((p) => p.sheet === sheet.id);
  const known = about[sheet.id];
  const parts = [];
  for (const piece of pieces) {
    const group = s("g", { class: `piece ${piece.id === view.piece ? "chosen" : ""}` });
    const shown = [piece.outline, ...piece.holes].join(" ");
    group.append(s("path", { d: shown, class: "casing" }), s("path", { d: shown, class: "outline", id: `outline-${piece.id}` }));
    if (view.errors && piece.as_read && known && known.errors[piece.id]) group.append(...errorPaths(known.errors[piece.id]));
    group.append(s("path", { d: piece.outline, class: "body", "data-piece": piece.id }));
    parts.push(group);
  }
  parts.push(drawMarks(marksOf(sheet, pieces)));
  return parts;
}

function pick(piece, page) {
  view.piece = piece.id;
  view.sheet = piece.sheet;
  view.point = 1;
  view.pen = null;
  marked.chosen = "";
  page.again();
}

/** A click on the sheet: a point for the pen, or the mark or piece that lies there. */
function clicked(at, on, state, sheet, page) {
  const { mark, piece } = on ? on.dataset : {};
  const pieces = state.pattern.pieces.filter((p) => p.sheet === sheet.id);
  if (view.pen) pen.add(at, page);
  else if (mark) chooseMark(marksOf(sheet, pieces).find((m) => m.name === mark), page);
  else if (piece) pick(pieces.find((p) => p.id === piece), page);
}

function rail(state, page) {
  const hang = (piece, aside) => h("li", { class: aside ? "aside" : "" },
    h("button", { type: "button", class: "hung", "data-key": `hung ${piece.id}`, "aria-pressed": String(piece.id === view.piece), title: piece.id === view.piece ? "Click again to rename it" : undefined, onclick: () => {
      if (aside) {
        change({ do: "restore", piece: piece.id }).then((ok) => ok && say(`${piece.name} is back`));
      } else if (piece.id === view.piece) {
        // Clicked once more, its name can be written.
        const name = document.querySelector('[data-key="piece name"]');
        if (name) {
          name.focus();
          name.select();
        }
      } else {
        pick(piece, page);
        if (glass) glass.look(box(piece.outline));
      }
    } },
    s("svg", { viewBox: viewBox(piece.outline), "aria-hidden": "true" }, s("path", { d: [piece.outline, ...piece.holes].join(" ") })),
    h("span", {}, aside ? `Bring back ${piece.name}` : piece.name),
    h("small", {}, size(piece.width_mm, piece.height_mm))));
  return h("ul", { class: "rail", "aria-label": "Pieces" }, state.pattern.pieces.map((p) => hang(p, false)), (state.pattern.dropped || []).map((p) => hang(p, true)));
}

/** What was remarked while the piece was traced: a single remark in full, more of them folded away. */
function remarks(piece) {
  if (piece.notes.length < 2) return piece.notes.map((n) => h("p", { class: "remarks" }, n));
  return h("details", { class: "remarks", "data-key": "remarks" }, h("summary", {}, `${piece.notes.length} remarks from the tracing`), h("ul", {}, piece.notes.map((n) => h("li", {}, n))));
}

function ticket(piece, page) {
  const cut = (details) => change({ do: "cut", piece: piece.id, ...details });
  return h("div", { class: "ticket" },
    h("h3", {}, `${piece.name}, ${size(piece.width_mm, piece.height_mm)}`),
    h("p", { class: "sentence" }, field("It is called", piece.name, (name) => name.trim() && name !== piece.name && change({ do: "rename", piece: piece.id, name }), { key: "piece name", wide: true }), "."),
    h("p", { class: "sentence" }, field("Cut it this many times:", String(piece.cut.count), (v) => cut({ count: Math.max(1, Math.round(Number(v)) || 1) }), { key: "piece count", narrow: true }), " ",
      tick("as mirrored pairs", piece.cut.mirrored, (v) => cut({ mirrored: v }), { key: "piece pair" }), " ",
      tick("on the fold", piece.cut.fold, (v) => cut({ fold: v }), { key: "piece fold" })),
    h("p", { class: "sentence" }, field("It is cut from", piece.cut.material, (v) => cut({ material: v.trim() }), { key: "piece material", none: "the cloth" })),
    h("p", {}, `Sizes are right within ${within(piece.width_expanded_uncertainty_mm || piece.expanded_uncertainty_mm)} across and ${within(piece.height_expanded_uncertainty_mm || piece.expanded_uncertainty_mm)} down. `,
      !piece.as_read ? "You changed this outline; what was measured before no longer holds for it."
        : piece.fit.max_mm ? `The outline lies within ${fine(piece.fit.p95_mm)} of its line for 95 % of the way, ${fine(piece.fit.max_mm)} at worst.` : "It was not measured against a picture: its numbers come from the drawing, or from your hand."),
    remarks(piece),
    h("p", {}, press(view.points ? "Hide its points" : "Show its points", () => { view.points = !view.points; view.pen = null; page.again(); }, { kind: "small", key: "points", "aria-pressed": String(view.points) }), " ",
      press(`Put ${piece.name} aside`, () => change({ do: "drop", piece: piece.id }).then((ok) => { if (ok) { view.piece = ""; say(`${piece.name} is put aside; it hangs at the end of the rail`); } }), { kind: "small", key: "drop piece" })),
    view.points ? pointControls(piece, page) : null);
}

const errorWords = () => [...ERROR_STEPS.map((step) => `to ${units() === "in" ? `${(step / 25.4).toFixed(4)} in` : `${step} mm`}`), "more"];

/** The scale of the colours: each is broader than the one before, so that it can be told without colours too. */
const errorKey = () => h("p", { class: "key" }, "Off the line: ", errorWords().map((w, k) => h("span", {}, h("i", { class: `off-${k}` }), w)), h("span", {}, h("i", { class: "off-none" }), "not read, or changed by hand"));

const undo = () => ask("/api/undo", {}).then((ok) => ok && say("taken back"));
const redo = () => ask("/api/redo", {}).then((ok) => ok && say("done again"));

function history(pattern) {
  const { last, next, done, count } = pattern.history;
  return h("div", { class: "history" },
    press(last ? "Take back the last change" : "Nothing to take back", undo, { key: "undo", kind: "small", disabled: !done }), " ",
    press(next ? "Do it again" : "Nothing to do again", redo, { key: "redo", kind: "small", disabled: done >= count }),
    h("p", { class: "quiet" }, last ? `${done} ${done === 1 ? "change" : "changes"}; the last: ${told(last, pattern)}.` : "No change was made by hand yet.", next ? ` To do again: ${told(next, pattern)}.` : ""));
}

/** Where sizes are drawn into each other, the one to follow. */
function sizeChoice(state, findings) {
  const several = findings.map((f) => f.message.match(/(\d+) sizes (?:are drawn into each|over one an)other/)).find(Boolean);
  const asked = state.traced && state.traced.size_line;
  const most = several ? Number(several[1]) : Math.max(Number(asked) || 0, sizesSeen);
  if (several) sizesSeen = most;
  if (!state.traced || !most) return null;
  const options = [["", "the largest"], ...Array.from({ length: most }, (_, k) => [String(k + 1), String(k + 1)])];
  return h("p", { class: "sentence" }, choice("Of the nested sizes, counted from the smallest, follow", String(asked || ""), options, (v) => {
    say("tracing again along that size");
    const { size_line: _, ...rest } = state.traced;
    ask("/api/trace", v ? { ...rest, size_line: Number(v) } : rest, { quiet: true });
  }, { key: "follow size" }), ".");
}

// As everywhere on this machine, Ctrl-Z takes back what was done last; in a field it stays with the field.
addEventListener("keydown", (e) => {
  if (!glass || !(e.ctrlKey || e.metaKey) || e.altKey || e.target.matches("input:not([type=checkbox], [type=range], [type=radio]), select")) return;
  const key = e.key.toLowerCase();
  if (key !== "z" && key !== "y") return;
  e.preventDefault();
  if (key === "y" || e.shiftKey) redo();
  else undo();
});

export const trace = {
  name: "trace",
  word: "Trace",
  sum: (state) => {
    const count = state.pattern ? state.pattern.pieces.length : 0;
    return { done: count > 0, words: count ? state.pattern.pieces.map((p) => p.name).join(", ") : "pieces, their points and marks" };
  },
  leave() {
    if (glass) glass.close();
    glass = null;
    view.pen = null;
    marked.chosen = "";
    marked.joining = "";
  },
  show(holder, page) {
    const state = page.state;
    rebuild(holder, () => {
      if (!state.pattern) return h("p", {}, "Nothing is traced yet. ", press("Go to the tray", () => page.go("tray"), { kind: "plain" }));
      const pattern = state.pattern;
      let piece = pattern.pieces.find((p) => p.id === view.piece);
      if (!piece && pattern.pieces.length) {
        piece = pattern.pieces.find((p) => p.sheet === view.sheet) || pattern.pieces[0];
        view.piece = piece.id;
      }
      const sheet = pattern.sheets.find((x) => x.id === (view.sheet || (piece && piece.sheet))) || pattern.sheets[0];
      view.sheet = sheet.id;
      know(sheet, page);
      firstLook(sheet);
      const next = new Glass({ label: `Sheet ${sheet.id} with its pieces`, width: sheet.size_mm[0], height: sheet.size_mm[1], picture: sheet.picture && `/job/${sheet.picture}?v=${sheet.stamp}`, onpoint: (at, on) => clicked(at, on, state, sheet, page) }).as(glass);
      if (glass) glass.close();
      glass = next;
      if (glass.image) glass.image.style.opacity = String(Math.min(1, (100 - view.fade) / 50));
      glass.drawing.style.opacity = String(Math.min(1, view.fade / 50));
      glass.drawing.append(...drawSheet(state, sheet));
      if (piece && piece.sheet === sheet.id && view.points) drawPoints(glass, piece, page);
      drawPen(glass, piece);
      const fade = h("input", { type: "range", id: "fade", min: "0", max: "100", value: String(view.fade), "data-key": "fade", oninput: (e) => {
        view.fade = Number(e.target.value);
        if (glass.image) glass.image.style.opacity = String(Math.min(1, (100 - view.fade) / 50));
        glass.drawing.style.opacity = String(Math.min(1, view.fade / 50));
      } });
      const pieces = pattern.pieces.filter((p) => p.sheet === sheet.id);
      const marks = marksOf(sheet, pieces);
      const shownPiece = piece && piece.sheet === sheet.id ? piece : null;
      const findings = [...pattern.findings, ...sheet.calibration.warnings.filter((f) => f.severity === "warning")];
      return [
        rail(state, page),
        history(pattern),
        h("div", { class: "beside" },
          h("div", { class: "stays" },
            h("p", { class: "over-glass" },
              pattern.sheets.length > 1 ? pattern.sheets.map((x) => [press(sheetWords(x), () => { view.sheet = x.id; view.piece = (pattern.pieces.find((p) => p.sheet === x.id) || {}).id || ""; page.again(); }, { kind: x === sheet ? "small on" : "small", "aria-pressed": String(x === sheet) }), " "]) : null,
              h("label", { for: "fade" }, "picture "), fade, h("span", {}, " outlines"), " ",
              tick("Colour by how far off", view.errors, (v) => { view.errors = v; page.again(); }, { key: "errors" })),
            view.errors ? errorKey() : null,
            glass.element,
            kindTicks(marks, page)),
          h("div", {},
            view.pen && view.pen.kind === "line" ? pen.controls(page) : null,
            sizeChoice(state, findings),
            findings.map((f) => h("p", { class: f.severity === "warning" ? "mind" : "quiet" }, spoken(f.message))),
            markTicket(marks, shownPiece, page),
            piece ? ticket(piece, page) : h("p", {}, "No piece was found on this sheet. Draw its line below, or make a piece of a line that was found."),
            h("div", { class: "marks-about" },
              piece ? markList(marks, piece.id, `What is drawn on ${piece.name}`, page) : null,
              markList(marks, sheet.id, "What is drawn beside the pieces", page),
              h("p", {}, press(view.pen && view.pen.kind === "line" ? "Stop drawing" : "Draw a missing line", () => pen.line(sheet.id, page), { kind: "small", key: "draw line", "aria-pressed": String(Boolean(view.pen && view.pen.kind === "line")) }))))),
      ];
    });
  },
};
