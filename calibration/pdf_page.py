"""PDF pages to pictures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pypdfium2

from calibration.errors import PictureError
from calibration.image_file import IntakeLimits
from calibration.picture import Density, Picture, Source

_RENDER_PER_INCH = 150.0


class PdfReader:
    """An opened PDF document: how many pages it has, and each page as a Picture."""

    def __init__(self, path: Path, *, sha256: str, limits: IntakeLimits) -> None:
        self._name, self._sha256, self._limits = path.name, sha256, limits
        try:
            self._document = pypdfium2.PdfDocument(path)
            self.page_count = len(self._document)
        except pypdfium2.PdfiumError as error:
            raise PictureError(f"{path.name} is a PDF that cannot be opened ({error})") from error

    def page(self, number: int) -> Picture:
        """Read page ``number`` (1-based)."""
        page = self._document[number - 1]
        pixels = np.array(page.render(scale=_RENDER_PER_INCH / 72.0, rev_byteorder=True).to_numpy())[..., :3]
        pixels = np.ascontiguousarray(pixels)
        pixels.setflags(write=False)
        return Picture(
            pixels=pixels,
            source=Source(file=self._name, page=number, sha256=self._sha256),
            kind="pdf-raster",
            density=Density(x_per_inch=_RENDER_PER_INCH, y_per_inch=_RENDER_PER_INCH, origin="PDF page"),
        )
