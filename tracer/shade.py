"""Edges beside their own soft shadow.

Halfway between the levels of the two sides lies beside the edge there: by 0.2 to 0.4 px on flatbed scans of leaves, as
much in photos of paper on a mat. What a fit of the whole profile says (:mod:`calibration.shaded_edge`) is noisier than
the half level, so only its smooth difference from that is used, and only where it shows.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calibration.shaded_edge import edge_places
from tracer.profiles import running_median, smooth_closed

_ALONG_PX = 7
_REACH_PX = 3.5
_UNSEEN_PX = 0.06
"""Differences up to this are not told from noise and left alone; a clean edge stays exactly where it was read."""


def shade_shift(
    profiles: NDArray[np.floating],
    offsets: NDArray[np.float64],
    found: NDArray[np.float64],
    valid: NDArray[np.bool_],
    *,
    most_px: float = 1.0,
) -> NDArray[np.float64]:
    """Return by how much edges read at the half level must move to lie where the whole profile says, px.

    Parameters
    ----------
    profiles : ndarray, shape (N, M)
        Linear light across the edge, rising outward.
    offsets : ndarray, shape (M,)
        Evenly spaced places of the samples, px.
    found : ndarray, shape (N,)
        Where the edge was read, px.
    valid : ndarray of bool, shape (N,)
        Which of them can be believed.
    most_px : float
        How far off they may be.

    Returns
    -------
    ndarray, shape (N,)
        Zero where the difference does not stand out; smooth along the line.
    """
    if not valid.any():
        return np.zeros(len(found))
    step = float(offsets[1] - offsets[0])
    # Every profile is brought to its own edge first, so that averaging along the line does not blur it.
    reach = int(np.floor((np.abs(offsets).max() - most_px) / step))
    grid = np.arange(-reach, reach + 1) * step
    rows = np.arange(len(profiles), dtype=np.float64)[:, None]
    columns = (np.clip(found, -most_px, most_px)[:, None] + grid[None, :] - offsets[0]) / step
    aligned = ndimage.map_coordinates(
        np.asarray(profiles, dtype=np.float64), [np.broadcast_to(rows, columns.shape), columns], order=1, mode="nearest"
    )
    weight = valid.astype(np.float64)[:, None]
    mass = ndimage.uniform_filter1d(weight, 2 * _ALONG_PX + 1, axis=0, mode="wrap")
    mean = ndimage.uniform_filter1d(aligned * weight, 2 * _ALONG_PX + 1, axis=0, mode="wrap") / np.maximum(mass, 1e-6)
    near = np.abs(grid) <= _REACH_PX
    usable = valid & (mass[:, 0] > 0.3)
    found_place = np.full(len(found), np.nan)
    found_place[usable] = edge_places(mean[usable][:, near], grid[near], most_px=most_px)
    usable = np.isfinite(found_place)
    if not usable.any():
        return np.zeros(len(found))
    raw = np.where(usable, found_place, 0.0)
    index = np.arange(len(raw))
    raw = np.interp(index, index[usable], raw[usable], period=len(raw))
    smooth = smooth_closed(running_median(raw, 2 * _ALONG_PX), float(_ALONG_PX))
    # A large difference is taken almost whole (Breiman's non-negative garrote): to take the threshold off every one
    # would leave all edges beside a shadow off by as much.
    shift = smooth * np.maximum(1.0 - (_UNSEEN_PX / np.maximum(np.abs(smooth), 1e-9)) ** 2, 0.0)
    return np.asarray(np.clip(shift, -most_px, most_px))
