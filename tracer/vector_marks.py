"""What kind of mark a small or open line on a vector page is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from calibration.picture import DrawnText, VectorPage
from tracer.piece import MarkKind
from tracer.vector_lines import VectorLine
from tracer.vector_shapes import Shape, gap_mm, straightness

_AT_OUTLINE_MM = 1.5
_NOTCH_MAX_MM = 15.0
_ARROW_REACH_MM = 5.0
_GRAIN_MIN_MM = 25.0
_WORDS_REACH_MM = 12.0
_DOT_MAX_MM = 4.0
_EDGE_BAND_MM = 15.0


def closed_mark_kind(line: VectorLine, outline: Shape | None, page: VectorPage) -> MarkKind:
    """Return the kind of a closed line that is too small or too thin to be a piece.

    Parameters
    ----------
    line : VectorLine
    outline : Shape or None
        The piece it belongs to.
    page : VectorPage
    """
    small, large = line.extent_mm
    if outline is None:
        x0, y0, x1, y1 = line.box
        to_edge = min(x0, y0, page.width_mm - x1, page.height_mm - y1)
        return "tile mark" if large > 2.0 and to_edge < _EDGE_BAND_MM and small > 0.3 * large else "unknown"
    shape = Shape.of(line)
    if shape.is_circle:
        return "dot" if large <= _DOT_MAX_MM else "circle"
    if small < 0.25 * large and large >= _GRAIN_MIN_MM:
        # A long thin closed line in a piece is an arrow drawn as an area.
        return "grain line" if shape.sides_mm is None else "internal line"
    if large <= _NOTCH_MAX_MM and shapely.distance(shape.polygon, outline.polygon.exterior) <= _AT_OUTLINE_MM:
        return "notch"
    return "unknown" if large <= _NOTCH_MAX_MM else "internal line"


def open_mark_kind(
    line: VectorLine, outline: Shape | None, texts: Sequence[DrawnText], arrow_tips: Sequence[VectorLine]
) -> MarkKind:
    """Return the kind of an open line.

    Parameters
    ----------
    line : VectorLine
    outline : Shape or None
        The piece it belongs to.
    texts : sequence of DrawnText
        Words beside a line tell what it is.
    arrow_tips : sequence of VectorLine
        Small closed shapes, among them the heads of arrows.
    """
    if outline is None:
        return "unknown"
    points = np.asarray(line.to_open().flatten(0.05))
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    ring = outline.polygon.exterior
    ends = shapely.distance(shapely.points(points[[0, -1]]), ring)
    straight = straightness(points) > 0.999
    beside = _words_beside(line, texts)
    if length <= _NOTCH_MAX_MM and float(ends.min()) <= _AT_OUTLINE_MM:
        return "notch"
    if straight and length >= _GRAIN_MIN_MM:
        if "grain" in beside:
            return "grain line"
        if "fold" in beside:
            return "fold line"
        if _has_arrow(line, points, arrow_tips):
            return "grain line"
    if "fold" in beside and straightness(points) > 0.7:
        return "fold line"
    if not straight and float(ends.max()) <= _AT_OUTLINE_MM and _is_dart(points):
        return "dart"
    samples = shapely.line_interpolate_point(shapely.LineString(points), np.linspace(0, 1, 40), normalized=True)
    distances = np.asarray(shapely.distance(samples, ring))
    middle = float(np.median(distances))
    if 2.0 <= middle <= 30.0 and np.mean(np.abs(distances - middle) < 1.0) > 0.7 and length > 40.0:
        return "stitching line"
    if length <= _NOTCH_MAX_MM:
        return "unknown"
    return "internal line"


def _words_beside(line: VectorLine, texts: Sequence[DrawnText]) -> str:
    return " ".join(t.text.lower() for t in texts if gap_mm(line.box, t.box_mm) <= _WORDS_REACH_MM)


def _has_arrow(line: VectorLine, points: np.ndarray, arrow_tips: Sequence[VectorLine]) -> bool:
    """Whether a small closed shape sits on an end of the line."""
    for end in (points[0], points[-1]):
        spot = (float(end[0]), float(end[1]), float(end[0]), float(end[1]))
        if any(tip is not line and gap_mm(tip.box, spot) <= _ARROW_REACH_MM for tip in arrow_tips):
            return True
    return False


def _is_dart(points: np.ndarray) -> bool:
    """Whether a chain from outline to outline comes to one point in between."""
    along = points[-1] - points[0]
    width = float(np.hypot(*along))
    if width < 1e-6:
        return False
    from_start = points - points[0]
    off = np.abs(along[0] * from_start[:, 1] - along[1] * from_start[:, 0]) / width
    depth = float(off.max())
    return depth > width and width < 80.0
