// Path data as the job keeps it: M, L, C and Z, absolute, in millimetres.

/** The points of a closed path: [{x, y, after: null | [x1, y1, x2, y2]}], handles belong to the stretch after a point. */
export function points(data) {
  const tokens = data.match(/[MLCZ]|-?[\d.]+(?:e-?\d+)?/gi) || [];
  const nodes = [];
  let i = 0;
  let command = "";
  const number = () => Number(tokens[i++]);
  while (i < tokens.length) {
    if (/[A-Z]/i.test(tokens[i])) command = tokens[i++];
    if (command === "Z" || command === "z") continue;
    if (command === "C") {
      const handles = [number(), number(), number(), number()];
      nodes[nodes.length - 1].after = handles;
    }
    nodes.push({ x: number(), y: number(), after: null });
    if (command === "M") command = "L";
  }
  const last = nodes[nodes.length - 1];
  const first = nodes[0];
  if (nodes.length > 1 && Math.hypot(last.x - first.x, last.y - first.y) < 1e-6) nodes.pop();
  return nodes;
}

/** Path data of points. */
export function data(nodes) {
  const parts = [`M ${nodes[0].x} ${nodes[0].y}`];
  nodes.forEach((node, k) => {
    const next = nodes[(k + 1) % nodes.length];
    if (node.after) parts.push(`C ${node.after.join(" ")} ${next.x} ${next.y}`);
    else if (k < nodes.length - 1) parts.push(`L ${next.x} ${next.y}`);
  });
  return `${parts.join(" ")} Z`;
}

/** The points with one moved; the handles beside it go along, as the record of the change does it. */
export function moved(nodes, k, x, y) {
  const out = nodes.map((n) => ({ ...n, after: n.after && [...n.after] }));
  const dx = x - out[k].x;
  const dy = y - out[k].y;
  out[k].x = x;
  out[k].y = y;
  if (out[k].after) {
    out[k].after[0] += dx;
    out[k].after[1] += dy;
  }
  const before = out[(k + out.length - 1) % out.length];
  if (before.after) {
    before.after[2] += dx;
    before.after[3] += dy;
  }
  return out;
}

/** The point in the middle of the stretch after a point. */
export function middle(nodes, k) {
  const a = nodes[k];
  const b = nodes[(k + 1) % nodes.length];
  if (!a.after) return [(a.x + b.x) / 2, (a.y + b.y) / 2];
  const [x1, y1, x2, y2] = a.after;
  return [(a.x + 3 * x1 + 3 * x2 + b.x) / 8, (a.y + 3 * y1 + 3 * y2 + b.y) / 8];
}

/** A box around path data, from its points and handles: [x, y, width, height]. */
export function box(text) {
  const numbers = (text.match(/-?[\d.]+(?:e-?\d+)?/gi) || []).map(Number);
  const xs = numbers.filter((_, k) => k % 2 === 0);
  const ys = numbers.filter((_, k) => k % 2 === 1);
  const x = Math.min(...xs);
  const y = Math.min(...ys);
  return [x, y, Math.max(...xs) - x, Math.max(...ys) - y];
}

/** A box with some room around it, as a viewBox. */
export function viewBox(text, room = 0.06) {
  const [x, y, w, hgt] = box(text);
  const m = Math.max(w, hgt) * room;
  return `${x - m} ${y - m} ${w + 2 * m} ${hgt + 2 * m}`;
}
