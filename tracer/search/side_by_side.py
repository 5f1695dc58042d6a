"""Lines that run along each other: how many of them are met straight across, as sizes drawn into each other show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import Edge, Points

LEAST_LINES, LOOK_MM = 3, 45.0
"""So many lines along each other, met so far aside, may be sizes."""
APART_MM = 16.0
"""Sizes lie closer to each other than this where they are told by their lying together."""
_SEEM_NESTED, _EVERY_MM = 0.5, 8.0
"""Over so much of all lines, looked at so often, others run along them where sizes are drawn into each other (0.61 to
0.97 on 27 such sheets, 0.08 to 0.43 on eight others, a crowded one among them)."""
_TURNED_DEGREES, _BEARING_PX, _LONG_STEP_PX, _STEP_PX, _BEFORE = 20.0, 5, 2.5, 2.0, 3.0
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bearings:
    """Which way lines run where there are any, radians, in a raster of two pixels; NaN elsewhere.

    ``low`` is its first place, pixels of the mask.
    """

    raster: NDArray[np.float32]
    low: Points

    def met(self, at: Points, aside: Points, bearing: Floats, mm_per_px: float) -> NDArray[np.int64]:
        """Return how many lines are met from places (N, 2) in unit directions (N, 2), those on the places among them.

        Only lines that run as ``bearing`` (N,) says count; a ray ends where no line has come for too long.
        """
        high, wide = self.raster.shape
        far = np.arange(-_BEFORE, LOOK_MM / mm_per_px / _STEP_PX, 1.0)
        place = (at - self.low)[:, None] / _STEP_PX + far[None, :, None] * aside[:, None]
        column, row = np.rint(place).astype(np.int64).transpose(2, 0, 1)
        inside = (column >= 0) & (row >= 0) & (column < wide) & (row < high)
        there = np.where(inside, self.raster[np.clip(row, 0, high - 1), np.clip(column, 0, wide - 1)], np.nan)
        hit = np.abs(np.sin(there - bearing[:, None])) < math.sin(math.radians(_TURNED_DEGREES))
        first = hit & (np.diff(hit.astype(np.int8), axis=1, prepend=0) > 0)
        last = np.maximum.accumulate(np.where(first, np.arange(len(far)), 0), axis=1)
        lost = np.arange(len(far)) - last > APART_MM / mm_per_px / _STEP_PX
        return np.asarray((first & ~np.logical_or.accumulate(lost, axis=1)).sum(axis=1))


def bearings_of(edges: Sequence[Edge], low: Points, high: Points) -> Bearings:
    """Return which way the lines run between two corners, pixels of the mask."""
    chains = [
        filled(e.points)
        for e in edges
        if len(e.points) > 1 and not ((e.points.max(axis=0) < low).any() or (e.points.min(axis=0) > high).any())
    ]
    size = ((high - low) / _STEP_PX).astype(int)
    raster = np.full((int(size[1]), int(size[0])), np.nan, dtype=np.float32)
    if chains:
        points, bearing = _bearing(chains)
        column, row = np.rint((points - low) / _STEP_PX).astype(np.int64).T
        inside = (column >= 0) & (row >= 0) & (column < size[0] - 1) & (row < size[1] - 1)
        for right, down in ((0, 0), (1, 0), (0, 1), (1, 1)):  # no ray slips between two points
            raster[row[inside] + down, column[inside] + right] = bearing[inside]
    return Bearings(raster=raster, low=low)


def seem_nested(edges: Sequence[Edge], mm_per_px: float) -> bool:
    """Return whether most lines have others that run along them, as sizes drawn into each other do.

    Squares and hatching may seem so too.
    """
    chains = [e.points for e in edges if len(e.points) > 1]
    if not chains:
        return False
    points, bearing = _bearing(chains)
    every = max(1, round(_EVERY_MM / mm_per_px))
    at, way = points[every // 2 :: every], bearing[every // 2 :: every]
    if not len(at):
        return False
    lines = bearings_of(edges, points.min(axis=0) - 4.0, points.max(axis=0) + 12.0)
    aside = np.stack([-np.sin(way), np.cos(way)], axis=1)
    met = lines.met(at, aside, way, mm_per_px) + lines.met(at, -aside, way, mm_per_px) - 1
    return bool((met >= LEAST_LINES).mean() > _SEEM_NESTED)


def filled(points: Points) -> Points:
    """Return a chain with no step longer than about a pixel: a bridge has points at its ends only."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    if len(points) < 2 or steps.max() < _LONG_STEP_PX:
        return points
    at = np.concatenate([[0.0], np.cumsum(steps)])
    along = np.arange(0.0, at[-1], 1.0)
    return np.stack([np.interp(along, at, points[:, 0]), np.interp(along, at, points[:, 1])], axis=1)


def _bearing(chains: Sequence[Points]) -> tuple[Points, Floats]:
    """Return all points of some chains one after another, and which way each chain runs there, radians."""
    count = np.array([len(c) for c in chains])
    points = np.concatenate(chains)
    first = np.repeat(np.cumsum(count) - count, count)
    last, place = first + np.repeat(count, count) - 1, np.arange(len(points))
    way = points[np.minimum(place + _BEARING_PX, last)] - points[np.maximum(place - _BEARING_PX, first)]
    return points, np.asarray(np.arctan2(way[:, 1], way[:, 0]))
