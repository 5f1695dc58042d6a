"""Fold edges and mirror images: what lies on the fold, the piece opened out, what is its own mirror image."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon

from tracer.errors import LayError
from tracer.path import Affine, Path
from tracer.piece import Piece

_ON_FOLD_MM = 0.3
"""A drawn fold edge is straight to this; points within it are set on the fold."""
_SYMMETRIC_SHARE = 0.002
_MATCHED_MARKS = ("notch", "circle", "dot", "cross", "dart", "internal line")
_MARK_MM = 1.0
"""A drawn notch lies within about this of where it is meant (common practice, no source)."""


def fold_edge_turn_deg(piece: Piece) -> float:
    """Return the turn that brings a piece's fold edge upright with the piece to its right.

    The fold edge is the straight edge nearest a drawn fold line, else the longest straight edge.

    Raises
    ------
    LayError
        When the piece has no straight edge.
    """
    straight = [s for s in piece.outline.segments if len(s) == 2 and np.hypot(*(s[1] - s[0])) > 1.0]
    if not straight:
        raise LayError(
            f"'{piece.name}' is to be cut on the fold but has no straight edge to lie on it; mend its outline"
        )
    lines = [m.path for m in piece.marks if m.kind == "fold line" and m.path is not None]
    if lines:
        points = lines[0].flatten(0.1)
        edge = min(straight, key=lambda s: _mean_distance(points, s))
    else:
        edge = max(straight, key=lambda s: float(np.hypot(*(s[1] - s[0]))))
    dx, dy = (edge[1] - edge[0]).tolist()
    # A positively oriented outline runs with its inside on the right hand seen along +y down: upward along its left
    # side.
    if piece.outline.signed_area < 0:
        dx, dy = -dx, -dy
    return float(np.degrees(np.arctan2(-1.0, 0.0) - np.arctan2(dy, dx)) % 360.0)


def _mean_distance(points: np.ndarray, edge: np.ndarray) -> float:
    a, b = edge
    t = np.clip(((points - a) @ (b - a)) / float((b - a) @ (b - a)), 0.0, 1.0)
    foot = a + t[:, None] * (b - a)
    return float(np.hypot(*(points - foot).T).mean())


def opened(half: Path, fold_x_mm: float) -> Path:
    """Return a half piece and its mirror image about x = ``fold_x_mm`` as one outline, without the fold edge.

    Raises
    ------
    LayError
        When no edge of the half lies on the fold.
    """
    flip: Affine = np.array([[-1.0, 0.0, 2 * fold_x_mm], [0.0, 1.0, 0.0]])
    on = [bool(np.abs(s[:, 0] - fold_x_mm).max() <= _ON_FOLD_MM) for s in half.segments]
    if not any(on) or all(on):
        raise LayError("no edge of the piece lies on the fold")
    n = len(on)
    start = next(k for k in range(n) if on[k - 1] and not on[k])
    rest = []
    for k in range(n):
        segment = half.segments[(start + k) % n]
        if on[(start + k) % n]:
            break
        rest.append(segment.copy())
    rest[0][0, 0] = rest[-1][-1, 0] = fold_x_mm
    mirrored = [(s @ flip[:, :2].T + flip[:, 2])[::-1] for s in reversed(rest)]
    return Path((*rest, *mirrored))


def is_own_mirror(piece: Piece) -> float | None:
    """Return the turn (0 or 180) that makes a piece's mirror image the piece again; None where none does.

    Notches and other marks on it must come to lie on each other as well, and it must have no holes.
    """
    if piece.holes:
        return None
    box = piece.outline.bounds
    centre = np.array([(box.x_min + box.x_max) / 2, (box.y_min + box.y_max) / 2])
    points = piece.outline.flatten(0.05) - centre
    shape = Polygon(points)
    marks = _mark_points(piece) - centre
    for turn, sign in ((0.0, 1.0), (180.0, -1.0)):
        flip = np.array([-1.0, 1.0]) * sign
        alike = shape.symmetric_difference(Polygon(points * flip)).area < _SYMMETRIC_SHARE * shape.area
        if alike and all(np.hypot(*(marks - m).T).min() < _MARK_MM for m in marks * flip):
            return turn
    return None


def _mark_points(piece: Piece) -> np.ndarray:
    points = [
        m.at if m.path is None else m.path.flatten(0.1).mean(axis=0)
        for m in piece.marks
        if m.kind in _MATCHED_MARKS and (m.at is not None or m.path is not None)
    ]
    return np.array(points, dtype=np.float64).reshape(-1, 2)
