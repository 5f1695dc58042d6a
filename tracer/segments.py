"""Segments of paths: straight lines and cubic Bezier curves in millimetres.

A segment is a float64 array of shape (2, 2), a straight line, or (4, 2), a cubic Bezier with its two end points and two
control points between them. Areas are exact (Green's theorem on polynomials); lengths are by Gauss-Legendre quadrature
after subdivision; flattening has a guaranteed bound (second differences of a Bezier curve against its chord,
Wang, "An error bound for the flattening of Bezier curves", 1984).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.errors import PathError

Segment = NDArray[np.float64]
"""A line of shape (2, 2) or a cubic Bezier of shape (4, 2), millimetres."""

PointLike = Sequence[float] | NDArray[np.float64]
"""Two numbers, or an array of shape (2,)."""

_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(16)


def frozen(segment: Segment) -> Segment:
    """Return a segment of its own that cannot be written to; raises :class:`PathError` when it is none."""
    out = np.array(segment, dtype=np.float64)
    if out.shape not in ((2, 2), (4, 2)):
        raise PathError(f"a segment has shape {out.shape}; a line has (2, 2), a cubic (4, 2)")
    if not np.isfinite(out).all():
        raise PathError("a path has a coordinate that is not a finite number")
    out.setflags(write=False)
    return out


def line(start: PointLike, end: PointLike) -> Segment:
    """Return a straight segment between two points (mm)."""
    return frozen(np.array([start, end], dtype=np.float64))


def cubic(p0: PointLike, p1: PointLike, p2: PointLike, p3: PointLike) -> Segment:
    """Return a cubic Bezier segment (mm)."""
    return frozen(np.array([p0, p1, p2, p3], dtype=np.float64))


def evaluate(segment: Segment, t: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Return points at parameters ``t`` in 0..1: shape (N, 2) for an array, (2,) for a number."""
    tt = np.asarray(t, dtype=np.float64)[..., None]
    if len(segment) == 2:
        return np.asarray((1 - tt) * segment[0] + tt * segment[1])
    s = 1 - tt
    return np.asarray(
        s**3 * segment[0] + 3 * s * s * tt * segment[1] + 3 * s * tt * tt * segment[2] + tt**3 * segment[3]
    )


def derivative(segment: Segment, t: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Return d(point)/dt at parameters ``t``, same shape rule as :func:`evaluate`."""
    tt = np.asarray(t, dtype=np.float64)[..., None]
    if len(segment) == 2:
        return np.asarray(np.broadcast_to(segment[1] - segment[0], (*tt.shape[:-1], 2)))
    s = 1 - tt
    d = 3 * np.diff(segment, axis=0)
    return np.asarray(s * s * d[0] + 2 * s * tt * d[1] + tt * tt * d[2])


def split_segment(segment: Segment, t: float) -> tuple[Segment, Segment]:
    """Cut a segment at parameter ``t`` (de Casteljau); both halves lie exactly on it."""
    if len(segment) == 2:
        mid = evaluate(segment, t)
        return frozen(np.array([segment[0], mid])), frozen(np.array([mid, segment[1]]))
    a = segment[:-1] + t * np.diff(segment, axis=0)
    b = a[:-1] + t * np.diff(a, axis=0)
    c = b[0] + t * (b[1] - b[0])
    return (
        frozen(np.array([segment[0], a[0], b[0], c])),
        frozen(np.array([c, b[1], a[2], segment[3]])),
    )


def subsegment(segment: Segment, t0: float, t1: float) -> Segment:
    """Return the stretch of a segment between two parameters, ``t0 < t1``."""
    if t1 < 1:
        segment = split_segment(segment, t1)[0]
    if t0 > 0:
        segment = split_segment(segment, t0 / t1)[1]
    return segment


def segment_length(segment: Segment) -> float:
    """Arc length in mm; cubics by 16-point Gauss-Legendre on 8 pieces (relative error below 1e-9 for tame curves)."""
    if len(segment) == 2:
        return float(np.hypot(*(segment[1] - segment[0])))
    steps = (np.arange(8)[:, None] + (_GAUSS_X + 1) / 2) / 8
    speed = np.hypot(*np.moveaxis(derivative(segment, steps.ravel()), -1, 0)).reshape(steps.shape)
    return float((speed * _GAUSS_W).sum() / 16)


def segment_area(segment: Segment) -> float:
    """Exact integral of (x dy - y dx) / 2 along the segment."""
    x, y = segment[:, 0], segment[:, 1]
    if len(segment) == 2:
        return float(x[0] * y[1] - x[1] * y[0]) / 2
    # Closed form of Green's theorem for a cubic Bezier.
    return float(
        (
            x[0] * (6 * y[1] + 3 * y[2] + y[3])
            + 3 * x[1] * (-2 * y[0] + y[2] + y[3])
            + 3 * x[2] * (-y[0] - y[1] + 2 * y[3])
            - x[3] * (y[0] + 3 * y[1] + 6 * y[2])
        )
        / 20
    )


def flatten_steps(segment: Segment, tolerance_mm: float) -> int:
    """Return into how many chords a segment must be cut to stay within a tolerance (guaranteed)."""
    if len(segment) == 2:
        return 1
    second = np.abs(np.diff(segment, n=2, axis=0)).max(axis=0)
    return max(1, math.ceil(math.sqrt(6.0 * float(np.hypot(*second)) / (8.0 * tolerance_mm))))


def extreme_parameters(segment: Segment, axis: int) -> list[float]:
    """Return the parameters within a segment at which it turns round along an axis."""
    if len(segment) == 2:
        return []
    d = np.diff(segment[:, axis])
    a, b, c = float(d[0] - 2 * d[1] + d[2]), float(2 * (d[1] - d[0])), float(d[0])
    disc = b * b - 4 * a * c
    if disc < 0:
        return []
    # The root that would lose its digits when a is nearly 0 (handles at the thirds) is taken from the other one.
    q = -(b + math.copysign(math.sqrt(disc), b)) / 2
    roots = ([q / a] if a != 0 else []) + ([c / q] if q != 0 else [])
    return [float(t) for t in roots if 0 < t < 1]


def start_direction(segment: Segment) -> NDArray[np.float64]:
    """Return the unit direction in which a segment leaves its start (control points on the start are skipped)."""
    for p in segment[1:]:
        d = p - segment[0]
        n = float(np.hypot(*d))
        if n > 1e-9:
            return np.asarray(d / n)
    return np.array([1.0, 0.0])


def end_direction(segment: Segment) -> NDArray[np.float64]:
    """Return the unit direction in which a segment arrives at its end."""
    return -start_direction(segment[::-1])
