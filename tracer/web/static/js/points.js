// Points of an outline: moved by hand or by key, settled on the picture's own line, added, taken out, drawn anew.

import { h, s, press, field, tick } from "./make.js";
import { ask, change, say } from "./talk.js";
import { nudge, plain, typed, units } from "./lengths.js";
import { data, middle, moved, points } from "./paths.js";
import { draggable } from "./glass.js";
import { view } from "./trace.js";

let settle = true;
let waiting = null;
let drawGlass = null;

const REACH_PX = 14;

async function place(piece, k, x, y, { snap }) {
  let to = [x, y];
  let words = "moved";
  if (snap) {
    const mmPerPx = drawGlass && drawGlass.scale ? 1 / drawGlass.scale : 0.1;
    const found = await ask("/api/snap", { piece: piece.id, point: k + 1, to, reach: Math.min(5, Math.max(0.6, REACH_PX * mmPerPx)) }, { quiet: true });
    if (found && found.found) {
      to = found.at;
      words = "settled on the line";
    } else words = "moved; no line was seen near it";
  }
  const ok = await change({ do: "move", piece: piece.id, point: k + 1, to: to.map((v) => Math.round(v * 1e4) / 1e4) });
  if (ok) say(`point ${k + 1} ${words}`);
}

/** Draw the points of a piece on the glass, each movable. */
export function drawPoints(glass, piece, page) {
  drawGlass = glass;
  const nodes = points(piece.outline);
  if (view.point > nodes.length) view.point = nodes.length;
  const live = s("path", { class: "live", d: "" });
  glass.drawing.append(live);
  const marks = nodes.map((node, k) => {
    const mark = s("g", { class: `point ${k + 1 === view.point ? "at" : ""}`, tabindex: k + 1 === view.point ? "0" : "-1", role: "button", "data-key": `point ${k + 1}`, "aria-label": `point ${k + 1} of ${nodes.length} of ${piece.name}; arrow keys move it, Page Down goes to the next, Enter settles it, Delete takes it out` },
      s("circle", { cx: node.x, cy: node.y, class: "touch" }), s("circle", { cx: node.x, cy: node.y, class: "dot" }));
    const put = (x, y) => {
      for (const c of mark.querySelectorAll("circle")) {
        c.setAttribute("cx", x);
        c.setAttribute("cy", y);
      }
      live.setAttribute("d", data(moved(nodes, k, x, y)));
    };
    const choose = () => {
      if (view.point === k + 1) return;
      view.point = k + 1;
      marks.forEach((m, j) => {
        m.setAttribute("tabindex", j === k ? "0" : "-1");
        m.classList.toggle("at", j === k);
      });
      const shown = document.getElementById("point-now");
      if (shown) shown.replaceWith(pointLine(piece, page));
      for (const old of glass.drawing.querySelectorAll(".bow")) old.remove();
      marks[0].before(...bows(glass, piece, nodes, live));
      glass.tellRest();
    };
    mark.addEventListener("focus", choose);
    let at = [node.x, node.y];
    const flush = () => {
      clearTimeout(waiting);
      waiting = null;
      if (at[0] !== node.x || at[1] !== node.y) place(piece, k, at[0], at[1], { snap: false });
    };
    mark.addEventListener("blur", () => waiting && flush());
    mark.addEventListener("keydown", (e) => {
      const step = e.shiftKey ? nudge().large : nudge().small;
      const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
      if (by) {
        at = [at[0] + by[0], at[1] + by[1]];
        put(...at);
        clearTimeout(waiting);
        waiting = setTimeout(flush, 700);
      } else if (e.key === "PageDown" || e.key === "PageUp") {
        const j = (k + (e.key === "PageDown" ? 1 : nodes.length - 1)) % nodes.length;
        marks[j].focus({ preventScroll: true });
      } else if (e.key === "Home") marks[0].focus({ preventScroll: true });
      else if (e.key === "End") marks[nodes.length - 1].focus({ preventScroll: true });
      else if (e.key === "Delete") change({ do: "remove", piece: piece.id, point: k + 1 }).then((ok) => ok && say(`point ${k + 1} taken out`));
      else if (e.key === "Enter") {
        clearTimeout(waiting);
        waiting = null;
        place(piece, k, at[0], at[1], { snap: true });
      } else return;
      e.preventDefault();
      e.stopPropagation();
    });
    draggable(mark, glass, {
      start: () => {
        if (view.pen && view.pen.kind === "stretch") {
          drawing.endAt(piece, k + 1, page);
          return false;
        }
        choose();
        return true;
      },
      move: ([dx, dy]) => put(node.x + dx, node.y + dy),
      done: (by) => {
        if (!by) put(node.x, node.y);
        else place(piece, k, node.x + by[0], node.y + by[1], { snap: settle });
      },
    });
    return mark;
  });
  glass.drawing.append(...bows(glass, piece, nodes, live), ...marks);
  glass.onrest((mmPerPx) => {
    for (const c of glass.drawing.querySelectorAll(".point .dot")) c.setAttribute("r", 5 * mmPerPx);
    for (const c of glass.drawing.querySelectorAll(".point .touch")) c.setAttribute("r", 12 * mmPerPx);
    for (const b of glass.drawing.querySelectorAll(".bow")) {
      const [x, y, r] = [Number(b.dataset.x), Number(b.dataset.y), 5 * mmPerPx];
      b.querySelector(".dot").setAttribute("d", `M${x} ${y - r}L${x + r} ${y}L${x} ${y + r}L${x - r} ${y}Z`);
      b.querySelector(".touch").setAttribute("r", 11 * mmPerPx);
      // On an edge that is short on the screen it would lie under the points.
      b.classList.toggle("crowded", Number(b.dataset.half) < 16 * mmPerPx);
    }
  });
}

/** Draw what the pen has set so far. */
export function drawPen(glass, piece) {
  if (!view.pen) return;
  const start = view.pen.kind === "stretch" && piece ? [points(piece.outline)[view.pen.from - 1]].map((n) => [n.x, n.y]) : [];
  const set = [...start, ...view.pen.points];
  if (!set.length) return;
  glass.drawing.append(s("path", { class: "live", d: `M${set.map((p) => p.join(" ")).join("L")}` }),
    s("path", { class: "pen-dots", d: set.map(([x, y]) => `M${x} ${y}h0`).join("") }));
}

/** The handles of an edge whose middle is pulled by (dx, dy). */
function pulled(nodes, k, dx, dy) {
  const a = nodes[k];
  const b = nodes[(k + 1) % nodes.length];
  const [x1, y1, x2, y2] = a.after || [a.x + (b.x - a.x) / 3, a.y + (b.y - a.y) / 3, b.x + (a.x - b.x) / 3, b.y + (a.y - b.y) / 3];
  // The middle of a cubic moves by three quarters of what both handles move by.
  return [[x1 + (dx * 4) / 3, y1 + (dy * 4) / 3], [x2 + (dx * 4) / 3, y2 + (dy * 4) / 3]];
}

/** Handles in the middle of the two edges at the chosen point: pulled, they bend the edge. */
function bows(glass, piece, nodes, live) {
  const k = view.point - 1;
  return [...new Set([k, (k + nodes.length - 1) % nodes.length])].map((j) => {
    const [x, y] = middle(nodes, j);
    const mark = s("g", { class: "bow", tabindex: "0", role: "button", "data-x": x, "data-y": y, "data-half": Math.hypot(x - nodes[j].x, y - nodes[j].y), "data-key": `bow ${j + 1}`, "aria-label": `the middle of the edge after point ${j + 1} of ${piece.name}; arrow keys bend the edge` },
      s("circle", { class: "touch", cx: x, cy: y }), s("path", { class: "dot" }));
    const draw = (dx, dy) => {
      mark.setAttribute("transform", `translate(${dx} ${dy})`);
      const [[x1, y1], [x2, y2]] = pulled(nodes, j, dx, dy);
      live.setAttribute("d", data(nodes.map((n, i) => (i === j ? { ...n, after: [x1, y1, x2, y2] } : n))));
    };
    const keep = (dx, dy) => {
      const handles = pulled(nodes, j, dx, dy).map((p) => p.map((v) => Math.round(v * 1e4) / 1e4));
      change({ do: "bend", piece: piece.id, point: j + 1, handles }).then((ok) => ok && say(`the edge after point ${j + 1} is bent`));
    };
    let at = [0, 0];
    const flush = () => {
      clearTimeout(waiting);
      waiting = null;
      if (at[0] || at[1]) keep(...at);
      at = [0, 0];
    };
    mark.addEventListener("blur", () => waiting && flush());
    mark.addEventListener("keydown", (e) => {
      const step = e.shiftKey ? nudge().large : nudge().small;
      const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
      if (!by) return;
      e.preventDefault();
      e.stopPropagation();
      at = [at[0] + by[0], at[1] + by[1]];
      draw(...at);
      clearTimeout(waiting);
      waiting = setTimeout(flush, 700);
    });
    draggable(mark, glass, { move: (by) => draw(...by), done: (by) => (by ? keep(...by) : draw(0, 0)) });
    return mark;
  });
}

function pointLine(piece, page) {
  const nodes = points(piece.outline);
  const k = Math.min(view.point, nodes.length) - 1;
  const node = nodes[k];
  const go = (x, y) => Number.isFinite(x) && Number.isFinite(y) && place(piece, k, x, y, { snap: false });
  return h("div", { id: "point-now" },
    h("p", { class: "sentence" }, `Point ${k + 1} of ${nodes.length} lies at `,
      field(`across, ${units()}`, plain(node.x), (v) => go(typed(v), node.y), { key: "point x" }), " ",
      field(`down, ${units()}`, plain(node.y), (v) => go(node.x, typed(v)), { key: "point y" }), "."),
    h("p", {},
      press("Settle it on the line", () => place(piece, k, node.x, node.y, { snap: true }), { kind: "small", key: "settle" }), " ",
      press("Add a point after it", () => change({ do: "add", piece: piece.id, point: k + 1 }).then((ok) => { if (ok) { view.point = k + 2; say("a point was added"); } }), { kind: "small", key: "add point" }), " ",
      press("Take it out", () => change({ do: "remove", piece: piece.id, point: k + 1 }), { kind: "small", key: "remove point" }), " ",
      press(view.pen && view.pen.kind === "stretch" ? "Stop drawing" : "Draw the edge after it anew", () => drawing.stretch(piece, k + 1, page), { kind: "small", key: "redraw", "aria-pressed": String(Boolean(view.pen && view.pen.kind === "stretch")) })),
    view.pen && view.pen.kind === "stretch" ? drawing.controls(page, piece) : null);
}

/** The controls of a piece's points. */
export function pointControls(piece, page) {
  return h("div", { class: "points" },
    h("p", { class: "quiet" }, `Drag a point on the sheet; drag the diamond in the middle of an edge to bend it. On the keyboard: Page Up and Page Down go from point to point, arrow keys move one by ${nudge().words[0]}, with Shift by ${nudge().words[1]}.`),
    h("p", {}, tick("A dragged point settles on the picture\u2019s own line", settle, (v) => { settle = v; }, { key: "settle always" })),
    pointLine(piece, page));
}

/** Drawing with the pen: a free line on the sheet, or a stretch of an outline from one of its points to another. */
export const drawing = {
  line(owner, page) {
    view.pen = view.pen && view.pen.kind === "line" ? null : { kind: "line", owner, points: [], smooth: false };
    page.again();
  },
  stretch(piece, from, page) {
    view.pen = view.pen ? null : { kind: "stretch", piece: piece.id, from, points: [], smooth: false };
    if (view.pen) say("click along the line, then the point at which the edge ends");
    page.again();
  },
  add(at, page) {
    view.pen.points.push(at.map((v) => Math.round(v * 1000) / 1000));
    page.again();
  },
  endAt(piece, until, page) {
    const { from, points: through, smooth } = view.pen;
    view.pen = null;
    change({ do: "redraw", piece: piece.id, point: from, until, points: through, smooth }).then((ok) => ok && say("the edge is drawn anew"));
    page.again();
  },
  controls(page, piece) {
    const pen = view.pen;
    const count = piece ? points(piece.outline).length : 0;
    let typedPoint = "";
    return h("div", { class: "pen" },
      h("p", {}, `${pen.points.length} ${pen.points.length === 1 ? "point is" : "points are"} set. Click on the sheet to set the next, or type it: `,
        field(`across, down (${units()})`, "", (v) => {
          typedPoint = v.split(/[;\s]+|,\s+/).map(typed);
          if (typedPoint.length === 2 && typedPoint.every(Number.isFinite)) drawing.add(typedPoint, page);
        }, { key: "pen point" })),
      h("p", {}, press("Take the last one out", () => { pen.points.pop(); page.again(); }, { kind: "small", key: "pen back", disabled: !pen.points.length }), " ",
        tick("Smooth through them", pen.smooth, (v) => { pen.smooth = v; }, { key: "pen smooth" })),
      h("p", {},
        piece
          ? [field("it ends at point", String((pen.from % count) + 1), (v) => { pen.until = Number(v); }, { key: "pen until" }), " ",
            press("Draw it", () => drawing.endAt(piece, pen.until || (pen.from % count) + 1, page), { kind: "small", key: "pen done" })]
          : press("Keep the line", () => {
            const { owner, points: through, smooth } = pen;
            view.pen = null;
            change({ do: "draw", on: owner, points: through, smooth }).then((ok) => ok && say("the line is kept among the marks of the sheet"));
            page.again();
          }, { kind: "small", key: "pen done", disabled: pen.points.length < 2 })));
  },
};
