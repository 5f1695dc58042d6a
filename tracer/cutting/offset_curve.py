"""The parallel of a line or cubic at a distance, as lines and cubics.

A line's parallel is exact. The parallel of a cubic is no cubic (Tiller and Hanson 1984, "Offsets of two-dimensional
profiles"); it is fitted by cubics that keep its end points and end directions, their two arm lengths by least squares
on the normal distance, split in half until the greatest normal distance at 64 places is within the tolerance
(estimated, not guaranteed). Where the curve is tighter than the distance on its inner side, the true parallel has a
cusp; it is cut there, runs backwards between two cusps, and :mod:`tracer.cutting.resolve` takes the loop away.

A positive distance lies on the side of the normal (dy, -dx): outside a path of positive area.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from tracer.segments import Segment, cubic, derivative, end_direction, evaluate, line, start_direction

TOLERANCE_MM = 0.005
"""Half of the 0.01 mm that is promised, so that what sampling misses still stays within it."""

_SHORTEST = 1.0 / 4096
_CHECKS = (np.arange(64) + 0.5) / 64
_FIT_POINTS = (np.arange(12) + 0.5) / 12

Array = NDArray[np.float64]


def _second_derivative(segment: Segment, t: Array) -> Array:
    d = 6 * np.diff(segment, n=2, axis=0)
    return np.asarray((1 - t)[:, None] * d[0] + t[:, None] * d[1])


def _frame(segment: Segment, t: Array) -> tuple[Array, Array, Array]:
    """Unit direction, speed, and curvature at parameters (positive curvature: turning away from the normal's side)."""
    first, second = derivative(segment, t), _second_derivative(segment, t)
    speed = np.maximum(np.hypot(*first.T), 1e-12)
    unit = first / speed[:, None]
    # At an end whose arm has no length the derivative vanishes; the direction is then that of the next control point.
    for where, direction in ((t <= 0, start_direction(segment)), (t >= 1, end_direction(segment))):
        unit[where] = direction
    curvature = (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / speed**3
    return unit, speed, curvature


def _normals(unit: Array) -> Array:
    return np.stack([unit[:, 1], -unit[:, 0]], axis=1)


def offset_points(segment: Segment, t: Array, distance_mm: float) -> Array:
    """Return true points of the parallel at parameters of the curve, shape (N, 2)."""
    if len(segment) == 2:
        unit = np.broadcast_to(start_direction(segment), (len(t), 2))
    else:
        unit = _frame(segment, t)[0]
    return np.asarray(evaluate(segment, t) + distance_mm * _normals(unit))


def stretch_of_parallel(segment: Segment, t: float, distance_mm: float) -> float:
    """Return how much longer the parallel of a cubic is than the curve at a parameter; negative where it runs back."""
    return 1.0 + distance_mm * float(_frame(segment, np.array([t]))[2][0])


def _cusps(segment: Segment, distance_mm: float) -> list[float]:
    t = np.linspace(1e-6, 1 - 1e-6, 129)
    value = 1 + distance_mm * _frame(segment, t)[2]
    found = []
    for k in np.flatnonzero(np.sign(value[:-1]) * np.sign(value[1:]) < 0):
        low, high = float(t[k]), float(t[k + 1])
        rising = value[k] < 0
        for _ in range(50):
            mid = (low + high) / 2
            if (stretch_of_parallel(segment, mid, distance_mm) < 0) == rising:
                low = mid
            else:
                high = mid
        found.append((low + high) / 2)
    return found


def _normal_residuals(fitted: Segment, q: Array, unit: Array, guess: Array) -> tuple[Array, Array]:
    """Where ``fitted`` crosses the normals through ``q``: parameters, and signed distances along the normals."""
    tau = guess.copy()
    for _ in range(6):
        gap = ((evaluate(fitted, tau) - q) * unit).sum(axis=1)
        slope = (derivative(fitted, tau) * unit).sum(axis=1)
        tau = np.clip(tau - gap / np.where(np.abs(slope) < 1e-12, 1e-12, slope), 0.0, 1.0)
    residual = evaluate(fitted, tau) - q
    sideways = (residual * _normals(unit)).sum(axis=1)
    along = (residual * unit).sum(axis=1)
    # A normal that the fit does not reach (clipped at an end) counts with its whole distance.
    return tau, np.where(np.abs(along) > 1e-6, np.hypot(sideways, along), sideways)


def _fit_part(segment: Segment, t0: float, t1: float, distance_mm: float) -> tuple[Segment, float]:
    """One cubic for the parallel between two parameters, and its greatest normal distance (mm)."""
    ends = np.array([t0, t1])
    unit, speed, curvature = _frame(segment, ends)
    growth = 1 + distance_mm * curvature
    middle_growth = 1 + distance_mm * _frame(segment, np.array([(t0 + t1) / 2]))[2][0]
    sign = 1.0 if middle_growth >= 0 else -1.0
    q0, q1 = offset_points(segment, ends, distance_mm)
    u0, u1 = unit * sign
    chord = float(np.hypot(*(q1 - q0)))
    arms = np.abs(speed * growth) * (t1 - t0) / 3
    arms = np.where((arms > 1e-3 * chord) & (arms < 3 * chord), arms, chord / 3)

    def curve(a: Array) -> Segment:
        return cubic(q0, q0 + a[0] * u0, q1 - a[1] * u1, q1)

    at = t0 + (t1 - t0) * _FIT_POINTS
    true = offset_points(segment, at, distance_mm)
    direction = _frame(segment, at)[0] * sign
    normals = _normals(direction)
    best, best_size = arms, math.inf
    tau = _FIT_POINTS.copy()
    for _ in range(5):
        fitted = curve(arms)
        tau, residual = _normal_residuals(fitted, true, direction, tau)
        size = float(np.abs(residual).max())
        if size < best_size:
            best, best_size = arms, size
        columns = np.stack(
            [3 * (1 - tau) ** 2 * tau * (normals @ u0), -3 * (1 - tau) * tau**2 * (normals @ u1)], axis=1
        )
        step = np.linalg.lstsq(columns, residual, rcond=1e-9)[0]
        arms = np.clip(arms - step, 1e-3 * chord, 2 * chord)
    fitted = curve(best)
    check = t0 + (t1 - t0) * _CHECKS
    _, residual = _normal_residuals(
        fitted, offset_points(segment, check, distance_mm), _frame(segment, check)[0] * sign, _CHECKS.copy()
    )
    return fitted, float(np.abs(residual).max())


def offset_segment(
    segment: Segment, distance_mm: float, *, tolerance_mm: float = TOLERANCE_MM
) -> tuple[list[Segment], float]:
    """Return the parallel of a segment, in its direction of travel, and the deviation found (mm)."""
    if distance_mm == 0:
        return [segment], 0.0
    if len(segment) == 2:
        direction = start_direction(segment)
        shift = distance_mm * np.array([direction[1], -direction[0]])
        return [line(segment[0] + shift, segment[1] + shift)], 0.0
    marks = [0.0, *_cusps(segment, distance_mm), 1.0]
    parts: list[Segment] = []
    worst = 0.0
    todo = list(itertools.pairwise(marks))[::-1]
    while todo:
        t0, t1 = todo.pop()
        fitted, deviation = _fit_part(segment, t0, t1, distance_mm)
        if deviation > tolerance_mm and t1 - t0 > _SHORTEST:
            middle = (t0 + t1) / 2
            todo += [(middle, t1), (t0, middle)]
            continue
        worst = max(worst, deviation)
        if parts:
            fitted = cubic(parts[-1][-1], *fitted[1:])
        parts.append(fitted)
    return parts, worst
