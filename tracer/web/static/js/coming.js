// What is seen while tracing goes on: the sheet from straight above, rough outlines first, then the traced ones.

import { h, s } from "./make.js";

let element = null;
let shown = "";

function words(work) {
  const done = work.pieces.length;
  const rough = work.seen.length;
  if (done) return `Traced so far: ${work.pieces.map((p) => p.name).join(", ")}.`;
  if (rough) return `${rough} ${rough === 1 ? "outline is" : "outlines are"} seen, roughly as yet; which of them are pieces is not settled.`;
  return "The scale is found; now for the pieces.";
}

/** The picture of the work in progress, one element that is kept from view to view; empty while there is nothing. */
export function coming(work) {
  element ??= h("figure", { class: "coming", "aria-live": "off" });
  const busy = work && work.state === "working" && work.task === "trace" && work.sheet;
  element.hidden = !busy;
  const now = busy ? `${work.number} ${work.sheet.id} ${work.seen.length} ${work.pieces.length}` : "";
  if (now === shown) return element;
  if (!shown) setTimeout(() => element.scrollIntoView({ block: "nearest" }));
  shown = now;
  if (!busy) {
    element.replaceChildren();
    return element;
  }
  const [wide, long] = work.sheet.size_mm;
  const here = work.pieces.filter((p) => p.sheet === work.sheet.id);
  const href = `/job/${work.sheet.picture}?of=${work.number}`;
  const drawing = element.querySelector("svg");
  const picture = drawing && drawing.firstChild.getAttribute("href") === href ? drawing.firstChild : s("image", { href, width: wide, height: long, preserveAspectRatio: "none" });
  element.replaceChildren(
    s("svg", { viewBox: `0 0 ${wide} ${long}`, role: "img", "aria-label": words(work), preserveAspectRatio: "xMinYMin meet" }, picture,
      work.seen.map((d) => s("path", { d, class: "rough" })),
      here.map((p) => [s("path", { d: p.outline, class: "casing" }), s("path", { d: p.outline, class: "outline" })])),
    h("figcaption", {}, words(work)));
  return element;
}
