// Marks: what is drawn on the pieces and beside them; shown by kind, chosen on the sheet or in a list, mended.

import { h, s, press, choice, tick } from "./make.js";
import { change, say } from "./talk.js";

export const MARK_KINDS = ["stitching line", "fold line", "grain line", "notch", "circle", "dot", "cross", "dart", "internal line", "text", "table", "frame", "test square", "tile mark", "reference", "mat grid", "outline", "unknown"];

const SPOTS = new Set(["circle", "dot", "cross", "notch"]);

/** Which kinds are hidden, which mark is chosen, and the line that another is to be joined to. */
export const marked = { hidden: new Set(["text", "mat grid", "tile mark"]), chosen: "", joining: "" };

const isClosed = (mark) => Boolean(mark.path) && /z\s*$/i.test(mark.path);
const endsMeet = (mark) => {
  const numbers = (mark.path.match(/-?[\d.]+(?:e-?\d+)?/gi) || []).map(Number);
  const [x, y] = numbers.slice(-2);
  return isClosed(mark) || Math.hypot(numbers[0] - x, numbers[1] - y) < 0.01;
};

/** Every mark of a sheet and of its pieces: [{name, mark, owner}]. */
export function marksOf(sheet, pieces) {
  const owners = [[sheet.id, "beside the pieces", sheet.marks], ...pieces.map((p) => [p.id, `on ${p.name}`, p.marks])];
  return owners.flatMap(([owner, where, list]) => list.map((mark, k) => ({ name: `${owner}.m${k + 1}`, number: k + 1, mark, owner, where })));
}

const inWords = (m) => `${m.mark.kind}${m.mark.text ? ` \u201c${m.mark.text.slice(0, 40)}\u201d` : ""} ${m.where}`;

function joinTo(first, second, page) {
  change({ do: "join", marks: [first, second] }).then((ok) => {
    if (ok) {
      marked.joining = "";
      marked.chosen = "";
      say("joined into a new piece; the gap is bridged by a straight line");
    }
  });
  page.again();
}

export function choose(m, page) {
  if (marked.joining && marked.joining !== m.name && m.mark.path && !isClosed(m.mark)) {
    joinTo(marked.joining, m.name, page);
    return;
  }
  marked.chosen = marked.chosen === m.name ? "" : m.name;
  page.again();
  const shown = document.querySelector(".mark-ticket");
  if (shown) shown.scrollIntoView({ block: "nearest" });
}

/** The marks drawn on the sheet, each under a broad unseen line to be clicked. */
export function drawMarks(all) {
  const shown = all.filter((m) => !m.mark.dropped && !marked.hidden.has(m.mark.kind) && (m.mark.path || m.mark.at));
  return s("g", { class: "marks" }, shown.map((m) => {
    const shape = m.mark.path ? { d: m.mark.path } : { cx: m.mark.at[0], cy: m.mark.at[1], r: 1.2 };
    const tag = m.mark.path ? "path" : "circle";
    const cls = `mark ${SPOTS.has(m.mark.kind) ? "spot" : ""} ${marked.chosen === m.name ? "chosen" : ""} ${marked.joining === m.name ? "joining" : ""}`;
    return [s(tag, { ...shape, class: cls, "data-shape": m.name }), s(tag, { ...shape, class: "mark-touch", "data-mark": m.name }, s("title", {}, inWords(m)))];
  }));
}

const FEW = 60;
const looked = new Set();

/** At the first look at a sheet, kinds of which there are very many beside the pieces are hidden. */
export function firstLook(sheet) {
  const of = `${sheet.id} ${sheet.stamp}`;
  if (looked.has(of)) return;
  looked.add(of);
  const counts = {};
  for (const mark of sheet.marks) counts[mark.kind] = (counts[mark.kind] || 0) + 1;
  for (const [kind, count] of Object.entries(counts)) if (count > FEW) marked.hidden.add(kind);
}

/** Ticks for every kind that there is on the sheet. */
export function kindTicks(all, page) {
  const counts = new Map();
  for (const m of all) if (!m.mark.dropped) counts.set(m.mark.kind, (counts.get(m.mark.kind) || 0) + 1);
  if (!counts.size) return null;
  return h("fieldset", { class: "kinds-shown" }, h("legend", {}, "Marks shown"),
    [...counts].sort().map(([kind, count]) => [tick(`${kind} (${count})`, !marked.hidden.has(kind), (on) => {
      if (on) marked.hidden.delete(kind);
      else marked.hidden.add(kind);
      page.again();
    }, { key: `kind ${kind}` }), " "]));
}

/** What can be done with the chosen mark. */
export function markTicket(all, piece, page) {
  const m = all.find((x) => x.name === marked.chosen);
  if (!m) return null;
  const { name, mark } = m;
  // The box around words is no line that an outline could follow.
  const line = mark.path && mark.kind !== "text";
  const open = line && !isClosed(mark);
  return h("div", { class: "mark-ticket" },
    h("h3", {}, `A mark ${m.where}`),
    h("p", { class: "sentence" }, choice("It is a", mark.kind, MARK_KINDS.map((x) => [x, x]), (kind) => change({ do: "kind", mark: name, kind }), { key: "mark kind" }), mark.text ? `, and says \u201c${mark.text}\u201d.` : "."),
    h("p", {},
      press(mark.dropped ? "Bring it back" : "Put it aside", () => change({ do: mark.dropped ? "restore" : "drop", mark: name }).then((ok) => ok && say(mark.dropped ? "the mark is back" : "the mark is put aside")), { kind: "small", key: "mark aside" }), " ",
      line && endsMeet(mark) && piece && m.owner === piece.id ? [press(`Let the outline of ${piece.name} follow it`, () => change({ do: "follow", piece: piece.id, mark: name }), { kind: "small", key: "follow mark" }), " "] : null,
      line ? [press(endsMeet(mark) ? "Make it a piece" : "Close it into a piece", () => change({ do: "join", marks: [name] }).then((ok) => { if (ok) { marked.chosen = ""; say("it is a piece now; it hangs at the end of the rail"); } }), { kind: "small", key: "mark to piece" }), " "] : null,
      open ? press(marked.joining === name ? "Join it to nothing" : "Join it to another line", () => {
        marked.joining = marked.joining === name ? "" : name;
        if (marked.joining) say("choose the other line on the sheet or in the list; the gap between them is bridged");
        page.again();
      }, { kind: "small", key: "join mark", "aria-pressed": String(marked.joining === name) }) : null, " ",
      press("Done with it", () => { marked.chosen = ""; marked.joining = ""; page.again(); }, { kind: "small", key: "unchoose mark" })));
}

/** The marks of one owner as a list to choose from. */
export function markList(all, owner, words, page) {
  const own = all.filter((m) => m.owner === owner);
  if (!own.length) return null;
  const light = (m, on) => {
    const shape = document.querySelector(`[data-shape="${CSS.escape(m.name)}"]`);
    if (shape) shape.classList.toggle("lit", on);
  };
  return h("details", { "data-key": `marks ${owner}` }, h("summary", {}, `${words} (${own.length})`),
    h("ul", { class: "marks-list" }, own.map((m) => h("li", {}, h("button", {
      type: "button", class: `plain ${m.mark.dropped ? "aside" : ""}`, "data-key": `choose ${m.name}`, "aria-pressed": String(marked.chosen === m.name),
      onclick: () => choose(m, page), onpointerenter: () => light(m, true), onpointerleave: () => light(m, false), onfocus: () => light(m, true), onblur: () => light(m, false),
    }, `${m.number}. ${m.mark.kind}${m.mark.text ? ` \u201c${m.mark.text.slice(0, 40)}\u201d` : ""}${m.mark.dropped ? " (put aside)" : ""}`)))));
}
