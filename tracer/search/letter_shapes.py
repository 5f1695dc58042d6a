"""Marks in the colour of the ground, on things that lie on it: which of them are letters, and none of them a hole.

Lettering in the very colour of what lies below cannot be told from a hole by its light. By its shape it can: a hole
has no island (what would hold it?), while many letters do; letters are strokes that turn about, stand beside others of
their size, and differ from them, as slots and crosses in a row do not (judgement, from the typography of plain faces).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.loops import polygon_area
from tracer.search.raster import Mask

_MOST_MM, _LEAST_MM = 25.0, 2.0
"""Letters on a piece are no higher, and such as could pass for holes no lower."""
_LEAST_ISLAND = 0.03
"""Share of a letter that its island covers at least."""
_LINE_MM, _STRIP = 0.7, 4.0
"""An island narrower than the first, or longer than wide by the second, may be a line that runs through a hole."""
_MOST_STROKE = 0.6
"""Width of a letter's stroke against its height, in a heavy face and blurred."""
_MOST_FULL = 0.85
"""A letter covers no more of its hull."""
_BEND, _SHARP_DEG, _ROUND_DEG = 0.15, 50.0, 150.0
"""What bends inward by less than this share of its stroke is straight; letters do it sharply, or by so much in all."""
_APART, _HEIGHTS, _SPACE = 0.6, 1.7, 1.0
"""Neighbours in a word stand no further apart, in heights, and differ no more in height; words are no further apart."""
_LOWER, _ASIDE = 0.7, 0.1
"""A row that is lower by this without one of its letters is none with it; what stands in a row does not stand out."""
_LONG = 1.4
"""What is longer by this is several letters that have run into each other."""
_SAME = 0.12
"""Slots in a row are alike to this."""
_MOST_MARKS = 150
_CONTOUR_STEP = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shape:
    contour: NDArray[np.float32]
    sides: tuple[float, float]
    area: float
    is_glyph: bool
    has_island: bool

    @property
    def height(self) -> float:
        return self.sides[1]


def are_letters(marks: list[tuple[Mask, tuple[int, int]]], like_ground: list[bool], per_px: float) -> list[bool]:
    """Return which marks are letters.

    Parameters
    ----------
    marks : list of (ndarray of uint8, tuple of int)
        1 where a mark is, and where that window is: x, y. All marks of one thing that may belong together.
    like_ground : list of bool
        Which of them are large, and have the colour of the ground: holes in a row all are, and all alike.
    per_px : float
        Millimetres.
    """
    shapes = [_shape_of(mask, corner, per_px) for mask, corner in marks]
    out = [shape is not None and shape.has_island for shape in shapes]
    strokes = [k for k, s in enumerate(shapes) if s is not None and (s.is_glyph or s.has_island)]
    known = {k: s for k, s in enumerate(shapes) if s is not None}
    if len(known) > _MOST_MARKS:
        return out
    for word in _words(known, strokes):
        row = _in_a_row(known, word)
        are_holes = all(like_ground[k] for k in row) and not any(known[k].has_island for k in row)
        if are_holes and _alike([known[k] for k in row]):
            continue
        if len(row) == 1 and not _are_several(known[row[0]]):
            continue
        more = row
        while more:
            for k in more:
                out[k] = True
            # Other words of the line, and what is no stroke in it: I, l, a full stop.
            more = _on_line(known, row)
            row = row + more
    return out


def _shape_of(mask: Mask, corner: tuple[int, int], per_px: float) -> _Shape | None:
    """Return the shape of a mark, in pixels; None of one too large or small for a letter."""
    contours, tree = cv2.findContours(np.pad(mask, 1), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = max((k for k in range(len(contours)) if tree[0][k][3] < 0), key=lambda k: len(contours[k]))
    points = contours[outer].reshape(-1, 2).astype(np.float32)
    short, long = sorted(cv2.minAreaRect(points)[1])
    if not _LEAST_MM <= long * per_px <= _MOST_MM:
        return None
    area = float(cv2.countNonZero(mask))
    within = [contours[k].reshape(-1, 2) for k in range(len(contours)) if tree[0][k][3] == outer]
    islands = [abs(polygon_area(r.astype(np.float64))) for r in within if len(r) > 3 and not _is_strip(r, per_px)]
    stroke = 2.0 * float(cv2.distanceTransform(np.pad(mask, 1), cv2.DIST_L2, 5).max())
    thin = stroke <= _MOST_STROKE * long
    hull = float(cv2.contourArea(cv2.convexHull(points)))
    turns = area <= _MOST_FULL * hull and _turns_inward(points, stroke)
    return _Shape(
        contour=points[::_CONTOUR_STEP] + np.array(corner, dtype=np.float32) - 1,
        sides=(float(short), float(long)),
        area=area,
        is_glyph=thin and turns,
        has_island=thin and max(islands, default=0.0) > _LEAST_ISLAND * area,
    )


def _is_strip(ring: NDArray[np.generic], per_px: float) -> bool:
    """Return whether an island is as narrow as a line: one printed on the ground runs through a hole."""
    short, long = sorted(cv2.minAreaRect(np.asarray(ring, dtype=np.float32))[1])
    # The contour of an island runs through the pixels around it.
    return (short - 1) * per_px < _LINE_MM or long > _STRIP * short


def _turns_inward(points: NDArray[np.float32], stroke: float) -> bool:
    """Return whether a closed contour turns inward as letters do: sharply, or by much in all; a bent slot does not."""
    few = cv2.approxPolyDP(points, max(1.0, _BEND * stroke), closed=True).reshape(-1, 2)
    if len(few) < 4:
        return False
    way = np.roll(few, -1, axis=0) - few
    before = np.roll(way, 1, axis=0)
    turn = np.degrees(np.arctan2(before[:, 0] * way[:, 1] - before[:, 1] * way[:, 0], (before * way).sum(axis=1)))
    inward = -turn * np.sign(polygon_area(few.astype(np.float64)))
    inward = inward[inward > 0]
    return bool(len(inward) and (inward.max() > _SHARP_DEG or inward.sum() > _ROUND_DEG))


def _words(shapes: dict[int, _Shape], strokes: list[int]) -> list[list[int]]:
    """Return which strokes stand beside others of their size."""
    group = {k: k for k in strokes}
    for i in strokes:
        for j in strokes:
            if group[i] == group[j]:
                continue
            low, high = sorted((shapes[i].height, shapes[j].height))
            beside_letter = shapes[i].has_island or shapes[j].has_island
            reach = (_SPACE if beside_letter else _APART) * high
            if high < _HEIGHTS * low and _distance(shapes[i].contour, shapes[j].contour, reach) < reach:
                joined = group[j]
                group = {k: group[i] if g == joined else g for k, g in group.items()}
    return [[k for k in strokes if group[k] == g] for g in sorted(set(group.values()))]


def _are_several(shape: _Shape) -> bool:
    """Return whether a mark is several letters that have run into each other."""
    return shape.has_island and shape.height > _LONG * shape.sides[0]


def _in_a_row(shapes: dict[int, _Shape], word: list[int]) -> list[int]:
    """Return those of a word without which its row would not be much lower: what stands above or below is left out."""
    row = list(word)
    while len(row) > 2:
        lower = {k: min(_row_of(shapes, [n for n in row if n != k])[1]) for k in row}
        least = min(row, key=lambda k: lower[k])
        if lower[least] > _LOWER * min(_row_of(shapes, row)[1]):
            break
        row.remove(least)
    return row


def _row_of(shapes: dict[int, _Shape], row: list[int]) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Return the smallest box around a row, turned as it may be: centre, sides, turn in degrees."""
    points = np.concatenate([shapes[k].contour for k in row])
    centre, sides, turn = cv2.minAreaRect(points)
    return (float(centre[0]), float(centre[1])), (float(sides[0]), float(sides[1])), float(turn)


def _on_line(shapes: dict[int, _Shape], row: list[int]) -> list[int]:
    """Return what else stands in line with a row of letters, no further from it than a word from the next."""
    centre, sides, turn = _row_of(shapes, row)
    height = min(sides)
    longer = tuple(side + 2 * (_SPACE + 1 if side == max(sides) else _ASIDE) * height for side in sides)
    corners = cv2.boxPoints((centre, longer, turn)).astype(np.float32)
    near = np.concatenate([shapes[k].contour for k in row])
    return [
        k
        for k, shape in shapes.items()
        if k not in row
        and _distance(shape.contour, near, _SPACE * height) < _SPACE * height
        and all(cv2.pointPolygonTest(corners, (float(x), float(y)), measureDist=False) >= 0 for x, y in shape.contour)
    ]


def _distance(a: NDArray[np.float32], b: NDArray[np.float32], enough: float) -> float:
    """Return how far two contours are apart; not exactly where that is more than enough."""
    boxes = np.maximum(a.min(axis=0) - b.max(axis=0), b.min(axis=0) - a.max(axis=0))
    if boxes.max() > enough:
        return float(boxes.max())
    return float(np.sqrt(((a[:, None] - b[None]) ** 2).sum(axis=2).min()))


def _alike(shapes: list[_Shape]) -> bool:
    """Return whether shapes are all of one size and area."""
    sizes = np.array([(*s.sides, np.sqrt(s.area)) for s in shapes])
    return bool((np.ptp(sizes, axis=0) < _SAME * sizes.mean(axis=0)).all())
