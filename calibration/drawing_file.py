"""Drawings of other programs (SVG, DXF) as pictures with vector paths, like a vector page of a PDF."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from calibration.errors import PictureError
from calibration.picture import Density, Picture, Source, VectorPage
from calibration.svg_file import read_svg
from calibration.units import MM_PER_INCH

_LONGEST_PX = 2400
_STEPS = 24
_SUBPIXEL_BITS = 4


class DrawingFileReader:
    """One SVG or DXF file: a single page."""

    page_count = 1

    def __init__(self, path: Path, *, kind: str, sha256: str) -> None:
        self._path, self._kind, self._sha256 = path, kind, sha256

    def page(self, number: int) -> Picture:
        """Return the drawing; there is only page 1."""
        if self._kind == "svg":
            vectors = read_svg(self._path)
        else:
            # Its splines need a library that takes a while to load and that no picture needs.
            from calibration.dxf_file import read_dxf

            vectors = read_dxf(self._path)
        if max(vectors.width_mm, vectors.height_mm) > 1e5:
            raise PictureError(f"{self._path.name} is larger than 100 m; its unit cannot be right")
        pixels, per_inch = _rendering(vectors)
        return Picture(
            pixels=pixels,
            source=Source(file=self._path.name, page=None, sha256=self._sha256),
            kind="pdf-vector",
            density=Density(x_per_inch=per_inch, y_per_inch=per_inch, origin="drawing"),
            vectors=vectors,
        )


def _rendering(page: VectorPage) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.uint8]], float]:
    """Draw the lines for people to look at; nothing is measured in it."""
    per_mm = min(150.0 / MM_PER_INCH, _LONGEST_PX / max(page.width_mm, page.height_mm))
    rows, columns = (max(1, round(v * per_mm)) for v in (page.height_mm, page.width_mm))
    canvas = np.full((rows, columns), 255, dtype=np.uint8)
    t = np.linspace(0, 1, _STEPS)[:, None]
    for path in page.paths:
        points = [
            s
            if len(s) == 2
            else (1 - t) ** 3 * s[0] + 3 * (1 - t) ** 2 * t * s[1] + 3 * (1 - t) * t**2 * s[2] + t**3 * s[3]
            for s in path.segments
        ]
        px = np.concatenate(points) * per_mm - 0.5
        fixed = np.round(np.clip(px, -(2**15), 2**15) * 2**_SUBPIXEL_BITS).astype(np.int32)
        cv2.polylines(canvas, [fixed[:, None]], False, 90, 1, cv2.LINE_AA, _SUBPIXEL_BITS)
    canvas.setflags(write=False)
    return canvas, per_mm * MM_PER_INCH
