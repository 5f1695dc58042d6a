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
from tracer.profiles import Points

_TOLD_PX = 10.0
"""Points that were told lie nearer to the outline than this: a reader looks some pixels around the rough one."""
_SAME_RUN_PX = 2.5
"""Points that were told one after the other lie nearer to each other than this."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """Points of an edge that a reader of its own told: (N, 2), mm, and the standard uncertainty of each, mm."""

    points_mm: MmPoints
    sigma_mm: NDArray[np.float64]


def readings_of(evidence: Evidence, points_mm: MmPoints, sigma_mm: NDArray[np.float64]) -> Readings | None:
    """Return the points of evidence that a reader told, with those carried on between them; None where there are none.

    Where the reader set some aside the edge goes on from point to point, for all it knows; an outline that does not is
    as far off as it lies from there.
    """
    told = evidence.told
    if not told.any():
        return None
    return Readings(points_mm=MmPoints(np.asarray(points_mm)[told]), sigma_mm=sigma_mm[told])


def told_along(
    told: Readings, points: Points, normals: Points, mm_per_px: float
) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """Return where an outline has points that were told, how far outside of it they lie and how sure they are, mm.

    They lie a pixel apart along it. Where the outline turns aside from them, none lies straight outside of it: there it
    is how far away the way from one to the next is.
    """
    places = np.asarray(told.points_mm)
    near = cKDTree(places).query(points)[1]
    off = places[near] - points
    outside = (off * normals).sum(axis=1)
    beside = np.abs(off[:, 0] * normals[:, 1] - off[:, 1] * normals[:, 0])
    has = beside <= mm_per_px
    for step in (-1, 1):
        other = np.clip(near + step, 0, len(places) - 1)
        way = places[other] - places[near]
        square = (way**2).sum(axis=1)
        share = -(off * way).sum(axis=1) / np.maximum(square, 1e-12)
        between = ~has & (share >= 0) & (share <= 1) & (square > 0) & (square < (_SAME_RUN_PX * mm_per_px) ** 2)
        away = off + share[:, None] * way
        outside = np.where(between, np.copysign(np.hypot(*away.T), (away * normals).sum(axis=1)), outside)
        has = has | between
    return has & (np.abs(outside) < _TOLD_PX * mm_per_px), outside, told.sigma_mm[near]
