"""Edges beside their own soft shadow.

A thing that does not lie quite flat darkens the ground next to it. The light then climbs on for several pixels beyond
the edge, and halfway between the levels of the two sides lies outside of it: by 0.2 to 0.4 px on flatbed scans of
leaves. The steepest place of the climb is where the edge is (the lens blurs it evenly both ways), however slowly the
shadow fades beyond. It is noisier than the half level, so only its smooth difference from that is used, and only where
it shows.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.profiles import running_median, smooth_closed

_ALONG_PX = 7
_NEAR_PX = 2.0
_PEAK_PX = 1.25
_UNSEEN_PX = 0.04
"""Differences up to this are not told from noise and left alone; a clean edge stays exactly where it was read."""

_MOST_PX = 1.0


def shade_shift(
    profiles: NDArray[np.floating],
    offsets: NDArray[np.float64],
    found: NDArray[np.float64],
    valid: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return by how much edges read at the half level must move to lie at the steepest place, px along the normal.

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

    Returns
    -------
    ndarray, shape (N,)
        Zero where the difference does not stand out; smooth along the line.
    """
    if not valid.any():
        return np.zeros(len(found))
    step = float(offsets[1] - offsets[0])
    # Every profile is brought to its own edge first, so that averaging along the line does not blur it.
    reach = int(np.floor((np.abs(offsets).max() - _MOST_PX) / step))
    grid = np.arange(-reach, reach + 1) * step
    rows = np.arange(len(profiles), dtype=np.float64)[:, None]
    columns = (np.clip(found, -_MOST_PX, _MOST_PX)[:, None] + grid[None, :] - offsets[0]) / step
    aligned = ndimage.map_coordinates(
        np.asarray(profiles, dtype=np.float64), [np.broadcast_to(rows, columns.shape), columns], order=1, mode="nearest"
    )
    weight = valid.astype(np.float64)[:, None]
    mass = ndimage.uniform_filter1d(weight, 2 * _ALONG_PX + 1, axis=0, mode="wrap")
    mean = ndimage.uniform_filter1d(aligned * weight, 2 * _ALONG_PX + 1, axis=0, mode="wrap") / np.maximum(mass, 1e-6)
    slope = np.gradient(mean, step, axis=1)
    near = np.abs(grid) <= _NEAR_PX
    slope, place = slope[:, near], grid[near]
    top = np.argmax(slope, axis=1)
    peak = slope[np.arange(len(slope)), top]
    around = np.abs(place[None, :] - place[top][:, None]) <= _PEAK_PX
    share = np.where(around, np.maximum(slope - 0.5 * peak[:, None], 0.0), 0.0)
    total = share.sum(axis=1)
    usable = valid & (mass[:, 0] > 0.3) & (total > 0)
    if not usable.any():
        return np.zeros(len(found))
    raw = np.where(usable, (share * place).sum(axis=1) / np.where(total > 0, total, 1.0), 0.0)
    index = np.arange(len(raw))
    raw = np.interp(index, index[usable], raw[usable], period=len(raw))
    smooth = smooth_closed(running_median(raw, 2 * _ALONG_PX), float(_ALONG_PX))
    shift = np.sign(smooth) * np.maximum(np.abs(smooth) - _UNSEEN_PX, 0.0)
    return np.asarray(np.clip(shift, -_MOST_PX, _MOST_PX))
