"""Objects to measure with among the things that lie on a ground: rulers, tapes, slips with a test square. No pieces.

A slip of paper with a test square on it is known by the square, which is a good part of it. A ruler that set or checked
the scale is known by its row of ticks: the thing that the row runs along is the ruler. Another one is a long strip with
a row of marks that begin at one of its long edges, stand as far apart all along, and reach into it for some way. Dashes
of a line drawn beside an edge do not begin at it, and stripes of a cloth go on across it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Reference, Sheet
from calibration.light import SRGB_TO_LINEAR
from tracer.search.graph import Points

_BESIDE_MM = 3.0
"""A row of ticks lies in a thing, or no further than this beside its coarse outline."""
_ROW_SHARE, _TICKS_SHARE = 0.55, 0.9
"""The row is at least so much of a ruler's length (a part may be covered); so many of its ticks lie on the ruler."""
_STRIP, _FULL = 3.0, 0.75
"""A ruler is so many times longer than wide at least, and fills so much of its smallest box (a photo may show it
narrower at one end)."""
_FINEST_MM, _WIDEST_MM, _FINEST_PX = 0.45, 7.0, 3.0
"""Ticks stand no closer and no farther apart (half a millimetre; a quarter of an inch), nor can be seen closer."""
_DEPTHS_MM = (0.8, 1.2, 1.6, 2.0)
"""So deep in a ruler all its ticks are seen."""
_WINDOW_MM, _STEP_PX = 45.0, 0.5
_REGULAR, _ALIKE, _SAME = 0.35, 0.5, 0.15
"""Autocorrelation of a row of ticks at their distance; correlation of its light at two depths, and the share of its
contrast with which stripes go on; by how much the distance may change between windows (judgement: photographed
obliquely it changes by a tenth)."""
_FEWEST_WINDOWS = 3
_SIMPLE_MM = 0.5
_SLIP_SHARE, _SLIP_FULL = 0.25, 0.85
"""A test square is at least so much of the slip that it is printed on for that, and a slip, a rectangle cut by hand,
fills so much of its smallest box (judgement: a template, which may carry one too, is larger or of another shape)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReferenceObject:
    """An object to measure with: its outline in pixels of the picture, and the references that it carries."""

    index: int
    outline_px: Points
    references: tuple[Reference, ...] = ()


def find_reference_objects(sheet: Sheet, outlines_px: Sequence[Points]) -> list[ReferenceObject]:
    """Return which of some things are there to measure with.

    Parameters
    ----------
    sheet : Sheet
    outlines_px : sequence of ndarray, shape (N, 2)
        Coarse outlines of the things, in pixels of the picture.
    """
    references = (sheet.reference, *sheet.others)
    rows, squares = ([r for r in references if r.kind == kind] for kind in ("ruler", "square"))
    scale, found = sheet.mm_per_px, []
    for index, outline in enumerate(outlines_px):
        strip = _strip_of(outline)
        if strip is None:
            known = tuple(r for r in squares if _is_slip(r, outline))
        else:
            known = tuple(r for r in rows if _runs_along(r, outline, strip, scale))
        if known or (strip is not None and has_ticks(sheet.picture.pixels, outline, scale)):
            ring = cv2.approxPolyDP(outline.astype(np.float32), _SIMPLE_MM / scale, closed=True).reshape(-1, 2)
            found.append(ReferenceObject(index=index, outline_px=ring.astype(np.float64), references=known))
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Strip:
    """The smallest box around a long thing: its middle, the way along it, its length and width, px."""

    middle: NDArray[np.float64]
    along: NDArray[np.float64]
    long: float
    wide: float

    def flat(self, points: Points) -> Points:
        """Return points along and across the strip, from its middle."""
        away = points - self.middle
        return np.column_stack([away @ self.along, away @ np.array([-self.along[1], self.along[0]])])


def _strip_of(outline: Points) -> _Strip | None:
    middle, _, _ = box = cv2.minAreaRect(outline.astype(np.float32))
    corners = np.asarray(cv2.boxPoints(box), dtype=np.float64)
    sides = corners[[1, 2]] - corners[[0, 1]]
    lengths = np.hypot(*sides.T)
    long, wide = float(lengths.max()), float(lengths.min())
    full = abs(float(cv2.contourArea(outline.astype(np.float32)))) / max(long * wide, 1.0)
    if long < _STRIP * wide or full < _FULL:
        return None
    along = sides[int(np.argmax(lengths))] / long
    return _Strip(middle=np.asarray(middle, dtype=np.float64), along=along, long=long, wide=wide)


def _is_slip(square: Reference, outline: Points) -> bool:
    """Return whether a thing is the slip of paper that a test square is printed on, or the square alone."""
    ring = outline.astype(np.float32).reshape(-1, 1, 2)
    corners = np.asarray(square.outline_px, dtype=np.float32)
    # A square cut out along its own line has its corners where the thing has its.
    slack = 0.05 * float(np.sqrt(abs(cv2.contourArea(corners))))
    inside = all(cv2.pointPolygonTest(ring, (float(x), float(y)), measureDist=True) > -slack for x, y in corners)
    area, (_, sides, _) = abs(float(cv2.contourArea(ring))), cv2.minAreaRect(ring)
    full = area / max(float(sides[0] * sides[1]), 1.0)
    return inside and full > _SLIP_FULL and abs(float(cv2.contourArea(corners))) > _SLIP_SHARE * area


def _runs_along(row: Reference, outline: Points, strip: _Strip, mm_per_px: float) -> bool:
    """Return whether a row of ticks is that of a thing: it lies on it, and runs along most of it."""
    ticks = np.asarray(row.points_px, dtype=np.float64)
    ring = outline.astype(np.float32).reshape(-1, 1, 2)
    away = [cv2.pointPolygonTest(ring, (float(x), float(y)), measureDist=True) * mm_per_px for x, y in ticks]
    on_it = float((np.array(away) > -_BESIDE_MM).mean()) > _TICKS_SHARE
    return on_it and float(np.ptp(strip.flat(ticks)[:, 0])) > _ROW_SHARE * strip.long


def has_ticks(pixels: NDArray[np.uint8], outline: Points, mm_per_px: float) -> bool:
    """Return whether a long thing has a row of ticks along one of its long edges.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    outline : ndarray, shape (N, 2)
        The thing's outline in pixels, good to a millimetre.
    mm_per_px : float
    """
    strip = _strip_of(outline)
    if strip is None or max(_FINEST_MM / mm_per_px, _FINEST_PX) * 4 > strip.long:
        return False
    flat = strip.flat(outline)
    return any(
        _is_row(pixels, strip, line, side, mm_per_px) for side in (-1.0, 1.0) for line in _edges(flat, strip, side)
    )


def _edges(flat: Points, strip: _Strip, side: float) -> list[NDArray[np.float64]]:
    """Return the long edge on one side of a strip as a line (slope, offset) along it, or nothing."""
    mine = flat[(np.abs(flat[:, 0]) < 0.42 * strip.long) & (flat[:, 1] * side > 0)]
    if len(mine) < 20:
        return []
    line = np.polyfit(mine[:, 0], mine[:, 1], 1)
    for _ in range(3):
        miss = mine[:, 1] - np.polyval(line, mine[:, 0])
        near = np.abs(miss) < max(1.0, 2.5 * float(np.median(np.abs(miss))))
        line = np.polyfit(mine[near, 0], mine[near, 1], 1)
    return [np.asarray(line, dtype=np.float64)]


def _is_row(pixels: NDArray[np.uint8], strip: _Strip, line: NDArray[np.float64], side: float, mm_per_px: float) -> bool:
    """Return whether ticks begin at a long edge of a strip."""
    s = np.arange(-0.46 * strip.long, 0.46 * strip.long, _STEP_PX)
    inward = [*(d / mm_per_px for d in _DEPTHS_MM), strip.wide / 2]
    across = np.array([-strip.along[1], strip.along[0]])
    light = []
    for depth in inward:
        t = np.polyval(line, s) - side * depth
        at = (strip.middle + s[:, None] * strip.along + t[:, None] * across).astype(np.float32)
        seen = np.asarray(
            cv2.remap(pixels, at[:, :1], at[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        ).reshape(len(s), -1)
        value = SRGB_TO_LINEAR[seen].mean(axis=1)
        light.append(value - cv2.blur(value[:, None], (1, max(3, round(3 * _WIDEST_MM / mm_per_px / _STEP_PX))))[:, 0])
    window = round(_WINDOW_MM / mm_per_px / _STEP_PX)
    first, last = max(_FINEST_MM / mm_per_px, _FINEST_PX) / _STEP_PX, _WIDEST_MM / mm_per_px / _STEP_PX
    periods = []
    windows = range(0, len(s) - window + 1, max(1, window // 2))
    for start in windows:
        part = np.stack([v[start : start + window] for v in light])
        period = _period(part[:-1].mean(axis=0), first, last)
        if not period or _alike(part[0], part[-2]) < _ALIKE:
            continue
        goes_on = _period(part[-1], first, last)
        if not (goes_on and abs(goes_on / period - 1.0) < _SAME and part[-1].std() > _ALIKE * part[:-1].std()):
            periods.append(period)
    if len(periods) < max(_FEWEST_WINDOWS, 0.6 * len(windows)):
        return False
    usual = float(np.median(periods))
    return float((np.abs(np.array(periods) / usual - 1.0) < _SAME).mean()) > 0.7


def _alike(one: NDArray[np.floating], other: NDArray[np.floating]) -> float:
    one, other = one - one.mean(), other - other.mean()
    return float(one @ other / max(1e-9, float(np.sqrt((one @ one) * (other @ other)))))


def _period(light: NDArray[np.floating], first: float, last: float) -> float:
    """Return after how many samples light repeats, 0 where it does not."""
    n = len(light)
    x = (light - light.mean()) * np.hanning(n)
    own = np.fft.irfft(np.abs(np.fft.rfft(x, 2 * n)) ** 2)[: n // 2]
    window = np.fft.irfft(np.abs(np.fft.rfft(np.hanning(n), 2 * n)) ** 2)[: n // 2]
    repeat = own / max(float(own[0]), 1e-12) / (window / window[0])
    lags = np.arange(1, len(repeat) - 1)
    peak = lags[(repeat[1:-1] >= repeat[:-2]) & (repeat[1:-1] > repeat[2:]) & (lags >= first) & (lags <= last)]
    if not len(peak) or repeat[peak].max() < _REGULAR:
        return 0.0
    return float(peak[repeat[peak] > 0.6 * repeat[peak].max()][0])
