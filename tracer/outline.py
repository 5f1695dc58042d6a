"""Sub-pixel evidence along an outline.

From a rough outline good to about the width of its line to points on the line itself: the middle of a drawn line from
both its edges (or its outer or inner edge), or the edge of a cut-out thing, each found in single profiles across the
outline, in linear light, halfway between the local levels on its two sides. The outline is then moved onto what was
found and looked at again, so that the profiles cross it squarely.

Along the line nothing is smoothed: each point stands for itself with its own standard uncertainty, and the fit of
curves does the averaging. (Smoothing before would round the corners.) Only levels and widths, which change slowly
along a line, are taken from a stretch of it.

Biases that are undone: gamma (by decoding first); the shift of a bent edge towards the centre of its bend by
sigma^2 / 2R, where sigma is the blur (first order of a Gaussian-blurred disc); for the outer and inner edge of thin
lines the widening of a blurred stroke at half its own depth.

Limits: within about half a line's width (over the tangent of half the inner angle) of a corner the profile is that of
two arms at once and the points there are rounded; the fit of curves does not use them. Crossing lines, text and
notches are recognised by the width, level and side step of the profile, and by what the search says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize, special

from calibration.light import SRGB_TO_LINEAR
from calibration.picture import PxPoints
from tracer.candidate import RoughOutline
from tracer.profiles import (
    Points,
    closed_area,
    closed_normals,
    local_scatter,
    on_grid,
    resample_closed,
    running_median,
    sample_profiles,
    smooth_closed,
)
from tracer.shade import shade_shift

LineChoice = Literal["centre", "outer", "inner"]

_STEP_PX = 0.5
_LIT_SIGMA_PX = 0.2
"""How far a line's middle may seem to lie aside where one side of it is lighter than elsewhere (estimated: half of a
third of the line's contrast, over its slope)."""
_LEAST_SIGMA_PX = 0.01
"""Standard uncertainty below which a single profile is not believed (interpolation and sampling, measured)."""
_LEAST_CONTRAST = 0.008
"""Least difference of linear light that counts as a line or an edge: two steps of 8-bit codes in the bright half."""
LEAST_SHARE = 0.12
"""Least contrast of an edge against that along most of its outline: a shadow that leaves 0.4 of the ground's light
leaves so little of the step from a thing that gives back a third of it."""
_SHADE_PX, _SHADE_REACH_PX = 2.5, 6.0
"""How far beside a shadow the half level may lie from the edge, and how far out it is looked at to tell (a thing whose
own light is that of its shadow, measured)."""
_USUAL_BLUR_PX = 0.75
"""Blur of scanners and of cameras in focus, standard deviation (common practice, no source); a weak prior only."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Where an outline was found.

    Parameters
    ----------
    points_px : PxPoints
        Closed, clockwise on screen (the edge of a hole the other way round), about a pixel apart, shape (N, 2).
    sigma_px : ndarray, shape (N,)
        Standard uncertainty of each point along its normal, from the scatter of its neighbours.
    valid : ndarray of bool, shape (N,)
        False where the profile could not be read (obscured, bridged, crossing lines): the point there is carried
        across.
    told : ndarray of bool, shape (N,)
        Where a reader of its own told the point: no signal of colours has a share in it.
    normals : ndarray, shape (N, 2)
        Unit, outward from the piece.
    line_width_px : float
        Width of the drawn line (0 for an edge), blur taken off.
    blur_px : float
        Standard deviation of the picture's blur.
    shade_px : float
        By how much shadows beside the edge moved the half level (root mean square); the points lie where they did not.
    """

    points_px: PxPoints
    sigma_px: NDArray[np.float64]
    valid: NDArray[np.bool_]
    told: NDArray[np.bool_]
    normals: NDArray[np.float64]
    line_width_px: float
    blur_px: float
    shade_px: float = 0.0

    @property
    def rounding_px(self) -> float:
        """How far from a square corner the evidence is rounded by line width and blur."""
        return self.line_width_px / 2 + 2.5 * self.blur_px

    def moved_in(self, by_px: float, *, run_px: float = 1.0) -> Evidence:
        """Return the evidence moved inward; runs of points whose noise is common count as one.

        What a reader told stays.
        """
        own = ~self.told
        moved = PxPoints(np.asarray(self.points_px) - self.normals * (by_px * own)[:, None])
        return replace(self, points_px=moved, sigma_px=self.sigma_px * np.where(own, np.sqrt(run_px), 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """Offsets found in profiles: middle (or edge), its outer and inner side, all relative to the points."""

    offset: NDArray[np.float64]
    width: NDArray[np.float64]
    contrast: NDArray[np.float64]
    valid: NDArray[np.bool_]
    lit: NDArray[np.bool_] | None = None


def locate(
    pixels: NDArray[np.uint8], rough: RoughOutline, *, line: LineChoice = "centre", spacing_px: float = 1.0
) -> Evidence:
    """Find an outline to a fraction of a pixel.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        sRGB-encoded.
    rough : RoughOutline
    line : {'centre', 'outer', 'inner'}
        Which part of a drawn line is the outline; an edge has only one.
    spacing_px : float
        Distance of the points.

    Returns
    -------
    Evidence
        ``sigma_px`` is estimated, not guaranteed; points that are not valid are interpolated.
    """
    given = np.asarray(rough.points_px, dtype=np.float64)
    obscured = np.asarray(rough.obscured, dtype=bool)
    if (closed_area(given) < 0) != rough.hole:
        given, obscured = given[::-1], obscured[::-1]
    points, position = resample_closed(given, spacing_px)
    hidden = _carried(obscured, position)
    # What a reader told is no staircase of pixels any more.
    points = smooth_closed(points, (2.5 if rough.reader is None else 1.0) / spacing_px)
    width = rough.line_width_px if rough.kind == "drawn" else 0.0
    points, position = _approach(pixels, rough, points, hidden, width, spacing_px)
    hidden = _carried(hidden, position)
    normals = closed_normals(smooth_closed(points, 1.0))
    points = on_grid(points)
    found, profiles, offsets = _read(pixels, rough, points, normals, width)
    valid = _without_lone(found.valid & ~hidden)
    told = None if rough.reader is None else rough.reader.read(points, normals)
    if told is not None:
        valid = (valid | told.known) & ~told.hidden
        found = replace(found, offset=np.where(told.known, told.offset_px, found.offset))
    offset = _bridge(found.offset, valid)
    shade_px = 0.0
    if rough.kind == "edge" and np.ndim(rough.colour_weights) == 1:
        # Colour shows no shadow, and is too soft to be fitted like light.
        wide = _offsets(_SHADE_REACH_PX)
        across = sample_profiles(pixels, points, normals, wide, rough.colour_weights)
        shift = shade_shift(across, wide, offset, valid, at_px=points, most_px=_SHADE_PX)
        shift = shift if told is None else np.where(told.known, 0.0, shift)
        offset = offset + shift
        shade_px = float(np.sqrt(np.mean(shift**2)))
    blur, depth_width = _blur_and_width(profiles, offsets, offset, valid, found, rough.kind)
    if rough.kind == "drawn" and line != "centre":
        side = 1.0 if line == "outer" else -1.0
        offset = offset + side * _bridge(_true_width(found.width, valid, blur, depth_width), valid) / 2
    points = points + normals * offset[:, None]
    sigma = np.maximum(local_scatter(points, normals, valid, lag=4, half_width=40), _LEAST_SIGMA_PX)
    if found.lit is not None:
        sigma = np.where(found.lit, np.maximum(sigma, _LIT_SIGMA_PX), sigma)
    if told is not None:
        sigma = np.where(told.known, np.maximum(told.sigma_px, _LEAST_SIGMA_PX), sigma)
    points = points + normals * (blur**2 / 2 * _curvature(points))[:, None]
    return Evidence(
        points_px=PxPoints(points),
        sigma_px=sigma,
        valid=valid,
        told=np.zeros(len(points), dtype=bool) if told is None else told.known,
        normals=closed_normals(smooth_closed(points, 1.0)),
        line_width_px=depth_width if rough.kind == "drawn" else 0.0,
        blur_px=blur,
        shade_px=shade_px,
    )


def _carried(flags: NDArray[np.bool_], position: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Carry flags of points to resampled points: a new point between two old ones is hidden when either is."""
    n = len(flags)
    low = np.floor(position).astype(np.intp) % n
    return np.asarray(flags[low] | flags[(low + 1) % n])


def _approach(
    pixels: NDArray[np.uint8],
    rough: RoughOutline,
    points: Points,
    hidden: NDArray[np.bool_],
    width: float,
    spacing_px: float,
) -> tuple[Points, NDArray[np.float64]]:
    """Move the rough points onto the line to about a third of a pixel; also say where each came from.

    Where the line is hidden the darkest place is that of what hides it: such points are moved as their neighbours are.
    """
    normals = closed_normals(points, reach=3)
    search = max(width / 2, 2.0) + 1.5
    if rough.kind == "drawn":
        reach = search + width / 2 + 1.0
        offsets = _offsets(reach)
        profiles = sample_profiles(pixels, points, normals, offsets, rough.colour_weights)
        profiles = ndimage.uniform_filter1d(profiles, 5, axis=0, mode="wrap")
        box = max(3, round(max(width, 1.0) / _STEP_PX) | 1)
        dark = ndimage.uniform_filter1d(profiles, box, axis=1, mode="nearest")
        near = np.abs(offsets) <= search
        coarse = offsets[near][np.argmin(dark[:, near], axis=1)]
    else:
        reach = search + 3.0
        offsets = _offsets(reach)
        profiles = sample_profiles(pixels, points, normals, offsets, rough.colour_weights)
        profiles = ndimage.uniform_filter1d(profiles, 5, axis=0, mode="wrap")
        # The steepest rise over three pixels: plateaus need not be known yet.
        rise = profiles[:, 6:] - profiles[:, :-6]
        middle = offsets[3:-3]
        near = np.abs(middle) <= search
        coarse = middle[near][np.argmax(rise[:, near], axis=1)]
    offset = running_median(_bridge(coarse.astype(np.float64), ~hidden), 4)
    offset = smooth_closed(offset, 1.5)
    if rough.reader is not None:
        # There it lies where it should already.
        offset[rough.reader.knows(points)] = 0.0
    moved = smooth_closed(points + normals * offset[:, None], 1.0 / spacing_px)
    return resample_closed(moved, spacing_px)


def _read(
    pixels: NDArray[np.uint8], rough: RoughOutline, points: Points, normals: Points, width: float
) -> tuple[_Found, NDArray[np.float32], NDArray[np.float64]]:
    """Read each profile: where the signal crosses halfway between the levels of its two sides."""
    reach = width / 2 + 4.5
    offsets = _offsets(reach)
    profiles = sample_profiles(pixels, points, normals, offsets, rough.colour_weights)
    found = _read_line(profiles, offsets, width) if rough.kind == "drawn" else _read_edge(profiles, offsets)
    darker, lighter = _odd_neighbours(pixels, points, normals, width)
    if not width:
        darker, lighter = darker | lighter, np.zeros_like(lighter)
    rows, columns = pixels.shape[:2]
    inside = ((points >= -0.5 + 2) & (points <= np.array([columns, rows]) - 0.5 - 2)).all(axis=1)
    return replace(found, valid=found.valid & ~darker & inside, lit=lighter), profiles, offsets


def _odd_neighbours(
    pixels: NDArray[np.uint8], points: Points, normals: Points, width: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where one side of the line is darker, and where it is lighter, than along the rest of the stretch.

    Something then touches the line there: text, another line, the ground's own pattern. What is lighter is no ink: a
    drawn line runs on over it, and is read there, if not as surely. All three colours are asked, since what the weights
    of the line's colour see as equal may differ in another. The nearest pixel serves: what is asked is whether a side
    is another thing, not where it ends.
    """
    rows, columns = pixels.shape[:2]
    colours = pixels.reshape(rows, columns, -1)

    def light(offset: float) -> NDArray[np.float64]:
        at = points + normals * offset
        x = np.clip(np.rint(at[:, 0]), 0, columns - 1).astype(np.intp)
        y = np.clip(np.rint(at[:, 1]), 0, rows - 1).astype(np.intp)
        return SRGB_TO_LINEAR[colours[y, x]].astype(np.float64)

    def usual(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.stack([running_median(values[:, c], 120) for c in range(values.shape[1])], axis=1)

    sides = [np.stack([light(direction * (width / 2 + d)) for d in (2.0, 3.0, 4.0)]) for direction in (-1.0, 1.0)]
    levels = [usual(side.mean(axis=0)) for side in sides]
    # Against the line itself, or for an edge against the other side.
    others = [usual(light(0.0))] * 2 if width else levels[::-1]
    darker, lighter = np.zeros(len(points), bool), np.zeros(len(points), bool)
    for side, level, other in zip(sides, levels, others, strict=True):
        contrast = np.maximum(np.abs(level - other).max(axis=1), 0.02)
        difference = ndimage.uniform_filter1d(side, 3, axis=1, mode="wrap") - level
        spread = 1.4826 * np.median(np.abs(difference).max(axis=2), axis=1)
        for row, own in zip(difference, spread, strict=True):
            limit = np.maximum(0.25 * contrast, 5 * own)
            darker |= (-row).max(axis=1) > limit
            lighter |= row.max(axis=1) > limit
    return darker, lighter


def _offsets(reach: float) -> NDArray[np.float64]:
    count = int(np.ceil(reach / _STEP_PX))
    return np.arange(-count, count + 1, dtype=np.float64) * _STEP_PX


def _level(profiles: NDArray[np.float32], columns: NDArray[np.bool_], *, brightest: bool) -> NDArray[np.float64]:
    """Return the level of a side: the extreme of a 3-sample mean in a zone, over a stretch of the line.

    The zone may hold a neighbouring line; its far part then differs, and the extreme stays on the plateau.
    """
    zone = ndimage.uniform_filter1d(profiles[:, columns], 3, axis=1, mode="nearest")
    zone = ndimage.uniform_filter1d(zone, 9, axis=0, mode="wrap")
    extreme = zone.max(axis=1) if brightest else zone.min(axis=1)
    return running_median(extreme.astype(np.float64), 24)


def _crossing(
    profiles: NDArray[np.float32], offsets: NDArray[np.float64], level: NDArray[np.float64], start: int, direction: int
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the first rise through a level going from sample ``start`` in a direction, and whether there is one."""
    part = profiles[:, start:] if direction > 0 else profiles[:, start::-1]
    above = part >= level[:, None]
    rising = above[:, 1:] & ~above[:, :-1]
    first = np.argmax(rising, axis=1)
    row = np.arange(len(part))
    low, high = part[row, first].astype(np.float64), part[row, first + 1].astype(np.float64)
    share = (level - low) / np.maximum(high - low, 1e-9)
    return offsets[start] + direction * (first + np.clip(share, 0, 1)) * _STEP_PX, np.asarray(rising.any(axis=1))


def _read_line(profiles: NDArray[np.float32], offsets: NDArray[np.float64], width: float) -> _Found:
    outer = _level(profiles, offsets >= width / 2 + 1.5, brightest=True)
    inner = _level(profiles, offsets <= -width / 2 - 1.5, brightest=True)
    core = np.abs(offsets) <= max(0.75, width / 2)
    ink = _level(profiles, core, brightest=False)
    middle = int(np.argmin(np.abs(offsets)))
    right, has_right = _crossing(profiles, offsets, (outer + ink) / 2, middle, 1)
    left, has_left = _crossing(profiles, offsets, (inner + ink) / 2, middle, -1)
    found_width = right - left
    centre = (right + left) / 2
    contrast = (outer + inner) / 2 - ink
    has = has_right & has_left
    typical_width = running_median(np.where(has, found_width, width), 60)
    usual = float(np.median(contrast[has])) if has.any() else 0.0
    spread = _robust_spread(found_width - typical_width, has)
    side = centre - running_median(np.where(has, centre, 0.0), 6)
    valid = (
        has
        & (np.abs(found_width - typical_width) <= max(4 * spread, 0.18 * width, 0.35))
        & (contrast > max(0.3 * usual, _LEAST_CONTRAST))
        & (np.abs(side) <= max(5 * _robust_spread(side, has), 0.4))
    )
    return _Found(centre, found_width, contrast, valid)


def _read_edge(profiles: NDArray[np.float32], offsets: NDArray[np.float64]) -> _Found:
    outside = _level(profiles, offsets >= 2.0, brightest=True)
    inside = _level(profiles, offsets <= -2.0, brightest=False)
    half = (outside + inside) / 2
    above = profiles >= half[:, None]
    rising = above[:, 1:] & ~above[:, :-1]
    low, high = profiles[:, :-1].astype(np.float64), profiles[:, 1:].astype(np.float64)
    share = np.clip((half[:, None] - low) / np.where(rising, high - low, 1.0), 0, 1)
    at = offsets[:-1] + share * _STEP_PX
    pick = np.argmin(np.where(rising, np.abs(at), np.inf), axis=1)
    row = np.arange(len(profiles))
    has = np.asarray(rising.any(axis=1))
    offset = np.where(has, at[row, pick], 0.0)
    contrast = outside - inside
    usual = float(np.median(contrast[has])) if has.any() else 0.0
    side = offset - running_median(offset, 6)
    valid = (
        has
        & (contrast > max(LEAST_SHARE * usual, _LEAST_CONTRAST))
        & (np.abs(side) <= max(5 * _robust_spread(side, has), 0.4))
    )
    return _Found(offset, np.zeros(len(offset)), contrast, valid)


def _robust_spread(values: NDArray[np.float64], valid: NDArray[np.bool_]) -> float:
    return 1.4826 * float(np.median(np.abs(values[valid]))) if valid.any() else 0.0


def _without_lone(valid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Distrust also the three neighbours of what is not valid: an obstacle begins gradually."""
    bad = ndimage.uniform_filter1d((~valid).astype(np.float32), 7, mode="wrap") > 0.01
    return ~bad


def _bridge(values: NDArray[np.float64], valid: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return values along a closed line, linear across what is not valid."""
    if valid.all() or not valid.any():
        return values
    at = np.nonzero(valid)[0]
    return np.asarray(np.interp(np.arange(len(values)), at, values[at], period=len(values)))


def _stroke(offsets: NDArray[np.float64], width: float, blur: float) -> NDArray[np.float64]:
    """Depth of a blurred stroke: a box of a width under a Gaussian."""
    return np.asarray(special.ndtr((offsets + width / 2) / blur) - special.ndtr((offsets - width / 2) / blur))


def _blur_and_width(
    profiles: NDArray[np.float32],
    offsets: NDArray[np.float64],
    offset: NDArray[np.float64],
    valid: NDArray[np.bool_],
    found: _Found,
    kind: str,
) -> tuple[float, float]:
    """Fit the mean profile, aligned on what was found, with a blurred stroke or step: blur and width in px.

    Width and blur of a stroke thinner than about two blurs cannot be told apart by their shape; a weak prior on the
    blur (a factor of 1.5, one standard deviation) then decides.
    """
    pick = np.nonzero(valid)[0]
    if len(pick) < 16:
        return _USUAL_BLUR_PX, float(np.median(found.width)) if kind == "drawn" else 0.0
    pick = pick[:: max(1, len(pick) // 1500)]
    reach = min(-offsets[0], offsets[-1]) - 1.0
    grid = np.arange(-reach, reach + 0.01, 0.25)
    shifted = grid[None, :] + offset[pick, None]
    index = np.clip((shifted - offsets[0]) / _STEP_PX, 0, len(offsets) - 1.001)
    low = index.astype(np.intp)
    share = index - low
    row = pick[:, None]
    mean = (profiles[row, low] * (1 - share) + profiles[row, low + 1] * share).mean(axis=0).astype(np.float64)
    width0 = float(np.median(found.width[pick])) if kind == "drawn" else 0.0
    near = np.abs(grid) <= width0 / 2 + 2.5
    grid, mean = grid[near], mean[near]
    top, bottom = float(mean.max()), float(mean.min())
    scale = max(top - bottom, 1e-6)

    def residuals(p: NDArray[np.float64]) -> NDArray[np.float64]:
        blur = np.exp(p[0])
        if kind == "drawn":
            shape = p[1] - np.exp(p[2]) * _stroke(grid, np.exp(p[3]), blur)
        else:
            shape = p[1] + np.exp(p[2]) * special.ndtr(grid / blur)
        prior = (p[0] - np.log(_USUAL_BLUR_PX)) / np.log(1.5)
        return np.append((shape * scale - mean) / (0.01 * scale), prior)

    base = top if kind == "drawn" else bottom
    start = [np.log(_USUAL_BLUR_PX), base / scale, 0.0] + ([np.log(max(width0, 0.5))] if kind == "drawn" else [])
    p = optimize.least_squares(residuals, np.array(start), max_nfev=60).x
    # Linear interpolation between samples half a pixel apart widens the profile by 0.5^2 / 6 (variance of a triangle).
    blur = float(np.sqrt(max(np.exp(2 * p[0]) - _STEP_PX**2 / 6, 0.09)))
    return min(blur, 4.0), float(np.exp(p[3])) if kind == "drawn" else 0.0


def _true_width(
    found_width: NDArray[np.float64], valid: NDArray[np.bool_], blur: float, typical: float
) -> NDArray[np.float64]:
    """Return true stroke widths from widths at half depth, which blur makes too wide in thin strokes."""
    true = np.concatenate([np.linspace(0.05, 6, 120) * blur, [1e3]])
    at_half = np.empty_like(true)
    for i, width in enumerate(true[:-1]):
        depth = float(_stroke(np.zeros(1), width, blur)[0])
        low, high = 0.0, width / 2 + 4 * blur
        for _ in range(40):
            mid = (low + high) / 2
            low, high = (mid, high) if float(_stroke(np.array([mid]), width, blur)[0]) > depth / 2 else (low, mid)
        at_half[i] = 2 * low
    at_half[-1] = true[-1]
    # The mean profile's width is the anchor; along the line only the changes come from the widths at half depth.
    smooth = running_median(_bridge(found_width, valid), 12)
    usual = float(np.median(smooth))
    change = np.interp(smooth, at_half, true) - np.interp(usual, at_half, true)
    return np.asarray(np.maximum(typical + change, 0.0) + (_bridge(found_width, valid) - smooth))


def _curvature(points: Points, reach: int = 6) -> NDArray[np.float64]:
    """Curvature of a closed clockwise line, positive where convex, 1/px, smoothed; bounded where there is a corner."""
    smooth = smooth_closed(points, 2.0)
    before, after = np.roll(smooth, reach, axis=0), np.roll(smooth, -reach, axis=0)
    a, b = smooth - before, after - smooth
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    product = np.hypot(*a.T) * np.hypot(*b.T) * np.hypot(*(after - before).T)
    return np.asarray(np.clip(smooth_closed(2 * cross / np.maximum(product, 1e-9), 3.0), -0.1, 0.1))
