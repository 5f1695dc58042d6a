"""What pieces are laid on: a cutting mat, cloth bought by length, or a leftover of any outline.

The frame of every lay is millimetres with x across (the mat's or the cloth's width) and y along its length, origin
at the top-left corner, y down. On cloth the warp, and with it the grain, runs along y.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import shapely
from shapely.geometry import MultiPolygon, Polygon

from calibration import MM_PER_INCH, UnitError, format_inches, parse_length_mm, parse_size_mm
from tracer.errors import LayError
from tracer.path import Path

READY_MATS_IN: tuple[tuple[float, float], ...] = ((12, 12), (12, 24), (18, 24), (24, 36))
"""Sizes of mats that are asked about unasked: width x length in inches (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mat:
    """A cutting mat of ``width_mm`` by ``length_mm``.

    The cloth on it may be turned, so its grain may run either way.
    """

    width_mm: float
    length_mm: float

    def __post_init__(self) -> None:
        for size in (self.width_mm, self.length_mm):
            if not (math.isfinite(size) and size > 0):
                raise LayError(
                    f"a mat of {self.width_mm:g} x {self.length_mm:g} mm has no area; give both sides, e.g. 12x24in"
                )

    @property
    def words(self) -> str:
        """Return its size in words."""
        return f"{size_words(self.width_mm, self.length_mm)} mat"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fabric:
    """Cloth ``width_mm`` wide from edge to edge, of which ``selvedge_mm`` is not used on either side; any length."""

    width_mm: float
    selvedge_mm: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.width_mm) and self.width_mm > 0):
            raise LayError(f"a cloth {self.width_mm:g} mm wide has no area; give its width, e.g. 44in")
        if self.selvedge_mm < 0 or 2 * self.selvedge_mm >= self.width_mm:
            raise LayError(
                f"selvedges of {format_inches(self.selvedge_mm)} on both sides leave nothing of a cloth "
                f"{format_inches(self.width_mm)} wide; give the width from edge to edge and the selvedge of one side"
            )

    @property
    def words(self) -> str:
        """Return its width in words."""
        return f"cloth {format_inches(self.width_mm)} wide"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leftover:
    """A leftover of any outline, laid in the frame with its bounding box at the origin.

    Holes are holes in the cloth. ``from_mm`` is where that corner of its box was on the sheet it was traced from.
    """

    outline: Path
    holes: tuple[Path, ...] = ()
    name: str = "leftover"
    from_mm: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if self.outline.area < 1.0:
            raise LayError(f"the leftover '{self.name}' has no area; trace its edge or give a size such as 20x30cm")
        box = self.outline.bounds
        object.__setattr__(self, "from_mm", (box.x_min, box.y_min))
        object.__setattr__(self, "outline", self.outline.translated(-box.x_min, -box.y_min))
        object.__setattr__(self, "holes", tuple(h.translated(-box.x_min, -box.y_min) for h in self.holes))

    @property
    def width_mm(self) -> float:
        """Extent across."""
        return self.outline.bounds.width

    @property
    def length_mm(self) -> float:
        """Extent along."""
        return self.outline.bounds.height

    @property
    def words(self) -> str:
        """Return its name and size in words."""
        return f"{self.name} of {size_words(self.width_mm, self.length_mm)}"


Surface = Mat | Fabric | Leftover


def size_words(width_mm: float, length_mm: float) -> str:
    """Return a size in inches, or in centimetres where that is the rounder figure."""
    inches = [v / MM_PER_INCH for v in (width_mm, length_mm)]
    if all(abs(v * 8 - round(v * 8)) < 1e-6 for v in inches):
        return " x ".join(format_inches(v, denominator=8).removesuffix(" in") for v in (width_mm, length_mm)) + " in"
    if all(abs(v - round(v)) < 1e-6 for v in (width_mm, length_mm)):
        return f"{width_mm / 10:g} x {length_mm / 10:g} cm"
    return " x ".join(format_inches(v, denominator=16).removesuffix(" in") for v in (width_mm, length_mm)) + " in"


def parse_mat(text: str) -> Mat:
    """Read a mat's size such as ``12x24in``; raises :class:`LayError` with an example of a good one."""
    try:
        width_mm, length_mm = parse_size_mm(text)
    except UnitError as error:
        raise LayError(f"the mat cannot be used: {error}") from error
    return Mat(width_mm=width_mm, length_mm=length_mm)


def parse_fabric(width: str, *, selvedge: str = "0mm") -> Fabric:
    """Read a cloth's width such as ``44in`` and the selvedge of one side; raises :class:`LayError`."""
    try:
        return Fabric(width_mm=parse_length_mm(width), selvedge_mm=parse_length_mm(selvedge))
    except UnitError as error:
        raise LayError(f"the cloth's width cannot be used: {error}") from error


def usable_rectangle(width_mm: float, length_mm: float, margin_mm: float, *, words: str) -> tuple[float, float]:
    """Return the width and length inside the margin; raises :class:`LayError` where nothing is left."""
    inside = (width_mm - 2 * margin_mm, length_mm - 2 * margin_mm)
    if min(inside) <= 1e-6:
        raise LayError(
            f"a margin of {format_inches(margin_mm)} ({margin_mm:g} mm) on every side leaves nothing of the {words}; "
            f"it must be less than {format_inches(min(width_mm, length_mm) / 2)}"
        )
    return inside


def usable_leftover(leftover: Leftover, margin_mm: float) -> Polygon | MultiPolygon:
    """Return the part of a leftover at least ``margin_mm`` from its edge, never more than it.

    Arcs are drawn 0.2 % on the safe side. Raises :class:`LayError` where nothing is left.
    """
    outer = Polygon(leftover.outline.flatten(0.002))
    if not outer.is_valid:
        raise LayError(f"the outline of the {leftover.name} crosses itself; trace its edge again")
    solid = outer.difference(shapely.union_all([Polygon(h.flatten(0.002)) for h in leftover.holes]))
    # The flattening may lie 0.002 mm outside the true edge in a hollow curve.
    curved = any(len(s) == 4 for path in (leftover.outline, *leftover.holes) for s in path.segments)
    inset = margin_mm + (0.002 if curved else 0.0)
    inside = solid.buffer(-inset, join_style="round", quad_segs=32) if inset > 0 else solid
    # Inner offsets bulge at hollow corners, where GEOS draws the arc with chords on the wrong side by r(1 -
    # cos(pi/128)).
    if inset > 0:
        inside = inside.buffer(-3.1e-4 * inset, join_style="mitre") if _has_hollow(outer) or leftover.holes else inside
    parts = [p for p in shapely.get_parts(inside) if isinstance(p, Polygon) and p.area > 1.0]
    if not parts:
        raise LayError(
            f"a margin of {format_inches(margin_mm)} ({margin_mm:g} mm) leaves nothing of the {leftover.words}; "
            "give less"
        )
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _has_hollow(polygon: Polygon) -> bool:
    return bool(polygon.convex_hull.area > polygon.area * (1 + 1e-9))
