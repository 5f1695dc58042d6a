"""Profiles of light across a line of points.

A profile is the signal at offsets along the normal of a point, in linear light, projected on the colour weights of the
outline. The picture may be of any size: pixels are decoded only in small tiles along the line, never as a whole.
Sub-pixel values are by bicubic interpolation *after* decoding (interpolating encoded values would move an edge).

Points run clockwise on screen (positive area with y down), so that the normal (dy, -dx) points outward.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calibration.light import SRGB_TO_LINEAR

Points = NDArray[np.float64]

_TILE_POINTS = 96
"""Points decoded together: near the least total tile area plus call overhead for lines a pixel a point (measured)."""
_MARGIN_PX = 3
"""Room that bicubic interpolation needs beyond the outermost sample."""


_GRID = 32
"""Positions within a pixel that the interpolation knows (OpenCV's fixed-point table)."""


def on_grid(points_px: Points) -> Points:
    """Return points moved to the nearest position that the interpolation can take exactly.

    Without this, all profiles across an upright edge would be off by the same rounding, up to 0.016 px.
    """
    return np.asarray(np.round(points_px * _GRID) / _GRID)


def closed_area(points: Points) -> float:
    """Return the signed area of a closed polygon (N, 2); positive is clockwise on screen."""
    x, y = points[:, 0], points[:, 1]
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def resample_closed(points: Points, spacing: float) -> tuple[Points, NDArray[np.float64]]:
    """Return a closed polygon's points equally spaced along it, and each one's position in the given points.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
    spacing : float
        Wanted distance, same unit; made a little different so that it divides the length.

    Returns
    -------
    points : ndarray, shape (M, 2)
    position : ndarray, shape (M,)
        Fractional index into the given points (N stands for the first one again).
    """
    ring = np.vstack([points, points[:1]])
    step = np.hypot(*np.diff(ring, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    count = max(8, round(along[-1] / spacing))
    at = np.arange(count) * (along[-1] / count)
    position = np.interp(at, along, np.arange(len(ring)))
    return np.stack([np.interp(at, along, ring[:, 0]), np.interp(at, along, ring[:, 1])], axis=1), position


def smooth_closed(values: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    """Return values along a closed line smoothed by a Gaussian (standard deviation in points)."""
    return np.asarray(ndimage.gaussian_filter1d(values, sigma, axis=0, mode="wrap", truncate=3.0))


def closed_normals(points: Points, reach: int = 2) -> Points:
    """Return unit normals (dy, -dx) of a closed line from the points ``reach`` before and after each."""
    along = np.roll(points, -reach, axis=0) - np.roll(points, reach, axis=0)
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)
    return np.stack([along[:, 1] / length, -along[:, 0] / length], axis=1)


def _tables(signal: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the light of each code: one column for luma, three for the colours."""
    if signal.shape[0] == 256:
        return np.asarray(signal, dtype=np.float32).reshape(256, -1)
    return np.asarray(SRGB_TO_LINEAR[:, None] * np.asarray(signal, dtype=np.float32)[None, :], dtype=np.float32)


def _decode_tile(tile: NDArray[np.uint8], tables: NDArray[np.float32]) -> NDArray[np.float32]:
    if tables.shape[1] == 1 and tile.ndim == 3:
        tile = np.asarray(cv2.cvtColor(tile, cv2.COLOR_RGB2GRAY))
    if tile.ndim == 2:
        return np.asarray(cv2.LUT(tile, tables.sum(axis=1)), dtype=np.float32)
    light = cv2.LUT(tile, tables[None])
    return np.asarray(cv2.transform(light, np.ones((1, 3), np.float32)), dtype=np.float32)


def sample_profiles(
    pixels: NDArray[np.uint8],
    points_px: Points,
    normals: Points,
    offsets_px: NDArray[np.float64],
    colour_weights: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Return the signal at each point plus each offset along its normal.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        sRGB-encoded picture.
    points_px, normals : ndarray, shape (N, 2)
        Neighbours in the array should be neighbours in the picture (else it is only slower).
    offsets_px : ndarray, shape (K,)
    colour_weights : ndarray, shape (3,) or (256,)
        Weights on linear R, G, B; or the light that each code of the luma stands for (ITU-R BT.601, as JPEG has it).

    Returns
    -------
    ndarray of float32, shape (N, K)
        Beyond the picture its border value is repeated.
    """
    rows, columns = pixels.shape[:2]
    tables = _tables(np.asarray(colour_weights))
    out = np.empty((len(points_px), len(offsets_px)), np.float32)
    reach = float(np.abs(offsets_px).max()) + _MARGIN_PX
    grid_x = (points_px[:, :1] + normals[:, :1] * offsets_px).astype(np.float32)
    grid_y = (points_px[:, 1:] + normals[:, 1:] * offsets_px).astype(np.float32)
    for start in range(0, len(points_px), _TILE_POINTS):
        part = slice(start, start + _TILE_POINTS)
        box = points_px[part]
        x0 = int(np.clip(np.floor(box[:, 0].min() - reach), 0, columns - 1))
        y0 = int(np.clip(np.floor(box[:, 1].min() - reach), 0, rows - 1))
        x1 = int(np.clip(np.ceil(box[:, 0].max() + reach) + 1, x0 + 1, columns))
        y1 = int(np.clip(np.ceil(box[:, 1].max() + reach) + 1, y0 + 1, rows))
        tile = _decode_tile(np.ascontiguousarray(pixels[y0:y1, x0:x1]), tables)
        out[part] = cv2.remap(
            tile, grid_x[part] - x0, grid_y[part] - y0, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
    return out


def running_median(values: NDArray[np.float64], half_width: int, *, thin: int = 4) -> NDArray[np.float64]:
    """Return the median over ``half_width`` points on both sides along a closed line.

    For windows much longer than ``thin`` the values are first averaged in blocks of ``thin`` and the medians
    interpolated, which costs a fraction and changes nothing that matters at that scale.
    """
    n = len(values)
    if half_width < 4 * thin or n < 8 * thin:
        size = min(2 * half_width + 1, n if n % 2 else n - 1)
        return np.asarray(ndimage.median_filter(values, size=max(1, size), mode="wrap"), dtype=np.float64)
    edges = np.linspace(0, n, n // thin + 1).astype(np.intp)
    blocks = np.add.reduceat(values, edges[:-1]) / np.diff(edges)
    size = min(2 * (half_width // thin) + 1, len(blocks) - 1 | 1)
    middles = ndimage.median_filter(blocks, size=size, mode="wrap")
    return np.asarray(np.interp(np.arange(n), (edges[:-1] + edges[1:] - 1) / 2, middles, period=n), dtype=np.float64)


def local_scatter(
    points: Points, normals: Points, valid: NDArray[np.bool_], *, lag: int, half_width: int
) -> NDArray[np.float64]:
    """Return the running standard deviation of the noise across a closed line of points.

    Third differences at a lag take out offset, slope and bend; the lag is longer than the correlation that
    interpolation puts between neighbours. Differences beyond three times the median are left out.
    """
    behind, ahead = np.roll(points, lag, axis=0), np.roll(points, -lag, axis=0)
    third = np.roll(points, -2 * lag, axis=0) - 3 * ahead + 3 * points - behind
    rough = (third * normals).sum(axis=1) / np.sqrt(20.0)
    usable = valid & np.roll(valid, lag) & np.roll(valid, -lag) & np.roll(valid, -2 * lag)
    if not usable.any():
        return np.full(len(points), np.inf)
    typical = 1.4826 * float(np.median(np.abs(rough[usable])))
    usable &= np.abs(rough) <= 4.5 * typical + 1e-12
    size = min(2 * half_width + 1, len(points))
    weight = ndimage.uniform_filter1d(usable.astype(np.float64), size, mode="wrap")
    square = ndimage.uniform_filter1d(np.where(usable, rough**2, 0.0), size, mode="wrap")
    local = np.sqrt(np.maximum(square, 0) / np.maximum(weight, 1e-9))
    return np.asarray(np.where(weight > 0.1, local, typical))
