"""Ink without what is printed on a mat: its lines, numbers and ticks are no drawing.

Limits: where a mat is seen through a pattern its print is left to be told apart line by line.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.ink import Ink
from tracer.search.bodies import Bodies
from tracer.search.raster import Mask, as_mask, grown, opened, shrunk, to_size

_MARGIN_MM = 30.0
"""So far beyond its grid a mat may have numbers and words (common practice, no source)."""
_BESIDE_MM = 3.0
"""So far beside a thing ink is still taken for drawn on it (judgement)."""
_SHEET_MM = 5.0
"""What is foreign to the mat and thicker than this is something that lies on it (judgement)."""
_BEYOND_MM = 150.0
"""So far beyond the grid a sheet may go on that crosses its border (judgement)."""
_PLAIN_CONTRAST = 1.4
"""Light of a mat's lines against the mat, or the reverse: less is seen through what lies on it (judgement)."""
_HIDDEN_SHARE = 0.4
"""Or lines are seen to be gone under so much of it (judgement; cells at its edge are half covered)."""


def without_mat_print(ink: Ink, bodies: Bodies) -> Ink:
    """Return the ink without whatever lies on the bare mat, in its grid and on its margin.

    Where nothing lies on the mat the pattern may be drawn on something that lets it through: then all ink stays.
    """
    grid, look, ground = bodies.grid, bodies.look, bodies.ground
    if grid is None or look is None or not bodies.things:
        return ink
    if max(look.contrast, 1 / look.contrast) < _PLAIN_CONTRAST and not _hide_lines(bodies):
        return ink
    rows, columns = ink.mask.shape
    printed = _filled(ink.from_picture(grid.outline_px), (rows, columns), _MARGIN_MM / ink.mm_per_px)
    within = _filled((grid.outline_px + 0.5) / ground.factor - 0.5, ground.foreign.shape, 0.0)
    covered = np.zeros(ground.foreign.shape, dtype=np.uint8)
    for body, (x, y) in bodies.things:
        covered[y : y + body.shape[0], x : x + body.shape[1]] |= as_mask(body)
    at_border = covered & as_mask(shrunk(within, 5.0) == 0)
    # Parts of a sheet that its own lines cut off are no things, but no bare mat either.
    covered |= opened(as_mask(ground.foreign), _SHEET_MM / ground.mm_per_px)
    keep = grown(covered, 2 * _BESIDE_MM / ground.mm_per_px)
    # Beyond the grid no thing is looked for: paper that reaches its border may go on there.
    if at_border.any():
        # By distance: growing by so large a disc would take seconds.
        away = cv2.distanceTransform(as_mask(at_border == 0), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        keep |= as_mask(away <= _BEYOND_MM / ground.mm_per_px) & as_mask(within == 0)
    bare = (printed > 0) & (to_size(keep, columns, rows) == 0)
    return replace(ink, mask=np.where(bare, np.uint8(0), ink.mask))


def _hide_lines(bodies: Bodies) -> bool:
    """Return whether the mat's lines are seen to end where things lie on it: nothing is seen through those."""
    assert bodies.grid is not None
    quarters = (bodies.grid.hidden_px + 0.5) / bodies.ground.factor - 0.5
    if not len(quarters):
        return False
    area = float(np.median([cv2.contourArea(quarter.astype(np.float32)) for quarter in quarters[::50]]))
    centre = quarters.mean(axis=1)
    hiding, whole = 0, 0.0
    for body, (x, y) in bodies.things:
        column, row = np.rint(centre - [x, y]).astype(np.intp).T
        inside = (column >= 0) & (row >= 0) & (column < body.shape[1]) & (row < body.shape[0])
        hiding += int(body[row[inside], column[inside]].sum())
        whole += float(body.sum())
    return hiding * area > _HIDDEN_SHARE * whole


def _filled(polygon: NDArray[np.float64], shape: tuple[int, ...], margin_px: float) -> Mask:
    out = np.zeros(shape, dtype=np.uint8)
    corners = np.rint(polygon).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(out, [corners], 1)
    if margin_px >= 1:
        cv2.polylines(out, [corners], isClosed=True, color=1, thickness=round(2 * margin_px))
    return out
