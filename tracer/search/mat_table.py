"""What seems drawn beside a mat while a sheet lies on it: the grain of a table that is too dark to be drawn on.

Limits: on a table about as light as the sheet nothing is left out, since another sheet may lie there.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.ink import Ink
from tracer.search.bodies import Bodies
from tracer.search.drawn import lies_in
from tracer.search.graph import Points
from tracer.search.pieces import Found
from tracer.search.raster import Mask
from tracer.search.stands_out import median_light

_DARKER = 0.5
"""Paper beside a mat has at least this share of the light of the paper on it (judgement: lamps fall off by less)."""
_PLACES = 2000


def without_table(
    drawn: Sequence[Found], papers: Sequence[Points], ink: Ink, bodies: Bodies, pixels: NDArray[np.uint8]
) -> list[Found]:
    """Return the drawn pieces without those beside the mat on a ground much darker than the sheets on the mat.

    Parameters
    ----------
    drawn : sequence of Found
    papers : sequence of ndarray, shape (N, 2)
        Outlines of the sheets that lie on the mat, pixels of the ink's mask.
    ink, bodies
        What was seen.
    pixels : ndarray of uint8
        The picture.
    """
    on_paper = [any(lies_in(f.points, paper) for paper in papers) for f in drawn]
    if bodies.grid is None or not any(on_paper) or all(on_paper):
        return list(drawn)
    border = ink.from_picture(bodies.grid.outline_px).astype(np.float32).reshape(-1, 1, 2)

    def is_beside(found: Found) -> bool:
        return all(cv2.pointPolygonTest(border, (float(x), float(y)), measureDist=False) < 0 for x, y in found.points)

    light = [_light_in(f.points, ink, pixels) for f in drawn]
    least = _DARKER * float(np.median([x for x, on in zip(light, on_paper, strict=True) if on]))
    return [f for f, on, lit in zip(drawn, on_paper, light, strict=True) if on or lit >= least or not is_beside(f)]


def _light_in(ring: Points, ink: Ink, pixels: NDArray[np.uint8]) -> float:
    """Return the usual light within a closed line, linear 0..1."""
    corner = np.floor(ring.min(axis=0)).astype(np.int32)
    wide, high = (np.ceil(np.ptp(ring, axis=0)) + 2).astype(int)
    inside: Mask = np.zeros((high, wide), dtype=np.uint8)
    cv2.fillPoly(inside, [np.rint(ring - corner).astype(np.int32).reshape(-1, 1, 2)], 1)
    y, x = np.nonzero(inside)
    some = np.linspace(0, len(x) - 1, min(len(x), _PLACES)).astype(np.intp)
    places = ink.to_picture(np.column_stack([x[some], y[some]]) + corner)
    return float(median_light(pixels, places[None]).mean())
