"""Where a thing ends that darkens the ground beside it.

A thing that does not lie quite flat casts a soft shadow. The light then climbs (or, beside a bright thing, falls) on
for several pixels beyond the edge, and halfway between the levels of the two sides lies beside it. Nor is the steepest
place the edge when the ground's light still changes within the blur. So the whole profile is fitted: a level on the
thing, a step, and beyond it a level that changes evenly with the distance, all blurred by the lens (a Gaussian, whose
width is one for all the profiles of an outline).

Limit: a shadow that fades within about the blur cannot be told from the edge.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]

_PLACE_STEP_PX = 0.1
_BLURS_PX = tuple(float(b) for b in np.geomspace(0.45, 2.4, 25))
_SOME = 200


def _shapes(grid_px: Floats, places_px: Floats, blur_px: float) -> Floats:
    """Columns (places, M, 3) of the model: a level, a blurred step at a place, a blurred ramp that begins there."""
    t = (grid_px - places_px[:, None]) / blur_px
    step = special.ndtr(t)
    bell = np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
    return np.stack([np.ones_like(t), step, blur_px * (t * step + bell)], axis=2)


@lru_cache(maxsize=128)
def _bases(grid_px: tuple[float, ...], places_px: tuple[float, ...], blur_px: float) -> Floats:
    """Orthonormal bases of the model, those of all places side by side, shape (M, 3 * places)."""
    bases = np.linalg.qr(_shapes(np.asarray(grid_px), np.asarray(places_px), blur_px))[0]
    return np.ascontiguousarray(np.concatenate(list(bases), axis=1))


def _misfits(profiles: Floats, bases: Floats) -> Floats:
    """Sum of squares that each place of the edge leaves of each profile, shape (N, places)."""
    told = (profiles @ bases).reshape(len(profiles), -1, 3)
    # One product for all places: a hundred small ones cost more than what they compute.
    return np.asarray((profiles**2).sum(axis=1)[:, None] - np.einsum("npk,npk->np", told, told))


def _best(misfit: Floats, places: Floats) -> Floats:
    """Place of the least misfit, between the tried ones by a parabola; NaN at the ends of what was tried."""
    best = np.argmin(misfit, axis=1)
    inside = (best > 0) & (best < len(places) - 1)
    i = np.clip(best, 1, len(places) - 2)
    row = np.arange(len(misfit))
    a, b, c = misfit[row, i - 1], misfit[row, i], misfit[row, i + 1]
    bend = np.maximum(a - 2 * b + c, 1e-30)
    return np.where(inside, places[i] + np.clip(0.5 * (a - c) / bend, -1, 1) * _PLACE_STEP_PX, np.nan)


def edge_places(profiles: NDArray[np.floating], grid_px: Floats, *, most_px: float) -> Floats:
    """Return where the edge lies in each profile, px from the middle of the grid; NaN where that is not within reach.

    Parameters
    ----------
    profiles : ndarray, shape (N, M)
        Linear light from the thing (first column) to the ground (last column).
    grid_px : ndarray, shape (M,)
        Where the samples are, about zero.
    most_px : float
        How far from zero the edge may lie.
    """
    values = np.asarray(profiles, dtype=np.float64)
    if len(values) == 0:
        return np.zeros(0)
    # A sum of squares of small differences of large numbers would lose digits.
    values = values - values[:, :1]
    places = np.arange(-most_px, most_px + 0.001, _PLACE_STEP_PX, dtype=np.float64)
    grid, tried = tuple(float(v) for v in grid_px), tuple(float(v) for v in places)
    some = values[:: max(1, len(values) // _SOME)]
    blur = min(_BLURS_PX, key=lambda b: float(np.median(_misfits(some, _bases(grid, tried, b)).min(axis=1))))
    return _best(_misfits(values, _bases(grid, tried, blur)), places)
