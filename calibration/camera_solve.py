"""Damped, reweighted least squares of a camera's parameters.

Residuals are in standard deviations: measured points (Huber's weights on each point's distance), chains that are
straight in the world, known angles between them, and priors with Cauchy tails.

Sources: Huber 1981 for the weights, Levenberg 1944 and Marquardt 1963 for the steps (from memory); Devernay and
Faugeras, "Straight lines have to be straight", Machine Vision and Applications 13, 2001, for the chains.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import PlaneMap
from calibration.camera_model import CameraModel, Vector

_HUBER = 2.0
"""Huber's corner in standard deviations: 2 keeps 97 % efficiency under Gaussian errors."""
_PRIOR_TAIL = 3.0
"""Cauchy scale of the priors: at 3 standard deviations a prior pulls with a quarter of its Gaussian weight."""
_FREE = 1e-12
"""Damping that leaves a step free: it only keeps the equations solvable."""
ROUGH_CHI2 = 0.5
"""A fit that is settled by as much is a rough one."""
_PROMISES = 3
"""A rough fit ends when so many steps in a row settle nothing although a free one promises more (judgement): on a few
crossings that are no lattice the weights change with every step, and all forty were taken for a tenth of a percent."""
_PRIOR_FLOOR = 0.005
"""Share of its Gaussian weight that a prior never loses: no lens is a hundred standard deviations off, and wrong points
must not be explained by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Angle:
    """Two straight chains, by number, that meet at a known angle in the world (degrees, taken modulo 180)."""

    first: int
    second: int
    degrees: float = 90.0
    sigma_degrees: float = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Data:
    """What was measured: points, their references, straight chains and known angles.

    Points may be less sure in one direction: ``loose`` (N, 2) points there, as long as the standard uncertainty that
    comes to ``sigma``.
    """

    px: Vector
    mm: Vector
    sigma: Vector
    loose: Vector
    groups: NDArray[np.intp]
    chains: tuple[Vector, ...]
    chain_sigmas: tuple[float, ...]
    angles: tuple[Angle, ...]

    def in_sigmas(self, off_px: Vector) -> Vector:
        """Return what points are off (N, 2), or its derivatives (N, 2, P), in standard uncertainties."""
        flat = off_px.reshape(len(self.px), 2, -1)
        out = flat / self.sigma[:, None, None]
        size = np.hypot(*self.loose.T)
        some = np.flatnonzero(size > 0)
        if len(some):
            way = self.loose[some] / size[some, None]
            weight = 1 / np.hypot(self.sigma[some], size[some]) - 1 / self.sigma[some]
            aside = np.einsum("nk,nkp->np", way, flat[some]) * weight[:, None]
            out[some] += way[:, :, None] * aside[:, None, :]
        return np.asarray(out.reshape(off_px.shape))


def _derivative(function: Callable[[Vector], Vector], theta: Vector, steps: Vector) -> Vector:
    columns = []
    for i, step in enumerate(steps):
        up, down = theta.copy(), theta.copy()
        up[i] += step
        down[i] -= step
        columns.append((function(up) - function(down)) / (2 * step))
    return np.stack(columns, axis=1)


def _straight_residuals(plane: PlaneMap, data: Data) -> tuple[Vector, Vector]:
    """Distances of the chains' points from their undistorted lines and errors of known angles, both in sigma.

    There is one chain at least. Lines are those of total least squares, all at once: a picture has dozens.
    """
    counts = np.array([len(chain) for chain in data.chains])
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])

    def sums(values: Vector) -> Vector:
        return np.asarray(np.add.reduceat(values, first, axis=0))

    straight = plane.undistort((np.concatenate(data.chains) - plane.centre_px) / plane.focal_px)
    middles = sums(straight) / counts[:, None]
    d = straight - np.repeat(middles, counts, axis=0)
    turns = 0.5 * np.arctan2(2 * sums(d[:, 0] * d[:, 1]), sums(d[:, 0] ** 2 - d[:, 1] ** 2))
    directions = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    along = np.repeat(directions, counts, axis=0)
    sigmas = np.repeat(np.asarray(data.chain_sigmas), counts)
    distances = (d[:, 0] * along[:, 1] - d[:, 1] * along[:, 0]) * plane.focal_px / sigmas
    place = (d * along).sum(axis=1)
    half = (np.maximum.reduceat(place, first) - np.minimum.reduceat(place, first))[:, None] / 2
    mm = []
    for ends in (middles - directions * half, middles + directions * half):
        q = ends @ plane.homography[:, :2].T + plane.homography[:, 2]
        mm.append(q[:, :2] / q[:, 2:])
    way = mm[1] - mm[0]
    directions_mm = np.arctan2(way[:, 1], way[:, 0])
    errors = [
        ((np.degrees(directions_mm[a.second] - directions_mm[a.first]) - a.degrees + 90) % 180 - 90) / a.sigma_degrees
        for a in data.angles
    ]
    return distances, np.asarray(errors, dtype=np.float64)


def _huber_weights(norms: Vector, spread: float) -> Vector:
    limit = _HUBER * spread
    return np.asarray(np.where(norms <= limit, 1.0, limit / np.maximum(norms, limit)))


def prior_weights(residuals: Vector, scales: int) -> Vector:
    """Return the weight of each prior residual (in standard deviations): Cauchy's, and a little more.

    The last ones are those of the references' own scales, ``scales`` of them. The first of these weighs fully: that
    reference is the frame and nothing measured tells its size, so that a fit which came from far stayed where it was
    left, seven standard deviations off.
    """
    weights = 1 / (1 + residuals**2 / _PRIOR_TAIL) + _PRIOR_FLOOR
    if scales:
        weights[-scales] = 1.0
    return np.asarray(weights)


def _huber_cost(norms: Vector, spread: float) -> float:
    limit = _HUBER * spread
    return float(np.where(norms <= limit, norms**2, 2 * limit * norms - limit**2).sum())


class Problem:
    """All residuals of one camera model and one set of data, and their damped least squares."""

    def __init__(self, camera: CameraModel, data: Data, settled: float) -> None:
        self.settled = settled
        self.camera = camera
        self.data = data
        self.points = 2 * len(data.px)
        self.chain_points = sum(len(c) for c in data.chains)
        self.scales = len(camera.placements.scale_sigmas)

    def residuals(self, theta: Vector) -> Vector:
        """All residuals, in standard deviations."""
        d = self.data
        points = d.in_sigmas(self.camera.project(theta, d.mm, d.groups) - d.px)
        parts = [points.ravel()]
        if d.chains:
            parts.extend(_straight_residuals(self.camera.plane(theta), d))
        parts.append(self.camera.prior_residuals(theta))
        return np.concatenate(parts)

    def jacobian(self, theta: Vector) -> Vector:
        """Derivatives of the residuals: exact for the points, numerical for chains, angles and priors."""
        d = self.data
        points = d.in_sigmas(self.camera.derivative(theta, d.mm, d.groups))
        parts = [points.reshape(self.points, -1)]
        if d.chains:
            parts.append(
                _derivative(
                    lambda t: np.concatenate(_straight_residuals(self.camera.plane(t), d)), theta, self.camera.steps
                )
            )
        parts.append(self.camera.prior_derivative(theta))
        return np.concatenate(parts)

    def _split(self, r: Vector) -> tuple[Vector, Vector, Vector, Vector]:
        p, c, a = self.points, self.chain_points, len(self.data.angles)
        return r[:p], r[p : p + c], r[p + c : p + c + a], r[p + c + a :]

    def weights(self, r: Vector, spread: float, kept: NDArray[np.bool_]) -> Vector:
        """Weight of each residual; left-out points weigh nothing."""
        points, chains, angles, priors = self._split(r)
        norms = np.linalg.norm(points.reshape(-1, 2), axis=1)
        return np.concatenate(
            [
                np.repeat(_huber_weights(norms, spread) * kept / spread**2, 2),
                _huber_weights(np.abs(chains), 1.0),
                _huber_weights(np.abs(angles), 1.0),
                prior_weights(priors, self.scales),
            ]
        )

    def cost(self, r: Vector, spread: float, kept: NDArray[np.bool_]) -> float:
        """Robust sum of squares of the residuals."""
        points, chains, angles, priors = self._split(r)
        norms = np.linalg.norm(points.reshape(-1, 2), axis=1)[kept]
        prior = _PRIOR_TAIL * np.log1p(priors**2 / _PRIOR_TAIL) + _PRIOR_FLOOR * priors**2
        if self.scales:
            prior[-self.scales] = priors[-self.scales] ** 2
        straight = _huber_cost(np.abs(chains), 1.0) + _huber_cost(np.abs(angles), 1.0)
        return float(_huber_cost(norms, spread) / spread**2 + straight + prior.sum())

    def solve(self, theta: Vector, spread: float, kept: NDArray[np.bool_], steps: int = 40) -> Vector:
        """Levenberg-Marquardt on the reweighted residuals."""
        damping = 1e-4
        unkept = 0
        most_unkept = _PROMISES if self.settled >= ROUGH_CHI2 else steps
        r = self.residuals(theta)
        cost = self.cost(r, spread, kept)
        for _ in range(steps):
            jacobian = self.jacobian(theta)
            w = self.weights(r, spread, kept)
            normal = jacobian.T @ (jacobian * w[:, None])
            gradient = jacobian.T @ (w * r)
            scale = np.sqrt(np.maximum(np.diag(normal), 1e-30))
            improved = False
            for _ in range(12):
                step = (
                    np.linalg.solve(normal / np.outer(scale, scale) + damping * np.eye(len(theta)), -gradient / scale)
                    / scale
                )
                trial = self.residuals(theta + step)
                trial_cost = self.cost(trial, spread, kept)
                if np.isfinite(trial_cost) and trial_cost <= cost:
                    improved = True
                    break
                damping *= 8
            if not improved:
                break
            gain = cost - trial_cost
            theta, r, cost = theta + step, trial, trial_cost
            damping = max(damping / 8, _FREE)
            # What is small against the noise is small against whatever else the points miss by.
            settled = self.settled * max(1.0, cost / self.points) + 1e-7 * cost
            if gain <= settled:
                # A damped step gains little along a valley, however far the bottom is: a free one tells.
                free = normal / np.outer(scale, scale) + _FREE * np.eye(len(theta))
                promised = float(gradient / scale @ np.linalg.solve(free, gradient / scale))
                unkept += 1
                if damping <= _FREE or promised - gain <= settled or unkept > most_unkept:
                    break
                damping = max(damping / 512, _FREE)
            else:
                unkept = 0
        return theta

    def norms(self, theta: Vector) -> Vector:
        """Distance of each point from where the camera puts it, in its standard deviations."""
        return np.asarray(np.linalg.norm(self._split(self.residuals(theta))[0].reshape(-1, 2), axis=1))

    def covariance(self, theta: Vector, kept: NDArray[np.bool_], chi2: float) -> Vector:
        """Covariance of the parameters; the points' part is scaled by ``chi2`` where that is above one."""
        r = self.residuals(theta)
        jacobian = self.jacobian(theta)
        w = self.weights(r, 1.0, kept)
        w[: self.points] = np.repeat(kept.astype(np.float64), 2) / max(1.0, chi2)
        normal = jacobian.T @ (jacobian * w[:, None])
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-30))
        return np.asarray(
            np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-14, hermitian=True) / np.outer(scale, scale)
        )
