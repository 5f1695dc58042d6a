"""Which words belong to which piece, and pieces inside pieces that only their own words give away."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration import Reference
from tracer.ink import Ink
from tracer.labels import Label, Region, TextLine, parse_label
from tracer.search.drawn import LineWork, lies_in
from tracer.search.graph import Points
from tracer.search.mark_finder import MarkFinder
from tracer.search.marks import runs_parallel, text_in
from tracer.search.marks_text import TextBlock
from tracer.search.pieces import Found, PieceSearch

TILE_REACH_MM = 7.0
"""The letter of a tile mark stands this near to the frame it marks (common practice, no source)."""
MOST_UNREAD = 60
"""A block of more marks than this that cannot be read is a texture (common practice, no source)."""
SQUARE_GLYPH_MM = 3.2
"""Usual size of the lettering in a test square (common practice, no source)."""


def word_regions(texts: Sequence[TextBlock], ink: Ink, tables: Sequence[Points]) -> list[Region]:
    """Return where to read: blocks of text close to each other make one region, so that words are not cut apart."""
    boxes: list[list[float]] = []
    free = list(texts)
    for table in tables:
        inside = text_in(table, free)
        if inside:
            low, high = table.min(axis=0), table.max(axis=0)
            boxes.append([*map(float, low), *map(float, high), float(np.median([t.height for t in inside])), 0.0])
            free = [t for t in free if t not in inside]
    boxes += [[*t.box, t.height, float(t.upright)] for t in free]
    merged = True
    while merged:
        merged = False
        for i in range(len(boxes)):
            for j in range(len(boxes) - 1, i, -1):
                a, b = boxes[i], boxes[j]
                reach = 0.9 * max(a[4], b[4])
                near = a[0] - reach < b[2] and b[0] - reach < a[2] and a[1] - reach < b[3] and b[1] - reach < a[3]
                if near and max(a[4], b[4]) < 2.5 * min(a[4], b[4]) and a[5] == b[5]:
                    boxes[i] = [
                        min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]), max(a[4], b[4]), a[5]
                    ]  # fmt: skip
                    del boxes[j]
                    merged = True
    out = []
    for x0, y0, x1, y1, height, upright in boxes:
        corners = ink.to_picture(np.array([[x0, y0], [x1, y1]]))
        out.append(
            Region(
                box=(float(corners[0, 0]), float(corners[0, 1]), float(corners[1, 0]), float(corners[1, 1])),
                glyph_px=height * ink.factor,
                upright=upright > 0,
            )
        )
    return out


def lone_letters(work: LineWork, texts: Sequence[TextBlock], frames: Sequence[Points]) -> list[Region]:
    """Return where single letters stand on a frame: the marks by which neighbouring pages are matched."""
    scale = work.ink.mm_per_px
    out = []
    for x, y, wide, high, _, _ in work.small:
        size = max(int(wide), int(high))
        if not 1.5 < size * scale < 9.0:
            continue
        middle = (float(x + wide / 2), float(y + high / 2))
        if any(t.box[0] <= middle[0] <= t.box[2] and t.box[1] <= middle[1] <= t.box[3] for t in texts):
            continue
        for frame in frames:
            contour = frame.astype(np.float32).reshape(-1, 1, 2)
            if abs(cv2.pointPolygonTest(contour, middle, measureDist=True)) * scale < TILE_REACH_MM:
                corners = work.ink.to_picture(np.array([[x, y], [x + wide, y + high]], dtype=np.float64))
                out.append(
                    Region(
                        box=(float(corners[0, 0]), float(corners[0, 1]), float(corners[1, 0]), float(corners[1, 1])),
                        glyph_px=float(size * work.ink.factor),
                    )
                )
                break
    return out


def unread(texts: Sequence[TextBlock], lines: Sequence[TextLine], ink: Ink) -> list[TextBlock]:
    """Return the blocks of text that no line was read in."""
    boxes = [ink.from_picture(np.array(line.box)) for line in lines]
    low = np.array([b.min(axis=0) for b in boxes]).reshape(-1, 2)
    high = np.array([b.max(axis=0) for b in boxes]).reshape(-1, 2)
    out = []
    for block in texts:
        x, y = block.centre
        if len(block.glyphs) < MOST_UNREAD and not ((low <= [x, y]) & (high >= [x, y])).all(axis=1).any():
            out.append(block)
    return out


def square_region(reference: Reference, mm_per_px: float) -> Region:
    """Return the inside of a test square, where its size is written."""
    low, high = reference.outline_px.min(axis=0), reference.outline_px.max(axis=0)
    return Region(
        box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])), glyph_px=SQUARE_GLYPH_MM / mm_per_px
    )


def in_reading_order(lines: Sequence[TextLine]) -> list[TextLine]:
    """Order the lines of a label along their own downward direction, whichever way up they stand."""
    if len(lines) < 2:
        return list(lines)
    longest = max(lines, key=lambda line: len(line.text))
    corners = np.array(longest.box)
    down = corners[3] - corners[0]
    return sorted(lines, key=lambda line: float(np.asarray(line.at) @ down))


def labels_of(lines: Sequence[TextLine], marker: MarkFinder, count: int) -> list[Label]:
    """Return what the words in each piece say about it."""
    own: list[list[TextLine]] = [[] for _ in range(count)]
    for line in lines:
        middle = marker.work.ink.from_picture(np.array([line.at]))[0]
        owner = marker.piece_at(middle, slack_mm=0.0)
        if owner >= 0:
            own[owner].append(line)
    return [parse_label(in_reading_order(mine)) for mine in own]


def nested_pieces(
    work: LineWork, texts: Sequence[TextBlock], drawn: Sequence[Found], other: dict[int, str], lines: Sequence[TextLine]
) -> list[Found]:
    """Return pieces drawn inside other pieces.

    A closed line inside a piece is a placement or a stitching line unless its own words say how often to cut it.
    """
    if not lines:
        return []
    middles = work.ink.from_picture(np.array([line.at for line in lines]))
    search = PieceSearch(work, texts)
    for index, loop in enumerate(work.loops):
        if index in other or any(f.loop == index for f in drawn):
            continue
        around = [f for f in drawn if f.area > 1.05 * loop.area and lies_in(loop.points, f.points, 0.95)]
        if not around or runs_parallel(loop.points, around[0].points, work.ink.mm_per_px):
            continue
        inside = [line for line, at in zip(lines, middles, strict=True) if lies_in(at[None, :], loop.points)]
        if parse_label(in_reading_order(inside)).says_cut and not _shares(loop.points, around[0].points):
            search.take_loop(index)
    return search.found


def _shares(inner: Points, outer: Points) -> bool:
    """Return whether two loops run along each other for most of their way: one line read twice."""
    sample = inner[:: max(1, len(inner) // 60)]
    near = [float(np.hypot(*(outer - p).T).min()) < 3.0 for p in sample]
    return float(np.mean(near)) > 0.6
