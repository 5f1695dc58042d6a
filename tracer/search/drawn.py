"""Drawn pieces: closed cutting lines in the line work of a sheet.

The steps: small marks and solid spots are set aside; what is left is thinned to a graph; spurs are cut, gaps bridged;
every block of loops has an outermost loop; of these, the pieces are those that are no frame, no table and no small
mark. Distances are in millimetres on the sheet unless the name says pixels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.hands import share_out
from tracer.ink import Ink
from tracer.search.blobs import Blob, find_solids
from tracer.search.creases import shading_edges
from tracer.search.dashes import in_line, part_at_bends
from tracer.search.gaps import SPUR_MM, bridge_gaps, prune_spurs, without_edges
from tracer.search.graph import LineGraph, Points, build_graph, measure_lines, thin
from tracer.search.loops import Face, find_blocks, find_faces, outer_loop, untangled
from tracer.search.marks_text import ON_DASHES, TextBlock, find_text
from tracer.search.ragged import without_ragged_ends
from tracer.search.raster import apart
from tracer.search.side_by_side import seem_nested

LEAST_SIDE_MM, LEAST_WIDTH_MM, LEAST_AREA_MM2 = 15.0, 9.0, 110.0
"""Closed loops smaller than this are marks (common practice, no source)."""
GLYPH_MM = 9.0
"""Ink that hangs together and is smaller than this is text or a small mark, unless it is a dash."""
DISPLAY_MM = 45.0
"""Display letters are no larger (common practice, no source)."""
WIDEST_LINE_MM = 1.6
"""Wider lines are measured as this wide (common practice, no source)."""
LEAST_DASH_MM = 1.5
"""Shorter strokes may be a part of a letter (common practice, no source)."""
_LETTER_MM = 5.5
_CURLED = 1.45
"""A letter's stroke is longer than this share of its box's diagonal; a dash round a corner is not (geometry)."""


@dataclass(slots=True, eq=False)
class Loop:
    """The outermost loop of a block of line work, in pixels of the mask."""

    points: Points
    steps: tuple[tuple[int, bool], ...]
    block: tuple[int, ...]
    faces: list[Face]
    area: float
    box: tuple[float, float, float, float]
    inside_of: int = -1
    holds: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineWork:
    """Everything the search read from the ink: the graph, its loops and what was set aside."""

    ink: Ink
    graph: LineGraph
    loops: list[Loop]
    small: NDArray[np.int32]
    """Small marks, shape (N, 6): x, y, width, height, area in pixels of the mask, 1 for what may be a dash, 2 for
    what hangs on one (:data:`tracer.search.marks_text.ON_DASHES`)."""
    solids: NDArray[np.uint8]
    """Mask of solid spots."""
    foreign: list[Points] = field(default_factory=list)
    """Lines that are no part of the drawing, pixels of the mask."""
    texts: list[TextBlock] = field(default_factory=list)
    flatten: Callable[[Points], Points] | None = None
    blobs: list[Blob] = field(default_factory=list)
    """Compact solid spots on or beside lines."""
    shading: list[Points] = field(default_factory=list)
    """Creases and other soft lines of the paper, pixels of the mask."""
    bundled: bool = False
    """Whether it was read as lines that run together to broad bands."""

    def flat(self, points: Points) -> Points:
        """Return points as seen from straight above: a rectangle on a tilted photo is one again."""
        return points if self.flatten is None else self.flatten(points)


def read_line_work(
    ink: Ink,
    excluded: NDArray[np.uint8] | None = None,
    find_foreign: Callable[[LineGraph], set[int]] | None = None,
    flatten: Callable[[Points], Points] | None = None,
    *,
    bundled: bool | None = False,
) -> LineWork:
    """Turn ink into a graph with its loops.

    Parameters
    ----------
    ink : Ink
    excluded : ndarray of uint8, optional
        Non-zero where nothing is to be read (references, cut-out pieces).
    find_foreign : callable, optional
        Returns the edges of the graph that are no part of the drawing (the grid of a mat).
    flatten : callable, optional
        Takes points of the mask to where they lie seen from straight above, in pixels of the mask's usual scale.
    bundled : bool or None
        Lines run together to broad bands (nested sizes): what is solid may be such a band and is thinned with the rest.
        None tells by whether most lines have others that run along them.
    """
    scale = ink.mm_per_px
    mask = ink.mask.copy()
    if excluded is not None:
        mask[excluded > 0] = 0
    mask, small, texts, letters = _set_small_aside(mask, scale)
    blobs: list[Blob] = []
    solids = np.zeros_like(mask)
    graph: LineGraph | None
    if bundled is None:
        # All lines of a grid have others along them. What is solid, and the lines without it, are most often wanted,
        # whatever the lines tell: all is found side by side.
        steps: list[Callable[[], Any]] = [lambda: _without_solids(mask, scale), lambda: build_graph(thin(mask))]
        apart_from_solids, all_lines = share_out(lambda step: step(), steps)
        bundled = find_foreign is None and seem_nested(all_lines.edges, scale)
        if bundled:
            graph = all_lines
        else:
            solids, blobs, graph = apart_from_solids
            graph = graph or all_lines
    elif bundled:
        graph = build_graph(thin(mask))
    else:
        solids, blobs, graph = _without_solids(mask, scale)
        graph = graph or build_graph(thin(mask))
    mask[solids > 0] = 0
    measure_lines(graph, ink.dark, WIDEST_LINE_MM / scale)
    graph = prune_spurs(graph, SPUR_MM / scale)
    foreign: list[Points] = []
    if find_foreign is not None:
        gone = find_foreign(graph)
        foreign = [graph.edges[i].points for i in gone]
        graph = prune_spurs(without_edges(graph, gone), SPUR_MM / scale)
    shading: list[Points] = []
    shaded = shading_edges(graph, ink.dark, scale)
    if shaded:
        shading = [graph.edges[i].points for i in sorted(shaded)]
        graph = prune_spurs(without_edges(graph, shaded), SPUR_MM / scale)
    covered = cv2.dilate(cv2.bitwise_and(ink.mask, cv2.bitwise_not(mask)), np.ones((3, 3), np.uint8))
    for cut in without_ragged_ends(graph, solids):
        cv2.polylines(covered, [np.rint(cut).astype(np.int32)], isClosed=False, color=255, thickness=3)
    graph, bends = part_at_bends(graph, ink.dark, scale, WIDEST_LINE_MM / scale)
    graph = bridge_gaps(graph, scale, np.asarray(covered, dtype=np.uint8), letters, blobs, bends)
    return LineWork(
        ink=ink,
        graph=graph,
        loops=find_loops(graph, scale),
        small=small,
        solids=solids,
        blobs=blobs,
        foreign=foreign,
        shading=shading,
        texts=texts,
        flatten=flatten,
        bundled=bool(bundled),
    )


def _without_solids(mask: NDArray[np.uint8], scale: float) -> tuple[NDArray[np.uint8], list[Blob], LineGraph | None]:
    """Return what is solid, its blobs, and the graph of the lines without it; None where nothing is."""
    solids, blobs = find_solids(mask, scale)
    if not solids.any():
        return solids, blobs, None
    rest = mask.copy()
    rest[solids > 0] = 0
    return solids, blobs, build_graph(thin(rest))


def _set_small_aside(
    mask: NDArray[np.uint8], scale: float
) -> tuple[NDArray[np.uint8], NDArray[np.int32], list[TextBlock], NDArray[np.uint8]]:
    """Take text glyphs and specks out of the mask; dashes and letters of thin strokes stay.

    Also returns the small marks, the blocks of text and a mask of what seem to be letters.
    """
    labels, stats = apart(mask)
    if len(stats) <= 1:
        return mask, np.zeros((0, 6), np.int32), [], np.zeros_like(mask)
    limit = GLYPH_MM / scale
    wide, high, area = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT], stats[:, cv2.CC_STAT_AREA]
    longest = np.maximum(wide, high)
    glyph = longest < limit
    length = np.hypot(wide, high)
    pen = area / np.maximum(length, 1)
    # Thin strokes stay, bent ones too: a dash that goes round a corner is one. Straight ones are no letters.
    thin_stroke = glyph & (length > 0.9 / scale) & (pen < 1.2 / scale) & (length > 2.2 * pen) & (area > 3)
    dash = thin_stroke.copy()
    for k in np.flatnonzero(dash):
        dash[k] = k > 0 and _is_dash(labels, int(k), stats[k], 1.4 / scale)
    # A notch or a dot drawn on a dash makes a mark of it that may be a letter; the dashes before and after it tell.
    held = in_line(labels, stats, dash & (longest > LEAST_DASH_MM / scale), glyph & ~dash, scale)
    glyph &= ~held | thin_stroke
    # Display lettering: much ink for its size, drawn with a broad stroke.
    stroke = area / np.maximum(2.0 * (wide + high), 1)
    display = (longest < DISPLAY_MM / scale) & (area > 0.18 * wide * high) & (stroke > 1.0 / scale) & ~glyph & ~held
    chosen = np.flatnonzero(glyph | display)
    chosen = chosen[chosen > 0]
    small = np.column_stack([stats[chosen], np.where(held, ON_DASHES, dash)[chosen]]).astype(np.int32)
    texts = find_text(small, scale)
    aside = (glyph & ~thin_stroke) | display
    aside[0] = False
    keep = ~aside
    keep[0] = False
    letters = np.zeros(len(stats), dtype=bool)
    letters[chosen[_letters(labels, chosen, stats, thin_stroke & ~dash & ~held, texts, scale)]] = True
    # Ink covers little of a sheet: nothing else is looked at.
    inked = np.flatnonzero(mask != 0)
    part = labels.reshape(-1)[inked]
    kept, of_letters = np.zeros_like(mask), np.zeros_like(mask)
    kept.reshape(-1)[inked[keep[part]]] = 255
    of_letters.reshape(-1)[inked[letters[part]]] = 1
    return kept, small, texts, of_letters


def _letters(
    labels: NDArray[Any],
    chosen: NDArray[Any],
    stats: NDArray[Any],
    thin: NDArray[np.bool_],
    texts: list[TextBlock],
    scale: float,
) -> NDArray[np.bool_]:
    """Return which of some small marks are letters of thin strokes, and no dashes that go round a corner.

    A letter's stroke is much longer than the letter is large; a block of text is one where most are.
    """
    out = np.zeros(len(chosen), dtype=bool)
    place = {(int(stats[k, 0]), int(stats[k, 1]), int(stats[k, 2]), int(stats[k, 3])): n for n, k in enumerate(chosen)}
    for block in texts:
        mine, curled = [], 0
        for box in block.glyphs:
            n = place.get((int(box[0]), int(box[1]), int(box[2]), int(box[3])))
            if n is None:
                continue
            k = int(chosen[n])
            if not thin[k]:
                curled += 1
                continue
            mine.append(n)
            x, y, wide, high = (int(v) for v in stats[k, :4])
            contours, _ = cv2.findContours(
                (labels[y : y + high, x : x + wide] == k).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE
            )
            along = sum(cv2.arcLength(c, closed=True) for c in contours) / 2
            curled += along > _CURLED * float(np.hypot(wide, high))
        if curled >= 2 and curled > 0.4 * len(block.glyphs):
            largest = min(_LETTER_MM / scale, 2.2 * block.height)
            letter = [n for n in mine if max(stats[chosen[n], 2:4]) < largest]
            out[letter] = len(block.glyphs) >= 3
    return out


def _is_dash(labels: NDArray[Any], k: int, box: NDArray[Any], widest_px: float) -> bool:
    """Return whether a piece of ink is a straight stroke, three times longer than wide at least."""
    x, y, wide, high, area = (int(v) for v in box)
    row, column = np.nonzero(labels[y : y + high, x : x + wide] == k)
    _, sides, _ = cv2.minAreaRect(np.stack([column, row], axis=1).astype(np.float32))
    short, long = min(sides) + 1.0, max(sides) + 1.0
    return short < widest_px and long > 2.0 * short and area > 0.55 * short * long


def find_loops(graph: LineGraph, scale: float) -> list[Loop]:
    """Return the outermost loop of every block that is large enough, largest first, each knowing what it lies in."""
    least = LEAST_SIDE_MM / scale
    loops = []
    for block in find_blocks(graph):
        ends = np.array([graph.nodes[n] for i in block for n in (graph.edges[i].start, graph.edges[i].end)])
        if len(block) > 3 and np.ptp(ends, axis=0).max() < least / 2:
            bulk = max(float(np.ptp(graph.edges[i].points, axis=0).max()) for i in block)
            if bulk < least / 2:
                continue
        block = untangled(graph, block, SPUR_MM / scale)
        faces = find_faces(graph, block)
        loop = outer_loop(faces)
        low, high = loop.points.min(axis=0), loop.points.max(axis=0)
        if (high - low).max() < least or (high - low).min() < LEAST_WIDTH_MM / scale:
            continue
        if loop.area * scale * scale < LEAST_AREA_MM2:
            continue
        loops.append(
            Loop(
                points=loop.points,
                steps=loop.steps,
                block=tuple(block),
                faces=[f for f in faces if f.area > 0],
                area=loop.area,
                box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
            )
        )
    loops.sort(key=lambda p: -p.area)
    for i, inner in enumerate(loops):
        for j in range(i - 1, -1, -1):
            if _box_in(inner.box, loops[j].box) and lies_in(inner.points, loops[j].points):
                inner.inside_of = j
                loops[j].holds.append(i)
                break
    return loops


def _box_in(inner: tuple[float, float, float, float], outer: tuple[float, float, float, float]) -> bool:
    slack = 2.0
    return (
        inner[0] >= outer[0] - slack
        and inner[1] >= outer[1] - slack
        and inner[2] <= outer[2] + slack
        and inner[3] <= outer[3] + slack
    )


def lies_in(points: Points, polygon: Points, share: float = 0.8) -> bool:
    """Return whether most of some points lie in a polygon."""
    sample = points[:: max(1, len(points) // 40)]
    contour = polygon.astype(np.float32).reshape(-1, 1, 2)
    inside = sum(cv2.pointPolygonTest(contour, (float(x), float(y)), measureDist=False) >= 0 for x, y in sample)
    return inside >= share * len(sample)
