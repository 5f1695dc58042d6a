"""Unfolding: a piece drawn to be placed on the fold, made whole by its mirror image.

The fold is the chord of a straight edge. Where the drawing meets it square, lines from both halves become one line
and curves one smooth cubic, so that neither a node nor a corner is left on the fold; the cubic keeps within 0.001 mm
of the halves. Where it is off square by no more than the piece's own uncertainty it is made square; where it is off
by more, the whole piece has a point or a dip there, which is reported and can be trued: the last two inches are
redrawn as a curve that meets the fold square (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration import Finding
from tracer.crossing import nearest, nearest_all
from tracer.cutting.copies import transformed_mark
from tracer.cutting.edges import Edge, find_edge
from tracer.cutting.marks import NOTCH_REACH_MM, anchor, unfolded
from tracer.cutting.resolve import Labelled
from tracer.cutting.shape import Shape, require_simple
from tracer.cutting.words import both
from tracer.errors import CutListError
from tracer.path import Affine, OpenPath, mirror_matrix
from tracer.piece import Mark
from tracer.segments import Segment, cubic, derivative, end_direction, evaluate, line, segment_length, split_segment

Array = NDArray[np.float64]

STRAIGHT_MM = 0.25
"""An edge straighter than this can be a fold; four times the tracing tolerance of a photo (from memory)."""

TRUING_MM = 50.8
MERGED_MM = 0.001
_SQUARE_DEG = 1e-6
_EVEN_MM = 0.002
_NODE_SPAN_MM = 0.5


def _merged_deviation(curve: Segment, merged: Segment) -> float:
    """Greatest distance between the first half of ``merged`` and ``curve``, both ways."""
    half = split_segment(merged, 0.5)[0]
    t = np.linspace(0, 1, 41)
    one_way = nearest_all([curve], evaluate(half, t))[2]
    other_way = nearest_all([half], evaluate(curve, t))[2]
    return float(max(one_way.max(), other_way.max()))


def _symmetric(curve: Segment, matrix: Affine, along: Array) -> Segment | None:
    """The symmetric cubic that leaves as ``curve`` does and meets the fold where it ends."""
    start, direction = curve[0], derivative(curve, 1e-9)
    direction = direction / max(float(np.hypot(*direction)), 1e-12)
    rise, lean = float((curve[-1] - start) @ along), float(direction @ along)
    image = matrix[:, :2] @ start + matrix[:, 2]
    chord = float(np.hypot(*(image - start)))
    arm = 4 / 3 * rise / lean if abs(lean) > 1e-6 else chord / 3
    if not 0.05 * chord < arm < 2 * chord:
        return None
    tip = start + arm * direction
    return cubic(start, tip, matrix[:, :2] @ tip + matrix[:, 2], image)


def _across(curve: Segment, matrix: Affine, along: Array) -> list[Segment]:
    """A curve that ends square on the fold, and its mirror image, with no node on the fold."""
    if len(curve) == 2:
        return [curve, curve[::-1] @ matrix[:, :2].T + matrix[:, 2]]
    low, high = 0.0, 1.0
    best: tuple[float, Segment] | None = None
    for attempt in range(14):
        t = 0.0 if attempt == 0 else (low + high) / 2
        part = curve if t == 0 else split_segment(curve, t)[1]
        merged = _symmetric(part, matrix, along)
        if merged is not None and _merged_deviation(part, merged) <= MERGED_MM:
            best, high = (t, merged), t
            if t == 0:
                break
        else:
            low = t
    image = curve[::-1] @ matrix[:, :2].T + matrix[:, 2]
    if best is None or segment_length(best[1]) < _NODE_SPAN_MM:
        return [curve, image]
    t, merged = best
    if t == 0:
        return [merged]
    before = split_segment(curve, t)[0]
    return [before, merged, before[::-1] @ matrix[:, :2].T + matrix[:, 2]]


def _off_square(segment: Segment, along: Array, inward: Array) -> float:
    """Degrees by which a segment that ends on the fold is off square; positive makes a point, negative a dip.

    ``along`` points away from the piece's inside at this end of the fold.
    """
    direction = end_direction(segment)
    return math.degrees(math.atan2(float(direction @ along), float(direction @ -inward)))


def _foot(point: Array, on_fold: Array, along: Array) -> Array:
    return np.asarray(on_fold + float((point - on_fold) @ along) * along)


def _squared_end(segment: Segment, on_fold: Array, along: Array) -> Segment:
    """The segment made to meet the fold square by moving its end (a line) or its last arm (a curve)."""
    if len(segment) == 2:
        return line(segment[0], _foot(segment[0], on_fold, along))
    arm = segment[2] - segment[3]
    square = arm - float(arm @ along) * along
    size = float(np.hypot(*square))
    if size < 1e-9:
        return segment
    return cubic(segment[0], segment[1], segment[3] + square / size * float(np.hypot(*arm)), segment[3])


def _trued(segment: Segment, on_fold: Array, along: Array) -> list[Segment]:
    """The segment with its last two inches (or half of it) redrawn to meet the fold square."""
    length = segment_length(segment)
    reach = min(TRUING_MM, length / 2)
    low, high = 0.0, 1.0
    for _ in range(50):
        mid = (low + high) / 2
        if segment_length(split_segment(segment, mid)[1]) > reach:
            low = mid
        else:
            high = mid
    before, after = split_segment(segment, low)
    start, direction = after[0], end_direction(before)
    inward = start - _foot(start, on_fold, along)
    depth = float(np.hypot(*inward))
    toward = float(direction @ -inward) / depth
    if toward < 0.1:
        raise CutListError("the outline meets the fold too flat to be trued; redraw it there")
    # Half way to the fold along the tangent, then straight across: the quadratic with that middle point.
    middle = start + direction * (depth / 2 / toward)
    end = _foot(middle, on_fold, along)
    return [before, cubic(start, start + 2 / 3 * (middle - start), end + 2 / 3 * (middle - end), end)]


def _finished_end(
    segment: Segment, on_fold: Array, along: Array, inward: Array, *, true: bool, uncertainty_mm: float, where: str
) -> tuple[list[Segment], bool, list[Finding]]:
    """The end of the half at the fold: its segments, whether it is square now, and what to say."""
    off = _off_square(segment, along, inward)
    if abs(off) <= _SQUARE_DEG:
        return [segment], True, []
    kind = "point" if off > 0 else "dip"
    squared = _squared_end(segment, on_fold, along)
    t = np.linspace(0, 1, 21)
    shift = float(np.hypot(*(evaluate(segment, t) - evaluate(squared, t)).T).max())
    place = f"at the fold's {_end_word(along)} end"
    if shift <= _EVEN_MM:
        return [squared], True, []
    if shift <= uncertainty_mm:
        note = f"{90 - off:.2f} degrees to the fold {place}, made square (moved {shift:.3f} mm, within its uncertainty)"
        return [squared], True, [Finding(code="fold-squared", message=note, severity="note", where=where)]
    if true:
        parts = _trued(segment, on_fold, along)
        gap = float(nearest_all(parts, evaluate(segment, t))[2].max())
        note = f"the {kind} of {abs(2 * off):.2f} degrees {place} was trued; the line moved by at most {both(gap)}"
        return parts, True, [Finding(code="fold-trued", message=note, severity="note", where=where)]
    note = (
        f"the outline meets the fold at {90 - off:.2f} degrees {place}, so the whole piece has a {kind} "
        f"({180 - 2 * off:.2f} degrees) there; add true = true to round it off"
    )
    return [segment], False, [Finding(code="fold-not-square", message=note, where=where)]


def _end_word(outward: Array) -> str:
    """Which end of the fold lies in a direction: top or bottom, left or right for a fold nearer to level."""
    if abs(outward[1]) >= abs(outward[0]):
        return "top" if outward[1] < 0 else "bottom"
    return "left" if outward[0] < 0 else "right"


def _fold_line(shape: Shape, word: str | int, uncertainty_mm: float) -> Edge:
    edge = find_edge(shape, word)
    bulge = edge.bulge_mm()
    allowed = max(STRAIGHT_MM, uncertainty_mm)
    if bulge > allowed:
        raise CutListError(
            f"the edge '{word}' is not straight: it strays {both(bulge)} from a straight line; "
            "a piece can be unfolded on a straight edge only"
        )
    if len(edge.segments) == len(shape.labels):
        raise CutListError(f"the edge '{word}' goes all the way round; a piece can be unfolded on a straight edge only")
    return edge


def unfold(
    shape: Shape, edge: str | int, *, true: bool = False, uncertainty_mm: float = 0.0, where: str = "unfold"
) -> tuple[Shape, list[Finding]]:
    """Mirror a piece over a straight edge and make both halves one piece.

    Parameters
    ----------
    shape : Shape
    edge : str or int
    true : bool
        Redraw the outline near the fold where it does not meet it square.
    uncertainty_mm : float
        The piece's expanded uncertainty; ends off square by less than it are made square.
    where : str
        Begins the messages.

    Raises
    ------
    CutListError
        When the edge is not there or not straight, or the piece reaches over it.
    """
    fold = _fold_line(shape, edge, uncertainty_mm)
    start, end = fold.start, fold.end
    along = (end - start) / np.hypot(*(end - start))
    # The inside lies on the right of the direction of travel (y down: (dx, dy) -> (-dy, dx)).
    inward = np.array([-along[1], along[0]])
    matrix = mirror_matrix(start, along)
    chain, count, size = shape.chain, len(shape.labels), len(fold.segments)
    rest: Labelled = [chain[(fold.first + size + k) % count] for k in range(count - size)]
    over = -float(((OpenPath(tuple(s for s, _ in rest)).flatten(0.002) - start) @ inward).min())
    if over > max(0.01, uncertainty_mm):
        raise CutListError(f"the piece reaches {both(over)} over its edge '{edge}'; it cannot be unfolded there")
    if len(rest) == 1:
        # One curve from fold to fold: halved, so that each end can be carried across on its own.
        rest = [(s, rest[0][1]) for s in split_segment(rest[0][0], 0.5)]
    said: list[Finding] = []
    # The end of the rest lies on the fold's start: there the outside along the fold is against its direction.
    ends = []
    for segment, place, outside in ((rest[-1][0], start, -along), (rest[0][0][::-1], end, along)):
        parts, square, findings = _finished_end(
            segment, place, outside, inward, true=true, uncertainty_mm=uncertainty_mm, where=where
        )
        said += findings
        ends.append((parts, square))
    (last, last_square), (first, first_square) = ends
    rest = [
        *((s, rest[0][1]) for s in _backwards(first)),
        *rest[1:-1],
        *((s, rest[-1][1]) for s in last),
    ]
    whole_chain = _both_halves(rest, matrix, along, last_square=last_square, first_square=first_square)
    result = shape.with_chain(whole_chain)
    marks = tuple(m for m in shape.marks if not _notch_on(m, shape, fold))
    if len(marks) < len(shape.marks):
        note = f"the notches on the edge '{edge}' are left out: it is no seam any more"
        said.append(Finding(code="fold-notches", message=note, severity="note", where=where))
    images = [transformed_mark(m, matrix) for m in marks]
    holes = (*shape.holes, *(h.transformed(matrix).reversed() for h in shape.holes))
    result = replace(result, marks=unfolded(marks, images, (start, along)), holes=holes)
    return require_simple(result, f"unfolding on the edge '{edge}'"), said


def _notch_on(mark: Mark, shape: Shape, edge: Edge) -> bool:
    """Whether a mark is a notch on an edge, away from its ends."""
    spot = anchor(mark, shape.outline) if mark.kind == "notch" else None
    if spot is None:
        return False
    foot = nearest(shape.outline.segments, spot)
    count = len(shape.labels)
    at_end = min(float(np.hypot(*(foot.point - p))) for p in (edge.start, edge.end)) < _NODE_SPAN_MM
    return not at_end and foot.distance_mm <= NOTCH_REACH_MM and foot.segment in {k % count for k in edge.indices}


def _both_halves(rest: Labelled, matrix: Affine, along: Array, *, last_square: bool, first_square: bool) -> Labelled:
    """The half, then its mirror image backwards; the two joints made one curve each where they are square."""

    def image(segment: Segment) -> Segment:
        return np.asarray(segment[::-1] @ matrix[:, :2].T + matrix[:, 2])

    first, last = rest[0], rest[-1]
    at_last = _across(last[0], matrix, along) if last_square else [last[0], image(last[0])]
    at_first = (
        _across(first[0][::-1], matrix, -along)
        if first_square
        else [first[0][::-1], first[0] @ matrix[:, :2].T + matrix[:, 2]]
    )
    middle = rest[1:-1]
    return (
        [(s, last[1]) for s in at_last]
        + [(image(s), n) for s, n in reversed(middle)]
        + [(s, first[1]) for s in _backwards(at_first)]
        + list(middle)
    )


def _backwards(parts: list[Segment]) -> list[Segment]:
    return [s[::-1] for s in reversed(parts)]
