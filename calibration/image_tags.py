"""What a picture file says about itself: density, orientation, focal length.

Sources: JFIF 1.02 (density units 0 none, 1 per inch, 2 per centimetre); PNG, third edition, 11.3.4.3 (pHYs: unit 1 is
the metre); TIFF 6.0 (ResolutionUnit 1 none, 2 inch, 3 centimetre); Exif 2.32 / CIPA DC-008 (Orientation 0x0112,
FocalLengthIn35mmFilm 0xA405 of the Exif IFD 0x8769).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from PIL import ExifTags, Image

from calibration.picture import Density
from calibration.units import MM_PER_INCH

FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""Diagonal of the 35 mm film frame (36 x 24 mm), 43.27 mm."""

_PLAUSIBLE_PER_INCH = (30.0, 12800.0)
_EMPTY_WORDS = (72.0, 96.0)
_SAME_RELATIVE = 0.005
_CROPPED_RELATIVE = 0.01


def _number(value: Any) -> float:
    """Return a tag's value as a float, NaN when it is none (tags are whatever a program wrote)."""
    try:
        return float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return math.nan


def _density(x: Any, y: Any, per_inch: float, origin: str) -> Density | None:
    x_per_inch, y_per_inch = _number(x) * per_inch, _number(y) * per_inch
    low, high = _PLAUSIBLE_PER_INCH
    if not (low <= x_per_inch <= high and low <= y_per_inch <= high):
        return None
    return Density(x_per_inch=x_per_inch, y_per_inch=y_per_inch, origin=origin)


def _by_unit(x: Any, y: Any, unit: Any, units: Mapping[int, float], origin: str) -> Density | None:
    try:
        factor = units.get(int(unit))
    except (TypeError, ValueError):
        return None
    return None if factor is None else _density(x, y, factor, origin)


def _is_empty_word(density: Density) -> bool:
    """Whether a density is what programs write when they know nothing (72 of old screens, 96 of CSS)."""
    return any(abs(density.x_per_inch - word) < 0.01 * word for word in _EMPTY_WORDS)


def _same(a: Density, b: Density) -> bool:
    return (
        abs(a.x_per_inch / b.x_per_inch - 1) < _SAME_RELATIVE and abs(a.y_per_inch / b.y_per_inch - 1) < _SAME_RELATIVE
    )


def stated_density(image: Image.Image) -> tuple[Density | None, tuple[str, ...]]:
    """Return the density that an opened file states, as stored (orientation not applied), and warnings.

    JFIF and EXIF may both be there and differ. Then one that is not the empty word 72 or 96 is believed before one
    that is, and otherwise JFIF, since the program that wrote the file last wrote it, while EXIF is often carried over.
    """
    info, exif = image.info, image.getexif()
    if image.format == "TIFF":
        # TIFF 6.0: the default of ResolutionUnit is 2, inch.
        tags = (exif.get(ExifTags.Base.XResolution), exif.get(ExifTags.Base.YResolution))
        unit = exif.get(ExifTags.Base.ResolutionUnit, 2)
        return _by_unit(*tags, unit, {2: 1.0, 3: MM_PER_INCH / 10}, "TIFF"), ()
    from_exif = _by_unit(
        exif.get(ExifTags.Base.XResolution),
        exif.get(ExifTags.Base.YResolution),
        exif.get(ExifTags.Base.ResolutionUnit, 2),
        {2: 1.0, 3: MM_PER_INCH / 10},
        "EXIF",
    )
    if image.format == "PNG":
        # Pillow gives pHYs of unit 1 as pixels per inch, of unit 0 as 'aspect'.
        x, y = info.get("dpi", (None, None))
        own = _density(x, y, 1.0, "PNG pHYs")
    elif image.format == "BMP":
        x, y = info.get("dpi", (None, None))
        own = _density(x, y, 1.0, "BMP")
    else:
        x, y = info.get("jfif_density", (None, None))
        own = _by_unit(x, y, info.get("jfif_unit"), {1: 1.0, 2: MM_PER_INCH / 10}, "JFIF")
    if own is None or from_exif is None or _same(own, from_exif):
        return own or from_exif, ()
    chosen = from_exif if _is_empty_word(own) and not _is_empty_word(from_exif) else own
    warnings: tuple[str, ...] = ()
    if not _is_empty_word(own) and not _is_empty_word(from_exif):
        warnings = (
            f"the file states two densities, {own.x_per_inch:.6g} per inch in {own.origin} and "
            f"{from_exif.x_per_inch:.6g} in EXIF; {chosen.origin} is used, check it against something of known size",
        )
    return chosen, warnings


def orientation_of(image: Image.Image) -> int:
    """Return the EXIF or TIFF orientation, 1..8; 1 when it is missing or nonsense."""
    value = _number(image.getexif().get(ExifTags.Base.Orientation, 1))
    return int(value) if value in range(1, 9) else 1


def focal_length_px(image: Image.Image) -> float | None:
    """Return the focal length in pixels from EXIF, or None.

    The 35 mm equivalent is by the diagonal of the frame (CIPA DC-008): focal / diagonal is the same on the film and in
    the picture. A picture whose shape is not the one EXIF recorded was cropped, and its diagonal is not the camera's.
    """
    ifd = image.getexif().get_ifd(ExifTags.IFD.Exif)
    focal_mm = _number(ifd.get(ExifTags.Base.FocalLengthIn35mmFilm))
    if not 5.0 <= focal_mm <= 2000.0:
        return None
    width, height = sorted(image.size)
    stated = sorted(_number(ifd.get(tag)) for tag in (ExifTags.Base.ExifImageWidth, ExifTags.Base.ExifImageHeight))
    if all(math.isfinite(v) and v > 0 for v in stated):
        ratio = (height / width) / (stated[1] / stated[0])
        if abs(ratio - 1) > _CROPPED_RELATIVE:
            return None
    return focal_mm / FILM_DIAGONAL_MM * math.hypot(width, height)
