"""Ends of lines that run into something solid: what thinning makes of the last stretch is not the line's shape."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import LineGraph, Points

_RAGGED = 0.9
"""So many widths of a line that runs into something solid are not its own shape (from the geometry of thinning)."""
_LEAST_LONG = 4
"""Lines shorter than so many times what would be taken are left as they are."""


def without_ragged_ends(graph: LineGraph, solids: NDArray[np.uint8]) -> list[Points]:
    """Take the last stretch of lines away, in place, where they run into something solid; return what was taken.

    The solid cuts a line off aslant, and thinning follows the longer side of what is left to its corner: over about the
    line's width it no longer runs down the middle.

    Parameters
    ----------
    graph : LineGraph
    solids : ndarray of uint8
        Non-zero on what is solid.
    """
    if not solids.any():
        return []
    degrees = graph.degrees()
    near = cv2.dilate(solids, np.ones((5, 5), np.uint8))
    taken = []
    for edge in graph.edges:
        for first in (True, False):
            node = edge.start if first else edge.end
            cut = max(2, round(_RAGGED * edge.width))
            x, y = np.rint(edge.points[0 if first else -1]).astype(np.int64)
            if degrees[node] != 1 or len(edge.points) < _LEAST_LONG * cut or not near[y, x]:
                continue
            taken.append(edge.points[: cut + 1] if first else edge.points[-cut - 1 :])
            edge.points = edge.points[cut:] if first else edge.points[:-cut]
            edge.length = float(np.hypot(*np.diff(edge.points, axis=0).T).sum())
            place = edge.points[0 if first else -1]
            graph.nodes[node] = (float(place[0]), float(place[1]))
    return taken
