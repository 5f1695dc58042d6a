"""Frames of a sheet that are no closed line: the border of the picture cuts them, or a fold has broken them.

A frame's side is a long straight line with all the pieces on one side of it; sides stand square on each other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.drawn import LineWork
from tracer.search.graph import Points
from tracer.search.strokes import Stroke, find_strokes

SIDE_SHARE, LEAST_SIDE_MM = 0.5, 60.0
"""What is seen of a side is longer than this, and than this share of the picture (common practice, no source)."""
_PART_MM, _BOW_MM, _BOW_SHARE = 25.0, 0.7, 0.006
_SQUARE_DEG, _ONE_LINE_MM = 1.0, 1.2
_INSIDE_SHARE = 0.98
_STEP_PX = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenFrame:
    """A frame that is no closed line.

    ``points`` is the line through its sides and their corners, which may lie beyond the picture, dense, shape (N, 2),
    pixels of the mask; ``closed`` whether all four sides are seen; ``edges`` what it is made of in the graph.
    """

    points: Points
    closed: bool
    edges: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Side:
    """A side: 0 for one along the frame's first axis, where it lies across, its ends, its strokes."""

    axis: int
    at: float
    points: Points
    edges: tuple[int, ...]


def find_open_frame(
    work: LineWork, pieces: Sequence[Points], rims: set[int], is_known: Callable[[Points], bool]
) -> OpenFrame | None:
    """Find the frame around all pieces where it closes no loop.

    Parameters
    ----------
    work : LineWork
    pieces : sequence of ndarray, shape (N, 2)
        Outlines of the pieces, pixels of the mask.
    rims : set of int
        Edges of the graph that are outlines.
    is_known : callable
        Tells whether a line is known for something else, such as the edge of a sheet of paper.
    """
    if not pieces:
        return None
    scale = work.ink.mm_per_px
    lines = [
        s for stroke in find_strokes(work.graph, rims, ()) for s in _straights(stroke, scale)
        if s.spaces * _PART_MM < s.length * scale and not is_known(s.points)
    ]  # fmt: skip
    if len(lines) < 2:
        return None
    longest = max(lines, key=lambda s: s.chord)
    first = longest.points[-1] - longest.points[0]
    first = first / np.hypot(*first)
    axes = np.array([first, [-first[1], first[0]]])
    all_points = np.concatenate(pieces)[::4]
    sides = _sides(lines, axes, all_points, work.ink.mask.shape, scale)
    if len({s.axis for s in sides}) < 2:
        return None
    # Outermost on either side of the pieces; a second line beside it is its own.
    middle = all_points.mean(axis=0) @ axes.T
    outer: dict[tuple[int, bool], _Side] = {}
    for side in sides:
        key = side.axis, bool(side.at > middle[1 - side.axis])
        if key not in outer or abs(side.at - middle[1 - side.axis]) > abs(outer[key].at - middle[1 - side.axis]):
            outer[key] = side
    points, closed = _around(outer)
    if points is None:
        return None
    return OpenFrame(points=points, closed=closed, edges=tuple(sorted({i for s in sides for i in s.edges})))


def _straights(stroke: Stroke, mm_per_px: float) -> list[Stroke]:
    """Return the straight lines that a stroke is made of, none where a part of it is bent or short."""
    chord = stroke.chord * mm_per_px
    if stroke.closed or max(chord, stroke.length * mm_per_px / 4) < _PART_MM:
        return []
    if stroke.bow * mm_per_px < max(_BOW_MM, _BOW_SHARE * chord):
        return [stroke]
    bow = max(_BOW_MM, _BOW_SHARE * stroke.length * mm_per_px / 2)
    chain = cv2.approxPolyDP(stroke.points.astype(np.float32).reshape(-1, 1, 2), bow / mm_per_px, closed=False)
    knots = chain.reshape(-1, 2)
    if np.hypot(*np.diff(knots, axis=0).T).min() * mm_per_px < _PART_MM:
        return []
    at = [int(np.argmin(np.hypot(*(stroke.points - k).T))) for k in knots[1:-1]]
    spans = pairwise([0, *at, len(stroke.points) - 1])
    return [replace(stroke, points=stroke.points[a : b + 1]) for a, b in spans]


def _sides(
    lines: Sequence[Stroke], axes: NDArray[np.float64], pieces: Points, shape: tuple[int, ...], mm_per_px: float
) -> list[_Side]:
    """Return the lines that may be sides, parts on one line taken together."""
    parts: list[tuple[int, float, Stroke]] = []
    for line in lines:
        way = line.points[-1] - line.points[0]
        along = np.abs(axes @ (way / np.hypot(*way)))
        axis = int(np.argmax(along))
        if along[axis] < np.cos(np.radians(_SQUARE_DEG)):
            continue
        parts.append((axis, float((line.points @ axes[1 - axis]).mean()), line))
    extent = np.abs(axes) @ np.array([shape[1], shape[0]], dtype=np.float64)
    out = []
    while parts:
        axis, at, line = max(parts, key=lambda p: p[2].length)
        # Lines that are not quite square lie farther apart at their ends.
        mine = [
            p for p in parts
            if p[0] == axis and _on_line(p[2].points, line.points) * mm_per_px < _ONE_LINE_MM
        ]  # fmt: skip
        parts = [p for p in parts if not any(p is m for m in mine)]
        length = sum(p[2].length for p in mine)
        beyond = _beside(pieces, line.points)
        one_side = max((beyond > 0).mean(), (beyond < 0).mean()) > _INSIDE_SHARE
        if one_side and length > max(SIDE_SHARE * extent[axis], LEAST_SIDE_MM / mm_per_px):
            every = np.concatenate([p[2].points for p in mine])
            order = np.argsort(every @ axes[axis], kind="stable")
            edges = tuple(i for p in mine for i in p[2].edges)
            out.append(_Side(axis=axis, at=at, points=every[order], edges=edges))
    return out


def _beside(points: Points, line: Points) -> NDArray[np.float64]:
    """Return how far points lie beside the straight line through a line's ends, signed."""
    way = line[-1] - line[0]
    return np.asarray((points - line[0]) @ np.array([-way[1], way[0]]) / max(1e-9, float(np.hypot(*way))))


def _on_line(points: Points, line: Points) -> float:
    """Return how far the ends of some points lie beside the straight line through a line's ends."""
    return float(np.abs(_beside(points[[0, -1]], line)).max())


def _around(sides: dict[tuple[int, bool], _Side]) -> tuple[Points | None, bool]:
    """Return the line around through all sides and the corners between them, and whether it closes."""
    order = [(0, False), (1, True), (0, True), (1, False)]
    there = [key in sides for key in order]
    if all(there):
        corners = [_meeting(sides[order[k - 1]].points, sides[order[k]].points) for k in range(4)]
        return _dense(np.array([*corners, corners[0]])), True
    # Begin behind a side that is missing, at the longest run of sides.
    runs = []
    for start in range(4):
        run: list[tuple[int, bool]] = []
        while len(run) < 4 and there[(start + len(run)) % 4]:
            run.append(order[(start + len(run)) % 4])
        runs.append(run)
    run = max(runs, key=len)
    if len(run) < 2:
        return None, False
    corners = [_meeting(sides[a].points, sides[b].points) for a, b in pairwise(run)]
    ends = [
        _far_end(sides[key].points, corner) for key, corner in ((run[0], corners[0]), (run[-1], corners[-1]))
    ]  # fmt: skip
    return _dense(np.array([ends[0], *corners, ends[1]])), False


def _far_end(points: Points, corner: Points) -> Points:
    ends = points[[0, -1]]
    return np.asarray(ends[int(np.argmax(np.hypot(*(ends - corner).T)))])


def _meeting(one: Points, other: Points) -> Points:
    """Return where the straight lines through two sides meet."""
    middles, ways = [], []
    for points in (one, other):
        middle = points.mean(axis=0)
        middles.append(middle)
        ways.append(np.linalg.svd(points[:: max(1, len(points) // 500)] - middle, full_matrices=False)[2][0])
    s, _ = np.linalg.solve(np.stack([ways[0], -ways[1]], axis=1), middles[1] - middles[0])
    return np.asarray(middles[0] + s * ways[0])


def _dense(corners: Points) -> Points:
    parts = []
    for a, b in pairwise(corners):
        count = max(2, int(np.hypot(*(b - a)) / _STEP_PX))
        parts.append(a + np.linspace(0.0, 1.0, count, endpoint=False)[:, None] * (b - a))
    return np.concatenate([*parts, corners[-1:]])
