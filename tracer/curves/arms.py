"""A line as it was read, and the arms that lead on from it into what could not be read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.meeting import Arm, short_of_corner
from tracer.curves.parabola import fit_along

Points = NDArray[np.float64]

ARM_MM, ARM_POINTS = 5.0, 24
"""Length of readable line from which it is told where it goes on: so many points at least (our own choice)."""
_BENT_POINTS = 12
"""Shorter arms are straight (our own choice)."""
ARM_SKIP = 4
"""So many points next to a hole are no part of an arm (our own choice)."""
ISLANDS_MM, _ISLANDS_SIGMA_MM = 15.0, 0.03
"""An arm is led on over further holes for so long, where its parts lie on one line this well (lettering that stands on
an outline leaves short readable pieces between its letters; our own choice)."""
_LEAST_SIGMA_MM = 0.01
"""Points of an arm count alike that are better known than this (our own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadLine:
    """Points along a line in mm (N, 2), their uncertainties (N,), how far apart they are, and whether it is closed."""

    points: Points
    sigma_mm: NDArray[np.float64]
    spacing_mm: float
    closed: bool

    def arm(self, seen: NDArray[np.bool_], end: int, direction: int) -> Arm | None:
        """Return the readable line beside a hole (parabola in arc length); None where hardly any is.

        Parameters
        ----------
        seen : ndarray of bool, shape (N,)
            Which points could be read.
        end : int
            Number of the point next to the hole.
        direction : int
            1 or -1: the way along the line that leads off from the hole.
        """
        index = end + direction * np.arange(max(ARM_POINTS, round(ARM_MM / self.spacing_mm)))
        if self.closed:
            index = index % len(self.points)
        else:
            index = index[(index >= 0) & (index < len(self.points))]
        stop = np.nonzero(~seen[index])[0]
        if len(stop):
            index = index[: stop[0]]
        if len(index) < 5 * ARM_SKIP:
            led_on = self._arm_of_islands(seen, end, direction)
            if led_on is not None:
                return led_on
        if len(index) < 4:
            return None
        # What hides the line begins gradually: the first readable points lean towards it.
        skip = ARM_SKIP if len(index) >= 4 * ARM_SKIP else 0
        s = np.arange(skip, len(index), dtype=np.float64) * self.spacing_mm
        index = index[skip:]
        weight = 1 / np.maximum(self.sigma_mm[index], _LEAST_SIGMA_MM)
        count = short_of_corner(self.points[index], s, weight)
        index, s, weight = index[:count], s[:count], weight[:count]
        points = self.points[index]
        start, along, bend = _parabola(points, s, weight)
        slope = direction * along
        length = float(np.hypot(*slope))
        if length < 1e-9:
            return None
        sigma = float(np.median(self.sigma_mm[index]))
        return Arm(start, slope / length, -direction * slope, bend, len(index), sigma)

    def _arm_of_islands(self, seen: NDArray[np.bool_], end: int, direction: int) -> Arm | None:
        """Return a straight arm from the short readable pieces beside a hole, if they lie on one line."""
        n = len(self.points)
        steps = np.arange(round(ISLANDS_MM / self.spacing_mm))
        index = end + direction * steps
        steps = steps[: n // 2] if self.closed else steps[(index >= 0) & (index < n)]
        index = (end + direction * steps) % n
        steps, index = steps[seen[index]], index[seen[index]]
        if len(index) < 4 * ARM_SKIP or steps[-1] * self.spacing_mm < ARM_MM / 2:
            return None
        points = self.points[index]
        middle = points.mean(axis=0)
        _, _, axes = np.linalg.svd(points - middle, full_matrices=False)
        if float(np.sqrt((((points - middle) @ axes[1]) ** 2).mean())) > _ISLANDS_SIGMA_MM:
            return None
        outward = axes[0] if float(axes[0] @ (points[0] - points[-1])) > 0 else -axes[0]
        first = middle + float((self.points[end % n] - middle) @ outward) * outward
        sigma = float(np.median(self.sigma_mm[index]))
        return Arm(first, -direction * outward, outward, np.zeros(2), len(index), sigma)


def _parabola(points: Points, s: NDArray[np.float64], weight: NDArray[np.float64]) -> Points:
    """Return an arm's coefficients of 1, s and s^2; the last are 0 unless its bend is seen (F test at three sigma).

    The bend of a straight arm is noise, and at the far side of a hole several times as much of it.
    """
    line, beside_line = fit_along(s, points, weight, 1)
    if len(s) >= _BENT_POINTS:
        bent, beside_bent = fit_along(s, points, weight, 2)
        if np.vdot(beside_line, beside_line) > np.vdot(beside_bent, beside_bent) * (1 + 9.0 / (len(s) - 3)):
            return bent
    return np.vstack([line, np.zeros((1, 2))])
