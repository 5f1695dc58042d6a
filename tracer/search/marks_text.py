"""Text found by shape: glyphs that stand together.

After Fletcher and Kasturi ("A robust algorithm for text string separation from mixed text/graphics images", 1988):
small pieces of ink of about the same size, close to each other compared with that size. Nothing is read here.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

LEAST_GLYPH_MM = 0.7
"""Smaller ink is specks and dots (common practice, no source)."""
LEAST_GLYPHS = 2
"""So many glyphs side by side make text; one may be anything."""
_MANY_GLYPHS, _ALIKE_GLYPHS = 24, 3.0
"""Of so many glyphs the quarter of the larger and that of the smaller ones are alike but for so much, even where a
heading stands over small letters (small letters of a line reach half as high as its capitals: typography)."""
_HEADING = 1.4
"""A heading's letters are larger than those under it by so much and more (typography; common practice, no source)."""
ON_DASHES = 2
"""What hangs on the dashes of a line, such as a notch with them, is marked so among small marks."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TextBlock:
    """Glyphs that stand together.

    Parameters
    ----------
    box : tuple of float
        x0, y0, x1, y1 in pixels of the mask.
    glyphs : ndarray of int, shape (N, 4)
        Box of each glyph: x, y, width, height.
    height : float
        Typical size of a glyph in pixels (its longer side; upright or turned text alike).
    """

    box: tuple[float, float, float, float]
    glyphs: NDArray[np.int32]
    height: float

    @property
    def area(self) -> float:
        """Area the glyphs' own boxes cover with the spaces between them, square pixels."""
        return float((self.glyphs[:, 2] + 0.3 * self.height).astype(float) @ (self.glyphs[:, 3] + 0.3 * self.height))

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the box."""
        x0, y0, x1, y1 = self.box
        return (x0 + x1) / 2, (y0 + y1) / 2


def _is_scatter(glyphs: NDArray[np.int32]) -> bool:
    """Return whether many marks that stand together are of all sizes: noise, and no lettering."""
    if len(glyphs) < _MANY_GLYPHS:
        return False
    low, high = np.percentile(np.maximum(glyphs[:, 2], glyphs[:, 3]), [25, 75])
    return bool(high > _ALIKE_GLYPHS * low)


def _by_size(glyphs: NDArray[np.int32]) -> list[NDArray[np.int32]]:
    """Return marks that stand together as the one or two sizes of lettering that they are; nothing of noise.

    Noise has all sizes, a heading with the small letters under it has two and none between.
    """
    if not _is_scatter(glyphs):
        return [glyphs]
    ordered = glyphs[np.argsort(np.maximum(glyphs[:, 2], glyphs[:, 3]), kind="stable")]
    size = np.maximum(ordered[:, 2], ordered[:, 3]).astype(np.float64)
    cut = int(np.argmax(size[1:] / np.maximum(size[:-1], 1.0))) + 1
    if size[cut] < _HEADING * size[cut - 1]:
        return []
    parts = (ordered[:cut], ordered[cut:])
    alike = all(np.divide(*np.percentile(part, (75, 25))) < _ALIKE_GLYPHS for part in (size[:cut], size[cut:]))
    return [part for part in parts if len(part) >= LEAST_GLYPHS] if alike else []


def find_text(small: NDArray[np.int32], mm_per_px: float) -> list[TextBlock]:
    """Group small marks into blocks of text.

    Parameters
    ----------
    small : ndarray, shape (N, 6)
        Small marks: x, y, width, height, area in pixels, and 1 for those that may be dashes of a line. These make no
        text on their own, and belong to text they stand in (the letters i, l and 1); what hangs on dashes does not.
    mm_per_px : float
    """
    size = np.maximum(small[:, 2], small[:, 3])
    dense = small[:, 4] > 0.12 * small[:, 2] * small[:, 3]
    large = size >= LEAST_GLYPH_MM / mm_per_px
    strokes = small[large & (small[:, 5] == 1)]
    glyphs = small[large & dense & (small[:, 5] == 0)]
    if len(glyphs) < LEAST_GLYPHS:
        return []
    size = np.maximum(glyphs[:, 2], glyphs[:, 3]).astype(np.float64)
    centre = glyphs[:, :2] + glyphs[:, 2:4] / 2.0
    pairs = cKDTree(centre).query_pairs(float(size.max()) * 1.9, output_type="ndarray")
    if not len(pairs):
        return []
    a, b = pairs[:, 0], pairs[:, 1]
    larger = np.maximum(size[a], size[b])
    smaller = np.minimum(size[a], size[b])
    apart = np.abs(centre[a] - centre[b]) - (glyphs[a, 2:4] + glyphs[b, 2:4]) / 2.0
    gap = np.hypot(*np.maximum(apart, 0).T)
    near = (gap < 0.95 * larger) & (smaller > 0.3 * larger)
    pairs = pairs[near]
    matrix = coo_array((np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(glyphs), len(glyphs)))
    count, labels = connected_components(matrix, directed=False)
    order = np.argsort(labels, kind="stable")
    bounds = np.searchsorted(labels[order], np.arange(count + 1))
    blocks = []
    rows = (glyphs[order[begin:end]] for begin, end in itertools.pairwise(bounds) if end - begin >= LEAST_GLYPHS)
    for members in (part for row in rows for part in _by_size(row)):
        height = float(np.median(np.maximum(members[:, 2], members[:, 3])))
        if len(strokes):
            low = members[:, :2].min(axis=0) - 0.7 * height
            high = (members[:, :2] + members[:, 2:4]).max(axis=0) + 0.7 * height
            middle = strokes[:, :2] + strokes[:, 2:4] / 2.0
            within = ((middle > low) & (middle < high)).all(axis=1) & (strokes[:, 2:4].max(axis=1) < 1.7 * height)
            members = np.concatenate([members, strokes[within]])
        low = members[:, :2].min(axis=0)
        high = (members[:, :2] + members[:, 2:4]).max(axis=0)
        blocks.append(
            TextBlock(
                box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
                glyphs=members[:, :4],
                height=height,
            )
        )
    return blocks
