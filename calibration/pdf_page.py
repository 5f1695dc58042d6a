"""PDF pages to pictures: vector pages with their exact paths, scanned pages with their own pixels.

A page that draws outlines is ``pdf-vector``: the paths are the truth, and a rendering is made for people to look at. A
page that is only a picture is ``pdf-raster``: the embedded image's own pixels where it lies square on the page, a
rendering at the image's density otherwise. Its density follows from the page's size and is exact.
"""

from __future__ import annotations

import io
import math
import threading
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2
import pypdfium2.raw as pdfium
from numpy.typing import NDArray

from calibration.errors import PictureError
from calibration.image_file import IntakeLimits
from calibration.picture import Density, DrawnPath, Picture, Source
from calibration.units import MM_PER_INCH
from calibration.vector_page import PageContent, PlacedImage, read_page

VIEW_PER_INCH = 150.0
"""Density of the rendering of a vector page; it is looked at, never measured."""

_PICTURE_SHARE = 0.5
_OUTLINE_MIN_MM = 10.0
_PAGE_SHARE = 0.97
_SQUARE_ON = 1e-3
_MAX_PER_INCH = 1200.0
_pdfium = threading.Lock()
"""PDFium is not made for several threads at once."""


class PdfReader:
    """An opened PDF document: how many pages it has, and each page as a Picture."""

    def __init__(self, path: Path, *, sha256: str, limits: IntakeLimits) -> None:
        self._name, self._sha256, self._limits = path.name, sha256, limits
        try:
            data = path.read_bytes()
        except OSError as error:
            raise PictureError(f"cannot read {path}: {error.strerror or error}; check its permissions") from error
        with _pdfium:
            try:
                self._document = pypdfium2.PdfDocument(data)
                self.page_count = len(self._document)
            except pypdfium2.PdfiumError as error:
                if getattr(error, "err_code", None) == pdfium.FPDF_ERR_PASSWORD:
                    raise PictureError(
                        f"{path.name} is locked with a password; open it in a PDF viewer and save or print it to a "
                        "PDF without one"
                    ) from error
                raise PictureError(
                    f"{path.name} begins like a PDF but cannot be opened; download or save it again"
                ) from error
        if self.page_count < 1:
            raise PictureError(f"{path.name} is a PDF without pages; download or save it again")
        self._user_units, self._hidden_layers = _facts(data, self.page_count)

    def page(self, number: int) -> Picture:
        """Read page ``number`` (1-based).

        Raises
        ------
        PictureError
            When the page cannot be loaded or is larger than the limits allow.
        """
        user_unit = self._user_units[number - 1]
        with _pdfium:
            try:
                page = self._document[number - 1]
            except pypdfium2.PdfiumError as error:
                raise PictureError(
                    f"page {number} of {self._name} is damaged; download the file again or leave that page out"
                ) from error
            try:
                content = read_page(
                    page,
                    user_unit=user_unit,
                    hidden_layers=self._hidden_layers,
                    max_segments=self._limits.max_drawn_segments,
                )
                if _is_picture(content):
                    return self._raster(page, content, number)
                return self._vector(page, content, number)
            finally:
                page.close()

    def _source(self, number: int) -> Source:
        return Source(file=self._name, page=number, sha256=self._sha256)

    def _vector(self, page: pypdfium2.PdfPage, content: PageContent, number: int) -> Picture:
        pixels, density = self._render(page, content, VIEW_PER_INCH)
        return Picture(
            pixels=pixels,
            source=self._source(number),
            kind="pdf-vector",
            density=density,
            vectors=content.vectors,
        )

    def _raster(self, page: pypdfium2.PdfPage, content: PageContent, number: int) -> Picture:
        own = None
        if len(content.images) == 1 and not content.visible_text and not _inked(content.vectors.paths):
            own = self._own_pixels(content.images[0])
        if own is None:
            wanted = max(_per_inch(image)[axis] for image in content.images for axis in (0, 1))
            own = self._render(page, content, min(max(wanted, VIEW_PER_INCH), _MAX_PER_INCH))
        return Picture(pixels=own[0], source=self._source(number), kind="pdf-raster", density=own[1])

    def _own_pixels(self, image: PlacedImage) -> tuple[NDArray[np.uint8], Density] | None:
        """Return an embedded image's own pixels, upright on the page; None when it does not lie square on it."""
        linear = image.to_mm[:2, :2]
        sideways = abs(linear[0, 0]) < abs(linear[1, 0])
        main, cross = (linear[[1, 0], [0, 1]], linear[[0, 1], [0, 1]])
        if not sideways:
            main, cross = cross, main
        if np.abs(cross).max() > _SQUARE_ON * np.abs(main).min():
            return None
        self._check_pixels(*image.size_px)
        bitmap = pdfium.FPDFImageObj_GetBitmap(image.raw)
        if not bitmap:
            return None
        pixels = _bitmap_pixels(pypdfium2.PdfBitmap.from_raw(bitmap))
        if pixels is None or pixels.shape[1::-1] != image.size_px:
            return None
        # The image's unit square has row 0 at the top, y = 1 (ISO 32000-1, 8.9.3).
        column_step, row_step = linear[:, 0], -linear[:, 1]
        if sideways:
            pixels = np.swapaxes(pixels, 0, 1)
            column_step, row_step = row_step, column_step
        if row_step[1] < 0:
            pixels = pixels[::-1]
        if column_step[0] < 0:
            pixels = pixels[:, ::-1]
        pixels = np.ascontiguousarray(pixels)
        pixels.setflags(write=False)
        x_mm, y_mm = float(abs(column_step[0])), float(abs(row_step[1]))
        return pixels, Density(
            x_per_inch=pixels.shape[1] / x_mm * MM_PER_INCH,
            y_per_inch=pixels.shape[0] / y_mm * MM_PER_INCH,
            origin="PDF page",
        )

    def _check_pixels(self, width: float, height: float) -> None:
        if width * height > self._limits.max_pixels:
            raise PictureError(
                f"a page of {self._name} is a picture of {width:.0f} x {height:.0f} pixels; at most "
                f"{self._limits.max_pixels / 1e6:.0f} million are read: save it at a lower density or in parts"
            )

    def _render(
        self, page: pypdfium2.PdfPage, content: PageContent, per_inch: float
    ) -> tuple[NDArray[np.uint8], Density]:
        width_in, height_in = (v / MM_PER_INCH for v in (content.vectors.width_mm, content.vectors.height_mm))
        # A poster 5 m long is looked at with fewer pixels rather than refused.
        most = min(self._limits.max_pixels, self._limits.max_memory_bytes / 8)
        per_inch = min(per_inch, math.sqrt(most / (width_in * height_in)))
        points_wide = page.get_width()
        bitmap = page.render(scale=per_inch * width_in / points_wide, rev_byteorder=True, draw_annots=False)
        pixels = np.ascontiguousarray(bitmap.to_numpy()[..., :3])
        if not pixels.flags.owndata:
            pixels = pixels.copy()
        bitmap.close()
        pixels.setflags(write=False)
        # The page fills the bitmap exactly, whose size is whole pixels: the density is by the page, not as asked.
        return pixels, Density(
            x_per_inch=pixels.shape[1] / width_in, y_per_inch=pixels.shape[0] / height_in, origin="PDF page"
        )


def _bitmap_pixels(bitmap: pypdfium2.PdfBitmap) -> NDArray[np.uint8] | None:
    values = np.array(bitmap.to_numpy())
    mode = bitmap.mode
    bitmap.close()
    if values.ndim == 2 or values.shape[2] == 1:
        return values.reshape(values.shape[:2])
    if mode in ("BGR", "BGRX"):
        return np.ascontiguousarray(values[..., 2::-1])
    return None


def _per_inch(image: PlacedImage) -> tuple[float, float]:
    width_mm, height_mm = np.hypot(image.to_mm[0, :2], image.to_mm[1, :2])
    width_px, height_px = image.size_px
    return width_px / max(width_mm, 1e-6) * MM_PER_INCH, height_px / max(height_mm, 1e-6) * MM_PER_INCH


def _inked(paths: Sequence[DrawnPath]) -> bool:
    """Whether any path shows on white paper."""
    white = (255, 255, 255)
    return any((p.stroke_rgb or white) != white or (p.fill_rgb or white) != white for p in paths)


def _is_picture(content: PageContent) -> bool:
    """Whether a page is only a picture: images cover most of it and no path is large enough to be an outline."""
    page = content.vectors
    share = sum(image.area_mm2 for image in content.images) / max(page.width_mm * page.height_mm, 1e-6)
    if share < _PICTURE_SHARE:
        return False
    for path in page.paths:
        points = np.concatenate(path.segments)
        extent = points.max(axis=0) - points.min(axis=0)
        whole_page = extent[0] > _PAGE_SHARE * page.width_mm and extent[1] > _PAGE_SHARE * page.height_mm
        if extent.min() > _OUTLINE_MIN_MM and not whole_page and _inked([path]):
            return False
    return True


def _facts(data: bytes, count: int) -> tuple[list[float], frozenset[str]]:
    """Return what PDFium does not tell: each page's UserUnit, and the names of layers that are switched off.

    Both are rare, so the document is only read a second time when it may hold them: in the open, or in compressed
    object streams.
    """
    units, hidden = [1.0] * count, frozenset[str]()
    if not any(word in data for word in (b"/UserUnit", b"/OCProperties", b"/ObjStm")):
        return units, hidden
    try:
        reader = pypdf.PdfReader(io.BytesIO(data), strict=False)
        for index, page in enumerate(reader.pages[:count]):
            value = float(page.get("/UserUnit", 1.0))
            units[index] = value if 0 < value < 1e6 else 1.0
        layers = reader.root_object.get("/OCProperties")
        if layers is not None:
            off = layers.get_object()["/D"].get_object().get("/OFF", [])
            hidden = frozenset(str(group.get_object()["/Name"]) for group in off)
    except (pypdf.errors.PyPdfError, KeyError, TypeError, ValueError, AttributeError, RecursionError, OSError):
        return units, hidden
    return units, hidden
