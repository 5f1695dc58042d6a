"""Corners of a sampled outline.

A corner is where two smooth arms meet at an angle. Near it the evidence is rounded by blur and by the line's own
width, so the arms are fitted beyond that reach and extended until they meet. A small round is told from a corner by
its arms: those of a round keep bending towards each other until the tangents agree; and its apex stays farther from
the meeting point than rounding by blur and line width explains.

Sources: none; the tests are chi-square tests of quadratic arms (GUM-style standard uncertainties of the points).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]

KINK_DEG = 14.0
"""Turns smaller than this are treated as smooth (rounding them moves nothing by more than some 0.01 mm)."""
_ARM_LENGTHS_MM = (5.0, 3.2, 2.0, 1.3, 0.85)
_LONG_ARMS_MM = (20.0, 10.0)
"""Where points are known so badly that such arms do not tell how the line turns, longer ones are tried."""
_TURN_STEPS = 3
"""So many points on both sides of a carried corner tell how it turns."""
_SHARPEST = 0.08
"""Sine of half the angle of the sharpest corner of which it is said how well its arms tell it."""
_MOST_ARM_TURN_RAD = 0.8
"""A parabola in arc length ends in another direction than an arc of a circle that turns by this much, by some 0.05 of
its third power: a quarter turn on both sides of a place on a small hole would make a corner of it."""
_BEND_SIGMA_PER_MM, _SHARP_RAD = 0.01, math.radians(60)
"""Half of how much arms bend, standard (a radius of 50 mm; judgement). Points that are known badly tell less of it, and
an arm led on by a bend that is only theirs misses its corner. Between arms held so straight only turns as sharp as the
second are believed: those of a curve are none."""
_DOUBT = 2.0
"""A corner may be farther from its points by so many times their scatter (95 % of a normal one)."""
_MODEL_SIGMA_MM = 0.003
"""What a quadratic arm and the evidence's slow errors may be off, beside the points' noise."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bend:
    """A place where the outline's direction jumps.

    ``index`` is the place among the points, ``point`` the meeting of the extended arms, ``turn_rad`` the signed turn,
    ``reach_mm`` how far on both sides the points are rounded.
    """

    index: int
    point: NDArray[np.float64]
    turn_rad: float
    reach_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    """The points as :func:`find_bends` takes them, and what rounds a corner: half the line's width and the blur, mm."""

    points: Points
    sigma: NDArray[np.float64]
    seen: NDArray[np.bool_]
    scatter: NDArray[np.float64]
    spacing: float
    rounding: tuple[float, float]
    closed: bool

    def around(self, centre: int, reach_mm: float) -> NDArray[np.intp]:
        """Return the places within so much of one, along the line."""
        steps = round(reach_mm / self.spacing)
        window = np.arange(centre - steps, centre + steps + 1, dtype=np.intp)
        if self.closed:
            return window % len(self.points)
        return window[(window >= 0) & (window < len(self.points))]


@dataclass(frozen=True, slots=True, eq=False)
class _Arm:
    """A parabola (or line) in arc length: rows of ``c`` are the coefficients of 1, s, s^2.

    ``sigmas`` are those of its points.
    """

    c: NDArray[np.float64]
    chi: float
    angle_sigma: float
    sigmas: NDArray[np.float64]

    @property
    def sigma(self) -> float:
        return float(np.median(self.sigmas))

    def at(self, s: float) -> NDArray[np.float64]:
        return np.asarray(self.c[0] + s * (self.c[1] + s * self.c[2]))

    def slope(self, s: float) -> NDArray[np.float64]:
        return np.asarray(self.c[1] + 2 * s * self.c[2])


def find_bends(
    points: Points,
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
    scatter: NDArray[np.float64],
    *,
    spacing_mm: float,
    half_width_mm: float,
    blur_mm: float,
    closed: bool = True,
) -> list[Bend]:
    """Return the corners and kinks of an evenly sampled line, in order.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
    sigma : ndarray, shape (N,)
        Standard uncertainty of each point across the line.
    seen : ndarray of bool, shape (N,)
        False for points that were carried across a hole: whether a corner lies there was settled then.
    scatter : ndarray, shape (N,)
        Standard uncertainty of each point beside its neighbours: what they are off together takes no corner from them.
    spacing_mm : float
        Distance of neighbouring points.
    half_width_mm, blur_mm : float
        Half the width of the drawn line (0 for an edge) and the blur's standard deviation: they round a corner.
    closed : bool
        Whether the line closes; an open line's ends are no bends.
    """
    bends: list[Bend] = []
    line = _Line(
        points=points,
        sigma=sigma,
        seen=seen,
        scatter=scatter,
        spacing=spacing_mm,
        rounding=(half_width_mm, blur_mm),
        closed=closed,
    )
    rounding_mm = rounding_reach_mm(math.pi / 2, half_width_mm, blur_mm)
    for candidate in _candidates(points, spacing_mm, rounding_mm, closed):
        bend = _examine(line, candidate)
        if bend is None:
            continue
        same = [
            b
            for b in bends
            if b.index == bend.index
            or np.hypot(*(b.point - bend.point)) < max(rounding_mm, 0.4, 0.7 * b.reach_mm, 0.7 * bend.reach_mm)
        ]
        if same:
            # The sharper one; of two about as sharp, the one that knows where its arms meet beyond its points.
            if bend.reach_mm > same[0].reach_mm:
                bends[bends.index(same[0])] = bend
            continue
        bends.append(bend)
    return sorted(bends, key=lambda b: b.index)


def with_sharp_points(
    bends: list[Bend],
    points: Points,
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
    sharp: tuple[int, ...],
    *,
    half_width_mm: float,
    blur_mm: float,
) -> list[Bend]:
    """Return bends in order with those points that were carried to a sharp end.

    Two arms that run back along each other differ too little there for a test to tell them apart, and carried points
    are too uncertain for one that asks where their arms point. A bend that was found among them all the same stands
    only where it is the carried one, as far as that is known: its arms were known best beside the hole.
    """
    bends = list(bends)
    for i in sharp:
        before, after = points[i] - points[i - _TURN_STEPS], points[(i + _TURN_STEPS) % len(points)] - points[i]
        turn = math.atan2(float(before[0] * after[1] - before[1] * after[0]), float(before @ after))
        reach = rounding_reach_mm(turn, half_width_mm, blur_mm)
        doubt = float(sigma[i]) / max(math.sin((math.pi - abs(turn)) / 2), _SHARPEST)
        near = [(b, math.dist(b.point, points[i])) for b in bends]
        near = [(b, away) for b, away in near if away <= max(reach, b.reach_mm)]
        if any(seen[b.index] or away <= _DOUBT * doubt for b, away in near):
            continue
        bends = [b for b in bends if all(b is not other for other, _ in near)]
        bends.append(Bend(index=i, point=points[i].copy(), turn_rad=turn, reach_mm=reach))
    return sorted(bends, key=lambda b: b.index)


def rounding_reach_mm(turn_rad: float, half_width_mm: float, blur_mm: float) -> float:
    """Return how far along its arms a corner is rounded: where the two strokes overlap, and the blur's reach."""
    turn = min(abs(turn_rad), math.radians(160))
    return half_width_mm * math.tan(turn / 2) + 3.0 * blur_mm / math.sqrt(math.cos(turn / 2))


def _tangent_share(turn_rad: float) -> float:
    """Return how far along its arms a round begins, as a share of how far from where they meet it passes by."""
    half = (math.pi - min(abs(turn_rad), math.radians(160))) / 2
    return math.cos(half) / (1 - math.sin(half))


def _candidates(points: Points, spacing: float, rounding: float, closed: bool) -> list[int]:
    """Return the places where the direction changes most between short arms on both sides."""
    n = len(points)
    half = max(2, round(0.45 / spacing))
    gap = max(1, round(rounding / spacing))
    if n < 4 * (half + gap):
        gap = max(1, min(gap, n // 16))
        half = max(2, min(half, n // 16))
    mode: Literal["wrap", "edge"] = "wrap" if closed else "edge"
    pad = 2 * half + gap + 1
    padded = np.pad(points, ((pad, pad), (0, 0)), mode=mode)
    total = np.vstack([np.zeros((1, 2)), np.cumsum(padded, axis=0)])
    start = np.arange(n) + pad

    def mean(first: int, last: int) -> Points:
        return np.asarray((total[start + last] - total[start + first]) / (last - first))

    before = mean(-gap - half, -gap) - mean(-gap - 2 * half, -gap - half)
    after = mean(gap + 1 + half, gap + 1 + 2 * half) - mean(gap + 1, gap + 1 + half)
    turn = np.abs(np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)))
    window = half + gap
    order = np.argsort(-turn)
    taken = np.zeros(n, bool)
    found = []
    for i in order:
        if turn[i] < math.radians(KINK_DEG):
            break
        if taken[i] or (not closed and (i < gap + half or i >= n - gap - half)):
            continue
        found.append(int(i))
        taken[np.arange(i - window, i + window + 1) % n] = True
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Reach:
    """The points along which arms of several lengths run, from the nearest on.

    ``s`` is their distance in mm; ``terms`` (3, N) are 1, s and s^2 and ``weighted`` (N, 2) the points, both times
    their weight.
    """

    points: Points
    sigma: NDArray[np.float64]
    s: NDArray[np.float64]
    terms: NDArray[np.float64]
    weighted: Points

    def arm(self, count: int, degree: int, bend_sigma: float) -> _Arm:
        """Return the arm along the first so many of the points."""
        terms, weighted = self.terms[: degree + 1, :count], self.weighted[:count]
        normal = terms @ terms.T
        if degree == 2:
            normal[2, 2] += 1 / bend_sigma**2
        inverse = np.linalg.inv(normal)
        own = inverse @ (terms @ weighted)
        c = np.zeros((3, 2))
        c[: degree + 1] = own
        x, y = (self.points[count - 1] - self.points[0]).tolist()
        length = max(math.hypot(x, y), 1e-12)
        off = (weighted - terms.T @ own) @ np.array([-y / length, x / length])
        chi = math.sqrt(float(off @ off) / max(1, count - degree - 1))
        return _Arm(c, chi, math.sqrt(max(float(inverse[1, 1]), 0.0)) * max(1.0, chi), self.sigma[:count])


def _reach(line: _Line, centre: int, first: int, direction: int, count: int) -> _Reach:
    """Return so many points of a line, beginning so many steps from a place."""
    steps = np.arange(first, first + count, dtype=np.intp)
    index = (centre + direction * steps) % len(line.points)
    points, sigma = line.points[index], line.sigma[index]
    s = np.asarray(steps * (line.spacing * direction), dtype=np.float64)
    terms = np.empty((3, count))
    terms[0] = 1 / np.hypot(sigma, _MODEL_SIGMA_MM)
    terms[1] = terms[0] * s
    terms[2] = terms[1] * s
    return _Reach(points, sigma, s, terms, points * terms[0][:, None])


def _best_arm(
    line: _Line, centre: int, gap_mm: float, direction: int, lengths_mm: Sequence[float], bend_sigma: float
) -> _Arm | None:
    """Return the longest arm that a quadratic describes within the noise (short ones: a line)."""
    n, spacing = len(line.points), line.spacing
    first = math.ceil(gap_mm / spacing)
    # Beyond half of a closed line it comes back from the other side; an open one ends.
    room = (n // 2 + 1 if line.closed else n - centre if direction > 0 else centre + 1) - first
    counts = [math.ceil((gap_mm + length) / spacing) + 1 - first for length in lengths_mm]
    arms = [
        (length, min(count, room))
        for length, count in zip(lengths_mm, counts, strict=True)
        if min(count, room) >= 5 and (count <= room or not line.closed)
    ]
    if not arms:
        return None
    reach = _reach(line, centre, first, direction, max(count for _, count in arms))
    best: _Arm | None = None
    for length, count in arms:
        for degree in (2, 1):
            if degree == 2 and (count < 8 or length < 0.9):
                continue
            arm = reach.arm(count, degree, bend_sigma)
            if degree == 2 and _turn_of(arm, float(reach.s[0]), float(reach.s[count - 1])) > _MOST_ARM_TURN_RAD:
                continue
            if arm.chi < 1.35:
                return arm
            if best is None or arm.chi < best.chi:
                best = arm
    return best if best is not None and best.chi < 3.0 else None


def _turn_of(arm: _Arm, first: float, last: float) -> float:
    """Return by how much an arm turns between two distances from its end, rad."""
    u, v = arm.slope(first), arm.slope(last)
    return abs(math.atan2(float(u[0] * v[1] - u[1] * v[0]), float(u @ v)))


def _meeting(one: _Arm, other: _Arm) -> tuple[NDArray[np.float64], float, float] | None:
    """Return where two arms meet and their parameters there, by Newton's method from the middle."""
    a = b = 0.0
    for _ in range(12):
        miss = one.at(a) - other.at(b)
        u, v = one.slope(a), other.slope(b)
        determinant = float(v[0] * u[1] - u[0] * v[1])
        if abs(determinant) < 0.03:
            return None
        # Solve u da - v db = -miss.
        da = float(miss[0] * v[1] - miss[1] * v[0]) / determinant
        db = float(miss[0] * u[1] - miss[1] * u[0]) / determinant
        a, b = a + min(max(da, -0.5), 0.5), b + min(max(db, -0.5), 0.5)
        if max(abs(da), abs(db)) < 1e-6:
            return one.at(a), a, b
    return None


def _touching(line: _Line, one: _Arm, other: _Arm, centre: int) -> Bend | None:
    """Return the point at which two arms that run back along each other end, if they do: the outermost one."""
    before, after = one.slope(0.0), other.slope(0.0)
    turn = math.atan2(float(before[0] * after[1] - before[1] * after[0]), float(before @ after))
    if abs(turn) < math.radians(165):
        return None
    reach = rounding_reach_mm(turn, *line.rounding)
    window = line.around(centre, reach)
    outermost = int(window[np.argmax(line.points[window] @ (before - after))])
    return Bend(index=outermost, point=line.points[outermost].copy(), turn_rad=turn, reach_mm=reach)


def _examine(line: _Line, candidate: int) -> Bend | None:
    """Return the bend at a place, None where the line runs on smoothly or nothing tells."""
    bend, _ = _bend_at(line, candidate, _ARM_LENGTHS_MM, _BEND_SIGMA_PER_MM)
    if bend is not None and abs(bend.turn_rad) > _SHARP_RAD:
        return bend
    bend, told = _bend_at(line, candidate, _ARM_LENGTHS_MM)
    if not told:
        bend, _ = _bend_at(line, candidate, _LONG_ARMS_MM)
    return bend


def _doubt(line: _Line, nearest: int, one: _Arm, other: _Arm) -> float:
    """Return how far a corner may be from its points for what these are off and its arms are not."""
    if not line.seen[nearest]:
        return 0.0
    own = float(line.sigma[nearest]) ** 2 - (one.sigma**2 + other.sigma**2) / 2
    return _DOUBT * math.hypot(float(line.scatter[nearest]), math.sqrt(max(own, 0.0)))


def _apart(point: NDArray[np.float64], line: Points) -> float:
    """Return how far a point lies from a line of points."""
    start, step = line[:-1], np.diff(line, axis=0)
    share = ((point - start) * step).sum(axis=1) / np.maximum((step * step).sum(axis=1), 1e-12)
    foot = start + np.clip(share, 0.0, 1.0)[:, None] * step
    return float(np.hypot(*(foot - point).T).min())


def _bend_at(
    line: _Line, candidate: int, lengths_mm: Sequence[float], bend_sigma: float = math.inf
) -> tuple[Bend | None, bool]:
    """Return the bend at a place as arms of some lengths have it, and whether they are known well enough to tell."""
    gap = rounding_reach_mm(math.pi / 2, *line.rounding)
    centre = candidate
    bend: Bend | None = None
    for _ in range(3):
        one = _best_arm(line, centre, gap, -1, lengths_mm, bend_sigma)
        other = _best_arm(line, centre, gap, 1, lengths_mm, bend_sigma)
        if one is None or other is None:
            return None, True
        met = _meeting(one, other)
        if met is None:
            return _touching(line, one, other, centre), True
        point, a, b = met
        before, after = one.slope(a), other.slope(b)
        turn = math.atan2(float(before[0] * after[1] - before[1] * after[0]), float(before @ after))
        if abs(turn) < math.radians(KINK_DEG):
            return None, True
        if abs(turn) < 4 * math.hypot(one.angle_sigma, other.angle_sigma):
            return None, False
        wider = rounding_reach_mm(turn, *line.rounding)
        # Beside a blunt corner the turn is alike as far as the arms' own gap, and the place may lie so far off.
        window = line.around(centre, 2 * max(wider, gap))
        nearest = int(window[np.argmin(np.hypot(*(line.points[window] - point).T))])
        apex = _apart(point, line.points[window])
        rounded = 1.2 * wider * math.tan(abs(turn) / 4) + 0.3 * line.rounding[1] + 0.01
        if apex > rounded + _doubt(line, nearest, one, other):
            return None, True
        reach = wider if apex <= rounded else max(wider, apex * _tangent_share(turn))
        bend = Bend(index=nearest, point=point, turn_rad=turn, reach_mm=reach)
        if nearest == centre and abs(wider - gap) < 0.15 * gap:
            break
        centre, gap = nearest, wider
    return bend, True
