"""Where the edge of a thing lies beside a mat's lines, from the light across it (:mod:`tracer.search.mat_light`).

For each place where the edge might lie across its rough outline the light that would be seen follows, and the places
are as likely as they foretell what is seen. Neighbouring places bear each other out: an outline does not jump, and the
shadow beside it changes slowly. Summed over all ways that the outline may take (forwards and backwards along it), this
gives each point's likeliest place and how sure it is; where a line has the thing's own colour the sum stays broad and
says so. So it is known which of several places that look alike is the edge; the outline then asks each of its points by
itself (:class:`EdgeOnMat`), since what was averaged along it has rounded corners.

Source: Rabiner, "A tutorial on hidden Markov models", 1989 (the forward-backward sums).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from tracer.candidate import EdgeReading
from tracer.curves.carry import runs_of
from tracer.profiles import Points, closed_area, closed_normals, resample_closed, smooth_closed
from tracer.search.mat_code import FINE, code_misfits, looks_shaded, told_by_luma
from tracer.search.mat_light import USUAL, USUAL_SIGMA, Light, OnMat, light_across, mat_share, misfits
from tracer.search.raster import grown, opened
from tracer.uncrossed import without_loops

Floats = NDArray[np.float64]

_SPACING_PX = 2.0
_SMOOTH_PX = 1.8
_PLACES = np.arange(-6.0, 6.01, 0.5, dtype=np.float32)
"""Where the edge may lie across its rough outline, px."""
_CLOSE_SIGMA_PX = 1.0
"""Once it is known along the outline where the edge is, a point is there by so much, standard."""
_NEAR_PX, _ANCHOR_PX = 8.0, 16.0
"""An outline is looked at so near to a line, and so far beyond along itself; all of it where luma tells little."""
_BLURS_PX = (0.6, 0.85, 1.1, 1.4, 1.8)
_SLOPE = 0.25
"""By how much an outline turns away from its rough one in a pixel, standard (judgement)."""
_TEMPER, _OWN_TEMPER = 0.35, 0.6
"""Share of the evidence that counts, along the outline and for a point by itself: neighbouring pixels have noise in
common (judgement)."""
_WORST = 40.0
"""Most that a single profile may say against a place: numbers and ticks are not foretold."""
_ALIKE_PX = 0.8
"""How far off the edge may be within a line that looks like the thing: half of its usual width (judgement)."""
_JUMP = 1e-5
"""Chance of a jump to any place: rough outlines have some."""
_LEAST_SIGMA_PX = 0.12
"""What is foretold is not better than this (judgement)."""
_RUN_PX = 2.5
"""Along so many pixels the error of a point is much the same (measured on four rendered photos)."""
_DIRECTIONS, _ALIKE_COS = 36, 0.96
"""Levels are told for so many directions, by the points whose normals are within 16 degrees of each."""
_LEVELS_SIGMA = np.array([0.015, 0.1, 0.15, 0.1])
"""How far the levels of a point may be from what is usual for its direction (judgement)."""
_CORNER_STEPS, _CORNER_COS = 2, 0.94
"""An outline that turns by more than 20 degrees between so many points before and after has a corner (judgement)."""
_DOUBTFUL, _MOST_IN_RUN = 1.4, 6
"""Points less sure than usual by so much are taken together, so many at most (judgement)."""
_ARM_PX, _ROOM_PX, _STRAIGHT_COS = 6, 9, 0.994
"""Two arms so long on each side of a place, so far from it, that run on within six degrees are one straight run."""
_ASIDE_PX, _NARROW_PX, _BESIDE_PX = 1.0, 6, 3
"""What leaves it by so much is none of it, inward if so narrow; nor is what lies so near to that (judgement)."""
_STRANGE = 1.5
"""A point says less from so many times the usual misfit on, in proportion (as Birge, 1932, has uncertainties grow)."""
_END_PX = 0.35
"""What lies so near to the end of what was looked at is at its end (judgement)."""
_FEWEST_PLAIN, _MOST_PLAIN = 24, 300
_AXES, _FEWEST_ON_SIDE = 4, 16
"""Blur is told for so many ways across, by each of both sides that has so many points (judgement)."""
_NEARLY_PX = 1.5
_LONGEST_LOOP = 80
"""Steps, of one to two pixels, that an outline may stray along a line of the mat and back (judgement)."""
_KNOWN_PX = 4.0
"""An outline is that which was looked for when it lies so near to it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeLine:
    """An outline beside a mat's lines, a point every other pixel.

    Parameters
    ----------
    points_px : ndarray, shape (N, 2)
        Closed; where no line is near, as the rough outline had it, smoothed.
    position : ndarray, shape (N,)
        Fractional index of each into the rough outline.
    normals : ndarray, shape (N, 2)
        Away from the thing.
    sigma_px : ndarray, shape (N,)
        Standard uncertainty across the outline of points that were looked for; 0 of others.
    levels : ndarray, shape (N, 4)
        The light of the thing and of the mat, as :mod:`tracer.search.mat_light` has it.
    blur_px : float
    """

    points_px: Points
    position: Floats
    normals: Points
    sigma_px: Floats
    levels: Floats
    blur_px: float

    @property
    def is_straight(self) -> NDArray[np.bool_]:
        """Where the outline has no corner nearby: one is rounded here, and what it covers is not known so well."""
        ahead, back = (np.roll(self.normals, way * _CORNER_STEPS, axis=0) for way in (-1, 1))
        return np.asarray(ndimage.minimum_filter1d((ahead * back).sum(axis=1), 3, mode="wrap") > _CORNER_COS)

    def mat_level(self, index: NDArray[np.intp], distance_px: NDArray[np.floating]) -> Floats:
        """Return the share of the mat's light at distances outside of points."""
        return mat_share(self.levels[index], distance_px)

    def within(self, rough: Points) -> Points:
        """Return the rough outline it was made from, laid anew where it was looked for."""
        sought = self.sigma_px > 0
        low = np.floor(self.position).astype(np.intp) % len(rough)
        kept = np.ones(len(rough), dtype=bool)
        kept[low[sought]] = False
        kept[(low[sought] + 1) % len(rough)] = False
        # Points of the rough outline between two that were looked for are not kept either.
        nearest = np.searchsorted(self.position, np.arange(len(rough))) % len(sought)
        kept &= ~(sought[nearest] & sought[nearest - 1])
        order = np.argsort(np.concatenate([np.flatnonzero(kept), self.position[sought]]), kind="stable")
        return without_loops(np.concatenate([rough[kept], self.points_px[sought]])[order], longest=_LONGEST_LOOP)

    def knows(self, points: Points) -> NDArray[np.bool_]:
        """Return which points lie where it was looked for."""
        away, index = (np.asarray(a) for a in cKDTree(self.points_px).query(points, distance_upper_bound=_KNOWN_PX))
        known = np.isfinite(away)
        known &= self.sigma_px[np.minimum(index, len(self.sigma_px) - 1)] > 0
        return np.asarray(known)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeOnMat:
    """Reads the edge of a thing beside a mat's lines, each point by itself (:class:`tracer.candidate.EdgeReader`)."""

    line: EdgeLine
    on: OnMat

    def knows(self, points: Points) -> NDArray[np.bool_]:
        """Return which points lie where the line was looked for."""
        return self.line.knows(points)

    def read(self, points: Points, normals: Points) -> EdgeReading:
        """Read the edge at each point of a closed line along it."""
        line, known = self.line, self.line.knows(points)
        offset, sigma = np.zeros(len(points)), np.zeros(len(points))
        if known.any():
            here = points[known]
            index = np.asarray(cKDTree(line.points_px).query(here)[1], dtype=np.intp)
            light = light_across(self.on, here, normals[known], points)
            cost = code_misfits(light, line.blur_px, line.levels[index], _LEVELS_SIGMA)
            expected = ((line.points_px[index] - here) * normals[known]).sum(axis=1)
            # What is foretold badly wherever the edge lies (a slanting line, a figure) tells little of where it lies.
            left = cost.min(axis=1, keepdims=True)
            cost = cost * (_OWN_TEMPER / np.maximum(1.0, left / (_STRANGE * np.median(left))))
            cost = cost + ((FINE - np.clip(expected, -2, 2)[:, None]) / _CLOSE_SIGMA_PX) ** 2
            chance = np.exp(-0.5 * (cost - cost.min(axis=1, keepdims=True)))
            chance /= chance.sum(axis=1, keepdims=True)
            offset[known], spread = _moments(chance, FINE)
            # Likeliest at the end of what was looked at, it may be anywhere beyond.
            beyond = FINE[-1] * chance[:, np.abs(FINE) > FINE[-1] - _END_PX].sum(axis=1)
            spread = np.sqrt(spread**2 + beyond**2 + _LEAST_SIGMA_PX**2)
            sigma[known] = _as_runs(spread * np.sqrt(_RUN_PX))
        hidden = _aside(points + normals * offset[:, None], normals) & known
        return EdgeReading(offset_px=offset, sigma_px=sigma, known=known, hidden=hidden)


def _as_runs(sigma: Floats) -> Floats:
    """Return uncertainties such that a run of points that are less sure than usual counts as the one reading it is.

    What is wrong about a line of the mat is wrong for all the points along it.
    """
    out = sigma.copy()
    for first, count in runs_of(sigma > _DOUBTFUL * np.median(sigma), closed=True):
        out[(first + np.arange(count)) % len(out)] *= np.sqrt(min(count, _MOST_IN_RUN) / min(count, _RUN_PX))
    return out


def _aside(points: Points, normals: Points) -> NDArray[np.bool_]:
    """Return where a closed line, a point a pixel, leaves a straight run for a few pixels only.

    Outward it follows something printed on the mat; inward as well where it is narrower than any notch.
    """

    def beside(first: int) -> Points:
        return np.asarray(np.mean([np.roll(points, -k, axis=0) for k in range(first, first + _ARM_PX)], axis=0))

    a, b, c, d = (
        beside(first) for first in (-_ROOM_PX - 2 * _ARM_PX + 1, -_ROOM_PX - _ARM_PX + 1, _ROOM_PX, _ROOM_PX + _ARM_PX)
    )
    ways = [v / np.maximum(np.hypot(*v.T), 1e-9)[:, None] for v in (b - a, c - b, d - c)]
    straight = np.minimum((ways[0] * ways[1]).sum(axis=1), (ways[1] * ways[2]).sum(axis=1)) > _STRAIGHT_COS
    off = points - b
    across = np.stack([ways[1][:, 1], -ways[1][:, 0]], axis=1)
    across *= np.sign((across * normals).sum(axis=1))[:, None]
    out = (off * across).sum(axis=1)
    aside = straight & (out > _ASIDE_PX)
    inward = straight & (out < -_ASIDE_PX)
    for first, count in runs_of(inward, closed=True):
        if count <= _NARROW_PX:
            aside[(first + np.arange(count)) % len(aside)] = True
    return _grown_along(aside, _BESIDE_PX)


def find_edge_line(rough: Points, on: OnMat) -> EdgeLine | None:
    """Find the edge of a thing near the lines of a mat; None where no line is near.

    Parameters
    ----------
    rough : ndarray, shape (M, 2)
        Closed outline, to a few pixels.
    on : OnMat
    """
    ring, position = resample_closed(rough, _SPACING_PX)
    points = smooth_closed(ring, _SMOOTH_PX / _SPACING_PX)
    normals = closed_normals(points)
    if (closed_area(rough) < 0) != on.hole:
        normals = -normals
    near = on.look.away_px(on.grid.places_at(points)) < _NEAR_PX
    if not near.any():
        return None
    asked = _grown_along(near, round(_ANCHOR_PX / _SPACING_PX))
    shaded = looks_shaded(on)
    if shaded or not told_by_luma(on):
        asked[:] = True
    asked &= on.hole | ~_in_points(points)
    runs = _runs(asked)
    index = np.concatenate(runs)
    light = light_across(on, points[index], normals[index], points)
    sides = normals[index] if shaded else None
    blur = _usual_blur(light, sides)
    ends = np.cumsum([len(r) for r in runs])[:-1]
    usual, allowed = USUAL, USUAL_SIGMA
    # First with the levels that are usual, then with those of the neighbours.
    for _ in range(2):
        cost, levels = misfits(light, _PLACES, blur, usual, allowed)
        cost = np.minimum(cost - cost.min(axis=1, keepdims=True), _WORST)
        chance = np.concatenate(_along(np.split(cost, ends)))
        own = levels[np.arange(len(levels)), np.argmax(chance, axis=1)]
        usual = _by_direction(own, _moments(chance, _PLACES)[1], normals[index])
        allowed = _LEVELS_SIGMA
    mean, spread = _moments(chance, _PLACES)
    blur = _blur_of_codes(light, mean, usual, sides, blur)
    unsure = _ALIKE_PX * light.alike(np.arange(len(index)), mean) ** 2
    offset, sigma, out = np.zeros(len(points)), np.zeros(len(points)), np.tile(USUAL, (len(points), 1))
    offset[index], sigma[index], out[index] = mean, np.hypot(np.hypot(spread, _LEAST_SIGMA_PX), unsure), usual
    return EdgeLine(
        points_px=points + normals * offset[:, None],
        position=position,
        normals=normals,
        sigma_px=sigma,
        levels=out,
        blur_px=blur,
    )


def _by_direction(levels: Floats, spread: Floats, normals: Points) -> Floats:
    """Return the levels (N, 4) that are usual where an outline faces as it does at each point.

    One light throws the shadow of a flat thing, so how dark it is beside the edge follows from where the edge faces:
    all points that face alike tell it, those most that are sure of their place.
    """
    angle = np.arange(_DIRECTIONS) * (2 * np.pi / _DIRECTIONS)
    out = np.tile(USUAL, (_DIRECTIONS, 1))
    weight = 1 / (spread + _LEAST_SIGMA_PX) ** 2
    for k, way in enumerate(np.stack([np.cos(angle), np.sin(angle)], axis=1)):
        alike = np.flatnonzero(normals @ way > _ALIKE_COS)
        if len(alike):
            order = np.argsort(levels[alike], axis=0)
            total = np.cumsum(weight[alike][order], axis=0)
            middle = np.argmax(total >= total[-1] / 2, axis=0)
            out[k] = [levels[alike[order[m, c]], c] for c, m in enumerate(middle)]
    nearest = np.rint(np.arctan2(normals[:, 1], normals[:, 0]) / (2 * np.pi / _DIRECTIONS)).astype(np.intp)
    return np.asarray(out[nearest % _DIRECTIONS])


def _moments(chance: Floats, places: NDArray[np.floating]) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of places with chances (N, places)."""
    mean = chance @ places
    return mean, np.sqrt(np.maximum(chance @ places**2 - mean**2, 0.0))


def _in_points(points: Points) -> NDArray[np.bool_]:
    """Return which points of a closed line lie where it is too narrow for one side to be read without the other."""
    low = np.floor(points.min(axis=0)).astype(int) - _NARROW_PX
    size = np.ceil(points.max(axis=0)).astype(int) + _NARROW_PX + 1 - low
    inside = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(inside, [np.rint((points - low) * 16).astype(np.int32)], 1, shift=4)
    broad = grown(opened(inside, _NARROW_PX - 1), 5)
    x, y = np.rint(points - low).astype(np.intp).T
    return np.asarray(broad[y, x] == 0)


def _grown_along(flags: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    """Return flags of a closed line set also so many places before and after."""
    return np.asarray(ndimage.maximum_filter1d(flags.astype(np.uint8), 2 * by + 1, mode="wrap") > 0)


def _runs(flags: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Return the indices of each run of a closed line; all of it is one."""
    start = 0 if flags.all() else int(np.argmin(flags))
    rolled = np.roll(flags, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rolled.astype(np.int8), [0]])))
    return [(start + np.arange(a, b)) % len(flags) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _usual_blur(light: Light, sides: Points | None) -> float:
    """Return the blur of the picture for which the edge away from lines is foretold best."""
    pick = np.flatnonzero(light.plain)
    if len(pick) < _FEWEST_PLAIN:
        pick = np.arange(len(light.plain))
    pick = pick[:: max(1, len(pick) // _MOST_PLAIN)]
    some = light[pick]
    costs = [misfits(some, _PLACES, blur)[0].min(axis=1) for blur in _BLURS_PX]
    return _best_blur(np.array(costs), None if sides is None else sides[pick])


def _blur_of_codes(light: Light, offset: Floats, levels: Floats, sides: Points | None, otherwise: float) -> float:
    """Return the blur for which the codes of the picture are foretold best where the edge is known nearly."""
    pick = np.flatnonzero(light.plain & (np.abs(offset) < _NEARLY_PX))
    if len(pick) < _FEWEST_PLAIN:
        pick = np.flatnonzero(np.abs(offset) < _NEARLY_PX)
    if len(pick) < _FEWEST_PLAIN:
        return otherwise
    pick = pick[:: max(1, len(pick) // _MOST_PLAIN)]
    some, at = light[pick], levels[pick]
    costs = [code_misfits(some, blur, at, _LEVELS_SIGMA).min(axis=1) for blur in _BLURS_PX]
    return _best_blur(np.array(costs), None if sides is None else sides[pick])


def _best_blur(costs: Floats, sides: Points | None) -> float:
    """Return the blur that foretells best, that of the sharper one of opposite sides where they are told apart.

    A shadow that a thing can hardly be told from makes its edge look broader than it is, on one of its sides.

    Parameters
    ----------
    costs : ndarray, shape (blurs, N)
        How badly each of the blurs foretells each point.
    sides : ndarray, shape (N, 2), optional
        Where the edge faces at each point.
    """
    if sides is None:
        return _BLURS_PX[int(np.argmin(np.median(costs, axis=1)))]
    count = 2 * _AXES
    side = np.rint(np.arctan2(sides[:, 1], sides[:, 0]) / (2 * np.pi / count)).astype(np.intp) % count
    best: list[float] = []
    for axis in range(_AXES):
        both = [costs[:, side == k] for k in (axis, axis + _AXES)]
        told = [_least_at(np.median(c, axis=1)) for c in both if c.shape[1] >= _FEWEST_ON_SIDE]
        if told:
            best.append(min(told))
    return float(np.median(best)) if best else _least_at(np.median(costs, axis=1))


def _least_at(cost: Floats) -> float:
    """Return the blur at which what each of them costs is least: of a parabola through the least and its neighbours."""
    k = int(np.argmin(cost))
    if k in (0, len(cost) - 1):
        return _BLURS_PX[k]
    (before, here, after), (a, b, c) = _BLURS_PX[k - 1 : k + 2], cost[k - 1 : k + 2]
    down, up = (b - a) / (here - before), (c - b) / (after - here)
    # Where it falls as steeply as it rises, it is least in the middle.
    least = (before + here) / 2 - down * (after - before) / (2 * max(up - down, 1e-9))
    return float(np.clip(least, before, after))


def _along(costs: Sequence[Floats]) -> list[Floats]:
    """Return how likely each place is at each point of stretches (N, places), by all points of the stretch together.

    All stretches go forth and back at once; where one has ended, all places are alike and nothing changes.
    """
    counts = [len(cost) for cost in costs]
    here = np.ones((max(counts), len(costs), len(_PLACES)))
    for k, cost in enumerate(costs):
        here[: len(cost), k] = np.exp(-0.5 * _TEMPER * cost)
    apart = _PLACES[:, None] - _PLACES
    step = np.exp(-0.5 * (apart / (_SLOPE * _SPACING_PX)) ** 2) + _JUMP
    step /= step.sum(axis=1, keepdims=True)
    ahead, back, turned = here.copy(), np.ones_like(here), np.ascontiguousarray(step.T)
    for k in range(1, len(here)):
        ahead[k] *= ahead[k - 1] @ step
        ahead[k] /= ahead[k].sum(axis=1, keepdims=True)
    for k in range(len(here) - 2, -1, -1):
        back[k] = (here[k + 1] * back[k + 1]) @ turned
        back[k] /= back[k].sum(axis=1, keepdims=True)
    both = ahead * back
    both /= both.sum(axis=2, keepdims=True)
    return [both[:count, k] for k, count in enumerate(counts)]
