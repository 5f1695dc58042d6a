// Rule: what gave the scale, how sure it is, and setting it anew.

import { h, s, press, field, rebuild, tick } from "./make.js";
import { ask, say } from "./talk.js";
import { fine, length, units } from "./lengths.js";
import { Glass, draggable } from "./glass.js";
import { asReference, askedScale, scaleSentence } from "./scale_words.js";

let asked = null;
let glass = null;
let about = {};
let magnify = 200;
let grid = true;
let corners = null;
let cornerSize = "50x50mm";
let sheetId = "";

const KIND_WORDS = { square: "printed square", mat: "mat's grid", ruler: "ruler", card: "bank card", sheet: "sheet of paper", target: "printed target", density: "stated density", page: "page's own millimetres" };
const worded = (kind, size) => `${KIND_WORDS[kind] || kind}${size ? ` (${size})` : ""}`;

async function know(sheet, page) {
  if (!sheet.about || (about[sheet.id] && about[sheet.id].stamp === sheet.stamp)) return;
  const got = await ask(`/job/${sheet.about}?v=${sheet.stamp}`);
  if (got) {
    about[sheet.id] = { ...got, stamp: sheet.stamp };
    page.again();
  }
}

function drawn(sheet, known) {
  const parts = [];
  const [w, hgt] = sheet.size_mm;
  if (grid) {
    const step = units() === "in" ? 25.4 : 10;
    let d = "";
    for (let x = step; x < w; x += step) d += `M${x} 0V${hgt}`;
    for (let y = step; y < hgt; y += step) d += `M0 ${y}H${w}`;
    parts.push(s("path", { d, class: "fitted-grid" }));
  }
  if (!known) return parts;
  const ring = (o, cls) => o.outline.length > 2 && s("path", { d: `M${o.outline.map((p) => p.join(" ")).join("L")}Z`, class: cls }, s("title", {}, worded(o.kind, o.size)));
  for (const other of known.others) parts.push(ring(other, "other-reference"));
  parts.push(ring(known.reference, "reference"));
  if (!corners) {
    let arrows = "";
    known.reference.points.forEach(([x, y], k) => {
      const [dx, dy] = known.reference.residuals[k];
      arrows += `M${x} ${y}l${dx * magnify} ${dy * magnify}`;
    });
    parts.push(s("path", { d: arrows, class: "residual" }));
    if (known.reference.points.length <= 60) for (const [x, y] of known.reference.points) parts.push(s("circle", { cx: x, cy: y, r: 0.5, class: "read-point" }));
  }
  return parts.filter(Boolean);
}

const CORNER_WORDS = ["top left", "top right", "bottom right", "bottom left"];

function cornerHandles(sheet, loupe, ring) {
  const draw = () => {
    ring.setAttribute("d", `M${corners.map((p) => p.join(" ")).join("L")}Z`);
  };
  draw();
  return corners.map((at, k) => {
    const mark = s("g", { tabindex: "0", role: "button", "data-key": `corner ${k}`, class: "corner", "aria-label": `${CORNER_WORDS[k]} corner of the reference; arrow keys move it` },
      s("circle", { class: "touch", r: 4 }), s("path", { class: "cross" }));
    const place = () => {
      const [x, y] = corners[k];
      mark.querySelector("circle").setAttribute("cx", x);
      mark.querySelector("circle").setAttribute("cy", y);
      mark.querySelector("path").setAttribute("d", `M${x - 3} ${y}h6M${x} ${y - 3}v6`);
      draw();
      loupe(x, y);
    };
    place();
    mark.addEventListener("focus", () => loupe(...corners[k]));
    mark.addEventListener("keydown", (e) => {
      const step = e.shiftKey ? 1 : 0.1;
      const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
      if (!by) return;
      e.preventDefault();
      e.stopPropagation();
      corners[k] = [corners[k][0] + by[0], corners[k][1] + by[1]];
      place();
    });
    let from = null;
    draggable(mark, glass, {
      start: () => { from = [...corners[k]]; },
      move: ([dx, dy]) => { corners[k] = [from[0] + dx, from[1] + dy]; place(); },
      done: () => {},
    });
    return mark;
  });
}

function retrace(state, extra) {
  const traced = state.traced || { files: state.pattern.sheets.map((x) => x.file) };
  const { reference, pointed, ...rest } = traced;
  say("tracing again with this scale");
  ask("/api/trace", { ...rest, ...extra }, { quiet: true }).then((got) => {
    if (got && got.refused && got.refused !== 422) say(got.message, { trouble: true });
  });
}

export const rule = {
  name: "rule",
  word: "Rule",
  sum: (state) => {
    const sheet = state.pattern && state.pattern.sheets[0];
    if (!sheet) return { words: "how large things truly are" };
    const c = sheet.calibration;
    return { done: true, words: `${worded(c.reference, c.reference_size)}, \u00b1 ${c.expanded_uncertainty_mm_per_m.toFixed(2)} mm per metre` };
  },
  leave() {
    if (glass) glass.close();
    glass = null;
    corners = null;
  },
  show(holder, page) {
    const state = page.state;
    asked ??= askedScale(state.traced);
    rebuild(holder, () => {
      if (!state.pattern) return h("p", {}, "Nothing is traced yet. ", press("Go to the tray", () => page.go("tray"), { kind: "plain" }));
      const sheets = state.pattern.sheets;
      const sheet = sheets.find((x) => x.id === sheetId) || sheets[0];
      know(sheet, page);
      const known = about[sheet.id];
      const c = sheet.calibration;
      const next = new Glass({ label: `Sheet ${sheet.id} with what gave its scale`, width: sheet.size_mm[0], height: sheet.size_mm[1], picture: sheet.picture && `/job/${sheet.picture}?v=${sheet.stamp}` }).as(glass);
      if (glass) glass.close();
      glass = next;
      glass.drawing.append(...drawn(sheet, known));
      const loupe = h("div", { class: "loupe", "aria-hidden": "true", hidden: !corners });
      glass.pane.append(loupe);
      if (corners) {
        const ring = s("path", { class: "reference by-hand" });
        glass.drawing.append(ring);
        const near = 24;
        const look = (x, y) => {
          loupe.style.backgroundImage = sheet.picture ? `url("/job/${sheet.picture}?v=${sheet.stamp}")` : "none";
          loupe.style.backgroundSize = `${sheet.size_mm[0] * near}px ${sheet.size_mm[1] * near}px`;
          loupe.style.backgroundPosition = `${80 - x * near}px ${80 - y * near}px`;
        };
        glass.drawing.append(...cornerHandles(sheet, look, ring));
      }
      const byHand = () => {
        const known0 = known && known.reference.points.length === 4 ? known.reference.points : null;
        const [w, hgt] = sheet.size_mm;
        corners = (known0 || [[w / 2 - 25, hgt / 2 - 25], [w / 2 + 25, hgt / 2 - 25], [w / 2 + 25, hgt / 2 + 25], [w / 2 - 25, hgt / 2 + 25]]).map((p) => [...p]);
        page.again();
        const first = document.querySelector('[data-key="corner 0"]');
        if (first) first.focus({ preventScroll: true });
      };
      return h("div", { class: "beside" },
        h("div", {}, glass.element),
        h("div", { class: "ticket" },
          sheets.length > 1 ? h("p", {}, sheets.map((x) => [press(`Sheet ${x.id}`, () => { sheetId = x.id; corners = null; page.again(); }, { kind: x === sheet ? "small on" : "small", "aria-pressed": String(x === sheet) }), " "])) : null,
          h("h3", {}, "How large it is"),
          h("p", {}, `The scale comes from the ${worded(c.reference, c.reference_size)}. One metre is right within \u00b1 ${c.expanded_uncertainty_mm_per_m.toFixed(2)} mm; its points lie within ${fine(c.residual_rms_mm)} of where they should.`),
          c.cross_checks.length
            ? h("table", {}, h("caption", {}, "Measured with it"), h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "also seen"), h("th", { scope: "col" }, "off by"), h("th", { scope: "col" }, "unsure by"))),
              h("tbody", {}, c.cross_checks.map((x) => h("tr", {}, h("th", { scope: "row" }, x.reference), h("td", {}, `${x.difference_percent.toFixed(3)} %`), h("td", {}, `\u00b1 ${x.expanded_uncertainty_percent.toFixed(3)} %`)))))
            : h("p", { class: "quiet" }, "Nothing else of known size was seen to check it by."),
          c.warnings.map((w) => h("p", { class: w.severity === "warning" ? "mind" : "quiet" }, w.message)),
          h("details", { "data-key": "why unsure" }, h("summary", {}, "Why it is not surer"), h("ul", {}, c.budget.map((b) => h("li", {}, `${b.name}: ${(2 * b.standard_uncertainty_mm_per_m).toFixed(3)} mm per metre. ${b.words}`)))),
          h("p", {}, tick(`Lines every ${units() === "in" ? "inch" : "centimetre"}`, grid, (v) => { grid = v; page.again(); }, { key: "grid lines" })),
          known && known.reference.points.length && !corners ? h("p", {}, h("label", { for: "magnify" }, `Misfit drawn ${magnify} times as large `), h("input", { type: "range", id: "magnify", "data-key": "magnify", min: "20", max: "2000", step: "20", value: String(magnify), onchange: (e) => { magnify = Number(e.target.value); page.again(); } })) : null,
          h("h3", {}, "Set it anew"),
          scaleSentence(asked, () => page.again(), "rule"),
          h("p", {}, press("Trace again by it", () => retrace(state, { reference: asReference(asked) }), { key: "retrace", disabled: state.work.state === "working" })),
          corners
            ? [h("p", {}, "Drag the four corners onto those of something with right angles whose size you know; the round window shows the one you hold, much larger. Arrow keys move it by 0.1 mm, with Shift by 1 mm."),
              h("p", {}, field("It is, across by down,", cornerSize, (v) => { cornerSize = v; }, { key: "corner size", oninput: (v) => { cornerSize = v; } })),
              h("p", {}, press("Trace again by these corners", () => { retrace(state, { pointed: { sheet: sheet.id, corners, size: cornerSize } }); corners = null; }, { key: "retrace corners", disabled: state.work.state === "working" }), " ", press("Leave it", () => { corners = null; page.again(); }, { kind: "small" }))]
            : h("p", {}, press("Set its corners yourself", byHand, { key: "by hand", disabled: !sheet.about })),
          h("p", { class: "quiet" }, `This sheet is ${length(sheet.size_mm[0])} wide and ${length(sheet.size_mm[1])} long; one pixel is ${fine(c.mm_per_px)}.`)));
    });
  },
};
