"""A fitted plane map with everything needed to say how sure it is: its parameters and the covariance of each origin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration.camera import PlaneMap
from calibration.camera_fit import CameraFit, prior_weights
from calibration.camera_step import stepped
from calibration.picture import PxPoints
from calibration.uncertainty import Budget, Component

Floats = NDArray[np.float64]

ALTERNATIVES = 48
"""Maps drawn from the covariance, each with its opposite: enough for all parameters of a photo with three references.
With more parameters their spread is known to 14 % (1 / sqrt(2 x 24))."""

_GRID = 9
_SMALL = 1e-3
"""Step of derivatives, in standard uncertainties: where camera and warp stand in for each other, larger ones are not
linear any more."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedMap:
    """A plane map as a function of parameters that are known with a covariance.

    Parameters
    ----------
    parameters : ndarray, shape (P,)
    build : callable
        A step away from the parameters (P,) to the :class:`PlaneMap` there.
    shares : dict
        Name of an origin to its part (P, P) of the covariance.
    words : dict
        Name of an origin to one sentence for people.
    residual_rms_mm : float
    perspective : bool
        Whether it is a photo's map (tilt and lens) rather than a scanner's.
    kurtosis : dict
        Excess kurtosis of origins that are no Gaussians.
    straight_lines : int
        How many straight lines in the picture, besides edges of known things, told of the lens.
    uneven_by_lines : bool
        Whether such lines showed that the sheet does not lie flat.
    """

    parameters: Floats
    build: Callable[[Floats], PlaneMap]
    shares: dict[str, Floats]
    words: dict[str, str]
    residual_rms_mm: float
    perspective: bool
    kurtosis: dict[str, float] = field(default_factory=dict)
    straight_lines: int = 0
    uneven_by_lines: bool = False

    @property
    def plane(self) -> PlaneMap:
        """The map itself."""
        return self.build(np.zeros_like(self.parameters))

    def alternatives(self, count: int = ALTERNATIVES, seed: int = 20) -> tuple[PlaneMap, ...]:
        """Draw maps from the whole covariance; the same for the same input.

        Where there are at least as many draws as parameters, they are made to have that very covariance and not one
        that chance makes a tenth or two larger or smaller.
        """
        total = np.asarray(sum(self.shares.values()))
        values, vectors = np.linalg.eigh((total + total.T) / 2)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        draws = np.random.default_rng(seed).standard_normal((count // 2, len(self.parameters)))
        if draws.shape[0] >= draws.shape[1]:
            draws = np.linalg.qr(draws)[0] * np.sqrt(len(draws))
        # Every draw together with its opposite: the mean of the alternatives is then the map itself to first order.
        moves = np.concatenate([draws, -draws]) @ root.T
        return tuple(self.build(move) for move in moves)

    def _displacement_jacobian(self, points_px: PxPoints) -> tuple[Floats, Floats]:
        """Derivative of the mm positions by the parameters, rigid motion removed: (2N, P); and the centred points."""
        at = np.asarray(self.plane.to_mm(points_px))
        centred = at - at.mean(axis=0)
        total = np.asarray(sum(self.shares.values()))
        scale = np.sqrt(np.maximum(np.diag(total), 0.0))
        rigid = np.stack(
            [
                np.tile([1.0, 0.0], len(at)),
                np.tile([0.0, 1.0], len(at)),
                np.stack([-centred[:, 1], centred[:, 0]], axis=1).ravel(),
            ],
            axis=1,
        )
        basis, _ = np.linalg.qr(rigid)
        columns = []
        for i, step in enumerate(_SMALL * scale):
            if step == 0.0:
                columns.append(np.zeros(2 * len(at)))
                continue
            move = np.zeros_like(self.parameters)
            move[i] = step
            shift = (np.asarray(self.build(move).to_mm(points_px)) - self.build(-move).to_mm(points_px)) / (2 * step)
            flat = shift.ravel()
            columns.append(flat - basis @ (basis.T @ flat))
        return np.stack(columns, axis=1), centred

    def _relative(self, points_px: PxPoints) -> dict[str, float]:
        jacobian, centred = self._displacement_jacobian(points_px)
        reach = float(np.sqrt((centred**2).sum(axis=1).mean()))
        out = {}
        for name, share in self.shares.items():
            mean_square = max(0.0, float(np.einsum("ij,jk,ik->", jacobian, share, jacobian)) / len(centred))
            out[name] = float(np.sqrt(mean_square)) / reach
        return out

    def budget(self, points_px: PxPoints, reference_px: PxPoints | None = None) -> Budget:
        """Return the budget of the scale over these points, mm per m, largest component first.

        A component is the root mean square displacement that its origin can cause, after the best shift and turn, over
        the root mean square distance of the points from their middle: for a plain error of scale, that error.

        Parameters
        ----------
        points_px : PxPoints
        reference_px : PxPoints, optional
            The reference's own points: what the reading costs there stays ``reading``, what it costs more over all the
            points, because it is carried there, becomes ``extrapolation``.
        """
        relative = self._relative(points_px)
        if reference_px is not None and "reading" in relative and len(reference_px) >= 3:
            at_home = min(relative["reading"], self._relative(reference_px)["reading"])
            relative["extrapolation"] = float(np.sqrt(relative["reading"] ** 2 - at_home**2))
            relative["reading"] = at_home
        parts = [
            Component(
                name=name,
                standard_uncertainty=1000.0 * value,
                words=self.words.get(name, ""),
                excess_kurtosis=self.kurtosis.get(name, 0.0),
            )
            for name, value in relative.items()
        ]
        return Budget(components=tuple(sorted(parts, key=lambda c: -c.standard_uncertainty)))


def grid_over(width_px: int, height_px: int) -> PxPoints:
    """Return a grid of pixel points over the whole picture."""
    x = np.linspace(0, width_px - 1, _GRID)
    y = np.linspace(0, height_px - 1, _GRID)
    xx, yy = np.meshgrid(x, y)
    return PxPoints(np.stack([xx.ravel(), yy.ravel()], axis=1))


def moved(fitted: FittedMap, matrix: Floats) -> FittedMap:
    """Return the fitted map followed by an affine map (2, 3) of the millimetre plane."""
    build = fitted.build

    def built(step: Floats) -> PlaneMap:
        return build(step).moved_in_mm(matrix)

    return replace(fitted, build=built)


_ORIGINS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("reference tolerance", ("log_scale",)),
    ("lens", ("k1", "k2", "k3", "p1", "p2", "centre_x", "centre_y")),
    ("tilt", ("tilt",)),
    ("focal length", ("log_focal",)),
    ("scanner axes", ("anisotropy", "skew")),
)
EDGES_ALIKE = "edges of the reference"
WORDS = {
    "reading": "how exactly the reference could be read in the picture; a larger reference, or more pixels, helps",
    "extrapolation": "how the reading grows on its way from the reference to the far parts of the picture; a second "
    "reference at the other side of the pattern helps most",
    EDGES_ALIKE: "all edges of the reference alike may be seen a little outside or inside of where they are; a ruler "
    "or a mat, which is read by its lines, does not have this",
    "reference tolerance": "how true the reference itself is to its size; a steel ruler or a cutting mat is truer",
    "lens": "how the lens bends straight lines, where the picture does not show it; a ruler along another edge, or a "
    "gridded mat under the pattern, shows it",
    "tilt": "how the camera was tilted, where the picture does not show it; a second ruler along the far edge shows it",
    "focal length": "the camera's angle of view is not known; a photo straight from the phone, not one sent through a "
    "messenger, keeps it",
    "flatness": "how flat the sheet lies: its waves were measured and taken out, but only where its points are in "
    "view; pressing it flat helps most",
    "scanner axes": "the scanner may run a little long or askew; a square or two rulers at a right angle show it",
}

LENS_BY_LINES = (
    "how the lens bends straight lines, as far as straight lines on the sheet do not show it; a ruler along another "
    "edge, or a gridded mat under the pattern, shows it better"
)


def _prior_origins(fit: CameraFit) -> list[str]:
    """Origin of each row of the camera's prior residuals."""
    if fit.model == "scan":
        camera = ["anisotropy", "skew"]
    else:
        camera = ["tilt", "tilt", "log_focal", "centre_x", "centre_y", "k1", "k2", "p1", "p2", "k3"]
    count = len(fit.camera.prior_residuals(fit.parameters)) - len(camera)
    rows = camera + ["log_scale"] * count
    names = {member: origin for origin, members in _ORIGINS for member in members}
    return [names[row] for row in rows]


def split_by_origin(fit: CameraFit, theta: Floats, covariance: Floats) -> dict[str, Floats]:
    """Split a covariance by origin, at ``theta``; parameters beyond the camera's have no part in its priors.

    With ``C`` the covariance and ``P_k`` the information (weight matrix) that prior ``k`` brought, prior ``k`` is the
    origin of ``C P_k C``, since the estimate is linear in what was put in; what is left of ``C`` comes from the
    reading. The parts add up to ``C`` (JCGM 100, 5.1, in matrix form).
    """
    columns = []
    for i, step in enumerate(fit.camera.steps):
        up, down = theta.copy(), theta.copy()
        up[i] += step
        down[i] -= step
        columns.append((fit.camera.prior_residuals(up) - fit.camera.prior_residuals(down)) / (2 * step))
    jacobian = np.zeros((len(columns[0]), len(covariance)))
    jacobian[:, : len(theta)] = np.stack(columns, axis=1)
    weights = prior_weights(fit.camera.prior_residuals(theta), len(fit.camera.placements.scale_sigmas))
    shares: dict[str, Floats] = {"reading": covariance.copy()}
    for row, weight, origin in zip(jacobian, weights, _prior_origins(fit), strict=True):
        carried = covariance @ row
        part = weight * np.outer(carried, carried)
        shares[origin] = shares.get(origin, 0.0) + part
        shares["reading"] = shares["reading"] - part
    return shares


def from_camera_fit(fit: CameraFit) -> FittedMap:
    """Return a camera fit as a map with its covariance split by origin."""
    theta = fit.parameters
    return FittedMap(
        parameters=theta,
        build=lambda step: fit.camera.plane(stepped(fit.camera, theta, step)),
        shares=split_by_origin(fit, theta, fit.covariance),
        words=dict(WORDS),
        residual_rms_mm=fit.residual_rms_mm,
        perspective=fit.model == "photo",
    )
