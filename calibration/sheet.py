"""Sheet: a picture with its scale, and how sure the scale is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import PlaneMap, to_mm_by_each
from calibration.finding import Finding
from calibration.picture import MmPoints, Picture, PxPoints
from calibration.references import Reference
from calibration.uncertainty import Budget, expanded_by_shape


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheck:
    """Another reference in the picture, measured with the chosen one.

    ``difference_percent`` is (size by the chosen reference / size it should have - 1) in percent.
    """

    kind: str
    size: str
    difference_percent: float
    expanded_uncertainty_percent: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Sheet:
    """A calibrated picture.

    Parameters
    ----------
    id : str
        ``s1``, ``s2``, ... in the order of the input.
    picture : Picture
    plane : PlaneMap
        Pixels to the sheet's millimetres; origin at the sheet's top-left corner, every point of the picture that
        belongs to the sheet has coordinates >= 0.
    width_mm, height_mm : float
        Extent of the picture (or page) in the sheet's millimetres.
    reference : Reference
        The one that set the scale.
    others : tuple of Reference
        The rest that were found; with ``reference`` they are kept as marks, never as pieces.
    budget : Budget
        Of the scale, in mm per m.
    alternatives : tuple of PlaneMap
        Maps drawn from the calibration's covariance: what the plane might be instead, in the same sheet frame.
    """

    id: str
    picture: Picture
    plane: PlaneMap
    width_mm: float
    height_mm: float
    reference: Reference
    others: tuple[Reference, ...] = ()
    cross_checks: tuple[CrossCheck, ...] = ()
    residual_rms_mm: float = 0.0
    budget: Budget
    alternatives: tuple[PlaneMap, ...] = ()
    findings: tuple[Finding, ...] = ()

    def to_mm(self, px: PxPoints) -> MmPoints:
        """Map pixel points (N, 2) to the sheet's millimetres."""
        return self.plane.to_mm(px)

    def to_px(self, mm: MmPoints) -> PxPoints:
        """Map millimetre points (N, 2) to pixels."""
        return self.plane.to_px(mm)

    @property
    def mm_per_px(self) -> float:
        """Local scale in the middle of the picture."""
        middle = np.array([[self.picture.width_px / 2, self.picture.height_px / 2]])
        return float(self.plane.mm_per_px(PxPoints(middle))[0])

    @property
    def expanded_uncertainty_mm_per_m(self) -> float:
        """Expanded uncertainty (95 %) of the scale in mm per m."""
        return self.budget.expanded

    def expanded(self, standard_uncertainty: float, extent: float) -> float:
        """Return the expanded uncertainty (95 %) of something measured on the sheet.

        Parameters
        ----------
        standard_uncertainty : float
            Of what was measured, everything included, in its unit.
        extent : float
            By how much what was measured changes with the sheet's scale, per change of one: a length itself, twice an
            area. What is known by limits alone of the scale has its part in the shape of the error, see
            :func:`~calibration.uncertainty.expanded_by_shape`.
        """
        parts = [(c.excess_kurtosis, c.standard_uncertainty / 1000.0 * extent) for c in self.budget.components]
        return expanded_by_shape(standard_uncertainty, sum(shape * part**4 for shape, part in parts))

    def possible_mm(self, points_mm: MmPoints) -> NDArray[np.float64]:
        """Return where each map that the calibration holds possible lays points (N, 2), shape (maps, N, 2)."""
        return to_mm_by_each(self.alternatives, self.to_px(points_mm))

    def shape_uncertainty_mm(
        self, points_mm: MmPoints, possible_mm: NDArray[np.float64] | None = None
    ) -> NDArray[np.float64]:
        """Return the standard uncertainty of each point that comes from the scale alone.

        It is relative to the point set's best-fit position: a shift and a turn of the whole set cost nothing.

        Parameters
        ----------
        points_mm : MmPoints
            Points of one piece, shape (N, 2).
        possible_mm : ndarray, shape (maps, N, 2), optional
            Their :meth:`possible_mm`, where that is known already.

        Returns
        -------
        ndarray, shape (N,)
            Millimetres.
        """
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        if len(points) == 0:
            return np.zeros(0)
        centred = points - points.mean(axis=0)
        if not self.alternatives:
            return np.asarray(np.hypot(centred[:, 0], centred[:, 1]) * self.budget.combined / 1000.0)
        places = self.possible_mm(MmPoints(points)) if possible_mm is None else possible_mm
        off = np.array([_off_best_position(own, centred) for own in places])
        return np.asarray(np.sqrt((off**2).sum(axis=2).mean(axis=0)))


def _off_best_position(points: NDArray[np.float64], target: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what is left of ``points - target`` (N, 2) after the best shift and turn (no scaling)."""
    moved = points - points.mean(axis=0)
    turn = np.arctan2(
        float((moved[:, 0] * target[:, 1] - moved[:, 1] * target[:, 0]).sum()), float((moved * target).sum())
    )
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(moved @ np.array([[c, s], [-s, c]]) - target)
