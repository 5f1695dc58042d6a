"""Marks going along with a piece: clipped where it is cut away, moved with their edge, mirrored with their half."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tracer.crossing import crossings, cut_at, nearest, nearest_all, winding_number
from tracer.cutting.shape import Shape
from tracer.path import OpenPath, Path
from tracer.piece import Mark
from tracer.segments import Segment, derivative, evaluate

ON_EDGE_MM = 0.05
"""A mark this near the outline is on it: what clipping keeps of a line that ends there."""

NOTCH_REACH_MM = 3.0
"""A notch belongs to the edge it is this near to (half of a usual 6 mm notch; common practice, no source)."""
OWN_PLACE_MM = 0.75
"""A mark's own place counts though another of its points is nearer to the edge by this (half a line's width or so)."""

_ONCE = frozenset({"text", "table", "frame", "grain line", "test square", "reference"})
_ALONG_FOLD_MM = 0.5


def _inside(outline: Path, points: NDArray[np.float64], slack_mm: float) -> bool:
    """Whether most of the points lie in the outline, or within the slack of it."""
    distance = nearest_all(outline.segments, points)[2]
    inside = [
        bool(d <= slack_mm) or winding_number(outline.segments, p) > 0 for d, p in zip(distance, points, strict=True)
    ]
    return 2 * inside.count(True) > len(inside)


def grain_direction(marks: Sequence[Mark]) -> NDArray[np.float64] | None:
    """Return the unit direction of the first grain line among marks, shape (2,); None without one."""
    for mark in marks:
        if mark.kind == "grain line" and mark.path is not None:
            along = mark.path.segments[-1][-1] - mark.path.segments[0][0]
            size = float(np.hypot(*along))
            if size > 1e-6:
                return np.asarray(along / size)
    return None


def clipped_path(path: OpenPath, outline: Path) -> list[OpenPath]:
    """Return the parts of a line that lie inside an outline (or along it)."""
    hits = crossings(path.segments, outline.segments)
    parts = [s for _, s in cut_at(path.segments, [(c.i, c.t) for c in hits])]
    chains: list[list[Segment]] = []
    open_chain = False
    for part in parts:
        keep = _inside(outline, evaluate(part, np.array([0.25, 0.5, 0.75])), ON_EDGE_MM)
        if keep and open_chain:
            chains[-1].append(part)
        elif keep:
            chains.append([part])
        open_chain = keep
    if path.is_closed and len(chains) > 1 and open_chain and np.abs(chains[0][0][0] - parts[0][0]).max() < 1e-9:
        chains[0] = chains.pop() + chains[0]
    return [OpenPath(tuple(c)) for c in chains]


def anchor(mark: Mark, outline: Path | OpenPath) -> NDArray[np.float64] | None:
    """Return where a mark stands on an outline or edge, shape (2,); None for a mark without a place.

    That is its own place where it has one there (between the ticks of a double notch), else its nearest point.
    """
    points = [] if mark.at is None else [np.asarray(mark.at, dtype=np.float64)[None]]
    if mark.path is not None:
        points.append(np.asarray(mark.path.flatten(0.1)))
    if not points:
        return None
    every = np.concatenate(points)
    away = np.asarray(nearest_all(outline.segments, every)[2])
    at_own = mark.at is not None and float(away[0]) < float(away.min()) + OWN_PLACE_MM
    return np.asarray(every[0 if at_own else int(away.argmin())])


def clipped(marks: Sequence[Mark], outline: Path) -> tuple[Mark, ...]:
    """Return what is left of marks inside an outline; a line in several parts becomes several marks."""
    kept: list[Mark] = []
    for mark in marks:
        at = mark.at
        if mark.kind == "notch":
            place = anchor(mark, outline)
            if place is not None and _inside(outline, place[None], NOTCH_REACH_MM):
                kept.append(mark)
            continue
        if mark.path is None:
            if at is not None and _inside(outline, np.array([at], dtype=np.float64), ON_EDGE_MM):
                kept.append(mark)
            continue
        at_kept = at if at is not None and _inside(outline, np.array([at], dtype=np.float64), ON_EDGE_MM) else None
        kept += [replace(mark, path=part, at=at_kept) for part in clipped_path(mark.path, outline)]
    return tuple(kept)


def moved_with_edges(marks: Sequence[Mark], shape: Shape, widths_mm: Sequence[float]) -> tuple[Mark, ...]:
    """Return the marks with every notch moved square to its edge by that edge's width; other marks stay."""
    segments = shape.outline.segments
    out = []
    for mark in marks:
        place = anchor(mark, shape.outline) if mark.kind == "notch" else None
        if place is None:
            out.append(mark)
            continue
        foot = nearest(segments, place)
        width = widths_mm[foot.segment]
        if foot.distance_mm > NOTCH_REACH_MM or width == 0:
            out.append(mark)
            continue
        direction = derivative(segments[foot.segment], min(max(foot.t, 1e-6), 1 - 1e-6))
        direction = direction / np.hypot(*direction)
        shift = width * np.array([direction[1], -direction[0]])
        matrix = np.column_stack([np.eye(2), shift])
        at = None if mark.at is None else (float(mark.at[0] + shift[0]), float(mark.at[1] + shift[1]))
        out.append(replace(mark, path=None if mark.path is None else mark.path.transformed(matrix), at=at))
    return tuple(out)


def notch_places(shape: Shape) -> list[NDArray[np.float64]]:
    """Return where the notches meet the outline, clockwise from its first node; notches far from it are left out."""
    found = []
    for mark in shape.marks:
        place = anchor(mark, shape.outline) if mark.kind == "notch" else None
        if place is None:
            continue
        foot = nearest(shape.outline.segments, place)
        if foot.distance_mm <= NOTCH_REACH_MM:
            found.append((foot.segment, foot.t, foot.point))
    return [point for _, _, point in sorted(found, key=lambda f: (f[0], f[1]))]


def unfolded(
    marks: Sequence[Mark], mirrored: Sequence[Mark], fold: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> tuple[Mark, ...]:
    """Return the marks of both halves: words and grain once, a line along the fold once, everything else twice.

    Parameters
    ----------
    marks, mirrored : sequence of Mark
        The half's and their mirror images, in the same order.
    fold : tuple of ndarray
        A point on the fold and its unit direction.
    """
    point, direction = fold
    normal = np.array([-direction[1], direction[0]])
    out: list[Mark] = []
    for mark, image in zip(marks, mirrored, strict=True):
        points = (
            np.asarray(mark.path.flatten(0.05)) if mark.path is not None else np.array([mark.at or (np.inf, np.inf)])
        )
        on_fold = bool(np.abs((points - point) @ normal).max() <= _ALONG_FOLD_MM)
        if mark.kind == "fold line" and mark.path is not None:
            # Cut flat, the old fold is only the middle of the piece.
            if on_fold:
                out.append(replace(mark, kind="internal line", text=mark.text or "centre"))
            continue
        out.append(mark)
        if mark.kind not in _ONCE and not on_fold:
            out.append(image)
    return tuple(out)
