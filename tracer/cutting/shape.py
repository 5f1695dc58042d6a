"""A piece while it is being made ready: its outline, and which edge each segment belongs to.

Every segment carries the name of its edge. The edges of a traced piece are named by number; what joining and
splitting add gets names of its own (``Bib side:2``, ``cut``). Names go along through every operation, so that ``3``
in a cut list means the same edge however much was trimmed before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from tracer.crossing import self_crossings
from tracer.cutting.resolve import Labelled
from tracer.cutting.words import place
from tracer.errors import CutListError
from tracer.path import CORNER_DEG, Path
from tracer.piece import Mark, Piece
from tracer.segments import Segment, end_direction, line, start_direction

CUT_EDGE = "cut"
"""The edge that splitting makes."""

_STRAIGHT_MM = 1e-7
_SAME_NODE_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """An outline with named edges, its holes and marks.

    Parameters
    ----------
    outline : Path
        Positively oriented.
    labels : tuple of str
        For each segment the name of its edge.
    holes : tuple of Path
    marks : tuple of Mark
    """

    outline: Path
    labels: tuple[str, ...]
    holes: tuple[Path, ...] = ()
    marks: tuple[Mark, ...] = ()

    @property
    def chain(self) -> Labelled:
        """The segments with the names of their edges."""
        return list(zip(self.outline.segments, self.labels, strict=True))

    @property
    def area_mm2(self) -> float:
        """Area of the outline less its holes."""
        return self.outline.area - sum(h.area for h in self.holes)

    def with_chain(self, chain: Labelled) -> Shape:
        """Return the shape with another outline; straight stretches of one edge become one line."""
        tidy = tidied(chain)
        return replace(self, outline=Path(tuple(s for s, _ in tidy)), labels=tuple(n for _, n in tidy))


def shape_of(piece: Piece) -> Shape:
    """Return a traced piece as a shape, its edges numbered clockwise from the corner nearest the top left."""
    outline = piece.outline.oriented()
    corners = sorted(outline.corners, key=lambda c: c.node)
    if not corners:
        only = ("1",) * len(outline.segments)
        return Shape(outline=outline, labels=only, holes=piece.holes, marks=piece.marks)
    box = outline.bounds
    first = min(corners, key=lambda c: np.hypot(c.point[0] - box.x_min, c.point[1] - box.y_min))
    outline = outline.starting_at(first.node)
    nodes = {c.node for c in outline.corners}
    labels: list[str] = []
    number = 0
    for node in range(len(outline.segments)):
        number += node in nodes or node == 0
        labels.append(str(number))
    return Shape(outline=outline, labels=tuple(labels), holes=piece.holes, marks=piece.marks)


def _is_straight_on(a: Segment, b: Segment) -> bool:
    """Whether two lines in a row are one line."""
    if len(a) != 2 or len(b) != 2:
        return False
    whole = b[1] - a[0]
    size = float(np.hypot(*whole))
    if size < _SAME_NODE_MM or float((a[1] - a[0]) @ (b[1] - b[0])) <= 0:
        return False
    off = a[1] - a[0]
    return abs(float(whole[0] * off[1] - whole[1] * off[0])) / size < _STRAIGHT_MM


def tidied(chain: Labelled) -> Labelled:
    """Return a closed chain without segments of no length, lines of one edge that run straight on made one."""
    solid = [(s, n) for s, n in chain if float(np.abs(s - s[0]).max()) > _SAME_NODE_MM]
    if len(solid) < 2:
        return solid
    out: Labelled = []
    for segment, name in solid:
        if out and float(np.abs(out[-1][0][-1] - segment[0]).max()) <= 10 * _SAME_NODE_MM:
            segment = segment.copy()
            segment[0] = out[-1][0][-1]
        if out and out[-1][1] == name and _is_straight_on(out[-1][0], segment):
            out[-1] = (line(out[-1][0][0], segment[1]), name)
        else:
            out.append((segment, name))
    if len(out) > 2 and out[0][1] == out[-1][1] and _is_straight_on(out[-1][0], out[0][0]):
        out[0] = (line(out[-1][0][0], out[0][0][1]), out[0][1])
        out.pop()
    last, first = out[-1][0].copy(), out[0][0]
    if float(np.abs(last[-1] - first[0]).max()) <= 20 * _SAME_NODE_MM:
        last[-1] = first[0]
        out[-1] = (last, out[-1][1])
    return out


def turn_at(before: Segment, after: Segment) -> float:
    """Return how far the direction turns between two segments, in degrees; positive is clockwise on screen."""
    a, b = end_direction(before), start_direction(after)
    return float(np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)))


def is_corner(before: Segment, after: Segment) -> bool:
    """Whether two segments in a row meet in a corner."""
    return abs(turn_at(before, after)) > 180.0 - CORNER_DEG


def require_simple(shape: Shape, what: str) -> Shape:
    """Return the shape when it does not cross itself; ``what`` begins the message otherwise.

    Checked on the curves and, independently, on their flattening within 0.005 mm.
    """
    hits = self_crossings(shape.outline.segments)
    ring = shapely.LinearRing(shape.outline.flatten(0.005)) if len(shape.outline.segments) > 1 else None
    if hits or (ring is not None and not ring.is_simple):
        where = f" {place(hits[0].point, shape.outline.bounds)}" if hits else ""
        raise CutListError(f"{what}: the outline would cross itself{where}")
    return shape


def flat_polygon(segments: Sequence[Segment], tolerance_mm: float = 0.002) -> shapely.Polygon:
    """Return a closed chain as a polygon within the tolerance, for questions that need no more than that."""
    return shapely.Polygon(Path(tuple(segments)).flatten(tolerance_mm))
