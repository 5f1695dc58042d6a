"""PNG at a stated density, transparent outside the piece.

The density is written as pixels per metre in the pHYs chunk (PNG third edition, 11.3.4.3), which holds whole numbers:
300 per inch is 11811 per metre, right to 0.0003 %.
"""

from __future__ import annotations

import io
import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from calibration import MM_PER_INCH
from tracer.errors import FileFormatError
from tracer.files.drawing import Drawing, union_bounds
from tracer.path import Bounds

_LARGEST_PX = 300_000_000
_ROOM_MM = 2.0


def png_picture(drawing: Drawing, *, pixels_per_inch: float = 300.0) -> bytes:
    """Return a drawing with its pieces filled in grey, their edges anti-aliased, everything outside transparent.

    Raises
    ------
    FileFormatError
        When the picture would be larger than 300 megapixels.
    """
    if not 1 <= pixels_per_inch <= 20000:
        raise FileFormatError(f"{pixels_per_inch:g} pixels per inch is out of reach; give something like 300")
    placed = _with_room(drawing).at_origin()
    per_mm = pixels_per_inch / MM_PER_INCH
    width = max(1, math.ceil(placed.frame.width * per_mm - 1e-6))
    height = max(1, math.ceil(placed.frame.height * per_mm - 1e-6))
    if width * height > _LARGEST_PX:
        raise FileFormatError(
            f"a picture of {width} x {height} pixels is too large; take fewer pixels per inch or one file a piece"
        )
    alpha = np.zeros((height, width), dtype=np.uint8)
    for piece in placed.pieces:
        rings = [np.asarray(path.oriented().flatten(0.005)) * per_mm for path in (piece.outline, *piece.holes)]
        _add_coverage(alpha, rings)
    grey = Image.fromarray(np.full((height, width), 96, dtype=np.uint8))
    picture = Image.merge("LA", (grey, Image.fromarray(alpha)))
    stream = io.BytesIO()
    picture.save(stream, format="PNG", dpi=(pixels_per_inch, pixels_per_inch), pnginfo=PngImagePlugin.PngInfo())
    return stream.getvalue()


def _with_room(drawing: Drawing) -> Drawing:
    """The drawing with a border where a piece lies on its frame, so that no piece looks cut off in the picture."""
    frame, box = drawing.frame, union_bounds(p.outline.bounds for p in drawing.pieces)
    least = min(box.x_min - frame.x_min, box.y_min - frame.y_min, frame.x_max - box.x_max, frame.y_max - box.y_max)
    if least >= _ROOM_MM:
        return drawing
    wider = Bounds(frame.x_min - _ROOM_MM, frame.y_min - _ROOM_MM, frame.x_max + _ROOM_MM, frame.y_max + _ROOM_MM)
    return replace(drawing, frame=wider)


def _add_coverage(alpha: NDArray[np.uint8], rings: list[NDArray[np.float64]]) -> None:
    """Add a piece to the picture: the first ring is filled, the others are holes.

    Coverage is the exact share of each pixel's area (signed trapezoids summed along the row, as fonts are drawn), so
    the edge lies where half the light is. Points are in pixels from the picture's corner, x right, y down.
    """
    low = np.floor(rings[0].min(axis=0)).astype(int)
    high = np.ceil(rings[0].max(axis=0)).astype(int)
    low, high = np.maximum(low, 0), np.minimum(high, [alpha.shape[1], alpha.shape[0]])
    columns, rows = high - low
    if columns <= 0 or rows <= 0:
        return
    sums = np.zeros((rows, columns + 2))
    for number, ring in enumerate(rings):
        _add_ring(sums, ring - low, 1.0 if number == 0 else -1.0)
    covered = np.clip(np.abs(np.cumsum(sums, axis=1)[:, :columns]), 0.0, 1.0)
    window = alpha[low[1] : high[1], low[0] : high[0]]
    np.maximum(window, np.round(covered * 255).astype(np.uint8), out=window)


def _add_ring(sums: NDArray[np.float64], ring: NDArray[np.float64], sign: float) -> None:
    """Add the signed areas to the right of a closed polygon's edges, cut at every pixel border."""
    a, b = ring, np.roll(ring, -1, axis=0)
    steps = np.maximum(np.ceil(np.abs(b - a).max(axis=1)).astype(int), 1)
    start = np.repeat(a, steps, axis=0)
    span = np.repeat((b - a) / steps[:, None], steps, axis=0)
    index = np.arange(steps.sum()) - np.repeat(np.cumsum(steps) - steps, steps)
    p, q = start + span * index[:, None], start + span * (index + 1)[:, None]
    for axis in (0, 1):
        p, q = _cut_at_whole_numbers(p, q, axis)
    middle = (p + q) / 2
    row = np.clip(np.floor(middle[:, 1]).astype(int), 0, sums.shape[0] - 1)
    column = np.clip(np.floor(middle[:, 0]).astype(int), 0, sums.shape[1] - 2)
    height = sign * (q[:, 1] - p[:, 1])
    inside = 1.0 - np.clip(middle[:, 0] - column, 0.0, 1.0)
    np.add.at(sums, (row, column), height * inside)
    np.add.at(sums, (row, column + 1), height * (1.0 - inside))


def _cut_at_whole_numbers(
    p: NDArray[np.float64], q: NDArray[np.float64], axis: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cut stretches at most a pixel long where they cross a whole number on one axis (at most once each)."""
    first, last = np.minimum(p[:, axis], q[:, axis]), np.maximum(p[:, axis], q[:, axis])
    border = np.floor(first) + 1.0
    crossing = (border > first) & (border < last)
    if not crossing.any():
        return p, q
    t = (border[crossing] - p[crossing, axis]) / (q[crossing, axis] - p[crossing, axis])
    at = p[crossing] + t[:, None] * (q[crossing] - p[crossing])
    at[:, axis] = border[crossing]
    return (
        np.concatenate([p[~crossing], p[crossing], at]),
        np.concatenate([q[~crossing], at, q[crossing]]),
    )
