"""A place for words inside a shape where they touch nothing that is drawn there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

_PLACES = 11
"""Tried across and along a shape."""


def clear_places(shape: BaseGeometry, best: Sequence[float]) -> NDArray[np.float64]:
    """Return places on a grid over a shape, the best one first and the others by how near they are to it, (N, 2)."""
    x0, y0, x1, y1 = shape.bounds
    grid = np.stack(np.meshgrid(np.linspace(x0, x1, _PLACES), np.linspace(y0, y1, _PLACES)), axis=-1).reshape(-1, 2)
    places = np.concatenate([[best], grid])
    return np.asarray(places[np.argsort(np.hypot(*(places - np.asarray(best)).T), kind="stable")])


def first_clear(
    shape: BaseGeometry, drawn: BaseGeometry, places: NDArray[np.float64], size: Sequence[float]
) -> tuple[float, float] | None:
    """Return the first place around which a box (width, height) lies in the shape and on nothing drawn, or None."""
    half = np.asarray(size, dtype=np.float64) / 2
    shapely.prepare([shape, drawn])
    boxes = shapely.box(*(places - half).T, *(places + half).T)
    free = np.flatnonzero(shapely.covers(shape, boxes) & ~shapely.intersects(drawn, boxes))
    return (float(places[free[0], 0]), float(places[free[0], 1])) if len(free) else None
