"""Dividing a smooth stretch of outline into lines and cubic Beziers.

Between corners the outline is smooth. Places at which it may be divided are spread where it turns; every pair of them
is fitted, all at once, with a line and with a cubic whose ends and end directions may move a little from the smoothed
evidence; dynamic programming then picks the division of least cost. The cost of a piece is its chi-square against the
evidence plus a price for its parameters (a description length), so that the fewest pieces win that the evidence does
not contradict, and noise is not followed.

Fitting a cubic with given end directions has two free lengths (Schneider 1990); here they, the directions and small
shifts of the ends are found by Gauss-Newton on distances across the curve, for all pairs in one array.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import savgol_filter

Points = NDArray[np.float64]
Kind = Literal["line", "cubic"]

_SMOOTH_MM = 2.2
"""Window of the local cubic through which places and directions are read."""
_CELL_MM = 1.0
"""Length of line whose averaged position counts as one independent observation."""
_LINE_PRICE, _CUBIC_PRICE = 7.0, 14.0
"""Price of a piece in chi-square units: some 3.5 a free parameter (between Akaike's 2 and Bayes' ln n)."""
_SAMPLES = 20
_END_SIGMA_MM, _END_SIGMA_RAD = 0.01, 0.03
_BEND_SIGMA_MM, _BEND_SIGMA_RAD = 0.05, 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Division:
    """Places (indices into the stretch, ends included) and what lies between them."""

    places: tuple[int, ...]
    kinds: tuple[Kind, ...]


def divide(
    points: Points,
    *,
    cell_sigma_mm: float,
    tolerance_mm: float,
    spacing_mm: float,
    bent_ends: tuple[bool, bool],
    ring: bool = False,
) -> Division:
    """Divide a stretch.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        From end to end, evenly spaced but for the first and last step; an end at a corner is the corner's own place.
    cell_sigma_mm : float
        Standard uncertainty of the mean position of a millimetre of line.
    tolerance_mm : float
        No piece may be farther than this from the smoothed evidence.
    bent_ends : tuple of bool
        Whether the direction at the first and last point is free (a corner) or that of the evidence.
    ring : bool
        Whether the last point is the first one again, and the outline smooth there.

    Returns
    -------
    Division
        With at least one piece.
    """
    last = len(points) - 1
    inner = points[:-1] if ring else points[1:-1]
    if len(inner) < 7:
        return Division(places=(0, last), kinds=("line",))
    window = min(round(_SMOOTH_MM / spacing_mm) | 1, len(inner) - (1 - len(inner) % 2))
    window = max(window, 5)
    order = 3 if window > 5 else 2
    mode: Literal["wrap", "interp"] = "wrap" if ring else "interp"
    middle = savgol_filter(inner, window, order, axis=0, mode=mode)
    slope = savgol_filter(inner, window, order, deriv=1, axis=0, mode=mode)
    if ring:
        place, slope = np.vstack([middle, middle[:1]]), np.vstack([slope, slope[:1]])
    else:
        place, slope = np.vstack([points[:1], middle, points[-1:]]), np.vstack([slope[:1], slope, slope[-1:]])
    angle = np.unwrap(np.arctan2(slope[:, 1], slope[:, 0]))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(place, axis=0).T))])
    nodes = _places(angle, along, spacing_mm)
    first, second = np.triu_indices(len(nodes), 1)
    turn = np.abs(angle[nodes[second]] - angle[nodes[first]])
    keep = turn < math.radians(165)
    first, second = first[keep], second[keep]
    cost, kind = _pair_costs(
        place, angle, along, nodes[first], nodes[second], cell_sigma_mm, tolerance_mm, bent_ends, last
    )
    best = np.full(len(nodes), np.inf)
    best[0] = 0.0
    back = np.zeros(len(nodes), dtype=np.intp)
    how = np.zeros(len(nodes), dtype=bool)
    by_second = np.argsort(second, kind="stable")
    starts = np.searchsorted(second[by_second], np.arange(len(nodes) + 1))
    for j in range(1, len(nodes)):
        pick = by_second[starts[j] : starts[j + 1]]
        total = best[first[pick]] + cost[pick]
        k = int(np.argmin(total))
        best[j], back[j], how[j] = total[k], first[pick[k]], kind[pick[k]]
    places, kinds = [int(nodes[-1])], []
    j = len(nodes) - 1
    while j > 0:
        kinds.append("cubic" if how[j] else "line")
        j = int(back[j])
        places.append(int(nodes[j]))
    return Division(places=tuple(places[::-1]), kinds=tuple(kinds[::-1]))  # type: ignore[arg-type]


def _places(angle: NDArray[np.float64], along: NDArray[np.float64], spacing_mm: float) -> NDArray[np.intp]:
    """Return indices at which the stretch may be divided: more where it turns, and at the ends of straight runs."""
    n, length = len(along), float(along[-1])
    half = max(2, round(1.5 / spacing_mm))
    ahead, behind = np.minimum(np.arange(n) + half, n - 1), np.maximum(np.arange(n) - half, 0)
    curvature = (angle[ahead] - angle[behind]) / np.maximum(along[ahead] - along[behind], 1e-9)
    density = np.abs(curvature) / math.radians(14) + 10 / length + np.minimum(1 / 40, 14 / length)
    measure = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(along))])
    count = int(np.clip(math.ceil(measure[-1]), 6, 56))
    spread = np.searchsorted(measure, np.linspace(0, measure[-1], count + 1)[1:-1])
    straight = np.abs(curvature) < 1 / 350
    change = np.nonzero(straight[1:] != straight[:-1])[0]
    ends = np.concatenate([[0], change, [n - 1]])
    long_enough = np.diff(along[ends]) > 5.0
    wanted = [ends[:-1][long_enough], ends[1:][long_enough]]
    step = max(1, round(0.75 / spacing_mm))
    runs = np.concatenate(wanted)
    runs = (
        np.concatenate([runs - 2 * step, runs - step, runs, runs + step, runs + 2 * step]) if len(runs) < 24 else runs
    )
    every = np.unique(np.clip(np.concatenate([[0, n - 1], spread, runs]), 0, n - 1))
    far = (along[every] > 0.8) & (along[every] < length - 0.8)
    far[[0, -1]] = True
    return np.asarray(every[far], dtype=np.intp)


def _pair_costs(
    place: Points,
    angle: NDArray[np.float64],
    along: NDArray[np.float64],
    i: NDArray[np.intp],
    j: NDArray[np.intp],
    cell_sigma: float,
    tolerance: float,
    bent_ends: tuple[bool, bool],
    last: int,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the cost of the better of line and cubic for each pair of places, and whether it is the cubic."""
    share = (np.arange(_SAMPLES) + 0.5) / _SAMPLES
    at = i[:, None] + (j - i)[:, None] * share
    # The smoothed evidence starts one step inside the ends; samples are kept off the corners' own places.
    at = np.clip(at, 1, last - 1)
    low = np.minimum(at.astype(np.intp), last - 1)
    part = (at - low)[..., None]
    data = place[low] * (1 - part) + place[low + 1] * part
    cells = np.maximum((along[j] - along[i]) / _CELL_MM, 1.0)
    weight = np.sqrt(cells / _SAMPLES) / cell_sigma
    loose_i, loose_j = (i == 0) & bent_ends[0], (j == last) & bent_ends[1]
    sigma_p = np.where(np.stack([loose_i, loose_j], axis=1), _BEND_SIGMA_MM, _END_SIGMA_MM)
    sigma_a = np.where(np.stack([loose_i, loose_j], axis=1), _BEND_SIGMA_RAD, _END_SIGMA_RAD)
    line = _line_cost(place, angle, i, j, data, weight, sigma_a, tolerance)
    cubic = _cubic_cost(place, angle, along, i, j, data, share, weight, sigma_p, sigma_a, tolerance)
    return np.minimum(line, cubic), cubic < line


def _line_cost(
    place: Points,
    angle: NDArray[np.float64],
    i: NDArray[np.intp],
    j: NDArray[np.intp],
    data: NDArray[np.float64],
    weight: NDArray[np.float64],
    sigma_a: NDArray[np.float64],
    tolerance: float,
) -> NDArray[np.float64]:
    centre = data.mean(axis=1)
    rel = data - centre[:, None]
    xx, yy, xy = (rel[..., 0] ** 2).sum(1), (rel[..., 1] ** 2).sum(1), (rel[..., 0] * rel[..., 1]).sum(1)
    chord = place[j] - place[i]
    direction = np.arctan2(2 * xy, xx - yy) / 2
    away = np.cos(direction) * chord[:, 0] + np.sin(direction) * chord[:, 1] < 0
    direction = direction + np.where(away, math.pi, 0.0)
    off = -np.sin(direction)[:, None] * rel[..., 0] + np.cos(direction)[:, None] * rel[..., 1]
    cost = (off**2).sum(1) * weight**2 + _LINE_PRICE
    for end, k in ((i, 0), (j, 1)):
        miss = (angle[end] - direction + math.pi) % (2 * math.pi) - math.pi
        cost += (miss / sigma_a[:, k]) ** 2
    return np.where(np.abs(off).max(axis=1) > tolerance, np.inf, cost)


def _cubic_cost(
    place: Points,
    angle: NDArray[np.float64],
    along: NDArray[np.float64],
    i: NDArray[np.intp],
    j: NDArray[np.intp],
    data: NDArray[np.float64],
    share: NDArray[np.float64],
    weight: NDArray[np.float64],
    sigma_p: NDArray[np.float64],
    sigma_a: NDArray[np.float64],
    tolerance: float,
) -> NDArray[np.float64]:
    count = len(i)
    arc = along[j] - along[i]
    p = np.zeros((count, 6))  # log of both handles over a third of the arc, turns of both ends, shifts of both ends
    t = np.broadcast_to(share, (count, _SAMPLES)).copy()
    prior = np.stack(
        [np.full(count, 0.8), np.full(count, 0.8), sigma_a[:, 0], sigma_a[:, 1], sigma_p[:, 0], sigma_p[:, 1]], axis=1
    )
    n0 = np.stack([-np.sin(angle[i]), np.cos(angle[i])], axis=1)
    n1 = np.stack([-np.sin(angle[j]), np.cos(angle[j])], axis=1)
    off = np.zeros((count, _SAMPLES))
    steps = 6
    for step in range(steps + 1):
        a, b = np.exp(p[:, 0]) * arc / 3, np.exp(p[:, 1]) * arc / 3
        u0 = np.stack([np.cos(angle[i] + p[:, 2]), np.sin(angle[i] + p[:, 2])], axis=1)
        u1 = np.stack([np.cos(angle[j] + p[:, 3]), np.sin(angle[j] + p[:, 3])], axis=1)
        c0 = place[i] + n0 * p[:, 4:5]
        c3 = place[j] + n1 * p[:, 5:6]
        c1, c2 = c0 + u0 * a[:, None], c3 - u1 * b[:, None]
        for _ in range(2):
            s = 1 - t
            point = _cubic(c0, c1, c2, c3, s, t)
            d1 = 3 * (
                (s * s)[..., None] * (c1 - c0)[:, None]
                + (2 * s * t)[..., None] * (c2 - c1)[:, None]
                + (t * t)[..., None] * (c3 - c2)[:, None]
            )
            miss = data - point
            speed = np.maximum((d1 * d1).sum(-1), 1e-12)
            t = np.clip(t + (miss * d1).sum(-1) / speed, 0, 1)
        s = 1 - t
        miss = data - _cubic(c0, c1, c2, c3, s, t)
        normal = np.stack([-d1[..., 1], d1[..., 0]], axis=-1) / np.sqrt(speed)[..., None]
        off = (miss * normal).sum(-1)
        if step == steps:
            break
        b1, b2 = 3 * s * s * t, 3 * s * t * t
        b0, b3 = s**3, t**3
        turned0 = np.stack([-u0[:, 1], u0[:, 0]], axis=1)
        turned1 = np.stack([-u1[:, 1], u1[:, 0]], axis=1)
        columns = [
            b1 * (normal * (u0 * a[:, None])[:, None]).sum(-1),
            -b2 * (normal * (u1 * b[:, None])[:, None]).sum(-1),
            b1 * (normal * (turned0 * a[:, None])[:, None]).sum(-1),
            -b2 * (normal * (turned1 * b[:, None])[:, None]).sum(-1),
            (b0 + b1) * (normal * n0[:, None]).sum(-1),
            (b2 + b3) * (normal * n1[:, None]).sum(-1),
        ]
        jac = np.stack(columns, axis=-1) * weight[:, None, None]
        normal_matrix = np.einsum("cki,ckj->cij", jac, jac)
        index = np.arange(6)
        normal_matrix[:, index, index] += 1 / prior**2
        gradient = np.einsum("cki,ck->ci", jac, off * weight[:, None]) - p / prior**2
        p = p + np.clip(np.linalg.solve(normal_matrix, gradient[..., None])[..., 0], -0.5, 0.5)
        p[:, :2] = np.clip(p[:, :2], -3.0, 1.2)
    cost = (off**2).sum(1) * weight**2 + ((p / prior) ** 2).sum(1) + _CUBIC_PRICE
    return np.where(np.abs(off).max(axis=1) > tolerance, np.inf, cost)


def _cubic(
    c0: Points, c1: Points, c2: Points, c3: Points, s: NDArray[np.float64], t: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.asarray(
        (s**3)[..., None] * c0[:, None]
        + (3 * s * s * t)[..., None] * c1[:, None]
        + (3 * s * t * t)[..., None] * c2[:, None]
        + (t**3)[..., None] * c3[:, None]
    )
