"""What a closed or open line on a vector page looks like: rectangle, circle, line parallel to another, arrow.

Everything is measured on polygons within 0.05 mm of the line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.picture import DrawnText
from calibration.units import MM_PER_INCH, parse_length_mm
from tracer.path import Path
from tracer.vectors.lines import VectorLine

_FLAT_MM = 0.05
_RECTANGLE_FILL = 0.985
_CIRCLE_ROUNDNESS = 0.985
_SQUARE_SIDES = 0.01
_PARALLEL_MAX_MM = 40.0

_LENGTH = re.compile(
    r"(?P<number>\d+\s+\d+/\d+|\d+[\u00bc\u00bd\u00be\u215b\u215c\u215d\u215e]|\d+/\d+|\d+(?:[.,]\d+)?|[\u00bc\u00bd\u00be\u215b\u215c\u215d\u215e])"
    r"\s*-?\s*(?P<unit>inch(?:es)?|in\b|mm|cm|\"|\u2033|\u201d)",
    re.IGNORECASE,
)
_BARE_FIRST = re.compile(r"(?P<number>\d+(?:[.,]\d+)?|\d+/\d+)\s*[x\u00d7]\s*(?=\d)", re.IGNORECASE)
_TEST_WORDS = re.compile(
    r"\b(test|scale|gauge|gage|check|calibration|control|measure[sd]?|should be"
    r"|print(ed|ing)? (at|scale|size))\b|100 ?%",
    re.IGNORECASE,
)
_CUT_WORDS = re.compile(r"\b(cut|coupez|schneide\w*|cortar|snijd\w*)\b", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True, eq=False)
class Shape:
    """A closed line with its measures."""

    line: VectorLine
    path: Path

    @classmethod
    def of(cls, line: VectorLine) -> Shape:
        """Make the shape of a closed line."""
        return cls(line=line, path=line.to_path())

    @cached_property
    def polygon(self) -> shapely.Polygon:
        """Polygon within 0.05 mm, made valid."""
        points = self.path.flatten(_FLAT_MM)
        if len(points) < 3:
            return shapely.Polygon()
        polygon = shapely.Polygon(points)
        if polygon.is_valid:
            return polygon
        fixed = polygon.buffer(0)
        if isinstance(fixed, shapely.MultiPolygon):
            return max(fixed.geoms, key=lambda g: g.area)
        return fixed if isinstance(fixed, shapely.Polygon) else shapely.Polygon()

    @cached_property
    def area_mm2(self) -> float:
        """Area of the polygon."""
        return float(self.polygon.area)

    @cached_property
    def sides_mm(self) -> tuple[float, float] | None:
        """Smaller and larger side when it is a rectangle (at any angle), else None."""
        if self.area_mm2 <= 0:
            return None
        frame = self.polygon.minimum_rotated_rectangle
        if not isinstance(frame, shapely.Polygon) or self.area_mm2 < _RECTANGLE_FILL * frame.area:
            return None
        corners = np.array(frame.exterior.coords)[:3]
        a, b = (float(np.hypot(*(corners[k + 1] - corners[k]))) for k in (0, 1))
        return (a, b) if a < b else (b, a)

    @cached_property
    def is_upright_rectangle(self) -> bool:
        """Whether it is a rectangle along the page's edges."""
        x0, y0, x1, y1 = self.polygon.bounds if self.area_mm2 > 0 else (0.0, 0.0, 0.0, 0.0)
        return self.sides_mm is not None and self.area_mm2 >= _RECTANGLE_FILL * (x1 - x0) * (y1 - y0)

    @property
    def is_square(self) -> bool:
        """Whether it is a square."""
        sides = self.sides_mm
        return sides is not None and sides[1] - sides[0] <= _SQUARE_SIDES * sides[1]

    @cached_property
    def is_circle(self) -> bool:
        """Whether it is round: 4 pi area / perimeter squared is 1 for a circle, 0.79 for a square."""
        length = self.polygon.length
        return length > 0 and 4 * np.pi * self.area_mm2 / length**2 > _CIRCLE_ROUNDNESS

    @property
    def middle(self) -> tuple[float, float]:
        """Middle of the box."""
        x0, y0, x1, y1 = self.line.box
        return (x0 + x1) / 2, (y0 + y1) / 2

    def holds(self, other: Shape) -> bool:
        """Whether another, smaller shape lies inside (up to 1 % of its area)."""
        if other.area_mm2 >= self.area_mm2 or other.area_mm2 <= 0:
            return False
        return bool(self.polygon.intersection(other.polygon).area >= 0.99 * other.area_mm2)

    def holds_points(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return which points (N, 2) lie inside."""
        shapely.prepare(self.polygon)
        return np.asarray(shapely.contains_xy(self.polygon, points[:, 0], points[:, 1]), dtype=np.bool_)

    def same_outline(self, other: Shape) -> bool:
        """Whether the outlines coincide within 0.05 mm everywhere."""
        if np.abs(np.subtract(self.line.box, other.line.box)).max() > 0.5:
            return False
        if abs(self.area_mm2 - other.area_mm2) > 0.05 * max(self.polygon.length, 1.0) + 1e-6:
            return False
        one, two = self.polygon.exterior, other.polygon.exterior
        mine = shapely.points(np.array(one.coords))
        theirs = shapely.points(np.array(two.coords))
        # Vertices of each against the line of the other: both are polygons within 0.05 mm of their curves.
        limit = 0.05 + 2 * _FLAT_MM
        return bool(shapely.distance(mine, two).max() <= limit and shapely.distance(theirs, one).max() <= limit)


def inset_mm(outer: Shape, inner: Shape) -> float | None:
    """Return the distance at which a shape runs parallel inside another, None when it does not.

    The distance may differ from edge to edge (a hem is wider than a seam), so it is enough that most of the inner line
    keeps to a few distances: at least 70 % of it within 1 mm of one of the two commonest.
    """
    if inner.area_mm2 < 0.3 * outer.area_mm2:
        return None
    ring = inner.polygon.exterior
    samples = shapely.line_interpolate_point(ring, np.linspace(0, ring.length, 200, endpoint=False))
    distances = np.asarray(shapely.distance(samples, outer.polygon.exterior))
    if np.median(distances) > _PARALLEL_MAX_MM:
        return None
    first, share = _commonest(distances)
    rest = distances[np.abs(distances - first) > 1.0]
    if len(rest):
        _, more = _commonest(rest)
        share += more * len(rest) / len(distances)
    return first if share >= 0.7 else None


def _commonest(values: NDArray[np.float64]) -> tuple[float, float]:
    ordered = np.sort(values)
    upper = np.searchsorted(ordered, ordered + 2.0, side="right")
    counts = upper - np.arange(len(ordered))
    best = int(np.argmax(counts))
    return float(ordered[best : upper[best]].mean()), float(counts[best] / len(ordered))


def lengths_in(text: str) -> list[float]:
    """Return the lengths in millimetres that a caption names: ``1 in``, ``2.5 cm x 2.5 cm``, ``4"``."""
    found = []
    for match in _LENGTH.finditer(text):
        value = parse_length_mm(match["number"].strip(), default_unit=match["unit"].lower())
        if value > 0:
            found.append(value)
    return found


def is_size_only(text: str) -> bool:
    """Whether a text is nothing but sizes: ``1" x 1"``, ``5 cm``."""
    rest = _BARE_FIRST.sub("", _LENGTH.sub("", text))
    return bool(_LENGTH.search(text)) and not re.sub(
        r"[\sx\u00d7*=/(),.;:-]|\bby\b|\bor\b", "", rest, flags=re.IGNORECASE
    )


def speaks_of_test(text: str) -> bool:
    """Whether a caption says that something is there to be measured after printing."""
    return bool(_TEST_WORDS.search(text))


def speaks_of_cutting(texts: Iterable[DrawnText]) -> bool:
    """Whether any text tells to cut."""
    return any(_CUT_WORDS.search(t.text) for t in texts)


def is_nominal_square_mm(side_mm: float) -> bool:
    """Whether a side is one that test squares have: 1, 2, 3 or 4 in; 1 to 5 or 10 cm (common practice, no source)."""
    sizes = [MM_PER_INCH * k for k in (1, 2, 3, 4)] + [10.0 * k for k in (1, 2, 3, 4, 5, 10)]
    return any(abs(side_mm - size) <= 0.004 * size for size in sizes)


def gap_mm(box: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> float:
    """Return the distance between two boxes, 0 when they overlap."""
    dx = max(other[0] - box[2], box[0] - other[2], 0.0)
    dy = max(other[1] - box[3], box[1] - other[3], 0.0)
    return float(np.hypot(dx, dy))


def straightness(points: NDArray[np.float64]) -> float:
    """Return the distance between the ends of a chain over its length; 1 for a straight line."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    return float(np.hypot(*(points[-1] - points[0])) / max(steps.sum(), 1e-9))


def in_reading_order(texts: Sequence[DrawnText]) -> list[DrawnText]:
    """Sort texts into lines from the top, each from the left."""
    left = sorted(texts, key=lambda t: (t.box_mm[1] + t.box_mm[3]) / 2)
    out: list[DrawnText] = []
    while left:
        first = left[0]
        middle = (first.box_mm[1] + first.box_mm[3]) / 2
        reach = 0.5 * min(first.box_mm[3] - first.box_mm[1], 12.0)
        row = [t for t in left if abs((t.box_mm[1] + t.box_mm[3]) / 2 - middle) <= reach]
        out.extend(sorted(row, key=lambda t: t.box_mm[0]))
        left = [t for t in left if t not in row]
    return out


def texts_near(shape: Shape, texts: Sequence[DrawnText], reach_mm: float) -> list[DrawnText]:
    """Return the texts within a distance of a shape's box."""
    return [t for t in texts if gap_mm(shape.line.box, t.box_mm) <= reach_mm]


def texts_inside(shape: Shape, texts: Sequence[DrawnText]) -> list[DrawnText]:
    """Return the texts whose middle lies in a shape."""
    near = texts_near(shape, texts, 0.0)
    if not near:
        return []
    boxes = np.array([t.box_mm for t in near])
    middles = np.stack([boxes[:, [0, 2]].mean(axis=1), boxes[:, [1, 3]].mean(axis=1)], axis=1)
    return [t for t, inside in zip(near, shape.holds_points(middles), strict=True) if inside]
