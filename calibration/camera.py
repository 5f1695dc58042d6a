"""The map between a picture's pixels and the millimetres of a flat sheet.

Model: a pinhole camera with radial and tangential lens distortion (Brown 1966) looking at a plane. Distorted pixels are
first undistorted, then a homography takes them to millimetres::

    u = (p - centre_px) / focal_px                        normalised, distorted
    r2 = |w|^2,  u = w (1 + k1 r2 + k2 r2^2 + k3 r2^3) + tangential(w, p1, p2)     w undistorted
    (X, Y, 1) ~ homography @ (w_x, w_y, 1)

A flatbed scan is the same map with zero distortion and an affine homography. Where many points show that the sheet does
not lie flat, pixels are first shifted by a smooth warp (:mod:`calibration.warp`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibration.picture import MmPoints, PxPoints
from calibration.warp import SmoothWarp

_UNDISTORT_STEPS, _UNDISTORTED, _LEAST_SLOPE = 30, 1e-12, 0.05
_FARTHEST = 1e3
"""Normalised coordinates beyond this are in no picture."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PlaneMap:
    """Pixels to millimetres and back.

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
        Takes normalised undistorted image coordinates ``w`` to millimetres.
    centre_px : tuple of float
        Centre of distortion (principal point), pixels.
    focal_px : float
        Normalising length in pixels.
    distortion : tuple of float
        k1, k2, p1, p2, k3 (the order of OpenCV).
    warp : SmoothWarp or None
        Applied to pixels before everything else.
    """

    homography: NDArray[np.float64]
    centre_px: tuple[float, float] = (0.0, 0.0)
    focal_px: float = 1.0
    distortion: tuple[float, float, float, float, float] = field(default=(0.0, 0.0, 0.0, 0.0, 0.0))
    warp: SmoothWarp | None = None

    @classmethod
    def affine(cls, matrix: NDArray[np.float64]) -> PlaneMap:
        """Return the map of a scanner: millimetres = ``matrix`` (2, 3) applied to pixels."""
        return cls(homography=np.vstack([matrix, [0.0, 0.0, 1.0]]))

    @cached_property
    def _inverse(self) -> NDArray[np.float64]:
        return np.asarray(np.linalg.inv(self.homography), dtype=np.float64)

    @property
    def has_distortion(self) -> bool:
        """Whether any lens coefficient differs from zero."""
        return any(self.distortion)

    def distort(self, w: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return distorted normalised coordinates of undistorted ones, shape (N, 2)."""
        k1, k2, p1, p2, k3 = self.distortion
        x, y = w[:, 0], w[:, 1]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        dx = 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        dy = p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        return np.stack([x * radial + dx, y * radial + dy], axis=1)

    def undistort(self, u: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return undistorted normalised coordinates, shape (N, 2), to 1e-12."""
        if not self.has_distortion or not len(u):
            return u
        return np.column_stack(_undistorted(u[:, 0], u[:, 1], self.distortion))

    def to_mm(self, px: PxPoints) -> MmPoints:
        """Map pixel points (N, 2) to millimetres."""
        p = np.asarray(px, dtype=np.float64).reshape(-1, 2)
        if self.warp is not None:
            p = self.warp.applied(p)
        u = (p - self.centre_px) / self.focal_px
        w = self.undistort(u)
        h = self.homography
        q = w @ h[:, :2].T + h[:, 2]
        return MmPoints(q[:, :2] / q[:, 2:])

    def to_px(self, mm: MmPoints) -> PxPoints:
        """Map millimetre points (N, 2) to pixels."""
        g = self._inverse
        q = np.asarray(mm, dtype=np.float64).reshape(-1, 2) @ g[:, :2].T + g[:, 2]
        p = self.distort(q[:, :2] / q[:, 2:]) * self.focal_px + self.centre_px
        return PxPoints(p if self.warp is None else self.warp.undone(p))

    def mm_per_px(self, px: PxPoints) -> NDArray[np.float64]:
        """Return the local scale at pixel points: square root of the area of one pixel in mm2, shape (N,)."""
        p = np.asarray(px, dtype=np.float64).reshape(-1, 2)
        ex = self.to_mm(PxPoints(p + [0.5, 0])) - self.to_mm(PxPoints(p - [0.5, 0]))
        ey = self.to_mm(PxPoints(p + [0, 0.5])) - self.to_mm(PxPoints(p - [0, 0.5]))
        return np.asarray(np.sqrt(np.abs(ex[:, 0] * ey[:, 1] - ex[:, 1] * ey[:, 0])))

    def moved_in_mm(self, matrix: NDArray[np.float64]) -> PlaneMap:
        """Return the map followed by an affine map (2, 3) of the millimetre plane."""
        return replace(self, homography=np.vstack([matrix, [0.0, 0.0, 1.0]]) @ self.homography)


def to_mm_by_each(planes: Sequence[PlaneMap], px: PxPoints) -> NDArray[np.float64]:
    """Map pixel points (N, 2) to millimetres by each of some maps, shape (maps, N, 2).

    All maps work at once: one after the other takes many times longer than what they compute.
    """
    p = np.asarray(px, dtype=np.float64).reshape(-1, 2)
    if not planes or not len(p):
        return np.zeros((len(planes), len(p), 2))
    at = np.stack([p if plane.warp is None else plane.warp.applied(p) for plane in planes])
    centre, focal = np.array([m.centre_px for m in planes]), np.array([m.focal_px for m in planes])
    u = (at - centre[:, None]) / focal[:, None, None]
    lens = np.array([m.distortion for m in planes]).T[:, :, None]
    x, y = _undistorted(u[..., 0], u[..., 1], tuple(lens)) if lens.any() else (u[..., 0], u[..., 1])
    h = np.stack([m.homography for m in planes])[..., None]
    out = [h[:, k, 0] * x + h[:, k, 1] * y + h[:, k, 2] for k in range(3)]
    return np.stack([out[0] / out[2], out[1] / out[2]], axis=2)


def _undistorted(
    ux: NDArray[np.float64], uy: NDArray[np.float64], distortion: tuple[float | NDArray[np.float64], ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return undistorted normalised coordinates.

    By Newton's method with the slope of the radial terms; the others are small, so a few steps more do for them.
    """
    k1, k2, p1, p2, k3 = distortion
    tangential = bool(np.any(p1) or np.any(p2))
    x, y = ux, uy
    for _ in range(_UNDISTORT_STEPS):
        xx, yy = x * x, y * y
        r2 = xx + yy
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        miss_x, miss_y = x * radial - ux, y * radial - uy
        if tangential:
            xy = 2 * x * y
            miss_x, miss_y = miss_x + p1 * xy + p2 * (r2 + 2 * xx), miss_y + p1 * (r2 + 2 * yy) + p2 * xy
        bend = 2 * (k1 + r2 * (2 * k2 + r2 * 3 * k3))
        # The inverse of radial * 1 + bend * (x, y)(x, y)'; beyond where the lens would fold the picture over there
        # is no answer, and nothing must blow up there.
        along = bend * (x * miss_x + y * miss_y) / np.maximum(radial + bend * r2, _LEAST_SLOPE)
        radial = np.maximum(radial, _LEAST_SLOPE)
        step_x, step_y = (miss_x - along * x) / radial, (miss_y - along * y) / radial
        x = np.maximum(np.minimum(x - step_x, _FARTHEST), -_FARTHEST)
        y = np.maximum(np.minimum(y - step_y, _FARTHEST), -_FARTHEST)
        if max(np.abs(step_x).max(), np.abs(step_y).max()) < _UNDISTORTED:
            break
    return x, y
