// Tray: papers are put down here, and chosen for tracing.

import { h, press, choice, field, rebuild, freshId, tick } from "./make.js";
import { ask, bring, say } from "./talk.js";
import { asReference, askedScale, scaleSentence } from "./scale_words.js";
import { coming } from "./coming.js";
import { proposed, spoken } from "./spoken.js";
import * as pointing from "./pointing.js";

const chosen = new Map();
let asked = null;
let coming1 = [];
const options = { line: "centre", size_line: "", words: true, fit: "0.1mm", tolerance: "" };

const pageKey = (file, page) => `${file} ${page ?? 1}`;

async function take(files, page) {
  for (const file of files) {
    coming1.push(file.name);
    say(`bringing in ${file.name}`);
    page.again();
    const got = await bring(file);
    coming1 = coming1.filter((n) => n !== file.name);
    if (got) {
      got.pages.forEach((p) => { if (!chosen.has(pageKey(got.file, p.page))) chosen.set(pageKey(got.file, p.page), got.pages.length === 1); });
      say(got.pages.length === 1 ? `${got.file} lies in the tray` : `${got.file} has ${got.pages.length} pages; choose those to trace`);
    }
    page.again();
  }
}

function paper(entry, p, page) {
  const key = pageKey(entry.file, p.page);
  const id = freshId("paper");
  const words = entry.pages.length > 1 ? `page ${p.page}` : `${entry.file}${p.page ? `, page ${p.page}` : ""}`;
  const box = h("input", { type: "checkbox", id, checked: chosen.get(key) ?? false, "data-key": `choose ${key}`, onchange: (e) => { chosen.set(key, e.target.checked); page.again(); } });
  return h("li", { class: "paper" },
    h("label", { for: id },
      h("img", { src: `/job/inbox-pages/${encodeURIComponent(p.thumbnail)}`, alt: "" }),
      h("span", {}, box, h("span", { class: "name" }, words)),
      h("small", {}, p.drawn ? "a drawing with its own millimetres" : `${p.width_px} \u00d7 ${p.height_px} pixels${p.density ? `, says ${p.density} per inch` : ""}`)));
}

function chosenPages(state) {
  const files = [];
  const pages = {};
  const pictures = [];
  for (const entry of state.tray) {
    const on = entry.pages.filter((p) => chosen.get(pageKey(entry.file, p.page)));
    if (!on.length) continue;
    files.push(entry.file);
    pictures.push(...on.filter((p) => !p.drawn).map((p) => ({ file: entry.file, page: p.page })));
    if (entry.pages.length > 1) pages[entry.file] = on.map((p) => p.page).filter(Boolean).sort((a, b) => a - b).join(",");
  }
  return { files, pages, pictures };
}

/** Begin tracing what is chosen; `own` says what gives the scale of single pictures. */
async function go(state, page, own = []) {
  const { files, pages } = chosenPages(state);
  if (!files.length) {
    say("choose at least one paper in the tray", { trouble: true });
    return;
  }
  say("tracing begins");
  const request = { files, pages, reference: asReference(asked), line: options.line, words: options.words, fit: options.fit, tolerance: options.tolerance, own };
  if (options.size_line) request.size_line = Number(options.size_line);
  // Refusals are told when the state that ends the work comes in.
  ask("/api/trace", request, { quiet: true }).then((got) => {
    if (got && got.refused === 409) say(got.message, { trouble: true });
  });
  page.again();
}

/** Why the last tracing came to nothing, and the ways out of it. */
function refusal(state, page) {
  const { work } = state;
  if (work.state !== "refused" || work.task !== "trace") return null;
  const { pictures } = chosenPages(state);
  return h("div", { class: "mind refusal" },
    h("p", {}, spoken(work.words)),
    h("p", {}, proposed(work.words).map(({ kind, size }) => [press(`Take it for ${size || kind}`, () => {
      asked.kind = kind;
      asked.size = size;
      go(state, page);
    }, { kind: "small", key: `take for ${kind} ${size}` }), " "]),
    pictures.length === 1 ? press("Point at something of known size in the picture", () => pointing.begin(pictures[0], page), { kind: "small", key: "point at it" }) : null));
}

const howTo = () => h("p", { class: "quiet" }, "Lay a ruler, a gridded mat, a bank card or a printed test square beside the paper, flat and in the same plane, and photograph it from straight above. Nothing of the kind at hand? Print a target on ",
  h("a", { href: "/api/target?paper=A4", download: "target-A4.pdf", "data-key": "target A4" }, "A4"), " or ", h("a", { href: "/api/target?paper=Letter", download: "target-Letter.pdf", "data-key": "target Letter" }, "Letter"), " paper at 100 % and measure its line.");

// One element for good: a chooser that is open must still have its field when the view is rebuilt behind it.
let pick = null;
const picker = (page) => {
  pick ??= h("input", { type: "file", id: "pick", multiple: true, class: "unseen", tabindex: "-1", "aria-hidden": "true", accept: "image/*,.heic,.tif,.tiff,.pdf,.svg,.dxf", onchange: (e) => { take([...e.target.files], page); e.target.value = ""; } });
  return pick;
};

export const tray = {
  name: "tray",
  word: "Tray",
  sum: (state) => ({
    done: state.tray.length > 0,
    words: state.tray.length ? state.tray.map((e) => e.file).join(", ") : "put down photos, scans or PDFs",
  }),
  leave: () => pointing.leave(),
  show(holder, page) {
    const state = page.state;
    asked ??= askedScale(state.traced);
    if (state.traced && chosen.size === 0) {
      const on = (file, p) => !state.traced.pages || !state.traced.pages[file] || String(state.traced.pages[file]).split(",").includes(String(p));
      for (const f of state.traced.files) state.tray.filter((e) => e.file === f).forEach((e) => e.pages.forEach((p) => chosen.set(pageKey(f, p.page), on(f, p.page))));
    }
    const busy = state.work.state === "working";
    rebuild(holder, () => {
      const basket = h("div", { class: `basket ${state.tray.length ? "used" : ""}`, id: "basket",
        ondragover: (e) => { e.preventDefault(); basket.classList.add("over"); },
        ondragleave: () => basket.classList.remove("over"),
        ondrop: (e) => { e.preventDefault(); basket.classList.remove("over"); take([...e.dataTransfer.files], page); } },
        h("p", {}, state.tray.length ? "Drop more papers here, or " : "Drop papers here, or ", press("look for them", () => picker(page).click(), { kind: "plain", key: "look for papers" }), "."), picker(page));
      const { files, pictures } = chosenPages(state);
      const many = (entry) => entry.pages.length > 1;
      return [
        basket,
        coming1.length ? h("p", { class: "quiet" }, `Looking at ${coming1.join(", ")}\u2026`) : null,
        h("div", { class: state.tray.length ? "tray-table" : "" },
          h("div", {}, coming(state.work), h("div", { class: "bundles" }, state.tray.map((entry) => h("section", { class: `bundle ${many(entry) ? "many" : state.tray.length === 1 && !busy ? "alone" : ""}`, "aria-label": entry.file },
          many(entry) ? h("h3", {}, entry.file) : null,
          h("ul", { class: "papers" }, entry.pages.map((p) => paper(entry, p, page))),
          entry.more ? h("p", { class: "quiet" }, entry.more) : null,
          h("p", {},
            many(entry) ? [press("All its pages", () => { entry.pages.forEach((p) => chosen.set(pageKey(entry.file, p.page), true)); page.again(); }, { kind: "small", key: `all of ${entry.file}` }), " ",
              press("None", () => { entry.pages.forEach((p) => chosen.set(pageKey(entry.file, p.page), false)); page.again(); }, { kind: "small", key: `none of ${entry.file}`, "aria-label": `None of ${entry.file}` }), " "] : null,
            press("Take it out of the tray", () => { entry.pages.forEach((p) => chosen.delete(pageKey(entry.file, p.page))); ask("/api/put-back", { file: entry.file }); }, { kind: "small", key: `out ${entry.file}`, "aria-label": `Take it out of the tray: ${entry.file}` }))))), busy ? null : howTo()),
        state.tray.length
          ? h("div", { class: "ticket" },
            h("h3", {}, "What gives the scale"),
            scaleSentence(asked, () => page.again(), "tray"),
            h("p", { class: "sentence" },
              choice("Of a drawn line take", options.line, [["centre", "the middle"], ["outer", "the outer side"], ["inner", "the inner side"]], (v) => { options.line = v; }, { key: "line side" }), "."),
            h("details", { "data-key": "tray more" }, h("summary", {}, "Nested sizes, closeness, words"),
              h("p", { class: "sentence" }, field("Where sizes are nested, the size counted from the smallest", options.size_line, (v) => { options.size_line = v.replace(/\D/g, ""); }, { key: "size line" }), "."),
              h("p", { class: "sentence" }, field("The curves stay as near to the line as", options.fit, (v) => { options.fit = v.trim() || "0.1mm"; }, { key: "fit" }), "."),
              h("p", { class: "sentence" }, field("What gives the scale is itself right within", options.tolerance, (v) => { options.tolerance = v.trim(); }, { key: "reference tolerance", hint: "like 0.1mm or 0.1%; empty: what is usual for its kind" }), "."),
              h("p", {}, tick("Read the words on the pieces", options.words, (v) => { options.words = v; }, { key: "read words" }))),
            h("p", {}, press("Trace them", () => go(state, page), { kind: "main", key: "trace them", disabled: !files.length || busy }), " ",
              pictures.length === 1 && !pointing.at() ? press("Point at what gives the scale", () => pointing.begin(pictures[0], page), { kind: "small", key: "point first", disabled: busy }) : null),
            state.pattern ? h("p", { class: "quiet" }, "Tracing again keeps your corrections where they still fit; the tracing before is kept as pattern-earlier.json.") : null,
            busy ? null : refusal(state, page))
          : null),
        pointing.view(page, (picture, corners_px, size) => go(state, page, [{ ...picture, pointed: { corners_px, size } }]), busy),
      ];
    });
  },
};
