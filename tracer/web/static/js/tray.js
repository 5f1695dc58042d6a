// Tray: papers are put down here, and chosen for tracing.

import { h, press, choice, field, rebuild, freshId } from "./make.js";
import { ask, bring, say } from "./talk.js";
import { asReference, askedScale, scaleSentence } from "./scale_words.js";

const chosen = new Map();
let asked = null;
let options = { line: "centre", size_line: "" };

const pageKey = (file, page) => `${file} ${page ?? 1}`;

async function take(files, page) {
  for (const file of files) {
    say(`bringing in ${file.name}`);
    const got = await bring(file);
    if (got) {
      got.pages.forEach((p) => chosen.set(pageKey(got.file, p.page), got.pages.length === 1));
      say(got.pages.length === 1 ? `${got.file} lies in the tray` : `${got.file} has ${got.pages.length} pages; choose those to trace`);
    }
  }
  page.again();
}

function paper(entry, p, page) {
  const key = pageKey(entry.file, p.page);
  const id = freshId("paper");
  const words = `${entry.file}${p.page ? `, page ${p.page}` : ""}`;
  return h("li", { class: "paper" },
    h("input", { type: "checkbox", id, checked: chosen.get(key) ?? false, "data-key": `choose ${key}`, onchange: (e) => { chosen.set(key, e.target.checked); page.again(); } }),
    h("label", { for: id },
      h("img", { src: `/job/inbox-pages/${encodeURIComponent(p.thumbnail)}`, alt: "" }),
      h("span", {}, words),
      h("small", {}, p.drawn ? "a drawing with its own millimetres" : `${p.width_px} \u00d7 ${p.height_px} pixels${p.density ? `, says ${p.density} per inch` : ""}`)));
}

function ready(state) {
  const files = [];
  const pages = [];
  for (const entry of state.tray) {
    const on = entry.pages.filter((p) => chosen.get(pageKey(entry.file, p.page)));
    if (!on.length) continue;
    files.push(entry.file);
    if (entry.pages.length > 1) pages.push(...on.map((p) => p.page).filter(Boolean));
  }
  return { files, pages: [...new Set(pages)].sort((a, b) => a - b).join(",") };
}

async function go(state, page) {
  const { files, pages } = ready(state);
  if (!files.length) {
    say("choose at least one paper in the tray", { trouble: true });
    return;
  }
  say("tracing begins");
  const request = { files, pages, reference: asReference(asked), line: options.line };
  if (options.size_line) request.size_line = Number(options.size_line);
  // Refusals are told when the state that ends the work comes in.
  ask("/api/trace", request, { quiet: true }).then((got) => {
    if (got && got.refused === 409) say(got.message, { trouble: true });
  });
  page.again();
}

export const tray = {
  name: "tray",
  word: "Tray",
  sum: (state) => ({
    done: state.tray.length > 0,
    words: state.tray.length ? state.tray.map((e) => e.file).join(", ") : "put down photos, scans or PDFs",
  }),
  show(holder, page) {
    const state = page.state;
    asked ??= askedScale(state.traced);
    if (state.traced && chosen.size === 0) state.traced.files.forEach((f) => state.tray.filter((e) => e.file === f).forEach((e) => e.pages.forEach((p) => chosen.set(pageKey(f, p.page), true))));
    rebuild(holder, () => {
      const pick = h("input", { type: "file", id: "pick", multiple: true, class: "unseen", tabindex: "-1", "aria-hidden": "true", accept: "image/*,.heic,.tif,.tiff,.pdf,.svg,.dxf", onchange: (e) => { take([...e.target.files], page); e.target.value = ""; } });
      const basket = h("div", { class: "basket", id: "basket",
        ondragover: (e) => { e.preventDefault(); basket.classList.add("over"); },
        ondragleave: () => basket.classList.remove("over"),
        ondrop: (e) => { e.preventDefault(); basket.classList.remove("over"); take([...e.dataTransfer.files], page); } },
        h("p", {}, "Drop papers here, or ", press("look for them", () => pick.click(), { kind: "plain", key: "look for papers" }), "."), pick);
      const { files } = ready(state);
      return [
        basket,
        state.tray.length ? h("ul", { class: "papers" }, state.tray.map((entry) => entry.pages.map((p) => paper(entry, p, page)))) : null,
        state.tray.length ? h("p", {}, state.tray.map((e) => [press(`Put ${e.file} back`, () => { e.pages.forEach((p) => chosen.delete(pageKey(e.file, p.page))); ask("/api/put-back", { file: e.file }); }, { kind: "small" }), " "])) : null,
        h("div", { class: "say-what" },
          scaleSentence(asked, () => page.again(), "tray"),
          h("p", { class: "sentence" },
            choice("Of a drawn line take", options.line, [["centre", "the middle"], ["outer", "the outer side"], ["inner", "the inner side"]], (v) => { options.line = v; }, { key: "line side" }),
            ". ",
            field("Where sizes are nested, the size counted from the smallest", options.size_line, (v) => { options.size_line = v.replace(/\D/g, ""); }, { key: "size line" }), "."),
          h("p", {}, press("Trace them", () => go(state, page), { kind: "main", key: "trace them", disabled: !files.length || state.work.state === "working" }),
            state.pattern ? h("span", { class: "quiet" }, " Tracing again keeps your corrections where they still fit; the tracing before is kept as pattern-earlier.json.") : null)),
        h("p", { class: "quiet" }, "Lay a ruler, a gridded mat, a bank card or a printed test square beside the paper, flat and in the same plane, and photograph it from straight above."),
      ];
    });
  },
};
