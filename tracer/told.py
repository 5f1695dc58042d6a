"""Points of an edge that a reader of its own told, and how far an outline lies from them.

The picture that the error is measured in shows such an edge only as it was filled in around the rough outline; so the
points are asked instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration.picture import MmPoints
from tracer.outline import Evidence
from tracer.profiles import Points, closed_normals, smooth_closed

_TOLD_PX = 10.0
"""Points that were told lie nearer to the outline than this: a reader looks some pixels around the rough one."""
_SAME_RUN_PX = 2.5
"""Points that were told one after the other lie nearer to each other than this."""
_SMOOTH_PX = 3.0
"""Over so many points the edge's direction is told: each of them scatters by some tenths of their distance."""
_WITHIN = 64
"""No more points than these lie so near to a place: those of two arms or three, a pixel apart."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """Points of an edge that a reader of its own told: (N, 2), mm, and the standard uncertainty of each, mm.

    ``normals`` are unit vectors outward from the piece, (N, 2): at a sharp corner the other arm is as near as the own.
    """

    points_mm: MmPoints
    normals: NDArray[np.float64]
    sigma_mm: NDArray[np.float64]


def readings_of(evidence: Evidence, points_mm: MmPoints, sigma_mm: NDArray[np.float64]) -> Readings | None:
    """Return the points of evidence that a reader told, with those carried on between them; None where there are none.

    Where the reader set some aside the edge goes on from point to point, for all it knows; an outline that does not is
    as far off as it lies from there.
    """
    told = evidence.told
    if not told.any():
        return None
    points = np.asarray(points_mm)
    normals = closed_normals(smooth_closed(points, _SMOOTH_PX))
    return Readings(points_mm=MmPoints(points[told]), normals=normals[told], sigma_mm=sigma_mm[told])


def told_along(
    told: Readings, points: Points, normals: Points, mm_per_px: float
) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """Return where an outline has points that were told, how far outside of it they lie and how sure they are, mm.

    They lie a pixel apart along it, and face where it faces. Where the outline turns aside from them, none lies
    straight outside of it: there it is how far away the way from one to the next is.
    """
    places = np.asarray(told.points_mm)
    near, same_side = _nearest_facing(told, points, normals)
    off = places[near] - points
    outside = (off * normals).sum(axis=1)
    beside = np.abs(off[:, 0] * normals[:, 1] - off[:, 1] * normals[:, 0])
    has = same_side & (beside <= mm_per_px)
    for step in (-1, 1):
        other = np.clip(near + step, 0, len(places) - 1)
        way = places[other] - places[near]
        square = (way**2).sum(axis=1)
        share = -(off * way).sum(axis=1) / np.maximum(square, 1e-12)
        between = (
            same_side & ~has & (share >= 0) & (share <= 1) & (square > 0) & (square < (_SAME_RUN_PX * mm_per_px) ** 2)
        )
        away = off + share[:, None] * way
        outside = np.where(between, np.copysign(np.hypot(*away.T), (away * normals).sum(axis=1)), outside)
        has = has | between
    return has & (np.abs(outside) < _TOLD_PX * mm_per_px), outside, told.sigma_mm[near]


def _nearest_facing(told: Readings, points: Points, normals: Points) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Return which point that was told is the nearest of those that face as each place does, and whether there is any.

    A place whose own arm was not told has told points of the other arm beside it, at a sharp corner or across a strap:
    they say nothing of it.
    """
    places = np.asarray(told.points_mm)
    count = min(_WITHIN, len(places))
    around = cKDTree(places).query(points, k=count)[1].reshape(len(points), count)
    facing = (told.normals[around] * normals[:, None, :]).sum(axis=2) > 0
    first = np.argmax(facing, axis=1)
    return around[np.arange(len(points)), first], facing.any(axis=1)
