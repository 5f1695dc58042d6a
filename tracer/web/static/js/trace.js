// Trace: the pieces over their picture; names, marks, points. Every change is recorded and can be taken back.

import { h, s, press, choice, field, rebuild, tick } from "./make.js";
import { ask, say } from "./talk.js";
import { fine, size } from "./lengths.js";
import { box, viewBox } from "./paths.js";
import { Glass } from "./glass.js";
import { drawPoints, drawing as pen, pointControls } from "./points.js";

export const view = { piece: "", sheet: "", fade: 70, errors: false, hidden: new Set(["text", "mat grid", "tile mark"]), points: false, point: 1, joining: [], pen: null };
let glass = null;
let about = {};

export const ERROR_STEPS = [0.02, 0.05, 0.1, 0.2];
const ERROR_WORDS = ["0.02", "0.05", "0.1", "0.2", "more"];
export const MARK_KINDS = ["stitching line", "fold line", "grain line", "notch", "circle", "dot", "cross", "dart", "internal line", "text", "table", "frame", "test square", "tile mark", "reference", "mat grid", "outline", "unknown"];

export const change = async (record) => {
  const got = await ask("/api/change", record);
  return got !== null;
};

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

function markShape(mark, name, chosen) {
  const cls = `mark ${mark.dropped ? "aside" : ""} ${chosen ? "chosen" : ""}`;
  const title = s("title", {}, `${mark.kind}${mark.text ? `: ${mark.text}` : ""} (${name})`);
  if (mark.path) return s("path", { d: mark.path, class: cls }, title);
  if (mark.at) return s("circle", { cx: mark.at[0], cy: mark.at[1], r: 1, class: cls }, title);
  return null;
}

function drawSheet(state, sheet, page) {
  const pieces = state.pattern.pieces.filter((p) => p.sheet === sheet.id);
  const known = about[sheet.id];
  const parts = [];
  const marks = s("g", { class: "marks" });
  const owners = [[sheet.id, sheet.marks], ...pieces.map((p) => [p.id, p.marks])];
  for (const [owner, list] of owners) {
    list.forEach((mark, k) => {
      if (mark.dropped || view.hidden.has(mark.kind)) return;
      const shape = markShape(mark, `${owner}.m${k + 1}`, view.joining.includes(`${owner}.m${k + 1}`));
      if (shape) marks.append(shape);
    });
  }
  parts.push(marks);
  for (const piece of pieces) {
    const group = s("g", { class: `piece ${piece.id === view.piece ? "chosen" : ""}` });
    const shown = [piece.outline, ...piece.holes].join(" ");
    group.append(s("path", { d: shown, class: "casing" }), s("path", { d: shown, class: "outline", id: `outline-${piece.id}` }));
    if (view.errors && piece.as_read && known && known.errors[piece.id]) group.append(...errorPaths(known.errors[piece.id]));
    const fill = s("path", { d: piece.outline, class: "body", "data-piece": piece.id });
    fill.addEventListener("click", () => { if (!view.pen) pick(piece, page); });
    group.append(fill);
    parts.push(group);
  }
  return parts;
}

function pick(piece, page) {
  view.piece = piece.id;
  view.sheet = piece.sheet;
  view.point = 1;
  view.pen = null;
  page.again();
}

function rail(state, page) {
  const hang = (piece, aside) => h("li", { class: aside ? "aside" : "" },
    h("button", { type: "button", class: "hung", "data-key": `hung ${piece.id}`, "aria-pressed": String(piece.id === view.piece), onclick: () => {
      if (aside) {
        change({ do: "restore", piece: piece.id }).then((ok) => ok && say(`${piece.name} is back`));
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

function markList(owner, marks, page) {
  const kinds = [...new Set(marks.map((m) => m.kind))].sort();
  if (!marks.length) return null;
  return h("details", { "data-key": `marks ${owner}` }, h("summary", {}, `What is drawn ${owner.startsWith("s") ? "beside the pieces" : "on it"} (${marks.length})`),
    h("p", {}, kinds.map((kind) => [tick(`${kind} (${marks.filter((m) => m.kind === kind).length})`, !view.hidden.has(kind), (on) => { if (on) view.hidden.delete(kind); else view.hidden.add(kind); page.again(); }, { key: `kind ${owner} ${kind}` }), " "])),
    h("ul", { class: "marks-list" }, marks.map((mark, k) => {
      const name = `${owner}.m${k + 1}`;
      const closed = mark.path && /z\s*$/i.test(mark.path);
      return h("li", { class: mark.dropped ? "aside" : "" },
        choice(`${name}${mark.text ? ` \u201c${mark.text.slice(0, 40)}\u201d` : ""} is a`, mark.kind, MARK_KINDS.map((x) => [x, x]), (kind) => change({ do: "kind", mark: name, kind }), { key: `is ${name}` }), " ",
        press(mark.dropped ? `Bring back ${name}` : `Put ${name} aside`, () => change({ do: mark.dropped ? "restore" : "drop", mark: name }), { kind: "small", key: `aside ${name}` }), " ",
        closed && view.piece && !owner.startsWith("s") ? press(`Let the outline follow ${name}`, () => change({ do: "follow", piece: view.piece, mark: name }), { kind: "small", key: `follow ${name}` }) : null, " ",
        mark.path && !closed ? tick(`join ${name}`, view.joining.includes(name), (on) => { view.joining = on ? [...view.joining, name].slice(-2) : view.joining.filter((x) => x !== name); page.again(); }, { key: `join ${name}` }) : null);
    })));
}

function ticket(piece, page) {
  const cut = (details) => change({ do: "cut", piece: piece.id, ...details });
  return h("div", { class: "ticket" },
    h("h3", {}, `${piece.name}, ${size(piece.width_mm, piece.height_mm)}`),
    h("p", { class: "sentence" }, field("It is called", piece.name, (name) => name.trim() && name !== piece.name && change({ do: "rename", piece: piece.id, name }), { key: "piece name" }),
      " and is ", field("cut this many times:", String(piece.cut.count), (v) => cut({ count: Math.max(1, Math.round(Number(v)) || 1) }), { key: "piece count" }), ". ",
      tick("As mirrored pairs", piece.cut.mirrored, (v) => cut({ mirrored: v }), { key: "piece pair" }), " ",
      tick("On the fold", piece.cut.fold, (v) => cut({ fold: v }), { key: "piece fold" }), " ",
      field("From", piece.cut.material, (v) => cut({ material: v.trim() }), { key: "piece material", hint: "such as lining" })),
    h("p", {}, `Sizes are right within \u00b1 ${fine(piece.width_expanded_uncertainty_mm || piece.expanded_uncertainty_mm)} across and \u00b1 ${fine(piece.height_expanded_uncertainty_mm || piece.expanded_uncertainty_mm)} down. `,
      piece.as_read ? `The outline lies within ${fine(piece.fit.p95_mm)} of its line for 95 % of the way, ${fine(piece.fit.max_mm)} at worst.` : "You changed this outline; what was measured before no longer holds for it."),
    piece.notes.map((n) => h("p", { class: "quiet" }, n)),
    h("p", {}, press(`Put ${piece.name} aside`, () => change({ do: "drop", piece: piece.id }).then((ok) => { if (ok) { view.piece = ""; say(`${piece.name} is put aside; it hangs at the end of the rail`); } }), { kind: "small", key: "drop piece" }), " ",
      press(view.points ? "Hide its points" : "Show its points", () => { view.points = !view.points; view.pen = null; page.again(); }, { kind: "small", key: "points", "aria-pressed": String(view.points) })),
    view.points ? pointControls(piece, page) : null,
    markList(piece.id, piece.marks, page));
}

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
      const next = new Glass({ label: `Sheet ${sheet.id} with its pieces`, width: sheet.size_mm[0], height: sheet.size_mm[1], picture: sheet.picture && `/job/${sheet.picture}?v=${sheet.stamp}`, onpoint: (at) => view.pen && pen.add(at, page) }).as(glass);
      if (glass) glass.close();
      glass = next;
      if (glass.image) glass.image.style.opacity = String(Math.min(1, (100 - view.fade) / 50));
      glass.drawing.style.opacity = String(Math.min(1, view.fade / 50));
      glass.drawing.append(...drawSheet(state, sheet, page));
      if (piece && piece.sheet === sheet.id && view.points) drawPoints(glass, piece, page);
      const history = pattern.history;
      const fade = h("input", { type: "range", id: "fade", min: "0", max: "100", value: String(view.fade), "data-key": "fade", oninput: (e) => {
        view.fade = Number(e.target.value);
        if (glass.image) glass.image.style.opacity = String(Math.min(1, (100 - view.fade) / 50));
        glass.drawing.style.opacity = String(Math.min(1, view.fade / 50));
      } });
      const findings = [...pattern.findings];
      return [
        rail(state, page),
        h("div", { class: "beside" },
          h("div", {},
            h("p", { class: "over-glass" },
              pattern.sheets.length > 1 ? pattern.sheets.map((x) => [press(`Sheet ${x.id}`, () => { view.sheet = x.id; view.piece = (pattern.pieces.find((p) => p.sheet === x.id) || {}).id || ""; page.again(); }, { kind: x === sheet ? "small on" : "small", "aria-pressed": String(x === sheet) }), " "]) : null,
              h("label", { for: "fade" }, "picture "), fade, h("span", {}, " outlines"), " ",
              tick("Colour by how far off", view.errors, (v) => { view.errors = v; page.again(); }, { key: "errors" }),
              view.errors ? h("span", { class: "key" }, ERROR_WORDS.map((w, k) => h("span", {}, h("i", { class: `off-${k}` }), k < 4 ? `to ${w} mm` : w)), h("span", {}, h("i", { class: "off-none" }), "not read")) : null),
            glass.element),
          h("div", {},
            h("div", { class: "history" },
              press(history.last ? "Take back the last change" : "Nothing to take back", () => ask("/api/undo", {}).then((ok) => ok && say("taken back")), { key: "undo", kind: "small", disabled: !history.done }), " ",
              press(history.next ? "Do it again" : "Nothing to do again", () => ask("/api/redo", {}).then((ok) => ok && say("done again")), { key: "redo", kind: "small", disabled: history.done >= history.count }),
              h("p", { class: "quiet" }, history.last ? `${history.done} changes, the last: ${history.last}` : "No change was made by hand yet.")),
            findings.map((f) => h("p", { class: f.severity === "warning" ? "mind" : "quiet" }, f.message)),
            piece ? ticket(piece, page) : h("p", {}, "No piece was found on this sheet."),
            view.joining.length ? h("p", {}, press(`Join ${view.joining.join(" and ")} into a new piece`, () => change({ do: "join", marks: view.joining }).then((ok) => { if (ok) { view.joining = []; say("joined; the gap is bridged by a straight line"); } }), { key: "join marks" })) : null,
            h("p", {}, press(view.pen && view.pen.kind === "line" ? "Stop drawing" : "Draw a line on the sheet", () => pen.line(sheet.id, page), { kind: "small", key: "draw line", "aria-pressed": String(Boolean(view.pen && view.pen.kind === "line")) })),
            view.pen && view.pen.kind === "line" ? pen.controls(page) : null,
            markList(sheet.id, sheet.marks, page))),
      ];
    });
  },
};
