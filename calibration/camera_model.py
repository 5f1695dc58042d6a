"""Parameter vectors of the two cameras a picture can come from, and what is known of them beforehand.

A *photo* is a pinhole camera with a lens: the pose of the plane, the focal length, the principal point and the lens
coefficients of :mod:`calibration.camera`. A *scan* is an affine map. Both may carry placements of further references: a
turn, a shift and (where a reference has a tolerance) a scale of each, since a person lays them down anywhere.

Priors take the place of choosing between nested models: a coefficient about which the points say nothing stays at its
prior, and its prior spread goes where it belongs, into the covariance. Priors are heavy-tailed (see ``camera_fit``), so
that an unusual lens seen by many points is not pulled towards the usual one.

Limits: square pixels; a picture cropped far off its middle is met by the tails of the principal point's prior only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import PlaneMap

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """Standard deviations of what is assumed of a camera before a point is measured.

    The defaults are common practice for phone and compact cameras, no source: main cameras of phones have 35 mm
    equivalents of 22 to 28 mm, so about 0.72 of the long side; EXIF gives the equivalent in whole millimetres (2 %)
    by one of two conventions (width or diagonal, up to 4 % apart); makers correct barrel distortion to one or two per
    cent in the picture's corners, which are about 0.8 focal lengths off the middle; people hold the camera roughly
    square to the table.
    """

    focal_over_long_side: float = 0.75
    focal_log_sigma: float = 0.35
    focal_exif_log_sigma: float = 0.03
    tilt_sigma_deg: float = 12.0
    centre_sigma_of_diagonal: float = 0.004
    k1_sigma: float = 0.013
    k2_sigma: float = 0.006
    k3_sigma: float = 0.003
    tangential_sigma: float = 0.0005


class CameraModel(Protocol):
    """What the fit asks of a camera."""

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each parameter."""

    @property
    def steps(self) -> Vector:
        """Step of each parameter for a numerical derivative."""

    @property
    def placements(self) -> Placements:
        """Where the references lie in the plane of the first, and how true their sizes are."""

    def plane(self, theta: Vector) -> PlaneMap:
        """Return the map from pixels to the millimetres of the first reference."""

    def project(self, theta: Vector, points_mm: Vector, groups: NDArray[np.intp]) -> Vector:
        """Return pixels of points given in their own references' millimetres."""

    def derivative(self, theta: Vector, points_mm: Vector, groups: NDArray[np.intp]) -> Vector:
        """Return the derivatives of :meth:`project`, shape (N, 2, P)."""

    def prior_residuals(self, theta: Vector) -> Vector:
        """Return the priors' residuals, in standard deviations."""

    def prior_derivative(self, theta: Vector) -> Vector:
        """Return the derivatives of :meth:`prior_residuals`, shape (K, P)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Placements:
    """Turn, shift and scale of each reference in the plane of the first.

    Parameters
    ----------
    count : int
        Number of references; the first one is the frame.
    scale_sigmas : tuple of float
        Standard uncertainty of each reference's own size (relative); empty when sizes are taken as exact.
    unit_mm : float
        A typical length, so that shifts are of the order of one.
    """

    count: int = 1
    scale_sigmas: tuple[float, ...] = ()
    unit_mm: float = 1.0

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the placement parameters."""
        rigid = tuple(f"{what}{g}" for g in range(1, self.count) for what in ("turn", "shift_x", "shift_y"))
        return rigid + tuple(f"log_scale{g}" for g in range(len(self.scale_sigmas)))

    @property
    def size(self) -> int:
        """Number of placement parameters."""
        return 3 * (self.count - 1) + len(self.scale_sigmas)

    def place(self, phi: Vector, points_mm: Vector, groups: NDArray[np.intp]) -> Vector:
        """Return points moved from their own frames into the plane's."""
        if self.size == 0:
            return points_mm
        n = self.count
        turns, shifts, scales = np.zeros(n), np.zeros((n, 2)), np.ones(n)
        rigid = phi[: 3 * (n - 1)].reshape(n - 1, 3)
        turns[1:], shifts[1:] = rigid[:, 0], rigid[:, 1:] * self.unit_mm
        if self.scale_sigmas:
            scales = np.exp(phi[3 * (n - 1) :])
        c, s = (np.cos(turns) * scales)[groups], (np.sin(turns) * scales)[groups]
        x, y = points_mm[:, 0], points_mm[:, 1]
        return np.stack([c * x - s * y, s * x + c * y], axis=1) + shifts[groups]

    def derivative(self, phi: Vector, points_mm: Vector, groups: NDArray[np.intp]) -> Vector:
        """Return the derivatives of :meth:`place`, shape (N, 2, size)."""
        out = np.zeros((len(points_mm), 2, self.size))
        if self.size == 0:
            return out
        n = self.count
        shifts = np.zeros((n, 2))
        shifts[1:] = phi[: 3 * (n - 1)].reshape(n - 1, 3)[:, 1:] * self.unit_mm
        turned = self.place(phi, points_mm, groups) - shifts[groups]
        for g in range(1, n):
            mine = groups == g
            out[mine, 0, 3 * (g - 1)], out[mine, 1, 3 * (g - 1)] = -turned[mine, 1], turned[mine, 0]
            out[mine, 0, 3 * (g - 1) + 1] = out[mine, 1, 3 * (g - 1) + 2] = self.unit_mm
        for g in range(len(self.scale_sigmas)):
            out[groups == g, :, 3 * (n - 1) + g] = turned[groups == g]
        return out

    def prior_residuals(self, phi: Vector) -> Vector:
        """Scales stay within their tolerances; turns and shifts are free."""
        if not self.scale_sigmas:
            return np.zeros(0)
        return np.asarray(phi[3 * (self.count - 1) :] / np.asarray(self.scale_sigmas))

    def add_prior_derivative(self, out: Vector, row: int) -> None:
        """Write the derivatives of :meth:`prior_residuals` into the rows of a matrix from ``row`` on (last columns)."""
        count = len(self.scale_sigmas)
        for g, sigma in enumerate(self.scale_sigmas):
            out[row + g, out.shape[1] - count + g] = 1 / sigma


@dataclass(frozen=True, kw_only=True, eq=False)
class PhotoModel:
    """A pinhole camera with a lens looking at a plane.

    Parameters are: turn about x, y, z relative to ``turn0``; the middle of the reference in camera coordinates (in
    ``unit_mm``); log of the focal length over ``focal0_px``; principal point off the picture's middle; lens.
    """

    width_px: float
    height_px: float
    focal0_px: float
    focal_log_sigma: float
    middle_mm: Vector
    unit_mm: float
    turn0: NDArray[np.float64]
    priors: Priors
    placements: Placements

    _LENS = 9

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each parameter."""
        camera = ("turn_x", "turn_y", "turn_z", "x", "y", "z", "log_focal", "centre_x", "centre_y")
        return camera + ("k1", "k2", "p1", "p2", "k3") + self.placements.names

    @property
    def steps(self) -> Vector:
        """Step of each parameter for a numerical derivative (pixels move by some 1e-3)."""
        return np.concatenate(
            [np.full(7, 1e-6), np.full(2, 1e-3), np.full(5, 1e-6), np.full(self.placements.size, 1e-6)]
        )

    def _turn(self, theta: Vector) -> Vector:
        return np.asarray(self.turn0 @ cv2.Rodrigues(np.asarray(theta[:3], dtype=np.float64))[0])

    def _turns(self, theta: Vector) -> Vector:
        """Return the derivatives of the turn matrix by the first three parameters, shape (3, 3, 3)."""
        by_angle = cv2.Rodrigues(np.asarray(theta[:3], dtype=np.float64))[1]
        return np.asarray(self.turn0 @ by_angle.reshape(3, 3, 3))

    def _to_camera(self, theta: Vector) -> Vector:
        """3x3 matrix from (X, Y, 1) mm to camera coordinates in ``unit_mm``."""
        turn = self._turn(theta)
        columns = turn[:, :2] / self.unit_mm
        return np.column_stack([columns, theta[3:6] - columns @ self.middle_mm])

    def _centre_px(self, theta: Vector) -> Vector:
        return np.asarray([(self.width_px - 1) / 2 + theta[7], (self.height_px - 1) / 2 + theta[8]])

    def plane(self, theta: Vector) -> PlaneMap:
        """Return the map from pixels to the millimetres of the first reference."""
        centre = self._centre_px(theta)
        lens = theta[self._LENS : self._LENS + 5]
        inverse = np.linalg.inv(self._to_camera(theta))
        return PlaneMap(
            homography=inverse / inverse[2, 2],
            centre_px=(float(centre[0]), float(centre[1])),
            focal_px=float(self.focal0_px * np.exp(theta[6])),
            distortion=(float(lens[0]), float(lens[1]), float(lens[2]), float(lens[3]), float(lens[4])),
        )

    def project(self, theta: Vector, points_mm: Vector, groups: NDArray[np.intp]) -> Vector:
        """Return pixels of points given in their own references' millimetres."""
        placed = self.placements.place(theta[self._LENS + 5 :], points_mm, groups)
        g = self._to_camera(theta)
        q = placed @ g[:, :2].T + g[:, 2]
        depth = np.where(np.abs(q[:, 2]) < 1e-9, 1e-9, q[:, 2])
        x, y = q[:, 0] / depth, q[:, 1] / depth
        k1, k2, p1, p2, k3 = theta[self._LENS : self._LENS + 5]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        u = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        v = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        centre, focal = self._centre_px(theta), self.focal0_px * np.exp(theta[6])
        return np.stack([u * focal + centre[0], v * focal + centre[1]], axis=1)

    def derivative(self, theta: Vector, points_mm: Vector, groups: NDArray[np.intp]) -> Vector:
        """Return the derivatives of :meth:`project`, shape (N, 2, P)."""
        phi = theta[self._LENS + 5 :]
        placed = self.placements.place(phi, points_mm, groups)
        flat = np.column_stack([placed, np.ones(len(placed))])
        g = self._to_camera(theta)
        q = flat @ g.T
        depth = np.where(np.abs(q[:, 2]) < 1e-9, 1e-9, q[:, 2])
        x, y = q[:, 0] / depth, q[:, 1] / depth
        k1, k2, p1, p2, k3 = theta[self._LENS : self._LENS + 5]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2 * (k1 + r2 * (2 * k2 + 3 * r2 * k3))
        focal = self.focal0_px * np.exp(theta[6])
        # Lens: derivative of the distorted by the undistorted, 2 x 2 for each point.
        lens = np.empty((len(x), 2, 2))
        lens[:, 0, 0] = radial + x * x * slope + 2 * p1 * y + 6 * p2 * x
        lens[:, 1, 1] = radial + y * y * slope + 6 * p1 * y + 2 * p2 * x
        lens[:, 0, 1] = lens[:, 1, 0] = x * y * slope + 2 * p1 * x + 2 * p2 * y
        lens *= focal
        by_camera = np.zeros((len(x), 2, 3))  # pixels by camera coordinates
        by_camera[:, :, :2] = lens / depth[:, None, None]
        by_camera[:, :, 2] = -(lens[:, :, 0] * x[:, None] + lens[:, :, 1] * y[:, None]) / depth[:, None]
        out = np.zeros((len(x), 2, len(theta)))
        # The middle of the reference stays where it is, whichever way the plane turns about it.
        from_middle = (placed - self.middle_mm) / self.unit_mm
        for i, turned in enumerate(self._turns(theta)):
            out[:, :, i] = (by_camera * (from_middle @ turned[:, :2].T)[:, None, :]).sum(axis=2)
        out[:, :, 3:6] = by_camera
        out[:, 0, 6] = focal * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x))
        out[:, 1, 6] = focal * (y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y)
        out[:, 0, 7] = out[:, 1, 8] = 1.0
        xy = np.stack([x, y], axis=1) * focal
        for i, power in ((9, r2), (10, r2**2), (13, r2**3)):
            out[:, :, i] = xy * power[:, None]
        out[:, 0, 11], out[:, 1, 11] = focal * 2 * x * y, focal * (r2 + 2 * y * y)
        out[:, 0, 12], out[:, 1, 12] = focal * (r2 + 2 * x * x), focal * 2 * x * y
        if self.placements.size:
            by_plane = by_camera @ g[:, :2]
            out[:, :, 14:] = by_plane @ self.placements.derivative(phi, points_mm, groups)
        return out

    def prior_residuals(self, theta: Vector) -> Vector:
        """Return the priors' residuals, in standard deviations."""
        p = self.priors
        normal = self._turn(theta)[:2, 2] / np.sin(np.radians(p.tilt_sigma_deg))
        centre = theta[7:9] / (p.centre_sigma_of_diagonal * np.hypot(self.width_px, self.height_px))
        sigmas = np.asarray([p.k1_sigma, p.k2_sigma, p.tangential_sigma, p.tangential_sigma, p.k3_sigma])
        lens = theta[self._LENS : self._LENS + 5] / sigmas
        focal = np.asarray([theta[6] / self.focal_log_sigma])
        return np.concatenate([normal, focal, centre, lens, self.placements.prior_residuals(theta[self._LENS + 5 :])])

    def prior_derivative(self, theta: Vector) -> Vector:
        """Return the derivatives of :meth:`prior_residuals`, shape (K, P)."""
        p = self.priors
        out = np.zeros((10 + len(self.placements.scale_sigmas), len(theta)))
        # Tilt: the turn matrix is not linear; everything else is.
        out[:2, :3] = self._turns(theta)[:, :2, 2].T / np.sin(np.radians(p.tilt_sigma_deg))
        out[2, 6] = 1 / self.focal_log_sigma
        out[3, 7] = out[4, 8] = 1 / (p.centre_sigma_of_diagonal * np.hypot(self.width_px, self.height_px))
        for i, sigma in enumerate((p.k1_sigma, p.k2_sigma, p.tangential_sigma, p.tangential_sigma, p.k3_sigma)):
            out[5 + i, 9 + i] = 1 / sigma
        self.placements.add_prior_derivative(out, 10)
        return out


@dataclass(frozen=True, kw_only=True, eq=False)
class ScanModel:
    """An affine map: a flatbed scanner, whose carriage may run a little long, short or askew.

    Parameters are the log of the scale (px per mm, over ``scale0``), the log of the ratio of the two scales, the turn
    of the millimetre axes, the lack of squareness, and the shift in pixels.
    """

    scale0_px_per_mm: float
    turn0_rad: float
    middle_mm: Vector
    middle_px: Vector
    placements: Placements
    anisotropy_sigma: float = 0.002
    """Difference of a scanner's two scales: 0.2 %, common practice, no source."""
    skew_sigma: float = 0.001
    """Lack of squareness: 1 mm per m, common practice, no source."""

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each parameter."""
        return ("log_scale", "anisotropy", "turn", "skew", "x", "y") + self.placements.names

    @property
    def steps(self) -> Vector:
        """Step of each parameter for a numerical derivative."""
        return np.concatenate([np.full(4, 1e-7), np.full(2, 1e-3), np.full(self.placements.size, 1e-6)])

    def _matrix(self, theta: Vector) -> Vector:
        """2x2 matrix from mm to px: a turn of the sheet, then the scanner's own two scales and skew."""
        angle = self.turn0_rad + theta[2]
        c, s = np.cos(angle), np.sin(angle)
        scale = self.scale0_px_per_mm * np.exp(theta[0])
        device = np.asarray([[scale * np.exp(theta[1] / 2), scale * theta[3]], [0.0, scale * np.exp(-theta[1] / 2)]])
        return np.asarray(device @ np.asarray([[c, -s], [s, c]]))

    def plane(self, theta: Vector) -> PlaneMap:
        """Return the map from pixels to the millimetres of the first reference."""
        inverse = np.linalg.inv(self._matrix(theta))
        shift = self.middle_mm - inverse @ (self.middle_px + theta[4:6])
        return PlaneMap.affine(np.column_stack([inverse, shift]))

    def project(self, theta: Vector, points_mm: Vector, groups: NDArray[np.intp]) -> Vector:
        """Return pixels of points given in their own references' millimetres."""
        placed = self.placements.place(theta[6:], points_mm, groups)
        return np.asarray((placed - self.middle_mm) @ self._matrix(theta).T + self.middle_px + theta[4:6])

    def derivative(self, theta: Vector, points_mm: Vector, groups: NDArray[np.intp]) -> Vector:
        """Return the derivatives of :meth:`project`, shape (N, 2, P)."""
        placed = self.placements.place(theta[6:], points_mm, groups)
        out = np.zeros((len(placed), 2, len(theta)))
        for i in range(4):
            up, down = theta.copy(), theta.copy()
            up[i] += 1e-6
            down[i] -= 1e-6
            out[:, :, i] = (placed - self.middle_mm) @ ((self._matrix(up) - self._matrix(down)) / 2e-6).T
        out[:, 0, 4] = out[:, 1, 5] = 1.0
        if self.placements.size:
            out[:, :, 6:] = self._matrix(theta) @ self.placements.derivative(theta[6:], points_mm, groups)
        return out

    def prior_residuals(self, theta: Vector) -> Vector:
        """Return the priors' residuals, in standard deviations."""
        device = np.asarray([theta[1] / self.anisotropy_sigma, theta[3] / self.skew_sigma])
        return np.concatenate([device, self.placements.prior_residuals(theta[6:])])

    def prior_derivative(self, theta: Vector) -> Vector:
        """Return the derivatives of :meth:`prior_residuals`, shape (K, P)."""
        out = np.zeros((2 + len(self.placements.scale_sigmas), len(theta)))
        out[0, 1], out[1, 3] = 1 / self.anisotropy_sigma, 1 / self.skew_sigma
        self.placements.add_prior_derivative(out, 2)
        return out
