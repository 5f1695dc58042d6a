"""One piece made two along a line, with an allowance on the cut of each.

The line runs straight between two places on the outline, or along a line drawn inside the piece (carried on straight to
the outline where it stops short). It stays on both parts as their stitching line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracer.crossing import crossings, line_crossings, nearest, stretch
from tracer.cutting.edges import Edge, place_along, place_point, point_on
from tracer.cutting.marks import anchor, clipped, moved_with_edges, notch_places
from tracer.cutting.offset import moved
from tracer.cutting.resolve import Labelled
from tracer.cutting.shape import CUT_EDGE, Shape, require_simple
from tracer.cutting.trimming import holes_inside
from tracer.cutting.words import both, place
from tracer.errors import CutListError
from tracer.path import OpenPath, Path
from tracer.piece import Mark
from tracer.segments import Segment, derivative, end_direction, evaluate, line, start_direction

NOTCH_MM = 5.0
"""Length of the notches a split makes (common practice, no source)."""

_ON_OUTLINE_MM = 1e-6
_SAME_PLACE_MM = 1e-3

Place = tuple[int, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One of the two: as finished (to the cut), and with the allowance on the cut."""

    finished: Shape
    shape: Shape


def _between(shape: Shape, start: Place, end: Place) -> Labelled:
    """The outline from one place to another in its direction of travel."""
    doubled = list(shape.outline.segments) * 2
    labels = shape.labels * 2
    count = len(shape.labels)
    stop = end if end > start else (end[0] + count, end[1])
    return [(s, labels[k]) for k, s in stretch(doubled, start, stop)]


def line_between(shape: Shape, start: str, end: str) -> OpenPath:
    """Return the straight line between two places on the outline (see :func:`tracer.cutting.edges.point_on`)."""
    notches = notch_places(shape)
    a, b = (place_point(shape, point_on(shape, word, notches)) for word in (start, end))
    if float(np.hypot(*(a - b))) < 1e-3:
        raise CutListError(f"'{start}' and '{end}' are the same place; a split needs two")
    return OpenPath((line(a, b),))


def drawn_line(shape: Shape, word: str) -> OpenPath:
    """Return a line drawn inside the piece by its place among them: ``line 1`` is the first internal line.

    Raises
    ------
    CutListError
        When it is not there.
    """
    drawn = [m.path for m in shape.marks if m.kind == "internal line" and m.path is not None and not m.path.is_closed]
    name, _, number = word.strip().partition(" ")
    if name.lower() != "line" or not number.strip().isdigit() or not 1 <= int(number) <= len(drawn):
        have = f"its lines are 'line 1' to 'line {len(drawn)}'" if drawn else "no line is drawn inside it"
        raise CutListError(f"there is no '{word}' on the piece; {have}")
    return _carried_on(shape, drawn[int(number) - 1])


def _carried_on(shape: Shape, path: OpenPath) -> OpenPath:
    outline = shape.outline.segments
    segments: list[Segment] = list(path.segments)
    hits = crossings(segments, outline)
    if len(hits) >= 2:
        places = sorted((c.i, c.t) for c in hits)
        return OpenPath(tuple(s for _, s in stretch(segments, places[0], places[-1])))
    for at_end in (False, True):
        point = segments[-1][-1] if at_end else segments[0][0]
        direction = end_direction(segments[-1]) if at_end else -start_direction(segments[0])
        if nearest(outline, point).distance_mm <= _ON_OUTLINE_MM:
            continue
        ahead = sorted((along, k, t) for k, t, along in line_crossings(outline, point, direction) if along > 0)
        if not ahead:
            raise CutListError("the line does not reach the outline")
        extension = line(point, point + ahead[0][0] * direction)
        segments = [*segments, extension] if at_end else [extension[::-1], *segments]
    return OpenPath(tuple(segments))


def _kept_notches(shape: Shape, marks: Sequence[Mark], part: Path) -> tuple[Mark, ...]:
    """The marks without notches whose place on the whole outline lies on the other part."""
    kept = []
    for mark in marks:
        spot = anchor(mark, shape.outline) if mark.kind == "notch" else None
        if spot is not None:
            foot = nearest(shape.outline.segments, spot)
            if nearest(part.segments, foot.point).distance_mm > _SAME_PLACE_MM:
                continue
        kept.append(mark)
    return tuple(kept)


def _matching_notches(cut: OpenPath, count: int, inward: float) -> tuple[Mark, ...]:
    """Notches evenly along the cut, drawn from it into the part that lies on one side.

    ``inward`` is 1 for the part on the right of the cut's direction of travel (y down), -1 for the other.
    """
    marks = []
    edge = Edge(name=CUT_EDGE, first=0, segments=cut.segments)
    for n in range(count):
        k, t = place_along(edge, edge.length_mm * (n + 1) / (count + 1))
        at = evaluate(cut.segments[k], t)
        along = derivative(cut.segments[k], t)
        along = along / np.hypot(*along)
        tip = at + inward * NOTCH_MM * np.array([-along[1], along[0]])
        marks.append(Mark(kind="notch", path=OpenPath((line(at, tip),)), text="split"))
    return tuple(marks)


def split(shape: Shape, cut: OpenPath, allowance_mm: float = 0.0, *, notches: int = 0) -> tuple[Part, Part]:
    """Make two pieces of one along a line.

    Parameters
    ----------
    shape : Shape
    cut : OpenPath
        From outline to outline, inside the piece in between.
    allowance_mm : float
        Added outside the cut on both parts.
    notches : int
        New notches along the cut, at the same places on both parts.

    Returns
    -------
    tuple of Part
        First the part on the left of the line (seen along it; y down), named by where it lies by the caller.

    Raises
    ------
    CutListError
        When the line leaves the piece, runs along its edge, or cuts through a hole.
    """
    outline = shape.outline.segments
    ends = []
    for point in (cut.segments[0][0], cut.segments[-1][-1]):
        foot = nearest(outline, point)
        ends.append((foot.segment, foot.t))
    _require_inside(shape, cut)
    start, end = ends
    forward: Labelled = [(s, CUT_EDGE) for s in cut.segments]
    backward: Labelled = [(s, CUT_EDGE) for s in cut.reversed().segments]
    first = _snapped_ends(_between(shape, end, start), forward)
    second = _snapped_ends(_between(shape, start, end), backward)
    what = "splitting"
    parts = []
    for chain, inward in ((first, 1.0), (second, -1.0)):
        if abs(Path(tuple(s for s, _ in chain)).signed_area) < 1e-3:
            raise CutListError("the split line runs along the outline; nothing would be cut off")
        finished = require_simple(shape.with_chain(chain), what)
        marks = _kept_notches(shape, clipped(shape.marks, finished.outline), finished.outline)
        marks = (*marks, *_matching_notches(cut, notches, inward))
        finished = replace(finished, marks=marks, holes=holes_inside(shape.holes, finished.outline, what))
        parts.append(Part(finished=finished, shape=_with_allowance(finished, cut, allowance_mm)))
    return parts[0], parts[1]


def _with_allowance(finished: Shape, cut: OpenPath, allowance_mm: float) -> Shape:
    if allowance_mm == 0:
        return finished
    widths = [allowance_mm if n == CUT_EDGE else 0.0 for n in finished.labels]
    result = moved(finished.chain, widths)
    seam = Mark(kind="stitching line", path=cut, text="split")
    marks = moved_with_edges(finished.marks, finished, widths)
    shape = replace(finished.with_chain(result.chain), marks=(*marks, seam))
    return require_simple(shape, f"an allowance of {both(allowance_mm)} on the split")


def _snapped_ends(outline: Labelled, cut: Labelled) -> Labelled:
    """The outline's stretch closed by the cut; the stretch's ends give way to the cut's (they differ by rounding)."""
    first, name = outline[0]
    first = first.copy()
    first[0] = cut[-1][0][-1]
    outline = [(first, name), *outline[1:]]
    last, name = outline[-1]
    last = last.copy()
    last[-1] = cut[0][0][0]
    return [*outline[:-1], (last, name), *cut]


def _require_inside(shape: Shape, cut: OpenPath) -> None:
    points: Sequence[np.ndarray] = [cut.segments[0][0], cut.segments[-1][-1]]
    for c in crossings(cut.segments, shape.outline.segments):
        if all(float(np.hypot(*(np.array(c.point) - p))) > 1e-3 for p in points):
            raise CutListError(
                f"the split line leaves the piece near {place(c.point, shape.outline.bounds)}; choose two other places"
            )
    for hole in shape.holes:
        if crossings(cut.segments, hole.segments):
            box = hole.bounds
            where = place((box.x_min, box.y_min), shape.outline.bounds)
            raise CutListError(f"the split line cuts through the hole that begins {where}")


def side_names(one: Shape, two: Shape) -> tuple[str, str]:
    """Return words that tell two parts apart by where they lie: left and right, or top and bottom."""
    a, b = np.array(one.outline.centroid), np.array(two.outline.centroid)
    if abs(a[0] - b[0]) >= abs(a[1] - b[1]):
        return ("left", "right") if a[0] <= b[0] else ("right", "left")
    return ("top", "bottom") if a[1] <= b[1] else ("bottom", "top")
