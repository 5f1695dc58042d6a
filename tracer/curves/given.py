"""Points as they are given to the fit: holes filled, and how well each is known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracer.curves.carry import carry_across, runs_of
from tracer.curves.raster import own_share
from tracer.curves.scatter import scatter_of

_SYSTEMATIC_MM = 0.002
"""Slow errors of the evidence beside its noise: interpolation and paper, floor (measured on clean synthetic scans)."""
_CELL_FLOOR = 0.045
"""Least standard uncertainty of a millimetre of line, as a share of the tolerance: a looser tolerance, fewer nodes."""
_CELL_FLOOR_PX = 0.07
"""The same in steps of the evidence (a pixel): what grain and shading move an edge over millimetres (measured)."""
_DOUBTED = 1.5
"""Seen points count less from so many times the usual uncertainty on (judgement)."""
_ONE_CAUSE_MM = 2.0
"""What neighbouring points are doubted for has one cause over such a length: a mat's line is 1 to 2 mm broad."""
_ALLOWED = 2.0
"""An outline may pass a point by so many standard uncertainties: 95 % of them lie within (JCGM 100:2008, 6.3.3)."""
_NEAR_PX = 2.5
"""How far the rough outline may be from the line, in steps of the evidence."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Given:
    """Points with holes filled, and how well they are known.

    ``cell_sigma`` is the standard uncertainty of the mean place of a millimetre of line; ``trust`` the weight of each
    point relative to one that was seen; ``scatter`` how far it strays from its neighbours, standard; ``own`` how many
    observations of their own the millimetre around it is; ``sharp`` the places of points into which two sides of a hole
    run together.
    """

    points: NDArray[np.float64]
    sigma: NDArray[np.float64]
    seen: NDArray[np.bool_]
    trust: NDArray[np.float64]
    scatter: NDArray[np.float64]
    own: NDArray[np.float64]
    spacing: float
    cell_sigma: float
    tolerance: float
    sharp: tuple[int, ...] = ()

    @property
    def allowed(self) -> NDArray[np.float64]:
        """How far the outline may be from each point: the tolerance, or what the point is uncertain by, mm."""
        return np.maximum(self.tolerance, _ALLOWED * self.sigma)

    @property
    def weight(self) -> NDArray[np.float64]:
        """Inverse variance of each point across the line."""
        return 1 / (self.sigma**2 + _SYSTEMATIC_MM**2)

    def reversed(self) -> Given:
        """Return the same points the other way round."""
        last = len(self.points) - 1
        return replace(
            self,
            points=self.points[::-1],
            sigma=self.sigma[::-1],
            seen=self.seen[::-1],
            trust=self.trust[::-1],
            scatter=self.scatter[::-1],
            own=self.own[::-1],
            sharp=tuple(last - i for i in self.sharp),
        )


def prepare(
    points: NDArray[np.float64],
    sigma_mm: NDArray[np.float64] | float,
    valid: NDArray[np.bool_] | None,
    spacing: float,
    half_width: float,
    tolerance: float,
    *,
    closed: bool,
    raster_px: NDArray[np.float64] | None = None,
) -> Given:
    """Return points with holes filled, uncertainties mended, and the noise of a millimetre of line.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        Millimetres.
    sigma_mm, valid
        As :func:`tracer.curves.fit_closed` takes them.
    spacing : float
        Usual distance of neighbouring points, mm.
    half_width : float
        Half the drawn line's width, mm: the rough outline may be that much farther off in a hole.
    tolerance : float
        Of the fit, mm.
    closed : bool
    raster_px : ndarray, shape (N, 2), or None
        The points in their picture.
    """
    sigma = np.broadcast_to(np.asarray(sigma_mm, dtype=np.float64), len(points)).copy()
    seen = np.ones(len(points), bool) if valid is None else np.asarray(valid, dtype=bool)
    good = np.isfinite(sigma) & (sigma > 0)
    sigma[~good] = float(np.median(sigma[good])) if good.any() else 0.01
    points, sigma, seen, sharp = carry_across(
        points, sigma, seen, spacing_mm=spacing, near_mm=_NEAR_PX * spacing + half_width / 2, closed=closed
    )
    cell_sigma = _cell_sigma(points, sigma, seen, spacing, tolerance)
    usual = float(np.median(sigma[seen])) if seen.any() else float(np.median(sigma))
    scatter = scatter_of(points, sigma, seen, spacing_mm=spacing, closed=closed)
    trust = np.minimum(1.0, (np.where(seen, _DOUBTED * usual, usual) / sigma) ** 2)
    # Points that are doubted together are one observation, however many they are.
    common = np.sqrt(np.maximum(sigma**2 - scatter**2, 0.0))
    for first, count in runs_of(seen & (sigma > _DOUBTED * usual), closed=closed):
        own = (first + np.arange(count)) % len(points)
        alike = min(count * spacing, _ONE_CAUSE_MM) * common[own] ** 2
        trust[own] = np.minimum(trust[own], cell_sigma**2 / (cell_sigma**2 + alike))
    return Given(
        points=points,
        sigma=sigma,
        seen=seen,
        trust=trust,
        scatter=scatter,
        own=np.ones(len(points)) if raster_px is None else own_share(raster_px, spacing_mm=spacing, closed=closed),
        spacing=spacing,
        cell_sigma=cell_sigma,
        tolerance=tolerance,
        sharp=sharp,
    )


def _cell_sigma(
    points: NDArray[np.float64], sigma: NDArray[np.float64], seen: NDArray[np.bool_], spacing: float, tolerance: float
) -> float:
    """Return the standard uncertainty of the mean place of a millimetre of line.

    At least twice what independent profiles would give (neighbours share pixels and paper), and what third differences
    of the means of neighbouring millimetres show, in which only very sharp bends remain.
    """
    noise = float(np.median(sigma[seen] if seen.any() else sigma)) * math.sqrt(spacing / 1.0)
    cell = max(1, round(1.0 / spacing))
    count = len(points) // cell
    shown = 0.0
    if count >= 12:
        means = points[: count * cell].reshape(count, cell, 2).mean(axis=1)
        whole = np.asarray(seen[: count * cell].reshape(count, cell).all(axis=1), dtype=bool)
        along = means[2:-1] - means[1:-2]
        along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
        third = means[3:] - 3 * means[2:-1] + 3 * means[1:-2] - means[:-3]
        across = np.abs(third[:, 0] * along[:, 1] - third[:, 1] * along[:, 0]) / math.sqrt(20.0)
        usable = whole[3:] & whole[2:-1] & whole[1:-2] & whole[:-3]
        if usable.sum() >= 8:
            # Texture makes for heavy tails: they count, corners (far beyond) do not.
            limit = 5 * 1.4826 * float(np.median(across[usable]))
            shown = float(np.sqrt((across[usable & (across <= limit)] ** 2).mean()))
    return max(2 * noise, 2 * shown, _CELL_FLOOR * tolerance, _CELL_FLOOR_PX * spacing)
