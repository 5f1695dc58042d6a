"""Brute-force judges: slow, simple, sharing no code with what they judge.

The distance between two closed paths is measured on dense samples of both, in both directions, to every segment of the
other's dense polygon. (A discrete Hausdorff distance that looks at vertices only would be blind to what lies between
them.) The judges are themselves tested by planting an error in the first, a middle and the last segment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Segments = tuple[NDArray[np.float64], ...]


def dense_polygon(segments: Segments, spacing_mm: float) -> NDArray[np.float64]:
    """Return points at most ``spacing_mm`` apart on lines (2, 2) and cubics (4, 2), by the Bernstein formula."""
    parts = []
    for seg in segments:
        control = np.asarray(seg, dtype=np.float64)
        reach = np.hypot(*np.diff(control, axis=0).T).sum() * (len(control) - 1 if len(control) == 4 else 1)
        n = max(2, int(np.ceil(reach / spacing_mm)))
        t = (np.arange(n) / n)[:, None]
        if len(control) == 2:
            parts.append(control[0] * (1 - t) + control[1] * t)
        else:
            a, b, c, d = control
            parts.append(a * (1 - t) ** 3 + 3 * b * t * (1 - t) ** 2 + 3 * c * t * t * (1 - t) + d * t**3)
    return np.concatenate(parts)


def distance_to_polygon(points: NDArray[np.float64], polygon: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the distance of each point (N, 2) to a closed dense polygon (M, 2).

    The nearest vertices are found first and the segments around each measured exactly, which is right as long as the
    polygon's edges are short against its features (they are: dense samples of paths).
    """
    near = cKDTree(polygon).query(points, k=min(4, len(polygon)))[1]
    best = np.full(len(points), np.inf)
    for column in near.reshape(len(points), -1).T:
        for first in (column - 1, column):
            a = polygon[first % len(polygon)]
            b = polygon[(first + 1) % len(polygon)]
            ab = b - a
            along = np.clip(((points - a) * ab).sum(axis=1) / np.maximum((ab * ab).sum(axis=1), 1e-30), 0.0, 1.0)
            best = np.minimum(best, np.hypot(*(points - a - along[:, None] * ab).T))
    return best


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Distance:
    """Distances of a traced path to its truth and of the truth to the traced path, mm.

    ``bound_mm`` is how much a true extreme can exceed the sampled one: half the spacing, since distance changes by at
    most one millimetre a millimetre.
    """

    to_truth_mm: NDArray[np.float64]
    from_truth_mm: NDArray[np.float64]
    bound_mm: float

    @property
    def p95_mm(self) -> float:
        """The larger of the two directions' 95th percentiles."""
        return float(max(np.percentile(self.to_truth_mm, 95), np.percentile(self.from_truth_mm, 95)))

    @property
    def worst_mm(self) -> float:
        """The largest distance in either direction."""
        return float(max(self.to_truth_mm.max(), self.from_truth_mm.max()))

    @property
    def rms_mm(self) -> float:
        """Root mean square of the traced path's distance to the truth."""
        return float(np.sqrt((self.to_truth_mm**2).mean()))


def distance_between(traced: Segments, truth: Segments, *, spacing_mm: float = 0.05) -> Distance:
    """Measure two closed paths against each other, densified, in both directions."""
    a, b = dense_polygon(traced, spacing_mm), dense_polygon(truth, spacing_mm)
    return Distance(
        to_truth_mm=distance_to_polygon(a, b), from_truth_mm=distance_to_polygon(b, a), bound_mm=spacing_mm / 2
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerCount:
    """Corners of the truth found within the reach, missed ones, and traced corners that are none."""

    found: int
    missed: int
    invented: int
    worst_mm: float


def sharp_corners(segments: Segments, *, inner_angle_deg: float = 150.0) -> NDArray[np.float64]:
    """Return the corners (N, 2) at which two segments meet at less than an inner angle."""
    corners = []
    for before, after in zip((segments[-1], *segments[:-1]), segments, strict=True):
        back = next(d for d in before[-1] - before[-2::-1] if np.hypot(*d) > 1e-9)
        on = next(d for d in after[1:] - after[0] if np.hypot(*d) > 1e-9)
        cosine = float(-(back @ on) / np.hypot(*back) / np.hypot(*on))
        if np.degrees(np.arccos(np.clip(cosine, -1, 1))) < inner_angle_deg:
            corners.append(after[0])
    return np.array(corners).reshape(-1, 2)


def compare_corners(traced: Segments, truth: Segments, *, within_mm: float = 0.2) -> CornerCount:
    """Match corners; a true corner is found when a traced one lies within the reach, a traced one far from all true
    corners is invented (a little blunter than 150 degrees in the truth is not held against it)."""
    have, want = sharp_corners(traced), sharp_corners(truth)
    lenient = sharp_corners(truth, inner_angle_deg=153.0)
    gaps = [float(np.hypot(*(have - w).T).min()) if len(have) else np.inf for w in want]
    far = [float(np.hypot(*(lenient - h).T).min()) if len(lenient) else np.inf for h in have]
    found = sum(g <= within_mm for g in gaps)
    return CornerCount(
        found=found,
        missed=len(want) - found,
        invented=sum(f > within_mm for f in far),
        worst_mm=max((g for g in gaps if np.isfinite(g)), default=0.0),
    )
