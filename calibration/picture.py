"""Pictures: pixels with whatever they say about themselves.

Conventions of the whole project
--------------------------------
Pixel points are ``(x, y)`` floats with pixel *centres* at whole numbers: the picture covers ``x`` in
``[-0.5, width - 0.5]``. Array indices are ``(row, column)``. Millimetre points are ``(x, y)`` with x to the right and
y down. ``PxPoints`` and ``MmPoints`` are distinct types so that the type checker refuses one for the other.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NewType

import numpy as np
from numpy.typing import NDArray

PxPoints = NewType("PxPoints", NDArray[np.float64])
"""Points in pixels, float64 of shape (N, 2), columns x and y, pixel centres at whole numbers."""

MmPoints = NewType("MmPoints", NDArray[np.float64])
"""Points in millimetres, float64 of shape (N, 2), columns x (right) and y (down)."""

PictureKind = Literal["image", "pdf-raster", "pdf-vector"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Density:
    """Pixel density that a file states about itself.

    Parameters
    ----------
    x_per_inch, y_per_inch : float
        Pixels per inch along x and y of the upright picture (after EXIF orientation is applied).
    origin : str
        Where it was said: ``"JFIF"``, ``"EXIF"``, ``"PNG pHYs"``, ``"TIFF"``, ``"PDF page"``, ``"option"``.
    """

    x_per_inch: float
    y_per_inch: float
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a picture came from.

    Parameters
    ----------
    file : str
        File name without folder.
    page : int or None
        1-based page number for PDF pages and multi-page TIFF, else None.
    sha256 : str
        Hex digest of the whole file.
    """

    file: str
    page: int | None
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnPath:
    """One painted path of a vector page.

    Parameters
    ----------
    segments : tuple of ndarray
        Each of shape (2, 2) for a line or (4, 2) for a cubic Bezier, in millimetres, y down, origin at the page's
        top-left corner; consecutive segments of one subpath share their end points.
    closed : bool
        Whether the subpath was closed (explicitly, or its ends coincide).
    stroke_rgb, fill_rgb : tuple of int or None
        Colours 0..255; None when not stroked or not filled.
    stroke_width_mm : float
        Pen width in millimetres (0 when not stroked).
    dash_mm : tuple of float
        Dash pattern in millimetres; empty for a solid line.
    object_index : int
        Number of the page object this subpath belongs to (subpaths of one object share it).
    clip_mm : tuple of float or None
        Bounding box (x0, y0, x1, y1) in millimetres of what the object is clipped to; None when it is not clipped.
    """

    segments: tuple[NDArray[np.float64], ...]
    closed: bool
    stroke_rgb: tuple[int, int, int] | None
    fill_rgb: tuple[int, int, int] | None
    stroke_width_mm: float
    dash_mm: tuple[float, ...] = ()
    object_index: int = 0
    clip_mm: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnText:
    """A run of text on a vector page: its words and its box (x0, y0, x1, y1) in millimetres, y down."""

    text: str
    box_mm: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VectorPage:
    """Paths and text of a PDF page, in millimetres."""

    width_mm: float
    height_mm: float
    paths: tuple[DrawnPath, ...]
    texts: tuple[DrawnText, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """An upright picture.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        Grey or RGB, sRGB-encoded (not linear), read-only. 16-bit sources are reduced to 8 bits.
    source : Source
    kind : {'image', 'pdf-raster', 'pdf-vector'}
        For ``pdf-vector`` the pixels are a rendering for people to look at and ``vectors`` holds the truth.
    density : Density or None
        What the file states; may well be wrong.
    focal_px : float or None
        Focal length in pixels from EXIF (35 mm equivalent), for photos that have one.
    vectors : VectorPage or None
    by_camera : bool
        The file records an exposure (EXIF exposure time, aperture or focal length): it was taken by a camera, so the
        density it states is no scale.
    """

    pixels: NDArray[np.uint8]
    source: Source
    kind: PictureKind = "image"
    density: Density | None = None
    focal_px: float | None = None
    vectors: VectorPage | None = None
    by_camera: bool = False
    warnings: tuple[str, ...] = field(default=())

    @property
    def width_px(self) -> int:
        """Number of columns."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Number of rows."""
        return int(self.pixels.shape[0])
