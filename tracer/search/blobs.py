"""Solid spots: ink thicker than any line of the sheet, such as filled dots and the heads of arrows.

They are found by an opening with a disc wider than the lines, and set aside before the lines are thinned: an arrow's
shaft then ends where its head begins, and a line that a dot sits on runs on underneath it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.raster import apart, as_mask, disc, opened

SOLID_MM = 2.4
"""Ink this thick in both directions is no line, however large it is."""
THICK_MM = 1.25
"""Compact ink this thick is a spot on sheets of fine lines (the heads of arrows; common practice, no source)."""
LEAST_BUNDLE = 6
"""So many lines meet where several sizes run together (three sizes on either side)."""
CROWDED = 0.22
"""With more ink around it a thick place is one where lines run together (three lines of 0.6 mm around a spot of 3 mm
make 0.13)."""
LARGEST_BLOB_MM = 9.0
"""Dots and heads of arrows are no larger (common practice, no source)."""
_LINES_WIDE = 2.3
_LONG_MM = 3.0
USUAL_LINE_MM = 0.5
_ROUND_SHARE = 0.82
_THINNER, _HOST_SHARE = 0.72, 1.3
_FLANK_MM = 0.45
_FRINGE_MM = 0.25
"""So much around what is solid goes with it: its uneven rim bends the ends of lines that run into it (judgement)."""
_CRUMB_MM = 2.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blob:
    """A compact solid spot, in pixels of the mask.

    ``points`` is its border, shape (N, 2); ``middle`` its centre of mass; ``axis`` the unit direction in which it is
    longest; ``size`` its longer side; ``round`` whether it fills a circle.
    """

    points: NDArray[np.float64]
    middle: NDArray[np.float64]
    axis: NDArray[np.float64]
    size: float
    round: bool


def line_width_px(mask: NDArray[np.uint8], mm_per_px: float) -> float:
    """Return the usual width of the heavier lines of a mask: twice the area over the border, of all that is long."""
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return USUAL_LINE_MM / mm_per_px
    around = np.array([cv2.arcLength(c, closed=True) for c in contours])
    area = np.array([cv2.contourArea(c) for c in contours])
    parent = tree[0][:, 3]
    holes = np.flatnonzero(parent >= 0)
    np.subtract.at(area, parent[holes], area[holes])
    np.add.at(around, parent[holes], around[holes])
    # The border runs through the middles of the outermost pixels: half a pixel on either side is added.
    use = (parent < 0) & (around > 2 * _LONG_MM / mm_per_px)
    if not use.any():
        return USUAL_LINE_MM / mm_per_px
    width, weight = 2.0 * area[use] / around[use] + 1.0, around[use]
    order = np.argsort(width)
    total = np.cumsum(weight[order])
    return float(width[order][np.searchsorted(total, 0.8 * total[-1])])


def find_solids(mask: NDArray[np.uint8], mm_per_px: float) -> tuple[NDArray[np.uint8], list[Blob]]:
    """Return the mask of solid ink (0 or 255) and the compact spots in it.

    Parameters
    ----------
    mask : ndarray of uint8
        Non-zero where there is ink.
    mm_per_px : float
    """
    ink = as_mask(mask)
    solid = np.zeros_like(mask)
    # Where two lines run into a sharp point the blur fills up its throat: coarse pictures have no solid ink so thin.
    lines = _LINES_WIDE * line_width_px(ink, mm_per_px)
    side = max(3, round(max(SOLID_MM / mm_per_px, lines)))
    body = _bodies(ink, side, max(1, round(_FRINGE_MM / mm_per_px)))
    if body.any():
        body[_bundles(body, ink, mm_per_px) > 0] = 0
        solid[body > 0] = 255
    thick = max(THICK_MM / mm_per_px, lines, 3.0)
    blobs: list[Blob] = []
    if thick < max(side, lines + 1):
        # Grown again by little, a spot has its own shape and not that of the line it sits on.
        cores = opened(ink, thick)
        labels, stats = apart(cores)
        # Where a heavy line is a little wider than elsewhere, what is left of it by a smaller opening is long.
        around, extent = apart(opened(ink, _THINNER * thick))
        largest = LARGEST_BLOB_MM / mm_per_px
        for label in range(1, len(stats)):
            x, y, wide, high, _ = (int(v) for v in stats[label])
            if max(wide, high) > largest:
                continue
            host = int(around[y : y + high, x : x + wide][labels[y : y + high, x : x + wide] == label].max())
            if host and extent[host, cv2.CC_STAT_WIDTH : cv2.CC_STAT_HEIGHT + 1].max() > _HOST_SHARE * largest:
                continue
            if _crowd(labels, label, ink, (x, y, wide, high), mm_per_px) > CROWDED:
                continue
            pad = max(2, round(_FLANK_MM / mm_per_px))
            x0, y0 = max(0, x - pad), max(0, y - pad)
            window = (slice(y0, y + high + pad), slice(x0, x + wide + pad))
            own = as_mask(cv2.bitwise_and(cv2.dilate(as_mask(labels[window] == label), disc(2 * pad)), ink[window]))
            blobs.append(_blob(own, as_mask(labels[window] == label), x0, y0))
            solid[window][own > 0] = 255
            _take_crumbs(ink, solid, window, mm_per_px)
    return solid, blobs


def _bodies(ink: NDArray[np.uint8], side: int, fringe: int) -> NDArray[np.uint8]:
    """Return the ink (0 or 1) within which a square or a disc that wide fits, and a fringe around it.

    The square reaches into the corners of upright strokes, the disc is the same for strokes that run aslant.
    """
    out = np.zeros_like(ink)
    # What a disc fits into, the square within that disc fits into: most sheets have none of it.
    within = np.ones((max(3, int(side / math.sqrt(2))),) * 2, np.uint8)
    _, stats = apart(np.asarray(cv2.erode(ink, within, borderType=cv2.BORDER_CONSTANT, borderValue=0)))
    pad = side + fringe + 1
    for label in range(1, len(stats)):
        x, y, wide, high, _ = (int(v) for v in stats[label])
        window = (slice(max(0, y - pad), y + high + pad), slice(max(0, x - pad), x + wide + pad))
        around = cv2.copyMakeBorder(ink[window], 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
        # A line's middle pixel lies half a pixel less than half its width from its edge.
        round_core = cv2.distanceTransform(around, cv2.DIST_L2, 5) > side / 2
        square = cv2.erode(around, np.ones((side, side), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
        grown = as_mask(cv2.dilate(square, np.ones((side + 2 * fringe,) * 2, np.uint8)))
        if round_core.any():
            away = cv2.distanceTransform(as_mask(~round_core), cv2.DIST_L2, 5)
            grown = as_mask(cv2.bitwise_or(grown, as_mask(away < side / 2 + fringe)))
        out[window] |= grown[1:-1, 1:-1] & ink[window]
    return out


def _bundles(body: NDArray[np.uint8], ink: NDArray[np.uint8], mm_per_px: float) -> NDArray[np.uint8]:
    """Return the solid parts that are many lines run together, as nested sizes do: more lines meet these."""
    out = np.zeros_like(body)
    labels, stats = apart(body)
    pad = max(3, round(0.6 / mm_per_px))
    for label in range(1, len(stats)):
        x, y, wide, high, _ = (int(v) for v in stats[label])
        window = (slice(max(0, y - pad), y + high + pad), slice(max(0, x - pad), x + wide + pad))
        own = as_mask(labels[window] == label)
        rim = cv2.dilate(own, disc(2 * pad + 1)) - cv2.dilate(own, np.ones((5, 5), np.uint8))
        meeting, _ = apart(as_mask(cv2.bitwise_and(rim, ink[window])))
        if int(meeting.max()) >= LEAST_BUNDLE:
            out[window][own > 0] = 1
    return out


def _crowd(
    labels: NDArray[np.int32], label: int, ink: NDArray[np.uint8], box: tuple[int, int, int, int], mm_per_px: float
) -> float:
    """Return how much of the millimetre around a spot is ink: few lines meet a dot or an arrow's head."""
    x, y, wide, high = box
    near, far = max(2, round(0.5 / mm_per_px)), max(4, round(1.5 / mm_per_px))
    window = (slice(max(0, y - far), y + high + far), slice(max(0, x - far), x + wide + far))
    own = as_mask(labels[window] == label)
    ring = cv2.dilate(own, disc(2 * far + 1)) - cv2.dilate(own, disc(2 * near + 1))
    return float(ink[window][ring > 0].mean()) if ring.any() else 0.0


def _take_crumbs(
    ink: NDArray[np.uint8], solid: NDArray[np.uint8], window: tuple[slice, slice], mm_per_px: float
) -> None:
    """Take the tip and the corners of a spot with it: what is left of it when its body is gone, and is no line."""
    pad = round(_CRUMB_MM / mm_per_px) + 2
    rows, columns = window
    wide = (slice(max(0, rows.start - pad), rows.stop + pad), slice(max(0, columns.start - pad), columns.stop + pad))
    left = as_mask(ink[wide]) & as_mask(solid[wide] == 0)
    labels, stats = apart(left)
    beside = np.unique(labels[cv2.dilate(as_mask(solid[wide]), np.ones((3, 3), np.uint8)) > 0])
    for label in beside[beside > 0]:
        x, y, across, down, _ = (int(v) for v in stats[label])
        at_rim = x == 0 or y == 0 or x + across == left.shape[1] or y + down == left.shape[0]
        if not at_rim and max(across, down) < _CRUMB_MM / mm_per_px:
            solid[wide][labels == label] = 255


def _blob(own: NDArray[np.uint8], core: NDArray[np.uint8], x0: int, y0: int) -> Blob:
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    border = max(contours, key=len)
    _, radius = cv2.minEnclosingCircle(border)
    # The core has nothing of the line that a spot sits on.
    _, inner = cv2.minEnclosingCircle(np.argwhere(core)[:, ::-1].astype(np.float32).reshape(-1, 1, 2))
    row, column = np.nonzero(own)
    spread = np.cov(np.stack([column, row]).astype(np.float64)) if len(row) > 2 else np.eye(2)
    return Blob(
        axis=np.asarray(np.linalg.eigh(spread)[1][:, 1], dtype=np.float64),
        points=border.reshape(-1, 2).astype(np.float64) + [x0, y0],
        middle=np.array([column.mean() + x0, row.mean() + y0]),
        size=2.0 * float(radius),
        round=bool(core.sum() > _ROUND_SHARE * np.pi * (inner + 0.5) ** 2),
    )
