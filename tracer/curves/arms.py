"""A line as it was read, and the arms that lead on from it into what could not be read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.meeting import Arm, short_of_corner

Points = NDArray[np.float64]

ARM_MM, ARM_POINTS = 5.0, 24
"""Length of readable line from which it is told where it goes on: so many points at least (our own choice)."""
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
        degree = 2 if len(index) >= 12 and _is_bent(points, s, weight) else 1
        x, y = (np.polyfit(s, points[:, k], degree, w=weight) for k in (0, 1))
        slope = direction * np.array([x[-2], y[-2]])
        length = float(np.hypot(*slope))
        if length < 1e-9:
            return None
        bend = np.array([x[0], y[0]]) if degree == 2 else np.zeros(2)
        sigma = float(np.median(self.sigma_mm[index]))
        return Arm(np.array([x[-1], y[-1]]), slope / length, -direction * slope, bend, len(index), sigma)

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


def _is_bent(points: Points, s: NDArray[np.float64], weight: NDArray[np.float64]) -> bool:
    """Tell whether a parabola describes an arm better than chance would have it (F test at three sigma).

    The bend of a straight arm is noise, and at the far side of a hole several times as much of it.
    """
    rest = []
    for degree in (1, 2):
        fit = np.polyfit(s, points, degree, w=weight)
        rest.append(float((((points - np.vander(s, degree + 1) @ fit) * weight[:, None]) ** 2).sum()))
    return rest[0] > rest[1] * (1 + 9.0 / max(len(s) - 3, 1))
