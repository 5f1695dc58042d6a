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
SHORTEST_PERIOD_PX, _LONGEST_PERIOD_PX = 3.0, 48.0
_CLEAR = 18.0
"""A peak must stand this many times above the mean of the (whitened) spectrum."""
_AT_ONCE = 8
_MOST_PEAKS = 320
_STAND_OUT, _LEAST_SHARE = 8, 0.005
"""A block is looked at where this share of its pixels is darker or lighter by so many codes than what is around: paper
and its grain are not, ticks in low contrast by far (43 codes and a twentieth where they were faded on purpose)."""
_BESIDE, _LONE = (-5, -4, -3, -2, 2, 3, 4, 5), 0.25
"""At one of so many steps of the spectrum from its peak, along the peak's own direction, a period has next to nothing.
A lone line has a ridge there: its least is 0.3 of the peak and more, that of ticks mostly below 0.03 (measured)."""
_SLOPE = 1.3
"""Between two steps of the spectrum both stand as high; rounding allowed for, no more."""
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


def find_rows(grey: NDArray[np.uint8], shortest_period_px: float = SHORTEST_PERIOD_PX) -> list[Row]:
    """Return stretches with a common period, the most convincing first."""
    n = _BLOCK_PX
    # No more of the spectrum than holds the periods that are wanted.
    right = int(n / shortest_period_px) + 2
    radius = np.hypot(fft.fftfreq(n)[:, None], fft.rfftfreq(n)[:right])
    wanted = (radius > 1 / _LONGEST_PERIOD_PX) & (radius < 1 / shortest_period_px)
    # Pictures have less power at high frequencies; times the radius squared they are about even.
    even_by = (radius**2 * wanted).astype(np.float32)
    window = (np.hanning(n)[:, None] * np.hanning(n)).astype(np.float32)
    places, vectors, heights = [], [], []
    # A second set lies half a block down and right: ticks on the seam of two blocks are seen by neither of them.
    begins = [(first, down_px) for first in (0, n // 2) for down_px in range(first, grey.shape[0] - n + 1, n)]
    for left, top in begins:
        # A few blocks at a time stay in the processor's cache.
        for numbers, blocks in _blocks(grey, top, left):
            blocks *= window
            spectrum = fft.fft(fft.rfft(blocks, axis=2)[:, :, :right], axis=1, overwrite_x=True)
            power = spectrum.real**2 + spectrum.imag**2
            even = (power * even_by).reshape(len(blocks), -1)
            mean = even.mean(axis=1) * (wanted.size / wanted.sum())
            highest = even.argmax(axis=1)
            peaks = even[np.arange(len(blocks)), highest] / (mean + 1e-9)
            for i in np.flatnonzero(peaks > _CLEAR):
                row, column = divmod(int(highest[i]), right)
                if _is_period(power[i], row, column):
                    places.append((left + (numbers[i] + 0.5) * n - 0.5, top + n / 2 - 0.5))
                    vectors.append(_refined(power[i], row, column, n))
                    heights.append(float(peaks[i]))
    return _joined(np.asarray(places), np.asarray(vectors), np.asarray(heights))


def _blocks(grey: NDArray[np.uint8], top: int, left: int) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float32]]]:
    """Yield the thin parts of those blocks of one row that have any, (K, n, n), and their numbers; without seams."""
    n = _BLOCK_PX
    count = (grey.shape[1] - left) // n
    above, below = max(0, top - _THIN_PX), min(grey.shape[0], top + n + _THIN_PX)
    dark, light = (part[top - above :][:n] for part in _thin_parts(grey[above:below, left : left + count * n]))
    # No more than n in a column, so that bytes hold their number.
    out = (np.maximum(dark, light) >= _STAND_OUT).sum(axis=0, dtype=np.uint8)
    numbers = np.flatnonzero(out.reshape(count, n).sum(axis=1) >= _LEAST_SHARE * n * n)
    if len(numbers):
        thin = cv2.subtract(dark, light, dtype=cv2.CV_32F).reshape(n, count, n)
        for first in range(0, len(numbers), _AT_ONCE):
            some = numbers[first : first + _AT_ONCE]
            yield some, np.ascontiguousarray(thin[:, some].swapaxes(0, 1))


def _thin_parts(grey: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """How much darker, and how much lighter, than all broad things around each pixel is."""
    kernel = np.ones((_THIN_PX, _THIN_PX), np.uint8)
    # A closing is nowhere below the picture and an opening nowhere above it.
    dark = cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, kernel)
    light = cv2.morphologyEx(grey, cv2.MORPH_TOPHAT, kernel)
    return np.asarray(dark, dtype=np.uint8), np.asarray(light, dtype=np.uint8)


def _is_period(power: NDArray[np.float32], row: int, column: int) -> bool:
    """Whether a peak is that of what comes again and again: no lone line's, and no slope beyond what is wanted.

    The peak is that of the power times the radius squared.
    """
    n, columns = power.shape
    y = row - n if row > n / 2 else row
    size = math.hypot(column, y)

    def beside(step: int) -> float:
        share = 1 + step / size
        x = round(share * column)
        # What is next to the middle is shading.
        return float(power[round(share * y) % n, x]) if size + step > 1.5 and x < columns else math.inf

    peak = float(power[row, column])
    on_slope = any(_SLOPE * peak < beside(step) * (1 + step / size) ** 2 < math.inf for step in (-1, 1))
    return not on_slope and min(map(beside, _BESIDE)) < _LONE * peak


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
