"""Ends of stretches of line: where they are and head, and what it costs to join two of them.

The bending energy of a cubic with end slopes p, q against its chord of length L is 4 (p^2 + pq + q^2) / L (from
integrating its second derivative squared, small slopes).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import Points

BENDING = 1.0 / 35.0
"""Pattern lines bend about this much between joined ends, 1/mm: an armhole (common practice, no source)."""
CHANGE = 1.0 / 2700.0
"""Their bend changes about this much along them, 1/mm per mm (common practice, no source)."""
SIDE_MM = 0.06
"""Ends are known to this much across their line, mm (half a pixel at 300 dpi)."""
WHITE_MM, USUAL_WHITE_MM, MORE_WHITE = 2.0, 3.2, 3.0
"""So much bare paper makes a join dearer by one; each mm beyond what dashes leave bare costs so much more."""
_SOLID_MM, _DASH_APART, _SHARE_APART = 60.0, math.log(1.5), 0.25
"""Longer dashes are a solid line; dashes of so different a length (logarithm), or shares of ink so far apart, are two
styles (judgement)."""
LOOKS_MM = (6.0, 4.0, 2.5, 1.5, 0.9, 0.5, 0.25)

End = tuple[int, int]
"""A stretch and its side, 0 its first point and 1 its last."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State:
    """Where an end is and where it heads: pixels, unit direction outwards, its standard uncertainty in radians."""

    at: NDArray[np.float64]
    heading: NDArray[np.float64]
    sigma: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Join:
    """A join of two ends: its cost, the points between them (both ends included), and how much of it is bare, mm."""

    a: End
    b: End
    cost: float
    points: Points
    white_mm: float
    corner: bool = False


def bending_cost(
    p: NDArray[np.float64],
    q: NDArray[np.float64],
    length: NDArray[np.float64],
    sigma: NDArray[np.float64],
    bend: float = BENDING,
    change: float = CHANGE,
) -> NDArray[np.float64]:
    """Return how unusual the smooth curve between two ends is, in squared standard deviations.

    Parameters
    ----------
    p, q : ndarray
        Slopes at both ends against the chord, radians.
    length : ndarray
        Of the chord, mm.
    sigma : ndarray
        Standard uncertainty of both directions together, radians.
    bend, change : float
        Usual curvature (1/mm) and change of curvature (1/mm per mm).
    """
    even = (p - q) ** 2 / ((bend * length) ** 2 + sigma**2)
    side = 2.0 * SIDE_MM * math.sqrt(2.0) / length
    odd = (p + q) ** 2 / ((change * length**2 / 6.0) ** 2 + sigma**2 + side**2)
    return np.asarray(even + odd)


def white_price(white_mm: float) -> float:
    """Return what so much bare paper costs."""
    return white_mm / WHITE_MM + MORE_WHITE * max(0.0, white_mm - USUAL_WHITE_MM)


def unlike(a: tuple[float, float, float], b: tuple[float, float, float]) -> float:
    """Return how different two styles are, 0 to 1."""
    dash = abs(math.log(min(a[0], _SOLID_MM) / min(b[0], _SOLID_MM))) / _DASH_APART
    return min(1.0, dash + abs(a[1] - b[1]) / _SHARE_APART)


def unlike_all(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how different styles are, 0 to 1, each given by its dash in mm and its share of ink, shape (..., 2)."""
    dash = np.abs(np.log(np.minimum(a[..., 0], _SOLID_MM) / np.minimum(b[..., 0], _SOLID_MM))) / _DASH_APART
    return np.asarray(np.minimum(1.0, dash + np.abs(a[..., 1] - b[..., 1]) / _SHARE_APART))


def end_state(back: Points, mm_per_px: float) -> State:
    """Return where a chain of points ends and heads, from its points, the end first."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(back, axis=0).T))]) * mm_per_px
    if len(back) < 2 or along[-1] <= 0:
        return State(at=back[0], heading=np.array([1.0, 0.0]), sigma=1.5)
    for look in LOOKS_MM:
        count = int(np.searchsorted(along, look)) + 1
        count = min(max(count, 4), len(back))
        s, part = along[:count], back[:count]
        order = 2 if s[-1] > 2.4 and count > 8 else 1
        if count < 3:
            break
        basis = np.vander(s, order + 1, increasing=True)
        fit, *_ = np.linalg.lstsq(basis, part, rcond=None)
        rms = float(np.sqrt(np.square(part - basis @ fit).sum(axis=1).mean()))
        if rms < 0.45 or look == LOOKS_MM[-1]:
            heading = -fit[1]
            heading = heading / max(1e-9, float(np.hypot(*heading)))
            span = max(float(s[-1] - s[0]), mm_per_px)
            sigma = 0.9 * mm_per_px / (span * math.sqrt(max(count, 4) / 4.0)) * (4.0 if order == 2 else 1.0)
            return State(at=fit[0], heading=heading, sigma=max(sigma, 0.02))
    way = back[0] - back[-1]
    return State(at=back[0], heading=way / max(1e-9, float(np.hypot(*way))), sigma=0.5)


def cross_of(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Return the cross product of two vectors."""
    return float(a[0] * b[1] - a[1] * b[0])


def signed_turn(from_way: NDArray[np.float64], to_way: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the angle from one direction to another, radians, for arrays of shape (N, 2)."""
    cross = from_way[:, 0] * to_way[:, 1] - from_way[:, 1] * to_way[:, 0]
    return np.asarray(np.arctan2(cross, (from_way * to_way).sum(axis=1)))


def signed_turn_between(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the angle between directions, radians."""
    return np.abs(signed_turn(a, b))


def straight(a: NDArray[np.float64], b: NDArray[np.float64]) -> Points:
    """Return the points of a straight line, about a pixel apart."""
    return np.linspace(a, b, max(2, int(np.hypot(*(b - a))) + 1))


def hermite(a: State, b: State) -> Points:
    """Return the points of the cubic that leaves both ends in their own directions, about a pixel apart."""
    gap = float(np.hypot(*(b.at - a.at)))
    t = np.linspace(0.0, 1.0, max(2, int(gap) + 1))[:, None]
    s = 1 - t
    p1, p2 = a.at + gap / 3 * a.heading, b.at + gap / 3 * b.heading
    return np.asarray(s**3 * a.at + 3 * s * s * t * p1 + 3 * s * t * t * p2 + t**3 * b.at)


def two_sides(joins: Sequence[Join]) -> list[tuple[list[End], list[End]]]:
    """Part ends between which joins are possible in groups, and each group in the ends on its two sides.

    The cheapest joins tell first which ends lie on opposite sides; a join that says otherwise is left out.
    """
    root: dict[End, tuple[End, bool]] = {}

    def find(end: End) -> tuple[End, bool]:
        turned = False
        while end in root and root[end][0] != end:
            end, flip = root[end][0], root[end][1]
            turned ^= flip
        return end, turned

    for join in sorted(joins, key=lambda j: j.cost):
        for end in (join.a, join.b):
            root.setdefault(end, (end, False))
        (one, side), (two, other) = find(join.a), find(join.b)
        if one != two:
            root[two] = (one, not (side ^ other))
    groups: dict[End, tuple[list[End], list[End]]] = {}
    for end in root:
        top, turned = find(end)
        groups.setdefault(top, ([], []))[int(turned)].append(end)
    return list(groups.values())


def without_tees(joins: list[tuple[Join, Points]], states: dict[End, State], near_px: float) -> list[Join]:
    """Leave out corners of a line that ends on another one: it may turn off either way there."""
    by_end: dict[End, list[tuple[Join, Points]]] = {}
    for join, corner in joins:
        for end in (join.a, join.b):
            by_end.setdefault(end, []).append((join, corner))
    gone: set[int] = set()
    for end, mine in by_end.items():
        for m, (one, at) in enumerate(mine):
            for other, there in mine[m + 1 :]:
                ways = [states[j.b if j.a == end else j.a].heading for j in (one, other)]
                if np.hypot(*(at - there)) < near_px and float(ways[0] @ ways[1]) < -0.8:
                    gone |= {id(one), id(other)}
    return [j for j, _ in joins if id(j) not in gone]
