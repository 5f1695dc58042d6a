// The sentence that says where the scale comes from; the tray and the rule both ask it.

import { choice, field, h } from "./make.js";

export const KINDS = [
  ["", "whatever is found"],
  ["square", "a printed test square"],
  ["ruler", "a ruler or tape"],
  ["mat", "a cutting mat's grid"],
  ["card", "a bank card"],
  ["sheet", "a sheet of paper"],
  ["target", "the printed target"],
  ["dpi", "a stated density"],
];
const SIZED = { square: ["of side", "50mm"], mat: ["with lines every", "1in"], sheet: ["of size", "A4"], dpi: ["in pixels per inch", "300"] };

/** What was asked for last, as {kind, size}. */
export function askedScale(traced) {
  const [kind, size = ""] = ((traced && traced.reference) || "").split("=");
  return { kind, size };
}

export const asReference = ({ kind, size }) => (kind ? `${kind}${size && SIZED[kind] ? `=${size}` : ""}` : "");

/** The sentence; `asked` is changed in place and `changed` called. */
export function scaleSentence(asked, changed, key) {
  const sized = SIZED[asked.kind];
  return h("p", { class: "sentence" },
    choice("The scale comes from", asked.kind, KINDS, (v) => {
      asked.kind = v;
      asked.size = SIZED[v] ? SIZED[v][1] : "";
      changed();
    }, { key: `${key} kind` }),
    sized ? [" ", field(sized[0], asked.size, (v) => { asked.size = v.trim(); changed(); }, { key: `${key} size`, oninput: (v) => { asked.size = v.trim(); } })] : null,
    ".");
}
