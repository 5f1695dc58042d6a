"""Carrying an outline across stretches that could not be read.

Where the evidence has a hole (a bridged gap, text over the line, a crossing) the line is carried on from both sides:
by the cubic that leaves and arrives as the readable line does, as long as it stays near the rough outline there; else
the rough outline itself stands, with its own uncertainty.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Points = NDArray[np.float64]

_ARM_MM = 3.0
_LEAST_SIGMA_MM = 0.04
_SIGMA_PER_MM = 0.02
"""Growth of the uncertainty of a carried line with the length of the hole (from memory of what hand-drawn lines do)."""
_CORNER_DEG = 15.0
_CORNER_RUN_MM = 3.0


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
        (p0, d0), (p3, d3) = before, after
        turn = abs(math.atan2(float(d0[0] * d3[1] - d0[1] * d3[0]), float(d0 @ d3)))
        if turn > math.radians(_CORNER_DEG):
            corner = _corner(p0, d0, p3, d3, turn, points[index], near_mm)
            if corner is not None:
                points[index] = _through(p0, corner, p3, count)
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
    if float(np.hypot(*(rough - corner).T).min()) > 0.3 * near_mm + short:
        return None
    return np.asarray(corner)


def _through(p0: Points, corner: Points, p3: Points, count: int) -> Points:
    """Return points from one end over a corner to the other, evenly spaced, the corner itself among them."""
    one, other = float(np.hypot(*(corner - p0))), float(np.hypot(*(p3 - corner)))
    first = min(max(round((count + 1) * one / max(one + other, 1e-9)), 1), count)
    up = np.arange(1, first + 1)[:, None] / first
    down = np.arange(1, count - first + 1)[:, None] / (count - first + 1)
    return np.vstack([p0 + up * (corner - p0), corner + down * (p3 - corner)])


def _aside(bridge: Points, rough: Points) -> Points:
    """Return the offsets of rough points from the bridge across it."""
    along = np.gradient(bridge, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    rel = rough - bridge
    return np.asarray(rel - (rel * along).sum(axis=1, keepdims=True) * along)


def _arm(
    points: Points, seen: NDArray[np.bool_], end: int, direction: int, spacing: float, *, closed: bool
) -> tuple[Points, Points] | None:
    """Return the end of the readable line beside a hole and its direction of travel there (quadratic fit)."""
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
    return np.array([x[-1], y[-1]]), slope / length
