"""How far points stray from their neighbours, beside how far all of them may be off together.

What a point of an outline is uncertain by is mostly what its neighbours are uncertain by too: a shadow that may be a
part of the thing, a colour that is hardly its own. That moves a line, and changes no turn of it. Whether it turns is
told by how far points stray from what their neighbours say: the rest of a local fit.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.curves.local_fit import Points, smoothed

_WINDOW_MM, _LEAST_WINDOW = 5.0, 9
"""Length of the local cubic, mm and points."""
_AROUND_MM = 10.0
"""So far on both sides the scatter is taken to be the same (our own choice)."""
_OUTLIERS = 4.0
"""Corners leave rests of more than so many usual ones."""
_WELL_KNOWN_PX = 0.1
"""Points that are known this well, in steps of the evidence, are not looked into: their uncertainty is scatter."""


def scatter_of(
    points: Points, sigma: NDArray[np.float64], seen: NDArray[np.bool_], *, spacing_mm: float, closed: bool
) -> NDArray[np.float64]:
    """Return the standard uncertainty of each point beside its neighbours, at most ``sigma``, mm, shape (N,)."""
    window = max(round(_WINDOW_MM / spacing_mm) | 1, _LEAST_WINDOW)
    doubted = seen & (sigma > _WELL_KNOWN_PX * spacing_mm)
    if not doubted.any() or len(points) < 2 * window:
        return sigma
    middle, slope = smoothed(points, window, 3, ring=closed)
    across = np.stack([-slope[:, 1], slope[:, 0]], axis=1) / np.maximum(np.hypot(*slope.T), 1e-12)[:, None]
    rest = np.abs(((points - middle) * across).sum(axis=1))
    around = round(_AROUND_MM / spacing_mm)
    mode: Literal["wrap", "nearest"] = "wrap" if closed else "nearest"
    usual = 1.4826 * ndimage.percentile_filter(rest, 50, size=2 * around + 1, mode=mode)
    counted = (seen & (rest <= _OUTLIERS * usual)).astype(np.float64)
    squares = ndimage.uniform_filter1d(rest**2 * counted, 2 * around + 1, mode=mode)
    share = ndimage.uniform_filter1d(counted, 2 * around + 1, mode=mode)
    # A cubic takes its share of the scatter with it.
    scatter = np.sqrt(np.maximum(squares, 0.0) / np.maximum(share, 1e-9) / (1 - 9 / (4 * window)))
    scatter = np.maximum(scatter, _WELL_KNOWN_PX * spacing_mm)
    return np.where(doubted & (share > 0.1), np.minimum(scatter, sigma), sigma)
