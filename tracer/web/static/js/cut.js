// Cut: each piece as it will be cut, told in sentences beside a live drawing.

import { h, s, press, choice, field, rebuild, tick } from "./make.js";
import { ask, say } from "./talk.js";
import { fine, length, size, units, withUnit } from "./lengths.js";
import { spoken } from "./spoken.js";
import { box } from "./paths.js";

let shown = null;
let stamp = "";
let lit = { at: -1, edge: "", pointed: false };
const drafts = new Map();
const errors = new Map();

async function load(state, page) {
  const now = `${state.revision}`;
  if (stamp === now) return;
  stamp = now;
  const got = await ask("/api/cut");
  if (got) {
    shown = got;
    page.again();
  }
}

/** What a message about a part of an entry is about, in the form's own words. */
const PARTS = { all: "the seam width all round", includes: "what the paper includes", edges: "the seam width of an edge", width: "the seam width of an edge", trim: "the strip", by: "the width of the strip", drop: "what each loses at the join", split: "where it is split", from: "where the split begins", to: "where the split ends", allowance: "the allowance on the cut", count: "how many" };

async function keep(at, was, entry, page, words = "") {
  const got = await ask("/api/cut", { at, was, entry }, { quiet: true });
  if (!got) return;
  if (got.refused) {
    say(got.message, { trouble: true });
    if (got.now) shown = got.now;
    drafts.clear();
  } else if (got.error) {
    drafts.set(at, entry);
    errors.set(at, got.error.replace(/^cut list( line \d+)?: /, "").replace(/^'(\w+)': /, (_, part) => (PARTS[part] ? `${PARTS[part]}: ` : "")));
    say(errors.get(at), { trouble: true });
  } else {
    shown = got;
    drafts.delete(at);
    errors.delete(at);
    const made = entry ? madeOf(entry) : [];
    if (words) say(words);
    else if (made.length) say(`${made[0].name} is now ${size(made[0].width_mm, made[0].height_mm)}`);
  }
  page.again();
}

const edgeName = (e) => `${e.name}${e.sides.length ? ` (${e.sides.join(", ")})` : ""}, ${length(e.length_mm)}`;

function pieceOf(word) {
  return shown.pieces.find((p) => p.id === word) || shown.pieces.find((p) => p.name === word);
}

/** The pieces that an entry makes: one, or two where it is split. */
function madeOf(entry, made = shown.made) {
  const piece = pieceOf(entry.from);
  const name = entry.name || (piece && piece.name);
  return made.filter((m) => piece && m.source === piece.id && (m.name === name || m.name.startsWith(`${name} `) || entry.split));
}

function edgesOf(word) {
  const piece = pieceOf(word);
  return piece ? shown.edges[piece.id] || [] : [];
}

/** The edge that a word means: its number, or the side it faces. */
const meant = (edges, word) => edges.find((e) => e.name === String(word)) || edges.find((e) => e.sides.includes(String(word)));

function edgeChoice(label, value, edges, at, done, key, none = "no edge") {
  const found = meant(edges, value);
  const options = [["", none], ...edges.map((e) => [e.name, edgeName(e)])];
  if (value && !found) options.push([String(value), String(value)]);
  const element = choice(label, value ? (found ? found.name : String(value)) : "", options, done, { key });
  const select = element.querySelector("select");
  const light = (edge) => {
    lit = { at, edge, pointed: false };
    for (const path of document.querySelectorAll(`#cut-${at} .edge`)) path.classList.toggle("lit", path.dataset.edge === edge);
  };
  select.addEventListener("focus", () => light(select.value));
  select.addEventListener("input", () => light(select.value));
  select.addEventListener("pointerenter", () => light(select.value));
  select.addEventListener("blur", () => light(""));
  return element;
}

function drawing(entry, at, page, made = madeOf(entry)) {
  const piece = pieceOf(entry.from);
  const edges = edgesOf(entry.from);
  if (!piece || !edges.length) return null;
  const boxes = [...edges.map((e) => box(e.d)), ...made.map((m) => box(m.d))];
  const x = Math.min(...boxes.map((b) => b[0]));
  const y = Math.min(...boxes.map((b) => b[1]));
  const w = Math.max(...boxes.map((b) => b[0] + b[2])) - x;
  const hgt = Math.max(...boxes.map((b) => b[1] + b[3])) - y;
  const m = Math.max(w, hgt) * 0.1;
  // About as large everywhere, whatever the piece.
  const letter = 15 * Math.max((w + 2 * m) / 400, (hgt + 2 * m) / 270);
  return s("svg", { viewBox: `${x - m} ${y - m} ${w + 2 * m} ${hgt + 2 * m}`, class: "cut-drawing", role: "img", "aria-label": made.length ? `${made.map((q) => `${q.name}, ${size(q.width_mm, q.height_mm)}`).join("; ")}; edges ${edges.map(edgeName).join("; ")}` : `edges ${edges.map(edgeName).join("; ")}` },
    made.map((q) => s("path", { d: q.d, class: "as-cut" })),
    made.map((q) => (q.steps.some((t) => t.startsWith("allowance")) ? s("path", { d: q.finished, class: "as-sewn" }) : null)),
    made.map((q) => q.marks.map((d) => s("path", { d, class: "as-marked" }))),
    edges.map((e) => s("path", { d: e.d, class: `edge ${lit.at === at && lit.edge === e.name ? "lit" : ""}`, "data-edge": e.name })),
    edges.map((e) => s("path", { d: e.d, class: "edge-touch", onclick: () => {
      lit = { at, edge: e.name, pointed: true };
      page.again();
    } }, s("title", {}, edgeName(e)))),
    edges.map((e) => {
      const path = s("path", { d: e.d });
      const total = path.getTotalLength();
      const half = path.getPointAtLength(total / 2);
      const ahead = path.getPointAtLength(total / 2 + total * 0.01);
      const at0 = [half.x, half.y];
      // Outlines run clockwise on the screen: inward is to the right of the way.
      const inward = [-(ahead.y - half.y), ahead.x - half.x];
      const far = Math.hypot(...inward) || 1;
      return s("text", { x: at0[0] + (inward[0] / far) * letter * 1.1, y: at0[1] + (inward[1] / far) * letter * 1.1 + letter * 0.35, "font-size": letter, "text-anchor": "middle" }, e.name);
    }));
}

function sizes(entry, made = madeOf(entry)) {
  return h("div", { class: "made-of" }, made.map((m) => h("div", { class: "made" },
    h("p", {}, made.length > 1 ? [h("strong", {}, m.name), ": "] : null, `${size(m.width_mm, m.height_mm)} as cut, \u00b1 ${fine(m.plus_minus_mm)}`, m.steps.some((t) => t.startsWith("allowance")) ? `; ${size(m.finished_size.width_mm, m.finished_size.height_mm)} as sewn` : "", `; ${m.count} ${m.count === 1 ? "copy" : "copies"}${m.pair ? ", every second mirrored" : ""}`),
    m.facts.map((f) => h("p", { class: "quiet" }, f)))));
}

const text = (v) => (v === undefined ? "" : typeof v === "number" ? `${v}mm` : String(v));

/** An entry, or a part of one, without what is empty. */
function tidy(part) {
  const out = { ...part };
  for (const [k, v] of Object.entries(out)) {
    const empty = v === "" || v === null || v === undefined || (Array.isArray(v) && !v.length) || (typeof v === "object" && !Array.isArray(v) && !Object.keys(v).length);
    if (empty) delete out[k];
  }
  return out;
}

let trying = 0;

/** Show an entry as it would be cut, while it is still being typed; nothing is kept, and nothing is said against it. */
function tryEntry(at, was, entry, page) {
  clearTimeout(trying);
  trying = setTimeout(async () => {
    const got = await ask("/api/cut", { at, was, entry, try: true }, { quiet: true });
    const here = document.getElementById(`cut-${at}`);
    if (!got || got.refused || got.error || !here || !here.contains(document.activeElement)) return;
    const made = madeOf(entry, got.made);
    here.querySelector(".cut-drawing").replaceWith(drawing(entry, at, page, made));
    here.querySelector(".made-of").replaceWith(sizes(entry, made));
  }, 200);
}

/** What can be done with an edge that was clicked in the drawing. */
function edgeBar(at, edges, ownEdges, set, page) {
  const edge = lit.at === at && lit.pointed && edges.find((e) => e.name === lit.edge);
  if (!edge) return null;
  const act = (words, change, key) => [press(words, () => { lit = { at: -1, edge: "", pointed: false }; set(change); }, { kind: "small", key: `cut ${at} edge ${key}` }), " "];
  return h("div", { class: "edge-bar" }, h("p", {}, `What becomes of edge ${edgeName(edge)}?`),
    h("p", {}, act("Unfold over it", { unfold: edge.name }, "unfold"),
      ownEdges.own.some(([n]) => meant(edges, n) === edge) ? null : act("Another seam width on it", ownEdges.with(edge.name, units() === "in" ? "1in" : "25mm"), "width"),
      act("Take a strip off along it", { trim: [...ownEdges.trims, { edge: edge.name, by: units() === "in" ? "3/8in" : "10mm" }] }, "trim"),
      press("Nothing", () => { lit = { at: -1, edge: "", pointed: false }; page.again(); }, { kind: "small", key: `cut ${at} edge leave` })));
}

function card(entry0, at, page) {
  const was = shown.entries[at];
  const entry = drafts.get(at) || entry0;
  const edges = edgesOf(entry.from);
  const others = shown.pieces.filter((p) => p.id !== entry.from && p.name !== entry.from);
  const k = `cut ${at}`;
  const set = (more) => keep(at, was, tidy({ ...entry, ...more }), page);
  const allowance = typeof entry.allowance === "object" ? entry.allowance : entry.allowance === undefined ? {} : { all: text(entry.allowance) };
  const seam = (more) => ({ allowance: tidy({ ...allowance, ...more }) });
  const ownEdges = Object.entries(allowance.edges || {});
  const seamOn = (edge, width) => seam({ edges: tidy({ ...allowance.edges, [edge]: width }) });
  const trims = Array.isArray(entry.trim) ? entry.trim : entry.trim ? [entry.trim] : [];
  const trimmed = (j, more) => ({ trim: more === null ? trims.filter((_, i) => i !== j) : trims.map((q, i) => (i === j ? { ...q, ...more } : q)) });
  const join = Array.isArray(entry.join) ? entry.join[0] : entry.join;
  const split = entry.split || {};
  const unfold = typeof entry.unfold === "object" ? entry.unfold.edge : entry.unfold;
  // A field of the sentence: what it makes is shown while it is typed, and kept when it is done with.
  const word = (label, value, key, change, more = {}) => field(label, value, (v) => set(change(v.trim())), { key: `${k} ${key}`, oninput: (v) => tryEntry(at, was, tidy({ ...entry, ...change(v.trim()) }), page), ...more });
  const edge = (label, value, of, key, change, none) => edgeChoice(label, value, of, at, (v) => set(change(v)), `${k} ${key}`, none);
  const called = entry.name || (pieceOf(entry.from) || { name: entry.from }).name;
  const firstOf = (of, side) => (of.find((e) => e.sides.includes(side)) || of[0]).name;
  return h("li", { class: "cut-card", id: `cut-${at}` },
    h("div", { class: "cut-words" },
      h("h3", {}, called),
      sizes(entry),
      h("p", { class: "sentence" }, word("Cut", String(entry.count ?? (entry.pair ? 2 : 1)), "count", (v) => ({ count: Math.max(1, Math.round(Number(v)) || 1) }), { narrow: true }), ` of ${(pieceOf(entry.from) || { name: entry.from }).name} `,
        word("under the name", entry.name || "", "name", (v) => ({ name: v }), { none: (pieceOf(entry.from) || { name: entry.from }).name }), " ",
        word("from", entry.on || "", "on", (v) => ({ on: v }), { none: "the cloth" }), ". ",
        tick("Every second one mirrored", Boolean(entry.pair), (v) => set({ pair: v || undefined, count: v ? Math.max(2, entry.count || 2) : entry.count }), { key: `${k} pair` })),
      h("p", { class: "sentence" }, word("Add for the seams, all round,", text(allowance.all), "allowance", (v) => seam({ all: withUnit(v) }), { none: "nothing" }), ". ",
        word("The paper already includes", text(typeof allowance.includes === "object" ? allowance.includes.all : allowance.includes), "includes", (v) => seam({ includes: withUnit(v) }), { none: "nothing" }), ". ",
        edge("Another width on", "", edges.filter((e) => !ownEdges.some(([n]) => meant(edges, n) === e)), "more edge", (v) => (v ? seamOn(v, units() === "in" ? "1in" : "25mm") : {}), "no edge"), "."),
      ownEdges.map(([name, width]) => h("p", { class: "sentence" }, `On edge ${name} `, word("it is", text(typeof width === "object" ? width.width : width), `edge ${name}`, (v) => seamOn(name, withUnit(v))), "; empty it for none of its own.")),
      h("p", { class: "sentence" }, edge("Unfold it over", unfold, edges, "unfold", (v) => ({ unfold: v }), "nothing: it is whole"), "."),
      trims.map((t, j) => h("p", { class: "sentence" }, edge("Take a strip off along", t.edge, edges, `trim ${j}`, (v) => trimmed(j, v ? { edge: v } : null)), " ",
        word("as wide as", text(t.by), `by ${j}`, (v) => trimmed(j, v ? { by: withUnit(v) } : null)), ".")),
      h("details", { "data-key": `${k} more` }, h("summary", {}, "Trim, join, split, keep together"),
        h("p", { class: "sentence" }, edge("Take a strip off along", "", edges, "new trim", (v) => (v ? { trim: [...trims, { edge: v, by: units() === "in" ? "3/8in" : "10mm" }] } : {})), "."),
        h("p", { class: "sentence" }, choice("Join to it", join ? join.piece : "", [["", "nothing"], ...others.map((p) => [p.name, p.name])], (v) => set({ join: v ? { piece: v, edge: firstOf(edges, "right"), to: firstOf(edgesOf(v), "left") } : undefined }), { key: `${k} join` }),
          join ? [" ", edge("along its edge", join.to, edgesOf(join.piece), "join to", (v) => (v ? { join: { ...join, to: v } } : {})), " ",
            edge("to the edge", join.edge, edges, "join edge", (v) => (v ? { join: { ...join, edge: v } } : {})), " ",
            word("each losing", text(join.drop), "drop", (v) => ({ join: tidy({ ...join, drop: withUnit(v) }) }))] : null, "."),
        h("p", { class: "sentence" }, word("Split it from", split.from || "", "split from", (v) => ({ split: v ? { to: "bottom 50%", ...split, from: v } : undefined }), { hint: "a place, like top 40%" }),
          entry.split ? [" ", word("to", split.to || "", "split to", (v) => ({ split: { ...split, to: v } })), " ", word("with on the cut", text(split.allowance), "split with", (v) => ({ split: tidy({ ...split, allowance: withUnit(v) }) }))] : null, "."),
        h("p", { class: "sentence" }, word("Keep its copies arranged with those that have the word", entry.together || "", "together", (v) => ({ together: v })), "."),
        h("p", { class: "sentence" }, choice("Corners of the allowance are", allowance.corners || "mitred", ["mitred", "squared", "rounded", "trimmed", "mirrored"].map((c) => [c, c]), (v) => set(seam({ corners: v })), { key: `${k} corners` }), "."),
        h("p", {}, press(`Leave ${called} out of the list`, () => keep(at, was, null, page, `${called} is no longer in the list`), { kind: "small", key: `${k} out` }))),
      errors.get(at) ? h("p", { class: "mind", role: "alert" }, spoken(errors.get(at)), " ", press("Back to how it was", () => { drafts.delete(at); errors.delete(at); page.again(); }, { kind: "small", key: `${k} back` })) : null),
    h("div", { class: "cut-side" }, drawing(entry, at, page),
      edgeBar(at, edges, { own: ownEdges, with: seamOn, trims }, set, page) || (edges.length && at === 0 ? h("p", { class: "quiet" }, "Click an edge to say what becomes of it.") : null)));
}

export const cut = {
  name: "cut",
  word: "Cut",
  sum: (state) => ({ done: state.cut.made, words: state.cut.made ? "a cut list is kept" : "how many, unfolded, with seam allowance" }),
  show(holder, page) {
    const state = page.state;
    if (state.pattern) load(state, page);
    rebuild(holder, () => {
      if (!state.pattern) return h("p", {}, "Nothing is traced yet. ", press("Go to the tray", () => page.go("tray"), { kind: "plain" }));
      if (!shown) return h("p", {}, "One moment\u2026");
      const unused = shown.pieces.filter((p) => !shown.entries.some((e) => e.from === p.name || e.from === p.id));
      return [
        h("p", {}, "What will be cut, in words. The traced pieces stay as they are. ", shown.kept ? null : "This is what was read on the paper; look it over, then keep it."),
        shown.error ? h("p", { class: "mind" }, shown.error) : null,
        shown.kept ? null : h("p", {}, press("Keep this list", () => shown.entries.length && keep(0, shown.entries[0], shown.entries[0], page, "the list is kept, the pieces are cut-ready"), { kind: "main", key: "keep list", disabled: !shown.entries.length || Boolean(shown.error) })),
        shown.entries.length > 5 ? h("ul", { class: "short-cuts", "aria-label": "Go to a piece" }, shown.entries.map((e, at) => h("li", {}, press(e.name || (pieceOf(e.from) || { name: e.from }).name, () => {
          const there = document.getElementById(`cut-${at}`);
          there.scrollIntoView({ block: "start" });
          there.querySelector("input").focus({ preventScroll: true });
        }, { kind: "plain", key: `to cut ${at}` })))) : null,
        h("ol", { class: "cut-list" }, shown.entries.map((e, at) => card(e, at, page))),
        h("p", {}, choice("Cut also from", "", [["", "choose a piece"], ...shown.pieces.map((p) => [p.id, p.name + (unused.includes(p) ? "" : " (again)")])], (v) => {
          if (!v) return;
          const piece = shown.pieces.find((p) => p.id === v);
          const again = shown.entries.filter((e) => e.from === piece.name || e.from === piece.id).length;
          keep(shown.entries.length, null, again ? { from: piece.id, name: `${piece.name} ${again + 1}` } : { from: piece.id }, page, `${piece.name} is in the list`);
        }, { key: "cut also" })),
        (shown.seams || []).length ? h("details", { "data-key": "seams" }, h("summary", {}, "Edges that are sewn together"), h("ul", {}, shown.seams.map((line) => h("li", {}, line)))) : null,
        (shown.findings || []).map((f) => h("p", { class: "quiet" }, spoken(f))),
        h("p", { class: "caution" }, "Mind the blade: close or cover a rotary cutter whenever you put it down, cut away from your fingers, and keep cutters and scissors from children."),
      ];
    });
  },
};
