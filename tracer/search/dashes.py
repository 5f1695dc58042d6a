"""Dashes: which small marks stand in the line of others, and where a dash ends that something else hangs on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tracer.search.graph import Edge, LineGraph, Points, angle, calmed, measure_lines
from tracer.search.marks_text import TextBlock

LONGEST_SPACE_MM = 3.2
"""The spaces between dashes are no longer (common practice, no source)."""
SPACE_SHARE, UNEVEN = 0.85, 2.2
"""They are no longer than this share of a dash, and than this multiple of each other (common practice, no source)."""
LONGEST_DASH_MM = 14.0
"""Dashes are no longer (common practice, no source)."""
BEND_RAD = math.radians(40)
"""Where a notch hangs on the end of a dash the line turns by more than this."""
ALIKE, _STEPS = 0.5, 4
"""Dashes of one line differ in ink by no more than 2 to this power; so many in a row may look like letters (common
practice, no source)."""
_BEND_REACH_MM, _LEAST_LEG_MM = 0.9, 1.2
_BESIDE_MM = 0.25
_ALONG, _NEAR = np.linspace(0.1, 0.9, 5), np.linspace(0.2, 0.5, 4)
"""Letters stand nearer to each other than half the height of a long one; looked at there (common practice, no
source)."""
_NEARER = 0.6
"""Letters of a word stand nearer to each other than this share of the space between dashes (common practice, no
source)."""
_OFF_LINE, _MOSTLY = 0.3, 0.6
"""Dashes lie beside the middle of their line by less than this share of their length; and most is more than this."""
_ROW, _SAME = 6, np.array([0.1, 0.12])
"""So many marks in a block whose lengths and ink vary by so little (standard deviations) are a printed line style: in
words of so many letters lengths vary by 0.06 to 0.3 and ink by 0.2 and more, in dashes by up to 0.09 and 0.11 (measured
on rendered sheets)."""


def printed_dashes(texts: Sequence[TextBlock], small: NDArray[np.int32]) -> list[bool]:
    """Return which of some blocks that look like text are the dashes of lines, a few of them or a whole row.

    Dashes of one line are all alike; where a row of them is seen, single ones of the same look are more of it.

    Parameters
    ----------
    texts : sequence of TextBlock
    small : ndarray of int, shape (N, 6)
        All small marks (see :class:`tracer.search.drawn.LineWork`).
    """
    ink = {(int(m[0]), int(m[1]), int(m[2]), int(m[3])): float(m[4]) for m in small}
    looks = []
    for block in texts:
        boxes = [(int(g[0]), int(g[1]), int(g[2]), int(g[3])) for g in block.glyphs]
        looks.append(np.array([[math.hypot(b[2], b[3]), ink.get(b, 0.0)] for b in boxes]))
    usual = [np.median(look, axis=0) for look in looks]
    alike = [
        bool((look.std(axis=0) < _SAME * np.maximum(middle, 1.0)).all())
        for look, middle in zip(looks, usual, strict=True)
    ]
    rows = [middle for look, middle, same in zip(looks, usual, alike, strict=True) if same and len(look) >= _ROW]
    return [
        same and any((np.abs(look - row) < 1.5 * _SAME * row).all() for row in rows)
        for look, same in zip(looks, alike, strict=True)
    ]


def dashes_in_lines(texts: Sequence[TextBlock], graph: LineGraph) -> list[bool]:
    """Return which of some blocks that look like text are mostly dashes of lines, joined to others at both their ends.

    Dashes of several lines beside each other make such blocks: those of sizes drawn into each other. Of lettering, its
    single strokes too, hardly any goes on at both ends in the direction it has.

    Parameters
    ----------
    texts : sequence of TextBlock
    graph : LineGraph
        The lines with their gaps bridged.
    """
    ends = {n for e in graph.edges if e.bridge for n in (e.start, e.end)}
    held = [e for e in graph.edges if not e.bridge and e.start in ends and e.end in ends]
    middles = np.array([e.points[len(e.points) // 2] for e in held]).reshape(-1, 2)
    out = []
    for block in texts:
        x0, y0, x1, y1 = block.box
        near = middles[((middles >= [x0 - 1, y0 - 1]) & (middles <= [x1 + 1, y1 + 1])).all(axis=1)]
        low = block.glyphs[:, None, :2] - 1
        high = low + block.glyphs[:, None, 2:4] + 2
        own = np.any(np.all((near >= low) & (near <= high), axis=2), axis=1)
        out.append(len(own) >= _STEPS and float(own.mean()) > _MOSTLY)
    return out


def is_row(marks: NDArray[np.integer], axes: NDArray[np.floating]) -> bool:
    """Return whether the small marks in a box are mostly dashes of one line, end to end along it.

    Letters of single strokes stand side by side, nearer to each other than they are long.

    Parameters
    ----------
    marks : ndarray of int, shape (N, 6)
        As :func:`printed_dashes` takes them.
    axes : ndarray, shape (2, 2)
        Unit vectors along the row and across it.
    """
    dashes = marks[marks[:, 5] == 1]
    if len(dashes) < _STEPS:
        return False
    long = float(np.median(np.hypot(dashes[:, 2], dashes[:, 3])))
    at = (dashes[:, :2] + dashes[:, 2:4] / 2.0) @ axes.T
    on_line = np.abs(at[:, 1] - np.median(at[:, 1])) < _OFF_LINE * long
    steps = np.diff(np.sort(at[on_line, 0])) / long
    even = (steps > 1.0) & (steps < 1.0 + SPACE_SHARE)
    most = float(dashes[on_line, 4].sum()) > _MOSTLY * float(marks[:, 4].sum())
    return bool(len(steps) >= _STEPS - 1 and even.mean() > _MOSTLY and most)


def in_line(
    labels: NDArray[Any], stats: NDArray[Any], dash: NDArray[np.bool_], doubtful: NDArray[np.bool_], mm_per_px: float
) -> NDArray[np.bool_]:
    """Return which of some doubtful marks stand in a line of dashes.

    A dash points at it just ahead, and behind itself at another dash. A letter is met like that where letters stand in
    rows above each other, or a dashed line runs through a word: then letters stand beside the dash, or nearer to what
    is met than the dash. A dash that goes round a corner and is told so tells what comes behind it.

    Parameters
    ----------
    labels : ndarray of int, shape (rows, columns)
        Which mark each pixel belongs to, 0 for none.
    stats : ndarray of int, shape (N, 5)
        Box and area of each mark.
    dash, doubtful : ndarray of bool, shape (N,)
    mm_per_px : float
    """
    out = np.zeros(len(stats), dtype=bool)
    told = dash.copy()
    look = np.flatnonzero(dash) if doubtful.any() else np.zeros(0, dtype=np.intp)
    while len(look):
        new: set[int] = set()
        for k in look:
            ends = _ends(labels, int(k), stats[k], bent=not dash[k])
            (one, space), (other, space_behind) = (met(labels, int(k), end, way, mm_per_px) for end, way in ends)
            most = min(SPACE_SHARE * float(np.hypot(*(ends[0][0] - ends[1][0]))), UNEVEN * min(space, space_behind))
            if not (one and other) or max(space, space_behind) > most:
                continue
            for ahead, behind, far in ((one, other, space), (other, one, space_behind)):
                if not doubtful[ahead] or not told[behind] or told[ahead] or _is_beside(labels, int(k), ends):
                    continue
                if not _is_in_word(labels, ahead, stats[ahead], doubtful, _NEARER * far):
                    new.add(ahead)
        look = np.array(sorted(new), dtype=np.intp)
        out[look] = told[look] = True
    return out


def _is_beside(labels: NDArray[Any], k: int, ends: Sequence[tuple[Points, Points]]) -> bool:
    """Return whether something stands beside a dash as near as letters stand to each other."""
    (first, _), (last, _) = ends
    way = last - first
    share, far = np.meshgrid(_ALONG, np.concatenate([-_NEAR, _NEAR]))
    at = first + share.reshape(-1, 1) * way + far.reshape(-1, 1) * np.array([-way[1], way[0]])
    at = np.rint(at).astype(np.int64)
    at = at[((at >= 0) & (at < [labels.shape[1], labels.shape[0]])).all(axis=1)]
    seen = labels[at[:, 1], at[:, 0]]
    return bool(((seen > 0) & (seen != k)).any())


def _is_in_word(labels: NDArray[Any], k: int, box: NDArray[Any], letters: NDArray[np.bool_], reach_px: float) -> bool:
    """Return whether something that may be a letter, as ``k`` may be, stands nearer to it than ``reach_px``."""
    reach = int(reach_px)
    x, y, wide, high = (int(v) for v in box[:4])
    around = labels[max(0, y - reach) : y + high + reach + 1, max(0, x - reach) : x + wide + reach + 1]
    near = cv2.dilate((around == k).astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    seen = around[(near > 0) & (around > 0) & (around != k)]
    return bool(letters[seen].any())


def _ends(labels: NDArray[Any], k: int, box: NDArray[Any], *, bent: bool = False) -> list[tuple[Points, Points]]:
    """Return both ends of a dash and the unit direction out of each, pixels; those of a ``bent`` one part for part."""
    x, y, wide, high = (int(v) for v in box[:4])
    row, column = np.nonzero(labels[y : y + high, x : x + wide] == k)
    ink = np.stack([column, row], axis=1).astype(np.float32)
    if bent:
        middle = ink[np.argmax(np.hypot(*(ink - ink.mean(axis=0)).T))]
        tips = (ink[np.argmax(np.hypot(*(ink - middle).T))], middle)
        # A speck has both its ends in one place.
        far = max(1.0, 0.3 * float(np.hypot(*(tips[0] - tips[1]))))
        return [(tip + [x, y], _way_out(ink[np.hypot(*(ink - tip).T) < far], tip)) for tip in tips]
    way, middle = _straight(ink)
    along = (ink - middle) @ way
    middle = middle + [x, y]
    return [(middle + along.max() * way, way), (middle + along.min() * way, -way)]


def _way_out(ink: NDArray[np.float32], tip: NDArray[np.float32]) -> Points:
    """Return the unit direction in which the end of a stroke points."""
    way, middle = _straight(ink)
    return way if float(way @ (tip - middle)) > 0 else -way


def _straight(ink: NDArray[np.float32]) -> tuple[Points, Points]:
    """Return direction and middle of the straight line through some pixels."""
    line = cv2.fitLine(ink, cv2.DIST_L2, 0, 0.01, 0.01).ravel().astype(np.float64)
    return line[:2], line[2:]


def met(labels: NDArray[Any], k: int, end: Points, way: Points, mm_per_px: float) -> tuple[int, float]:
    """Return the first other mark that a dash's line meets beyond its end (0 for none), and how far ahead, pixels."""
    steps = np.arange(1, max(3, round(LONGEST_SPACE_MM / mm_per_px)))[:, None]
    aside = max(1.0, _BESIDE_MM / mm_per_px)
    found: list[tuple[int, int]] = []
    for beside in (-aside, 0.0, aside):
        at = np.rint(end + steps * way + beside * np.array([-way[1], way[0]])).astype(np.int64)
        at = at[((at >= 0) & (at < [labels.shape[1], labels.shape[0]])).all(axis=1)]
        seen = labels[at[:, 1], at[:, 0]]
        other = np.flatnonzero((seen > 0) & (seen != k))
        if len(other):
            found.append((int(other[0]), int(seen[other[0]])))
    return (min(found)[1], min(found)[0] + 1.0) if found else (0, 0.0)


def part_at_bends(
    graph: LineGraph, dark: NDArray[np.uint8], mm_per_px: float, widest_px: float
) -> tuple[LineGraph, list[tuple[int, int]]]:
    """Part dashes from what is drawn on their ends.

    Where a notch stands on the very end of a dash, thinning leaves one line that goes along the dash and turns into the
    notch: the dash's own end, which faces the next dash, is not there. So lines with a loose end that turn sharply
    soon are parted there, and such as a loose end of another line comes near to.

    Returns
    -------
    tuple
        The graph, and (node, edge) for each edge that may go straight on at a new node. Where both ends of a line are
        loose its two parts may: which is the dash, and which the notch, only what they point at tells.
    """
    degrees = graph.degrees()
    nodes, edges, bends = list(graph.nodes), list(graph.edges), list[tuple[int, int]]()
    parted: list[Edge] = []
    faced = _faced(graph, degrees, LONGEST_SPACE_MM / mm_per_px)
    for index, edge in enumerate(graph.edges):
        loose = (int(degrees[edge.start]) == 1, int(degrees[edge.end]) == 1)
        if edge.bridge or edge.start == edge.end or not (any(loose) or faced[index]):
            continue
        cuts = sorted({b for first, free in zip((True, False), loose, strict=True) if free or not any(loose)
                       for b in first_bend(edge.points, mm_per_px, first=first)})  # fmt: skip
        if not cuts:
            continue
        bounds = [0, *cuts, len(edge.points) - 1]
        ends = [edge.start, *range(len(nodes), len(nodes) + len(cuts)), edge.end]
        nodes += [(float(x), float(y)) for x, y in edge.points[cuts]]
        parts = [
            replace(edge, start=ends[k], end=ends[k + 1], points=edge.points[bounds[k] : bounds[k + 1] + 1])
            for k in range(len(cuts) + 1)
        ]
        place = [index, *range(len(edges), len(edges) + len(cuts))]
        edges[index] = parts[0]
        edges += parts[1:]
        parted += parts
        if loose[0]:
            bends.append((ends[1], place[0]))
        if loose[1]:
            bends.append((ends[-2], place[-1]))
    measure_lines(LineGraph(nodes, parted), dark, widest_px)
    return LineGraph(nodes, edges), bends


def _faced(graph: LineGraph, degrees: NDArray[np.int64], reach_px: float) -> NDArray[np.bool_]:
    """Return which edges without a loose end of their own have one of another within reach."""
    out = np.zeros(len(graph.edges), dtype=bool)
    ends = np.array([graph.nodes[n] for n in np.flatnonzero(degrees == 1)]).reshape(-1, 2)
    held = [i for i, e in enumerate(graph.edges) if degrees[e.start] > 1 and degrees[e.end] > 1 and not e.bridge]
    if not len(ends) or not held:
        return out
    step = max(1, round(reach_px / 4))
    points = [graph.edges[i].points[::step] for i in held]
    far, _ = cKDTree(ends).query(np.concatenate(points), distance_upper_bound=reach_px)
    out[np.repeat(held, [len(p) for p in points])[np.isfinite(far)]] = True
    return out


def first_bend(points: Points, mm_per_px: float, *, first: bool) -> list[int]:
    """Return the place where a line first turns sharply, counted from one of its ends, none if it does not soon."""
    reach = max(4, round(_BEND_REACH_MM / mm_per_px))
    least, most = round(_LEAST_LEG_MM / mm_per_px), round(LONGEST_DASH_MM / mm_per_px)
    if len(points) < least + reach + 2:
        return []
    last = len(points) - 1
    # What lies beyond the longest dash does not count; nor does it for the running mean.
    chain = calmed((points if first else points[::-1])[: most + reach + 4], 2)
    at = np.arange(least, min(most, last - reach // 2))
    if not len(at):
        return []
    before = chain[at] - chain[np.maximum(at - reach, 0)]
    after = chain[np.minimum(at + reach, len(chain) - 1)] - chain[at]
    size = np.hypot(*before.T) * np.hypot(*after.T)
    turn = np.arccos(np.clip((before * after).sum(axis=1) / np.maximum(size, 1e-9), -1, 1))
    sharp = np.flatnonzero(turn > BEND_RAD)
    if not len(sharp):
        return []
    near = sharp[sharp < sharp[0] + 2 * reach]
    best = int(at[near[np.argmax(turn[near])]])
    # What goes along the dash must be straight up to there.
    way = chain[best] - chain[0]
    if (
        angle(way / max(1e-9, float(np.hypot(*way))), before[near[0]] / max(1e-9, float(np.hypot(*before[near[0]]))))
        > 0.5
    ):
        return []
    return [best if first else last - best]


def of_lines(
    graph: LineGraph, at_node: NDArray[np.int64], known: NDArray[np.bool_], in_line: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Return which ends belong to lines: to those that are known, or to ink that stands in line with one.

    A bent dash at a corner and two dashes that run together in a tip look like letters; step by step the dashed line
    that they stand in tells them.

    Parameters
    ----------
    graph : LineGraph
    at_node : ndarray of int, shape (N,)
        The nodes of loose ends.
    known : ndarray of bool, shape (N,)
        The ends that surely are of lines.
    in_line : ndarray of int, shape (M, 2)
        Pairs of ends of one pen that face each other across a short gap.
    """
    if not len(in_line) or not known.any():
        return known
    links = np.array([(e.start, e.end) for e in graph.edges], dtype=np.int64)
    ones = np.ones(len(links), np.int8)
    matrix = coo_array((ones, (links[:, 0], links[:, 1])), shape=(len(graph.nodes), len(graph.nodes)))
    _, part = connected_components(matrix, directed=False)
    mine = part[at_node]
    known = known.copy()
    for _ in range(_STEPS):
        told = in_line[known[in_line].any(axis=1)]
        now = known | np.isin(mine, mine[told.ravel()])
        if (now == known).all():
            break
        known = now
    return known
