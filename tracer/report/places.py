"""Where a piece's number is written on the picture: inside the piece, clear of its outline and of what stands there."""

from __future__ import annotations

import numpy as np
import shapely

from tracer.piece import Mark, Piece

_GRID = 24
_LETTER_MM = 3.0
"""Half of the usual width and height of a letter of a name, generously (common practice, no source)."""
_ENOUGH_MM = 7.0
"""Room that a number needs around its middle; beyond it nearness to the piece's middle counts."""


def number_place(piece: Piece) -> tuple[float, float]:
    """Return the middle of a piece's number, mm on its sheet: with room around it, and then near the piece's middle."""
    body = shapely.Polygon(
        np.asarray(piece.outline.flatten(0.2)), [np.asarray(h.flatten(0.2)) for h in piece.holes]
    ).buffer(0)
    if body.is_empty:
        return piece.outline.centroid
    taken = [shape for mark in piece.marks if (shape := _room_of(mark)) is not None]
    low_x, low_y, high_x, high_y = body.bounds
    x, y = np.meshgrid(np.linspace(low_x, high_x, _GRID + 2)[1:-1], np.linspace(low_y, high_y, _GRID + 2)[1:-1])
    grid = np.asarray(shapely.points(np.column_stack([x.ravel(), y.ravel()])), dtype=object)
    points = np.array([*grid[shapely.contains(body, grid)], body.representative_point()], dtype=object)
    room = shapely.distance(points, body.boundary)
    if taken:
        room = np.minimum(room, shapely.distance(points, shapely.union_all(taken)))
    away = shapely.distance(points, shapely.Point(piece.outline.centroid)) / max(high_x - low_x, high_y - low_y)
    best = points[int(np.argmax(np.minimum(room, _ENOUGH_MM) - 2.0 * away))]
    return float(best.x), float(best.y)


def _room_of(mark: Mark) -> shapely.Geometry | None:
    """Return what a mark takes up: words about their middle either way round, lines as they run."""
    if mark.path is not None:
        return shapely.LineString(np.asarray(mark.path.flatten(0.3)))
    if mark.at is None:
        return None
    x, y = mark.at
    if mark.kind != "text":
        return shapely.Point(x, y)
    half = _LETTER_MM * max(1, len(mark.text)) / 2
    return shapely.box(x - half, y - _LETTER_MM, x + half, y + _LETTER_MM)
