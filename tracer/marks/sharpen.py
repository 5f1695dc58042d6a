"""Marks measured again in the light, each by its kind.

What cannot be read stays as the search found it; nothing is moved farther than the search can be wrong, so that a
mark never jumps to a neighbour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration import MmPoints, PxPoints, Sheet
from tracer.marks.lines import read_line
from tracer.marks.seams import fit_seam
from tracer.marks.spots import Round, find_circle, find_cross, find_dot, patch_of
from tracer.path import OpenPath
from tracer.piece import Mark

Floats = NDArray[np.float64]

_LINES = ("stitching line", "fold line", "internal line", "dart")
_MOVED_PX = 3.0
"""The search follows lines to this many pixels (measured)."""
_INNER = (0.18, 0.82)
"""Share of a straight stroke that is read: at its ends are arrow heads, or the outline it stands on."""
_LEAST_PX = 10.0
_LEAST_LINE_PX = 40.0
_ENDS_APART_MM, _AROUND = 6.0, 12.0
"""A stitching line whose ends lie no farther apart, and that is so much longer, goes all around."""
_UNDER_A_MARK_MM, _STRAIGHT_ON = 16.0, 0.97
"""So far apart when one end points at the other: words or a notch lie between (cosine of the angle)."""
_LARGEST_SPOT_MM = 25.0
_KAPPA = 4.0 / 3.0 * (math.sqrt(2.0) - 1.0)
"""A quarter of a circle as a cubic (relative error 0.0003)."""


class _Straight(NamedTuple):
    """A straight line through ``at`` along the unit vector ``along``, pixels."""

    at: Floats
    along: Floats

    def foot(self, point: Floats) -> Floats:
        """Return the point of the line nearest to another."""
        return np.asarray(self.at + self.along * float((point - self.at) @ self.along))


def sharpen(sheet: Sheet, marks: Sequence[Mark]) -> tuple[Mark, ...]:
    """Return the marks with their geometry measured in the picture, in the same order.

    Circles and dots become circles, crosses two strokes, ticks and grain lines straight lines, notches that stick out
    two straight sides; stitching, fold and internal lines are fitted with lines and cubics as outlines are.
    """
    return tuple(_sharpened(sheet, mark) for mark in marks)


def _sharpened(sheet: Sheet, mark: Mark) -> Mark:
    if mark.path is None:
        return mark
    if mark.kind in ("circle", "dot", "cross"):
        return _spot(sheet, mark)
    corners = _corners(mark.path)
    if corners is None:
        return mark
    rough = np.asarray(sheet.to_px(MmPoints(corners)), dtype=np.float64)
    if mark.kind in ("grain line", "notch") and len(rough) == 2:
        return _with_line(mark, sheet, _stroke(sheet, rough))
    if mark.kind == "notch" and mark.text == "double" and len(rough) == 4:
        return _with_ticks(mark, sheet, rough)
    if mark.kind == "notch" and not mark.path.is_closed:
        return _with_line(mark, sheet, _wedge(sheet, rough))
    if mark.kind in _LINES:
        return _fitted(sheet, mark, rough)
    return mark


def _corners(path: OpenPath) -> Floats | None:
    """Return the corners of a chain of straight lines, shape (N, 2); None for one with curves."""
    if any(len(s) != 2 for s in path.segments):
        return None
    return np.array([path.segments[0][0], *(s[-1] for s in path.segments)])


def _with_line(mark: Mark, sheet: Sheet, points_px: Floats | None) -> Mark:
    """Return the mark with a new chain of straight lines; its position moves along with the nearest end."""
    if points_px is None or mark.path is None:
        return mark
    points = np.asarray(sheet.to_mm(PxPoints(points_px)))
    at = mark.at
    if at is not None:
        middle = (points[0] + points[-1]) / 2
        places = points[[0, -1]] if len(points) == 2 else middle[None]
        nearest = places[int(np.argmin(np.hypot(*(places - np.array(at)).T)))]
        at = (float(nearest[0]), float(nearest[1]))
    return replace(mark, path=OpenPath.polyline(points), at=at)


def _with_ticks(mark: Mark, sheet: Sheet, rough: Floats) -> Mark:
    """Return a double notch (tip, foot, foot, tip) with both its ticks straight; it stands midway between the feet."""
    one, other = _stroke(sheet, rough[:2]), _stroke(sheet, rough[2:])
    if one is None or other is None:
        return mark
    points = np.asarray(sheet.to_mm(PxPoints(np.concatenate([one, other]))))
    x, y = (points[1] + points[2]) / 2
    return replace(mark, path=OpenPath.polyline(points), at=(float(x), float(y)))


# -- marks at a point -------------------------------------------------------------------------------------------------
def _spot(sheet: Sheet, mark: Mark) -> Mark:
    assert mark.path is not None
    box_mm = np.asarray(mark.path.flatten(0.05))
    if float(np.ptp(box_mm, axis=0).max()) > _LARGEST_SPOT_MM:
        return mark
    box = np.asarray(sheet.to_px(MmPoints(box_mm)), dtype=np.float64)
    plain = (box_mm.min(axis=0) + box_mm.max(axis=0)) / 2
    boxed = replace(mark, at=(float(plain[0]), float(plain[1])))
    patch = patch_of(sheet.picture.pixels, box)
    if patch is None:
        return boxed
    if mark.kind == "cross":
        found = find_cross(patch)
        if found is None:
            return boxed
        one, other = (np.asarray(sheet.to_mm(PxPoints(s))) for s in found)
        middle = np.concatenate([one, other]).mean(axis=0)
        # One chain over both strokes: along the first, back to the middle, along the second.
        path = OpenPath.polyline(np.array([one[0], one[1], middle, other[0], other[1]]))
        return replace(mark, path=path, at=(float(middle[0]), float(middle[1])))
    ring = find_circle(patch) if mark.kind == "circle" else find_dot(patch)
    return boxed if ring is None else _round(sheet, mark, ring)


def _round(sheet: Sheet, mark: Mark, ring: Round) -> Mark:
    middle = np.asarray(sheet.to_mm(PxPoints(ring.middle[None])))[0]
    radius = ring.radius * float(sheet.plane.mm_per_px(PxPoints(ring.middle[None]))[0])
    return replace(mark, path=circle(middle, radius), at=(float(middle[0]), float(middle[1])))


def circle(middle: Floats, radius: float) -> OpenPath:
    """Return a circle as a closed chain of four cubics, mm."""
    arcs = []
    for k in range(4):
        c, s = round(math.cos(k * math.pi / 2)), round(math.sin(k * math.pi / 2))
        turn = np.array([[c, s], [-s, c]])
        quarter = np.array([[1.0, 0.0], [1.0, _KAPPA], [_KAPPA, 1.0], [0.0, 1.0]])
        arcs.append(middle + radius * quarter @ turn)
    return OpenPath(tuple(arcs))


# -- straight strokes -------------------------------------------------------------------------------------------------
def _stroke(sheet: Sheet, rough: Floats) -> Floats | None:
    line = _straight(sheet, rough[0], rough[1])
    return None if line is None else np.array([line.foot(rough[0]), line.foot(rough[1])])


def _wedge(sheet: Sheet, rough: Floats) -> Floats | None:
    """Return a notch that sticks out or in as its foot, its tip and its other foot; None where it is no wedge."""
    base = rough[-1] - rough[0]
    length = float(np.hypot(*base))
    if length < 3.0 or len(rough) > 9:
        return None
    height = np.abs((rough - rough[0]) @ np.array([base[1], -base[0]])) / length
    k = int(np.argmax(height))
    if k in (0, len(rough) - 1):
        return None
    one, other = _straight(sheet, rough[0], rough[k]), _straight(sheet, rough[k], rough[-1])
    if one is None or other is None:
        return None
    system = np.array([one.along, -other.along]).T
    if abs(float(np.linalg.det(system))) < 0.2:
        return None
    tip = one.at + one.along * float(np.linalg.solve(system, other.at - one.at)[0])
    if float(np.hypot(*(tip - rough[k]))) > 4 * _MOVED_PX:
        return None
    return np.array([one.foot(rough[0]), tip, other.foot(rough[-1])])


def _straight(sheet: Sheet, start: Floats, end: Floats) -> _Straight | None:
    """Return the straight line between two points, measured on its inner part."""
    chord = end - start
    if float(np.hypot(*chord)) < _LEAST_PX:
        return None
    inner = np.array([start + share * chord for share in _INNER])
    seen = read_line(sheet.picture.pixels, inner, spacing_px=0.75)
    if seen is None:
        return None
    points = np.asarray(seen.points_px)[seen.valid]
    for _ in range(3):
        middle = points.mean(axis=0)
        along = np.linalg.svd(points - middle, full_matrices=False)[2][0]
        off = np.abs((points - middle) @ np.array([along[1], -along[0]]))
        kept = off <= max(3 * 1.4826 * float(np.median(off)), 0.15)
        if kept.all() or kept.sum() < 6:
            break
        points = points[kept]
    line = _Straight(middle, along)
    moved = max(float(np.hypot(*(line.foot(p) - p))) for p in (start, end))
    return line if moved <= _MOVED_PX else None


# -- long lines -------------------------------------------------------------------------------------------------------
def _fitted(sheet: Sheet, mark: Mark, rough: Floats) -> Mark:
    length = float(np.hypot(*np.diff(rough, axis=0).T).sum())
    if length < _LEAST_LINE_PX:
        return mark
    scale = float(np.median(sheet.plane.mm_per_px(PxPoints(rough))))
    apart = float(np.hypot(*(rough[-1] - rough[0])))
    closed = apart < 1e-6 or (mark.kind == "stitching line" and _goes_around(rough, apart * scale, length * scale))
    rough = _from_sharpest(rough, apart) if closed else rough
    seen = read_line(sheet.picture.pixels, rough, spacing_px=max(2.0, length / 700))
    if seen is None:
        return mark
    path = fit_seam(
        sheet.to_mm(seen.points_px),
        seen.valid,
        sigma_mm=0.15 * scale,
        half_width_mm=seen.width_px / 2 * scale,
        closed=closed,
    )
    return mark if path is None else replace(mark, path=path)


def _goes_around(rough: Floats, apart_mm: float, length_mm: float) -> bool:
    """Return whether an open chain is a closed line of which a stretch could not be seen."""
    if length_mm < _AROUND * apart_mm:
        return False
    across = rough[0] - rough[-1]
    ends = (rough[-1] - rough[-2], rough[1] - rough[0])
    cosines = [float(e @ across) / max(float(np.hypot(*e) * np.hypot(*across)), 1e-9) for e in ends]
    led_on = max(cosines) > _STRAIGHT_ON and min(cosines) > -0.2
    return apart_mm < (_UNDER_A_MARK_MM if led_on else _ENDS_APART_MM)


def _from_sharpest(ring: Floats, apart: float) -> Floats:
    """Return a closed chain that begins and ends at its sharpest corner."""
    open_ring = ring[:-1] if apart < 1e-6 else ring
    back, ahead = open_ring - np.roll(open_ring, 1, axis=0), np.roll(open_ring, -1, axis=0) - open_ring
    turn = np.abs(np.angle((ahead[:, 0] + 1j * ahead[:, 1]) * (back[:, 0] - 1j * back[:, 1])))
    first = np.roll(open_ring, -int(np.argmax(turn)), axis=0)
    return np.concatenate([first, first[:1]])
