"""The figures of a ruler: it is counted by them, and rows of strokes that are no ruler have none.

Strokes of which every fifth or every second is longer are pleats, fringes, borders and tallies as well. Along a ruler
figures stand at the longest ticks, every centimetre or inch (common practice, no source); at the ticks in the middle
between them stands nothing.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from calibration.references.ruler.graduation import Graduation
from calibration.references.ruler.ticks import Ticks

Array = NDArray[np.float64]

_LONGEST = 4.0
_AS_LONG = 0.12
"""Ticks so much shorter than the longest, in heights of the shortest, may be the longest all the same."""
_CLEAR_OF_TICKS, _DEEPER = 1.15, 2.2
"""Figures are sought from beyond the ticks beside them to this many heights of the shortest beyond the longest: inches
stand beside their ticks, centimetres beyond them (common practice, no source)."""
_ASIDE, _CLEAR_OF_MAJOR = 2.0, 0.45
"""And so many ticks to both sides of the longest, but not on it (judgement; a quarter of eight is two)."""
_MIDDLE = 0.1
"""In the middle between two of the longest so much of their distance is looked at to both sides (judgement)."""
_STEP_PX = 0.7
_POINTS_AT_ONCE = 16384
_AS_DARK = 0.4
"""Figures are at least this part as dark as the ticks."""
_LEAST_INK = 1.0
"""Of a figure is at least so much ink, px for each px of the shortest ticks' height: a one is some 3 px wide and half
as high as they are (judgement)."""
_FEWEST, _SHARE, _BETWEEN = 2, 0.4, 0.5
"""So many of the longest ticks, and this share of all, have figures; of those in the middle between this part as many
at most have anything."""


def has_figures(grey: NDArray[np.uint8], ticks: Ticks, graduation: Graduation) -> bool:
    """Whether figures stand at the longest ticks of a row."""
    every = graduation.levels[-1]
    lengths = np.nan_to_num(ticks.lengths, nan=_LONGEST)
    phases = [lengths[ticks.numbers % every == phase] for phase in range(every)]
    middles = np.array([np.median(some) if len(some) else 0.0 for some in phases])
    majors = np.nonzero(middles > middles.max() - _AS_LONG)[0]
    return any(_has_them_at(grey, ticks, every, int(major), middles) for major in majors)


def _has_them_at(grey: NDArray[np.uint8], ticks: Ticks, every: int, major: int, lengths: Array) -> bool:
    near = [o for o in range(-int(_ASIDE), int(_ASIDE) + 1) if o != 0]
    others = [lengths[(at + o) % every] for at in (major, major + every // 2) for o in near]
    low = _CLEAR_OF_TICKS * float(max(others)) * ticks.short_px
    high = (float(lengths[major]) + _DEEPER) * ticks.short_px
    steps = int(_ASIDE * ticks.period_px / _STEP_PX)
    aside = np.linspace(-_ASIDE, _ASIDE, 2 * steps + 1)
    depth = np.arange(low, high, _STEP_PX)
    if len(depth) < 4:
        return False
    beyond = depth > _CLEAR_OF_TICKS * float(lengths[major]) * ticks.short_px
    beside = (np.abs(aside)[:, None] > _CLEAR_OF_MAJOR) | beyond
    numbers = ticks.numbers[ticks.numbers % every == major]
    inked = _inked(grey, ticks, np.stack([numbers, numbers + every // 2]), every, aside, depth, beside)
    there, between = (int((some > 0).sum()) for some in inked)
    whole, halves = (int(np.isfinite(some).sum()) for some in inked)
    return there >= max(_FEWEST, _SHARE * whole) and between / max(halves, 1) <= _BETWEEN * there / max(whole, 1)


def _inked(
    grey: NDArray[np.uint8],
    ticks: Ticks,
    numbers: NDArray[np.intp],
    every: int,
    aside: Array,
    depth: Array,
    beside: NDArray[np.bool_],
) -> Array:
    """Return whether ticks have something of their colour beside their tips: 1, 0, NaN where out of view.

    ``numbers`` holds the longest ticks and those in the middle between them, (2, K). What is as dark all along is grain
    of wood or a printed line: at each depth the ground is what both have.
    """
    scale = max(1.0, float(np.ptp(ticks.numbers)) / 2)
    middle = float(ticks.numbers.mean())
    curves = [np.polyfit((ticks.numbers - middle) / scale, side, 3) for side in ticks.points_px.T]
    along = ticks.far_px[1] - ticks.far_px[0]
    inward = np.array([-along[1], along[0]]) / np.hypot(*along)
    inward *= np.sign((ticks.far_px.mean(axis=0) - ticks.points_px.mean(axis=0)) @ inward)

    def edge(at: Array) -> Array:
        return np.stack([np.polyval(curve, (at - middle) / scale) for curve in curves], axis=-1)

    def light(points: Array) -> Array:
        flat = points.astype(np.float32).reshape(-1, 2)
        # OpenCV takes no longer rows than that; of ticks far apart there are more points.
        parts = [
            cv2.remap(grey, part[:, :1], part[:, 1:], cv2.INTER_LINEAR)
            for part in np.array_split(flat, len(flat) // _POINTS_AT_ONCE + 1)
        ]
        return np.asarray(SRGB_TO_LINEAR[np.concatenate(parts).reshape(points.shape[:-1])], dtype=np.float64)

    tall = np.linspace(0.3, 0.7, 9)[:, None] * ticks.short_px * inward
    strokes = edge(ticks.numbers.astype(np.float64))[:, None] + tall
    gaps = edge(ticks.numbers.astype(np.float64) + 0.5)[:, None] + tall
    contrast = float(np.median(np.median(light(gaps), axis=1) - np.median(light(strokes), axis=1)))
    boxes = edge(numbers[..., None] + aside)[..., None, :] + (depth[:, None] * inward)
    seen = ((boxes > 1) & (boxes < np.array(grey.shape[::-1]) - 2)).all(axis=(2, 3, 4))
    values = np.full(boxes.shape[:-1], np.nan)
    values[seen] = np.where(beside, np.sign(contrast) * light(boxes[seen]), np.nan)
    # Figures of three digits reach far: between them only the middle is free.
    values[1, :, np.abs(aside) > _MIDDLE * every] = np.nan
    found = np.full(numbers.shape, np.nan)
    for k in np.flatnonzero(seen.any(axis=0)):
        both = values[seen[:, k], k]
        # Nothing is looked at where a long tick stands alone.
        ground = np.nanpercentile(both.reshape(-1, len(depth)), 75, axis=0)
        inked = (ground - both > _AS_DARK * abs(contrast)).sum(axis=(1, 2)) * _STEP_PX**2
        found[seen[:, k], k] = inked > _LEAST_INK * ticks.short_px
    return found
