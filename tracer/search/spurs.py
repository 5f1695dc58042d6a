"""Printed lines of a mat that hang on a thing as if they were parts of it: diagonals, ticks, none of the grid's."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.own_colour import Colours
from tracer.search.raster import apart, as_mask, grown, opened

_SPUR_PX, _SPUR_MM, _BEGINS, _BROAD = 4.5, 1.0, 0.7, 3.0
"""Printed lines are thinner than the larger of these two, and so much thinner where they leave a thing; where it is so
many times as broad its edge is no point."""
_EVEN, _LONG = 0.6, 4.0
"""Of the middle and the outer third of a point the outer one has a third as much, of a line as much; asked of what is
so many times as long as a line may be broad (geometry; judgement)."""


def without_spurs(
    region: NDArray[np.uint8], per_px: float, picture: NDArray[np.uint8], colours: Colours | None
) -> NDArray[np.uint8]:
    """Return a thing on a mat without thin parts that begin as thin: printed lines that are none of the grid's.

    A tip of the thing is as broad where it begins as what is left out is anywhere, or goes on from where the thing gets
    narrow, while a line leaves its edge anywhere; or it shows in the picture by its colour, where that can be told from
    all print. A line that leaves a corner begins broader, where the corner ends, and does not taper.

    Parameters
    ----------
    region : ndarray of uint8, shape (rows, columns)
        Non-zero on the thing.
    per_px : float
        Millimetres in a pixel of it.
    picture : ndarray of uint8, shape (rows, columns, 3)
    colours : Colours or None
        The thing's and the lined mat's; None where print has the thing's.
    """
    wide = max(_SPUR_PX, _SPUR_MM / per_px)
    body = grown(opened(region, wide), 3)
    labels, stats = apart(region & as_mask(body == 0))
    begins = np.bincount(labels[grown(body, 3) > 0], minlength=len(stats))
    extent = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    broad = grown(opened(region, _BROAD * wide), 2 * wide)
    on_edge = np.bincount(labels[broad > 0], minlength=len(stats)) > 0
    line = (extent > _LONG * wide) & _is_even(labels, grown(body, 3), len(stats))
    spur = (begins < np.where(line, 1.0, _BEGINS) * wide) & (extent > wide) & on_edge
    if colours is not None:
        at = np.nonzero(labels)
        own = labels[at][colours.is_thing(picture[at].astype(np.float32))]
        spur &= np.bincount(own, minlength=len(stats)) <= 0.5 * stats[:, cv2.CC_STAT_AREA]
    spur[0] = False
    return np.asarray(region & as_mask(~spur[labels]), dtype=np.uint8)


def _is_even(labels: NDArray[np.int32], body: NDArray[np.uint8], count: int) -> NDArray[np.bool_]:
    """Return which parts that hang on a body are as broad in their outer third as in their middle."""
    at = np.nonzero(labels)
    mine, away = labels[at], cv2.distanceTransform(as_mask(body == 0), cv2.DIST_L2, 5)[at]
    far = np.zeros(count)
    np.maximum.at(far, mine, away)
    third = np.minimum((3.0 * away / np.maximum(far[mine], 1e-6)).astype(np.intp), 2)
    held = np.bincount(3 * mine + third, minlength=3 * count).reshape(count, 3)
    return np.asarray(held[:, 2] > _EVEN * held[:, 1])
