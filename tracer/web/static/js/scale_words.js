// The sentence that says where the scale comes from; the tray and the rule both ask it.

import { choice, field, h } from "./make.js";
import { units, withUnit } from "./lengths.js";

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

/** Kinds whose size must be said: in which words, and what is usual. */
const usual = () => ({ square: ["of side", units() === "in" ? "1in" : "50mm"], mat: ["with lines every", "1in"], sheet: ["of size", "A4"], dpi: ["in pixels per inch", "300"] });

/** What was asked for last, as {kind, size}. */
export function askedScale(traced) {
  const [kind, size = ""] = ((traced && traced.reference) || "").split("=");
  return { kind, size };
}

const isLength = (kind) => kind === "square" || kind === "mat";

export const asReference = ({ kind, size }) => (kind ? `${kind}${size && usual()[kind] ? `=${isLength(kind) ? withUnit(size) : size}` : ""}` : "");

/** The sentence; `asked` is changed in place and `changed` called. */
export function scaleSentence(asked, changed, key) {
  const sized = usual()[asked.kind];
  return h("p", { class: "sentence" },
    choice("The scale comes from", asked.kind, KINDS, (v) => {
      asked.kind = v;
      asked.size = usual()[v] ? usual()[v][1] : "";
      changed();
    }, { key: `${key} kind` }),
    sized ? [" ", field(sized[0], asked.size, (v) => { asked.size = isLength(asked.kind) ? withUnit(v) : v.trim(); changed(); }, { key: `${key} size`, oninput: (v) => { asked.size = v.trim(); } })] : null,
    ".");
}
