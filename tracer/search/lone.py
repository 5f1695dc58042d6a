"""Letters that stand alone in a piece and name it, as quilting templates and paper pieces are lettered A, B, C.

Lettering is looked for by glyphs that stand together (:mod:`tracer.search.marks_text`); one mark alone may be anything.
Where nothing else names a piece, the marks in it that are as large and as broad as a letter are each given to the
reader, which is sure of an upright letter and not of a circle, a cross or a triangle (measured on six typefaces).
Limits: a letter is taken to stand as the words beside it in the piece do, else as the picture does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.ink import Ink
from tracer.labels import LONE_SURE, TextLine, names_alone, parse_label
from tracer.reading.engine import read_line, side_by_side
from tracer.reading.places import Box, crop, lines_axes
from tracer.search.drawn import lies_in
from tracer.search.graph import Points
from tracer.search.words import inside_of

_LEAST_MM = 2.2
"""A letter that stands for a name is no smaller (common practice, no source)."""
_SLENDER = 0.35
"""A capital other than I is no more slender than this (typography: E, F and L are half as wide as high)."""
_MOST_MARKS = 8
"""More marks that may be letters in one piece are a texture (judgement)."""
_MARGIN_ALONG, _MARGIN_ACROSS = 0.35, 0.21
"""Room left around a letter, of its height, at which the reader is surest (measured)."""


def read_lone_letters(
    pixels: NDArray[np.uint8], lines: Sequence[TextLine], small: NDArray[np.int32], pieces: Sequence[Points], ink: Ink
) -> list[TextLine]:
    """Read the single letters in pieces that have no name.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    lines : sequence of TextLine
        What was read, in pixels of the picture.
    small : ndarray, shape (N, 6)
        All small marks (see :func:`tracer.search.marks_text.find_text`).
    pieces : sequence of Points
        Outlines in pixels of the mask.
    ink : Ink

    Returns
    -------
    list of TextLine
        One for each letter that may name its piece.
    """
    read = [ink.from_picture(np.array(line.box)) for line in lines if line.box]
    boxes: list[Box] = []
    for piece in pieces:
        own = [line for line in lines if line.box and lies_in(ink.from_picture(np.array([line.at])), piece)]
        if parse_label(own).name:
            continue
        marks = _may_be_letters(small, piece, read, ink.mm_per_px)
        if len(marks) <= _MOST_MARKS:
            turn = _turn(own)
            boxes += [_box(mark, turn, ink) for mark in marks]
    readings = side_by_side(lambda box: read_line(crop(pixels, box)), boxes)
    return [
        TextLine(
            text=text.strip(),
            height=2.0 * box.high,
            confidence=sure,
            at=(box.u, box.v),
            box=tuple((float(x), float(y)) for x, y in box.corners()),
        )
        for box, (text, sure) in zip(boxes, readings, strict=True)
        if sure >= LONE_SURE and names_alone(text.strip())
    ]


def _may_be_letters(
    small: NDArray[np.int32], piece: Points, read: Sequence[Points], mm_per_px: float
) -> NDArray[np.int32]:
    """Return the small marks in a piece that are as large and as broad as a letter and were not read."""
    longer, shorter = small[:, 2:4].max(axis=1), small[:, 2:4].min(axis=1)
    middles = small[:, :2] + small[:, 2:4] / 2.0
    low, high = piece.min(axis=0), piece.max(axis=0)
    fit = (longer * mm_per_px >= _LEAST_MM) & (shorter > _SLENDER * longer) & (small[:, 5] == 0)
    near = np.flatnonzero(fit & ((middles > low) & (middles < high)).all(axis=1))
    inside = near[inside_of(piece, middles[near])] if len(near) else near
    return small[[k for k in inside if not any(inside_of(ring, middles[k : k + 1])[0] for ring in read)], :4]


def _turn(lines: Sequence[TextLine]) -> float:
    """Return the direction of the lines in a piece, that of the longest."""
    if not lines:
        return 0.0
    box = np.array(max(lines, key=lambda line: len(line.text)).box)
    return math.atan2(*(box[1] - box[0])[::-1])


def _box(mark: NDArray[np.int32], turn_rad: float, ink: Ink) -> Box:
    """Return the box around a mark of the mask for reading, in pixels of the picture."""
    x, y, wide, high = (float(v) for v in mark)
    corners = np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)])
    own = np.asarray(ink.to_picture(corners)) @ lines_axes(turn_rad).T
    low, top = own.min(axis=0), own.max(axis=0)
    u, v = (low + top) / 2 @ lines_axes(turn_rad)
    long, tall = (top - low) / 2
    return Box(
        u=float(u),
        v=float(v),
        long=float(long + 2 * _MARGIN_ALONG * tall),
        high=float(tall * (1 + 2 * _MARGIN_ACROSS)),
        turn_rad=turn_rad,
    )
