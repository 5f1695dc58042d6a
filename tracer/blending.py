"""In which values the pixels of an edge were mixed: in light, as lenses do, or in codes, as drawing programs do.

A pixel that a thing covers by half holds half the light in a scan or photo, but the middle of the two *codes* in a
picture that was drawn by a program (SVG and PDF renderers mix codes by coverage). Read in light such an edge lies up to
0.24 px beside its place, on the lighter side, and waves along slanting edges.

The picture itself tells which. The edge passes through the pixels of its outline in all ways alike, so that the shares
of the pixels it cuts are spread evenly in the values they were mixed in, and bent in the others. That holds as long as
no blur has smeared the edge over several pixels; behind a lens both look alike, and light is what was mixed.

Limits: only the luma is asked (ITU-R BT.601); edges that run along the rows or columns show few shares, and where they
are too few it is left open.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.candidate import RoughOutline
from tracer.profiles import Points, closed_area, closed_normals, resample_closed, smooth_closed

Floats = NDArray[np.float64]

LUMA = np.array([0.299, 0.587, 0.114])
"""ITU-R BT.601, as JFIF has it."""
_LEAST_STEP = 40.0
"""Least step of codes that is asked: with less, both ways of mixing differ by less than the noise."""
_SHARES = np.linspace(0.2, 0.8, 121)
"""Shares of the step that are counted: beyond them noise and JPEG's ringing look like cut pixels."""
_ACROSS_PX, _SPACE_PX = 3.0, 0.5
_FAR_PX, _DEEP_PX = (5, 6, 7, 8), (-8, -7, -6, -5)
_UNSMEARED_PX = (0.05, 0.8)
"""Width of an edge from the low share to the high one: about 0.6 px where nothing but the pixels' own size spreads it,
more than 0.9 px behind the blur of 0.5 px of a good scanner; next to nothing where no pixel was mixed at all."""
_LEAST_PIXELS = 150.0
_SLOPE_STEP = 0.1
_SLOPES = np.arange(10) * _SLOPE_STEP
_REACH, _ASLANT = 20, 0.04
"""Points before and after between which a direction is read, and the least slope against rows, columns or diagonals: a
line passes two more rows within the reach."""
_SURE, _OPEN = 0.3, 0.45
"""How far on the way from what codes would show to what light would: up to where codes, and beyond where light is sure
(measured on 24 drawn pictures: -0.2 to 0.05 with codes mixed, 0.5 to 1.0 with light, the least after JPEG)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blending:
    """How the pixels of edges were mixed.

    ``in_codes`` is true where they are known to be mixed in encoded values; ``open`` where nothing shows it, though no
    lens has blurred the edges.
    """

    in_codes: bool = False
    open: bool = False


def blending_of(pixels: NDArray[np.uint8], outlines: Iterable[RoughOutline]) -> Blending:
    """Tell from all edges of a picture how its pixels were mixed.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        sRGB-encoded.
    outlines : iterable of RoughOutline
        Drawn lines, and edges that a reader of their own tells, are not asked.

    Returns
    -------
    Blending
    """
    found, if_light, if_codes, told_px, cut_px, length_px = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for rough in outlines:
        if rough.kind != "edge" or rough.reader is not None:
            continue
        cut = _cut_pixels(pixels, rough)
        if abs(float(LUMA @ (cut.ground - cut.thing))) < _LEAST_STEP:
            continue
        told_px += _SPACE_PX * len(cut.shares)
        cut_px += _SPACE_PX * cut.count
        length_px += cut.length_px
        mixed = light_shares(cut.thing, cut.ground, _SHARES)
        for low in _SLOPES:
            here = (cut.slopes >= low) & (cut.slopes < low + _SLOPE_STEP)
            if_mixed_codes = _cover_density(_SHARES, low + _SLOPE_STEP / 2)
            if_mixed_light = _cover_density(mixed, low + _SLOPE_STEP / 2) * np.gradient(mixed, _SHARES)
            if_mixed_codes, if_mixed_light = (d / d.sum() for d in (if_mixed_codes, if_mixed_light))
            tells = np.log(if_mixed_light / if_mixed_codes)
            found += float(np.interp(cut.shares[here], _SHARES, tells).sum())
            if_light += int(here.sum()) * float((tells * if_mixed_light).sum())
            if_codes += int(here.sum()) * float((tells * if_mixed_codes).sum())
    if length_px == 0.0 or not _UNSMEARED_PX[0] <= cut_px / length_px <= _UNSMEARED_PX[1]:
        return Blending()
    if told_px < _LEAST_PIXELS:
        return Blending(open=True)
    way = (found - if_codes) / max(if_light - if_codes, 1e-9)
    return Blending(in_codes=way < _SURE, open=_SURE <= way <= _OPEN)


def _cover_density(covers: Floats, slope: float) -> Floats:
    """Return how dense the shares of a pixel's area are that a straight line of a slope against the rows cuts off.

    Even where it crosses the pixel from side to side, and denser where it only cuts a corner off.
    """
    least = np.clip(np.minimum(covers, 1.0 - covers), 1e-3, 0.5)
    return np.asarray(np.maximum(1.0, np.sqrt(slope / (2.0 * least))))


def light_shares(thing: Floats, ground: Floats, shares: Floats) -> Floats:
    """Return for shares of the step of luma how much of the ground's light makes them.

    Parameters
    ----------
    thing, ground : ndarray, shape (3,)
        Their colours, codes 0 to 255.
    shares : ndarray
        0 for the thing's luma, 1 for the ground's.
    """
    light = np.linspace(0.0, 1.0, 401)
    codes = np.arange(256)
    a, b = (np.interp(c, codes, SRGB_TO_LINEAR) for c in (thing, ground))
    luma = np.interp(a + (b - a) * light[:, None], SRGB_TO_LINEAR, codes) @ LUMA
    step = (luma - luma[0]) / (luma[-1] - luma[0])
    return np.interp(shares, np.maximum.accumulate(step) + np.arange(len(step)) * 1e-12, light)


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Pixels that an edge cuts, each for half a square pixel.

    ``shares`` of the step of luma and ``slopes`` of the edge where it runs aslant; ``count`` of them everywhere.
    """

    shares: Floats
    slopes: Floats
    thing: Floats
    ground: Floats
    count: int
    length_px: float


def _cut_pixels(pixels: NDArray[np.uint8], rough: RoughOutline) -> _Cut:
    points = np.asarray(rough.points_px, dtype=np.float64)
    if (closed_area(points) < 0) != rough.hole:
        points = points[::-1]
    points = smooth_closed(resample_closed(points, 1.0)[0], 2.5)
    normals = closed_normals(points)
    thing = np.median(np.concatenate([_at(pixels, points, normals, d) for d in _DEEP_PX]), axis=0)
    ground = np.median(np.concatenate([_at(pixels, points, normals, d) for d in _FAR_PX]), axis=0)
    way = np.abs(np.roll(points, -_REACH, axis=0) - np.roll(points, _REACH, axis=0))
    slope = way.min(axis=1) / np.maximum(way.max(axis=1), 1e-9)
    # Along rows, columns or diagonals all pixels are cut alike.
    aslant = (slope > _ASLANT) & (slope < 1.0 - _ASLANT)
    across = np.arange(-_ACROSS_PX, _ACROSS_PX + _SPACE_PX / 2, _SPACE_PX)
    luma = np.stack([_at(pixels, points, normals, float(d)) for d in across]) @ LUMA
    step = float(LUMA @ (ground - thing)) or np.inf
    shares = (luma - float(LUMA @ thing)) / step
    cut = (shares >= _SHARES[0]) & (shares <= _SHARES[-1])
    told, slopes = cut & aslant, np.broadcast_to(slope, shares.shape)
    return _Cut(shares[told], slopes[told], thing, ground, int(cut.sum()), float(len(points)))


def _at(pixels: NDArray[np.uint8], points: Points, normals: Points, offset_px: float) -> Floats:
    """Return the codes of the nearest pixels, shape (N, 3)."""
    rows, columns = pixels.shape[:2]
    at = np.rint(points + normals * offset_px)
    x = np.clip(at[:, 0], 0, columns - 1).astype(np.intp)
    y = np.clip(at[:, 1], 0, rows - 1).astype(np.intp)
    seen = pixels[y, x].astype(np.float64)
    return seen if seen.ndim == 2 else np.repeat(seen[:, None], 3, axis=1)
