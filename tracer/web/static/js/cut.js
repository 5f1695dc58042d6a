// Cut: each piece as it will be cut, told in sentences beside a live drawing.

import { h, s, press, choice, field, rebuild, tick } from "./make.js";
import { ask, say } from "./talk.js";
import { fine, length, size } from "./lengths.js";
import { box } from "./paths.js";

let shown = null;
let stamp = "";
let lit = { at: -1, edge: "" };
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

async function keep(at, was, entry, page, words = "") {
  const got = await ask("/api/cut", { at, was, entry }, { quiet: true });
  if (!got) return;
  if (got.refused) {
    say(got.message, { trouble: true });
    if (got.now) shown = got.now;
    drafts.clear();
  } else if (got.error) {
    drafts.set(at, entry);
    errors.set(at, got.error.replace(/^cut list( line \d+)?: /, ""));
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
function madeOf(entry) {
  const piece = pieceOf(entry.from);
  const name = entry.name || (piece && piece.name);
  return shown.made.filter((m) => piece && m.source === piece.id && (m.name === name || m.name.startsWith(`${name} `) || entry.split));
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
    lit = { at, edge };
    for (const path of document.querySelectorAll(`#cut-${at} .edge`)) path.classList.toggle("lit", path.dataset.edge === edge);
  };
  select.addEventListener("focus", () => light(select.value));
  select.addEventListener("input", () => light(select.value));
  select.addEventListener("pointerenter", () => light(select.value));
  select.addEventListener("blur", () => light(""));
  return element;
}

function drawing(entry, at) {
  const piece = pieceOf(entry.from);
  const edges = edgesOf(entry.from);
  const made = madeOf(entry);
  if (!piece || !edges.length) return null;
  const boxes = [...edges.map((e) => box(e.d)), ...made.map((m) => box(m.d))];
  const x = Math.min(...boxes.map((b) => b[0]));
  const y = Math.min(...boxes.map((b) => b[1]));
  const w = Math.max(...boxes.map((b) => b[0] + b[2])) - x;
  const hgt = Math.max(...boxes.map((b) => b[1] + b[3])) - y;
  const m = Math.max(w, hgt) * 0.1;
  const letter = Math.max(w, hgt) / 22;
  return s("svg", { viewBox: `${x - m} ${y - m} ${w + 2 * m} ${hgt + 2 * m}`, class: "cut-drawing", role: "img", "aria-label": made.length ? `${made.map((q) => `${q.name}, ${size(q.width_mm, q.height_mm)}`).join("; ")}; edges ${edges.map(edgeName).join("; ")}` : `edges ${edges.map(edgeName).join("; ")}` },
    made.map((q) => s("path", { d: q.d, class: "as-cut" })),
    made.map((q) => (q.steps.some((t) => t.startsWith("allowance")) ? s("path", { d: q.finished, class: "as-sewn" }) : null)),
    made.map((q) => q.marks.map((d) => s("path", { d, class: "as-marked" }))),
    edges.map((e) => s("path", { d: e.d, class: `edge ${lit.at === at && lit.edge === e.name ? "lit" : ""}`, "data-edge": e.name })),
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

function sizes(entry) {
  return madeOf(entry).map((m) => h("div", { class: "made" },
    h("p", {}, h("strong", {}, m.name), `: cut ${size(m.width_mm, m.height_mm)} \u00b1 ${fine(m.plus_minus_mm)}`, m.steps.some((t) => t.startsWith("allowance")) ? `; sewn ${size(m.finished_size.width_mm, m.finished_size.height_mm)}` : "", `; ${m.count} ${m.count === 1 ? "copy" : "copies"}${m.pair ? ", every second mirrored" : ""}`),
    m.facts.map((f) => h("p", { class: "quiet" }, f))));
}

const text = (v) => (v === undefined ? "" : typeof v === "number" ? `${v}mm` : String(v));

function card(entry0, at, page) {
  const was = shown.entries[at];
  const entry = drafts.get(at) || entry0;
  const edges = edgesOf(entry.from);
  const others = shown.pieces.filter((p) => p.id !== entry.from && p.name !== entry.from);
  const set = (more) => {
    const next = { ...entry, ...more };
    for (const [k, v] of Object.entries(next)) if (v === "" || v === null || v === undefined || (Array.isArray(v) && !v.length)) delete next[k];
    keep(at, was, next, page);
  };
  const allowance = typeof entry.allowance === "object" ? entry.allowance : entry.allowance === undefined ? {} : { all: text(entry.allowance) };
  const setAllowance = (more) => {
    const next = { ...allowance, ...more };
    for (const [k, v] of Object.entries(next)) if (v === "" || v === undefined || (typeof v === "object" && !Object.keys(v).length)) delete next[k];
    set({ allowance: Object.keys(next).length ? next : undefined });
  };
  const ownEdges = Object.entries(allowance.edges || {});
  const trims = Array.isArray(entry.trim) ? entry.trim : entry.trim ? [entry.trim] : [];
  const join = Array.isArray(entry.join) ? entry.join[0] : entry.join;
  const unfold = typeof entry.unfold === "object" ? entry.unfold.edge : entry.unfold;
  const k = `cut ${at}`;
  const called = entry.name || (pieceOf(entry.from) || { name: entry.from }).name;
  return h("li", { class: "cut-card", id: `cut-${at}` },
    h("div", { class: "cut-words" },
      h("h3", {}, called),
      h("p", { class: "sentence" }, field("Cut", String(entry.count ?? (entry.pair ? 2 : 1)), (v) => set({ count: Math.max(1, Math.round(Number(v)) || 1) }), { key: `${k} count` }), ` of ${(pieceOf(entry.from) || { name: entry.from }).name}, `,
        field("called", entry.name || "", (v) => set({ name: v.trim() }), { key: `${k} name` }), ", ",
        field("from", entry.on || "", (v) => set({ on: v.trim() }), { key: `${k} on`, hint: "the cloth" }), ". ",
        tick("Every second one mirrored", Boolean(entry.pair), (v) => set({ pair: v || undefined, count: v ? Math.max(2, entry.count || 2) : entry.count }), { key: `${k} pair` })),
      h("p", { class: "sentence" }, edgeChoice("Unfold it over", unfold, edges, at, (v) => set({ unfold: v }), `${k} unfold`, "nothing: it is whole"), "."),
      h("p", { class: "sentence" }, field("Add for the seams, all round,", text(allowance.all), (v) => setAllowance({ all: v.trim() }), { key: `${k} allowance`, hint: "like 1/4in or 10mm" }), "."),
      h("p", { class: "sentence" }, field("The paper already includes", text(typeof allowance.includes === "object" ? allowance.includes.all : allowance.includes), (v) => setAllowance({ includes: v.trim() }), { key: `${k} includes` }), "."),
      ownEdges.map(([edge, width]) => h("p", { class: "sentence" }, `On edge ${edge} `, field("it is", text(typeof width === "object" ? width.width : width), (v) => {
        const next = { ...allowance.edges };
        if (v.trim()) next[edge] = v.trim();
        else delete next[edge];
        setAllowance({ edges: next });
      }, { key: `${k} edge ${edge}` }), "; empty it for none of its own.")),
      h("p", { class: "sentence" }, edgeChoice("Another width on", "", edges.filter((e) => !ownEdges.some(([n]) => meant(edges, n) === e)), at, (v) => v && setAllowance({ edges: { ...(allowance.edges || {}), [v]: "1in" } }), `${k} more edge`, "no edge"), "."),
      trims.map((t, j) => h("p", { class: "sentence" }, edgeChoice("Take a strip off along", t.edge, edges, at, (v) => set({ trim: v ? trims.map((q, i) => (i === j ? { ...q, edge: v } : q)) : trims.filter((_, i) => i !== j) }), `${k} trim ${j}`), " ",
        field("as wide as", text(t.by), (v) => set({ trim: v.trim() ? trims.map((q, i) => (i === j ? { ...q, by: v.trim() } : q)) : trims.filter((_, i) => i !== j) }), { key: `${k} by ${j}` }), ".")),
      h("details", { "data-key": `${k} more` }, h("summary", {}, "Trim, join, split, keep together"),
        h("p", { class: "sentence" }, edgeChoice("Take a strip off along", "", edges, at, (v) => v && set({ trim: [...trims, { edge: v, by: "3/8in" }] }), `${k} new trim`), "."),
        h("p", { class: "sentence" }, choice("Join to it", join ? join.piece : "", [["", "nothing"], ...others.map((p) => [p.name, p.name])], (v) => set({ join: v ? { piece: v, edge: (edges.find((e) => e.sides.includes("right")) || edges[0]).name, to: (edgesOf(v).find((e) => e.sides.includes("left")) || edgesOf(v)[0]).name } : undefined }), { key: `${k} join` }),
          join ? [" ", edgeChoice("along its edge", join.to, edgesOf(join.piece), at, (v) => v && set({ join: { ...join, to: v } }), `${k} join to`), " ",
            edgeChoice("to the edge", join.edge, edges, at, (v) => v && set({ join: { ...join, edge: v } }), `${k} join edge`), " ",
            field("each losing", text(join.drop), (v) => set({ join: { ...join, drop: v.trim() || undefined } }), { key: `${k} drop` })] : null, "."),
        h("p", { class: "sentence" }, field("Split it from", entry.split ? entry.split.from || "" : "", (v) => set({ split: v.trim() ? { to: "bottom 50%", ...(entry.split || {}), from: v.trim() } : undefined }), { key: `${k} split from`, hint: "a place, like top 40%" }),
          entry.split ? [" ", field("to", entry.split.to || "", (v) => set({ split: { ...entry.split, to: v.trim() } }), { key: `${k} split to` }), " ", field("with on the cut", text(entry.split.allowance), (v) => set({ split: { ...entry.split, allowance: v.trim() || undefined } }), { key: `${k} split with` })] : null, "."),
        h("p", { class: "sentence" }, field("Keep its copies arranged with those that have the word", entry.together || "", (v) => set({ together: v.trim() }), { key: `${k} together` }), "."),
        h("p", { class: "sentence" }, choice("Corners of the allowance are", allowance.corners || "mitred", ["mitred", "squared", "rounded", "trimmed", "mirrored"].map((c) => [c, c]), (v) => setAllowance({ corners: v }), { key: `${k} corners` }), "."),
        h("p", {}, press(`Leave ${called} out of the list`, () => keep(at, was, null, page, `${called} is no longer in the list`), { kind: "small", key: `${k} out` }))),
      errors.get(at) ? h("p", { class: "mind", role: "alert" }, errors.get(at), " ", press("Back to how it was", () => { drafts.delete(at); errors.delete(at); page.again(); }, { kind: "small", key: `${k} back` })) : null,
      sizes(entry)),
    drawing(entry, at));
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
        h("ol", { class: "cut-list" }, shown.entries.map((e, at) => card(e, at, page))),
        h("p", {}, choice("Cut also from", "", [["", "choose a piece"], ...shown.pieces.map((p) => [p.id, p.name + (unused.includes(p) ? "" : " (again)")])], (v) => {
          if (!v) return;
          const piece = shown.pieces.find((p) => p.id === v);
          const again = shown.entries.filter((e) => e.from === piece.name || e.from === piece.id).length;
          keep(shown.entries.length, null, again ? { from: piece.id, name: `${piece.name} ${again + 1}` } : { from: piece.id }, page, `${piece.name} is in the list`);
        }, { key: "cut also" })),
        (shown.findings || []).map((f) => h("p", { class: "quiet" }, f)),
        h("p", { class: "caution" }, "Mind the blade: close or cover a rotary cutter whenever you put it down, cut away from your fingers, and keep cutters and scissors from children."),
      ];
    });
  },
};
