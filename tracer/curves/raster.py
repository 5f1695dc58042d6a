"""How much each millimetre of a line tells of its own, beside the raster through which it was seen.

Where a line runs nearly along the rows or columns of a picture it crosses few pixels, and what it is misread by goes on
until it has crossed one: renderers count the pixels that a line cuts in steps, scanners mix light and codes.
Along sides of 560 mm in drawings and scans by four renderers such errors were 0.02 to 0.13 px and lasted 10 to 80 mm.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

_STEP_MM, _OVER_MM = 5.0, 20.0
"""Over what way a line's direction is read, and over how long a part of it the pixels are counted (our own choice)."""
_PHASES = 1.5
"""Observations of their own a pixel that is crossed: a wave of errors has two halves, and where JPEG's blocks of eight
pixels meet errors last longer (judgement; with 4 the waves were followed still, with 1 to 2 they are not)."""


def own_share(points_px: NDArray[np.float64], *, spacing_mm: float, closed: bool) -> NDArray[np.float64]:
    """Return how many observations of its own each millimetre of a line is, from 0.05 to 1, shape (N,).

    Parameters
    ----------
    points_px : ndarray, shape (N, 2)
        Points of the line, evenly spaced, pixels of the picture.
    spacing_mm : float
        Their distance, mm.
    closed : bool
    """
    n = len(points_px)
    half = max(1, min(round(_STEP_MM / spacing_mm / 2), n // 4))
    at = np.arange(n)
    ahead, behind = at + half, at - half
    ahead, behind = (ahead % n, behind % n) if closed else (np.minimum(ahead, n - 1), np.maximum(behind, 0))
    way_mm = np.maximum((ahead - behind) % n, 1)[:, None] * spacing_mm
    crossed = np.abs(points_px[ahead] - points_px[behind]) / way_mm
    over = max(1, min(round(_OVER_MM / spacing_mm), n))
    crossed = ndimage.uniform_filter1d(crossed, over, axis=0, mode="wrap" if closed else "nearest")
    return np.asarray(np.clip(_PHASES * crossed.min(axis=1), 1 / _OVER_MM, 1.0))
