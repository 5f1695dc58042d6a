// Lengths as people read and write them: millimetres, or inches with the nearest thirty-second.

let unit = localStorage.getItem("units") || "mm";
export const units = () => unit;
export function setUnits(to) {
  unit = to === "in" ? "in" : "mm";
  localStorage.setItem("units", unit);
}

function fraction(inches) {
  let parts = Math.round(Math.abs(inches) * 32);
  let below = 32;
  const whole = Math.floor(parts / 32);
  parts %= 32;
  while (parts && parts % 2 === 0) {
    parts /= 2;
    below /= 2;
  }
  const sign = inches < 0 ? "\u2212" : "";
  if (!parts) return `${sign}${whole}`;
  return `${sign}${whole ? `${whole} ` : ""}${parts}/${below}`;
}

/** A length in the chosen unit. */
export function length(mm, decimals = 1) {
  return unit === "in" ? `${fraction(mm / 25.4)} in` : `${mm.toFixed(decimals)} mm`;
}

/** A small length: a doubt or a difference, where a fraction of an inch would say nothing. */
export function fine(mm) {
  if (mm < (unit === "in" ? 0.00254 : 0.001)) return unit === "in" ? "less than 0.0001 in" : "less than 0.001 mm";
  return unit === "in" ? `${(mm / 25.4).toFixed(4)} in` : `${mm.toFixed(mm < 0.1 ? 3 : 2)} mm`;
}

/** A doubt that grows with the length: of a metre, or of a yard. */
export const perLength = (mmPerM) => (unit === "in" ? { of: "yard", doubt: `${((mmPerM * 0.9144) / 25.4).toFixed(4)} in` } : { of: "metre", doubt: `${mmPerM.toFixed(2)} mm` });

/** How nearly something is right. */
export const within = (mm) => (mm < (unit === "in" ? 0.00254 : 0.001) ? (unit === "in" ? "a ten-thousandth of an inch" : "a thousandth of a millimetre") : `\u00b1 ${fine(mm)}`);

/** How far an arrow key moves a point, alone and with Shift: {small, large} in mm, and in words. */
export const nudge = () => (unit === "in" ? { small: 0.127, large: 1.27, words: ["0.005 in", "0.05 in"] } : { small: 0.1, large: 1, words: ["0.1 mm", "1 mm"] });

/** How far one moves a piece on the table. */
export const stride = () => (unit === "in" ? { small: 25.4 / 32, large: 6.35, words: ["1/32 in", "1/4 in"] } : { small: 1, large: 10, words: ["1 mm", "10 mm"] });

/** Width by height. */
export const size = (w, hgt) => `${length(w).replace(/ (mm|in)$/, "")} \u00d7 ${length(hgt)}`;

/** A number of millimetres in the chosen unit, for a field. */
export const plain = (mm) => (unit === "in" ? (mm / 25.4).toFixed(4) : mm.toFixed(2));

/** What a number typed in a field means in millimetres; NaN when it is none. */
export function typed(text) {
  const value = Number(String(text).replace(",", ".").trim());
  return unit === "in" ? value * 25.4 : value;
}

/** What was typed as a length, with the chosen unit where it names none; "10" and "1 1/2" are numbers without a unit. */
export const withUnit = (text) => (/^[\d\s.,/x\u00d7]*\d$/.test(text.trim()) ? `${text.trim().replace(",", ".")}${unit}` : text.trim());

/** Words of the library with their millimetres in the chosen unit; what is said per metre stays. */
export const inUnits = (text) => (unit === "in" ? text.replace(/(\d+(?:\.\d+)?) mm(?! per)/g, (_, n) => (Number(n) < 1 ? fine(Number(n)) : length(Number(n)))) : text);
