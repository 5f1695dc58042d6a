"""Where paths cross, which side of them a point lies on, and how far it is from them.

Crossings are found on chords of a fine flattening and refined on the curves themselves by Newton's method, so a
reported crossing lies on both curves to about 1e-9 mm; two crossings closer together than the flattening (0.0004 mm)
may be missed. Crossings with a straight line, and winding numbers, come from the exact roots of the cubics. Winding
numbers: the non-zero rule's count, +1 inside a positively oriented path (clockwise on screen, y down).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.segments import PointLike, Segment, derivative, evaluate, split_segment, subsegment

_CHORD_MM = 0.0004
_SLACK_MM = 0.05
_RAY = np.array([math.cos(0.7131), math.sin(0.7131)])
_SAME_MM = 1e-7
_JOINT_MM = 1e-5


class Crossing(NamedTuple):
    """Segment ``i`` at parameter ``t`` meets segment ``j`` at parameter ``u``."""

    i: int
    t: float
    j: int
    u: float
    point: tuple[float, float]


class Nearest(NamedTuple):
    """The nearest point of a chain: which segment, its parameter, the point, and how far it is."""

    segment: int
    t: float
    point: NDArray[np.float64]
    distance_mm: float


class _Chords(NamedTuple):
    segment: NDArray[np.intp]
    t0: NDArray[np.float64]
    t1: NDArray[np.float64]
    start: NDArray[np.float64]
    end: NDArray[np.float64]


def _chords(segments: Sequence[Segment], tolerance_mm: float) -> _Chords:
    index, t0, t1, start, end = [], [], [], [], []
    for i, seg in enumerate(segments):
        n = 1
        if len(seg) == 4:
            second = np.abs(np.diff(seg, n=2, axis=0)).max(axis=0)
            # At least four chords, so that one loop of a single cubic cannot hide between neighbours.
            n = max(4, math.ceil(math.sqrt(6.0 * float(np.hypot(*second)) / (8.0 * tolerance_mm))))
        t = np.arange(n + 1) / n
        points = evaluate(seg, t)
        index.append(np.full(n, i))
        t0.append(t[:-1])
        t1.append(t[1:])
        start.append(points[:-1])
        end.append(points[1:])
    return _Chords(*(np.concatenate(part) for part in (index, t0, t1, start, end)))


def _boxes(chords: _Chords, pad_mm: float) -> NDArray[np.object_]:
    low, high = np.minimum(chords.start, chords.end) - pad_mm, np.maximum(chords.start, chords.end) + pad_mm
    return np.asarray(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))


def _refined(a: Segment, t: float, b: Segment, u: float) -> tuple[float, float, float]:
    """Newton on a(t) = b(u); returns t, u and what is left of the distance."""
    gap = evaluate(a, t) - evaluate(b, u)
    for _ in range(20):
        jacobian = np.stack([derivative(a, t), -derivative(b, u)], axis=1)
        determinant = float(np.linalg.det(jacobian))
        scale = float(np.hypot(*jacobian[:, 0]) * np.hypot(*jacobian[:, 1]))
        if abs(determinant) < 1e-12 * max(scale, 1e-12):
            break
        step = np.linalg.solve(jacobian, gap)
        t, u = min(1.0, max(0.0, t - float(step[0]))), min(1.0, max(0.0, u - float(step[1])))
        gap = evaluate(a, t) - evaluate(b, u)
        if float(np.abs(step).max()) < 1e-14:
            break
    return t, u, float(np.hypot(*gap))


def _chord_hits(
    a: _Chords, b: _Chords
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Pairs of chords that cross or touch, and where along each (0..1)."""
    first, second = shapely.STRtree(_boxes(b, 0.0)).query(_boxes(a, _SLACK_MM))
    da, db = a.end[first] - a.start[first], b.end[second] - b.start[second]
    between = b.start[second] - a.start[first]
    cross = da[:, 0] * db[:, 1] - da[:, 1] * db[:, 0]
    size = np.hypot(*da.T) * np.hypot(*db.T)
    fine = np.abs(cross) > 1e-9 * np.maximum(size, 1e-30)
    first, second, da, db, between, cross, size = (x[fine] for x in (first, second, da, db, between, cross, size))
    t = (between[:, 0] * db[:, 1] - between[:, 1] * db[:, 0]) / cross
    u = (between[:, 0] * da[:, 1] - between[:, 1] * da[:, 0]) / cross
    # Chords of curves that cross at a shallow angle may cross well beyond their ends: they lie off their curves by up
    # to the flattening, which the angle magnifies. Newton decides.
    reach_mm = np.maximum(_SLACK_MM, 4 * _CHORD_MM * size / np.abs(cross))
    slack_a, slack_b = (np.minimum(1.0, reach_mm / np.maximum(np.hypot(*d.T), 1e-3)) for d in (da, db))
    ok = (t >= -slack_a) & (t <= 1 + slack_a) & (u >= -slack_b) & (u <= 1 + slack_b)
    return first[ok], second[ok], np.clip(t[ok], 0, 1), np.clip(u[ok], 0, 1)


def crossings(one: Sequence[Segment], other: Sequence[Segment]) -> list[Crossing]:
    """Return where two chains of segments cross or touch, each place once for each pair of segments."""
    a, b = _chords(one, _CHORD_MM), _chords(other, _CHORD_MM)
    found: list[Crossing] = []
    for p, q, s, v in zip(*_chord_hits(a, b), strict=True):
        i, j = int(a.segment[p]), int(b.segment[q])
        t = float(a.t0[p] + s * (a.t1[p] - a.t0[p]))
        u = float(b.t0[q] + v * (b.t1[q] - b.t0[q]))
        t, u, left = _refined(one[i], t, other[j], u)
        if left > _SAME_MM:
            continue
        point = evaluate(one[i], t)
        if not any(c.i == i and c.j == j and abs(c.t - t) < 1e-7 and abs(c.u - u) < 1e-7 for c in found):
            found.append(Crossing(i, t, j, u, (float(point[0]), float(point[1]))))
    return found


def self_crossings(segments: Sequence[Segment], *, closed: bool = True) -> list[Crossing]:
    """Return where a chain crosses or touches itself, its joints left out; ``i <= j`` in each."""
    a = _chords(segments, _CHORD_MM)
    count, last = len(a.segment), len(segments) - 1
    found: list[Crossing] = []
    for p, q, s, v in zip(*_chord_hits(a, a), strict=True):
        if q <= p + 1 or (closed and p == 0 and q == count - 1):
            continue
        i, j = int(a.segment[p]), int(a.segment[q])
        t = float(a.t0[p] + s * (a.t1[p] - a.t0[p]))
        u = float(a.t0[q] + v * (a.t1[q] - a.t0[q]))
        t, u, left = _refined(segments[i], t, segments[j], u)
        if left > _SAME_MM or (i == j and abs(t - u) < 1e-6):
            continue
        point = evaluate(segments[i], t)
        at_joint = (j == i + 1 and np.abs(point - segments[j][0]).max() < _JOINT_MM and t > u) or (
            closed and i == 0 and j == last and np.abs(point - segments[0][0]).max() < _JOINT_MM and u > t
        )
        if at_joint or any(c.i == i and c.j == j and abs(c.t - t) < 1e-7 and abs(c.u - u) < 1e-7 for c in found):
            continue
        found.append(Crossing(i, t, j, u, (float(point[0]), float(point[1]))))
    return found


def _roots(values: NDArray[np.float64]) -> list[float]:
    """Parameters in 0..1 at which a line or cubic with these Bernstein values is zero."""
    if len(values) == 2:
        a, b = values
        return [float(a / (a - b))] if a != b and min(a, b) <= 0 <= max(a, b) else []
    if values.min() > 0 or values.max() < 0:
        return []
    p0, p1, p2, p3 = values
    power = np.array([p3 - 3 * p2 + 3 * p1 - p0, 3 * (p2 - 2 * p1 + p0), 3 * (p1 - p0), p0])
    scale = np.abs(power).max()
    if scale == 0:
        return []
    while len(power) > 1 and abs(power[0]) < 1e-13 * scale:
        power = power[1:]
    roots = np.roots(power)
    real = roots.real[np.abs(roots.imag) < 1e-7 * np.maximum(1.0, np.abs(roots))]
    return sorted(float(min(1.0, max(0.0, t))) for t in real if -1e-9 <= t <= 1 + 1e-9)


def line_crossings(
    segments: Sequence[Segment], point: PointLike, direction: PointLike
) -> list[tuple[int, float, float]]:
    """Return where an endless straight line meets a chain: (segment, parameter, distance along the line in mm)."""
    p, d = np.asarray(point, dtype=np.float64), np.asarray(direction, dtype=np.float64)
    d = d / np.hypot(*d)
    normal = np.array([-d[1], d[0]])
    found = []
    for i, seg in enumerate(segments):
        for t in _roots((seg - p) @ normal):
            along = float((evaluate(seg, t) - p) @ d)
            found.append((i, t, along))
    return found


def winding_number(segments: Sequence[Segment], point: PointLike) -> int:
    """Return how often a closed chain goes round a point (a point on the chain counts to either side)."""
    p = np.asarray(point, dtype=np.float64)
    normal = np.array([-_RAY[1], _RAY[0]])
    total = 0
    for seg in segments:
        away = (seg - p) @ normal
        if away.min() > 0 or away.max() < 0 or ((seg - p) @ _RAY).max() < 0:
            continue
        for t in _roots(away):
            if (evaluate(seg, t) - p) @ _RAY <= 0:
                continue
            slope = float(derivative(seg, t) @ normal)
            # Half-open parameter range: a crossing at a joint counts once.
            if t < 1.0 and slope != 0:
                total += 1 if slope > 0 else -1
    return total


def nearest_all(
    segments: Sequence[Segment], points: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Return for points of shape (N, 2) the nearest place of a chain: segment, parameter, distance in mm, each (N,).

    Cubics are seeded on 33 points and bisected on the sign of the distance's derivative, safe on any curve; on a curve
    that bends more than once between two seeds a farther place may be found.
    """
    if not segments:
        raise ValueError("a chain without segments has no nearest point")
    best = np.full(len(points), np.inf)
    index = np.zeros(len(points), dtype=np.intp)
    parameter = np.zeros(len(points))
    for i, seg in enumerate(segments):
        low_box, high_box = seg.min(axis=0), seg.max(axis=0)
        outside = np.maximum(np.maximum(low_box - points, points - high_box), 0)
        near = np.flatnonzero(np.hypot(outside[:, 0], outside[:, 1]) <= best)
        if not len(near):
            continue
        p = points[near]
        if len(seg) == 2:
            d = seg[1] - seg[0]
            t = np.clip((p - seg[0]) @ d / max(float(d @ d), 1e-30), 0, 1)
        else:
            t = _nearest_on_cubic(seg, p)
        gap = evaluate(seg, t) - p
        distance = np.hypot(gap[:, 0], gap[:, 1])
        better = distance < best[near]
        best[near[better]] = distance[better]
        index[near[better]] = i
        parameter[near[better]] = t[better]
    return index, parameter, best


def nearest(segments: Sequence[Segment], point: PointLike) -> Nearest:
    """Return the place of a chain nearest to one point (see :func:`nearest_all`)."""
    index, t, distance = nearest_all(segments, np.asarray(point, dtype=np.float64)[None])
    i = int(index[0])
    return Nearest(i, float(t[0]), evaluate(segments[i], float(t[0])), float(distance[0]))


def _nearest_on_cubic(seg: Segment, points: NDArray[np.float64]) -> NDArray[np.float64]:
    ts = np.linspace(0, 1, 33)
    seeds = evaluate(seg, ts)
    k = np.hypot(*(seeds[None] - points[:, None]).transpose(2, 0, 1)).argmin(axis=1)
    low, high = ts[np.maximum(0, k - 1)], ts[np.minimum(32, k + 1)]
    for _ in range(48):
        mid = (low + high) / 2
        leaving = ((evaluate(seg, mid) - points) * derivative(seg, mid)).sum(axis=1) > 0
        high = np.where(leaving, mid, high)
        low = np.where(leaving, low, mid)
    return np.asarray((low + high) / 2)


def cut_at(segments: Sequence[Segment], cuts: Sequence[tuple[int, float]]) -> list[tuple[int, Segment]]:
    """Cut a chain at parameters; returns (index of the segment it comes from, stretch) in order of travel."""
    by_segment: dict[int, list[float]] = {}
    for i, t in cuts:
        by_segment.setdefault(i, []).append(t)
    parts: list[tuple[int, Segment]] = []
    for i, seg in enumerate(segments):
        ts = [0.0, *sorted(t for t in by_segment.get(i, []) if 1e-9 < t < 1 - 1e-9), 1.0]
        for t0, t1 in itertools.pairwise(ts):
            if t1 - t0 > 1e-9:
                parts.append((i, subsegment(seg, t0, t1)))
    return parts


def stretch(segments: Sequence[Segment], start: tuple[int, float], end: tuple[int, float]) -> list[tuple[int, Segment]]:
    """Return the stretch of an open chain between two places (segment, parameter), with the segments it comes from."""
    (i, t), (j, u) = start, end
    if (i, t) >= (j, u):
        return []
    if i == j:
        return [(i, subsegment(segments[i], t, u))]
    parts: list[tuple[int, Segment]] = []
    if t < 1 - 1e-12:
        parts.append((i, split_segment(segments[i], t)[1] if t > 0 else segments[i]))
    parts += [(k, segments[k]) for k in range(i + 1, j)]
    if u > 1e-12:
        parts.append((j, split_segment(segments[j], u)[0] if u < 1 else segments[j]))
    return parts
