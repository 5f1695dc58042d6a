"""Errors at the corners of an outline, where no profile shows one arm alone.

A corner's error is that of the point displaced so that both arms' errors, as measured beyond the rounded part, agree
with it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration.picture import MmPoints
from tracer.curves.corners import rounding_reach_mm
from tracer.path import Path
from tracer.profiles import Points

KINK_DEG = 170.0
"""Inner angle below which a node is a corner here."""


def near_corners(path: Path, points: Points, window_mm: float, side_mm: float) -> NDArray[np.bool_]:
    """Return which samples have the other arm of a corner in their profile."""
    near = np.zeros(len(points), bool)
    for corner in path.corners_sharper_than(KINK_DEG):
        inner = np.radians(max(corner.inner_angle_deg, 15.0))
        # A profile of half length l at distance d comes as near as d sin - l cos to the other arm's line.
        length = (window_mm + side_mm) * max(float(np.cos(inner)), 0.0)
        reach = (window_mm + length) / (float(np.sin(inner)) if inner < np.pi / 2 else 1.0)
        near |= ((points - corner.point) ** 2).sum(axis=1) < reach**2
    return near


def rounded_at_corners(path: Path, points: Points, half_width_mm: float, blur_mm: float) -> NDArray[np.bool_]:
    """Return which samples lie so near to a corner that the line is rounded there: no point of it was read."""
    rounded = np.zeros(len(points), bool)
    for corner in path.corners_sharper_than(KINK_DEG):
        reach = rounding_reach_mm(np.radians(180.0 - corner.inner_angle_deg), half_width_mm, blur_mm)
        rounded |= ((points - corner.point) ** 2).sum(axis=1) < reach**2
    return rounded


def fill_corners(
    path: Path,
    points: Points,
    error: NDArray[np.float64],
    sigma: NDArray[np.float64],
    valid: NDArray[np.bool_],
    near_corner: NDArray[np.bool_],
    normals: Points,
    known: frozenset[int],
) -> None:
    """Fill in the errors around corners from those of both arms just beyond the rounded part.

    A corner that is ``known`` otherwise has those of its arms and none of its own.
    """
    n = len(points)
    believed = np.flatnonzero(valid)
    for corner in path.corners_sharper_than(KINK_DEG):
        at = int(np.argmin(((points - corner.point) ** 2).sum(axis=1)))
        # The nearest believed samples before and after the corner, around the outline; the corner itself when none is.
        one = int(believed[np.searchsorted(believed, at) - 1]) if len(believed) else at
        other = int(believed[np.searchsorted(believed, at, side="right") % len(believed)]) if len(believed) else at
        matrix = np.stack([normals[one], normals[other]])
        corner_error = max(abs(error[one]), abs(error[other]))
        if abs(float(np.linalg.det(matrix))) > 0.05:
            shift = np.linalg.solve(matrix, np.array([error[one], error[other]]))
            corner_error = max(corner_error, between_corners(shift, matrix))
        sign = 1.0 if error[one] + error[other] >= 0 else -1.0
        way = np.arange(1, (other - one - 1) % n + 1)
        between = (one + way) % n
        near = near_corner[between]
        error[between[near]] = np.where(way[near] < (at - one) % n, error[one], error[other])
        sigma[between[near]] = max(sigma[one], sigma[other])
        if near_corner[at] and corner.node not in known:
            error[at] = sign * corner_error


def between_corners(shift: NDArray[np.float64], normals: NDArray[np.float64]) -> float:
    """Return how far a corner that is displaced lies from the arms of where it was, or that one from its arms.

    Displaced along an arm it hardly leaves the outline: the blunter it is, the farther it slides for the same error.
    ``normals`` are those of the arm before and after, outward.
    """
    ways = np.stack([-normals[:, 1], normals[:, 0]], axis=1) * np.array([[-1.0], [1.0]])

    def to_arms(at: NDArray[np.float64]) -> float:
        along = np.maximum(ways @ at, 0.0)
        return float(np.hypot(*(at - along[:, None] * ways).T).min())

    return max(to_arms(shift), to_arms(-shift))


def corners_at(path: Path, places: MmPoints | None, reach_mm: float) -> frozenset[int]:
    """Return the nodes of a path's corners that lie at some places, within a reach."""
    if places is None or not len(places):
        return frozenset()
    tree = cKDTree(np.asarray(places))
    return frozenset(c.node for c in path.corners_sharper_than(KINK_DEG) if tree.query(c.point)[0] < reach_mm)
