// A change in words, as the history tells it, and a sheet in words.

/** A sheet by its name in the job and by what it was brought in as. */
export const sheetWords = (sheet) => `Sheet ${sheet.id}, ${sheet.source.page ? `page ${sheet.source.page}` : sheet.source.file}`;

/** What a recorded change did, with the names that the pieces have now. */
export function told(change, pattern) {
  const all = [...pattern.pieces, ...(pattern.dropped || [])];
  const name = (id) => (all.find((p) => p.id === id || p.name === id) || { name: id }).name;
  const mark = (word) => {
    const [owner, number] = word.split(".m");
    return /^s\d/.test(owner) ? `mark ${number} beside the pieces` : `mark ${number} of ${name(owner)}`;
  };
  const c = change;
  switch (c.do) {
    case "rename": return `a piece was named ${c.name}`;
    case "cut": return `how ${name(c.piece)} is cut`;
    case "kind": return `${mark(c.mark)} is a ${c.kind}`;
    case "drop": return c.mark ? `${mark(c.mark)} was put aside` : `${name(c.piece)} was put aside`;
    case "restore": return c.mark ? `${mark(c.mark)} was brought back` : `${name(c.piece)} was brought back`;
    case "move": return `point ${c.point} of ${name(c.piece)} was moved`;
    case "bend": return `the edge after point ${c.point} of ${name(c.piece)} was bent`;
    case "add": return `a point was added after point ${c.point} of ${name(c.piece)}`;
    case "remove": return `point ${c.point} of ${name(c.piece)} was taken out`;
    case "join": return c.marks.length > 1 ? `${c.marks.map(mark).join(" and ")} were joined into a piece` : `${mark(c.marks[0])} became a piece`;
    case "follow": return `${name(c.piece)} follows another line`;
    case "draw": return "a line was drawn";
    case "redraw": return `an edge of ${name(c.piece)} was drawn anew`;
    default: return String(c.do);
  }
}
