"""Stated density: what a file says about itself, and when to believe it.

A scanner writes the density it scanned at. Everything else writes something too: cameras 72, 96 or 300 whatever the
distance was, drawing programs 72 or 96 as a default. So a density is believed when the picture was not taken by a
camera, is not one of those defaults, and is one that scanners and page renderers use.
"""

from __future__ import annotations

import numpy as np

from calibration.errors import ScaleError
from calibration.picture import Density, MmPoints, Picture, PxPoints
from calibration.references.reference import Reference, SearchPicture
from calibration.units import MM_PER_INCH

DEFAULTS_PER_INCH = (72.0, 96.0)
"""Written by programs that do not know: screen densities of old (common practice, no source)."""

SCANNER_TOLERANCE = 0.003
"""Standard uncertainty of a flatbed's stated density, as a fraction: 0.5 % half-width, rectangular (from memory of
scanner specifications; the feed direction is the worse one)."""

PAGE_TOLERANCE = 1e-4
"""Of a page rendered from a PDF: the page's own size is exact, a pixel is a rounding of it (judgement)."""

_LOWEST_PER_INCH = 75.0
_HIGHEST_PER_INCH = 4800.0


def is_default(density: Density) -> bool:
    """Whether a stated density is what programs write that know nothing."""
    return any(
        abs(value - default) < 0.5
        for value in (density.x_per_inch, density.y_per_inch)
        for default in DEFAULTS_PER_INCH
    )


def credible_density(picture: Picture) -> Density | None:
    """Return the stated density when there is reason to believe it, else None."""
    density = picture.density
    if density is None:
        return None
    if picture.kind == "pdf-raster":
        return density
    if picture.by_camera or picture.focal_px is not None:
        return None
    if is_default(density):
        return None
    for value in (density.x_per_inch, density.y_per_inch):
        if not _LOWEST_PER_INCH <= value <= _HIGHEST_PER_INCH:
            return None
    if not 0.9 < density.x_per_inch / density.y_per_inch < 1.1:
        return None
    return density


def read_density(size: str) -> Density:
    """Read ``300`` or ``300x299.2`` as pixels per inch.

    Raises
    ------
    ScaleError
        With an example of a good one.
    """
    parts = size.lower().replace("dpi", "").strip().split("x")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if len(values) not in (1, 2) or not all(np.isfinite(v) and 1.0 <= v <= 20000.0 for v in values):
        raise ScaleError(
            f"cannot read the density '{size}'; write it in pixels per inch, like dpi=300 or dpi=300x299.2"
        )
    return Density(x_per_inch=values[0], y_per_inch=values[-1], origin="option")


def as_reference(picture: Picture, density: Density) -> Reference:
    """Make the reference of a density: the picture's own corners, a known distance apart."""
    width, height = picture.width_px, picture.height_px
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)
    step_mm = np.array([MM_PER_INCH / density.x_per_inch, MM_PER_INCH / density.y_per_inch])
    same = density.x_per_inch == density.y_per_inch
    size = f"{density.x_per_inch:g}" if same else f"{density.x_per_inch:g}x{density.y_per_inch:g}"
    return Reference(
        kind="density",
        size=size,
        points_px=PxPoints(corners - 0.5),
        points_mm=MmPoints(corners * step_mm),
        sigma_px=np.full(4, 1e-3),
        tolerance_relative=PAGE_TOLERANCE if picture.kind == "pdf-raster" else SCANNER_TOLERANCE,
        outline_px=PxPoints(np.zeros((0, 2))),
        score=0.5,
    )


def find(scene: SearchPicture, size: str | None) -> list[Reference]:
    """Return the density asked for, else the file's own where it is credible."""
    density = read_density(size) if size else credible_density(scene.picture)
    return [] if density is None else [as_reference(scene.picture, density)]
