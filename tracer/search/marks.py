"""What a closed loop of line work is, when it is no piece: a frame, a table, a box of text, a test square.

Evidence only from shape and from where text stands. Pixels are those of the ink mask.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import Points
from tracer.search.marks_text import TextBlock

FRAME_SHARE = 0.55
"""A rectangle around more than this share of the sheet is its frame (common practice, no source)."""
_STRAIGHT_MM, _STRAIGHT_SHARE, _RECTANGLE_SHARE = 1.5, 0.006, 0.97
"""How far a frame's line lies beside its box at most, in all and for its length, and for what share of its way: what is
left of a lens bows it, and the box is known to 0.75 mm (judgement; a waistband's sides are bowed or askew by more)."""
TEXT_SHARE = 0.28
"""A rectangle filled with text to this share is a box of text, no piece with a label (common practice, no source)."""

WIDEST_SEAM_MM = 45.0
"""A stitching line lies no further inside; hems are wide (common practice, no source)."""


def rectangularity(points: Points) -> float:
    """Return the area of a polygon over that of its smallest box, 1 for a rectangle."""
    contour = points.astype(np.float32)
    _, (wide, high), _ = cv2.minAreaRect(contour)
    return float(cv2.contourArea(contour.reshape(-1, 1, 2)) / max(1.0, wide * high))


def box_sides(points: Points, mm_per_px: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the rectangle that most of a closed line lies on.

    The sides are sought where most of the line is, not at its extremes, so that tile marks across a frame do no harm.

    Returns
    -------
    tuple
        Rotation (2, 2) that brings its sides along the axes, and where they lie then: for each axis the lower and the
        upper one, shape (2, 2), pixels.
    """
    # Steps between neighbouring pixels know only eight directions: look further ahead.
    step = np.roll(points, -15, axis=0) - points
    length = np.hypot(step[:, 0], step[:, 1])
    # Doubling an angle four times makes the four sides of a rectangle one direction (mean direction of axial data).
    turn = float(np.angle((length * np.exp(4j * np.arctan2(step[:, 1], step[:, 0]))).sum())) / 4
    across = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    turned = points @ across.T
    bin_px = 1.5 / mm_per_px
    sides = np.zeros((2, 2))
    for axis in (0, 1):
        v = turned[:, axis]
        low, high = float(v.min()), float(v.max())
        counts, edges = np.histogram(v, bins=max(8, int((high - low) / bin_px)), weights=length, range=(low, high))
        half = max(1, len(counts) // 3)
        for k, part in enumerate((np.argmax(counts[:half]), len(counts) - half + np.argmax(counts[-half:]))):
            sides[axis, k] = (edges[part] + edges[part + 1]) / 2
    return across, sides


def on_box(points: Points, mm_per_px: float) -> float:
    """Return which share of a closed line lies on the sides of one rectangle (a frame with tabs has most there)."""
    across, sides = box_sides(points, mm_per_px)
    step = np.roll(points, -15, axis=0) - points
    length = np.hypot(step[:, 0], step[:, 1])
    near = (np.abs((points @ across.T)[:, :, None] - sides[None]) < 2.25 / mm_per_px).any(axis=(1, 2))
    return float(length[near].sum() / max(1e-9, length.sum()))


def is_rectangle(points: Points, mm_per_px: float) -> bool:
    """Return whether a closed line is a rectangle without a doubt: each side as straight and square as a frame's."""
    across, sides = box_sides(points, mm_per_px)
    step = np.roll(points, -15, axis=0) - points
    length = np.hypot(step[:, 0], step[:, 1])
    # A side across one axis is as long as the box is along the other.
    far = np.maximum(_STRAIGHT_MM / mm_per_px, _STRAIGHT_SHARE * np.ptp(sides, axis=1)[::-1])
    near = (np.abs((points @ across.T)[:, :, None] - sides[None]) < far[None, :, None]).any(axis=(1, 2))
    return float(length[near].sum()) > _RECTANGLE_SHARE * float(length.sum())


def text_in(points: Points, texts: Sequence[TextBlock]) -> list[TextBlock]:
    """Return the blocks of text whose middle lies in a polygon."""
    contour = points.astype(np.float32).reshape(-1, 1, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    return [
        t
        for t in texts
        if low[0] <= t.centre[0] <= high[0]
        and low[1] <= t.centre[1] <= high[1]
        and cv2.pointPolygonTest(contour, t.centre, measureDist=False) >= 0
    ]


Flatten = Callable[[Points], Points]
"""Takes points of the mask to where they lie seen from straight above."""


def is_table(outer: Points, faces: Sequence[Points], texts: Sequence[TextBlock], flat: Flatten) -> bool:
    """Return whether a block is a grid of rectangular cells with text in many of them."""
    if len(faces) < 3 or rectangularity(flat(outer)) < 0.93:
        return False
    straight = sum(rectangularity(flat(f)) > 0.85 for f in faces)
    if straight < 0.85 * len(faces):
        return False
    written = sum(bool(text_in(f, texts)) for f in faces)
    return len(faces) >= 6 or written >= max(2, len(faces) // 2)


def is_text_box(outer: Points, area: float, texts: Sequence[TextBlock], flat: Flatten) -> bool:
    """Return whether a rectangle is filled with text."""
    inside = text_in(outer, texts)
    return bool(inside) and rectangularity(flat(outer)) > 0.93 and sum(t.area for t in inside) > TEXT_SHARE * area


def runs_parallel(inner: Points, outer: Points, mm_per_px: float) -> bool:
    """Return whether a line keeps one distance to the outline it lies in, as a stitching line does."""
    contour = outer.astype(np.float32).reshape(-1, 1, 2)
    sample = inner[:: max(1, len(inner) // 80)]
    away = np.array([cv2.pointPolygonTest(contour, (float(x), float(y)), measureDist=True) for x, y in sample])
    away *= mm_per_px
    middle = float(np.median(away))
    if not 0.5 < middle < WIDEST_SEAM_MM:
        return False
    return float((np.abs(away - middle) < 0.8 + 0.08 * middle).mean()) > 0.7
