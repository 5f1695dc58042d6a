"""A smooth warp of the picture: what is left when plane and lens are undone, because the sheet is not quite flat.

Model: a shift of pixel points, a sum of bicubic B-splines on a square lattice. It is small (a few pixels), bends over
no less than the lattice's spacing and dies away two spacings beyond the last coefficient that differs from zero, so
that it says nothing where nothing was measured.

Source of the splines: de Boor, "A Practical Guide to Splines", 1978 (uniform cubic B-spline, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.picture import PxPoints

Floats = NDArray[np.float64]

_STEPS = 25
_SETTLED_PX = 1e-9


def _pieces(t: Floats) -> Floats:
    """Return the four cubic B-splines that differ from zero at a fraction ``t`` between two lattice points: (N, 4)."""
    u = 1.0 - t
    return np.stack(
        [u**3 / 6, (4 - 6 * t**2 + 3 * t**3) / 6, (4 - 6 * u**2 + 3 * u**3) / 6, t**3 / 6],
        axis=1,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class SmoothWarp:
    """A shift that varies smoothly over the picture.

    Parameters
    ----------
    origin_px : tuple of float
        Where the first spline is centred.
    spacing_px : float
        Of the lattice of splines, along both axes.
    coefficients_px : ndarray, shape (rows, columns, 2)
        Shift in x and y that each spline contributes.
    """

    origin_px: tuple[float, float]
    spacing_px: float
    coefficients_px: Floats

    @classmethod
    def over(cls, width_px: float, height_px: float, spacing_px: float) -> SmoothWarp:
        """Return a warp of nothing whose lattice covers a picture, centred on it."""
        columns, rows = (int(np.ceil(side / spacing_px)) + 3 for side in (width_px, height_px))
        origin = [
            (side - 1) / 2 - spacing_px * (count - 1) / 2 for side, count in ((width_px, columns), (height_px, rows))
        ]
        return cls(
            origin_px=(origin[0], origin[1]), spacing_px=spacing_px, coefficients_px=np.zeros((rows, columns, 2))
        )

    @property
    def size(self) -> int:
        """Number of splines."""
        return int(self.coefficients_px.shape[0] * self.coefficients_px.shape[1])

    def moved_by(self, step: Floats) -> SmoothWarp:
        """Return the warp with its coefficients changed: first all of x, then all of y, shape (2 * size,)."""
        shape = self.coefficients_px.shape[:2]
        change = np.stack([step[: self.size].reshape(shape), step[self.size :].reshape(shape)], axis=2)
        return replace(self, coefficients_px=self.coefficients_px + change)

    def _places(self, px: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats, Floats]:
        """Lattice rows and columns that reach each point, (N, 4) each, and their weights; none outside the lattice."""
        rows, columns = self.coefficients_px.shape[:2]
        out = []
        for axis, count in ((1, rows), (0, columns)):
            t = (px[:, axis] - self.origin_px[axis]) / self.spacing_px
            t = np.clip(t, -3.0, count + 2.0)
            first = np.floor(t)
            index = first.astype(np.intp)[:, None] + np.arange(-1, 3)
            weight = _pieces(t - first) * ((index >= 0) & (index < count))
            out.append((np.clip(index, 0, count - 1), weight))
        return out[0][0], out[1][0], out[0][1], out[1][1]

    def basis(self, px: PxPoints) -> Floats:
        """Return the value of every spline at pixel points, shape (N, size)."""
        points = np.asarray(px, dtype=np.float64).reshape(-1, 2)
        row, column, down, along = self._places(points)
        out = np.zeros((len(points), self.size))
        at = row[:, :, None] * self.coefficients_px.shape[1] + column[:, None, :]
        value = down[:, :, None] * along[:, None, :]
        which = np.broadcast_to(np.arange(len(points))[:, None, None], at.shape)
        np.add.at(out, (which, at), value)
        return out

    def shift(self, px: Floats) -> Floats:
        """Return the shift at pixel points, shape (N, 2)."""
        row, column, down, along = self._places(px)
        out = np.zeros((len(px), 2))
        for i in range(4):
            for k in range(4):
                out += (down[:, i] * along[:, k])[:, None] * self.coefficients_px[row[:, i], column[:, k]]
        return out

    def applied(self, px: Floats) -> Floats:
        """Return where points of the picture would lie if the sheet were flat, shape (N, 2)."""
        return np.asarray(px + self.shift(px))

    def undone(self, flat_px: Floats) -> Floats:
        """Return the inverse of :meth:`applied`, to 1e-9 px, by fixed-point steps (the shift is almost constant)."""
        px = flat_px - self.shift(flat_px)
        for _ in range(_STEPS):
            new = flat_px - self.shift(px)
            step = np.abs(new - px).max() if len(px) else 0.0
            px = new
            if step < _SETTLED_PX:
                break
        return np.asarray(px)
