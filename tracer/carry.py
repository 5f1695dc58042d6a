"""Carrying an outline across stretches that could not be read.

Where the evidence has a hole (a bridged gap, text over the line, a crossing) the line is carried on from both sides:
by the cubic that leaves and arrives as the readable line does, as long as it stays near the rough outline there; else
the rough outline itself stands, with its own uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Points = NDArray[np.float64]

_ARM_MM = 5.0
_LEAST_SIGMA_MM = 0.04
_SIGMA_PER_MM = 0.02
"""Growth of the uncertainty of a carried line with the length of the hole (from memory of what hand-drawn lines do)."""
_CORNER_DEG = 15.0
_CORNER_RUN_MM = 3.0
_POINT_DEG = 150.0
"""Turns beyond this are points whose arms may touch before they meet."""


def runs_of(flags: NDArray[np.bool_], *, closed: bool) -> list[tuple[int, int]]:
    """Return (first, count) of each run of True; a run across the end of a closed line is one."""
    n = len(flags)
    if not flags.any():
        return []
    if flags.all():
        return [(0, n)]
    edges = np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8))
    firsts, ends = np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0]
    runs = [(int(a), int(b - a)) for a, b in zip(firsts, ends, strict=True)]
    if closed and len(runs) > 1 and runs[0][0] == 0 and sum(runs[-1]) == n:
        first, count = runs.pop()
        runs[0] = (first, count + runs[0][1])
    return runs


@dataclass(frozen=True, slots=True, eq=False)
class _Arm:
    """The readable line beside a hole: its end, direction of travel and, outward into the hole, its parabola."""

    end: Points
    direction: Points
    outward: Points
    bend: Points

    def ahead(self, s: NDArray[np.float64]) -> Points:
        """Return points at distances into the hole."""
        return np.asarray(self.end + s[:, None] * self.outward + s[:, None] ** 2 * self.bend)


def carry_across(
    points: Points,
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
    *,
    spacing_mm: float,
    near_mm: float,
    closed: bool,
) -> tuple[Points, NDArray[np.float64]]:
    """Return points and uncertainties with the unseen stretches filled in.

    Parameters
    ----------
    near_mm : float
        How far the rough outline may be from the line.
    """
    points, sigma = points.copy(), sigma.copy()
    rough_sigma = max(near_mm, 2 * _LEAST_SIGMA_MM)
    for first, count in runs_of(~seen, closed=closed):
        index = (first + np.arange(count)) % len(points)
        sigma[index] = rough_sigma
        length = (count + 1) * spacing_mm
        before = _arm(points, seen, first - 1, -1, spacing_mm, closed=closed)
        after = _arm(points, seen, first + count, 1, spacing_mm, closed=closed)
        if before is None or after is None:
            continue
        p0, d0, p3, d3 = before.end, before.direction, after.end, after.direction
        turn = abs(math.atan2(float(d0[0] * d3[1] - d0[1] * d3[0]), float(d0 @ d3)))
        if turn > math.radians(_CORNER_DEG):
            if turn < math.radians(_POINT_DEG):
                corner = _corner(p0, d0, p3, d3, turn, points[index], near_mm)
                sides = None if corner is None else (np.stack([p0, corner]), np.stack([corner, p3]))
            else:
                sides = _sharp_point(before, after, points[index], near_mm)
            if sides is not None:
                points[index] = _through(*sides, count)
                sigma[index] = max(_LEAST_SIGMA_MM, _SIGMA_PER_MM * length)
                continue
            if length < _CORNER_RUN_MM:
                continue
        handle = float(np.hypot(*(p3 - p0))) / 3
        t = (np.arange(1, count + 1) / (count + 1))[:, None]
        s = 1 - t
        bridge = s**3 * p0 + 3 * s * s * t * (p0 + handle * d0) + 3 * s * t * t * (p3 - handle * d3) + t**3 * p3
        rough = points[index]
        if count > 8:
            rough = ndimage.uniform_filter1d(rough, 7, axis=0, mode="nearest")
        if count > 2 and float(np.hypot(*(_aside(bridge, rough)).T).max()) > near_mm + 0.03 * length:
            continue
        points[index] = bridge
        sigma[index] = max(_LEAST_SIGMA_MM, _SIGMA_PER_MM * length)
    return points, sigma


def _corner(
    p0: Points, d0: Points, p3: Points, d3: Points, turn: float, rough: Points, near_mm: float
) -> Points | None:
    """Return where the two arms meet, if that is ahead of both and near the rough outline.

    The rough outline falls short of a sharp point by more than of a blunt one: as the width of its search fits between
    the arms.
    """
    determinant = float(d0[0] * d3[1] - d0[1] * d3[0])
    if abs(determinant) < 0.05:
        return None
    gap = p3 - p0
    ahead = float(gap[0] * d3[1] - gap[1] * d3[0]) / determinant
    back = float(gap[0] * d0[1] - gap[1] * d0[0]) / -determinant
    chord = math.hypot(gap[0], gap[1])
    around = float(np.hypot(*np.diff(np.vstack([p0, rough, p3]), axis=0).T).sum())
    short = near_mm / max(math.sin((math.pi - turn) / 2), 0.06)
    if min(ahead, back) < -near_mm or ahead + back > max(around, chord) + 2.5 * short:
        return None
    corner = p0 + ahead * d0
    if float(np.hypot(*(rough - corner).T).min()) > 0.7 * near_mm + max(0.0, short - math.sqrt(2) * near_mm):
        return None
    return np.asarray(corner)


def _sharp_point(before: _Arm, after: _Arm, rough: Points, near_mm: float) -> tuple[Points, Points] | None:
    """Return the two sides of a point so sharp that its arms nearly touch before they meet.

    Both arms go on as the parabolas they were; the point is where they first cross, or come nearest. (Where two arcs
    touch, as at the foot of a clamshell, their directions alone say nothing about where.)
    """
    reach = float(np.hypot(*(rough[0] - after.end))) + 12.0
    s = np.linspace(0.0, reach, 500)
    one, other = before.ahead(s), after.ahead(s)
    distance = np.hypot(one[:, None, 0] - other[None, :, 0], one[:, None, 1] - other[None, :, 1])
    across = distance.min(axis=1)
    close = np.nonzero(across < 2 * s[1])[0]
    first = int(close[0]) if len(close) else int(np.argmin(across))
    if across[first] > near_mm or first == 0:
        return None
    while first + 1 < len(s) and across[first + 1] < across[first]:
        first += 1
    last = int(np.argmin(distance[first]))
    tip = (one[first] + other[last]) / 2
    middle = (before.end + after.end) / 2
    axis = tip - middle
    length = max(float(np.hypot(*axis)), 1e-9)
    # The rough outline may stop short of the point, but not far aside of it.
    beside = np.abs((rough - middle) @ np.array([axis[1], -axis[0]])) / length
    if float(beside.min()) > near_mm:
        return None
    return np.vstack([one[:first], tip]), np.vstack([tip, other[:last][::-1]])


def _through(one: Points, other: Points, count: int) -> Points:
    """Return evenly spaced points along two sides, without their far ends, the corner itself among them."""
    lengths = [float(np.hypot(*np.diff(side, axis=0).T).sum()) for side in (one, other)]
    first = min(max(round((count + 1) * lengths[0] / max(sum(lengths), 1e-9)), 1), count)
    up = np.arange(1, first + 1) / first
    down = np.arange(1, count - first + 1) / (count - first + 1)
    return np.vstack([_along(one, up), _along(other, down)])


def _along(side: Points, share: NDArray[np.float64]) -> Points:
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(side, axis=0).T))])
    at = share * way[-1]
    return np.stack([np.interp(at, way, side[:, 0]), np.interp(at, way, side[:, 1])], axis=1)


def _aside(bridge: Points, rough: Points) -> Points:
    """Return the offsets of rough points from the bridge across it."""
    along = np.gradient(bridge, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    rel = rough - bridge
    return np.asarray(rel - (rel * along).sum(axis=1, keepdims=True) * along)


def _arm(
    points: Points, seen: NDArray[np.bool_], end: int, direction: int, spacing: float, *, closed: bool
) -> _Arm | None:
    """Return the readable line beside a hole (parabola in arc length)."""
    n = len(points)
    steps = np.arange(max(6, round(_ARM_MM / spacing)))
    index = end + direction * steps
    if closed:
        index = index % n
    else:
        index = index[(index >= 0) & (index < n)]
    stop = np.nonzero(~seen[index])[0]
    if len(stop):
        index = index[: stop[0]]
    if len(index) < 4:
        return None
    s = np.arange(len(index)) * spacing
    degree = 2 if len(index) >= 12 else 1
    x, y = np.polyfit(s, points[index, 0], degree), np.polyfit(s, points[index, 1], degree)
    slope = direction * np.array([x[-2], y[-2]])
    length = float(np.hypot(*slope))
    if length < 1e-9:
        return None
    bend = np.array([x[0], y[0]]) if degree == 2 else np.zeros(2)
    return _Arm(np.array([x[-1], y[-1]]), slope / length, -direction * slope, bend)
