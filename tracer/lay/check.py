"""The judge of a lay: overlap, margins, gaps, counts and mirror images, on the true curves.

It uses nothing of the search: only the outlines where they are said to lie, the pieces and the rules. Curves are
flattened within 0.0005 mm, so that what it measures is right to a thousandth of a millimetre.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry import box as rectangle

from tracer.lay.laid import LaidMat, Lay, Placement
from tracer.lay.rules import grain_turn_deg
from tracer.lay.surface import Leftover, Mat
from tracer.path import Path, rotation_matrix
from tracer.piece import Piece

KEPT_MM = 0.01
"""To this a margin and a gap are kept, and no two pieces overlap deeper."""
_FLATTEN_MM = 0.0005
_SAME_MM = 0.002
_SAME_DEG = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """Something wrong with a lay.

    ``kind`` is one of ``overlap``, ``gap``, ``outside``, ``margin``, ``count``, ``mirror``, ``shape``, ``turn``;
    ``by_mm`` how far a length is off (a lower bound for overlaps).
    """

    kind: str
    who: tuple[str, ...]
    by_mm: float = 0.0
    mat: int = 0


def solid_of(outline: Path, holes: Sequence[Path] = ()) -> Polygon | MultiPolygon:
    """Return a polygon within 0.0005 mm of a true outline with its holes."""
    shell = Polygon(outline.flatten(_FLATTEN_MM))
    if not holes:
        return shell
    solid = shell.difference(shapely.union_all([Polygon(h.flatten(_FLATTEN_MM)) for h in holes]))
    return MultiPolygon([p for p in shapely.get_parts(solid) if isinstance(p, Polygon)])


def check_together(
    solids: Sequence[Polygon | MultiPolygon],
    names: Sequence[str],
    *,
    gap_mm: float,
    groups: Sequence[str] | None = None,
    mat: int = 0,
) -> list[Violation]:
    """Check that no two solids overlap or come closer than the gap (members of one group: that they do not overlap)."""
    found = []
    tree = shapely.STRtree(list(solids))
    left, right = tree.query([rectangle(*_grown(s.bounds, gap_mm)) for s in solids])
    for i, j in sorted({(min(a, b), max(a, b)) for a, b in zip(left.tolist(), right.tolist(), strict=True) if a != b}):
        a, b = solids[i], solids[j]
        who = (names[i], names[j])
        together = groups is not None and groups[i] != "" and groups[i] == groups[j]
        distance = a.distance(b)
        if distance == 0.0:
            depth = _depth_mm(a, b)
            if depth > KEPT_MM:
                found.append(Violation(kind="overlap", who=who, by_mm=depth, mat=mat))
                continue
        if not together and distance < gap_mm - KEPT_MM:
            found.append(Violation(kind="gap", who=who, by_mm=gap_mm - distance, mat=mat))
    return found


def _grown(bounds: tuple[float, float, float, float], by: float) -> tuple[float, float, float, float]:
    return bounds[0] - by, bounds[1] - by, bounds[2] + by, bounds[3] + by


def _depth_mm(a: Polygon | MultiPolygon, b: Polygon | MultiPolygon) -> float:
    """Return how deep two solids overlap: the largest d so that both, d/2 slimmer, still do (within 0.001 mm)."""

    def still(depth: float) -> bool:
        slim = [s.buffer(-depth / 2, join_style="mitre") for s in (a, b)]
        return bool(slim[0].intersection(slim[1]).area > 0)

    if not a.intersection(b).area > 0 or not still(KEPT_MM):
        return 0.0
    low, high = KEPT_MM, 2 * KEPT_MM
    while still(high) and high < 1e4:
        low, high = high, 2 * high
    while high - low > 1e-3:
        middle = (low + high) / 2
        low, high = (middle, high) if still(middle) else (low, middle)
    return low


def check_inside(
    outlines: Sequence[Path],
    names: Sequence[str],
    inside: tuple[float, float, float, float],
    *,
    mat: int = 0,
    surface: tuple[float, float, float, float] | None = None,
) -> list[Violation]:
    """Check exact boxes against a rectangle (x0, y0, x1, y1); beyond ``surface`` is outside, else it is the margin."""
    found = []
    for outline, name in zip(outlines, names, strict=True):
        b = outline.bounds
        by = max(inside[0] - b.x_min, inside[1] - b.y_min, b.x_max - inside[2], b.y_max - inside[3])
        if by > KEPT_MM:
            s = surface or inside
            out = max(s[0] - b.x_min, s[1] - b.y_min, b.x_max - s[2], b.y_max - s[3]) > KEPT_MM
            found.append(Violation(kind="outside" if out else "margin", who=(name,), by_mm=by, mat=mat))
    return found


def check_on_leftover(
    solids: Sequence[Polygon | MultiPolygon],
    names: Sequence[str],
    leftover: Leftover,
    margin_mm: float,
    *,
    mat: int = 0,
) -> list[Violation]:
    """Check that solids lie on a leftover, ``margin_mm`` from its edge."""
    cloth = solid_of(leftover.outline, leftover.holes)
    edge = cloth.boundary
    found = []
    for solid, name in zip(solids, names, strict=True):
        if not cloth.buffer(KEPT_MM, join_style="mitre").covers(solid):
            found.append(
                Violation(kind="outside", who=(name,), by_mm=float(solid.difference(cloth).area) ** 0.5, mat=mat)
            )
        elif (distance := solid.distance(edge)) < margin_mm - KEPT_MM:
            found.append(Violation(kind="margin", who=(name,), by_mm=margin_mm - distance, mat=mat))
    return found


def check_lay(lay: Lay, pieces: Sequence[Piece]) -> list[Violation]:
    """Return everything that is wrong with a lay of these pieces; nothing when it is right."""
    found: list[Violation] = []
    for n, mat in enumerate(lay.mats, start=1):
        names = [name_of(p) for p in mat.placements]
        solids = [solid_of(p.outline, p.holes if lay.rules.use_holes else ()) for p in mat.placements]
        groups = [p.group for p in mat.placements]
        found += check_together(solids, names, gap_mm=lay.rules.gap_mm, groups=groups, mat=n)
        surface = (0.0, 0.0, mat.width_mm, mat.length_mm)
        found += check_inside([p.outline for p in mat.placements], names, _inside(lay, mat), mat=n, surface=surface)
        if isinstance(lay.surface, Leftover):
            found += check_on_leftover(solids, names, lay.surface, lay.rules.margin_mm, mat=n)
        for placement in mat.placements:
            found += _check_shape(placement, n)
        found += _check_turns(lay, mat, n)
    return found + check_counts(lay, pieces)


def name_of(placement: Placement) -> str:
    """Return a placement's name with its copy's number."""
    return f"{placement.piece.name} {placement.copy}"


def _inside(lay: Lay, mat: LaidMat) -> tuple[float, float, float, float]:
    margin = lay.rules.margin_mm
    side = margin + getattr(lay.surface, "selvedge_mm", 0.0)
    return side, margin, mat.width_mm - side, mat.length_mm - margin


def check_counts(lay: Lay, pieces: Sequence[Piece]) -> list[Violation]:
    """Check that every copy asked for is laid once or said to be missing, and mirrored where it should be."""
    found = []
    laid = [(p.piece.id, p.copy, p.mirrored) for mat in lay.mats for p in mat.placements]
    laid += [(m.piece.id, m.copy, m.mirrored) for m in lay.not_placed]
    copies = Counter((who, copy) for who, copy, _ in laid)
    for piece in pieces:
        wanted = {(piece.id, k) for k in range(1, piece.cut.count + 1)}
        seen = {key for key in copies if key[0] == piece.id}
        if seen != wanted or any(copies[key] != 1 for key in seen):
            found.append(Violation(kind="count", who=(piece.name,)))
        for who, copy, mirrored in laid:
            if who == piece.id and mirrored != (piece.cut.mirrored and copy % 2 == 0):
                found.append(Violation(kind="mirror", who=(piece.name, str(copy))))
    return found


def _check_shape(placement: Placement, mat: int) -> list[Violation]:
    piece = placement.piece.outline
    flip = np.array([[-1.0 if placement.mirrored else 1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    shape = piece.transformed(flip).transformed(rotation_matrix(placement.rotation_deg))
    there = placement.outline
    if placement.unfolded:
        # The half that lies to the right of the fold; the fold is the middle of the whole.
        middle = (there.bounds.x_min + there.bounds.x_max) / 2
        whole = Polygon(there.flatten(_FLATTEN_MM)).intersection(rectangle(middle, -1e6, 1e6, 1e6))
        half = affinity.translate(whole, -whole.bounds[0], -whole.bounds[1])
        apart = float(shapely.hausdorff_distance(Polygon(_at_origin(shape).flatten(0.01)), half, densify=0.02))
        return [Violation(kind="shape", who=(name_of(placement),), by_mm=apart, mat=mat)] if apart > 0.5 else []
    a, b = _at_origin(shape), _at_origin(there)
    if len(a.segments) == len(b.segments) and all(
        len(p) == len(q) for p, q in zip(a.segments, b.segments, strict=True)
    ):
        off = max(float(np.abs(p - q).max()) for p, q in zip(a.segments, b.segments, strict=True))
    else:
        off = float("inf")
    return [Violation(kind="shape", who=(name_of(placement),), by_mm=off, mat=mat)] if off > _SAME_MM else []


def _at_origin(path: Path) -> Path:
    b = path.bounds
    return path.translated(-b.x_min, -b.y_min)


def _check_turns(lay: Lay, mat: LaidMat, n: int) -> list[Violation]:
    if lay.rules.turn == "free":
        return []
    found = []
    by_group: dict[str, list[Violation]] = {}
    base = 90.0 if isinstance(lay.surface, Mat) and mat.grain_across else 0.0
    for placement in mat.placements:
        along = grain_turn_deg(placement.piece, mirrored=placement.mirrored) + base
        off = abs((placement.rotation_deg - along + 180.0) % 360.0 - 180.0)
        if lay.rules.turn == "180":
            off = min(off, abs(off - 180.0))
        if placement.unfolded:
            off = 0.0
        wrong = Violation(kind="turn", who=(name_of(placement),), by_mm=off, mat=n)
        if placement.group:
            by_group.setdefault(placement.group, []).append(wrong)
        elif off > lay.rules.within_deg + _SAME_DEG:
            found.append(wrong)
    # What keeps its arrangement turns as one: one of it lies along its grain.
    least = [min(group, key=lambda v: v.by_mm) for group in by_group.values()]
    return found + [v for v in least if v.by_mm > lay.rules.within_deg + _SAME_DEG]


def shared_cuts(mat: LaidMat, *, within_mm: float = 0.02) -> list[tuple[str, str, float]]:
    """Return each pair of pieces that share a cut line, with the length they share in mm; each pair once."""
    out = []
    solids = [Polygon(p.outline.flatten(_FLATTEN_MM)) for p in mat.placements]
    tree = shapely.STRtree(solids)
    for i, a in enumerate(solids):
        for j in tree.query(a, predicate="dwithin", distance=within_mm):
            if j <= i:
                continue
            # Flat caps: where two edges only meet at a corner nothing is shared.
            common = a.exterior.intersection(solids[j].exterior.buffer(within_mm, cap_style="flat", join_style="mitre"))
            length = float(common.length)
            if length > 1.0:
                out.append((name_of(mat.placements[i]), name_of(mat.placements[int(j)]), length))
    return out
