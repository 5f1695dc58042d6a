"""A sheet of paper of standard size, lying on a ground that shows its edges.

ISO 216 allows 1.5 mm on lengths up to 150 mm, 2 mm up to 600 mm and 3 mm above, so a sheet is a rough scale
reference: 0.4 % standard uncertainty for A4. All A sizes have the same proportions: which one it is must be said or
follow from something else in the picture. Its straight edges and right angles tell of tilt and lens whatever its
size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.errors import ScaleError
from calibration.picture import MmPoints, PxPoints
from calibration.references.density import credible_density
from calibration.references.quad import Quad, side_lengths
from calibration.references.rectangle import RoughRectangle, measure_rectangle, rough_rectangles
from calibration.references.reference import Reference, SearchPicture
from calibration.units import MM_PER_INCH, parse_size_mm

Floats = NDArray[np.float64]

SHEETS_MM: dict[str, tuple[float, float]] = {
    "A0": (841.0, 1189.0),
    "A1": (594.0, 841.0),
    "A2": (420.0, 594.0),
    "A3": (297.0, 420.0),
    "A4": (210.0, 297.0),
    "A5": (148.0, 210.0),
    "Letter": (215.9, 279.4),
    "Legal": (215.9, 355.6),
    "Tabloid": (279.4, 431.8),
}
"""Width and height: ISO 216; Letter, Legal and Tabloid (8.5 x 11, 8.5 x 14, 11 x 17 in) from memory."""

_LEAST_SHARE = 0.2
_PROPORTIONS = (1.08, 1.95)
_EDGE_STRAIGHT_PX = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundSheet:
    """A rectangle that may be a sheet of paper; its size is not known yet."""

    quad: Quad
    score: float


def iso_tolerance_mm(length_mm: float) -> float:
    """Half-width of what ISO 216 allows on a length (secondary pages): 1.5, 2 or 3 mm."""
    if length_mm <= 150.0:
        return 1.5
    return 2.0 if length_mm <= 600.0 else 3.0


def tolerance_relative(size_mm: tuple[float, float]) -> float:
    """Standard uncertainty of a sheet's sides as a fraction: rectangular (JCGM 100, 4.3.7), mean of both sides."""
    parts = [iso_tolerance_mm(side) / np.sqrt(3.0) / side for side in size_mm]
    return float(np.sqrt(np.mean(np.square(parts))))


def named_size_mm(size: str) -> tuple[float, float]:
    """Width and height of ``A4``, ``letter`` or ``210x297mm``.

    Raises
    ------
    ScaleError
        With the names there are.
    """
    for name, mm in SHEETS_MM.items():
        if name.lower() == size.strip().lower():
            return mm
    if "x" in size.lower():
        return parse_size_mm(size)
    raise ScaleError(
        f"'{size}' is no paper size this tool knows; write {', '.join(SHEETS_MM)} or a size like 210x297mm"
    )


def find_sheets(scene: SearchPicture, rectangles: Sequence[RoughRectangle] | None = None) -> list[FoundSheet]:
    """Find rectangles that may be sheets of paper, the largest first, sizes not decided.

    Parameters
    ----------
    rectangles : sequence of RoughRectangle, optional
        Where the rectangles of the picture are known already.
    """
    found: list[FoundSheet] = []
    least = _LEAST_SHARE * max(scene.picture.width_px, scene.picture.height_px)
    for rough in rough_rectangles(scene) if rectangles is None else rectangles:
        lengths = side_lengths(rough.corners_px)
        pair = sorted([float(lengths[0] + lengths[2]), float(lengths[1] + lengths[3])])
        if lengths.max() < least or not _PROPORTIONS[0] <= pair[1] / pair[0] <= _PROPORTIONS[1]:
            continue
        quad = measure_rectangle(scene, rough, degree=3, margin_share=0.01)
        if quad is None or not scene.inside(np.asarray(quad.corners_px), margin_px=1.0).all():
            continue
        if any(np.abs(np.asarray(f.quad.corners_px) - quad.corners_px).max() < 0.01 * quad.side_px for f in found):
            continue
        found.append(FoundSheet(quad=quad, score=float(np.clip(min(quad.share, rough.cover), 0, 1))))
    return sorted(found, key=lambda f: -f.quad.side_px * f.score)


def as_reference(sheet: FoundSheet, size: str) -> Reference:
    """Make the reference of a sheet whose size is known."""
    short, long = sorted(named_size_mm(size))
    lengths = side_lengths(np.asarray(sheet.quad.corners_px))
    wide = lengths[0] + lengths[2] >= lengths[1] + lengths[3]
    w, h = (long, short) if wide else (short, long)
    return Reference(
        kind="sheet",
        size=size,
        points_px=sheet.quad.corners_px,
        points_mm=MmPoints(np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float64)),
        sigma_px=np.hypot(sheet.quad.sigma_px, _EDGE_STRAIGHT_PX),
        tolerance_relative=tolerance_relative((w, h)),
        outline_px=sheet.quad.corners_px,
        score=sheet.score,
        straights_px=tuple(PxPoints(side.points_px) for side in sheet.quad.sides),
    )


def _seen_proportion(sheet: FoundSheet) -> float:
    lengths = side_lengths(np.asarray(sheet.quad.corners_px))
    pair = sorted([float(lengths[0] + lengths[2]), float(lengths[1] + lengths[3])])
    return pair[1] / pair[0]


def sized_by_name(sheets: Sequence[FoundSheet], size: str) -> list[Reference]:
    """Make references of the sheets whose proportions (tilt allowed for) can be those of a size, nearest first."""
    short, long = sorted(named_size_mm(size))
    off = {id(s): abs(_seen_proportion(s) / (long / short) - 1) for s in sheets}
    return [as_reference(s, size) for s in sorted(sheets, key=lambda s: off[id(s)]) if off[id(s)] < 0.12]


def sized_by_density(scene: SearchPicture, sheet: FoundSheet) -> Reference | None:
    """Make the reference of a sheet whose size follows from a credible stated density; None where it does not."""
    density = credible_density(scene.picture)
    if density is None:
        return None
    step = np.array([MM_PER_INCH / density.x_per_inch, MM_PER_INCH / density.y_per_inch])
    lengths = side_lengths(np.asarray(sheet.quad.corners_px) * step)
    name = name_by_size((float(lengths[0] + lengths[2]) / 2, float(lengths[1] + lengths[3]) / 2))
    return None if name is None else as_reference(sheet, name)


def names_by_proportion(sheet: FoundSheet, within: float = 0.05) -> list[str]:
    """Return the standard sizes of about the proportions that a sheet shows, smallest first."""
    seen = _seen_proportion(sheet)
    names = [n for n, (w, h) in SHEETS_MM.items() if abs(seen / (h / w) - 1) < within]
    return sorted(names, key=lambda n: SHEETS_MM[n])


def find(scene: SearchPicture, size: str | None) -> list[Reference]:
    """Find a sheet of paper.

    Parameters
    ----------
    size : str or None
        ``A4``, ``Letter``, ``210x297mm`` ... Without it, sheets are returned whose size a credible density tells.
    """
    if size is not None:
        return sized_by_name(find_sheets(scene), size)
    if credible_density(scene.picture) is None:
        return []
    return [r for s in find_sheets(scene) if (r := sized_by_density(scene, s)) is not None]


def any_size_fits(size_mm: tuple[float, float], within: float) -> bool:
    """Whether some standard size agrees on both sides within a fraction."""
    short, long = sorted(size_mm)
    return any(abs(short / w - 1) < within and abs(long / h - 1) < within for w, h in SHEETS_MM.values())


def name_by_size(size_mm: tuple[float, float], within: float = 0.012) -> str | None:
    """Return the one standard size whose both sides agree within a fraction, None where none or several do."""
    short, long = sorted(size_mm)
    names = [n for n, (w, h) in SHEETS_MM.items() if abs(short / w - 1) < within and abs(long / h - 1) < within]
    return names[0] if len(names) == 1 else None
