"""Dividing a smooth stretch of outline into lines and cubic Beziers.

Between corners the outline is smooth. Places at which it may be divided are spread where it turns; every pair of them
is fitted, all at once, with a line and with a cubic whose ends and end directions may move a little from the smoothed
evidence; dynamic programming then picks the division of least cost. The cost of a piece is its chi-square against the
evidence plus a price for its parameters (a description length), so that the fewest pieces win that the evidence does
not contradict, and noise is not followed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tracer.curves.cubics import Ends, fit_cubics
from tracer.curves.local_fit import smoothed

Points = NDArray[np.float64]
Kind = Literal["line", "cubic"]

_SMOOTH_MM = 2.2
"""Window of the local cubic through which places and directions are read."""
_DIRECTION_RAD, _LONGEST_SMOOTH_MM = 0.06, 8.0
"""Where points scatter it is longer, until directions are known as well, up to this (our own choice)."""
_CELL_MM = 1.0
"""Length of line whose averaged position counts as one independent observation."""
_LINE_PRICE, _CUBIC_PRICE = 7.0, 14.0
"""Price of a piece in chi-square units: some 3.5 a free parameter (between Akaike's 2 and Bayes' ln n)."""
_KINK_PRICE = 25.0
"""Price of two lines meeting where no corner was seen: drawings have no kinks of a degree."""
_SAMPLES = ((0.0, 40.0, 16), (40.0, 80.0, 40), (80.0, 130.0, 64), (130.0, 260.0, 160), (260.0, math.inf, 320))
"""Lengths (mm, from and below) and the number of samples at which a piece of that length is judged: one every two
millimetres or so. With one in 3.5 mm, costs were known so badly that of many divisions a lucky one was the cheapest."""
_STEPS, _MANY_STEPS = 7, 40
"""Levenberg-Marquardt steps for many pairs, and for the few that decide."""
_UNSEEN = 0.5
"""Points of less trust were not seen."""
_SPANNED_MM, _SPANNED_RAD = 60.0, math.radians(100)
"""A hole is crossed by one piece that is no longer and turns no farther (our own choice: two inch squares of a mat,
as in :mod:`tracer.curves.carry`; a corner lost in it)."""
_MOST_TURN_RAD = math.radians(165)
_HOPELESS = 60.0
"""Cost of a pair beyond which any pair that holds it is not fitted: two cubics cost 28."""
_END_SIGMA_MM, _END_SIGMA_RAD = 0.01, 0.03
_BEND_SIGMA_MM, _BEND_SIGMA_RAD = 0.05, 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Division:
    """Places (indices into the stretch, ends included), what lies between them, and control points to start from."""

    places: tuple[int, ...]
    kinds: tuple[Kind, ...]
    controls: tuple[Points, ...]


def divide(
    points: Points,
    *,
    trust: NDArray[np.float64],
    scatter_mm: NDArray[np.float64],
    own: NDArray[np.float64],
    cell_sigma_mm: float,
    allowed_mm: NDArray[np.float64],
    spacing_mm: float,
    bent_ends: tuple[bool, bool],
    ring: bool = False,
) -> Division:
    """Divide a stretch.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        From end to end, evenly spaced but for the first and last step; an end at a corner is the corner's own place.
    trust : ndarray, shape (N,)
        Weight of each point, 1 for one that was seen, less for one that was carried across a hole.
    scatter_mm : ndarray, shape (N,)
        How far each point strays from its neighbours, standard: so badly are places and directions told.
    own : ndarray, shape (N,)
        How many observations of their own the millimetre around each point is.
    cell_sigma_mm : float
        Standard uncertainty of the mean position of a millimetre of line.
    allowed_mm : ndarray, shape (N,)
        No piece may be farther than this from the smoothed evidence at each point.
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
        return Division(places=(0, last), kinds=("line",), controls=(points[[0, -1]],))
    smooth_mm = _window_mm(float(np.median(scatter_mm)), spacing_mm)
    window = min(round(smooth_mm / spacing_mm) | 1, len(inner) - (1 - len(inner) % 2))
    window = max(window, 5)
    order = 3 if window > 5 else 2
    middle, slope = smoothed(inner, window, order, ring=ring)
    if ring:
        place, slope = np.vstack([middle, middle[:1]]), np.vstack([slope, slope[:1]])
    else:
        place, slope = np.vstack([points[:1], middle, points[-1:]]), np.vstack([slope[:1], slope, slope[-1:]])
    angle = np.unwrap(np.arctan2(slope[:, 1], slope[:, 0]))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(place, axis=0).T))])
    # Of the value and the slope of a cubic in the middle of its window, by least squares.
    place_sigma = scatter_mm * math.sqrt(9 / 4 / window)
    angle_sigma = scatter_mm * math.sqrt(75 / window) / (window * spacing_mm)
    evidence = _Evidence(
        place, angle, along, trust, own, place_sigma, angle_sigma, cell_sigma_mm, allowed_mm, bent_ends
    )
    single = _single(evidence) if not ring else None
    if single is not None:
        return single
    nodes = _places(angle, along, trust, spacing_mm)
    first, second, line, cubic = _all_pairs(evidence, nodes)
    return _with_controls(evidence, *_merged(evidence, *_cheapest(nodes, first, second, line, cubic)))


def _window_mm(scatter_mm: float, spacing_mm: float) -> float:
    """Return over how long a stretch the direction at a place is told well enough; it gets better with power 3/2."""
    count = _SMOOTH_MM / spacing_mm
    doubt = scatter_mm * math.sqrt(75 / count) / _SMOOTH_MM
    return float(min(_SMOOTH_MM * max(1.0, (doubt / _DIRECTION_RAD) ** (2 / 3)), _LONGEST_SMOOTH_MM))


@dataclass(frozen=True, slots=True, eq=False)
class _Evidence:
    """Smoothed places and directions along a stretch and how well they are known."""

    place: Points
    angle: NDArray[np.float64]
    along: NDArray[np.float64]
    trust: NDArray[np.float64]
    own: NDArray[np.float64]
    place_sigma: NDArray[np.float64]
    angle_sigma: NDArray[np.float64]
    cell_sigma: float
    allowed: NDArray[np.float64]
    bent_ends: tuple[bool, bool]


def _single(evidence: _Evidence) -> Division | None:
    """Return the one piece that does, when no division can be cheaper or nearly so."""
    i, j = np.array([0], dtype=np.intp), np.array([len(evidence.place) - 1], dtype=np.intp)
    if abs(evidence.angle[-1] - evidence.angle[0]) > _MOST_TURN_RAD:
        return None
    line, cubic, controls = _pair_fits(evidence, i, j, _MANY_STEPS)
    noise = _noise_cost(evidence, i, j)[0]
    places = (0, int(j[0]))
    if line[0] <= 2 * _LINE_PRICE + noise and line[0] <= cubic[0]:
        return Division(places=places, kinds=("line",), controls=(controls[0][[0, 3]],))
    if cubic[0] <= _CUBIC_PRICE + _LINE_PRICE + noise and cubic[0] < line[0]:
        return Division(places=places, kinds=("cubic",), controls=(controls[0],))
    return None


def _noise_cost(evidence: _Evidence, i: NDArray[np.intp], j: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the chi-square that noise alone may leave: the cells' uncertainty is at least twice their noise."""
    return np.asarray((evidence.along[j] - evidence.along[i]) / _CELL_MM / 4)


def _all_pairs(
    evidence: _Evidence, nodes: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Return the costs of a line and of a cubic for all pairs of nodes worth a fit.

    Pairs are fitted in batches, near ones first: one that holds a pair which already fits badly would fit worse.
    """
    count = len(nodes)
    bad_from = np.full(count + 1, count, dtype=np.intp)
    parts = []
    low, high = 1, 2
    while low < count:
        i, j = np.triu_indices(count, low)
        keep = (j - i < high) & (j <= bad_from[i])
        # Neighbours stay, however sharply the line turns between them: without them there would be no way on.
        keep &= (np.abs(evidence.angle[nodes[j]] - evidence.angle[nodes[i]]) < _MOST_TURN_RAD) | (j - i == 1)
        i, j = i[keep], j[keep]
        if len(i) == 0:
            break
        line, cubic = _pair_costs(evidence, nodes[i], nodes[j])
        cost = np.minimum(line, cubic)
        parts.append((i, j, line, cubic))
        bad = cost > _HOPELESS + _noise_cost(evidence, nodes[i], nodes[j])
        np.minimum.at(bad_from, i[bad], j[bad])
        bad_from = np.minimum.accumulate(bad_from[::-1])[::-1].copy()
        low, high = high, 2 * high
    i, j, line, cubic = (np.concatenate(column) for column in zip(*parts, strict=True))
    return i, j, line, cubic


def _cheapest(
    nodes: NDArray[np.intp],
    first: NDArray[np.intp],
    second: NDArray[np.intp],
    line: NDArray[np.float64],
    cubic: NDArray[np.float64],
) -> tuple[list[int], list[Kind]]:
    """Return the cheapest way from the first node to the last (dynamic programming)."""
    count = len(nodes)
    # State: node and kind of the piece that arrives there (0 line, 1 cubic).
    best = np.full((count, 2), np.inf)
    back = np.zeros((count, 2, 2), dtype=np.intp)
    best[0, 1] = 0.0
    by_second = np.argsort(second, kind="stable")
    starts = np.searchsorted(second[by_second], np.arange(count + 1))
    # A neighbour that nothing fits within the tolerance is still crossed, at a price that is never worth it.
    neighbours = second - first == 1
    priced = [np.where(np.isfinite(c), c, np.where(neighbours, 1e6, np.inf)) for c in (line, cubic)]
    for j in range(1, count):
        pick = by_second[starts[j] : starts[j + 1]]
        came = best[first[pick]]
        for kind, own in enumerate(priced):
            total = came + own[pick, None]
            if kind == 0:
                total[:, 0] += _KINK_PRICE
            k, before = np.unravel_index(int(np.argmin(total)), total.shape)
            best[j, kind] = total[k, before]
            back[j, kind] = first[pick[k]], before
    places: list[int] = [int(nodes[-1])]
    kinds: list[Kind] = []
    j, kind = count - 1, int(np.argmin(best[-1]))
    while j > 0:
        kinds.append("cubic" if kind else "line")
        j, kind = (int(v) for v in back[j, kind])
        places.append(int(nodes[j]))
    return places[::-1], kinds[::-1]


def _with_controls(evidence: _Evidence, places: list[int], kinds: list[Kind]) -> Division:
    index = np.array(places, dtype=np.intp)
    controls = _pair_fits(evidence, index[:-1], index[1:], _MANY_STEPS)[2]
    return Division(
        places=tuple(places),
        kinds=tuple(kinds),
        controls=tuple(c if k == "cubic" else c[[0, 3]] for c, k in zip(controls, kinds, strict=True)),
    )


def _merged(evidence: _Evidence, start: list[int], kinds: list[Kind]) -> tuple[list[int], list[Kind]]:
    """Join neighbours where one piece costs less than two, once the fits have had time to converge."""
    places = np.array(start, dtype=np.intp)
    known: dict[tuple[int, int], tuple[float, float]] = {}

    def costs(i: NDArray[np.intp], j: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the costs of a line and of a cubic, (2, pairs); from one joining to the next most stay as they are."""
        pairs = list(zip(i.tolist(), j.tolist(), strict=True))
        new = [k for k, pair in enumerate(pairs) if pair not in known]
        if new:
            fitted = _pair_costs(evidence, i[new], j[new], steps=_MANY_STEPS)
            known.update(zip((pairs[k] for k in new), zip(*(c.tolist() for c in fitted), strict=True), strict=True))
        return np.array([known[pair] for pair in pairs]).T

    while len(kinds) > 1:
        line, cubic = costs(places[:-1], places[1:])
        alone = np.minimum(line, cubic)
        turn = np.abs(evidence.angle[places[2:]] - evidence.angle[places[:-2]])
        line, cubic = costs(places[:-2], places[2:])
        together = np.where(turn < _MOST_TURN_RAD, np.minimum(line, cubic), np.inf)
        apart = alone[:-1] + alone[1:]
        is_line = np.array([kind == "line" for kind in kinds])
        apart = apart + _KINK_PRICE * (is_line[:-1] & is_line[1:])
        gain = np.where(np.isfinite(apart), apart, 1e6) - together
        k = int(np.argmax(gain))
        if gain[k] <= 0:
            break
        places = np.delete(places, k + 1)
        kinds[k : k + 2] = ["cubic" if cubic[k] < line[k] else "line"]
    return [int(p) for p in places], kinds


def _places(
    angle: NDArray[np.float64], along: NDArray[np.float64], trust: NDArray[np.float64], spacing_mm: float
) -> NDArray[np.intp]:
    """Return indices at which the stretch may be divided: more where it turns, and at the ends of straight runs."""
    n, length = len(along), float(along[-1])
    half = max(2, round(1.5 / spacing_mm))
    ahead, behind = np.minimum(np.arange(n) + half, n - 1), np.maximum(np.arange(n) - half, 0)
    curvature = (angle[ahead] - angle[behind]) / np.maximum(along[ahead] - along[behind], 1e-9)
    density = np.abs(curvature) / math.radians(16) + 9 / length + np.minimum(1 / 40, 14 / length)
    measure = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(along))])
    count = int(np.clip(math.ceil(measure[-1]), 6, 48))
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
    # A hole is crossed by one piece, unless it is longer or bends more than what one may be led across.
    far &= (trust[every] > _UNSEEN) | _in_long_holes(angle, along, trust)[every]
    far[[0, -1]] = True
    return np.asarray(every[far], dtype=np.intp)


def _in_long_holes(
    angle: NDArray[np.float64], along: NDArray[np.float64], trust: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return which points lie in holes that no single piece is to span: the rough outline alone tells where it runs."""
    out = np.zeros(len(trust), dtype=bool)
    bounds = np.flatnonzero(np.diff(trust > _UNSEEN, prepend=True, append=True))
    for first, stop in zip(bounds[::2], bounds[1::2], strict=True):
        length, turn = along[stop - 1] - along[first], np.ptp(angle[first:stop])
        out[first:stop] = length > _SPANNED_MM or turn > _SPANNED_RAD
    return out


def _pair_costs(
    evidence: _Evidence, i: NDArray[np.intp], j: NDArray[np.intp], *, steps: int = _STEPS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the cost of a line and of a cubic for each pair of places (infinite beyond the tolerance)."""
    line, cubic, _ = _pair_fits(evidence, i, j, steps)
    return line, cubic


def _pair_fits(
    evidence: _Evidence, i: NDArray[np.intp], j: NDArray[np.intp], steps: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return costs and the cubics' control points (C, 4, 2).

    Long pairs are judged at more samples, so that each stands for about the length over which it was smoothed.
    """
    line, cubic, controls = np.empty(len(i)), np.empty(len(i)), np.empty((len(i), 4, 2))
    length = evidence.along[j] - evidence.along[i]
    for least, most, samples in _SAMPLES:
        pick = (length >= least) & (length < most)
        if pick.any():
            line[pick], cubic[pick], controls[pick] = _fits_at(evidence, i[pick], j[pick], samples, steps)
    return line, cubic, controls


def _fits_at(
    evidence: _Evidence, i: NDArray[np.intp], j: NDArray[np.intp], samples: int, steps: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    place, along, last = evidence.place, evidence.along, len(evidence.place) - 1
    share = (np.arange(samples) + 0.5) / samples
    # Samples are kept off the corners' own places: the smoothed evidence starts one step inside the ends.
    at = np.clip(i[:, None] + (j - i)[:, None] * share, 1, last - 1)
    low = np.minimum(at.astype(np.intp), last - 1)
    part = at - low
    x = place[low, 0] * (1 - part) + place[low + 1, 0] * part
    y = place[low, 1] * (1 - part) + place[low + 1, 1] * part
    weight = np.sqrt(np.maximum((along[j] - along[i]) / _CELL_MM, 1.0) / samples) / evidence.cell_sigma
    weight = weight[:, None] * np.sqrt(evidence.trust[low])
    allowed = evidence.allowed[low]
    judged = weight > 0.7 * weight.max(axis=1, keepdims=True)
    weight = weight * np.sqrt(evidence.own[low])
    loose = np.stack([(i == 0) & evidence.bent_ends[0], (j == last) & evidence.bent_ends[1]], axis=1)
    at_ends = np.stack([i, j], axis=1)
    ends = Ends(
        first=place[i],
        last=place[j],
        first_rad=evidence.angle[i],
        last_rad=evidence.angle[j],
        arc=along[j] - along[i],
        sigma_mm=np.hypot(np.where(loose, _BEND_SIGMA_MM, _END_SIGMA_MM), evidence.place_sigma[at_ends]),
        sigma_rad=np.hypot(np.where(loose, _BEND_SIGMA_RAD, _END_SIGMA_RAD), evidence.angle_sigma[at_ends]),
    )
    # What is left freer holds more that would fit (Occam's factor).
    freer = np.log(ends.sigma_mm / np.where(loose, _BEND_SIGMA_MM, _END_SIGMA_MM)).sum(axis=1)
    freer += np.log(ends.sigma_rad / np.where(loose, _BEND_SIGMA_RAD, _END_SIGMA_RAD)).sum(axis=1)
    line, off = _line_costs(evidence, i, j, x, y, weight, ends.sigma_rad)
    line += freer
    line = np.where((np.abs(off * judged) > allowed).any(axis=1), np.inf, line)
    controls, cubic, off = fit_cubics(ends, x, y, weight, steps=steps)
    cubic = cubic + _CUBIC_PRICE + freer
    return line, np.where((np.abs(off * judged) > allowed).any(axis=1), np.inf, cubic), controls


def _line_costs(
    evidence: _Evidence,
    i: NDArray[np.intp],
    j: NDArray[np.intp],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    weight: NDArray[np.float64],
    sigma_a: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x, y = x - x.mean(axis=1, keepdims=True), y - y.mean(axis=1, keepdims=True)
    direction = np.arctan2(2 * (x * y).sum(axis=1), (x * x - y * y).sum(axis=1)) / 2
    chord = evidence.place[j] - evidence.place[i]
    away = np.cos(direction) * chord[:, 0] + np.sin(direction) * chord[:, 1] < 0
    direction = direction + np.where(away, math.pi, 0.0)
    off = np.cos(direction)[:, None] * y - np.sin(direction)[:, None] * x
    cost = ((off * weight) ** 2).sum(axis=1) + _LINE_PRICE
    for end, k in ((i, 0), (j, 1)):
        miss = (evidence.angle[end] - direction + math.pi) % (2 * math.pi) - math.pi
        cost += (miss / sigma_a[:, k]) ** 2
    return cost, off
