"""A line that grading laid where it was not seen by itself: known there, if not as well as a line that is read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.candidate import EdgeReading

Points = NDArray[np.float64]

SIGMA_MM = 0.15
"""Standard uncertainty of a line laid by grading (measured on rendered sheets: 0.1 to 0.2 mm where the order of the
sizes was right)."""
_REACH_PX = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaidLine:
    """Reads a drawn line where grading laid it (:class:`tracer.candidate.EdgeReader`).

    Parameters
    ----------
    points_px : ndarray, shape (N, 2)
        The points of the rough outline that were laid, a pixel apart or so.
    sigma_px : float
    """

    points_px: Points
    sigma_px: float

    def knows(self, points: Points) -> NDArray[np.bool_]:
        """Return which points lie where the line was laid."""
        return np.isfinite(cKDTree(self.points_px).query(points, distance_upper_bound=_REACH_PX)[0])

    def read(self, points: Points, normals: Points) -> EdgeReading:
        """Return the points as they were laid: what is seen there is not known to be this line."""
        known = self.knows(points)
        nothing = np.zeros(len(points))
        return EdgeReading(
            offset_px=nothing, sigma_px=nothing + self.sigma_px, known=known, hidden=np.zeros(len(points), dtype=bool)
        )
