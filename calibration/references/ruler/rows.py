"""Where in a picture rows of ticks may be.

A row of ticks is periodic along one direction and has nothing across it: in the Fourier spectrum of a small block it is
a sharp peak. Blocks along a ruler share that peak, and lie on a line in its direction. Text, dashes and hatching
have peaks too; they are told apart later, by what the ticks look like.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

Array = NDArray[np.float64]

_BLOCK_PX = 128
_SHORTEST_PERIOD_PX, _LONGEST_PERIOD_PX = 3.0, 48.0
_CLEAR = 18.0
"""A peak must stand this many times above the mean of the (whitened) spectrum."""
_MOST_PEAKS = 320
_THIN_PX = 9
"""Ticks are thinner than this; paper edges, shading and wood are not, and are taken out first."""
_ASIDE_PX = 110.0
_TURN_RAD = 0.07
_STRETCH = 0.16
_FEWEST_BLOCKS = 3
_MOST_ROWS = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """A stretch that may hold ticks: a point on it, its direction, where it begins and ends along it, the period."""

    middle_px: Array
    direction: Array
    begin_px: float
    end_px: float
    period_px: float


def find_rows(grey: NDArray[np.uint8]) -> list[Row]:
    """Return stretches with a common period, the most convincing first."""
    n = _BLOCK_PX
    fy, fx = np.meshgrid(fft.fftfreq(n), fft.rfftfreq(n), indexing="ij")
    radius = np.hypot(fy, fx)
    wanted = (radius > 1 / _LONGEST_PERIOD_PX) & (radius < 1 / _SHORTEST_PERIOD_PX)
    window = np.hanning(n)[:, None] * np.hanning(n)
    places, vectors, heights = [], [], []
    # A second set lies half a block down and right: ticks on the seam of two blocks are seen by neither of them.
    begins = [(first, down) for first in (0, n // 2) for down in range(first, grey.shape[0] - n + 1, n)]
    for left, top in begins:
        columns = (grey.shape[1] - left) // n
        if columns < 1:
            continue
        # One row of blocks at a time: on A0 the whole picture in signed numbers would take a gigabyte.
        part = _row_of_blocks(grey, top, left, columns).astype(np.float32)
        part -= part.mean(axis=(1, 2), keepdims=True)
        power = np.abs(fft.rfft2(part * window.astype(np.float32))) ** 2
        # Pictures have less power at high frequencies; times the radius squared they are about even.
        even = (power * (radius**2 * wanted)).reshape(len(part), -1)
        mean = even.sum(axis=1) / wanted.sum() + 1e-9
        highest = even.argmax(axis=1)
        for i in range(len(part)):
            peak = even[i, highest[i]] / mean[i]
            if peak > _CLEAR and power[i].max() > n * n:
                at = np.unravel_index(highest[i], radius.shape)
                vector = _refined(power[i], int(at[0]), int(at[1]), n)
                places.append((left + (i + 0.5) * n - 0.5, top + n / 2 - 0.5))
                vectors.append(vector)
                heights.append(peak)
    return _joined(np.asarray(places), np.asarray(vectors), np.asarray(heights))


def _row_of_blocks(grey: NDArray[np.uint8], top: int, left: int, columns: int) -> NDArray[np.int16]:
    """Thin parts of one row of blocks, (columns, n, n), filtered with a margin so that blocks have no seams."""
    n = _BLOCK_PX
    above, below = max(0, top - _THIN_PX), min(grey.shape[0], top + n + _THIN_PX)
    thin = _thin_parts(grey[above:below, left : left + columns * n])[top - above :][:n]
    return np.asarray(thin.reshape(n, columns, n).swapaxes(0, 1), dtype=np.int16)


def _thin_parts(grey: NDArray[np.uint8]) -> NDArray[np.int16]:
    """Dark lines positive, light lines negative, everything broad near zero."""
    kernel = np.ones((_THIN_PX, _THIN_PX), np.uint8)
    closed = cv2.morphologyEx(grey, cv2.MORPH_CLOSE, kernel)
    opened = cv2.morphologyEx(grey, cv2.MORPH_OPEN, kernel)
    return np.asarray(closed.astype(np.int16) + opened - 2 * grey.astype(np.int16), dtype=np.int16)


def _refined(power: Array, row: int, column: int, n: int) -> tuple[float, float]:
    """Frequency (x, y) of a peak, in cycles per pixel, by a parabola through the logarithms of its neighbours."""
    logs = np.log(power + 1e-9)

    def shift(a: float, b: float, c: float) -> float:
        curve = a - 2 * b + c
        return 0.0 if curve >= 0 else float(np.clip(0.5 * (a - c) / curve, -0.5, 0.5))

    dy = shift(logs[(row - 1) % n, column], logs[row, column], logs[(row + 1) % n, column])
    inner = 0 < column < power.shape[1] - 1
    dx = shift(logs[row, column - 1], logs[row, column], logs[row, column + 1]) if inner else 0.0
    y = row + dy
    return (column + dx) / n, (y - n if y > n / 2 else y) / n


def _joined(places: Array, vectors: Array, heights: Array) -> list[Row]:
    """Chains of blocks along their own direction with about the same period."""
    found: list[Row] = []
    if len(places) < _FEWEST_BLOCKS:
        return found
    order = np.argsort(-heights)[:_MOST_PEAKS]
    places, vectors, heights = places[order], vectors[order], heights[order]
    sizes = np.linalg.norm(vectors, axis=1)
    free = np.ones(len(places), dtype=bool)
    for _ in range(_MOST_ROWS):
        best: tuple[float, NDArray[np.bool_]] = (0.0, np.zeros(len(places), dtype=bool))
        for i in np.nonzero(free)[0]:
            direction = vectors[i] / sizes[i]
            d = places - places[i]
            aside = np.abs(d[:, 0] * direction[1] - d[:, 1] * direction[0])
            cosine = np.abs(vectors @ direction) / sizes
            members = (
                free
                & (aside < _ASIDE_PX)
                & (cosine > np.cos(_TURN_RAD))
                & (np.abs(np.log(sizes / sizes[i])) < _STRETCH)
            )
            value = float(np.log(heights[members]).sum())
            if members.sum() >= _FEWEST_BLOCKS and value > best[0]:
                best = (value, members)
        members = best[1]
        if not members.any():
            break
        found.append(_row(places[members], vectors[members]))
        free &= ~members
    return found


def _row(places: Array, vectors: Array) -> Row:
    sign = np.where(vectors @ vectors[0] < 0, -1.0, 1.0)[:, None]
    mean = (vectors * sign).mean(axis=0)
    direction = mean / np.linalg.norm(mean)
    middle = places.mean(axis=0)
    along = (places - middle) @ direction
    half = _BLOCK_PX / 2
    return Row(
        middle_px=middle,
        direction=direction,
        begin_px=float(along.min()) - 2 * half,
        end_px=float(along.max()) + 2 * half,
        period_px=float(1 / np.median(np.linalg.norm(vectors, axis=1))),
    )
