"""Lines of text put together from their glyphs: where to read when the finder of lines sees none."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.reading.places import Box, lines_axes

LEAST_LETTERS = 4
"""A place with fewer letters has no line that is read by its glyphs alone: they may be anything (judgement)."""
LEAST_KNOWN = 0.7
"""What the finder did not find has to be read so surely to be believed (judgement)."""
_SPACE, _CELL_SPACE, _LEVEL = 1.3, 0.9, 0.5
"""Glyphs of one line, and of one cell of a table, are no farther apart than this share of their height, nor off its
middle (typography: a word space is a quarter to half of a letter's height, a typewriter's a whole letter)."""
LEAST_SAID = 3
"""A line known by its glyphs that says less may be a notch and a cross beside each other (judgement)."""
_LEAST_GLYPHS, _WORDY = 3, 1.8
"""So many glyphs side by side, or fewer that are longer than high by this, are a line (two letters and a half)."""
_MARGIN = 0.35
"""Room left around letters, of their height."""


def rows_of(glyphs: NDArray[np.float64], turn_rad: float, *, single: bool = False) -> list[Box]:
    """Put glyphs together to lines of text.

    Parameters
    ----------
    glyphs : ndarray, shape (N, 4)
        Boxes of the glyphs: x, y, width, height in pixels of the picture.
    turn_rad : float
        Direction of the lines, clockwise from the picture's x.
    single : bool
        Keep glyphs that stand alone, as figures in the cells of a table do.

    Returns
    -------
    list of Box
        Lines, with some room around them.
    """
    if not len(glyphs):
        return []
    axes = lines_axes(turn_rad)
    middle = (glyphs[:, :2] + glyphs[:, 2:] / 2) @ axes.T
    c, s = abs(float(axes[0, 0])), abs(float(axes[0, 1]))
    if abs(c * c - s * s) > 0.6:
        # A level box around what is turned is larger than it along both of its own sides.
        sizes = np.abs(glyphs[:, 2:] @ np.array([[c, -s], [-s, c]])) / abs(c * c - s * s)
        sizes = np.minimum(sizes, glyphs[:, 2:].max(axis=1)[:, None])
    else:
        sizes = np.repeat(glyphs[:, 2:].mean(axis=1)[:, None], 2, axis=1)
    height = float(np.quantile(sizes[:, 1], 0.75))
    apart = np.abs(middle[:, None] - middle[None])
    gap = apart[:, :, 0] - (sizes[:, None, 0] + sizes[None, :, 0]) / 2
    near = (gap < (_CELL_SPACE if single else _SPACE) * height) & (apart[:, :, 1] < _LEVEL * height)
    out = []
    left = np.ones(len(glyphs), dtype=bool)
    for k in range(len(glyphs)):
        if not left[k]:
            continue
        row = np.zeros(len(glyphs), dtype=bool)
        row[k] = True
        while True:
            more = near[row].any(axis=0) & left & ~row
            if not more.any():
                break
            row |= more
        left &= ~row
        low, high = (middle - sizes / 2)[row].min(axis=0), (middle + sizes / 2)[row].max(axis=0)
        wordy = row.sum() >= _LEAST_GLYPHS or high[0] - low[0] > _WORDY * (high[1] - low[1])
        if not wordy and not (single and sizes[row, 1].max() > 0.5 * height):
            continue
        at = (low + high) / 2 @ axes
        long, tall = (high - low) / 2 + _MARGIN * height
        out.append(Box(u=float(at[0]), v=float(at[1]), long=float(long), high=float(tall), turn_rad=turn_rad))
    return out


def not_among(rows: Sequence[Box], found: Sequence[Box]) -> list[Box]:
    """Return the lines of which the middle lies in none of the boxes that were found."""
    out = []
    for row in rows:
        for box in found:
            away = np.abs(lines_axes(box.turn_rad) @ np.array([row.u - box.u, row.v - box.v]))
            if away[0] < box.long and away[1] < box.high:
                break
        else:
            out.append(row)
    return out
