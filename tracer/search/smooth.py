"""How smoothly nested sizes run between their corners, and where they lie when all that pulls them is met best."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from tracer.search.pulls import Floats, Pull, between
from tracer.search.stations import STATION_MM

_EVEN_MM, _EVEN_GRADING_MM = (5.0, 3.0), (40.0, 10.0)
"""The middle line and the grading follow no turns shorter than about this, in the first and the last round (judgement;
the grading changes slowly between corners, so that what is right where lines lie apart leads where they are packed)."""
_HOLD = 0.02
"""Where nothing pulls, the lines stay where they are."""


class Smoothness:
    """What bends cost in a round: all but those at corners, the stations ``starts`` of ``size``."""

    def __init__(self, size: int, starts: NDArray[np.int64]) -> None:
        self._size = size
        self._inner = np.ones(size)
        self._inner[starts] = 0.0
        before, behind = np.roll(self._inner, 1), np.roll(self._inner, -1)
        # The squared second differences, by how many stations on the other one lies.
        self._bands = (before + 4.0 * self._inner + behind, -2.0 * (self._inner + behind), behind)
        # In the order 0, last, 1, last but one, ... stations that are neighbours in the ring are few places apart.
        half = (size + 1) // 2
        place = np.arange(size)
        self._place = np.where(place < half, 2 * place, 2 * (size - 1 - place) + 1)

    def bends(self, x: Floats, t: float) -> float:
        """Return what the lines' bends cost, the middle line and how far half the grading moves it, (stations, 4)."""
        second = self._inner[:, None] * (np.roll(x, 1, axis=0) - 2.0 * x + np.roll(x, -1, axis=0))
        return float(np.square(second).sum(axis=0) @ _prices(t))

    def solved(self, pull: Pull, t: float) -> Floats:
        """Return where the lines lie, (stations, 4), when their pulls and their smoothness in a round are met best."""
        price, place = _prices(t), self._place
        pairs = [(place, np.roll(place, -ahead)) for ahead in (1, 2)]
        reach = max(int(np.abs(a - b).max()) for a, b in pairs)
        banded = np.zeros((4 * reach + 4, 4 * self._size))
        for row in range(4):
            for column in range(row + 1):
                banded[row - column, 4 * place + column] = pull.matrix[:, row, column]
            banded[0, 4 * place + row] += _HOLD + price[row] * self._bands[0]
            for (a, b), band in zip(pairs, self._bands[1:], strict=True):
                np.add.at(banded, (4 * np.abs(a - b), 4 * np.minimum(a, b) + row), price[row] * band)
        right = np.empty((self._size, 4))
        right[place] = pull.right + _HOLD * pull.x
        found = solveh_banded(
            banded, right.ravel(), lower=True, overwrite_ab=True, overwrite_b=True, check_finite=False
        )
        return np.asarray(found.reshape(-1, 4)[place], dtype=np.float64)


def _prices(t: float) -> Floats:
    """Return what a bend of the middle line's x and y and of the grading's costs in a round."""
    grading = float(np.exp(between((np.log(_EVEN_GRADING_MM[0]), np.log(_EVEN_GRADING_MM[1])), t)))
    middle = between(_EVEN_MM, t)
    return np.array([(v / STATION_MM / 2.0) ** 4 for v in (middle, middle, grading, grading)])
