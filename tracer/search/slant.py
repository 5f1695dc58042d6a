"""A straight line printed aslant on a mat: where it lies in the grid, how it looks, where it is seen.

Limits: whole lines; of a dashed one what is between the dashes is taken for line where most of it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Slant:
    """A line through the cells of a grid.

    Parameters
    ----------
    normal : ndarray, shape (2,)
        Unit normal in the grid.
    offset : float
        Of its points along the normal, in pitches.
    first, section : float
        Where along it the first section begins, and how long one is, in pitches.
    seen : ndarray of bool, shape (sections,)
        Where it is printed.
    gain : ndarray of float32, shape (samples, 3)
        By how much it is lighter than the mat, as a share of its light; samples equally far to both sides.
    step_px : float
        Between the samples.
    """

    normal: Floats
    offset: float
    first: float
    section: float
    seen: NDArray[np.bool_]
    gain: NDArray[np.float32]
    step_px: float

    @property
    def way(self) -> Floats:
        """Unit vector along it, in the grid."""
        return np.array([-self.normal[1], self.normal[0]])

    @property
    def reach_px(self) -> float:
        """How far to both sides of its middle it changes the light at most."""
        return float(len(self.gain) - 1) / 2 * self.step_px

    def comes_by(self, low: Floats, high: Floats) -> bool:
        """Whether it passes a box in the grid, in pitches, or less than a pitch beside it."""
        away = abs(float(self.normal @ (low + high)) / 2 - self.offset)
        return away < float(np.abs(self.normal) @ (high - low)) / 2 + 1.0

    def away_px(self, places: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return how far places in the grid, (..., 4) as those of a MatGrid, lie from its middle; inf beyond its ends.

        The grid's lines cross at nearly right angles in the picture (mats are seen from above); so an error of a
        hundredth of the distance remains.
        """
        a, b = (np.float32(v) for v in self.normal)
        per_px = np.hypot(a * places[..., 2], b * places[..., 3])
        away = (a * places[..., 0] + b * places[..., 1] - np.float32(self.offset)) / np.maximum(per_px, 1e-9)
        c, d = (np.float32(v) for v in self.way)
        along = (c * places[..., 0] + d * places[..., 1] - np.float32(self.first)) / np.float32(self.section)
        within = (along >= 0) & (along < len(self.seen))
        index = np.clip(along, 0, len(self.seen) - 1).astype(np.intp)
        return np.asarray(np.where(within & self.seen[index], away, np.float32(np.inf)), dtype=np.float32)

    def gains(self, places: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the gain at places in the grid, shape (N, 3)."""
        out: NDArray[np.float32] = np.zeros((len(places), 3), dtype=np.float32)
        away = self.away_px(places)
        here = np.flatnonzero(np.abs(away) < self.reach_px - self.step_px)
        at = (away[here] + np.float32(self.reach_px)) / np.float32(self.step_px)
        low = at.astype(np.intp)
        share = (at - low)[:, None]
        out[here] = self.gain[low] * (1 - share) + self.gain[low + 1] * share
        return out
