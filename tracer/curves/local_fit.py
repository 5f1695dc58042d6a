"""Smoothing by local polynomials on evenly spaced points.

The value and slope at each point are those of the polynomial fitted by least squares to the window around it; on evenly
spaced points that is one fixed set of weights (Savitzky and Golay 1964, Analytical Chemistry 36 (8), 1627-1639). At the
ends of an open run the polynomial of the first or last whole window is used.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


def smoothed(points: Points, window: int, degree: int, *, ring: bool) -> tuple[Points, Points]:
    """Return the smoothed points and their slopes per step.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        Evenly spaced; of a ring, the first one is not repeated at the end.
    window : int
        Points in the window: odd, at most N.
    degree : int
        Of the polynomial, less than ``window``.
    ring : bool
        Whether the first point follows the last one.

    Returns
    -------
    tuple of ndarray, each of shape (N, 2)
    """
    half = window // 2
    basis = _basis(window, degree)
    padded = np.take(points, np.arange(-half, len(points) + half), axis=0, mode="wrap") if ring else points
    windows = np.lib.stride_tricks.sliding_window_view(padded, window, axis=0)
    inner, slope = windows @ basis[0], windows @ basis[1]
    if ring:
        return inner, slope
    # Of the ends: rows are the coefficients of the polynomial of the first and the last window.
    first, last = basis[: degree + 1] @ points[:window], basis[: degree + 1] @ points[-window:]
    powers = np.arange(degree + 1)
    before, behind = np.arange(-half, 0.0)[:, None], np.arange(1.0, half + 1.0)[:, None]

    def at(u: Points, coefficients: Points) -> tuple[Points, Points]:
        rates = powers * u ** np.maximum(powers - 1, 0)
        return u**powers @ coefficients, rates @ coefficients

    heads, tails = at(before, first), at(behind, last)
    return np.vstack([heads[0], inner, tails[0]]), np.vstack([heads[1], slope, tails[1]])


@lru_cache(maxsize=64)
def _basis(window: int, degree: int) -> Points:
    """Weights of the window's points for each coefficient of the polynomial about its middle, (degree + 1, window)."""
    steps = np.arange(window, dtype=np.float64) - window // 2
    return np.asarray(np.linalg.pinv(steps[:, None] ** np.arange(degree + 1)))
