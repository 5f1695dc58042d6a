// Rule: what gave the scale, how sure it is, and setting it anew.

import { h, s, press, field, rebuild, tick } from "./make.js";
import { ask, say } from "./talk.js";
import { fine, length, nudge, perLength, units } from "./lengths.js";
import { Glass } from "./glass.js";
import { handles } from "./pointing.js";
import { asReference, askedScale, scaleSentence } from "./scale_words.js";
import { coming } from "./coming.js";
import { spoken } from "./spoken.js";
import { sheetWords } from "./told.js";

let asked = null;
let askedOf = "";
let glass = null;
const about = {};
let magnify = 200;
let grid = true;
let corners = null;
let cornerSize = "";
let sheetId = "";

const KIND_WORDS = { square: "printed square", mat: "mat\u2019s grid", ruler: "ruler", card: "bank card", sheet: "sheet of paper", target: "printed target", density: "stated density", page: "page\u2019s own millimetres", rectangle: "rectangle set by hand" };
const worded = (kind, size) => `${KIND_WORDS[kind] || kind}${size ? ` (${size})` : ""}`;
const percent = (v) => `${v < 0 ? "\u2212" : "+"}${Math.abs(v).toFixed(3)} %`;

async function know(sheet, page) {
  if (!sheet.about || (about[sheet.id] && about[sheet.id].stamp === sheet.stamp)) return;
  const got = await ask(`/job/${sheet.about}?v=${sheet.stamp}`);
  if (got) {
    about[sheet.id] = { ...got, stamp: sheet.stamp };
    page.again();
  }
}

/** How far apart the drawn lines are, and in which words: a mat's own pitch, else centimetres or inches. */
function pitch(known) {
  const own = known && known.reference.kind === "mat" && known.reference.size.match(/^([\d.]+)(mm|cm|in)$/);
  if (own) return { step: Number(own[1]) * { mm: 1, cm: 10, in: 25.4 }[own[2]], words: `the grid as it is fitted, every ${own[1]} ${own[2]}` };
  return units() === "in" ? { step: 25.4, words: "true inches" } : { step: 10, words: "true centimetres" };
}

/** Lines of true distances over the whole sheet, laid on the reference's own frame where there is one. */
function trueLines(sheet, known) {
  const [w, hgt] = sheet.size_mm;
  const { step } = pitch(known);
  const [[a, b, x0], [c, d, y0]] = (known && known.reference.frame) || [[1, 0, 0], [0, 1, 0]];
  // The sheet's corners in the reference's frame say how far the lines must go.
  const own = [[0, 0], [w, 0], [w, hgt], [0, hgt]].map(([x, y]) => [a * (x - x0) + c * (y - y0), b * (x - x0) + d * (y - y0)]);
  const range = (k) => [Math.floor(Math.min(...own.map((p) => p[k])) / step) * step, Math.ceil(Math.max(...own.map((p) => p[k])) / step) * step];
  const [u0, u1] = range(0);
  const [v0, v1] = range(1);
  let lines = "";
  for (let u = u0; u <= u1 + 1e-6; u += step) lines += `M${u} ${v0}V${v1}`;
  for (let v = v0; v <= v1 + 1e-6; v += step) lines += `M${u0} ${v}H${u1}`;
  return [s("clipPath", { id: "sheet-edge" }, s("rect", { width: w, height: hgt })),
    s("g", { "clip-path": "url(#sheet-edge)" }, s("path", { d: lines, class: "fitted-grid", transform: `matrix(${a} ${c} ${b} ${d} ${x0} ${y0})` }))];
}

function drawn(sheet, known) {
  const parts = grid ? trueLines(sheet, known) : [];
  if (!known) return parts;
  const ring = (o, cls) => o.outline.length > 2 && s("path", { d: `M${o.outline.map((p) => p.join(" ")).join("L")}Z`, class: cls }, s("title", {}, worded(o.kind, o.size)));
  for (const other of known.others) parts.push(ring(other, "other-reference"));
  parts.push(ring(known.reference, "reference"));
  if (!corners && known.reference.kind !== "page") {
    let arrows = "";
    let dots = "";
    known.reference.points.forEach(([x, y], k) => {
      const [dx, dy] = known.reference.residuals[k];
      arrows += `M${x} ${y}l${dx * magnify} ${dy * magnify}`;
      dots += `M${x} ${y}h0`;
    });
    parts.push(s("path", { d: dots, class: "read-point" }), s("path", { d: arrows, class: "residual" }));
  }
  return parts.filter(Boolean);
}

function retrace(state, sheet, own) {
  const traced = state.traced || { files: [...new Set(state.pattern.sheets.map((x) => x.source.file))] };
  const others = (traced.own || []).filter((o) => o.file !== sheet.source.file || (o.page ?? null) !== (sheet.source.page ?? null));
  say("tracing again with this scale");
  ask("/api/trace", { ...traced, own: [...others, { file: sheet.source.file, page: sheet.source.page ?? null, ...own }] }, { quiet: true }).then((got) => {
    if (got && got.refused && got.refused !== 422) say(got.message, { trouble: true });
  });
}

/** What was asked for this sheet, else for all of them. */
function askedFor(state, sheet) {
  const own = ((state.traced && state.traced.own) || []).find((o) => o.file === sheet.source.file && (o.page ?? null) === (sheet.source.page ?? null));
  return askedScale(own && own.reference !== undefined ? own : state.traced);
}

function checks(c) {
  if (!c.cross_checks.length) return h("p", { class: "quiet" }, "Nothing else of known size was seen to check it by.");
  return h("table", {}, h("caption", {}, "What else of known size says"),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "also seen"), h("th", { scope: "col" }, "off by"), h("th", { scope: "col" }, "unsure by"))),
    h("tbody", {}, c.cross_checks.map((x) => h("tr", { class: Math.abs(x.difference_percent) > x.expanded_uncertainty_percent ? "mind" : "" },
      h("th", { scope: "row" }, x.reference), h("td", {}, percent(x.difference_percent)), h("td", {}, `\u00b1 ${x.expanded_uncertainty_percent.toFixed(3)} %`)))));
}

/** How large the drawn misfits are, so that a long arrow frightens nobody. */
function misfit(known, page) {
  if (!known || !known.reference.points.length || corners) return null;
  const worst = Math.max(...known.reference.residuals.map(([x, y]) => Math.hypot(x, y)));
  return h("p", {}, h("label", { for: "magnify" }, `The misfit of each point is drawn ${magnify} times as large; the worst is ${fine(worst)}. `),
    h("input", { type: "range", id: "magnify", "data-key": "magnify", min: "20", max: "2000", step: "20", value: String(magnify), onchange: (e) => { magnify = Number(e.target.value); page.again(); } }));
}

function byHand(sheet, known, page) {
  const four = known && known.reference.points.length === 4 ? known.reference.points : null;
  const [w, hgt] = sheet.size_mm;
  cornerSize ||= units() === "in" ? "2x2in" : "50x50mm";
  corners = (four || [[w / 2 - 25, hgt / 2 - 25], [w / 2 + 25, hgt / 2 - 25], [w / 2 + 25, hgt / 2 + 25], [w / 2 - 25, hgt / 2 + 25]]).map((p) => [...p]);
  if (four && known.reference.kind === "square") cornerSize = `${known.reference.size}x${known.reference.size}`.replace(/^(.*?)(mm|cm|in)x(.*?)(mm|cm|in)$/, "$1x$3$4");
  page.again();
  const first = document.querySelector('[data-key="corner 0"]');
  if (first) first.focus({ preventScroll: true });
}

function anew(state, sheet, known, page) {
  const busy = state.work.state === "working";
  if (sheet.calibration.reference === "page") return null;
  return [h("h3", {}, "Set it anew"),
    scaleSentence(asked, () => page.again(), "rule"),
    h("p", {}, press("Trace again by it", () => retrace(state, sheet, { reference: asReference(asked) }), { key: "retrace", disabled: busy })),
    corners
      ? [h("p", {}, "Drag the four corners onto those of something with right angles whose size you know; the round window shows the one you hold, much larger."),
        h("p", {}, field("It is, across by down,", cornerSize, (v) => { cornerSize = v; }, { key: "corner size", oninput: (v) => { cornerSize = v; } })),
        h("p", {}, press("Trace again by these corners", () => { retrace(state, sheet, { pointed: { sheet: sheet.id, corners, size: cornerSize } }); corners = null; page.again(); }, { key: "retrace corners", disabled: busy }), " ", press("Never mind", () => { corners = null; page.again(); }, { kind: "small" }))]
      : h("p", {}, press("Set its corners yourself", () => byHand(sheet, known, page), { key: "by hand", disabled: !sheet.about }))];
}

export const rule = {
  name: "rule",
  word: "Rule",
  sum: (state) => {
    const sheets = state.pattern ? state.pattern.sheets : [];
    if (!sheets.length) return { words: "how large things truly are" };
    const said = sheets.map(({ calibration: c }) => c.reference === "page" ? worded("page", "") : `${worded(c.reference, c.reference_size)}, \u00b1 ${perLength(c.expanded_uncertainty_mm_per_m).doubt} per ${perLength(0).of}`);
    return { done: true, words: [...new Set(said)].join("; ") };
  },
  leave() {
    if (glass) glass.close();
    glass = null;
    corners = null;
  },
  show(holder, page) {
    const state = page.state;
    rebuild(holder, () => {
      if (!state.pattern) return h("p", {}, "Nothing is traced yet. ", press("Go to the tray", () => page.go("tray"), { kind: "plain" }));
      const sheets = state.pattern.sheets;
      const sheet = sheets.find((x) => x.id === sheetId) || sheets[0];
      sheetId = sheet.id;
      if (askedOf !== `${sheet.id} ${sheet.stamp}`) {
        asked = askedFor(state, sheet);
        askedOf = `${sheet.id} ${sheet.stamp}`;
      }
      const c = sheet.calibration;
      const drawnPage = c.reference === "page";
      const known = about[sheet.id];
      know(sheet, page);
      const picture = sheet.picture && `/job/${sheet.picture}?v=${sheet.stamp}`;
      const next = new Glass({ label: `Sheet ${sheet.id}`, width: sheet.size_mm[0], height: sheet.size_mm[1], picture }).as(glass);
      if (glass) glass.close();
      glass = next;
      glass.drawing.append(...drawn(sheet, known));
      if (corners) handles(glass, corners, { picture, width: sheet.size_mm[0], height: sheet.size_mm[1], fine: nudge().small, words: nudge().words });
      return h("div", { class: "beside" },
        h("div", { class: "stays" },
          sheets.length > 1 ? h("p", { class: "over-glass" }, sheets.map((x) => [press(sheetWords(x), () => { sheetId = x.id; corners = null; page.again(); }, { kind: x === sheet ? "small on" : "small", "aria-pressed": String(x === sheet), title: `${x.source.file}${x.source.page ? `, page ${x.source.page}` : ""}` }), " "])) : null,
          glass.element,
          h("p", { class: "key" }, drawnPage ? null : h("span", {}, h("i", { class: "key-reference" }), "what gives the scale"), known && known.others.length ? h("span", {}, h("i", { class: "key-other" }), "what checks it") : null,
            grid ? h("span", {}, h("i", { class: "key-grid" }), pitch(known).words) : null, drawnPage ? null : h("span", {}, h("i", { class: "key-misfit" }), "misfit, enlarged")),
          coming(state.work)),
        h("div", { class: "ticket" },
          h("h3", {}, "How large it is"),
          drawnPage ? h("p", {}, "This page is a drawing that says itself how large it is, to about a thousandth of a millimetre in a metre. What a printer makes of it is another matter: lay a ruler on its test square.") : h("p", {}, `The scale comes from the ${worded(c.reference, c.reference_size)}. One ${perLength(0).of} is right within \u00b1 ${perLength(c.expanded_uncertainty_mm_per_m).doubt}; its points lie within ${fine(c.residual_rms_mm)} of where they should.`),
          drawnPage ? null : checks(c),
          c.warnings.map((w) => h("p", { class: w.severity === "warning" ? "mind" : "quiet" }, spoken(w.message))),
          drawnPage ? null : h("details", { "data-key": "why unsure" }, h("summary", {}, "Why it is not surer"), h("ul", {}, c.budget.map((b) => h("li", {}, `${b.name}: \u00b1 ${perLength(2 * b.standard_uncertainty_mm_per_m).doubt} per ${perLength(0).of}. ${b.words}`)))),
          h("p", {}, tick(`Draw ${pitch(known).words}`, grid, (v) => { grid = v; page.again(); }, { key: "grid lines" })),
          drawnPage ? null : misfit(known, page),
          state.work.state === "refused" && state.work.task === "trace" ? h("p", { class: "mind" }, spoken(state.work.words)) : null,
          anew(state, sheet, known, page),
          h("p", { class: "quiet" }, `${sheet.source.file}${sheet.source.page ? `, page ${sheet.source.page}` : ""}: ${length(sheet.size_mm[0])} wide and ${length(sheet.size_mm[1])} long; one pixel is ${fine(c.mm_per_px)}.`)));
    });
  },
};
