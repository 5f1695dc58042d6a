"""In which values the pixels of an edge were mixed: in light, as lenses do, or in codes, as drawing programs do.

A pixel that a thing covers by half holds half the light in a scan or photo, but the middle of the two *codes* in a
picture that was drawn by a program (SVG and PDF renderers mix codes by coverage). Read in light such an edge lies up to
0.24 px beside its place, on the lighter side, and waves along slanting edges.

The picture itself tells which. The edge passes through the pixels of its outline in all ways alike, so that the shares
of the pixels it cuts are spread evenly in the values they were mixed in, and bent in the others. That holds as long as
no blur has smeared the edge over several pixels. What was blurred has halves that are alike in the values that were
mixed (:mod:`tracer.mean_edge`), be there noise or not. Where a shadow makes them unlike in both, it is a thing behind a
lens: light is what was mixed there.

Limits: only the luma is asked (ITU-R BT.601); edges that run along the rows or columns show few shares, and where they
are too few it is left open. So it is where the step is so small that both ways of mixing are hardly apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.candidate import RoughOutline
from tracer.mean_edge import MeanEdge, led_to_edge, mean_edge, unlike_halves
from tracer.profiles import Points, closed_area, closed_normals, resample_closed, smooth_closed

Floats = NDArray[np.float64]

LUMA = np.array([0.299, 0.587, 0.114])
"""ITU-R BT.601, as JFIF has it."""
_LEAST_STEP = 40.0
"""Least step of codes that is asked: with less, both ways of mixing differ by less than the noise."""
_SHARES = np.linspace(0.2, 0.8, 121)
"""Shares of the step that are counted: beyond them noise and JPEG's ringing look like cut pixels."""
_ACROSS_PX, _SPACE_PX = 4.0, 0.5
_FAR_PX, _DEEP_PX = (5, 6, 7, 8), (-8, -7, -6, -5)
_UNSMEARED_PX = (0.05, 0.8)
"""Width of an edge from the low share to the high one: about 0.6 px where nothing but the pixels' own size spreads it,
more than 0.9 px behind the blur of 0.5 px of a good scanner; next to nothing where no pixel was mixed at all."""
_SMEARED_PX = 3.2
"""Width up to which a smeared edge is seen whole."""
_LEAST_PIXELS, _LEAST_APART = 150.0, 2.0
_SLOPE_STEP = 0.1
_SLOPES = np.arange(10) * _SLOPE_STEP
_REACH, _ASLANT = 20, 0.04
"""Points before and after between which a direction is read, and the least slope against rows, columns or diagonals: a
line passes two more rows within the reach."""
_SURE, _OPEN = 0.3, 0.45
"""How far on the way from what codes would show to what light would: up to where codes, and beyond where light is sure
(measured on 24 drawn pictures: -0.2 to 0.05 with codes mixed, 0.5 to 1.0 with light, the least after JPEG)."""

_CODES_BY, _LIGHT_BY = 1.6, 0.8
"""How unlike the halves of a smeared edge are in light, as a multiple of how unlike they are in codes: beyond it codes
were mixed, and below it light (60 times five shapes, or one long one along the rows, in nine pairs of colours, blurred
by 0.4 to 1.6 px, with noise up to 3 codes and JPEG of quality 75 to 95: 1.2 to 9.9 with codes mixed, 0.05 to 1.3 with
light). A lens is the usual case, and needs less to be believed."""
_NOISES = 3.0
"""By how many times its noise the difference of the two must exceed nothing before codes are believed (our choice)."""
_ALIKE, _HARDLY_ALIKE = 0.004, 0.006
"""Up to the one, halves are alike; up to the other they are but for what JPEG of low quality does."""
_LIGHT_AT = np.linspace(0.0, 1.0, 401)
_SAME_COLOURS = 8.0
_ENOUGH = 40000
"""So many places along edges tell what there is to be told."""
_EVEN = 0.9
"""Share of both sides that has one and the same code where a picture has no noise: no scanner made it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blending:
    """How the pixels of edges were mixed.

    ``in_codes`` is true where they are known to be mixed in encoded values; ``open`` where nothing shows it, though no
    scanner or camera made the picture; ``ramp_px`` is how wide its edges are.
    """

    in_codes: bool = False
    open: bool = False
    ramp_px: float = 1.0


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
    cuts, places = [], 0
    for rough in outlines:
        if rough.kind == "edge" and rough.reader is None and places < _ENOUGH:
            cut = _cut_pixels(pixels, rough)
            if abs(float(LUMA @ (cut.ground - cut.thing))) >= _LEAST_STEP:
                cuts.append(cut)
                places += len(cut.points)
    width_px = _SPACE_PX * sum(c.between(_SHARES) for c in cuts) / max(places, 1)
    if _UNSMEARED_PX[0] <= width_px <= _UNSMEARED_PX[1]:
        way = _way(cuts)
        return Blending(open=True) if way is None else Blending(in_codes=way < _SURE, open=_SURE <= way <= _OPEN)
    if _UNSMEARED_PX[1] < width_px <= _SMEARED_PX:
        return _of_smeared(pixels, cuts, width_px)
    return Blending()


def _of_smeared(pixels: NDArray[np.uint8], cuts: Sequence[_Cut], width_px: float) -> Blending:
    """Tell by the halves of edges that blur has smeared."""
    groups: list[tuple[_Cut, list[MeanEdge]]] = []
    for cut in cuts:
        edge = mean_edge(lambda at: _nearest(pixels, at) @ LUMA, cut.points)
        if edge is not None:
            for first, edges in groups:
                if max(np.abs(cut.thing - first.thing).max(), np.abs(cut.ground - first.ground).max()) < _SAME_COLOURS:
                    edges.append(edge)
                    break
            else:
                groups.append((cut, [edge]))
    ramp_px, made = width_px / float(np.ptp(_SHARES)), all(c.even for c in cuts)
    if not groups:
        return Blending(open=made, ramp_px=ramp_px)
    squares, noise, count = np.zeros(2), 0.0, 0
    shares = np.linspace(-0.3, 1.3, 801)
    for cut, edges in groups:
        # Beyond both colours the shares go on as they are, for noise.
        whole = np.interp(shares, _LIGHT_AT, light_shares(cut.thing, cut.ground, _LIGHT_AT))
        edge = MeanEdge.of(edges)
        light = np.where((shares < 0) | (shares > 1), shares, whole)
        squares += edge.places * np.square(unlike_halves(edge, shares, light))
        # A mean over a pixel's width has as many pixels as there are places, in either half.
        noise += 2.0 * (cut.noise / float(LUMA @ (cut.ground - cut.thing))) ** 2
        count += edge.places
    codes, light_ = (float(v) for v in np.sqrt(squares / count))
    doubt = float(np.sqrt(noise / count))
    if codes < _ALIKE and light_ > max(_CODES_BY * codes, codes + _NOISES * doubt):
        return Blending(in_codes=True, ramp_px=ramp_px)
    doubtful = bool(min(codes, light_) < _HARDLY_ALIKE and light_ > _LIGHT_BY * codes)
    return Blending(open=doubtful, ramp_px=ramp_px)


def _way(cuts: Sequence[_Cut]) -> float | None:
    """Return how far on the way from what mixed codes would show (0) to what light would (1) the cut pixels are.

    None where they are too few to tell.
    """
    found, if_light, if_codes, told = 0.0, 0.0, 0.0, 0.0
    for cut in cuts:
        mixed = light_shares(cut.thing, cut.ground, _SHARES)
        seen = (cut.shares >= _SHARES[0]) & (cut.shares <= _SHARES[-1]) & cut.aslant
        for low in _SLOPES:
            here = seen & (cut.slopes >= low) & (cut.slopes < low + _SLOPE_STEP)
            if not here.any():
                continue
            codes, light = (_cover_density(s, low + _SLOPE_STEP / 2) for s in (_SHARES, mixed))
            light = light * np.gradient(mixed, _SHARES)
            codes, light = codes / codes.sum(), light / light.sum()
            tells, count = np.log(light / codes), int(here.sum())
            found += float(np.interp(cut.shares[here], _SHARES, tells).sum())
            if_light += count * float((tells * light).sum())
            if_codes += count * float((tells * codes).sum())
            told += _SPACE_PX * count
    # As natural logarithms of a likelihood ratio; a pixel was counted once for each share of its area.
    if told < _LEAST_PIXELS or (if_light - if_codes) * _SPACE_PX < _LEAST_APART:
        return None
    return (found - if_codes) / (if_light - if_codes)


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

    ``shares`` of the step of luma, ``slopes`` of the edge there, and whether it runs ``aslant``; whether both sides are
    perfectly ``even``, without any noise, and how much ``noise`` they have (standard, codes of luma). ``points`` of the
    edge are a pixel apart.
    """

    shares: Floats
    slopes: Floats
    aslant: NDArray[np.bool_]
    thing: Floats
    ground: Floats
    even: bool
    noise: float
    points: Points

    def between(self, shares: Floats) -> int:
        """Return how many pixels have such shares."""
        return int(((self.shares >= shares[0]) & (self.shares <= shares[-1])).sum())


def _cut_pixels(pixels: NDArray[np.uint8], rough: RoughOutline) -> _Cut:
    points = smooth_closed(resample_closed(_outward(rough), 1.0)[0], 2.5)
    normals = closed_normals(points)
    sides = [np.concatenate([_at(pixels, points, normals, d) for d in reach]) for reach in (_DEEP_PX, _FAR_PX)]
    thing, ground = (np.median(side, axis=0) for side in sides)
    even = all(float((np.abs(s - np.median(s, axis=0)).max(axis=1) < 1.0).mean()) > _EVEN for s in sides)
    noise = max(1.4826 * float(np.median(np.abs((s - np.median(s, axis=0)) @ LUMA))) for s in sides)
    low, high = float(LUMA @ thing), float(LUMA @ ground)
    if low != high:
        # The steps of a rough outline lie where the edge passes from row to row: by them all pixels were cut alike.
        points = led_to_edge(lambda at: _nearest(pixels, at) @ LUMA, points, low, high)
        normals = closed_normals(points)
    way = np.abs(np.roll(points, -_REACH, axis=0) - np.roll(points, _REACH, axis=0))
    slope = way.min(axis=1) / np.maximum(way.max(axis=1), 1e-9)
    # Along rows, columns or diagonals all pixels are cut alike.
    aslant = (slope > _ASLANT) & (slope < 1.0 - _ASLANT)
    across = np.arange(-_ACROSS_PX, _ACROSS_PX + _SPACE_PX / 2, _SPACE_PX)
    luma = np.stack([_at(pixels, points, normals, float(d)) for d in across]) @ LUMA
    shares = (luma - low) / ((high - low) or np.inf)
    cut = (shares >= _SHARES[0]) & (shares <= _SHARES[-1])
    slopes, slanting = (np.broadcast_to(v, shares.shape)[cut] for v in (slope, aslant))
    return _Cut(shares[cut], slopes, slanting, thing, ground, even, noise, points)


def _outward(rough: RoughOutline) -> Points:
    """Return an outline's points in the order that has the thing's outside on their outer side."""
    points = np.asarray(rough.points_px, dtype=np.float64)
    return points[::-1] if (closed_area(points) < 0) != rough.hole else points


def _at(pixels: NDArray[np.uint8], points: Points, normals: Points, offset_px: float) -> Floats:
    return _nearest(pixels, points + normals * offset_px)


def _nearest(pixels: NDArray[np.uint8], points: Points) -> Floats:
    """Return the codes of the nearest pixels, shape (N, 3)."""
    rows, columns = pixels.shape[:2]
    at = np.rint(points)
    x = np.clip(at[:, 0], 0, columns - 1).astype(np.intp)
    y = np.clip(at[:, 1], 0, rows - 1).astype(np.intp)
    seen = pixels[y, x].astype(np.float64)
    return seen if seen.ndim == 2 else np.repeat(seen[:, None], 3, axis=1)
