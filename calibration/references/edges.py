"""Straight edges and strokes, found to a small part of a pixel.

Brightness is sampled along short profiles across a rough line, in linear light (gamma-encoded levels would move a
half-level crossing). A *step* is where the profile passes half-way between the plateaus on both sides; a *brink*, the
edge of a thing that may cast a soft shadow, is where it is steepest; the middle of a *stroke* is its centroid, so
blur and ink spread cancel. All points along a side then carry one robust line.

Source: half-level edges under blur, Devernay 1995.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calibration.references.line_fit import block_covariance, fit_robust
from calibration.references.reference import SearchPicture
from calibration.shaded_edge import edge_places

Floats = NDArray[np.float64]
EdgeKind = Literal["step", "stroke", "brink"]

_STEP_PX = 0.5
_BRINK_AVERAGE, _FAINT_AVERAGE = 9, 41
_SHADED_REACH_PX = 3.5
_FAINT = 0.12
"""A stroke's centroid counts what is darker than this part of its depth. Of 0.1, 0.25, 0.4 and half-level edges, the
lowest shifted least with the line's place between pixels (under 0.01 px from blur 0.8 px on, measured)."""
PHASE_PX = 0.006
"""What remains of that shift, as a standard uncertainty of a corner (0.002 to 0.007 px in rendered squares)."""
MAX_PROFILES = 1400
FIRST_LOOK_PROFILES = 240
_MIN_POINTS = 12
_MIN_BRINK = 0.015
"""The same for the mean of the profiles that a brink is read from."""
_FAINT_BRINK, _LEAST_BRINK = 0.04, 0.0015
"""A brink lower than the first may be sought as a faint one, in the mean of more profiles, down to the second."""
_INK_SHARE = 0.15
"""Ink, if only the flank of a line, makes a profile darker by more than this part of the paper's light (judgement)."""
_MIN_CONTRAST = 0.04
"""Least difference in linear light that counts as an edge: about twice the noise of a good phone photo (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Side:
    """A fitted side: offsets from a chord as a polynomial of the position along it.

    Parameters
    ----------
    origin, along, across : ndarray, shape (2,)
        A point ``origin + s * along + offset(s) * across`` for ``s`` in pixels; unit vectors at right angles.
    coefficients : ndarray, shape (2,) or (3,)
        ``offset(s) = c0 + c1 * t + c2 * t**2`` with ``t = s / length_px``.
    covariance : ndarray
        Of the coefficients, px2.
    points_px : ndarray, shape (N, 2)
        Measured points that the fit kept.
    scatter_px : float
        Robust standard deviation of single points about the fit.
    width_px : float
        Median width of the stroke; 0 for a step.
    contrast : float
        Median depth of the stroke, or height of the step, in linear light.
    blur_px : float
        Distance over which an edge goes from 20 to 80 % of its height.
    share : float
        Part of the profiles along the side that show the edge where the fit has it.
    """

    origin: Floats
    along: Floats
    across: Floats
    length_px: float
    coefficients: Floats
    covariance: Floats
    points_px: Floats
    scatter_px: float
    width_px: float
    contrast: float
    blur_px: float
    share: float
    kind: EdgeKind

    def at(self, s: Floats | float) -> Floats:
        """Return points of the side at positions ``s`` (px along the chord), shape (..., 2)."""
        s = np.asarray(s, dtype=np.float64)
        offset = self._basis(s) @ self.coefficients
        return np.asarray(self.origin + s[..., None] * self.along + offset[..., None] * self.across)

    def offset_sd(self, s: float) -> float:
        """Return the standard uncertainty of the side's position across itself at ``s``."""
        basis = self._basis(np.asarray(s, dtype=np.float64))
        return float(np.sqrt(basis @ self.covariance @ basis))

    def _basis(self, s: Floats) -> Floats:
        t = s / self.length_px
        return np.stack([t**k for k in range(len(self.coefficients))], axis=-1)


def _crossing(profile: Floats, level: Floats, start: NDArray[np.int64], step: int) -> Floats:
    """First place from ``start`` in direction ``step`` where each profile passes ``level`` upward, as an index."""
    rows, n = profile.shape
    # Pairs of neighbours in the direction, in the order in which they are come to.
    ahead = profile if step > 0 else profile[:, ::-1]
    first = start if step > 0 else n - 1 - start
    hit = (ahead[:, :-1] <= level[:, None]) & (ahead[:, 1:] > level[:, None])
    hit &= np.arange(n - 1) >= first[:, None]
    k, row = np.argmax(hit, axis=1), np.arange(rows)
    a, b = ahead[row, k], ahead[row, k + 1]
    place = np.where(hit[row, k], k + (level - a) / np.where(b > a, b - a, 1.0), np.nan)
    return np.asarray(place if step > 0 else n - 1 - place)


def _stroke(profile: Floats) -> tuple[Floats, Floats, Floats]:
    """Middle (index), width (index steps) and depth of the dark stroke in each profile, NaN where there is none."""
    rows, n = profile.shape
    window = 1.0 - np.abs(np.linspace(-0.6, 0.6, n))
    ends = max(2, n // 6)
    left, right = np.median(profile[:, :ends], axis=1), np.median(profile[:, -ends:], axis=1)
    ramp = np.linspace(0.0, 1.0, n)
    ground = left[:, None] * (1 - ramp) + right[:, None] * ramp
    dark = ndimage.uniform_filter1d(ground - profile, 3, axis=1)
    deepest = np.argmax(dark * window, axis=1)
    row = np.arange(rows)
    depth = dark[row, deepest]
    floor = profile[row, deepest]
    half_left = (left * (1 - ramp[deepest]) + right * ramp[deepest] + floor) / 2
    a = _crossing(profile, half_left, deepest, -1)
    b = _crossing(profile, half_left, deepest, 1)
    good = (depth > _MIN_CONTRAST) & np.isfinite(a) & np.isfinite(b)
    # The centroid of what is darker than a faint part of the depth, over the run around the deepest place.
    places = np.arange(n)
    weight = np.maximum(ground - profile - _FAINT * depth[:, None], 0.0)
    low = (weight <= 0) & (np.abs(places - deepest[:, None]) > 1)
    before = np.where(low & (places < deepest[:, None]), places, -1).max(axis=1)
    after = np.where(low & (places > deepest[:, None]), places, n).min(axis=1)
    weight *= (places > before[:, None]) & (places < after[:, None])
    total = weight.sum(axis=1)
    good &= total > 0
    middle = (weight * places).sum(axis=1) / np.where(good, total, 1.0)
    return np.where(good, middle, np.nan), np.where(good, b - a, np.nan), depth


def _step(profile: Floats) -> tuple[Floats, Floats, Floats]:
    """Half-level crossing (index), 20-80 % rise (index steps) and signed height of the step in each profile."""
    rows, n = profile.shape
    ends = max(2, n // 4)
    left, right = np.median(profile[:, :ends], axis=1), np.median(profile[:, -ends:], axis=1)
    height = right - left
    sign = np.where(height >= 0, 1.0, -1.0)
    rising = profile * sign[:, None]
    low, high = left * sign, right * sign
    level = (low + high) / 2
    # From the middle of the dark plateau outward, so that a speck on either plateau does not stop the walk.
    start = np.full(rows, ends // 2, dtype=np.int64)
    below = rising[np.arange(rows), start] <= level
    middle = _crossing(rising, level, start, 1)
    early = _crossing(rising, low + 0.2 * (high - low), start, 1)
    late = _crossing(rising, low + 0.8 * (high - low), start, 1)
    good = (np.abs(height) > _MIN_CONTRAST) & below & np.isfinite(middle)
    return np.where(good, middle, np.nan), np.where(good, np.abs(late - early), np.nan), height


def _brink(profile: Floats, *, average: int = _BRINK_AVERAGE) -> tuple[Floats, Floats, Floats]:
    """Steepest place (index), width of the steep part (index steps) and signed height of the step in each profile.

    A thing with some thickness casts a soft shadow beside its edge: the far plateau is then not the light next to the
    edge, and half-way between plateaus is not the edge. The steepest place is nearer to it; what it is still off, which
    is about the same all along a side, comes from a fit of the whole profile (:mod:`calibration.shaded_edge`).
    ``average`` neighbouring profiles are averaged, since a derivative is noisy. The brighter side is the thing.
    """
    rows, n = profile.shape
    least = _LEAST_BRINK if average > _BRINK_AVERAGE else _MIN_BRINK
    calm = ndimage.uniform_filter1d(profile, min(average, rows), axis=0, mode="nearest")
    _, _, height = _step(calm)
    sign = np.where(height >= 0, 1.0, -1.0)
    slope = np.diff(ndimage.uniform_filter1d(calm, 3, axis=1, mode="nearest"), axis=1) * sign[:, None]
    favour = 1.0 - 0.3 * np.abs(np.linspace(-1, 1, n - 1))
    peak = np.argmax(slope * favour, axis=1)
    row = np.arange(rows)
    top = slope[row, peak]
    # The run of samples around the peak that are steeper than half of it.
    places = np.arange(n - 1)
    low = slope < 0.5 * top[:, None]
    before = np.where(low & (places < peak[:, None]), places, -1).max(axis=1)
    after = np.where(low & (places > peak[:, None]), places, n - 1).min(axis=1)
    inside = (places > before[:, None]) & (places < after[:, None])
    weight = np.where(inside, slope - 0.5 * top[:, None], 0.0)
    total = weight.sum(axis=1)
    good = (np.abs(height) > least) & (total > 0) & (before >= 0) & (after < n - 1)
    middle = (weight * (places + 0.5)).sum(axis=1) / np.where(good, total, 1.0)
    if good.sum() >= _MIN_POINTS:
        falling = np.where((height < 0)[:, None], profile, profile[:, ::-1])
        at = np.where(height < 0, middle, n - 1 - middle)
        middle = middle - np.where(height < 0, -1.0, 1.0) * _beyond_steepest(falling[good], at[good])
    return np.where(good, middle, np.nan), np.where(good, (after - before - 1.0), np.nan), height


def _beyond_steepest(profile: Floats, at: Floats) -> float:
    """Return how far (index steps) edges lie beyond given places on the way from the bright thing to its ground."""
    reach = int(_SHADED_REACH_PX / _STEP_PX)
    index = at[:, None] + np.arange(-reach, reach + 1)
    inside = (index[:, 0] >= 0) & (index[:, -1] <= profile.shape[1] - 1)
    if inside.sum() < _MIN_POINTS:
        return 0.0
    rows = np.broadcast_to(np.arange(len(profile))[inside][:, None], index[inside].shape)
    aligned = ndimage.map_coordinates(profile, [rows, index[inside]], order=1)
    grid = np.arange(-reach, reach + 1, dtype=np.float64) * _STEP_PX
    # Quarters of the side, each averaged: a mark beside the edge spoils one of them only.
    parts = np.array([part.mean(axis=0) for part in np.array_split(aligned, 4)])
    places = edge_places(parts, grid, most_px=1.0)
    return float(np.median(places[np.isfinite(places)])) / _STEP_PX if np.isfinite(places).any() else 0.0


def _without_ink(profile: Floats) -> NDArray[np.bool_]:
    """Return which profiles across an edge between two light things have no ink in them.

    The shade beside the edge is about as dark all along it; ink is what makes some profiles darker than others.
    """
    darkest = profile.min(axis=1)
    return np.asarray(darkest > np.percentile(darkest, 75) - _INK_SHARE * float(np.median(profile)))


def measure_side(
    scene: SearchPicture,
    start_px: Floats,
    end_px: Floats,
    *,
    kind: EdgeKind,
    reach_px: float,
    margin_px: float,
    degree: int = 1,
    weights: Floats | None = None,
    guide: Side | None = None,
    most: int = MAX_PROFILES,
    faint: bool = False,
) -> Side | None:
    """Measure one side between two rough corners.

    Parameters
    ----------
    start_px, end_px : ndarray, shape (2,)
        Rough ends, good to ``reach_px``.
    kind : {'step', 'stroke', 'brink'}
        An edge between two tones, a dark line on a lighter ground, or the edge of a thing that may cast a shadow.
    reach_px : float
        Profiles run this far to both sides.
    margin_px : float
        Stretch left out at both ends (corners round off, and lines cross there).
    degree : {1, 2}
        2 lets the side be bowed.
    weights : ndarray, shape (3,), optional
        Weights on linear red, green, blue, see :meth:`SearchPicture.light`.
    guide : Side, optional
        An earlier fit: profiles are then centred on it (its curve included).
    most : int
        Greatest number of profiles; a few hundred do for a look that only prepares the next.
    faint : bool
        Brinks of hardly any height count too; both sides are about as light as each other.

    Returns
    -------
    Side or None
        None when too few profiles show such an edge.
    """
    start, end = np.asarray(start_px, dtype=np.float64), np.asarray(end_px, dtype=np.float64)
    length = float(np.hypot(*(end - start)))
    if length - 2 * margin_px < _MIN_POINTS:
        return None
    along = (end - start) / length
    across = np.array([-along[1], along[0]])
    count = int(min(most, max(_MIN_POINTS, length - 2 * margin_px)))
    s = np.linspace(margin_px, length - margin_px, count)
    shift = np.zeros(count)
    if guide is not None:
        at = (guide.at((start + s[:, None] * along - guide.origin) @ guide.along) - start) @ across
        shift = np.asarray(at)
    offsets = np.arange(-reach_px, reach_px + _STEP_PX / 2, _STEP_PX)
    centre = start + s[:, None] * along + shift[:, None] * across
    places = centre[:, None, :] + offsets[None, :, None] * across
    seen = scene.inside(places).all(axis=1)
    if seen.sum() < max(_MIN_POINTS, 0.3 * count):
        return None
    s, shift, places = s[seen], shift[seen], places[seen]
    profile = scene.light(places, weights)
    if faint:
        # Ink beside the edge is steeper than the edge: do without the profiles that it lies in.
        clear = _without_ink(profile)
        if clear.sum() >= max(_MIN_POINTS, 0.3 * count):
            s, shift, profile, count = s[clear], shift[clear], profile[clear], int(clear.sum())
    shared = 1
    if kind == "brink":
        if faint and abs(float(np.median(_step(profile)[2]))) < _FAINT_BRINK:
            shared = _FAINT_AVERAGE
        middle, width, contrast = _brink(profile, average=max(_BRINK_AVERAGE, shared))
    else:
        middle, width, contrast = {"stroke": _stroke, "step": _step}[kind](profile)
    good = np.isfinite(middle)
    if kind != "stroke" and good.any():
        # One side of the edge is the darker all along.
        sign = np.sign(np.median(contrast[good]))
        good &= np.sign(contrast) == sign
    elif good.any():
        usual = float(np.median(width[good]))
        good &= (width < 1.8 * usual + 1) & (contrast > 0.4 * np.median(contrast[good]))
    if good.sum() < max(_MIN_POINTS, 0.3 * count):
        return None
    y = shift[good] + np.interp(middle[good], np.arange(len(offsets)), offsets)
    t = s[good] / length
    coefficients, kept, scatter = fit_robust(t, y, degree)
    if kept.sum() < _MIN_POINTS:
        return None
    residual = y - np.vander(t, degree + 1, increasing=True) @ coefficients
    covariance = block_covariance(t[kept], residual[kept], degree, scatter, shared=shared)
    sg, yg = s[good][kept], y[kept]
    blur = float(np.median(width[good][kept])) * _STEP_PX
    return Side(
        origin=start,
        along=along,
        across=across,
        length_px=length,
        coefficients=coefficients,
        covariance=covariance,
        points_px=start + sg[:, None] * along + yg[:, None] * across,
        scatter_px=scatter,
        width_px=blur if kind == "stroke" else 0.0,
        contrast=float(np.median(np.abs(contrast[good][kept]))),
        blur_px=blur if kind != "stroke" else 0.0,
        share=float(kept.sum() / count),
        kind=kind,
    )


class _Bow:
    """A side's polynomial by plain numbers: for single places that is many times quicker than by arrays."""

    def __init__(self, side: Side) -> None:
        self._length = side.length_px
        self._coefficients: list[float] = side.coefficients.tolist()
        (self._ox, self._oy), (self._ax, self._ay), (self._nx, self._ny) = (
            v.tolist() for v in (side.origin, side.along, side.across)
        )

    def at(self, s: float) -> tuple[float, float, float, float]:
        """Return the point at ``s`` (px along the chord) and its derivative there: x, y, dx, dy."""
        t, offset, slope = s / self._length, 0.0, 0.0
        for coefficient in reversed(self._coefficients):
            slope = slope * t + offset
            offset = offset * t + coefficient
        slope /= self._length
        return (
            self._ox + s * self._ax + offset * self._nx,
            self._oy + s * self._ay + offset * self._ny,
            self._ax + slope * self._nx,
            self._ay + slope * self._ny,
        )


def intersect(first: Side, second: Side) -> tuple[Floats, float]:
    """Return where two sides meet (px) and the standard uncertainty of that point along each axis.

    The sides may be bowed; they are extended along their polynomials. Newton steps on the two chord positions.
    """
    one, other = _Bow(first), _Bow(second)
    s, r = first.length_px / 2, second.length_px / 2
    for _ in range(30):
        x, y, dx, dy = one.at(s)
        u, v, du, dv = other.at(r)
        # Rarely are two sides so nearly parallel that they do not meet.
        turn = du * dy - dx * dv
        if turn == 0.0:
            break
        move_s, move_r = (du * (v - y) - dv * (u - x)) / turn, (dx * (v - y) - dy * (u - x)) / turn
        s, r = s + move_s, r + move_r
        if max(abs(move_s), abs(move_r)) < 1e-10:
            break
    point = first.at(s)
    sine = abs(float(first.along[0] * second.along[1] - first.along[1] * second.along[0]))
    spread = np.hypot(first.offset_sd(s), second.offset_sd(r)) / max(sine, 1e-6)
    return point, float(spread / np.sqrt(2))
