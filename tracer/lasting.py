"""Means of readings along a line, over as much of it as the readings agree on.

An error of an outline goes on for centimetres, the scatter of the readings changes from millimetre to millimetre. A
mean over a millimetre shows every place where the line leaves the outline, and mostly scatter along a good one (ten
times the error of outlines that are within some micrometres of their line); a mean over a centimetre passes over what
is short. So at each place the longest window is taken whose mean agrees with those of all the shorter ones within
their uncertainties, which adapts to what is there.

Source: Goldenshluger and Nemirovski, "On spatially adaptive estimation of nonparametric regression", 1997 (the
intersection of confidence intervals).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_WINDOWS_MM = (1.0, 2.0, 4.0, 8.0)
_AGREE = 3.0
"""Means agree within so many of the shorter one's standard uncertainties: some hundred places are asked of each."""
_FALLS = 0.25
"""The scatter of a mean falls with this power of its length. Grain, ragged edges and coded blocks last; independent
readings would have a half (0.2 to 0.35 on thirty rendered outlines of paper and card, 1 to 16 mm)."""
_SUREST_MM = 1e-4
_OWN_SHARE, _JOINT = 0.5, 2.0
"""Where what lies within the shortest window has less than so much of the weight that evenly sure readings would have,
a mean tells mostly of places farther off, which are surer. It must then agree with the shorter one within so many of
the standard uncertainties of their difference (judgement)."""
_FEWEST = 20


def lasting_mean(
    error: Floats, sigma: Floats, valid: Flags, arms: NDArray[np.intp], spacing_mm: float
) -> tuple[Floats, Floats]:
    """Return the mean of readings around each place of a closed line, and its standard uncertainty.

    Parameters
    ----------
    error : ndarray, shape (N,)
        Readings at even steps along the line.
    sigma : ndarray, shape (N,)
        Standard uncertainty of each; their scatter over a millimetre gives that of its mean.
    valid : ndarray of bool, shape (N,)
        Readings that count. Where there are none nearby, the means are carried on from both sides.
    arms : ndarray of int, shape (N,)
        Number of the smooth arm of each place: no mean reaches across a corner.
    spacing_mm : float
        Distance of the places.
    """
    mean, doubt = np.zeros_like(error), np.zeros_like(error)
    for pick in each_arm(arms):
        if not valid[pick].any():
            doubt[pick] = float(np.std(error[valid])) if valid.any() else np.inf
            continue
        around = len(pick) == len(error)
        found, its_doubt = _of_arm(error[pick], sigma[pick], valid[pick], spacing_mm, around=around)
        known = np.flatnonzero(np.isfinite(found) & valid[pick])
        place, period = np.arange(len(pick)), len(pick) if around else None
        mean[pick] = np.interp(place, known, found[known], period=period)
        doubt[pick] = np.interp(place, known, its_doubt[known], period=period)
    return mean, doubt


def each_arm(arms: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Return the places of each arm of a closed line in their order, also where one goes on over its beginning."""
    out = []
    for arm in np.unique(arms):
        pick = np.flatnonzero(arms == arm)
        gaps = np.flatnonzero(np.diff(pick) > 1)
        out.append(np.roll(pick, -int(gaps[0]) - 1) if len(gaps) else pick)
    return out


def _of_arm(error: Floats, sigma: Floats, valid: Flags, spacing_mm: float, *, around: bool) -> tuple[Floats, Floats]:
    weight = np.where(valid, 1 / np.maximum(sigma, _SUREST_MM) ** 2, 0.0)
    counted = valid.astype(np.float64)
    mean, doubt = np.full(len(error), np.nan), np.full(len(error), np.nan)
    low, high = np.full(len(error), -np.inf), np.full(len(error), np.inf)
    going, own = np.ones(len(error), dtype=bool), None
    for length in _WINDOWS_MM:
        size = max(3, round(length / spacing_mm) | 1)
        total = _sums(weight, size, around=around)
        its_mean = _sums(weight * error, size, around=around) / np.maximum(total, 1e-300)
        # As independent readings would have it, and by so much more as the scatter falls more slowly.
        its_doubt = np.sqrt(1 / np.maximum(total, 1e-300)) * max(length, 1.0) ** (0.5 - _FALLS)
        new_low = np.maximum(low, its_mean - _AGREE * its_doubt)
        new_high = np.minimum(high, its_mean + _AGREE * its_doubt)
        there = _sums(counted, size, around=around) > 0.5
        if own is None:
            own = total / size
        of_others = (own < _OWN_SHARE * total / size) & (np.abs(its_mean - mean) > _JOINT * np.hypot(its_doubt, doubt))
        agrees = going & there & (new_low <= new_high) & ~of_others
        mean, doubt = np.where(agrees, its_mean, mean), np.where(agrees, its_doubt, doubt)
        low, high = np.where(agrees, new_low, low), np.where(agrees, new_high, high)
        going &= agrees | ~there
    return mean, doubt


def _sums(values: Floats, size: int, *, around: bool) -> Floats:
    """Return sums over centred windows; beyond the ends of an open arm there is nothing."""
    size = min(size, 2 * len(values) - 1)
    mode: Literal["wrap", "constant"] = "wrap" if around and len(values) > size else "constant"
    return np.asarray(ndimage.uniform_filter1d(values, size, mode=mode) * size)


def scatter_of_reading(error: Floats, valid: Flags, spacing_mm: float) -> float:
    """Return the standard uncertainty of one reading such that the mean over a millimetre has what means differ by.

    By the differences of neighbouring millimetres along a closed line, in which a lasting error does not show; 0 where
    too few can be compared.
    """
    size = max(3, round(1.0 / spacing_mm) | 1)
    share = ndimage.uniform_filter1d(valid.astype(np.float64), size, mode="wrap")
    mean = ndimage.uniform_filter1d(np.where(valid, error, 0.0), size, mode="wrap") / np.maximum(share, 1e-9)
    whole = share > 0.8
    both = whole & np.roll(whole, -size)
    if both.sum() < _FEWEST:
        return 0.0
    apart = (np.roll(mean, -size) - mean)[both]
    return float(1.4826 * np.median(np.abs(apart)) * np.sqrt(size / 2))
