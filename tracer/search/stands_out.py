"""Whether what seems to lie on a sheet is a thing, or a part of the sheet between folds and lines; where sheets end."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.search.graph import Points

_NEAR_MM, _FAR_MM = 1.2, 3.0
"""Beside an edge the light is looked at from here to there: beyond the edge's own line, within its surroundings."""
_LEAST_STEP = 0.03
"""Light that differs by less is that of one paper in one light (judgement: grain and lamp fall-off over 6 mm)."""
_LEAST_EDGE = 0.015
"""At the edge of a sheet the light of its two sides differs by so much along the whole of it (judgement)."""
_LEAST_SHARE = 0.7
"""A thing differs from what lies around it along so much of its edge (judgement: half of a part of a sheet may be the
edge of the sheet)."""
_PLACES, _DEPTHS = 200, 7


def stands_out(points: Points, pixels: NDArray[np.uint8], mm_per_px: float) -> bool:
    """Return whether along most of an outline the light inside differs from that outside.

    A fold or a drawn line has the same paper on both sides.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        The closed outline in pixels of the picture.
    pixels : ndarray of uint8
        The picture.
    mm_per_px : float
    """
    step = _steps(np.concatenate([points, points[:1]]), pixels, mm_per_px)
    return bool((np.abs(step).max(axis=1) > _LEAST_STEP).mean() > _LEAST_SHARE)


def is_edge(points: Points, pixels: NDArray[np.uint8], mm_per_px: float) -> bool:
    """Return whether the light on one side of an open line differs from that on the other: one sheet ends there.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        The line in pixels of the picture.
    pixels : ndarray of uint8
        The picture.
    mm_per_px : float
    """
    return bool(np.abs(np.median(_steps(points, pixels, mm_per_px), axis=0)).max() > _LEAST_EDGE)


def _steps(line: Points, pixels: NDArray[np.uint8], mm_per_px: float) -> NDArray[np.float64]:
    """Return by how much the light on one side of a line exceeds that on the other, as a share: shape (N, channels)."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    places = np.linspace(0.0, along[-1], _PLACES, endpoint=False)
    closed = bool((line[0] == line[-1]).all())

    def place(at: NDArray[np.float64]) -> NDArray[np.float64]:
        at = at % along[-1] if closed else np.clip(at, 0.0, along[-1])
        return np.column_stack([np.interp(at, along, line[:, k]) for k in (0, 1)])

    reach = _FAR_MM / mm_per_px
    way = place(places + reach) - place(places - reach)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    normal = np.column_stack([-way[:, 1], way[:, 0]])
    depths = np.linspace(_NEAR_MM, _FAR_MM, _DEPTHS) / mm_per_px
    left, right = (
        median_light(pixels, place(places)[:, None] + side * depths[None, :, None] * normal[:, None])
        for side in (-1.0, 1.0)
    )
    return np.asarray((left - right) / np.maximum(np.maximum(left, right), 1e-3))


def median_light(pixels: NDArray[np.uint8], where: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median linear light along each of some rows of points (N, M, 2): shape (N, channels)."""
    x = np.clip(np.rint(where[..., 0]).astype(np.int64), 0, pixels.shape[1] - 1)
    y = np.clip(np.rint(where[..., 1]).astype(np.int64), 0, pixels.shape[0] - 1)
    value = SRGB_TO_LINEAR[pixels[y, x]].astype(np.float64)
    value = value if value.ndim == 3 else value[..., None]
    return np.asarray(np.median(value, axis=1))
