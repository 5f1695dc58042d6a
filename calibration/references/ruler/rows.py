"""Where in a picture rows of ticks may be.

A row of ticks is periodic along one direction and has nothing across it: in the Fourier spectrum of a small block it is
a sharp peak. Blocks along a ruler share that peak, and lie on a line in its direction. Text, dashes and hatching
have peaks too; they are told apart later, by what the ticks look like.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

Array = NDArray[np.float64]

_BLOCK_PX = 128
_SHORTEST_PERIOD_PX, _LONGEST_PERIOD_PX = 3, 48
_CLEAR = 18.0
"""A peak must stand this many times above the mean of the (whitened) spectrum."""
_AT_ONCE = 8
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
    """A stretch that may hold ticks: a point on it, its direction, where it begins and ends along it, the period.

    ``seen_px`` are the places along it, in order, where its period was seen.
    """

    middle_px: Array
    direction: Array
    begin_px: float
    end_px: float
    period_px: float
    seen_px: Array


def find_rows(grey: NDArray[np.uint8]) -> list[Row]:
    """Return stretches with a common period, the most convincing first."""
    n = _BLOCK_PX
    # No more of the spectrum than holds the periods that are wanted.
    down = np.flatnonzero(np.abs(fft.fftfreq(n)) < 1 / _SHORTEST_PERIOD_PX)
    right = np.arange(n // _SHORTEST_PERIOD_PX + 2, dtype=np.intp)
    radius = np.hypot(fft.fftfreq(n)[down, None], fft.rfftfreq(n)[right])
    wanted = (radius > 1 / _LONGEST_PERIOD_PX) & (radius < 1 / _SHORTEST_PERIOD_PX)
    # Pictures have less power at high frequencies; times the radius squared they are about even.
    even_by = (radius**2 * wanted).astype(np.float32)
    window = (np.hanning(n)[:, None] * np.hanning(n)).astype(np.float32)
    places, vectors, heights = [], [], []
    # A second set lies half a block down and right: ticks on the seam of two blocks are seen by neither of them.
    begins = [(first, down_px) for first in (0, n // 2) for down_px in range(first, grey.shape[0] - n + 1, n)]
    for left, top in begins:
        # A few blocks at a time stay in the processor's cache.
        for first, blocks in _blocks(grey, top, left):
            blocks -= blocks.mean(axis=(1, 2), keepdims=True)
            blocks *= window
            spectrum = fft.fft(fft.rfft(blocks, axis=2)[:, :, right], axis=1, overwrite_x=True)
            power = spectrum.real**2 + spectrum.imag**2
            even = (power[:, down] * even_by).reshape(len(blocks), -1)
            mean = even.sum(axis=1, dtype=np.float64) / wanted.sum() + 1e-9
            highest = even.argmax(axis=1)
            peaks = even[np.arange(len(blocks)), highest] / mean
            for i in np.flatnonzero(peaks > _CLEAR):
                at = np.unravel_index(highest[i], radius.shape)
                if power[i].max() > n * n:
                    places.append((left + (first + i + 0.5) * n - 0.5, top + n / 2 - 0.5))
                    vectors.append(_refined(power[i], int(down[at[0]]), int(right[at[1]]), n))
                    heights.append(float(peaks[i]))
    return _joined(np.asarray(places), np.asarray(vectors), np.asarray(heights))


def _blocks(grey: NDArray[np.uint8], top: int, left: int) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Yield the thin parts of one row of blocks, (K, n, n), and the number of the first; without seams between them."""
    n = _BLOCK_PX
    count = (grey.shape[1] - left) // n
    above, below = max(0, top - _THIN_PX), min(grey.shape[0], top + n + _THIN_PX)
    thin = _thin_parts(grey[above:below, left : left + count * n])[top - above :][:n] if count else np.zeros((n, 0))
    for first in range(0, count, _AT_ONCE):
        some = thin[:, first * n : (first + _AT_ONCE) * n]
        yield first, np.ascontiguousarray(some.reshape(n, -1, n).swapaxes(0, 1), dtype=np.float32)


def _thin_parts(grey: NDArray[np.uint8]) -> NDArray[np.int16]:
    """Dark lines positive, light lines negative, everything broad near zero."""
    kernel = np.ones((_THIN_PX, _THIN_PX), np.uint8)
    # A closing is nowhere below the picture and an opening nowhere above it.
    dark = cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, kernel)
    light = cv2.morphologyEx(grey, cv2.MORPH_TOPHAT, kernel)
    return np.asarray(cv2.subtract(dark, light, dtype=cv2.CV_16S), dtype=np.int16)


def _refined(power: Array, row: int, column: int, n: int) -> tuple[float, float]:
    """Frequency (x, y) of a peak, in cycles per pixel, by a parabola through the logarithms of its neighbours."""

    def shift(*three: float) -> float:
        a, b, c = (math.log(value + 1e-9) for value in three)
        curve = a - 2 * b + c
        return 0.0 if curve >= 0 else min(0.5, max(-0.5, 0.5 * (a - c) / curve))

    dy = shift(power[(row - 1) % n, column], power[row, column], power[(row + 1) % n, column])
    inner = 0 < column < power.shape[1] - 1
    dx = shift(power[row, column - 1], power[row, column], power[row, column + 1]) if inner else 0.0
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
    directions, logs = vectors / sizes[:, None], np.log(heights)
    # Which blocks a row through each of them would have, along that one's direction.
    across = np.column_stack([directions[:, 1], -directions[:, 0]])
    aside = np.abs(across @ places.T - (across * places).sum(axis=1)[:, None])
    alike = (
        (aside < _ASIDE_PX)
        & (np.abs(directions @ directions.T) > np.cos(_TURN_RAD))
        & (np.abs(np.log(sizes / sizes[:, None])) < _STRETCH)
    )
    free = np.ones(len(places), dtype=bool)
    for _ in range(_MOST_ROWS):
        counts = alike @ free.astype(np.intp)
        values = np.where(free & (counts >= _FEWEST_BLOCKS), alike @ np.where(free, logs, 0.0), 0.0)
        best = int(np.argmax(values))
        if values[best] <= 0:
            break
        members = alike[best] & free
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
        seen_px=np.sort(along),
    )
