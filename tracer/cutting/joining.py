"""Two pieces made one at an edge, each losing its allowance there.

The second piece is turned and moved, never bent or mirrored unless asked, until its edge lies on the first one's.
Edges of unequal length are laid with their middles (or one end) together, and the difference is reported: when sewn
it would be eased. Steps of up to 0.2 mm at the ends (drawing noise) are closed by letting both meet half way; larger
ones stay as straight steps, so that no area is made up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration import Finding
from tracer.crossing import nearest_all
from tracer.cutting.copies import transformed_mark
from tracer.cutting.edges import Edge, find_edge
from tracer.cutting.marks import NOTCH_REACH_MM, anchor, grain_direction, notch_places
from tracer.cutting.resolve import Labelled
from tracer.cutting.shape import Shape, flat_polygon, require_simple, turn_at
from tracer.cutting.trimming import trim
from tracer.cutting.words import both, counted, place
from tracer.errors import CutListError
from tracer.path import Affine, OpenPath, Path, mirror_matrix
from tracer.piece import Mark
from tracer.segments import evaluate, line, segment_length, subsegment

Array = NDArray[np.float64]
Match = Literal["start", "middle", "end"]

SNAP_MM = 0.2
EDGES_PART_MM = 2.0
"""Edges that part by more cannot lie flat as one: the general tolerance for cut parts (2 mm, trade practice)."""

NOTCH_TOLERANCE_MM = 25.4 / 16
"""1/16 in, home sewing (from memory)."""

_SAME_LENGTH_MM = 0.01
_END_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joined:
    """A join, with what was compared.

    ``lengths_mm`` of both edges; ``parting_mm`` is how far the two edges lie apart at most; ``turned_deg`` by how
    much the second piece was turned (clockwise on screen).
    """

    shape: Shape
    lengths_mm: tuple[float, float]
    parting_mm: float
    turned_deg: float
    placement: Affine
    findings: tuple[Finding, ...]


def edge_notches(shape: Shape, edge: Edge) -> list[float]:
    """Return how far along an edge each of its notches lies, from its top or left end, in mm.

    A notch at the very end of an edge belongs to its neighbour (or was cut through there) and is left out.
    """
    found = []
    for spot in notch_places(shape):
        index, t, distance = (a[0] for a in nearest_all(edge.segments, spot[None]))
        if distance > 0.01:
            continue
        along = sum(segment_length(s) for s in edge.segments[:index])
        along += segment_length(subsegment(edge.segments[index], 0.0, float(t))) if t > 0 else 0.0
        if not _END_MM < along < edge.length_mm - _END_MM:
            continue
        found.append(along if edge.runs_naturally else edge.length_mm - along)
    return sorted(found)


def mirrored_shape(shape: Shape) -> Shape:
    """Return the mirror image of a shape about the upright line through its middle."""
    box = shape.outline.bounds
    matrix = mirror_matrix(((box.x_min + box.x_max) / 2, 0.0), (0.0, 1.0))
    return Shape(
        outline=shape.outline.transformed(matrix).reversed(),
        labels=shape.labels[::-1],
        holes=tuple(h.transformed(matrix).reversed() for h in shape.holes),
        marks=tuple(transformed_mark(m, matrix) for m in shape.marks),
    )


def _placement(edge: Edge, other: Edge, match: Match) -> tuple[Affine, float]:
    """The motion that lays the other edge, run backwards, on the edge; ``match`` counts along the edge."""
    a, b = edge.end - edge.start, other.start - other.end
    angle = math.atan2(float(b[0] * a[1] - b[1] * a[0]), float(b @ a))
    c, s = math.cos(angle), math.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    share = {"start": 0.0, "middle": 0.5, "end": 1.0}[match]
    goal = edge.start + share * a
    return np.column_stack([turn, goal - turn @ (other.end + share * b)]), math.degrees(angle)


def _shape_moved(shape: Shape, matrix: Affine, prefix: str) -> Shape:
    return Shape(
        outline=shape.outline.transformed(matrix),
        labels=tuple(f"{prefix}:{n}" for n in shape.labels),
        holes=tuple(h.transformed(matrix) for h in shape.holes),
        marks=tuple(transformed_mark(m, matrix) for m in shape.marks),
    )


def _rest(shape: Shape, edge: Edge) -> Labelled:
    chain, count = shape.chain, len(shape.labels)
    return [chain[(edge.first + len(edge.segments) + k) % count] for k in range(count - len(edge.segments))]


def _end_moved(chain: Labelled, point: Array, *, at_end: bool) -> Labelled:
    """Move the first or last point of a chain, its arm with it."""
    segment, name = chain[-1 if at_end else 0]
    moved = segment.copy()
    shift = point - (segment[-1] if at_end else segment[0])
    moved[-1 if at_end else 0] = point
    if len(segment) == 4:
        moved[-2 if at_end else 1] += shift
    return [*chain[:-1], (moved, name)] if at_end else [(moved, name), *chain[1:]]


def _closed_gap(one: Labelled, two: Labelled) -> tuple[Labelled, Labelled, Labelled]:
    """Bring the end of one chain and the start of the next together: moved, or joined by a straight step."""
    a, b = one[-1][0][-1], two[0][0][0]
    if float(np.hypot(*(a - b))) <= SNAP_MM:
        middle = (a + b) / 2
        return _end_moved(one, middle, at_end=True), _end_moved(two, middle, at_end=False), []
    return one, two, [(line(a, b), two[0][1])]


def _corner_findings(chain: Labelled, joints: list[Array], where: str) -> list[Finding]:
    found = []
    box = Path(tuple(s for s, _ in chain)).bounds
    for k in range(len(chain)):
        before, after = chain[k - 1][0], chain[k][0]
        if not any(float(np.hypot(*(after[0] - j))) < 1e-3 for j in joints):
            continue
        turn = turn_at(before, after)
        if abs(turn) > 0.05:
            kind = "point" if turn > 0 else "dip"
            message = f"the outline has a {kind} of {180 - turn:.2f} degrees where the seam was, {place(after[0], box)}"
            found.append(Finding(code="join-corner", message=message, severity="note", where=where))
    return found


def _notch_findings(first: list[float], second: list[float], where: str) -> list[Finding]:
    if len(first) != len(second):
        message = f"{counted(len(first), 'notch', 'notches')} on one edge, {len(second)} on the other"
        return [Finding(code="notches-differ", message=message, where=where)] if first or second else []
    found = []
    for n, (a, b) in enumerate(zip(first, second, strict=True), start=1):
        if abs(a - b) > NOTCH_TOLERANCE_MM:
            found.append(
                Finding(code="notches-differ", message=f"notch {n} is {both(abs(a - b))} off its partner", where=where)
            )
    return found


def join(
    shape: Shape,
    other: Shape,
    *,
    edge: str | int,
    to: str | int,
    drop_mm: float = 0.0,
    other_name: str = "joined",
    match: Match = "middle",
    mirror: bool = False,
    where: str = "join",
) -> Joined:
    """Make one piece of two.

    Parameters
    ----------
    shape, other : Shape
    edge, to : str or int
        The edge of the first and of the second piece.
    drop_mm : float
        The allowance each loses along its edge first.
    other_name : str
        Its edges are called ``other_name:1`` and so on afterwards.
    match : {'start', 'middle', 'end'}
        What is laid together where the edges differ in length: their top (or left) ends, middles, or other ends.
    mirror : bool
        Turn the second piece over first.
    where : str
        Begins the messages.

    Raises
    ------
    CutListError
        When an edge is not there, the edges part by more than 2 mm when laid on each other, or the pieces overlap.
    """
    if mirror:
        other = mirrored_shape(other)
    if drop_mm > 0:
        shape = trim(shape, edge, drop_mm)
        try:
            other = trim(other, to, drop_mm)
        except CutListError as error:
            raise CutListError(f"of '{other_name}': {error}") from error
    try:
        second = find_edge(other, to)
    except CutListError as error:
        raise CutListError(f"of '{other_name}': {error}") from error
    first = find_edge(shape, edge)
    lengths = (first.length_mm, second.length_mm)
    # Where the second edge begins on the first, so that notches are compared as they lie on each other.
    late = {"start": 0.0, "middle": 0.5, "end": 1.0}[match] * (lengths[0] - lengths[1])
    notches = edge_notches(shape, first), [n + late for n in edge_notches(other, second)]
    along_edge: Match = match
    if match != "middle" and not first.runs_naturally:
        along_edge = "end" if match == "start" else "start"
    matrix, angle = _placement(first, second, along_edge)
    placed = _shape_moved(other, matrix, other_name)
    laid = OpenPath(second.segments).transformed(matrix)
    parting = _parting(first.path, laid)
    if parting > EDGES_PART_MM:
        raise CutListError(
            f"the edges '{edge}' and '{to}' part by {both(parting)} when laid on each other; "
            "they have different curves and cannot be cut as one"
        )
    one, two = _rest(shape, first), _rest(placed, replace(second, segments=tuple(laid.segments)))
    if not one or not two:
        raise CutListError("a piece cannot be joined along an edge that goes all the way round")
    joints = [one[-1][0][-1], two[0][0][0], two[-1][0][-1], one[0][0][0]]
    one, two, step_one = _closed_gap(one, two)
    two, one, step_two = _closed_gap(two, one)
    joints += [one[0][0][0], two[0][0][0]]
    chain = [*one, *step_one, *two, *step_two]
    result = shape.with_chain(_one_name_across(chain, len(one) + len(step_one)))
    overlap = flat_polygon(shape.outline.segments).intersection(flat_polygon(placed.outline.segments)).area
    if overlap > parting * min(lengths) + SNAP_MM * max(lengths) + 0.1:
        raise CutListError(
            f"'{other_name}' would lie over the piece ({overlap:.0f} mm2); its edge '{to}' is not the outer one"
        )
    gone = [m for m in (*shape.marks, *placed.marks) if _on_seam(m, first.path)]
    marks = tuple(m for m in (*shape.marks, *placed.marks) if not any(m is g for g in gone))
    result = replace(result, marks=marks, holes=(*shape.holes, *placed.holes))
    findings: list[Finding] = []
    difference = lengths[0] - lengths[1]
    if abs(difference) > _SAME_LENGTH_MM:
        message = (
            f"the edges differ by {both(abs(difference))} ({lengths[0]:.2f} and {lengths[1]:.2f} mm); "
            "sewn, the longer one would be eased"
        )
        findings.append(
            Finding(
                code="edges-differ",
                message=message,
                severity="warning" if abs(difference) > SNAP_MM else "note",
                where=where,
            )
        )
    if parting > SNAP_MM:
        findings.append(
            Finding(
                code="edges-part", message=f"the edges part by {both(parting)} at most", severity="note", where=where
            )
        )
    findings += _notch_findings(*notches, where)
    findings += _grain_findings(shape, placed, where)
    findings += _corner_findings(result.chain, joints, where)
    return Joined(
        shape=require_simple(result, f"joining '{other_name}'"),
        lengths_mm=lengths,
        parting_mm=parting,
        turned_deg=angle,
        placement=matrix,
        findings=tuple(findings),
    )


def _parting(edge: OpenPath, laid: OpenPath) -> float:
    """Greatest distance between two edges, leaving out what one reaches beyond the other's ends."""
    worst = 0.0
    for one, two in ((edge, laid), (laid, edge)):
        segments = list(two.segments)
        points = np.concatenate([evaluate(s, np.linspace(0, 1, 33)) for s in one.segments])
        index, t, distance = nearest_all(segments, points)
        inner = ~(((index == 0) & (t <= 1e-9)) | ((index == len(segments) - 1) & (t >= 1 - 1e-9)))
        if inner.any():
            worst = max(worst, float(distance[inner].max()))
    return worst


def _one_name_across(chain: Labelled, joint: int) -> Labelled:
    """Lines that run straight on over a joint take one name, so that no node stays there."""
    out = list(chain)
    for k in (joint % len(out), 0):
        before, after = out[k - 1], out[k]
        if len(before[0]) == len(after[0]) == 2 and abs(turn_at(before[0], after[0])) < 1e-6:
            # The first piece's name stays: it is the one its cut list speaks of.
            name = before[1] if k else after[1]
            out[k - 1], out[k] = (before[0], name), (after[0], name)
    return out


def _on_seam(mark: Mark, seam: OpenPath) -> bool:
    if mark.kind not in ("notch", "stitching line"):
        return False
    if mark.kind == "notch":
        place = anchor(mark, seam)
        return place is not None and float(nearest_all(seam.segments, place[None])[2][0]) <= NOTCH_REACH_MM
    assert mark.path is not None
    return float(nearest_all(seam.segments, np.asarray(mark.path.flatten(0.1)))[2].max()) <= SNAP_MM


def _grain_findings(shape: Shape, placed: Shape, where: str) -> list[Finding]:
    one, other = grain_direction(shape.marks), grain_direction(placed.marks)
    if one is None or other is None:
        return []
    # A grain line may be drawn either way round.
    apart = math.degrees(math.acos(min(1.0, abs(float(one @ other)))))
    if apart < 0.5:
        return []
    message = f"the grain lines of the two parts differ by {apart:.1f} degrees"
    return [Finding(code="grain-differs", message=message, where=where)]
