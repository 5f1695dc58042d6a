"""PNG at a stated density, transparent outside the piece.

The density is written as pixels per metre in the pHYs chunk (PNG third edition, 11.3.4.3), which holds whole numbers:
300 per inch is 11811 per metre, right to 0.0003 %.
"""

from __future__ import annotations

import io
import math

import numpy as np
from PIL import Image, ImageDraw, PngImagePlugin

from calibration import MM_PER_INCH
from tracer.errors import FileFormatError
from tracer.files.drawing import Drawing

_OVERSAMPLING = 4
_LARGEST_PX = 300_000_000
_STRIP_ROWS = 512


def png_picture(drawing: Drawing, *, pixels_per_inch: float = 300.0) -> bytes:
    """Return a drawing with its pieces filled in grey, their edges anti-aliased, everything outside transparent.

    Raises
    ------
    FileFormatError
        When the picture would be larger than 300 megapixels.
    """
    if not 1 <= pixels_per_inch <= 20000:
        raise FileFormatError(f"{pixels_per_inch:g} pixels per inch is out of reach; give something like 300")
    placed = drawing.at_origin()
    per_mm = pixels_per_inch / MM_PER_INCH
    width = max(1, math.ceil(placed.frame.width * per_mm - 1e-6))
    height = max(1, math.ceil(placed.frame.height * per_mm - 1e-6))
    if width * height > _LARGEST_PX:
        raise FileFormatError(
            f"a picture of {width} x {height} pixels is too large; take fewer pixels per inch or one file a piece"
        )
    alpha = np.zeros((height, width), dtype=np.uint8)
    shapes = [
        (np.asarray(path.flatten(0.02)) * per_mm, fill)
        for piece in placed.pieces
        for path, fill in ((piece.outline, 255), *((h, 0) for h in piece.holes))
    ]
    for top in range(0, height, _STRIP_ROWS):
        rows = min(_STRIP_ROWS, height - top)
        strip = Image.new("L", (width * _OVERSAMPLING, rows * _OVERSAMPLING), 0)
        pen = ImageDraw.Draw(strip)
        for points, fill in shapes:
            if points[:, 1].max() < top - 1 or points[:, 1].min() > top + rows + 1:
                continue
            # The centre of a fine pixel k is at k + 0.5 fine pixels from the picture's edge.
            fine = (points - [0.0, top]) * _OVERSAMPLING - 0.5
            pen.polygon([(float(x), float(y)) for x, y in fine], fill=fill)
        small = strip.resize((width, rows), Image.Resampling.BOX)
        alpha[top : top + rows] = np.asarray(small)
    grey = Image.fromarray(np.full((height, width), 96, dtype=np.uint8))
    picture = Image.merge("LA", (grey, Image.fromarray(alpha)))
    stream = io.BytesIO()
    picture.save(stream, format="PNG", dpi=(pixels_per_inch, pixels_per_inch), pnginfo=PngImagePlugin.PngInfo())
    return stream.getvalue()
