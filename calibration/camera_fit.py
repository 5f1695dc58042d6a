"""Plane and lens fitted to measured points: one robust least squares over all references together.

Points are compared where they were measured, in pixels. Gross errors are met by Huber's weights on each point's
distance and, once the fit has settled, left out beyond four standard deviations. Chains of points on straight things
carry no scale and still bend with the lens (the plumb-line principle; Devernay and Faugeras, "Straight lines have to be
straight", Machine Vision and Applications 13, 2001); known angles between them tell of tilt. Priors have Cauchy tails.

The covariance is the inverse of the normal matrix at the solution, the measured part scaled by the reduced chi-square
where that is above one (JCGM 100 leaves this to the evaluator; it keeps a too optimistic ``sigma_px`` from doing harm).

Source of the lens: Brown 1966 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import special

from calibration.camera import PlaneMap
from calibration.camera_model import CameraModel, PhotoModel, Placements, Priors, ScanModel, Vector
from calibration.camera_solve import Angle, Data, Problem, prior_weights
from calibration.errors import ScaleError
from calibration.picture import MmPoints, PxPoints

__all__ = ["Angle", "CameraFit", "ModelName", "draw_planes", "fit_camera", "placed", "prior_weights"]

ModelName = Literal["auto", "scan", "photo"]

_REJECT = 4.0
"""Points farther than this many robust standard deviations (of a two-dimensional error) are left out at last."""
MAX_CHAIN = 40
"""Points kept of each straight chain; neighbours along an edge carry the same error, so more would pretend."""
_SETTLED = 0.02
"""The fit ends when a step lowers the sum of squares (in standard deviations) by less: a seventh of one sigma."""
_COHERENT_PX = 0.01
"""What readings beside each other may be off together, from interpolating between pixels and grey steps (judgement):
however little they scatter, less than this tells nothing of a camera."""
_FEW = 10
"""With fewer points than this none is left out: redundancy is too small to tell which one is wrong."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraFit:
    """Result of :func:`fit_camera`.

    Parameters
    ----------
    plane : PlaneMap
        Pixels to the millimetres of the first reference's frame.
    parameters, covariance : ndarray
        Of ``names``; shapes (P,) and (P, P).
    residual_rms_px, residual_rms_mm : float
        Root mean square distance between measured and fitted points that were kept.
    reduced_chi2 : float
        Of the kept points, with the ``sigma_px`` they came with.
    inliers : ndarray of bool, shape (N,)
    model : {'scan', 'photo'}
    camera : CameraModel
    data : Data
        What it was fitted to.
    """

    plane: PlaneMap
    parameters: Vector
    covariance: Vector
    names: tuple[str, ...]
    residual_rms_px: float
    residual_rms_mm: float
    reduced_chi2: float
    inliers: NDArray[np.bool_]
    model: Literal["scan", "photo"]
    camera: CameraModel = field(repr=False)
    data: Data = field(repr=False)

    def standard_uncertainty(self, name: str) -> float:
        """Return the standard uncertainty of one parameter."""
        i = self.names.index(name)
        return float(np.sqrt(self.covariance[i, i]))

    def moved_parameters(self, moves_px: Vector) -> Vector:
        """Return by how much the parameters change when the measured points (N, 2) are moved, to first order."""
        rows = self.camera.derivative(self.parameters, self.data.mm, self.data.groups)
        weights = self.inliers / max(1.0, self.reduced_chi2)
        told = np.einsum("nkp,nk,n->p", self.data.in_sigmas(rows), self.data.in_sigmas(moves_px), weights)
        return np.asarray(self.covariance @ told)

    def position_sigma_px(self, points_mm: MmPoints) -> Vector:
        """Return the standard uncertainty of where plane points fall in the picture (larger axis), shape (N,)."""
        mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        groups = np.zeros(len(mm), dtype=np.intp)
        rows = self.camera.derivative(self.parameters, mm, groups)
        variance = ((rows @ self.covariance) * rows).sum(axis=2)
        return np.asarray(np.sqrt(variance.max(axis=1)))


def _rigid(source: Vector, target: Vector) -> tuple[float, Vector, float]:
    """Turn, shift and scale taking ``source`` to ``target`` in the least squares sense (no mirror)."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    turn = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
    scale = float(np.sqrt((b**2).sum() / max((a**2).sum(), 1e-30)))
    c, s = np.cos(turn), np.sin(turn)
    return turn, target.mean(axis=0) - np.asarray([[c, -s], [s, c]]) @ source.mean(axis=0), scale


def _is_line(points: Vector) -> bool:
    singular = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(singular[1] < 0.01 * singular[0])


def _start_homography(px: Vector, mm: Vector) -> Vector:
    """Millimetres to pixels: a homography where the points allow one, else a similarity."""
    if len(px) >= 4 and not _is_line(mm):
        method = cv2.RANSAC if len(px) >= _FEW else 0
        threshold = 0.01 * float(np.ptp(px, axis=0).max())
        found, _ = cv2.findHomography(mm, px, method, threshold)
        if found is not None and np.all(np.isfinite(found)) and np.linalg.det(found) > 0:
            return np.asarray(found / found[2, 2])
    turn, _, scale = _rigid(mm, px)
    c, s = scale * np.cos(turn), scale * np.sin(turn)
    offset = px.mean(axis=0) - np.asarray([[c, -s], [s, c]]) @ mm.mean(axis=0)
    return np.asarray([[c, -s, offset[0]], [s, c, offset[1]], [0, 0, 1.0]])


def _start_placements(data: Data, count: int, unit_mm: float, scales: int) -> tuple[Vector, Vector]:
    """Homography (mm of group 0 to px) from the largest group, and placements of the others by it."""
    spans = [float(np.ptp(data.px[data.groups == g], axis=0).sum()) for g in range(count)]
    best = int(np.argmax(spans))
    chosen = data.groups == best
    to_px = _start_homography(data.px[chosen], data.mm[chosen])
    back = np.linalg.inv(to_px)

    def in_best(g: int) -> Vector:
        p = data.px[data.groups == g]
        q = p @ back[:, :2].T + back[:, 2]
        return np.asarray(q[:, :2] / q[:, 2:])

    if best != 0:
        turn, shift, _ = _rigid(data.mm[data.groups == 0], in_best(0))
        c, s = np.cos(turn), np.sin(turn)
        to_px = to_px @ np.asarray([[c, -s, shift[0]], [s, c, shift[1]], [0, 0, 1.0]])
        back = np.linalg.inv(to_px)
    placements = []
    for g in range(1, count):
        turn, shift, _ = _rigid(data.mm[data.groups == g], in_best(g))
        placements.extend([turn, shift[0] / unit_mm, shift[1] / unit_mm])
    return to_px, np.asarray(placements + [0.0] * scales, dtype=np.float64)


def _photo(
    data: Data, placements: Placements, size: tuple[float, float], focal: float | None, priors: Priors
) -> tuple[PhotoModel, Vector]:
    to_px, phi = _start_placements(data, placements.count, placements.unit_mm, len(placements.scale_sigmas))
    focal0 = focal if focal is not None else priors.focal_over_long_side * max(size)
    camera = np.asarray([[focal0, 0, (size[0] - 1) / 2], [0, focal0, (size[1] - 1) / 2], [0, 0, 1.0]])
    middle = data.mm[data.groups == 0].mean(axis=0)
    unit = placements.unit_mm
    g = np.linalg.inv(camera) @ to_px @ np.asarray([[unit, 0, middle[0]], [0, unit, middle[1]], [0, 0, 1.0]])
    g = g * (2 / (np.linalg.norm(g[:, 0]) + np.linalg.norm(g[:, 1])))
    if g[2, 2] < 0:
        g = -g
    u, _, vt = np.linalg.svd(np.column_stack([g[:, 0], g[:, 1], np.cross(g[:, 0], g[:, 1])]))
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    model = PhotoModel(
        width_px=size[0],
        height_px=size[1],
        focal0_px=focal0,
        focal_log_sigma=priors.focal_log_sigma if focal is None else priors.focal_exif_log_sigma,
        middle_mm=middle,
        unit_mm=unit,
        turn0=turn,
        priors=priors,
        placements=placements,
    )
    return model, np.concatenate([np.zeros(3), g[:, 2], np.zeros(8), phi])


def _scan(data: Data, placements: Placements) -> tuple[ScanModel, Vector]:
    _, phi = _start_placements(data, placements.count, placements.unit_mm, len(placements.scale_sigmas))
    first = data.groups == 0
    turn, _, scale = _rigid(data.mm[first], data.px[first])
    model = ScanModel(
        scale0_px_per_mm=scale,
        turn0_rad=turn,
        middle_mm=data.mm[first].mean(axis=0),
        middle_px=data.px[first].mean(axis=0),
        placements=placements,
    )
    return model, np.concatenate([np.zeros(6), phi])


def _fit(camera: CameraModel, theta: Vector, data: Data, name: Literal["scan", "photo"], settled: float) -> CameraFit:
    problem = Problem(camera, data, settled)
    kept = np.ones(len(data.px), dtype=bool)
    spread = 1.0
    for _ in range(3):
        theta = problem.solve(theta, spread, kept)
        # The median of a two-dimensional Gaussian distance is 1.1774 standard deviations.
        new = max(1.0, float(np.median(problem.norms(theta))) / 1.1774) if len(kept) >= _FEW else 1.0
        settled = abs(new - spread) < 0.05 * spread
        spread = new
        if settled:
            break
    if len(kept) >= _FEW:
        kept = problem.norms(theta) <= _REJECT * spread
        theta = problem.solve(theta, spread, kept)
    norms = problem.norms(theta)
    free = max(1, 2 * int(kept.sum()) - min(len(theta), int(kept.sum())))
    chi2 = float((norms[kept] ** 2).sum() / free)
    plane = camera.plane(theta)
    at_mm = placed(camera, theta, data)
    miss_mm = plane.to_mm(PxPoints(data.px)) - at_mm
    miss_px = camera.project(theta, data.mm, data.groups) - data.px
    return CameraFit(
        plane=plane,
        parameters=theta,
        covariance=problem.covariance(theta, kept, chi2),
        names=camera.names,
        residual_rms_px=float(np.sqrt((miss_px[kept] ** 2).sum(axis=1).mean())),
        residual_rms_mm=float(np.sqrt((miss_mm[kept] ** 2).sum(axis=1).mean())),
        reduced_chi2=chi2,
        inliers=kept,
        model=name,
        camera=camera,
        data=data,
    )


def placed(camera: CameraModel, theta: Vector, data: Data) -> Vector:
    """Return the points moved from their own references' frames into the plane's, (N, 2) mm."""
    assert isinstance(camera, PhotoModel | ScanModel)
    phi = theta[len(theta) - camera.placements.size :]
    return camera.placements.place(phi, data.mm, data.groups)


def fit_camera(
    points_px: PxPoints,
    points_mm: MmPoints,
    sigma_px: NDArray[np.float64] | float,
    *,
    width_px: int,
    height_px: int,
    focal_px: float | None = None,
    groups: NDArray[np.intp] | None = None,
    loose_px: NDArray[np.float64] | None = None,
    tolerances_relative: Sequence[float] = (),
    straights_px: Sequence[PxPoints] = (),
    straight_sigma_px: float | Sequence[float] = 0.3,
    angles: Sequence[Angle] = (),
    model: ModelName = "auto",
    priors: Priors | None = None,
    start: CameraFit | None = None,
    settled_chi2: float = _SETTLED,
) -> CameraFit:
    """Fit plane pose, lens and placements to measured points.

    Parameters
    ----------
    points_px, points_mm : PxPoints, MmPoints
        Measured points and the same points in their own reference's frame, shape (N, 2).
    sigma_px : ndarray of shape (N,) or float
        Standard uncertainty of each measured point along each axis.
    width_px, height_px : int
        Of the picture.
    focal_px : float, optional
        Focal length from EXIF.
    groups : ndarray of int, shape (N,), optional
        Which reference each point belongs to: 0, 1, ... Each lies anywhere in the plane; 0 is the frame of the result.
    loose_px : ndarray of shape (N, 2), optional
        Directions in which points are less sure, as long as the standard uncertainty that comes to theirs.
    tolerances_relative : sequence of float
        Standard uncertainty of each reference's size, one for each group; empty takes all sizes as exact. With them
        the covariance holds the references' own tolerance, and references that disagree do not bend the plane.
    straights_px : sequence of PxPoints
        Chains of points that are straight in the world (in the same plane).
    straight_sigma_px : float or sequence of float
        How far an honest chain point may lie off its line; one for all chains or one for each.
    angles : sequence of Angle
        Known angles between chains.
    model : {'auto', 'scan', 'photo'}
        ``auto`` takes a scan only where the points reach across half of the picture and an F-test (1 % level) finds
        nothing that a photo's model explains better by what readings can tell; it takes a photo wherever there is an
        EXIF focal length.
    priors : Priors, optional
    start : CameraFit, optional
        An earlier fit of a photo to points of the same references in the same frames, to begin from.
    settled_chi2 : float
        The fit ends when a step lowers chi-square by less; the rest is a fraction of a standard deviation. Where that
        is ``ROUGH_CHI2`` or more, a fit that creeps on ends as well.

    Returns
    -------
    CameraFit

    Raises
    ------
    ScaleError
        When there are fewer than two distinct points.
    """
    px = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
    mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    if len(px) != len(mm):
        raise ValueError(f"{len(px)} measured points and {len(mm)} true points: they must be as many")
    if len(px) < 2 or np.ptp(px, axis=0).max() < 2.0 or np.ptp(mm, axis=0).max() <= 0:
        raise ScaleError(
            f"{len(px)} points of a reference give no scale: at least two apart are needed; show more of the reference"
        )
    which = np.zeros(len(px), dtype=np.intp) if groups is None else np.asarray(groups, dtype=np.intp)
    count = int(which.max()) + 1
    if len(tolerances_relative) not in (0, count):
        raise ValueError(f"{len(tolerances_relative)} tolerances for {count} references: one for each is needed")
    sigma = np.broadcast_to(np.asarray(sigma_px, dtype=np.float64), (len(px),)).copy()
    chains = tuple(
        np.asarray(c, dtype=np.float64)[np.unique(np.linspace(0, len(c) - 1, min(len(c), MAX_CHAIN)).astype(int))]
        for c in straights_px
    )
    data = Data(
        px=px,
        mm=mm,
        sigma=np.maximum(sigma, 1e-4),
        loose=np.zeros_like(px) if loose_px is None else np.asarray(loose_px, dtype=np.float64).reshape(-1, 2),
        groups=which,
        chains=chains,
        chain_sigmas=tuple(float(v) for v in np.broadcast_to(straight_sigma_px, len(chains))),
        angles=tuple(angles),
    )
    first = mm[which == 0]
    unit = float(np.sqrt(((first - first.mean(axis=0)) ** 2).sum(axis=1).mean()))
    placements = Placements(
        count=count,
        scale_sigmas=tuple(max(float(t), 1e-7) for t in tolerances_relative),
        unit_mm=max(unit, 1e-9),
    )
    size = (float(width_px), float(height_px))
    if model != "scan":
        if start is not None and start.model == "photo":
            photo = _fit(start.camera, start.parameters, data, "photo", settled_chi2)
        else:
            photo_model, theta = _photo(data, placements, size, focal_px, priors or Priors())
            photo = _fit(photo_model, theta, data, "photo", settled_chi2)
        if model == "photo" or focal_px is not None:
            return photo
    scan_model, theta = _scan(data, placements)
    scan = _fit(scan_model, theta, data, "scan", settled_chi2)
    if model == "scan":
        return scan
    wide = float(np.ptp(px, axis=0).max()) >= 0.5 * max(size)
    return scan if wide and _scan_suffices(scan, photo, data) else photo


def _scan_suffices(scan: CameraFit, photo: CameraFit, data: Data) -> bool:
    """F-test of the photo's extra parameters on the points both fits are judged by."""
    both = photo.inliers
    free = 2 * int(both.sum()) - len(photo.parameters)
    if free < 4:
        return False

    def chi2(fit: CameraFit) -> float:
        miss = fit.camera.project(fit.parameters, data.mm, data.groups) - data.px
        return float((data.in_sigmas(miss)[both] ** 2).sum())

    extra = len(photo.parameters) - len(scan.parameters)
    full, plain = chi2(photo), chi2(scan)
    if plain <= full:
        return True
    by_reading = float(np.mean((_COHERENT_PX / data.sigma[both]) ** 2))
    f = ((plain - full) / extra) / max(full / free, by_reading)
    return bool(special.fdtrc(extra, free, f) > 0.01)


def draw_planes(fit: CameraFit, n: int, rng: np.random.Generator) -> tuple[PlaneMap, ...]:
    """Return ``n`` maps drawn from the fit's covariance: what the plane might be instead.

    Parameters
    ----------
    fit : CameraFit
    n : int
    rng : numpy.random.Generator
    """
    scale = np.sqrt(np.maximum(np.diag(fit.covariance), 1e-300))
    values, vectors = np.linalg.eigh(fit.covariance / np.outer(scale, scale))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = rng.standard_normal((n, len(scale))) @ root.T * scale + fit.parameters
    return tuple(fit.camera.plane(d) for d in draws)
