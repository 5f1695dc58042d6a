"""The smooth part of what a camera model leaves: taken out only where it predicts points that were held back.

A mat or a printed target that lies in gentle waves, or a lens with a bend of its own, leaves residuals that
neighbouring points share. A warp of few degrees of freedom follows them. How coarse it is and how far it may go is
chosen by cross-validation, in which whole blocks of neighbouring points are held back together: points side by side
share their errors and would vouch for each other. It is accepted only when the blocks held back are predicted better
with it than without, by more than chance and by enough to matter.

Once accepted, camera and warp are solved for together, with the warp as a random field of the chosen size: within the
points the map becomes as sure as they make it, beyond their reach it falls back to the camera alone, and what the sheet
may do there is in the covariance.

Sources: smoothing by penalised B-splines after Eilers and Marx, "Flexible smoothing with B-splines and penalties",
Statistical Science 11, 1996; cross-validation by blocks after Roberts et al., "Cross-validation strategies for data
with temporal, spatial, hierarchical, or phylogenetic structure", Ecography 40, 2017 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.spatial import cKDTree

from calibration.camera import PlaneMap
from calibration.camera_fit import CameraFit, placed
from calibration.camera_solve import Problem
from calibration.camera_step import stepped
from calibration.fitted import WORDS, FittedMap, Floats, split_by_origin
from calibration.picture import PxPoints
from calibration.warp import SmoothWarp

_FEWEST_POINTS = 40
_FEWEST_BLOCKS = 12
_BLOCKS_ALONG = 7
"""Blocks along the longer side of the points' extent."""
_FOLDS = 5
_SPACINGS = (2.0, 3.0, 4.0, 6.0, 8.0)
"""Lattice spacings to choose from: so many to the longer side of the points' extent."""
_AMPLITUDES = (1.0, 4.0)
"""Standard deviations of a coefficient to choose from, over the root mean square residual (a field's own standard
deviation is about half that of its coefficients)."""
_SURE = 3.0
"""The gain over all blocks is to exceed so many of its standard errors: the best of ten choices is judged."""
_MATTERS = 0.85
"""Share of the root mean square residual, of points held back, that the warp may leave at most."""
_NEIGHBOURS = 10
_STRAY = 5.0
"""A point that differs from its neighbours' median residual by more robust standard deviations is left out."""
_NEARLY_ALL = 0.95
_LEAST_NOISE = 1e-4
_ROUNDS = 25
_SHARES = (1.0, 0.5, 0.25, 0.1)
"""Of a step that are tried, until one makes the fit better."""
_SETTLED = 0.2


@dataclass(frozen=True, kw_only=True, eq=False)
class HeldBack:
    """What cross-validation found.

    Parameters
    ----------
    before_px, after_px : float
        Root mean square residual of points held back, without and with the warp.
    sureness : float
        Mean gain of a block over its standard error.
    spacing_px, amplitude_px : float
        The choice that did best: the lattice's spacing, and the standard deviation of a coefficient.
    spread : float
        How far points are believed to lie off plane and warp, in the standard uncertainties of their reading, one or
        more: between how far they lie off their neighbours, and how far off they were when held back in blocks.
    """

    before_px: float
    after_px: float
    sureness: float
    spacing_px: float
    amplitude_px: float
    spread: float

    @property
    def accepted(self) -> bool:
        """Whether the warp does better than none beyond chance, and by enough to matter."""
        return self.sureness > _SURE and self.after_px < _MATTERS * self.before_px


def _residuals(fit: CameraFit) -> Floats:
    """Where the camera puts each point less where it was measured, (N, 2)."""
    return np.asarray(fit.camera.project(fit.parameters, fit.data.mm, fit.data.groups) - fit.data.px)


def _beside_neighbours(px: Floats, residuals: Floats, sigma: Floats) -> tuple[NDArray[np.bool_], float]:
    """Return which points go on from their neighbours' residuals, and how far those are from it.

    The others were misread, whatever the sheet does. The second figure is a reduced chi-square.
    """
    near = np.asarray(cKDTree(px).query(px, k=min(_NEIGHBOURS + 1, len(px)))[1])[:, 1:]
    off = np.linalg.norm(residuals - np.median(residuals[near], axis=1), axis=1) / sigma
    fair = off <= 2 * _STRAY * float(np.median(off))
    # A plane through the neighbours' residuals, at the point itself; a small ridge holds it where they are in line.
    away = (px[near] - px[:, None]) / np.maximum(np.linalg.norm(px[near] - px[:, None], axis=2).max(axis=1), 1.0)[
        :, None, None
    ]
    design = np.concatenate([np.ones((*away.shape[:2], 1)), away], axis=2)
    weighed = design * fair[near][:, :, None]
    inverse = np.linalg.inv(np.swapaxes(weighed, 1, 2) @ design + np.diag([1e-6, 1e-2, 1e-2]))
    level = (inverse @ (np.swapaxes(weighed, 1, 2) @ residuals[near]))[:, 0]
    # What the neighbours say of the point has an error of its own.
    off = np.linalg.norm(residuals - level, axis=1) / sigma / np.sqrt(1 + np.minimum(inverse[:, 0, 0], 10.0))
    # The median of a two-dimensional Gaussian distance is 1.1774 standard deviations.
    kept = np.asarray(off <= _STRAY * float(np.median(off)) / 1.1774)
    return kept, float((off[kept] ** 2).mean() / 2)


def smoothly_off(fit: CameraFit, chi2: float) -> bool:
    """Return whether what a fit leaves is shared by neighbours: beside them, points are read to within ``chi2``.

    Or to a quarter of the fit's own. Points that were numbered wrongly, or that are none, leave residuals without
    order.
    """
    if len(fit.data.px) < _FEWEST_POINTS or float(fit.inliers.mean()) < _NEARLY_ALL:
        return False
    return _beside_neighbours(fit.data.px, _residuals(fit), fit.data.sigma)[1] <= max(chi2, fit.reduced_chi2 / 4)


def _blocks(px: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the block of each point, numbered from 0, and the fold of each block; neighbours differ in fold."""
    low, extent = px.min(axis=0), np.ptp(px, axis=0)
    side = float(extent.max()) / _BLOCKS_ALONG * (1 + 1e-9)
    cell = np.floor((px - low) / side).astype(np.intp)
    cells, block = np.unique(cell, axis=0, return_inverse=True)
    return np.ravel(block), np.asarray((cells[:, 0] + 2 * cells[:, 1]) % _FOLDS)


def _solved(basis: Floats, residuals: Floats, weight: Floats, amplitude_px: float) -> Floats:
    """Coefficients (size, 2) that follow the residuals, each drawn towards zero by its standard deviation."""
    normal = basis.T @ (basis * weight[:, None]) + np.eye(basis.shape[1]) / amplitude_px**2
    return np.asarray(np.linalg.solve(normal, basis.T @ (residuals * weight[:, None])))


def held_back(fit: CameraFit, size_px: tuple[float, float]) -> tuple[HeldBack | None, NDArray[np.bool_]]:
    """Ask whether a warp predicts blocks of points that it was not told of.

    Parameters
    ----------
    fit : CameraFit
    size_px : tuple of float
        Width and height of the picture.

    Returns
    -------
    HeldBack or None
        None where the points are too few, or spread too little, to tell.
    ndarray of bool, shape (N,)
        Points that were not misread.
    """
    data = fit.data
    if len(data.px) < _FEWEST_POINTS:
        return None, np.ones(len(data.px), dtype=bool)
    residuals = _residuals(fit)
    kept, noise = _beside_neighbours(data.px, residuals, data.sigma)
    px, r, sigma = data.px[kept], residuals[kept], data.sigma[kept]
    if len(px) < _FEWEST_POINTS:
        return None, kept
    block, fold_of_block = _blocks(px)
    if len(fold_of_block) < _FEWEST_BLOCKS or len(np.unique(fold_of_block)) < _FOLDS:
        return None, kept
    fold, weight = fold_of_block[block], 1 / (max(noise, _LEAST_NOISE) * sigma**2)
    reach = float(np.ptp(px, axis=0).max())
    rms = float(np.sqrt((r**2).mean()))
    best: HeldBack | None = None
    for count in _SPACINGS:
        basis = SmoothWarp.over(*size_px, reach / count).basis(PxPoints(px))
        for amplitude in _AMPLITUDES:
            left = np.empty_like(r)
            for one in range(_FOLDS):
                out = fold == one
                left[out] = r[out] - basis[out] @ _solved(basis[~out], r[~out], weight[~out], amplitude * rms)
            found = _judged(r, left, sigma, block, reach / count, amplitude * rms, noise)
            if best is None or found.after_px < best.after_px:
                best = found
    return best, kept


def _judged(
    before: Floats,
    after: Floats,
    sigma: Floats,
    block: NDArray[np.intp],
    spacing_px: float,
    amplitude_px: float,
    noise: float,
) -> HeldBack:
    gain = ((before**2).sum(axis=1) - (after**2).sum(axis=1)) / sigma**2
    by_block = np.bincount(block, weights=gain)
    error = float(by_block.std(ddof=1)) / np.sqrt(len(by_block))
    return HeldBack(
        before_px=float(np.sqrt((before**2).mean())),
        after_px=float(np.sqrt((after**2).mean())),
        sureness=float(by_block.mean()) / max(error, 1e-12),
        spacing_px=spacing_px,
        amplitude_px=amplitude_px,
        spread=max(1.0, float((noise * ((after / sigma[:, None]) ** 2).mean()) ** 0.25)),
    )


class _Joint:
    """Camera and warp solved for together; unknowns are the camera's parameters and the warp's coefficients."""

    def __init__(self, fit: CameraFit, warp: SmoothWarp, judged: HeldBack, kept: NDArray[np.bool_]) -> None:
        # Edges of a sheet that does not lie flat are not straight in the picture.
        data = replace(fit.data, chains=(), angles=())
        self.camera, self.data, self.warp, self.kept = fit.camera, data, warp, kept
        self.problem = Problem(fit.camera, data, 0.0)
        self.weight = np.repeat(kept / (fit.data.sigma * judged.spread) ** 2, 2)
        self.amplitude_px = judged.amplitude_px
        basis = warp.basis(PxPoints(fit.data.px))
        # Shift in x by the first half of the coefficients, in y by the second.
        self.rows = np.zeros((2 * len(basis), 2 * warp.size))
        self.rows[0::2, : warp.size], self.rows[1::2, warp.size :] = basis, basis
        self.weighed = self.rows.T * self.weight
        self.factor = cho_factor(self.weighed @ self.rows + np.eye(2 * warp.size) / self.amplitude_px**2)

    def best(self, theta: Floats) -> Floats:
        """Return the warp's coefficients that go best with a camera; its misses are linear in them."""
        seen = self.camera.project(theta, self.data.mm, self.data.groups) - self.data.px
        return np.asarray(cho_solve(self.factor, self.weighed @ seen.ravel()))

    def misses(self, theta: Floats, coefficients: Floats) -> Floats:
        """Where the camera puts each point less where the warp moves it, (2N,) px."""
        seen = self.camera.project(theta, self.data.mm, self.data.groups) - self.data.px
        return np.asarray(seen.ravel() - self.rows @ coefficients)

    def cost(self, theta: Floats, coefficients: Floats) -> float:
        """Sum of squares of everything that is weighed."""
        problem = self.problem
        r = problem.residuals(theta)
        rest = problem.cost(r, 1.0, np.zeros_like(self.kept))
        drawn = float((coefficients**2).sum()) / self.amplitude_px**2
        return float((self.weight * self.misses(theta, coefficients) ** 2).sum()) + rest + drawn

    def normal(self, theta: Floats, coefficients: Floats) -> tuple[Floats, Floats]:
        """Normal matrix and gradient, (P, P) and (P,)."""
        n = len(theta)
        by_camera = self.camera.derivative(theta, self.data.mm, self.data.groups).reshape(-1, n)
        jacobian = np.hstack([by_camera, -self.rows])
        normal = jacobian.T @ (jacobian * self.weight[:, None])
        gradient = jacobian.T @ (self.weight * self.misses(theta, coefficients))
        # Priors know nothing of the warp.
        problem = self.problem
        all_r = problem.residuals(theta)
        w = problem.weights(all_r, 1.0, self.kept)[problem.points :]
        r, j = all_r[problem.points :], problem.jacobian(theta)[problem.points :]
        normal[:n, :n] += j.T @ (j * w[:, None])
        gradient[:n] += j.T @ (w * r)
        normal[n:, n:] += np.eye(len(coefficients)) / self.amplitude_px**2
        gradient[n:] += coefficients / self.amplitude_px**2
        return normal, gradient

    def solved(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """Return parameters, coefficients and the covariance of both together."""
        n, coefficients = len(theta), self.best(theta)
        cost = self.cost(theta, coefficients)
        for _ in range(_ROUNDS):
            normal, gradient = self.normal(theta, coefficients)
            scale = np.sqrt(np.diag(normal))
            step = np.linalg.solve(normal / np.outer(scale, scale), -gradient / scale) / scale
            for share in _SHARES:
                new_theta = stepped(self.camera, theta, share * step[:n])
                new_coefficients = self.best(new_theta)
                new = self.cost(new_theta, new_coefficients)
                if new < cost:
                    break
            else:
                break
            gain, theta, coefficients, cost = cost - new, new_theta, new_coefficients, new
            if gain < _SETTLED:
                break
        normal, _ = self.normal(theta, coefficients)
        scale = np.sqrt(np.diag(normal))
        return theta, coefficients, np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale)


def with_warp(fit: CameraFit, size_px: tuple[float, float]) -> FittedMap | None:
    """Return the map with a smooth warp, where the points of a fit justify one; else None.

    Parameters
    ----------
    fit : CameraFit
        With its points and everything else it was fitted to.
    size_px : tuple of float
        Width and height of the picture.
    """
    judged, kept = held_back(fit, size_px)
    if judged is None or not judged.accepted:
        return None
    data, camera, n = fit.data, fit.camera, len(fit.parameters)
    joint = _Joint(fit, SmoothWarp.over(*size_px, judged.spacing_px), judged, kept)
    theta, coefficients, covariance = joint.solved(fit.parameters)
    left = joint.misses(theta, coefficients).reshape(-1, 2)[kept]
    if float((left**2).mean()) >= float((_residuals(fit)[kept] ** 2).mean()) * _MATTERS**2:
        return None
    shares = split_by_origin(fit, theta, covariance)
    shares["flatness"] = covariance[:, n:] @ covariance[n:, :] / judged.amplitude_px**2
    shares["reading"] = shares["reading"] - shares["flatness"]
    warp = joint.warp.moved_by(coefficients)

    def build(step: Floats) -> PlaneMap:
        flat = camera.plane(stepped(camera, theta, np.asarray(step[:n])))
        return replace(flat, warp=warp.moved_by(np.asarray(step[n:])))

    off_mm = np.asarray(build(np.zeros(len(covariance))).to_mm(PxPoints(data.px))) - placed(camera, theta, data)
    return FittedMap(
        parameters=np.concatenate([theta, coefficients]),
        build=build,
        shares=shares,
        words=dict(WORDS),
        residual_rms_mm=float(np.sqrt((off_mm[kept] ** 2).sum(axis=1).mean())),
        perspective=fit.model == "photo",
    )
