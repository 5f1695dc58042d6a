"""Marks at a point: dots, circles and crosses, told by the shape of a small piece of ink."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.piece import MarkKind
from tracer.search.graph import LineGraph, Points, calmed
from tracer.search.loops import find_blocks, find_faces, outer_loop
from tracer.search.marks_text import TextBlock
from tracer.search.raster import as_mask, filled, opened
from tracer.search.strokes import Stroke

ROUND_MM = 15.0
"""Larger circles are no marks at a point."""
SPOT_MM = 1.8
"""Smaller spots between letters are full stops and the dots of letters."""
LEAST_DOT_MM = 1.3
"""A dot on a line is larger than this and than any line is wide (common practice, no source)."""
LARGEST_SPOT_MM = 7.0
"""Larger ones that stand together are letters (common practice, no source)."""
_ROUND_SHARE, _FILLS_CIRCLE = 0.85, 0.8
_CROSS_RAD = np.radians(25)


def spot_kind(patch: NDArray[np.uint8], area: int) -> MarkKind | None:
    """Return what a small piece of ink is: dot, circle, cross, or None.

    Parameters
    ----------
    patch : ndarray of uint8
        Non-zero where there is ink, as large as the spot's box.
    area : int
        Its ink, pixels.
    """
    high, wide = patch.shape
    if not 0.7 < wide / high < 1.43:
        return None
    fill = area / (wide * high)
    contours, tree = cv2.findContours(np.pad(patch, 1), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if tree is None:
        return None
    outer = max((c for c, t in zip(contours, tree[0], strict=True) if t[3] < 0), key=cv2.contourArea)
    holes = [c for c, t in zip(contours, tree[0], strict=True) if t[3] >= 0 and cv2.contourArea(c) > 0.1 * wide * high]
    around = float(cv2.contourArea(outer)) / max(1.0, (wide - 1) * (high - 1))
    (_, radius), whole = cv2.minEnclosingCircle(outer), float(cv2.contourArea(outer))
    # A pixel's half on either side belongs to both, the border runs through the middles of the outermost pixels.
    round_ = whole > _FILLS_CIRCLE * np.pi * radius * radius and 0.68 < around < 0.9
    if len(holes) == 1 and round_:
        return "circle"
    if not holes and round_ and fill > 0.66 and area > 0.97 * whole:
        return "dot"
    return "cross" if not holes and fill < 0.55 and min(high, wide) >= 6 and _is_cross(patch) else None


def spot_shape(kind: MarkKind, patch: NDArray[np.uint8]) -> Points:
    """Return what stands for a named spot on a drawing.

    The middle of its line for a circle, its edge for a dot, two strokes for a cross.

    Parameters
    ----------
    patch : ndarray of uint8
        Non-zero where there is ink, as large as the spot's box.

    Returns
    -------
    ndarray of shape (n, 2)
        (x, y) in pixels of the patch, pixel centres at whole numbers, ending where it begins.
    """
    high, wide = patch.shape
    middle, half = np.array([(wide - 1) / 2, (high - 1) / 2]), np.array([wide / 2, high / 2])
    ring = ring_middle(patch) if kind == "circle" else None
    if ring is not None:
        middle, half = (ring.min(axis=0) + ring.max(axis=0)) / 2, np.ptp(ring, axis=0) / 2
    if kind != "cross":
        turn = np.linspace(0.0, 2 * np.pi, 33)
        return np.asarray(middle + half * np.column_stack([np.cos(turn), np.sin(turn)]))
    # Upright where the ink lies on the middle row and column, else from corner to corner.
    along = (patch[high // 2] > 0).mean() + (patch[:, wide // 2] > 0).mean()
    arms = np.array([(1, 0), (0, 1)] if along > 1.0 else [(1, 1), (1, -1)], dtype=np.float64)
    strokes = [arms[0], -arms[0], 0 * arms[0], arms[1], -arms[1], 0 * arms[0], arms[0]]
    return np.asarray(middle + half * np.array(strokes))


def dot_on_line(patch: NDArray[np.uint8], mm_per_px: float) -> MarkKind | None:
    """Return 'dot' for a filled disc with a short piece of a line at it."""
    core = opened(as_mask(patch), LEAST_DOT_MM / mm_per_px)
    if core.sum() < 0.5 * as_mask(patch).sum():
        return None
    points = np.argwhere(core)[:, ::-1].astype(np.float32).reshape(-1, 1, 2)
    _, radius = cv2.minEnclosingCircle(points)
    return "dot" if float(core.sum()) > 0.85 * np.pi * (radius + 0.5) ** 2 else None


def ring_on_line(patch: NDArray[np.uint8], mm_per_px: float) -> Points | None:
    """Return the middle line of a ring with a piece of a line that runs into it or through it.

    The line points at the ring's middle; the stem of a letter such as b or p runs beside it.

    Returns
    -------
    ndarray of shape (n, 2) or None
        (x, y) in pixels of the patch, ending where it begins.
    """
    ink = as_mask(np.pad(patch, 1))
    core = opened(filled(ink), LEAST_DOT_MM / mm_per_px)
    if not core.any():
        return None
    points = np.argwhere(core)[:, ::-1].astype(np.float32).reshape(-1, 1, 2)
    (x, y), radius = cv2.minEnclosingCircle(points)
    size = 2 * radius * mm_per_px
    if float(core.sum()) < 0.85 * np.pi * (radius + 0.5) ** 2 or not SPOT_MM < size < LARGEST_SPOT_MM:
        return None
    row, column = np.nonzero(ink)
    away = np.hypot(column - x, row - y)
    turn = np.linspace(0.0, 2 * np.pi, 90, endpoint=False)
    radii = np.arange(0.0, radius + 1.0, 0.5)
    at = np.rint([x, y] + radii[:, None, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)).astype(np.int64)
    at = np.clip(at, 0, [ink.shape[1] - 1, ink.shape[0] - 1])
    drawn = np.flatnonzero((ink[at[..., 1], at[..., 0]] > 0).mean(axis=1) > 0.6)
    if not len(drawn) or radii[drawn[0]] < 0.5 * radius:
        return None
    own = (away >= radii[drawn[0]] - 1.0) & (away <= radius + 1.5)
    rest = np.stack([column[~own] - x, row[~own] - y], axis=1)
    if len(rest) > 3:
        axis = np.linalg.eigh(rest.T @ rest)[1][:, 1]
        if float(np.abs(rest @ np.array([-axis[1], axis[0]])).max()) > 0.5 * radius:
            return None
    middle = float(radii[drawn].mean())
    ring = np.linspace(0.0, 2 * np.pi, 33)
    return np.asarray([x - 1, y - 1] + middle * np.stack([np.cos(ring), np.sin(ring)], axis=1))


def _is_cross(patch: NDArray[np.uint8]) -> bool:
    """Return whether four arms of about one length leave the middle at right angles, whichever way it is turned."""
    high, wide = patch.shape
    row, column = np.nonzero(patch)
    middle = np.array([(wide - 1) / 2, (high - 1) / 2])
    near = np.hypot(column - middle[0], row - middle[1])
    if near.min() > 1.5:
        return False
    reach = float(near.max())
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    for share in (0.45, 0.7):
        x = np.rint(middle[0] + share * reach * np.cos(turn)).astype(int)
        y = np.rint(middle[1] + share * reach * np.sin(turn)).astype(int)
        on = (x >= 0) & (y >= 0) & (x < wide) & (y < high)
        hit = np.zeros(len(turn), dtype=bool)
        hit[on] = patch[y[on], x[on]] > 0
        starts = np.flatnonzero(hit & ~np.roll(hit, 1))
        stops = np.flatnonzero(hit & ~np.roll(hit, -1))
        if len(starts) != 4:
            return False
        if stops[0] < starts[0]:
            stops = np.roll(stops, -1)
        arms = (turn[starts] + np.mod(turn[stops] - turn[starts], 2 * np.pi) / 2) % (2 * np.pi)
        gaps = np.diff(np.sort(arms), append=np.sort(arms)[0] + 2 * np.pi)
        if np.abs(gaps - np.pi / 2).max() > _CROSS_RAD:
            return False
    return True


def crossing_arms(strokes: Sequence[Stroke], mm_per_px: float) -> list[tuple[int, ...]]:
    """Return which strokes are the arms of a cross: short, straight, with a line across their middle.

    That line may be the other arm, which is then named too, or one that the cross stands on.

    Parameters
    ----------
    strokes : sequence of Stroke
    mm_per_px : float
    """
    largest, least = LARGEST_SPOT_MM / mm_per_px, SPOT_MM / mm_per_px
    short = [
        k for k, s in enumerate(strokes)
        if least < s.chord < largest and s.length < 1.15 * s.chord and s.bow * mm_per_px < 0.4 and not s.closed
    ]  # fmt: skip
    others = [k for k, s in enumerate(strokes) if s.chord > 0 and len(s.points) > 8]
    if not short or not others:
        return []
    owner = np.concatenate([np.full(len(strokes[k].points), k) for k in others])
    place = np.concatenate([np.arange(len(strokes[k].points)) for k in others])
    tree = cKDTree(np.concatenate([strokes[k].points for k in others]))
    out: list[tuple[int, ...]] = []
    used: set[int] = set()
    for k in short:
        if k in used:
            continue
        stroke = strokes[k]
        middle = (stroke.points[0] + stroke.points[-1]) / 2
        own = (stroke.points[-1] - stroke.points[0]) / stroke.chord
        across: set[int] = set()
        for hit in tree.query_ball_point(middle, max(2.0, 0.15 * stroke.chord)):
            index, at = int(owner[hit]), int(place[hit])
            points = strokes[index].points
            # The line goes on to both sides of the arm.
            reach = max(4, round(0.3 * stroke.chord))
            if index == k or index in used or at < reach or at + reach >= len(points):
                continue
            way = points[at + reach] - points[at - reach]
            if abs(float(way @ own)) < np.sin(_CROSS_RAD) * float(np.hypot(*way)):
                across.add(index)
        if across:
            arms = (k, *(i for i in across if i in short))
            used.update(arms)
            out.append(arms)
    return out


def are_spots(block: TextBlock, mask: NDArray[np.uint8], mm_per_px: float) -> bool:
    """Return whether what stands together like text is a row of dots, circles and crosses."""
    sizes = [max(int(g[2]), int(g[3])) * mm_per_px for g in block.glyphs]
    if max(sizes) > LARGEST_SPOT_MM:
        return False
    large = [g for g, size in zip(block.glyphs, sizes, strict=True) if size >= SPOT_MM]
    if not large or 2 * len(large) < len(block.glyphs):
        return False
    named = 0
    for x, y, wide, high in large:
        patch = mask[y : y + high, x : x + wide]
        named += spot_kind(patch, int((patch > 0).sum())) is not None
    return named >= 0.8 * len(large)


def ring_middle(patch: NDArray[np.uint8]) -> Points | None:
    """Return the middle line of a ring: half-way between its outer and its inner border."""
    contours, tree = cv2.findContours(np.pad(patch, 1), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = [c for c, t in zip(contours, tree[0], strict=True) if t[3] < 0] if tree is not None else []
    inner = [c for c, t in zip(contours, tree[0], strict=True) if t[3] >= 0] if tree is not None else []
    if not outer or not inner:
        return None
    out = max(outer, key=cv2.contourArea).reshape(-1, 2).astype(np.float64) - 1
    hole = max(inner, key=cv2.contourArea).reshape(-1, 2).astype(np.float64) - 1
    nearest = np.array([hole[np.argmin(((hole - p) ** 2).sum(axis=1))] for p in out])
    return np.asarray((out + nearest) / 2)


def is_round(loop: Points) -> bool:
    """Return whether a closed line encloses nearly as much as a circle of its length, pixels."""
    calm = calmed(np.concatenate([loop, loop[:1]]))
    length = float(np.hypot(*np.diff(calm, axis=0).T).sum())
    area = abs(float(cv2.contourArea(calm.astype(np.float32).reshape(-1, 1, 2))))
    return area > _ROUND_SHARE * length * length / (4 * np.pi)


def rings(graph: LineGraph, edges: Sequence[int], mm_per_px: float) -> list[tuple[Points, tuple[int, ...]]]:
    """Return the small round loops among some edges of a graph, each with all the edges inside it.

    A stitching line that runs through a circle divides it; its outer loop is round all the same.
    """
    largest = ROUND_MM / mm_per_px
    small = [i for i in edges if np.ptp(graph.edges[i].points, axis=0).max() <= largest]
    sub = LineGraph(graph.nodes, [graph.edges[i] for i in small])
    out = []
    for block in find_blocks(sub):
        faces = find_faces(sub, block)
        inner = [f for f in faces if f.area > 0 and np.ptp(f.points, axis=0).max() <= largest]
        options = [[{i for i, _ in f.steps}] for f in inner]
        sides = [o[0] for o in options]
        options += [[a, b] for a, b in itertools.combinations(sides, 2) if a & b]
        for option in options:
            shared = option[0] & option[1] if len(option) > 1 else set()
            whole = sorted(set().union(*option))
            rim = [i for i in whole if i not in shared]
            loops = [outer_loop(find_faces(sub, [rim[k] for k in b])) for b in _loops_of(sub, rim)]
            if len(loops) == 1 and _is_ring(loops[0].points, largest, SPOT_MM / mm_per_px):
                out.append((loops[0].points, tuple(small[k] for k in whole)))
    return out


def _loops_of(graph: LineGraph, edges: Sequence[int]) -> list[list[int]]:
    return find_blocks(LineGraph(graph.nodes, [graph.edges[i] for i in edges]))


def _is_ring(points: Points, largest: float, least: float) -> bool:
    size = np.ptp(points, axis=0)
    if size.max() > largest or size.max() < least or len(points) < 8:
        return False
    return bool(size.min() > 0.75 * size.max()) and is_round(points)
