"""Every how many lines of a mat's grid a figure stands at its border.

A mat is counted in inches or in centimetres, whatever the distance of its lines: so the figures tell the pitch where
the lines do not, as of a lattice of 36 x 24 cells every fourth line of which is heavier.

Limits: no figure is read. Where figures are so close that they leave no room between them, nothing is told.
"""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.picture import MmPoints
from calibration.references.mat.grow import GridPicture, Lattice

Array = NDArray[np.float64]

_EVERY = (1, 2, 4, 5, 8, 10)
_STEPS = 32
"""Samples to a cell."""
_FROM, _TO, _BAND, _BAND_STEP = 0.05, 1.7, 0.16, 0.06
"""Figures are sought so far outside of the border, in bands so deep (cells: 4 mm of an inch)."""
_ASIDE = 0.2
"""So near to a line's end lies what stands at it, and so near to the middle between two what stands there."""
_GOES_ON = 0.4
"""A line that is seen so far beyond the border ends elsewhere, cells; figures do not reach from the border so far."""
_STROKE = 0.2
"""The strokes of figures are thinner, cells; and light is compared over so much."""
_AS_CLEAR, _INKED = 0.3, 0.012
"""Figures are at least this part as clear as the lines, and cover this part of where they stand."""
_FEWEST, _AT, _ELSEWHERE = 4, 0.8, 0.15
"""So many line ends have figures, this part of those of which one is expected, and hardly any others (judgement)."""


def figures_every(picture: GridPicture, lattice: Lattice) -> int | None:
    """Return every how many lines a figure stands at the border; None where that is not plain.

    Parameters
    ----------
    picture : GridPicture
    lattice : Lattice
    """
    told: Counter[int] = Counter()
    for axis in (0, 1):
        low, high = int(lattice.nodes[:, axis].min()), int(lattice.nodes[:, axis].max())
        for edge, outward in ((low, -1), (high, 1)):
            side = _along_side(picture, lattice, axis, edge, outward)
            if side is not None:
                told[side] += 1
    if not told:
        return None
    (best, count), *others = told.most_common()
    return best if not others or count > others[0][1] else None


def _along_side(picture: GridPicture, lattice: Lattice, axis: int, edge: int, outward: int) -> int | None:
    """Return every how many lines one side of the border has a figure."""
    first, last = int(lattice.nodes[:, 1 - axis].min()), int(lattice.nodes[:, 1 - axis].max())
    along = np.arange(first - 0.5, last + 0.5, 1 / _STEPS)
    away = np.arange(_FROM, _TO, 1 / _STEPS)
    across = np.broadcast_to((edge + outward * away)[:, None], (len(away), len(along)))
    pair = (across, np.broadcast_to(along, across.shape))
    points = np.stack(pair if axis == 0 else pair[::-1], axis=-1).reshape(-1, 2)
    px = np.asarray(lattice.fit.plane.to_px(MmPoints(points)), dtype=np.float32).reshape(*across.shape, 2)
    rows, columns = picture.light.shape
    inside = ((px >= 1) & (px < np.array([columns - 2, rows - 2]))).all(axis=2)
    x, y = (np.ascontiguousarray(px[..., k]) for k in (0, 1))
    light = np.asarray(
        np.concatenate([cv2.remap(picture.light, a, b, cv2.INTER_LINEAR) for a, b in zip(x, y, strict=True)], axis=1)
    ).reshape(across.shape)
    height = float(np.median(lattice.stretches.heights[lattice.present]))
    reach = 2 * int(_STROKE * _STEPS / 2) + 1
    kernel = np.ones((reach, reach), np.uint8)
    kind = cv2.MORPH_TOPHAT if lattice.light_on_dark else cv2.MORPH_BLACKHAT
    inked = np.asarray(cv2.morphologyEx(light, kind, kernel) > _AS_CLEAR * height, dtype=np.float64)
    inked[~inside] = np.nan
    count = last - first + 1
    half = int(_ASIDE * _STEPS)
    at = (np.arange(count) * _STEPS + _STEPS // 2)[:, None] + np.arange(-half, half + 1)
    near = (away < _GOES_ON) & (away > _FROM)
    onward = inked[near][:, at[:, half - 1 : half + 2]].max(axis=2).mean(axis=0)
    # Where lines go on beyond what was found of the grid they stand at every line's end themselves.
    if np.isfinite(onward).any() and (onward[np.isfinite(onward)] > _AT).mean() > _ELSEWHERE:
        return None
    between = (np.arange(1, count) * _STEPS)[:, None] + np.arange(-half, half + 1)
    found: Counter[int] = Counter()
    band = int(_BAND * _STEPS)
    for top in range(0, len(away) - band, max(1, int(_BAND_STEP * _STEPS))):
        part = inked[top : top + band]
        # What is not in the picture makes its place unknown.
        there, elsewhere = (
            np.where(np.isnan(s), np.nan, s > _INKED) for s in (_share(part, at), _share(part, between))
        )
        # So is what stands at a line of which it is not seen whether it ends.
        there[np.isnan(onward)] = np.nan
        every = _regular(there, first, elsewhere)
        if every is not None:
            found[every] += 1
    return found.most_common(1)[0][0] if found else None


def _share(inked: Array, at: NDArray[np.intp]) -> Array:
    return np.asarray(inked[:, np.minimum(at, inked.shape[1] - 1)].mean(axis=(0, 2)))


def _regular(there: Array, first: int, elsewhere: Array) -> int | None:
    """Return every how many places something is there, and nowhere else; NaN where it is not known."""
    clear = elsewhere[np.isfinite(elsewhere)]
    if len(clear) < _FEWEST or clear.mean() > _ELSEWHERE:
        return None
    known = np.isfinite(there)
    numbers, seen = np.flatnonzero(known) + first, there[known]
    for every in _EVERY:
        phases = numbers % every
        mine, inked = (np.bincount(phases, weights, minlength=every) for weights in (None, seen))
        rest = len(seen) - mine
        expected = (mine >= _FEWEST) & (inked >= _AT * mine)
        if (expected & (seen.sum() - inked <= _ELSEWHERE * rest)).any():
            return every
    return None
