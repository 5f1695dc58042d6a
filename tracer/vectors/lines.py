"""Lines of a vector page, and how they join into loops.

Pattern pages often draw each edge of a piece as an object of its own. Lines whose ends meet are joined: first exactly,
then within 0.05 mm, first among lines of one style (colour, width, dashes), then across styles, since a fold edge is
often drawn differently from the rest. Segments are kept as they are; ends that meet are moved onto their common middle.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from calibration.picture import DrawnPath
from tracer.path import OpenPath, Path
from tracer.segments import Segment

JOIN_MM = 0.05
"""Ends this close meet: a fifth of the thinnest pattern line (judgement)."""

EXACT_MM = 0.001
"""Ends this close coincide but for the single precision of PDF readers."""

_LOOK_MM = 1.0
_WHITE = 250

Rgb = tuple[int, int, int]
Box = tuple[float, float, float, float]
Style = tuple[Rgb | None, Rgb | None, float, tuple[float, ...]]


@dataclass(frozen=True, kw_only=True, eq=False)
class VectorLine:
    """A drawn line: one subpath of the page, or several joined.

    ``stroke_rgb`` and ``fill_rgb`` are None where nothing shows on white paper. ``bridged`` says that gaps between
    dashes, or a last small gap, were closed by straight lines; ``as_drawn`` that it is one subpath of the page, whose
    segments meet already.
    """

    segments: tuple[Segment, ...]
    closed: bool
    stroke_rgb: Rgb | None
    fill_rgb: Rgb | None
    width_mm: float
    dash_mm: tuple[float, ...]
    object_index: int
    clip_mm: Box | None = None
    bridged: bool = False
    as_drawn: bool = False

    @cached_property
    def points(self) -> NDArray[np.float64]:
        """End and control points, shape (N, 2)."""
        return np.concatenate(self.segments)

    @cached_property
    def box(self) -> Box:
        """Box of the end and control points, which holds the line."""
        (x0, y0), (x1, y1) = self.points.min(axis=0), self.points.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    @property
    def extent_mm(self) -> tuple[float, float]:
        """Smaller and larger side of the box."""
        w, h = self.box[2] - self.box[0], self.box[3] - self.box[1]
        return (w, h) if w < h else (h, w)

    @property
    def style(self) -> Style:
        """What lines of one outline have in common."""
        return (
            self.stroke_rgb,
            self.fill_rgb if self.stroke_rgb is None else None,
            round(self.width_mm, 2),
            tuple(round(d, 1) for d in self.dash_mm),
        )

    def to_path(self) -> Path:
        """Return the closed path; zero-length segments are dropped."""
        return Path(tuple(_snapped(self.segments, closed=True)))

    def to_open(self) -> OpenPath:
        """Return the chain."""
        return OpenPath(self.segments if self.as_drawn else tuple(_snapped(self.segments, closed=False)))


def _shown(rgb: Rgb | None) -> Rgb | None:
    return None if rgb is None or min(rgb) >= _WHITE else rgb


def visible_lines(paths: Iterable[DrawnPath]) -> list[VectorLine]:
    """Return what shows on white paper: not white on white, not wholly clipped away, not of zero length."""
    lines = []
    for path in paths:
        stroke, fill = _shown(path.stroke_rgb), _shown(path.fill_rgb)
        if not path.segments or (stroke is None and fill is None):
            continue
        line = VectorLine(
            segments=path.segments,
            closed=path.closed,
            stroke_rgb=stroke,
            # A white fill under a stroke still says that the shape is an area, and its inner subpaths holes.
            fill_rgb=path.fill_rgb,
            width_mm=path.stroke_width_mm,
            dash_mm=path.dash_mm,
            object_index=path.object_index,
            clip_mm=path.clip_mm,
            as_drawn=True,
        )
        x0, y0, x1, y1 = line.box
        clip = path.clip_mm
        hidden = clip is not None and (x1 < clip[0] or x0 > clip[2] or y1 < clip[1] or y0 > clip[3])
        if not hidden and max(x1 - x0, y1 - y0) > EXACT_MM:
            lines.append(line)
    return lines


def _snapped(segments: Sequence[Segment], *, closed: bool) -> list[Segment]:
    """Drop segments of no length and bring meeting ends onto their common middle."""
    kept = [s for s in segments if np.abs(s - s[0]).max() > 1e-6] or [segments[0]]
    out = [np.array(s, dtype=np.float64) for s in kept]
    for i in range(0 if closed else 1, len(out)):
        before, after = out[i - 1], out[i]
        gap = after[0] - before[-1]
        if not gap.any():
            continue
        shift = gap / 2
        if len(before) == 4:
            before[2] += shift
        if len(after) == 4:
            after[1] -= shift
        before[-1] += shift
        after[0] = before[-1]
    return out


def joined(parts: Sequence[tuple[VectorLine, bool]], *, closed: bool, bridged: bool = False) -> VectorLine:
    """Return one line of several; the flag says which run backwards."""
    segments: list[Segment] = []
    for line, backwards in parts:
        segments.extend(s[::-1] for s in reversed(line.segments)) if backwards else segments.extend(line.segments)
    first = max((line for line, _ in parts), key=lambda line: len(line.segments))
    return VectorLine(
        segments=tuple(segments),
        closed=closed,
        stroke_rgb=first.stroke_rgb,
        fill_rgb=first.fill_rgb,
        width_mm=first.width_mm,
        dash_mm=first.dash_mm,
        object_index=first.object_index,
        clip_mm=first.clip_mm,
        bridged=bridged or any(line.bridged for line, _ in parts),
    )


def end_clusters(lines: Sequence[VectorLine], tolerance_mm: float) -> NDArray[np.int64]:
    """Return the node number of each line's start and end, shape (N, 2)."""
    ends = np.array([(line.segments[0][0], line.segments[-1][-1]) for line in lines]).reshape(-1, 2)
    pairs = cKDTree(ends).query_pairs(tolerance_mm, output_type="ndarray")
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(ends), len(ends)))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64).reshape(-1, 2)


def same_line(a: VectorLine, b: VectorLine, tolerance_mm: float) -> bool:
    """Whether two lines with the same ends run the same way."""
    if np.abs(np.subtract(a.box, b.box)).max() > tolerance_mm:
        return False
    one, other = middle_of(a), middle_of(b)
    return float(np.hypot(*(one - other))) <= 2 * tolerance_mm


def middle_of(line: VectorLine) -> NDArray[np.float64]:
    """Return the point half-way along a line (within its flattening)."""
    points = line.to_open().flatten(0.02)
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    return np.array([np.interp(along[-1] / 2, along, points[:, k]) for k in (0, 1)])


def join_ends(lines: Sequence[VectorLine], tolerance_mm: float) -> list[VectorLine]:
    """Join lines at every node where exactly two ends meet; loops come out closed, the rest as long as they go."""
    out = [line for line in lines if line.closed]
    open_lines = [line for line in lines if not line.closed]
    if not open_lines:
        return out
    nodes = end_clusters(open_lines, tolerance_mm)
    at_node: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for i, (a, b) in enumerate(nodes):
        if a == b:
            if open_lines[i].extent_mm[1] > 2 * tolerance_mm:
                out.append(joined([(open_lines[i], False)], closed=True))
            continue
        at_node[int(a)].append((i, 0))
        at_node[int(b)].append((i, 1))
    _drop_doubles(open_lines, nodes, at_node, tolerance_mm)
    left = {i for ends in at_node.values() for i, _ in ends}

    def walk(i: int, end: int) -> list[tuple[VectorLine, bool]]:
        """Follow from end ``end`` of line ``i`` along it and on through nodes of degree two."""
        steps = []
        while True:
            left.discard(i)
            steps.append((open_lines[i], end == 1))
            node = int(nodes[i, 1 - end])
            following = [(j, e) for j, e in at_node[node] if (j, e) != (i, 1 - end)]
            if len(at_node[node]) != 2 or not following or following[0][0] not in left:
                return steps
            i, end = following[0]

    for node in [n for n, ends in at_node.items() if len(ends) != 2]:
        for i, end in at_node[node]:
            if i in left:
                steps = walk(i, end)
                out.append(steps[0][0] if len(steps) == 1 else joined(steps, closed=False))
    for i in range(len(open_lines)):
        if i in left:
            out.append(joined(walk(i, 0), closed=True))
    return out


def _drop_doubles(
    lines: Sequence[VectorLine],
    nodes: NDArray[np.int64],
    at_node: dict[int, list[tuple[int, int]]],
    tolerance_mm: float,
) -> None:
    """Take lines drawn twice between the same nodes out of the nodes' lists, all but one."""
    by_ends: dict[tuple[int, int], list[int]] = defaultdict(list)
    for i in {i for ends in at_node.values() for i, _ in ends}:
        by_ends[int(nodes[i].min()), int(nodes[i].max())].append(i)
    for (a, b), group in by_ends.items():
        kept: list[int] = []
        for i in sorted(group):
            if any(same_line(lines[i], lines[k], tolerance_mm) for k in kept):
                for node in (a, b):
                    at_node[node] = [pair for pair in at_node[node] if pair[0] != i]
            else:
                kept.append(i)


def heading(line: VectorLine, *, backwards: bool) -> float:
    """Return the angle in which a line leaves its start (its end when ``backwards``), looking 1 mm along it."""
    points = np.asarray(line.to_open().flatten(0.02))
    if backwards:
        points = points[::-1]
    far = np.hypot(*(points - points[0]).T) >= _LOOK_MM
    at = points[int(np.argmax(far))] if far.any() else points[-1]
    return math.atan2(float(at[1] - points[0][1]), float(at[0] - points[0][0]))
