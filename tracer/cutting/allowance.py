"""Seam allowance: added, changed or taken off, with its own width and corners at each edge.

An outline is either the stitching line, or a cutting line that already includes an allowance; in that case the
stitching line is found first, by moving inward. The cutting line is then the stitching line moved outward. The
stitching line stays on the piece as a mark, the notches move out to the cutting line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from calibration import Finding
from tracer.crossing import nearest, nearest_all
from tracer.cutting.corners import CornerStyle
from tracer.cutting.edges import find_edges
from tracer.cutting.marks import grain_direction, moved_with_edges
from tracer.cutting.offset import Moved, greatest_gap_mm, moved
from tracer.cutting.offset_curve import stretch_of_parallel
from tracer.cutting.shape import CUT_EDGE, Shape, flat_polygon, require_simple, tidied, turn_at
from tracer.cutting.words import both, place
from tracer.errors import CutListError
from tracer.path import OpenPath, Path
from tracer.piece import Mark
from tracer.segments import evaluate

RETURNS_MM = 0.02
"""Moved out and back in, an outline comes back within this except where its shape forbids it."""

_LOST_APART_MM = 5.0
_FLAT_MM = 0.01
_DRAWN_MM = 0.5
_CORNER_OF_CURVE_DEG = 5.0
"""Corners blunter than this are left mitred: within a hundredth of the width, arc and mitre are the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeAllowance:
    """Width on one edge; ``corners`` None for the piece's own style."""

    width_mm: float
    corners: CornerStyle | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """What to add.

    Parameters
    ----------
    all_mm : float
        Width on every edge that is not named.
    edges : mapping
        Other widths and corners, by the edge's number, name or side.
    corners : CornerStyle
    includes_mm : float
        What the outline already includes on every edge that is not named in ``includes_edges``.
    includes_edges : mapping
    holes_mm, includes_holes_mm : float
        The same for the edges of holes, whose allowance lies inside the hole: 0 leaves them as they are.
    split_mm : float
        Width on edges that splitting made; they include nothing.
    """

    all_mm: float = 0.0
    edges: Mapping[str, EdgeAllowance] = field(default_factory=dict)
    corners: CornerStyle = "mitred"
    includes_mm: float = 0.0
    includes_edges: Mapping[str, float] = field(default_factory=dict)
    holes_mm: float = 0.0
    includes_holes_mm: float = 0.0
    split_mm: float = 0.0

    def __post_init__(self) -> None:
        widths = [
            self.all_mm,
            self.includes_mm,
            *(e.width_mm for e in self.edges.values()),
            *self.includes_edges.values(),
            self.holes_mm,
            self.includes_holes_mm,
            self.split_mm,
        ]
        if not all(np.isfinite(w) and w >= 0 for w in widths):
            raise CutListError("an allowance cannot be negative; to take one off say what the outline includes")

    @property
    def changes(self) -> bool:
        """Whether anything is added or taken off."""
        taken = self.includes_mm > 0 or any(self.includes_edges.values()) or self.includes_holes_mm > 0
        return taken or self.all_mm > 0 or bool(self.edges) or self.holes_mm > 0 or self.split_mm > 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Allowed:
    """A piece with its allowance.

    Parameters
    ----------
    finished : Shape
        The stitching line.
    shape : Shape
        The cutting line, the stitching line a mark on it.
    deviation_mm : float
        Greatest distance of the cutting line's curves from the true parallel, measured again on the result.
    lost : tuple
        Places (mm) where moving back in would not return the stitching line within 0.02 mm.
    findings : tuple of Finding
    """

    finished: Shape
    shape: Shape
    deviation_mm: float
    lost: tuple[tuple[float, float], ...]
    findings: tuple[Finding, ...]


def _bends_tighter(shape: Shape, place: tuple[float, float], width_mm: float) -> bool:
    """Whether the outline's radius at a place is smaller than a width to be moved there (positive outward)."""
    foot = nearest(shape.outline.segments, place)
    segment = shape.outline.segments[foot.segment]
    return len(segment) == 4 and stretch_of_parallel(segment, foot.t, width_mm) < 0


def _tight(
    shape: Shape, lost: tuple[tuple[float, float], ...], width_mm: float, purpose: str, line: str, where: str
) -> list[Finding]:
    """Say where a curve is too tight; what is lost at a corner of the outline, it has a corner at anyway."""
    corners = [c.point for c in shape.outline.corners]
    new = [
        p
        for p in lost
        if all(np.hypot(p[0] - x, p[1] - y) > 2 * abs(width_mm) for x, y in corners)
        or _bends_tighter(shape, p, width_mm)
    ]
    if not new:
        return []
    places = "; ".join(place(p, shape.outline.bounds) for p in new)
    message = f"the outline is too tight {purpose}, {places}; the {line} line has a corner there"
    return [Finding(code="allowance-tight", message=message, severity="note", where=where)]


def _named_widths(shape: Shape, everywhere: float, named: Mapping[str, float], split_mm: float = 0.0) -> list[float]:
    """A width for every segment; edges made by splitting have one of their own."""
    count = len(shape.labels)
    widths = [split_mm if n == CUT_EDGE else everywhere for n in shape.labels]
    for word, width in named.items():
        for edge in find_edges(shape, word):
            for k in edge.indices:
                widths[k % count] = width
    return widths


def _unique(shape: Shape) -> Shape:
    """The shape with a name of its own for every segment, so that each carries its own width and corner style."""
    return Shape(outline=shape.outline, labels=tuple(str(k) for k in range(len(shape.labels))))


def _new_corners(shape: Shape) -> frozenset[int]:
    """Nodes where one edge has a corner of its own.

    Edges end at the drawing's corners, so such a corner came of a curve tighter than the allowance taken off.
    """
    chain = shape.chain
    return frozenset(
        k
        for k in range(len(chain))
        if chain[k - 1][1] == chain[k][1] and abs(turn_at(chain[k - 1][0], chain[k][0])) > _CORNER_OF_CURVE_DEG
    )


def _moved_by(
    shape: Shape, widths: list[float], styles: list[CornerStyle], rounded: frozenset[int] = frozenset()
) -> tuple[Moved, float]:
    """Move every segment by its width; returns the result under the shape's own names and the deviation measured."""
    single = _unique(shape)
    result = moved(
        single.chain,
        widths,
        style=lambda n: styles[int(n)],
        grain=grain_direction(shape.marks),
        rounded_nodes=rounded,
    )
    deviation = greatest_gap_mm(result.chain, single.chain, {str(k): w for k, w in enumerate(widths)})
    named = [(s, shape.labels[int(n)]) for s, n in result.chain]
    return replace(result, chain=named), deviation


def places_not_returning(
    source: Shape, back: OpenPath, tolerance_mm: float = RETURNS_MM
) -> tuple[tuple[float, float], ...]:
    """Return places of an outline farther than a tolerance from another, at least 5 mm apart."""
    lost: list[tuple[float, float]] = []
    for segment in source.outline.segments:
        points = evaluate(segment, np.linspace(0, 1, 33))
        distance = nearest_all(back.segments, points)[2]
        for point, d in zip(points, distance, strict=True):
            if d > tolerance_mm and all(np.hypot(point[0] - x, point[1] - y) > _LOST_APART_MM for x, y in lost):
                lost.append((float(point[0]), float(point[1])))
    return tuple(lost)


def stitching_shape(shape: Shape, includes_mm: float, includes_edges: Mapping[str, float] | None = None) -> Shape:
    """Take off the allowance an outline includes; raises :class:`CutListError` when nothing would be left."""
    return _taken_off(shape, [-w for w in _named_widths(shape, includes_mm, includes_edges or {})])[0]


def _taken_off(shape: Shape, widths: list[float]) -> tuple[Shape, tuple[tuple[float, float], ...]]:
    """The stitching line, and the places of the outline that moving it out again would not return."""
    if not any(widths):
        return shape, ()
    what = f"taking off an allowance of {both(max(-w for w in widths))}"
    try:
        result, _ = _moved_by(shape, widths, ["mitred"] * len(widths))
    except CutListError as error:
        raise CutListError(f"{what}: {error}; the allowance is larger than the piece") from error
    inner = shape.with_chain(result.chain)
    inner = replace(inner, marks=moved_with_edges(shape.marks, shape, widths))
    return require_simple(inner, what), _lost(shape, widths) if result.resolved else ()


def _too_wide(finished: Shape, widths: list[float]) -> None:
    box = finished.outline.bounds
    if max(widths) > min(box.width, box.height):
        raise CutListError(
            f"an allowance of {both(max(widths))} is larger than the piece, which is only "
            f"{both(min(box.width, box.height))} at its smallest"
        )


def allow(shape: Shape, allowance: Allowance, *, where: str = "allowance") -> Allowed:
    """Add, change or take off the allowance of a piece.

    Raises
    ------
    CutListError
        When an edge is not there, or an allowance is larger than the piece.
    """
    findings: list[Finding] = []
    takes_off = allowance.includes_mm > 0 or any(allowance.includes_edges.values())
    drawn = any(m.kind == "stitching line" and m.text != "split" for m in shape.marks)
    if drawn and not takes_off and (allowance.all_mm > 0 or allowance.edges):
        message = (
            "a stitching line is drawn inside the piece, so its outline may include an allowance already; "
            "say how much with includes"
        )
        findings.append(Finding(code="allowance-twice", message=message, where=where))
    included = _named_widths(shape, allowance.includes_mm, allowance.includes_edges)
    finished, lost_inside = _taken_off(shape, [-w for w in included])
    findings += _tight(shape, lost_inside, -max(included), "to take its allowance off", "stitching", where)
    finished = replace(finished, holes=_holes_moved(shape.holes, allowance.includes_holes_mm, "taking off"))
    body = flat_polygon(finished.outline.segments)
    if allowance.includes_holes_mm > 0 and not all(body.contains(flat_polygon(h.segments)) for h in finished.holes):
        raise CutListError("with the allowances taken off, a hole would reach over the piece's own stitching line")
    named = {n: e.width_mm for n, e in allowance.edges.items()}
    widths = _named_widths(finished, allowance.all_mm, named, allowance.split_mm)
    _too_wide(finished, widths)
    styles = _styles(finished, allowance)
    holes = _holes_moved(finished.holes, -allowance.holes_mm, "adding")
    if holes and any(widths) and allowance.holes_mm == 0:
        message = "its holes get no allowance; to give them one add holes = and a width"
        findings.append(Finding(code="holes-as-drawn", message=message, severity="note", where=where))
    sewn_holes = [Mark(kind="stitching line", path=OpenPath(h.segments), text="finished") for h in finished.holes]
    hole_marks = tuple(sewn_holes) if allowance.holes_mm > 0 else ()
    if not any(widths):
        plain = replace(finished, marks=(*finished.marks, *hole_marks), holes=holes)
        return Allowed(finished=finished, shape=plain, deviation_mm=0.0, lost=(), findings=tuple(findings))
    what = f"an allowance of {both(max(widths))}"
    try:
        result, deviation = _moved_by(finished, widths, styles, _new_corners(finished) if takes_off else frozenset())
    except CutListError as error:
        raise CutListError(f"{what}: {error}") from error
    marks = moved_with_edges(finished.marks, finished, widths)
    seam = Mark(kind="stitching line", path=OpenPath(finished.outline.segments), text="finished")
    if takes_off:
        marks = tuple(m for m in marks if not _drawn_over(m, finished))
    outer = finished.with_chain(result.chain)
    outer = replace(outer, marks=(*marks, seam, *hole_marks), holes=(*holes, *result.holes))
    _require_outside(finished, require_simple(outer, what), widths, what)
    if result.holes:
        findings.append(
            Finding(
                code="allowance-closes",
                message="the allowance closes a gap in the outline; a hole is left inside",
                where=where,
            )
        )
    lost = _lost(finished, widths) if result.resolved else ()
    findings += _tight(finished, lost, max(widths), "for the allowance", "cutting", where)
    return Allowed(finished=finished, shape=outer, deviation_mm=deviation, lost=lost, findings=tuple(findings))


def _drawn_over(mark: Mark, finished: Shape) -> bool:
    """Whether a mark is the drawn stitching line, which the computed one lies over."""
    if mark.kind != "stitching line" or mark.path is None or mark.text == "split":
        return False
    return float(nearest_all(finished.outline.segments, np.asarray(mark.path.flatten(0.1)))[2].max()) <= _DRAWN_MM


def _holes_moved(holes: tuple[Path, ...], outward_mm: float, doing: str) -> tuple[Path, ...]:
    """Holes made larger (positive) or smaller by an allowance; raises when one closes up."""
    if outward_mm == 0:
        return holes
    out = []
    for hole in holes:
        turned = hole.signed_area < 0
        ring = hole.oriented()
        chain = [(s, str(k)) for k, s in enumerate(ring.segments)]
        try:
            result = moved(chain, [outward_mm] * len(chain))
        except CutListError as error:
            box = hole.bounds
            message = (
                f"{doing} an allowance of {both(abs(outward_mm))}: the hole {both(min(box.width, box.height))} wide"
            )
            raise CutListError(f"{message} would close up") from error
        moved_hole = Path(tuple(s for s, _ in tidied(result.chain)))
        out.append(moved_hole.reversed() if turned else moved_hole)
    return tuple(out)


def _require_outside(finished: Shape, outer: Shape, widths: list[float], what: str) -> None:
    """Check the cutting line by other means: round the stitching line, and nowhere nearer than the smallest width."""
    inside, outside = flat_polygon(finished.outline.segments), flat_polygon(outer.outline.segments)
    nearest_mm = float(shapely.distance(inside.exterior, outside.exterior))
    if not outside.buffer(_FLAT_MM).contains(inside) or nearest_mm < min(widths) - RETURNS_MM:
        raise CutListError(f"{what} cannot be drawn on this outline; choose narrower widths or other corners")


def _styles(finished: Shape, allowance: Allowance) -> list[CornerStyle]:
    count = len(finished.labels)
    styles: list[CornerStyle] = [allowance.corners] * count
    for word, own in allowance.edges.items():
        if own.corners is None:
            continue
        for edge in find_edges(finished, word):
            for k in edge.indices:
                styles[k % count] = own.corners
    return styles


def _lost(finished: Shape, widths: list[float]) -> tuple[tuple[float, float], ...]:
    """Places of the stitching line that do not come back when its mitred parallel is moved in again."""
    single = _unique(finished)
    try:
        out = moved(single.chain, widths).chain
        back = moved([(s, str(k)) for k, (s, _) in enumerate(out)], [-widths[int(n)] for _, n in out]).chain
    except CutListError:
        return tuple((float(s[0][0]), float(s[0][1])) for s in finished.outline.segments)
    return places_not_returning(finished, OpenPath(tuple(s for s, _ in back)))
