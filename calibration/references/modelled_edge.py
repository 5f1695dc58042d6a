"""Where the edges of a flat thing lie: light, lens and JPEG laid over each side of it and fitted to its codes.

Read by itself, each signal is off on a shaded ground. A dark card has the luma of the shadow beside it, and where the
luma is steepest is then the end of the shadow. Colour tells the two apart, since a shadow takes light away from all
colours alike; but colour is halved by JPEG after encoding, which makes it soft and moves its steepest place, by up to
0.4 px inward all around a card (measured). So all three are explained together: across each side

    card (one colour) | ground (one colour, shaded by an amount that changes smoothly with the distance)

is blurred by the lens (a Gaussian), encoded (IEC 61966-2-1), turned into luma and two colour differences (ITU-R BT.601,
as JFIF has them), and the colour differences are blurred once more. Where the edge is, both blurs, both colours and the
shade are what fits the codes best. The lens blurs all sides of one thing alike.

Codes are not interpolated: each pixel is put where it is, and a side that runs a little askew shows its profile many
times finer than pixels lie (the slanted edge of ISO 12233).

Limits: a picture sharpened so strongly that it shows a seam along edges is not described by the model; nor is a ground
that takes on the card's colour beside it. A thing that differs from its ground by less than :data:`LEAST_STEP` codes
is not read here.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize, special

from calibration.light import SRGB_TO_LINEAR
from calibration.references.edges import Side
from calibration.references.line_fit import block_covariance, fit_robust
from calibration.references.quad import Quad

Floats = NDArray[np.float64]

LEAST_STEP = 18.0
"""Codes of luma and colour together; several times what JPEG leaves of them in the mean of a side (judgement)."""

_TO_YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])
_REACH_PX, _BIN_PX, _BEYOND_PX = 10.0, 0.25, 4.0
_GRID = np.arange(-_REACH_PX - _BEYOND_PX, _REACH_PX + _BEYOND_PX + _BIN_PX / 2, _BIN_PX)
_BEYOND = round(_BEYOND_PX / _BIN_PX)
_BINS = len(_GRID) - 2 * _BEYOND
_STRETCH_PX, _LEAST_STRETCHES, _MOST_STRETCHES = 20.0, 16, 40
_LEAST_PLACES = 8
_LEAST_SEEN = 0.2
"""Share of the bins that a stretch must have pixels in: one along the pixels has them in each fourth only."""
_LEAST_SCATTER_PX = 0.02
_KNOTS_PX = np.array([0.0, 1.5, 3.5, 6.5, 10.5])
"""Distances from the edge between which the shade changes evenly; from the last on it is what it is."""
_MOST_OFF_PX = 4.5
_LOOKS, _FAR_OFF_PX = 3, 0.3
"""A side found farther off than this somewhere is looked at again from where it was found: what is averaged along it
was smeared."""
_BLUR_PX = 0.85
_HALVED_PX2, _HALVED_SD_PX2 = 1.4, 0.5
"""Variance that colour is blurred by more than luma: 1.0 by halving and interpolating (as JFIF has it), 0 without, and
more where strong compression leaves out what is fine (up to 3, measured on rendered cards)."""
_BLUR_SD, _SHARED_BLUR_SD = 1.2, 0.05
"""Of the logarithm of the lens's blur: hardly known before, alike on all sides of a thing."""
_EVEN_SHADE = 10.0
"""Weight of changes of the shade's slope (1/px) against misfits in standard deviations: shade is smooth where the data
leave it open (judgement)."""
_SHADE_SD = 0.05
"""By how much the shade may differ along a side, standard: streaks of wood run askew to it (judgement)."""
_LEAST_NOISE = 0.15
_COLOUR_WEIGHT = 0.5
"""Noise of the colours runs along blocks of sixteen pixels: its bins tell less than as many of the luma."""
_LEAST_SD_PX = 0.03
"""What the places of sides by the model differ from the truth by where nothing disturbs (0.03 px in the root mean
square on 60 rendered photos of cards of ten colours on wood and light tables, measured)."""
_ALIKE_PX, _AS_SHADE_PX = 0.03, 0.25
"""The same of all sides alike (0.026 px measured on these); and of a thing that is as dark as its own shadow and has no
colour to be told from it by (the same photos without colour)."""
_LEAST_COLOUR = 8.0
"""Codes by which the colours of thing and ground must differ to tell a shadow from the thing (judgement)."""

_EDGE, _BLUR, _OWN, _GROUND = 0, 1, slice(2, 5), slice(5, 8)
_SHADE = slice(8, 8 + len(_KNOTS_PX) - 1)
_SOFT = _SHADE.stop


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Across:
    """Codes across a side, outward.

    Luma and colour differences (3, bins) with the number of pixels in each bin (bins,), of the whole side and of each
    stretch of it, whose middles lie at ``stretch_px`` along it.
    """

    codes: Floats
    counts: Floats
    stretch_codes: Floats
    stretch_counts: Floats
    stretch_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """Parameters with the Jacobian of the weighted residuals there, and the noise of each of the three signals."""

    parameters: Floats
    jacobian: Floats
    noise: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModelledSides:
    """Sides as the model has them.

    ``told_from_shade`` is whether the thing is brighter than its ground or of another colour, as no shadow is.
    """

    quad: Quad
    told_from_shade: bool

    @property
    def alike_px(self) -> float:
        """Standard uncertainty of where all sides alike are seen, outside or inside of where they are."""
        return _ALIKE_PX if self.told_from_shade else _AS_SHADE_PX


def modelled_sides(pixels: NDArray[np.uint8], quad: Quad) -> ModelledSides | None:
    """Lay each side of a four-sided figure where the model has its edge.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        sRGB-encoded.
    quad : Quad
        Sides good to a few pixels.

    Returns
    -------
    ModelledSides or None
        None where a side does not stand out clearly enough, or the model does not describe it.
    """
    coloured = pixels if pixels.ndim == 3 else np.broadcast_to(pixels[:, :, None], (*pixels.shape, 3))
    for _ in range(_LOOKS):
        moved = _moved(coloured, quad)
        if moved is None:
            return None
        before, quad = quad.sides, moved.quad
        if max(_apart_px(new, old) for new, old in zip(quad.sides, before, strict=True)) < _FAR_OFF_PX:
            break
    return moved


def _apart_px(one: Side, other: Side) -> float:
    """Return how far apart two readings of a side are where they are farthest, px."""
    s = np.linspace(0.0, one.length_px, 5)
    return float(np.abs((one.at(s) - other.at(s)) @ one.across).max())


def _moved(pixels: NDArray[np.uint8], quad: Quad) -> ModelledSides | None:
    middle = np.mean([side.at(side.length_px / 2) for side in quad.sides], axis=0)
    across = [_across(pixels, side, middle) for side in quad.sides]
    starts = [_start(each) for each in across]
    if min(_step(start) for start in starts) < LEAST_STEP:
        return None
    rough = [_fit(each, start, np.ones(3), _BLUR_PX, _BLUR_SD) for each, start in zip(across, starts, strict=True)]
    blur_px = _shared_blur(rough)
    moved = []
    for side, each, first in zip(quad.sides, across, rough, strict=True):
        weights = np.array([1.0, _COLOUR_WEIGHT, _COLOUR_WEIGHT]) / np.maximum(first.noise, _LEAST_NOISE)
        fit = _fit(each, first.parameters, weights, blur_px, _SHARED_BLUR_SD)
        where, places = _places_along(fit, each, weights)
        if abs(float(fit.parameters[_EDGE])) > 0.95 * _MOST_OFF_PX or len(places) < _LEAST_PLACES:
            return None
        moved.append(_laid_through(side, where, places * _outward(side, middle)))
    return ModelledSides(
        quad=Quad(sides=(moved[0], moved[1], moved[2], moved[3])),
        told_from_shade=all(_told_from_shade(fit.parameters) for fit in rough),
    )


def _outward(side: Side, middle: Floats) -> float:
    """Return 1 where the side's normal points away from the middle of the figure, else -1."""
    return -1.0 if float((middle - side.origin) @ side.across) > 0 else 1.0


def _laid_through(side: Side, positions_px: Floats, places_px: Floats) -> Side:
    """Return a side through places (N,) beside it, on its own normal, at positions along it."""
    degree = len(side.coefficients) - 1
    t = positions_px / side.length_px
    offsets = (side.at(positions_px) - side.origin) @ side.across + places_px
    coefficients, kept, scatter = fit_robust(t, offsets, degree)
    # A streak that runs askew across the side moves several neighbours alike.
    missed = offsets[kept] - np.vander(t[kept], degree + 1, increasing=True) @ coefficients
    covariance = block_covariance(t[kept], missed, degree, max(scatter, _LEAST_SCATTER_PX))
    covariance[0, 0] += _LEAST_SD_PX**2
    points = side.origin + positions_px[kept, None] * side.along + offsets[kept, None] * side.across
    return replace(side, coefficients=coefficients, covariance=covariance, points_px=points, scatter_px=scatter)


def _across(pixels: NDArray[np.uint8], side: Side, middle: Floats) -> _Across:
    """Sort the pixels beside a side by their distance from it."""
    along = (side.points_px - side.origin) @ side.along
    low, high = float(along.min()), float(along.max())
    count = int(np.clip((high - low) / _STRETCH_PX, _LEAST_STRETCHES, _MOST_STRETCHES))
    limits = np.linspace(low, high, count + 1)
    outward = _outward(side, middle)
    parts = [_beside(pixels, side, outward, one, other) for one, other in itertools.pairwise(limits)]
    stretch = np.repeat(np.arange(count), [len(bins) for bins, _ in parts])
    bins = np.concatenate([bins for bins, _ in parts])
    codes = np.concatenate([codes for _, codes in parts])
    cell, cells = stretch * _BINS + bins, count * _BINS
    counts = np.bincount(cell, minlength=cells).astype(np.float64)
    sums = np.stack([np.bincount(cell, codes[:, k], minlength=cells) for k in range(3)])
    means = (sums / np.maximum(counts, 1.0)).reshape(3, count, _BINS)
    counts = counts.reshape(count, _BINS)
    # The median of the stretches: what lies across the side somewhere does not matter.
    seen = np.where(counts > 0, means, np.nan)
    total = counts.sum(axis=0)
    middle_codes = np.zeros((3, _BINS))
    middle_codes[:, total > 0] = np.nanmedian(seen[:, :, total > 0], axis=1)
    return _Across(
        codes=middle_codes,
        counts=total,
        stretch_codes=means.transpose(1, 0, 2),
        stretch_counts=counts,
        stretch_px=(limits[1:] + limits[:-1]) / 2,
    )


def _beside(
    pixels: NDArray[np.uint8], side: Side, outward: float, low: float, high: float
) -> tuple[NDArray[np.intp], Floats]:
    """Return bins (N,) and luma and colour differences (N, 3) of the pixels beside a short stretch of a side."""
    ends = side.at(np.array([low, high]))
    size = np.array([pixels.shape[1], pixels.shape[0]])
    x0, y0 = np.clip(np.floor(ends.min(axis=0) - _REACH_PX - 2), 0, size - 1).astype(int)
    x1, y1 = np.clip(np.ceil(ends.max(axis=0) + _REACH_PX + 3), 1, size).astype(int)
    y, x = np.mgrid[y0:y1, x0:x1]
    from_origin = np.stack([x - side.origin[0], y - side.origin[1]], axis=-1)
    s = from_origin @ side.along
    powers = np.stack([(s / side.length_px) ** k for k in range(len(side.coefficients))], axis=-1)
    distance = (from_origin @ side.across - powers @ side.coefficients) * outward
    near = (s >= low) & (s < high) & (np.abs(distance) < _REACH_PX + _BIN_PX / 2)
    bins = np.clip(np.rint((distance[near] + _REACH_PX) / _BIN_PX), 0, _BINS - 1).astype(np.intp)
    return bins, np.asarray(pixels[y0:y1, x0:x1][near] @ _TO_YCC.T)


def _linear(codes: Floats) -> Floats:
    return np.asarray(np.interp(codes, np.arange(256), SRGB_TO_LINEAR))


def _encoded(light: Floats) -> Floats:
    return np.asarray(np.interp(light, SRGB_TO_LINEAR, np.arange(256.0)))


def _start(across: _Across) -> Floats:
    """Return parameters to begin with: the colours at both ends of the profile, and no shade."""
    some = max(1, _BINS // 5)
    to_rgb = np.linalg.inv(_TO_YCC)

    def colour(part: slice) -> Floats:
        weight = across.counts[part]
        return _linear(to_rgb @ (across.codes[:, part] @ weight / max(float(weight.sum()), 1.0)))

    shade = np.ones(len(_KNOTS_PX) - 1)
    own, ground = colour(slice(0, some)), colour(slice(_BINS - some, _BINS))
    return np.concatenate([[0.0, np.log(_BLUR_PX)], own, ground, shade, [_HALVED_PX2]])


def _step(parameters: Floats) -> float:
    """Return by how many codes the thing's colour differs from its ground's."""
    return float(np.linalg.norm(_TO_YCC @ (_encoded(parameters[_OWN]) - _encoded(parameters[_GROUND]))))


def _told_from_shade(parameters: Floats) -> bool:
    luma, blue, red = _TO_YCC @ (_encoded(parameters[_OWN]) - _encoded(parameters[_GROUND]))
    return bool(luma > 0 or np.hypot(blue, red) > _LEAST_COLOUR)


def _codes(parameters: Floats) -> Floats:
    """Return what the model has for luma and colour differences in each bin, shape (3, bins)."""
    blur = float(np.exp(parameters[_BLUR]))
    from_edge = _GRID - parameters[_EDGE]
    beyond = special.ndtr(from_edge / blur)
    shade = np.append(parameters[_SHADE], 1.0)
    slopes = np.concatenate([[0.0], np.diff(shade) / np.diff(_KNOTS_PX), [0.0]])
    x = from_edge - _KNOTS_PX[:, None]
    ramps = x * special.ndtr(x / blur) + blur / np.sqrt(2 * np.pi) * np.exp(-0.5 * (x / blur) ** 2)
    lit = shade[0] * beyond + np.diff(slopes) @ ramps
    light = parameters[_OWN][:, None] * (1 - beyond) + parameters[_GROUND][:, None] * lit
    codes = _TO_YCC @ _encoded(light)
    codes[1:] = ndimage.gaussian_filter1d(codes[1:], np.sqrt(parameters[_SOFT]) / _BIN_PX, axis=1, mode="nearest")
    return np.asarray(codes[:, _BEYOND:-_BEYOND])


def _fit(across: _Across, start: Floats, weights: Floats, blur_px: float, blur_sd: float) -> _Fit:
    """Fit the model to the codes across a side; what is known before goes in as further residuals."""
    roots = np.sqrt(across.counts / max(float(across.counts.mean()), 1e-9))

    def residuals(p: Floats) -> Floats:
        shade = np.append(p[_SHADE], 1.0)
        before = [(p[_BLUR] - np.log(blur_px)) / blur_sd, (p[_SOFT] - _HALVED_PX2) / _HALVED_SD_PX2]
        uneven = _EVEN_SHADE * np.diff(np.diff(shade) / np.diff(_KNOTS_PX))
        return np.concatenate([((_codes(p) - across.codes) * weights[:, None] * roots).ravel(), before, uneven])

    knots = len(_KNOTS_PX) - 1
    # A shadow takes light away and never adds any.
    low = np.concatenate([[-_MOST_OFF_PX, np.log(0.4)], np.zeros(6), np.full(knots, 0.05), [0.02]])
    high = np.concatenate([[_MOST_OFF_PX, np.log(2.5)], np.full(6, 1.2), np.full(knots, 1.001), [5.0]])
    sizes = np.concatenate([[0.3, 0.2], np.full(6, 0.05), np.full(knots, 0.2), [0.5]])
    found = optimize.least_squares(
        residuals, np.clip(start, low + 1e-4, high - 1e-4), bounds=(low, high), x_scale=sizes, max_nfev=60
    )
    misfit = (_codes(found.x) - across.codes) * roots
    noise = np.sqrt((misfit**2).mean(axis=1))
    return _Fit(parameters=found.x, jacobian=np.asarray(found.jac), noise=noise)


def _shared_blur(fits: Sequence[_Fit]) -> float:
    """Return the blur that the sides have together, each counting as much as it tells."""
    told, total = 0.0, 0.0
    for fit in fits:
        variance = float(np.linalg.pinv(fit.jacobian.T @ fit.jacobian)[_BLUR, _BLUR]) + 4e-4
        told += float(fit.parameters[_BLUR]) / variance
        total += 1.0 / variance
    return float(np.exp(told / total))


def _places_along(fit: _Fit, across: _Across, weights: Floats) -> tuple[Floats, Floats]:
    """Return where along the side its stretches lie and how far beside it each has the edge, px, each shape (N,).

    Light and colours of a stretch are a little different from those of the whole side, and so is where it has its edge:
    one linear step of these tells. The shade is about the same all along; streaks of wood change it somewhat.
    """
    model = _codes(fit.parameters)
    by_codes = fit.jacobian[: model.size, : _SHADE.stop].reshape(3, _BINS, -1).copy()
    by_codes[:, :, _BLUR] = 0.0
    shade_before = np.eye(_SHADE.stop)[_SHADE] / _SHADE_SD
    where, places = [], []
    for at, codes, counts in zip(across.stretch_px, across.stretch_codes, across.stretch_counts, strict=True):
        seen = counts > 0
        if seen.sum() < _LEAST_SEEN * _BINS:
            continue
        rows = np.concatenate([by_codes[:, seen].reshape(-1, _SHADE.stop), shade_before])
        misses = np.concatenate([((codes - model)[:, seen] * weights[:, None]).ravel(), np.zeros(len(shade_before))])
        step = np.linalg.lstsq(rows, misses, rcond=1e-9)[0]
        where.append(at)
        places.append(float(fit.parameters[_EDGE] + step[0]))
    return np.array(where), np.array(places)
