"""How far out lines of sizes drawn into each other lie: 0 at the smallest size's, 1 at the largest's.

Grading moves a line outwards by about as much from size to size, so the share of the way from the innermost line to
the outermost is about the same all round for one size (common practice, no source). It tells sizes drawn in one style
apart where their strokes end: a hem belongs to the waist that lies as far out. Where lines cross it says little.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import Edge, Points

_STEP_PX = 4
"""Places are told on every fourth point of a line."""
_LEAST_INNER = 0.2
"""The area inside all sizes covers this share of the largest at least."""


class Nesting:
    """Where lines lie between the innermost and the outermost one.

    Parameters
    ----------
    edges : sequence of Edge
        Lines inside the outermost loop.
    outer : ndarray, shape (N, 2)
        The outermost loop, pixels of the mask.
    least_px : float
        Where all sizes lie closer together than this nothing is told.
    space_px : float
        Spaces in the lines up to this wide are closed: the inside of a dashed line does not leak through them.
    coarse : int
        How far places lie is known for squares of so many pixels.
    """

    def __init__(
        self, edges: Sequence[Edge], outer: Points, least_px: float, space_px: float = 0.0, coarse: int = 1
    ) -> None:
        self.least_px, self.coarse = least_px / coarse, coarse
        space_px /= coarse
        self.low = outer.min(axis=0) / coarse - 4.0
        size = (np.ptp(outer, axis=0) / coarse).astype(int) + 9
        within: NDArray[np.uint8] = np.zeros((int(size[1]), int(size[0])), np.uint8)
        cv2.fillPoly(within, [self._place(outer)], 255)
        lines = np.zeros_like(within)
        for edge in edges:
            cv2.polylines(lines, [self._place(edge.points)], isClosed=False, color=255, thickness=3)
        away = space_px / 2
        if away > 0:
            free = ((cv2.distanceTransform(255 - lines, cv2.DIST_L2, 5) > away) & (within > 0)).astype(np.uint8)
        else:
            free = np.where(lines > 0, 0, within).astype(np.uint8)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(free, connectivity=4)
        area = stats[:, cv2.CC_STAT_AREA]
        inner = 1 + int(np.argmax(area[1:])) if count > 1 else 0
        self.known = inner > 0 and area[inner] > _LEAST_INNER * float((within > 0).sum())
        core = cv2.distanceTransform((labels != inner).astype(np.uint8), cv2.DIST_L2, 5)
        self.from_inner = np.maximum(core - away, 0.0)
        self.from_outside = cv2.distanceTransform(within, cv2.DIST_L2, 5)

    def _place(self, points: Points) -> NDArray[np.int32]:
        return np.asarray(np.rint(points / self.coarse - self.low).astype(np.int32).reshape(-1, 1, 2))

    def out(self, edge: Edge) -> float | None:
        """Return how far out a line lies, 0 to 1; None where all sizes run together there."""
        if not self.known:
            return None
        column, row = self._place(edge.points[:: max(1, min(_STEP_PX, len(edge.points) // 3))]).reshape(-1, 2).T
        inside = (column >= 0) & (row >= 0) & (column < self.from_inner.shape[1]) & (row < self.from_inner.shape[0])
        if not inside.any():
            return None
        inner = self.from_inner[row[inside], column[inside]].astype(np.float64)
        outside = self.from_outside[row[inside], column[inside]].astype(np.float64)
        told = inner + outside > self.least_px
        if told.mean() < 0.5:
            return None
        return float(np.median(inner[told] / (inner + outside)[told]))

    def slope(self, at: Points, way: Points, reach_px: float) -> NDArray[np.float64]:
        """Return by how much farther from the inside than from the outside places lie along a way, for (N, 2) each."""
        depth = []
        for side in (-reach_px, reach_px):
            column, row = self._place(at + side * way).reshape(-1, 2).T
            column = np.clip(column, 0, self.from_inner.shape[1] - 1)
            row = np.clip(row, 0, self.from_inner.shape[0] - 1)
            depth.append(self.from_inner[row, column].astype(np.float64) - self.from_outside[row, column])
        return np.asarray(depth[1] - depth[0]) * self.coarse
