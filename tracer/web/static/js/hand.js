// Hand over: files for whoever cuts, prints or projects, each measured again at once.

import { h, press, choice, rebuild, tick } from "./make.js";
import { ask, say } from "./talk.js";
import { fine } from "./lengths.js";

const wish = { what: "pieces", kinds: new Set(["svg", "pdf"]), paper: "", projector: false, outlines_only: false, each: false, cutting_sheet: true, dxf_version: "R2000", dxf_layers: "plain" };
const KINDS = [["svg", "SVG, for cutting machines and drawing"], ["dxf", "DXF, for plotters and pattern cutting"], ["pdf", "PDF, to print or project"], ["png", "PNG, a picture at 300 per inch"]];

/** What is asked of one kind of file alone. */
const OWN = {
  pdf: (set) => [choice("Also print-at-home pages on", wish.paper, [["", "no paper"], ...["A4", "A3", "Letter", "Legal", "Tabloid"].map((p) => [p, p])], set("paper"), { key: "paper" }), " ", tick("One with thick lines for a projector", wish.projector, set("projector"), { key: "projector" })],
  dxf: (set) => [choice("Its form:", wish.dxf_version, [["R2000", "release 2000, true curves"], ["R12", "release 12, short straight lines"]], set("dxf_version"), { key: "dxf" }), h("br"), choice("its layers:", wish.dxf_layers, [["plain", "named in words"], ["numbers", "numbered (ASTM D6673)"]], set("dxf_layers"), { key: "dxf layers" })],
};

function write(page) {
  say("writing the files");
  ask("/api/write", { ...wish, kinds: [...wish.kinds] }, { quiet: true }).then((got) => {
    if (got && got.refused === 409) say(got.message, { trouble: true });
  });
  page.again();
}

function row(file) {
  const check = file.check;
  const state = file.outdated ? "older than the job: write it again" : !check ? "not measured" : check.state === "true" ? `true: ${check.pieces.length} ${check.pieces.length === 1 ? "outline" : "outlines"} measured again, the farthest ${fine(check.worst_mm)} from the job` : check.state === "wrong" ? `not right: ${check.words}` : check.words;
  const cls = file.outdated || (check && check.state === "wrong") ? "mind" : "";
  return h("tr", {}, h("th", { scope: "row" }, h("a", { href: `/job/files/${encodeURIComponent(file.name)}?download=1`, download: file.name }, file.name)),
    h("td", {}, `${Math.max(1, Math.round(file.bytes / 1000))} kB`),
    h("td", {}, h("span", { class: cls }, state), check && check.pieces.length ? h("details", { "data-key": `check ${file.name}` }, h("summary", {}, "piece by piece"), h("ul", {}, check.pieces.map((p) => h("li", {}, `${p.name}: ${(100 * p.scale).toFixed(3)} % of its size, ${fine(p.worst_mm)} off at worst`)))) : null));
}

export const hand = {
  name: "hand",
  word: "Hand over",
  sum: (state) => ({ done: state.files.length > 0, words: state.files.length ? `${state.files.length} ${state.files.length === 1 ? "file" : "files"}${state.files.some((f) => f.outdated) ? ", some older than the job" : ""}` : "files for cutter, printer, projector" }),
  show(holder, page) {
    const state = page.state;
    const set = (k) => (v) => { wish[k] = v; page.again(); };
    rebuild(holder, () => {
      if (!state.pattern) return h("p", {}, "Nothing is traced yet. ", press("Go to the tray", () => page.go("tray"), { kind: "plain" }));
      return [
        h("div", { class: "to-write" }, h("div", { class: "ticket" },
          h("p", { class: "sentence" }, choice("Write", wish.what, [["pieces", state.cut.made ? "the pieces as cut" : "the pieces as traced"], ["lay", "the lay"]], set("what"), { key: "what" }), " as:"),
          h("fieldset", { class: "kinds" }, h("legend", { class: "unseen" }, "Kinds of file"), KINDS.map(([k, words]) => [
            tick(words, wish.kinds.has(k), (on) => { if (on) wish.kinds.add(k); else wish.kinds.delete(k); page.again(); }, { key: `kind ${k}` }),
            OWN[k] && wish.kinds.has(k) ? h("div", { class: "own" }, OWN[k](set)) : null])),
          h("fieldset", { class: "kinds" }, h("legend", { class: "unseen" }, "What is in them"),
            wish.what === "pieces" ? tick("One file a piece", wish.each, set("each"), { key: "each" }) : null,
            tick("Only cutting lines", wish.outlines_only, set("outlines_only"), { key: "only lines" }),
            tick("The cutting sheet too", wish.cutting_sheet, set("cutting_sheet"), { key: "cutting sheet" })),
          h("p", {}, press("Write and measure them", () => write(page), { kind: "main", key: "write", disabled: state.work.state === "working" || (!wish.kinds.size && !wish.cutting_sheet) }))),
        h("div", {}, state.files.length
          ? h("table", { class: "files" }, h("caption", {}, "Written files"), h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "file"), h("th", { scope: "col" }, "size"), h("th", { scope: "col" }, "measured again"))), h("tbody", {}, state.files.map(row)))
          : h("p", { class: "quiet" }, "No file is written yet."),
        h("ul", { class: "answers" }, state.documents.map((d) => h("li", {}, h("a", { href: `/job/${d.name}`, target: "_blank", rel: "noopener" }, d.words === "report" ? "The report: what was traced, and how exact it is" : "The cut report: each step in words")))))),
        h("p", { class: "caution" }, "Before cloth: print or cut one piece of paper at 100 %, lay a ruler on it, and only then cut. Keep hands clear of a moving cutting head; pins out of its way."),
      ];
    });
  },
};
