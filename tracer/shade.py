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
from tracer.profiles import Points, running_median, smooth_closed

_ALONG_PX = 7
_REACH_PX = 3.5
_UNSEEN_PX = 0.06
"""Differences up to this are not told from noise where they are local; a clean edge stays where it was read."""
_WIDE_PX, _UNSEEN_WIDE_PX = 60.0, 0.03
"""A shadow that lies along a whole side is known from so many more profiles (a standard deviation along the line), and
told from noise so much earlier: on scans and photos of card in nine colours the differences along whole outlines were
within 0.03 px of the true ones, and up to 0.25 px."""
_SLANT_REACH, _SLANT = 20, 0.02
"""Points before and after between which a direction is read, and the slope at which a line crosses two rows within the
reach of what is averaged."""


def shade_shift(
    profiles: NDArray[np.floating],
    offsets: NDArray[np.float64],
    found: NDArray[np.float64],
    valid: NDArray[np.bool_],
    *,
    at_px: Points | None = None,
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
    at_px : ndarray, shape (N, 2), or None
        Where the profiles were taken. A side along the rows or columns of the picture lies everywhere alike between its
        pixels, and what sampling does to it does not average out. None where that is not known.
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
    # By the median: around corners the profile is that of two sides.
    wide = smooth_closed(running_median(raw, int(_WIDE_PX)), _WIDE_PX / 2)
    unseen = np.where(_slanting(at_px), _UNSEEN_WIDE_PX, _UNSEEN_PX) if at_px is not None else _UNSEEN_PX
    shift = _that_shows(wide, unseen) + _that_shows(smooth - wide, _UNSEEN_PX)
    return np.asarray(np.clip(shift, -most_px, most_px))


def _slanting(at_px: Points) -> NDArray[np.bool_]:
    """Say where a closed line of points runs neither along the rows nor along the columns."""
    way = np.roll(at_px, -_SLANT_REACH, axis=0) - np.roll(at_px, _SLANT_REACH, axis=0)
    slope = np.abs(way).min(axis=1) / np.maximum(np.abs(way).max(axis=1), 1e-9)
    return np.asarray(running_median(slope, int(_WIDE_PX) // 2) > _SLANT)


def _that_shows(difference: NDArray[np.float64], unseen_px: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return differences without what may be noise.

    A large difference is taken almost whole (Breiman's non-negative garrote): to take the threshold off every one would
    leave all edges beside a shadow off by as much.
    """
    return np.asarray(difference * np.maximum(1.0 - (unseen_px / np.maximum(np.abs(difference), 1e-9)) ** 2, 0.0))
