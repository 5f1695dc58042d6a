"""Polygons that contain the true curves: what the search works on, so that what it finds keeps every distance.

Three steps away from the curve, each one outward only:

1. the *fine* polygon contains the piece and lies within 0.004 mm of it (exact where there are only straight lines);
2. the *clear* polygon is the fine one grown by half the gap with bevelled corners: two pieces keep the gap when their
   clear polygons do not overlap (exact between straight edges; a corner is given a little more than it needs);
3. the *plain* polygon contains the clear one with fewer nodes, for the solver.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.errors import LayError
from tracer.path import Path

FLATTEN_MM = 0.002
"""Chord error of a flattening; a fifth of the 0.01 mm to which gaps are kept, so that it never matters."""
PLAIN_MM = 0.02
"""Nodes closer than this to the line between their neighbours are dropped for the solver, and made good outward."""
_MITRE = 1.4143
_BEVEL = 1.0825
"""Sharper corners are cut off square at 1 / cos(22.5 degrees) of the distance.

That is never less than the round corner asked for, and at most 8 % more.
"""
_CLOSE_STEPS = 40

Solid = Polygon | MultiPolygon


def fine_polygon(outline: Path, holes: tuple[Path, ...], *, name: str) -> Polygon:
    """Return a polygon that contains the solid part of a piece.

    Raises
    ------
    LayError
        When the outline has no area or crosses itself.
    """
    if outline.area < 0.01:
        raise LayError(f"the piece '{name}' has no area; trace it again or leave it out of the cut list")
    shell = Polygon(outline.flatten(FLATTEN_MM))
    if not shell.is_valid:
        raise LayError(f"the outline of '{name}' crosses itself; mend it before it is laid")
    solid: Solid = shell
    if holes:
        solid = as_solid(shell.difference(shapely.union_all([Polygon(h.flatten(FLATTEN_MM)) for h in holes])))
    if any(len(s) == 4 for path in (outline, *holes) for s in path.segments):
        # The chords of a bulging curve lie inside it; growing by the chord error makes the polygon contain the curve.
        solid = solid.buffer(FLATTEN_MM, join_style="mitre", mitre_limit=_MITRE)
    return _largest(solid)


def clear_polygon(fine: Solid, gap_mm: float) -> Solid:
    """Return a polygon grown by half the gap, never less."""
    if gap_mm <= 0:
        return fine
    return fine.buffer(gap_mm / 2, join_style="mitre", mitre_limit=_BEVEL)


def plain_polygon(clear: Solid) -> Polygon:
    """Return one polygon without holes that contains ``clear``, with few nodes."""
    shell = _one_outline(clear)
    if len(shell.exterior.coords) <= 13:
        return shell
    simple = shell.simplify(PLAIN_MM)
    grown = simple.buffer(PLAIN_MM, join_style="mitre", mitre_limit=_MITRE)
    if not isinstance(grown, Polygon) or not grown.is_valid or not grown.covers(shell):
        return shell
    return Polygon(grown.exterior)


def _one_outline(solid: Solid) -> Polygon:
    if isinstance(solid, Polygon):
        return Polygon(solid.exterior)
    # Parts that only nearly touch are closed to one shape: growing and shrinking again never loses a point.
    step_mm = 0.01
    for _ in range(_CLOSE_STEPS):
        closed = solid.buffer(step_mm, join_style="mitre").buffer(-step_mm * 0.999, join_style="mitre").union(solid)
        if isinstance(closed, Polygon):
            return Polygon(closed.exterior)
        step_mm *= 1.4
    return Polygon(hull_points(solid))


def turned(solid: Solid, turn_deg: float) -> Solid:
    """Return a polygon turned clockwise on screen about the origin; quarter turns are exact."""
    if turn_deg % 360 == 0:
        return solid
    return affinity.rotate(solid, turn_deg, origin=(0.0, 0.0))


def moved(solid: Solid, dx_mm: float, dy_mm: float) -> Solid:
    """Return a polygon moved by (dx, dy)."""
    return affinity.translate(solid, dx_mm, dy_mm)


def as_solid(geometry: BaseGeometry) -> Solid:
    """Return the part of a geometry that has area; raises :class:`LayError` where none has."""
    if isinstance(geometry, (Polygon, MultiPolygon)) and not geometry.is_empty:
        return geometry
    parts = [p for p in shapely.get_parts(geometry) if isinstance(p, Polygon) and p.area > 0]
    if not parts:
        raise LayError("a shape without area cannot be laid")
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def hull_points(solid: Solid) -> NDArray[np.float64]:
    """Return the corners of the convex hull, shape (N, 2)."""
    hull = solid.convex_hull
    if not isinstance(hull, Polygon):
        raise LayError("a shape without area cannot be laid")
    return np.asarray(hull.exterior.coords, dtype=np.float64)[:-1]


def rings(solid: Solid) -> list[NDArray[np.float64]]:
    """Return every ring as points (N, 2), the first not repeated; the solid lies to the same side of each."""
    out = []
    for part in shapely.get_parts(solid):
        fixed = orient(part, sign=1.0)
        out += [np.asarray(ring.coords, dtype=np.float64)[:-1] for ring in (fixed.exterior, *fixed.interiors)]
    return out


def _largest(solid: Solid) -> Polygon:
    parts = [p for p in shapely.get_parts(solid) if isinstance(p, Polygon)]
    return max(parts, key=lambda p: p.area)
