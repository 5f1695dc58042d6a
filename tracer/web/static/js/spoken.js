// What the library says is worded for the command line in places; here it names what the page has instead.

import { KINDS } from "./scale_words.js";

const REFERENCE = /--reference (\w+)(?:=([^\s,;:]+))?/g;
const kindWords = (kind) => (KINDS.find(([k]) => k === kind) || ["", kind])[1];

/** A message in the page's own words. */
export function spoken(message) {
  return message
    .replace(REFERENCE, (_, kind, size) => `\u201cthe scale comes from ${kindWords(kind)}${size && size !== "SIZE" ? `, ${size}` : ""}\u201d`)
    .replace(/--size-line 1 to (\d+)/, "the size to follow, 1 to $1")
    .replace(/try another --seed, and please/, "search a little longer, and please")
    .replace(/choose the pages with the pieces with --pages/, "tick only the pages with pieces in the tray")
    .replace(/say how much with includes/, "say how much under \u201cthe paper already includes\u201d")
    .replace(/; add --force to replace, or choose --out/, "")
    .replace(/\bin the report\b/, "in the report (under Hand over)");
}

/** What a message proposes as the reference, [{kind, size}]. */
export function proposed(message) {
  const out = [...message.matchAll(REFERENCE)].filter(([, , size]) => size !== "SIZE").map(([, kind, size = ""]) => ({ kind, size }));
  const either = message.match(/it may be (\S+) or (\S+?):/);
  if (either && out.length === 1) return either.slice(1).map((size) => ({ kind: out[0].kind, size }));
  return out;
}
