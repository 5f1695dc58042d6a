"""Where the edge of a thing lies beside a mat's lines, from the light across it.

At an edge on a mat three lights mix: the thing's, the mat's in whatever shadow lies there, and that of printed lines
that run into the edge or along it. All three are known (:mod:`tracer.search.mat_grid`), so for each place where the
edge might lie across its rough outline the light that would be seen follows, and the places are as likely as they
foretell what is seen. Neighbouring places bear each other out: an outline does not jump. Summed over all ways that the
outline may take (forwards and backwards along it), this gives each point's likeliest place and how sure it is; where a
line has the thing's own colour the sum stays broad and says so.

Source: Rabiner, "A tutorial on hidden Markov models", 1989 (the forward-backward sums).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from calibration.light import SRGB_TO_LINEAR
from tracer.profiles import Points, closed_area, closed_normals, resample_closed, smooth_closed
from tracer.search.ground import Ground
from tracer.search.mat_grid import GridLook, MatGrid

Floats = NDArray[np.float32]

_SPACING_PX = 2.0
_SMOOTH_PX = 2.5
_PLACES = np.arange(-6.0, 6.01, 0.5, dtype=np.float32)
"""Where the edge may lie across its rough outline, px."""
_SEEN = np.arange(-9.0, 9.01, 1.0, dtype=np.float32)
"""Where light is taken across the rough outline, px."""
_NEAR_PX, _ANCHOR_PX = 8.0, 16.0
"""An outline is looked at so near to a line, and so far beyond along itself."""
_BLURS_PX = (0.6, 0.85, 1.1, 1.4, 1.8)
_NOISE, _NOISE_OF_LIGHT = 0.004, 0.02
"""Noise of linear light after JPEG, and its share of the light (2 to 3 codes; judgement)."""
_LOOK_ERROR = 0.08
"""How well the look of a line is known, as a share of its contrast (judgement)."""
_OWN_SIGMA, _SHADE_SIGMA, _SLOPE_SIGMA = 0.03, 0.3, 0.5
"""How far the thing's light, the mat's at the edge, and the mat's nine pixels away may be from what is usual there."""
_SLOPE = 0.25
"""By how much an outline turns away from its rough one in a pixel, standard (judgement)."""
_TEMPER = 0.35
"""Share of the evidence that counts: neighbouring pixels have noise in common (judgement)."""
_WORST = 40.0
"""Most that a single profile may say against a place: numbers and ticks are not foretold."""
_ALIKE_PX = 0.8
"""How far off the edge may be within a line that looks like the thing: half of its usual width (judgement)."""
_JUMP = 1e-5
"""Chance of a jump to any place: rough outlines have some."""
_LEAST_SIGMA_PX = 0.12
"""What is foretold is not better than this (judgement)."""
_CORNER_STEPS, _CORNER_COS = 2, 0.94
"""An outline that turns by more than 20 degrees between so many points before and after has a corner (judgement)."""
_PLAIN, _FEWEST_PLAIN, _MOST_PLAIN = 0.02, 24, 300
_ROWS = 30000
_TO_Y = np.array([[0.299, 0.587, 0.114], [0.701, -0.587, -0.114], [-0.299, -0.587, 0.886]])
"""Luma and two differences of colour, here of linear light (weights of ITU-R BT.601)."""
_NOISE_OF = np.array([1.0, 2.0, 2.0])
"""Noise of each against that of the first: JPEG halves the colours."""


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
    levels : ndarray, shape (N, 3)
        The light of the thing, of the mat at the edge, and what that of the mat grows by at the last sample outside,
        as shares of what is usual.
    blur_px : float
    """

    points_px: Points
    position: NDArray[np.float64]
    normals: Points
    sigma_px: NDArray[np.float64]
    levels: NDArray[np.float64]
    blur_px: float

    @property
    def is_straight(self) -> NDArray[np.bool_]:
        """Where the outline has no corner nearby: one is rounded here, and what it covers is not known so well."""
        ahead, back = (np.roll(self.normals, way * _CORNER_STEPS, axis=0) for way in (-1, 1))
        return np.asarray(ndimage.minimum_filter1d((ahead * back).sum(axis=1), 3, mode="wrap") > _CORNER_COS)

    def mat_level(self, index: NDArray[np.intp], distance_px: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the share of the mat's light at distances outside of points."""
        _, level, slope = self.levels[index].T
        return np.asarray(level + slope * np.clip(distance_px / _SEEN[-1], 0, 1))

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
        return np.concatenate([rough[kept], self.points_px[sought]])[order]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Light:
    """What is seen and foretold across an outline, each of shape (N, samples, 3): Y, and two differences of colour."""

    seen: NDArray[np.float64]
    own: NDArray[np.float64]
    lined: NDArray[np.float64]
    bare: NDArray[np.float64]
    weight: NDArray[np.float64]
    plain: NDArray[np.bool_]

    def alike(self, index: NDArray[np.intp], offset_px: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return how much a line looks like the thing at places across the outline: 0 where none is, 1 the same."""
        at = np.rint(offset_px - _SEEN[0]).astype(np.intp)
        own, lined, bare = (a[index, at] for a in (self.own, self.lined, self.bare))
        left = ((own - lined) ** 2).sum(axis=1) / np.maximum(((own - bare) ** 2).sum(axis=1), 1e-9)
        return np.asarray(np.clip(1 - left, 0, 1))


def find_edge_line(
    pixels: NDArray[np.uint8],
    rough: Points,
    grid: MatGrid,
    look: GridLook,
    ground: Ground,
    thing: NDArray[np.floating],
    *,
    hole: bool = False,
) -> EdgeLine | None:
    """Find the edge of a thing near the lines of a mat; None where no line is near.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    rough : ndarray, shape (M, 2)
        Closed outline, to a few pixels.
    grid, look, ground
    thing : ndarray, shape (3,)
        Linear R, G, B of the thing as a share of the mat's.
    hole : bool
        The thing lies outside of the outline.
    """
    ring, position = resample_closed(rough, _SPACING_PX)
    points = smooth_closed(ring, _SMOOTH_PX / _SPACING_PX)
    normals = closed_normals(points)
    if (closed_area(rough) < 0) != hole:
        normals = -normals
    near = _near_lines(points, grid)
    if not near.any():
        return None
    asked = _grown_along(near, round(_ANCHOR_PX / _SPACING_PX))
    index = np.flatnonzero(asked)
    light = _light_across(pixels, points[index], normals[index], grid, look, ground, thing)
    blur = _usual_blur(light)
    cost, levels = _costs(light, blur)
    cost = np.minimum(cost - cost.min(axis=1, keepdims=True), _WORST)
    offset, sigma, out = np.zeros(len(points)), np.zeros(len(points)), np.ones((len(points), 3))
    out[:, 2] = 0.0
    first = 0
    for run in _runs(asked):
        chance = _along(cost[first : first + len(run)])
        mean = chance @ _PLACES
        offset[run] = mean
        sigma[run] = np.sqrt(np.maximum(chance @ _PLACES**2 - mean**2, 0.0) + _LEAST_SIGMA_PX**2)
        likeliest = np.argmax(chance, axis=1)
        sigma[run] = np.hypot(sigma[run], _ALIKE_PX * light.alike(first + np.arange(len(run)), mean) ** 2)
        out[run] = levels[first + np.arange(len(run)), likeliest]
        first += len(run)
    return EdgeLine(
        points_px=points + normals * offset[:, None],
        position=position,
        normals=normals,
        sigma_px=sigma,
        levels=out,
        blur_px=blur,
    )


def _near_lines(points: Points, grid: MatGrid) -> NDArray[np.bool_]:
    places = grid.places_at(points)
    away_px = np.abs(places[:, :2] - np.rint(places[:, :2])) / np.maximum(places[:, 2:], 1e-9)
    return np.asarray((away_px < _NEAR_PX).any(axis=1))


def _grown_along(flags: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    """Return flags of a closed line set also so many places before and after."""
    return np.asarray(ndimage.maximum_filter1d(flags.astype(np.uint8), 2 * by + 1, mode="wrap") > 0)


def _runs(flags: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Return the indices of each run of an array; one across its end is two."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [np.arange(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _light_across(
    pixels: NDArray[np.uint8],
    points: Points,
    normals: Points,
    grid: MatGrid,
    look: GridLook,
    ground: Ground,
    thing: NDArray[np.floating],
) -> _Light:
    """Return what is seen across an outline, and what the thing and the lined mat would show there."""
    count, samples = len(points), len(_SEEN)
    at = points[:, None] + normals[:, None] * _SEEN[:, None]
    x, y = at.astype(np.float32).transpose(2, 0, 1)
    seen = _linear_at(pixels, x, y)
    reduced = ((at + 0.5) / ground.factor - 0.5).astype(np.float32)
    bare = cv2.remap(
        ground.light, reduced[..., 0], reduced[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float64)
    gain = look.gain(grid.places_at(at.reshape(-1, 2))).reshape(count, samples, 3).astype(np.float64)
    noise = _NOISE + _NOISE_OF_LIGHT * (seen @ _TO_Y[0])
    unsure = _LOOK_ERROR * np.abs((bare * gain) @ _TO_Y[0])
    variance = (noise**2)[..., None] * _NOISE_OF**2 + (unsure**2)[..., None]
    return _Light(
        seen=seen @ _TO_Y.T,
        own=(bare * thing) @ _TO_Y.T,
        lined=(bare * (1 + gain)) @ _TO_Y.T,
        bare=bare @ _TO_Y.T,
        weight=1 / variance,
        plain=np.abs(gain).max(axis=(1, 2)) < _PLAIN,
    )


def _linear_at(pixels: NDArray[np.uint8], x: Floats, y: Floats) -> NDArray[np.float64]:
    """Return the linear light of the picture at places (N, samples)."""
    # cv2 takes maps of less than 32767 rows.
    parts = [
        cv2.remap(pixels, x[k : k + _ROWS], y[k : k + _ROWS], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        for k in range(0, len(x), _ROWS)
    ]
    return SRGB_TO_LINEAR[np.concatenate(parts)].astype(np.float64)


def _usual_blur(light: _Light) -> float:
    """Return the blur of the picture for which the edge away from lines is foretold best."""
    pick = np.flatnonzero(light.plain)
    if len(pick) < _FEWEST_PLAIN:
        pick = np.arange(len(light.plain))
    pick = pick[:: max(1, len(pick) // _MOST_PLAIN)]
    some = _Light(
        seen=light.seen[pick],
        own=light.own[pick],
        lined=light.lined[pick],
        bare=light.bare[pick],
        weight=light.weight[pick],
        plain=light.plain[pick],
    )
    return min(_BLURS_PX, key=lambda blur: float(np.median(_costs(some, blur)[0].min(axis=1))))


def _costs(light: _Light, blur: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how badly each place of the edge foretells what is seen, (N, places), and the levels, (N, places, 3).

    The levels of the thing and of the mat, and how the mat's changes away from the edge (a shadow), are those that
    foretell it best, held to what is usual; so all is linear in them, and sums over the samples are products of arrays.
    """
    cover = special.ndtr((_PLACES[:, None] - _SEEN) / blur).T
    bare = 1 - cover
    away = np.clip((_SEEN - _PLACES[:, None]) / _SEEN[-1], 0, None).T * bare
    w = light.weight
    oo, ol, ll = (
        (w * a * b).sum(axis=2)
        for a, b in ((light.own, light.own), (light.own, light.lined), (light.lined, light.lined))
    )
    oi, li, ii = ((w * a * light.seen).sum(axis=2) for a in (light.own, light.lined, light.seen))
    normal = np.empty((len(w), len(_PLACES), 3, 3))
    right = np.empty((len(w), len(_PLACES), 3))
    normal[..., 0, 0], right[..., 0] = oo @ cover**2, oi @ cover
    for k, u in ((1, bare), (2, away)):
        normal[..., 0, k] = normal[..., k, 0] = ol @ (cover * u)
        right[..., k] = li @ u
    normal[..., 1, 1], normal[..., 2, 2] = ll @ bare**2, ll @ away**2
    normal[..., 1, 2] = normal[..., 2, 1] = ll @ (bare * away)
    hold = 1 / np.array([_OWN_SIGMA, _SHADE_SIGMA, _SLOPE_SIGMA]) ** 2
    usual = np.array([1.0, 1.0, 0.0])
    normal += np.diag(hold)
    right += hold * usual
    levels = np.linalg.solve(normal, right[..., None])[..., 0]
    cost = ii.sum(axis=1)[:, None] + float(hold @ usual**2) - (right * levels).sum(axis=2)
    return np.asarray(cost), np.asarray(levels)


def _along(cost: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how likely each place is at each point of a stretch, (N, places), by all its points together."""
    here = np.exp(-0.5 * _TEMPER * cost)
    apart = _PLACES[:, None] - _PLACES
    step = np.exp(-0.5 * (apart / (_SLOPE * _SPACING_PX)) ** 2) + _JUMP
    step /= step.sum(axis=1, keepdims=True)
    ahead, back = here.copy(), np.ones_like(here)
    for k in range(1, len(here)):
        ahead[k] *= ahead[k - 1] @ step
        ahead[k] /= ahead[k].sum()
    for k in range(len(here) - 2, -1, -1):
        back[k] = step @ (here[k + 1] * back[k + 1])
        back[k] /= back[k].sum()
    both = ahead * back
    return np.asarray(both / both.sum(axis=1, keepdims=True))
