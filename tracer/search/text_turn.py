"""How lines of text are turned, told from their ink alone.

Across its lines, text is crowded: letters stand on common base lines with empty space between them. The direction
across which the ink is least evenly spread (least entropy of its projection) is that of the lines, after the
projection profiles of Postl ("Detection of linear oblique structures and skew scan in digitized documents", 1986).
Which of the two ways along the lines they are read is not told here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.search.marks_text import TextBlock

MOST_POINTS = 3000
_STEP_RAD, _FINE_RAD = math.radians(6.0), math.radians(1.0)
_SLENDER = 3.5
_BIN_SHARE = 0.14
"""Width of a bin of the projection, as a share of a glyph's height."""
_SQUARE_RAD = math.radians(7.0)
_SQUARE_GAIN, _LEVEL_GAIN = 0.06, 0.04
"""Words lie along the picture's sides more often than not, and level rather than upright: by so much less entropy
another direction has to be better; short words have no sharp direction (common practice, no source)."""


def ink_points(blocks: Sequence[TextBlock], mask: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return pixels of the ink in the boxes of the glyphs of some blocks, shape (N, 2), x and y."""
    parts = []
    glyphs = np.concatenate([block.glyphs for block in blocks]) if blocks else np.zeros((0, 4), np.int32)
    slender = glyphs[:, 2:4].max(axis=1) > _SLENDER * glyphs[:, 2:4].min(axis=1)
    if (~slender).sum() >= 3:
        # Dashes of a line that runs through the words point where that line goes.
        glyphs = glyphs[~slender]
    for x, y, wide, high in glyphs:
        row, column = np.nonzero(mask[y : y + high, x : x + wide])
        parts.append(np.column_stack([column + x, row + y]))
    points = np.concatenate(parts).astype(np.float64) if parts else np.zeros((0, 2))
    return points[:: max(1, len(points) // MOST_POINTS)]


def text_turn(points: NDArray[np.float64], glyph_px: float) -> float:
    """Return the direction of lines of text in radians, -pi/4 to 3/4 pi, clockwise from the picture's x.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        Pixels of their ink.
    glyph_px : float
        Height of a glyph in pixels.
    """
    if len(points) < 10:
        return 0.0
    local = points - points.mean(axis=0)
    width = max(1.0, _BIN_SHARE * glyph_px)
    coarse = np.arange(-np.pi / 4, 3 * np.pi / 4, _STEP_RAD)
    best = float(coarse[int(np.argmin([_price(local, t, width) for t in coarse]))])
    fine = best + np.arange(-_STEP_RAD, _STEP_RAD + _FINE_RAD / 2, _FINE_RAD)
    squares = np.array([0.0, np.pi / 2])
    tried = np.concatenate([fine, squares])
    best = float(tried[int(np.argmin([_price(local, t, width) for t in tried]))])
    return float((best + np.pi / 4) % np.pi - np.pi / 4)


def _price(points: NDArray[np.float64], turn_rad: float, width: float) -> float:
    """Return the entropy of the ink's projection across a direction, and what is added for an unusual direction."""
    across = points @ np.array([-np.sin(turn_rad), np.cos(turn_rad)])
    counts = np.bincount(((across - across.min()) / width).astype(int))
    share = counts[counts > 0] / len(points)
    entropy = float(-(share * np.log(share)).sum())
    from_level = abs(float(np.arcsin(np.sin(turn_rad))))
    from_square = min(from_level, abs(math.pi / 2 - from_level))
    entropy += _SQUARE_GAIN * min(1.0, from_square / _SQUARE_RAD)
    return entropy + (_LEVEL_GAIN if from_level > math.pi / 4 else 0.0)
