"""What kind of mark each small or open line on a vector page is, and which piece it belongs to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration.picture import DrawnText, VectorPage
from tracer.piece import Mark, MarkKind
from tracer.vectors.lines import VectorLine
from tracer.vectors.shapes import Shape, gap_mm, speaks_of_cutting, straightness

_AT_OUTLINE_MM = 1.5
_SMALL_MM = 15.0
_GRAIN_MIN_MM = 15.0
_TIP_SHARE = 0.4
_BARB_MM = 0.5
_WORDS_REACH_MM = 8.0
_DOT_MAX_MM = 6.0
_EDGE_BAND_MM = 15.0
_CROSS_MM = 0.3
_NEAR_MM = 3.0
_BRACKET_ARM_SHARE = 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Hints:
    """What is known of lines by their number before each is looked at alone."""

    arrow_ends: dict[int, int]
    crosses: frozenset[int]


def small_marks(
    lines: Sequence[VectorLine], outlines: Sequence[Shape], page: VectorPage, tables: Sequence[Shape]
) -> list[tuple[int | None, Mark]]:
    """Return each line as a mark, with the number of the outline that it belongs to or None.

    Parameters
    ----------
    lines : sequence of VectorLine
        Open lines, and closed ones too small to be a piece.
    outlines : sequence of Shape
        The pieces.
    page : VectorPage
    tables : sequence of Shape
        Lines over these, outside pieces, are theirs.
    """
    owners = owners_of(lines, outlines)
    hints = _Hints(arrow_ends=_arrow_ends(lines), crosses=_crosses(lines))
    kinds: list[MarkKind] = []
    for i, (line, owner) in enumerate(zip(lines, owners, strict=True)):
        if owner is None:
            in_table = any(gap_mm(line.box, table.line.box) == 0.0 for table in tables)
            kinds.append("table" if in_table else _kind_on_page(line, page))
        elif line.closed:
            kinds.append(_closed_kind(line, outlines[owner]))
        else:
            kinds.append(_open_kind(line, i, outlines[owner], page.texts, hints))
    # The heads of an arrow are part of what its shaft is.
    for tip, shaft in hints.arrow_ends.items():
        if owners[tip] is not None and kinds[shaft] in ("grain line", "fold line"):
            kinds[tip] = kinds[shaft]
    return [
        (owner, Mark(kind=kind, path=line.to_open())) for owner, kind, line in zip(owners, kinds, lines, strict=True)
    ]


def owners_of(lines: Sequence[VectorLine], outlines: Sequence[Shape]) -> list[int | None]:
    """Return for each line the smallest outline that holds its middle, or that a short line touches within 3 mm."""
    owners: list[int | None] = [None] * len(lines)
    if not lines:
        return owners
    boxes = np.array([line.box for line in lines])
    middles = np.stack([boxes[:, [0, 2]].mean(axis=1), boxes[:, [1, 3]].mean(axis=1)], axis=1)
    for k in sorted(range(len(outlines)), key=lambda k: -outlines[k].area_mm2):
        shape = outlines[k]
        x0, y0, x1, y1 = shape.line.box
        near = (boxes[:, 0] < x1 + _NEAR_MM) & (boxes[:, 2] > x0 - _NEAR_MM)
        near &= (boxes[:, 1] < y1 + _NEAR_MM) & (boxes[:, 3] > y0 - _NEAR_MM)
        where = np.flatnonzero(near)
        if not len(where):
            continue
        inside = shape.holds_points(middles[where])
        for index, is_inside in zip(where.tolist(), inside, strict=True):
            line = lines[index]
            touching = owners[index] is None and line.extent_mm[1] <= 25.0 and not is_inside
            if is_inside or (touching and _distance_mm(line.points, shape) <= _NEAR_MM):
                owners[index] = k
    return owners


def _distance_mm(points: NDArray[np.float64], shape: Shape) -> float:
    return float(shapely.distance(shapely.MultiPoint(points), shape.polygon.exterior))


# -- lines that belong together ---------------------------------------------------------------------------------------
def _arrow_ends(lines: Sequence[VectorLine]) -> dict[int, int]:
    """Return the numbers of arrow heads with that of their shaft: small things on the end of a long open line."""
    shafts = [i for i, line in enumerate(lines) if not line.closed and line.extent_mm[1] >= _GRAIN_MIN_MM]
    tips = [i for i, line in enumerate(lines) if line.extent_mm[1] <= _SMALL_MM]
    if not shafts or not tips:
        return {}
    ends = np.array([p for i in shafts for p in (lines[i].points[0], lines[i].points[-1])])
    tree = cKDTree(ends)
    # A head has a corner on the shaft's end: the tip of a filled head, or where a barb begins.
    found: dict[int, int] = {}
    for i in tips:
        line = lines[i]
        distance, nearest = (np.atleast_1d(v) for v in tree.query(line.points))
        k = int(np.argmin(distance))
        shaft = shafts[int(nearest[k]) // 2]
        limit = _AT_OUTLINE_MM if line.closed else _BARB_MM
        if float(distance[k]) <= limit and line.extent_mm[1] <= _TIP_SHARE * lines[shaft].extent_mm[1]:
            found[i] = shaft
    return found


def _crosses(lines: Sequence[VectorLine]) -> frozenset[int]:
    """Return the numbers of short straight lines that cross in their middles."""
    short = [i for i, line in enumerate(lines) if not line.closed and line.extent_mm[1] <= _SMALL_MM]
    if len(short) < 2:
        return frozenset()
    ends = np.array([(lines[i].points[0], lines[i].points[-1]) for i in short])
    pairs = cKDTree(ends.mean(axis=1)).query_pairs(_CROSS_MM, output_type="ndarray")
    ways = ends[:, 1] - ends[:, 0]
    a, b = ways[pairs[:, 0]], ways[pairs[:, 1]]
    sine = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / np.maximum(
        np.hypot(a[:, 0], a[:, 1]) * np.hypot(b[:, 0], b[:, 1]), 1e-9
    )
    return frozenset(short[int(k)] for k in pairs[sine > 0.7].ravel())


# -- kinds ------------------------------------------------------------------------------------------------------------
def _kind_on_page(line: VectorLine, page: VectorPage) -> MarkKind:
    small, large = line.extent_mm
    if not line.closed:
        return "unknown"
    x0, y0, x1, y1 = line.box
    to_edge = min(x0, y0, page.width_mm - x1, page.height_mm - y1)
    return "tile mark" if large > 2.0 and to_edge < _EDGE_BAND_MM and small > 0.3 * large else "unknown"


def _closed_kind(line: VectorLine, outline: Shape) -> MarkKind:
    small, large = line.extent_mm
    shape = Shape.of(line)
    if shape.is_circle:
        filled = line.fill_rgb is not None and min(line.fill_rgb) < 250
        return "dot" if filled and large <= _DOT_MAX_MM else "circle"
    if small < 0.25 * large and large >= _GRAIN_MIN_MM:
        # A long thin closed line in a piece that is no rectangle is an arrow drawn as an area.
        return "grain line" if shape.sides_mm is None else "internal line"
    if large <= _SMALL_MM and _distance_mm(line.points, outline) <= _AT_OUTLINE_MM:
        return "notch"
    return "unknown" if large <= _SMALL_MM else "internal line"


def _open_kind(line: VectorLine, number: int, outline: Shape, texts: Sequence[DrawnText], hints: _Hints) -> MarkKind:
    if number in hints.crosses:
        return "cross"
    points = np.asarray(line.to_open().flatten(0.05))
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    ring = outline.polygon.exterior
    ends = shapely.distance(shapely.points(points[[0, -1]]), ring)
    if length <= _SMALL_MM:
        return "notch" if float(ends.min()) <= _AT_OUTLINE_MM else "unknown"
    beside = _words_beside(points, texts)
    straight = straightness(points) > 0.999
    has_head = number in hints.arrow_ends.values()
    if _is_bracket(points) and (has_head or "fold" in beside or float(ends.max()) <= _AT_OUTLINE_MM):
        return "fold line"
    if straight and length >= _GRAIN_MIN_MM and ("grain" in beside or has_head):
        return "grain line"
    if straight and "fold" in beside:
        return "fold line"
    if not straight and float(ends.max()) <= _NEAR_MM and _is_dart(points):
        return "dart"
    samples = shapely.line_interpolate_point(shapely.LineString(points), np.linspace(0, 1, 60), normalized=True)
    distances = np.asarray(shapely.distance(samples, ring))
    middle = float(np.median(distances))
    if 2.0 <= middle <= 30.0 and np.mean(np.abs(distances - middle) < 1.0) > 0.6 and length > 40.0:
        return "stitching line"
    return "internal line"


def _words_beside(points: NDArray[np.float64], texts: Sequence[DrawnText]) -> str:
    """Return the words beside a line that speak of the line: 'cut 1 on fold' speaks of the piece."""
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    box = (float(x0), float(y0), float(x1), float(y1))
    near = [t for t in texts if gap_mm(box, t.box_mm) <= _WORDS_REACH_MM and not speaks_of_cutting([t])]
    if not near:
        return ""
    line = shapely.LineString(points)
    return " ".join(
        t.text.lower() for t in near if float(shapely.distance(shapely.box(*t.box_mm), line)) <= _WORDS_REACH_MM
    )


def _is_bracket(points: NDArray[np.float64]) -> bool:
    """Whether a chain is a straight line with a shorter arm at each end, both to the same side."""
    if len(points) != 4:
        return False
    first, middle, last = np.diff(points, axis=0)
    long = float(np.hypot(*middle))
    arms = [float(np.hypot(*arm)) for arm in (first, last)]
    if long < _GRAIN_MIN_MM or max(arms) > _BRACKET_ARM_SHARE * long or min(arms) < 1.0:
        return False
    turns = [
        float(middle[0] * arm[1] - middle[1] * arm[0]) / (long * n) for arm, n in zip((-first, last), arms, strict=True)
    ]
    return min(abs(t) for t in turns) > 0.8 and turns[0] * turns[1] > 0


def _is_dart(points: NDArray[np.float64]) -> bool:
    """Whether a chain from outline to outline comes to one point in between."""
    along = points[-1] - points[0]
    width = float(np.hypot(*along))
    if not 1.0 < width < 80.0:
        return False
    from_start = points - points[0]
    off = np.abs(along[0] * from_start[:, 1] - along[1] * from_start[:, 0]) / width
    return float(off.max()) > width
