"""Closed paths of straight lines and cubic Bezier curves in millimetres.

The one shape that everything in this package speaks: traced outlines, cut-ready pieces, lays and files. In millimetre
space, x points right and y down. Nothing here knows about pixels.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.picture import MmPoints
from tracer.errors import PathError
from tracer.path_data import path_data, read_path_data
from tracer.segments import (
    PointLike,
    Segment,
    derivative,
    end_direction,
    evaluate,
    extreme_parameters,
    flatten_steps,
    frozen,
    segment_area,
    segment_length,
    start_direction,
)

Affine = NDArray[np.float64]
"""Shape (2, 3): ``[[a, c, e], [b, d, f]]`` maps (x, y) to (a x + c y + e, b x + d y + f)."""

CORNER_DEG = 150.0
"""An inner angle sharper than this is a corner of a pattern piece (common practice, no source)."""

_JOIN_MM = 1e-6


class Bounds(NamedTuple):
    """An axis-parallel box in millimetres."""

    x_min: float
    y_min: float
    x_max: float
    y_max: float

    @property
    def width(self) -> float:
        """Extent along x."""
        return self.x_max - self.x_min

    @property
    def height(self) -> float:
        """Extent along y."""
        return self.y_max - self.y_min


class Corner(NamedTuple):
    """A corner of a path.

    ``node`` is the index of the segment that starts there; ``inner_angle_deg`` is the angle between the two arms
    (180 for a smooth join, 0 for a spike).
    """

    node: int
    point: tuple[float, float]
    inner_angle_deg: float


@dataclass(frozen=True, eq=False)
class Path:
    """A closed path.

    Parameters
    ----------
    segments : tuple of ndarray
        At least one; each starts where the one before ends, the last ends where the first starts (to 1e-6 mm; they
        are then made to coincide exactly).

    Raises
    ------
    PathError
        When there is no segment, a coordinate is not finite or the segments do not join.
    """

    segments: tuple[Segment, ...]

    def __post_init__(self) -> None:
        if not self.segments:
            raise PathError("a path needs at least one segment")
        fixed = [frozen(s) for s in self.segments]
        for i, seg in enumerate(fixed):
            before = fixed[i - 1]
            if np.abs(before[-1] - seg[0]).max() > _JOIN_MM:
                raise PathError(f"segment {i} starts at {seg[0]} but the one before ends at {before[-1]}")
            if (before[-1] != seg[0]).any():
                joined = seg.copy()
                joined[0] = before[-1]
                fixed[i] = frozen(joined)
        object.__setattr__(self, "segments", tuple(fixed))

    # -- making ---------------------------------------------------------------------------------------------------
    @classmethod
    def polygon(cls, points: Iterable[Sequence[float]] | NDArray[np.float64]) -> Path:
        """Return the closed polygon through points of shape (N, 2) in mm, N >= 2; a repeated last point is dropped."""
        pts = np.asarray(points if isinstance(points, np.ndarray) else list(points), dtype=np.float64)
        if pts.ndim != 2 or pts.shape[1] != 2:
            raise PathError(f"polygon points have shape {pts.shape}; (N, 2) is needed")
        keep = np.abs(pts - np.roll(pts, 1, axis=0)).max(axis=1) > 0
        pts = pts[keep]
        if len(pts) < 2:
            raise PathError("a polygon needs at least two different points")
        return cls(tuple(np.array([a, b]) for a, b in zip(pts, np.roll(pts, -1, axis=0), strict=True)))

    @classmethod
    def from_svg(cls, data: str) -> Path:
        """Read SVG path data of one closed subpath (M, L, H, V, C, S, Q, Z, absolute or relative).

        Raises :class:`PathError` on anything else (arcs and several subpaths among it).
        """
        subpaths = subpaths_from_svg(data)
        if len(subpaths) != 1:
            raise PathError(f"path data has {len(subpaths)} subpaths; one closed subpath is needed")
        return subpaths[0].closed()

    def to_svg(self, *, decimals: int = 4) -> str:
        """Return SVG path data (M, L, C, Z) with so many decimals of a millimetre."""
        return path_data(self.segments, decimals=decimals, closed=True)

    # -- measures -------------------------------------------------------------------------------------------------
    @cached_property
    def signed_area(self) -> float:
        """Area in mm2, exact; positive when the path runs clockwise on screen (y down)."""
        origin = self.segments[0][0]
        return sum(segment_area(s - origin) for s in self.segments)

    @property
    def area(self) -> float:
        """Enclosed area in mm2 of a simple path."""
        return abs(self.signed_area)

    @cached_property
    def length(self) -> float:
        """Perimeter in mm."""
        return sum(segment_length(s) for s in self.segments)

    @cached_property
    def bounds(self) -> Bounds:
        """Exact bounding box (curve extremes, not control points)."""
        extremes = []
        for seg in self.segments:
            extremes.append(seg[[0, -1]])
            for axis in (0, 1):
                ts = extreme_parameters(seg, axis)
                if ts:
                    extremes.append(evaluate(seg, np.array(ts)))
        points = np.concatenate(extremes)
        low, high = points.min(axis=0), points.max(axis=0)
        return Bounds(float(low[0]), float(low[1]), float(high[0]), float(high[1]))

    @cached_property
    def centroid(self) -> tuple[float, float]:
        """Centroid of the enclosed area, from a flattening within 0.01 mm."""
        pts = self.flatten(0.01)
        origin = pts[0].copy()
        p = pts - origin
        q = np.roll(p, -1, axis=0)
        cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
        total = cross.sum()
        if abs(total) < 1e-12:
            mean = pts.mean(axis=0)
            return float(mean[0]), float(mean[1])
        c = ((p + q) * cross[:, None]).sum(axis=0) / (3 * total) + origin
        return float(c[0]), float(c[1])

    @property
    def node_count(self) -> int:
        """Number of nodes (equal to the number of segments)."""
        return len(self.segments)

    # -- points ---------------------------------------------------------------------------------------------------
    def flatten(self, tolerance_mm: float) -> MmPoints:
        """Return the vertices (N, 2) of a polygon within ``tolerance_mm`` of the path (guaranteed)."""
        if tolerance_mm <= 0:
            raise PathError(f"a flattening tolerance of {tolerance_mm} mm is not positive")
        parts = []
        for seg in self.segments:
            n = flatten_steps(seg, tolerance_mm)
            parts.append(seg[:1] if n == 1 else evaluate(seg, np.arange(n) / n))
        return MmPoints(np.concatenate(parts))

    def sample(self, spacing_mm: float) -> tuple[MmPoints, NDArray[np.float64]]:
        """Return points about ``spacing_mm`` apart (both ends of every segment included once) and their unit normals.

        Normals point to the left of the direction of travel turned by (dy, -dx); for a path with positive
        :attr:`signed_area` they point outward. Shapes (N, 2), (N, 2).
        """
        points, normals = [], []
        for seg in self.segments:
            n = max(1, math.ceil(segment_length(seg) / spacing_mm))
            t = np.arange(n) / n
            points.append(evaluate(seg, t))
            d = derivative(seg, np.clip(t, 1e-6, 1 - 1e-6))
            norm = np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-12)
            normals.append(np.stack([d[:, 1] / norm, -d[:, 0] / norm], axis=1))
        return MmPoints(np.concatenate(points)), np.concatenate(normals)

    def tangents(self, node: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return unit directions of travel just before and just after a node (the start of segment ``node``)."""
        return end_direction(self.segments[node - 1]), start_direction(self.segments[node])

    @cached_property
    def corners(self) -> tuple[Corner, ...]:
        """Nodes whose inner angle is sharper than :data:`CORNER_DEG`."""
        return self.corners_sharper_than(CORNER_DEG)

    def corners_sharper_than(self, inner_angle_deg: float) -> tuple[Corner, ...]:
        """Nodes at which the two arms meet at less than this angle (180 would be smooth)."""
        found = []
        for i in range(len(self.segments)):
            before, after = self.tangents(i)
            turn = math.degrees(math.atan2(float(before[0] * after[1] - before[1] * after[0]), float(before @ after)))
            inner = 180.0 - abs(turn)
            if inner < inner_angle_deg:
                p = self.segments[i][0]
                found.append(Corner(i, (float(p[0]), float(p[1])), inner))
        return tuple(found)

    # -- changing -------------------------------------------------------------------------------------------------
    def transformed(self, matrix: Affine) -> Path:
        """Return the path under an affine map of shape (2, 3)."""
        m = np.asarray(matrix, dtype=np.float64)
        return Path(tuple(s @ m[:, :2].T + m[:, 2] for s in self.segments))

    def translated(self, dx_mm: float, dy_mm: float) -> Path:
        """Return the path moved by (dx, dy)."""
        return self.transformed(np.array([[1, 0, dx_mm], [0, 1, dy_mm]], dtype=np.float64))

    def reversed(self) -> Path:
        """Return the same path run the other way."""
        return Path(tuple(s[::-1] for s in reversed(self.segments)))

    def oriented(self) -> Path:
        """Return the path with positive signed area (clockwise on screen)."""
        return self if self.signed_area >= 0 else self.reversed()

    def starting_at(self, node: int) -> Path:
        """Return the same closed path beginning at another node."""
        n = node % len(self.segments)
        return Path(self.segments[n:] + self.segments[:n])


@dataclass(frozen=True, eq=False)
class OpenPath:
    """A chain of segments that need not close: an internal line, a grain line, an edge of a piece."""

    segments: tuple[Segment, ...]

    def __post_init__(self) -> None:
        if not self.segments:
            raise PathError("a line needs at least one segment")
        object.__setattr__(self, "segments", tuple(frozen(s) for s in self.segments))

    @classmethod
    def polyline(cls, points: Sequence[Sequence[float]] | NDArray[np.float64]) -> OpenPath:
        """Return the chain of straight lines through points of shape (N, 2), N >= 2."""
        pts = np.asarray(points, dtype=np.float64)
        if pts.ndim != 2 or len(pts) < 2:
            raise PathError("a polyline needs at least two points")
        return cls(tuple(np.array([a, b]) for a, b in itertools.pairwise(pts)))

    @property
    def length(self) -> float:
        """Length in mm."""
        return sum(segment_length(s) for s in self.segments)

    @property
    def is_closed(self) -> bool:
        """Whether the ends coincide."""
        return bool(np.abs(self.segments[0][0] - self.segments[-1][-1]).max() <= _JOIN_MM)

    def closed(self) -> Path:
        """Return the closed path, with a straight closing line where the ends are apart."""
        if self.is_closed:
            return Path(self.segments)
        return Path((*self.segments, np.array([self.segments[-1][-1], self.segments[0][0]])))

    def flatten(self, tolerance_mm: float) -> MmPoints:
        """Return vertices (N, 2) within ``tolerance_mm``, both ends included."""
        parts = [evaluate(s, np.arange(n) / n) for s in self.segments for n in [flatten_steps(s, tolerance_mm)]]
        return MmPoints(np.concatenate([*parts, self.segments[-1][-1:]]))

    def transformed(self, matrix: Affine) -> OpenPath:
        """Return the chain under an affine map of shape (2, 3)."""
        m = np.asarray(matrix, dtype=np.float64)
        return OpenPath(tuple(s @ m[:, :2].T + m[:, 2] for s in self.segments))

    def reversed(self) -> OpenPath:
        """Return the same chain run the other way."""
        return OpenPath(tuple(s[::-1] for s in reversed(self.segments)))

    def to_svg(self, *, decimals: int = 4) -> str:
        """Return SVG path data, with Z when the ends coincide."""
        return path_data(self.segments, decimals=decimals, closed=self.is_closed)


def mirror_matrix(point: PointLike, direction: PointLike) -> Affine:
    """Return the reflection about the line through ``point`` along ``direction``."""
    p = np.asarray(point, dtype=np.float64)
    d = np.asarray(direction, dtype=np.float64)
    d = d / np.hypot(*d)
    linear = 2 * np.outer(d, d) - np.eye(2)
    return np.column_stack([linear, p - linear @ p])


def rotation_matrix(angle_deg: float, centre: PointLike = (0.0, 0.0)) -> Affine:
    """Return the rotation by an angle, clockwise on screen (y down), about a centre; multiples of 90 are exact."""
    quarter, rest = divmod(angle_deg, 90.0)
    if rest == 0:
        c, s = [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)][int(quarter) % 4]
    else:
        c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    linear = np.array([[c, -s], [s, c]])
    p = np.asarray(centre, dtype=np.float64)
    return np.column_stack([linear, p - linear @ p])


def subpaths_from_svg(data: str) -> list[OpenPath]:
    """Read SVG path data into its subpaths; a subpath ended by Z gets its closing line.

    Supports M, L, H, V, C, S, Q and Z, absolute and relative (grammar: SVG 2, section 9.3). Raises
    :class:`PathError` on anything else.
    """
    return [OpenPath(tuple(chain)) for chain in read_path_data(data)]
