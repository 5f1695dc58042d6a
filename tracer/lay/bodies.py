"""Bodies: what is moved as one when a lay is planned - a copy of a piece, or several kept in their own arrangement."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry import Polygon

from tracer.lay.shapes import Solid, as_solid, clear_polygon, fine_polygon, hull_points, moved, plain_polygon, turned
from tracer.path import Affine, Bounds, Path, rotation_matrix
from tracer.piece import Piece


class Member(NamedTuple):
    """A piece in a body: ``matrix`` takes the piece's own millimetres to the body's (a flip first where mirrored)."""

    piece: Piece
    mirrored: bool
    matrix: Affine


class Pose(NamedTuple):
    """Where one copy of a body lies: turned clockwise about the body's origin, then moved to (x, y)."""

    body: int
    turn_deg: float
    x_mm: float
    y_mm: float

    def matrix(self) -> Affine:
        """Return the map from the body's millimetres to the surface's."""
        m = rotation_matrix(self.turn_deg)
        return np.column_stack([m[:, :2], [self.x_mm, self.y_mm]])

    def moved(self, dx_mm: float, dy_mm: float) -> Pose:
        """Return the pose moved by (dx, dy)."""
        return self._replace(x_mm=self.x_mm + dx_mm, y_mm=self.y_mm + dy_mm)


@dataclass(frozen=True, kw_only=True, eq=False)
class Body:
    """A rigid thing to be laid ``demand`` times.

    Parameters
    ----------
    name : str
    members : tuple of Member
    fine : Polygon or MultiPolygon
        Contains the true curves of all members; the body's origin is the middle of its box.
    turns : tuple of float or None
        Turns allowed, degrees clockwise; None for any.
    demand : int
    gap_mm : float
        Distance that the body keeps from every other.
    on_fold : bool
        Its fold edge (the left side of its box at the first of ``turns``) lies on the fold, at x = 0.
    """

    name: str
    members: tuple[Member, ...]
    fine: Solid
    turns: tuple[float, ...] | None
    demand: int
    gap_mm: float
    on_fold: bool = False
    _cache: dict[tuple[str, float], object] = field(default_factory=dict, repr=False)

    @property
    def area_mm2(self) -> float:
        """Exact area of the members' outlines less their holes, in mm2."""
        return sum(m.piece.area_mm2 for m in self.members)

    @property
    def some_turns(self) -> tuple[float, ...]:
        """The allowed turns; for a body that may be turned in any way, eight of them and those of its least box."""
        if self.turns is not None:
            return self.turns
        found = self._cache.get(("turns", 0.0))
        if found is None:
            found = tuple(dict.fromkeys((*_least_box_turns(self.fine), *(45.0 * i for i in range(8)))))
            self._cache["turns", 0.0] = found
        return found  # type: ignore[return-value]

    def box(self, turn_deg: float) -> Bounds:
        """Return the exact bounding box of the true curves after a turn about the body's origin."""
        found = self._cache.get(("box", turn_deg))
        if found is None:
            spin = rotation_matrix(turn_deg)
            boxes = [m.piece.outline.transformed(_after(spin, m.matrix)).bounds for m in self.members]
            found = Bounds(
                min(b.x_min for b in boxes), min(b.y_min for b in boxes),
                max(b.x_max for b in boxes), max(b.y_max for b in boxes),
            )  # fmt: skip
            self._cache["box", turn_deg] = found
        return found  # type: ignore[return-value]

    def fine_at(self, pose: Pose) -> Solid:
        """Return the fine polygon where a pose puts it."""
        return moved(self._turned("fine", pose.turn_deg), pose.x_mm, pose.y_mm)

    def clear_at(self, pose: Pose) -> Solid:
        """Return the clear polygon (grown by half the gap) where a pose puts it."""
        return moved(self._turned("clear", pose.turn_deg), pose.x_mm, pose.y_mm)

    def clear(self, turn_deg: float) -> Solid:
        """Return the clear polygon after a turn about the origin."""
        return self._turned("clear", turn_deg)

    def fine_turned(self, turn_deg: float) -> Solid:
        """Return the fine polygon after a turn about the origin."""
        return self._turned("fine", turn_deg)

    @property
    def plain(self) -> Polygon:
        """One polygon of few nodes that contains the clear polygon."""
        found = self._cache.get(("plain", 0.0))
        if found is None:
            found = plain_polygon(self.clear(0.0))
            self._cache["plain", 0.0] = found
        return found  # type: ignore[return-value]

    def _turned(self, kind: str, turn_deg: float) -> Solid:
        found = self._cache.get((kind, turn_deg))
        if found is None:
            if turn_deg == 0.0:
                found = self.fine if kind == "fine" else clear_polygon(self.fine, self.gap_mm)
            else:
                found = turned(self._turned(kind, 0.0), turn_deg)
            shapely.prepare(found)
            self._cache[kind, turn_deg] = found
        return found  # type: ignore[return-value]


def _after(outer: Affine, inner: Affine) -> Affine:
    linear = outer[:, :2] @ inner[:, :2]
    return np.column_stack([linear, outer[:, :2] @ inner[:, 2] + outer[:, 2]])


def placed_matrix(pose: Pose, member: Member) -> Affine:
    """Return the map from a piece's own millimetres to the surface's."""
    return _after(pose.matrix(), member.matrix)


def placed_outline(pose: Pose, member: Member) -> Path:
    """Return the true outline of a member where it lies."""
    return member.piece.outline.transformed(placed_matrix(pose, member))


def _flip(*, mirrored: bool) -> Affine:
    return np.array([[-1.0 if mirrored else 1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def make_body(
    members: Iterable[tuple[Piece, bool, Affine | None]],
    *,
    name: str,
    turns: tuple[float, ...] | None,
    demand: int,
    gap_mm: float,
    on_fold: bool = False,
    open_holes: bool = False,
) -> Body:
    """Make a body of pieces; the third of each member is its place in the arrangement, None for as drawn (or flipped).

    Holes are closed, so that nothing is laid in them, unless ``open_holes``.

    Raises :class:`tracer.errors.LayError` for a piece that has no area or crosses itself.
    """
    solids, placed = [], []
    for piece, mirrored, arrangement in members:
        matrix = _flip(mirrored=mirrored) if arrangement is None else arrangement
        outline = piece.outline.transformed(matrix)
        holes = tuple(h.transformed(matrix) for h in piece.holes) if open_holes else ()
        solids.append(fine_polygon(outline, holes, name=piece.name))
        placed.append((piece, mirrored, matrix, outline.bounds))
    x = (min(b.x_min for *_, b in placed) + max(b.x_max for *_, b in placed)) / 2
    y = (min(b.y_min for *_, b in placed) + max(b.y_max for *_, b in placed)) / 2
    whole = solids[0] if len(solids) == 1 else as_solid(shapely.union_all(solids))
    return Body(
        name=name,
        members=tuple(
            Member(piece, mirrored, np.column_stack([matrix[:, :2], matrix[:, 2] - (x, y)]))
            for piece, mirrored, matrix, _ in placed
        ),
        fine=moved(whole, -x, -y),
        turns=turns,
        demand=demand,
        gap_mm=gap_mm,
        on_fold=on_fold,
    )


def _least_box_turns(solid: Solid) -> tuple[float, ...]:
    hull = hull_points(solid)
    edges = np.roll(hull, -1, axis=0) - hull
    angles = np.unique(np.round(np.degrees(np.arctan2(edges[:, 1], edges[:, 0])) % 90.0, 6))
    best, best_area = 0.0, math.inf
    for angle in angles:
        c, s = math.cos(math.radians(-angle)), math.sin(math.radians(-angle))
        turned_hull = hull @ np.array([[c, s], [-s, c]])
        area = float(np.prod(np.ptp(turned_hull, axis=0)))
        if area < best_area - 1e-9:
            best, best_area = float(-angle), area
    return tuple((best + quarter) % 360.0 for quarter in (0.0, 90.0, 180.0, 270.0))


def copies_to_lay(bodies: Sequence[Body]) -> list[int]:
    """Return the body's index once for each copy asked for."""
    return [i for i, body in enumerate(bodies) for _ in range(body.demand)]
