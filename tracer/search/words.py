"""Which words belong to which piece, and pieces inside pieces that only their own words give away."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Reference
from tracer.ink import Ink
from tracer.labels import Label, TextLine, parse_label
from tracer.reading.places import Region, lines_axes
from tracer.search.dashes import is_row
from tracer.search.drawn import GLYPH_MM, LineWork, lies_in
from tracer.search.graph import Points
from tracer.search.mark_sheet import MarkSheet
from tracer.search.marks import runs_parallel, text_in
from tracer.search.marks_text import LEAST_GLYPHS, TextBlock, find_text
from tracer.search.pieces import Found, PieceSearch
from tracer.search.sizes import LEAST_AREA_SHARE
from tracer.search.text_turn import ink_points, text_turn

TILE_REACH_MM = 7.0
"""The letter of a tile mark stands this near to the frame it marks (common practice, no source)."""
MOST_UNREAD = 60
"""A block of more marks than this that cannot be read is a texture (common practice, no source)."""
LETTERS_SURE = 5
"""Of fewer letters the direction of a line cannot be told."""
SINGLE_REACH = 1.3
"""A single letter or figure stands this near to the rest of its label, in glyphs (common practice, no source)."""
SAME_TURN = 0.26
"""Sine of the angle by which parts of one label differ at most, short words told roughly."""
_FEW_LETTERS, _TALLER_THAN_INK = 2, 2.6
"""The box of so few letters is no higher than this many times the largest piece of ink in it (the reader leaves
as much room again around letters, measured)."""
_READ_SURELY = 0.85
LEAST_INK_MM2 = 2.0
"""Letters have more ink together (five of 2 mm with strokes of 0.2 mm)."""
LINE_STEP, BOX_TO_GLYPH = 1.4, 1.9
"""The next line of a label ends so many heights of a read line's box beyond that box at most; the box is so much higher
than its letters (measured on the reader)."""
LEAST_RUN_MM, RUN_SHARE, MOST_RUNS = 2.5, 1.8, 6
"""A word of which the letters run together is longer than so much and than so many times its height (two letters and a
half); more of them in a piece are a texture (judgement)."""
SQUARE_GLYPH_MM = 3.2
"""Usual size of the lettering in a test square (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Group:
    """Blocks of text that stand together, and how their lines are turned.

    ``corners`` are those of the boxes of its glyphs, shape (N, 2), all within ``reach`` of ``middle``.
    """

    blocks: tuple[TextBlock, ...]
    height: float
    turn_rad: float
    corners: Points
    middle: tuple[float, float]
    reach: float

    @property
    def letters(self) -> int:
        """Number of its glyphs."""
        return sum(len(b.glyphs) for b in self.blocks)

    @property
    def sure(self) -> bool:
        """Whether there are letters enough to tell their direction."""
        return self.letters >= LETTERS_SURE


def word_regions(
    texts: Sequence[TextBlock], ink: Ink, tables: Sequence[Points], small: NDArray[np.int32]
) -> list[Region]:
    """Return where to read: blocks of text close to each other make one region, so that words are not cut apart.

    ``small`` are all small marks (see :func:`tracer.search.marks_text.find_text`): a letter or a figure may stand in a
    line of its own.
    """
    middles = small[:, :2] + small[:, 2:4] / 2.0
    sizes = small[:, 2:4].max(axis=1)
    free = list(texts)
    out = []
    for table in tables:
        inside = text_in(table, free)
        if inside:
            height = float(np.median([t.height for t in inside]))
            cells = np.concatenate([t.glyphs for t in inside])
            figures = (sizes < 1.5 * height) & (sizes > 0.6 * height) & inside_of(table, middles)
            glyphs = np.unique(np.concatenate([cells, small[figures, :4]]), axis=0)
            region = _region(table, height, _group(inside, ink).turn_rad, ink)
            out.append(replace(region, cells=True, glyphs=in_picture(glyphs, ink)))
            free = [t for t in free if t not in inside]
    groups = [_group([t], ink) for t in free]
    merged = True
    while merged:
        merged = False
        for i in range(len(groups)):
            for j in range(len(groups) - 1, i, -1):
                if _belong_together(groups[i], groups[j]):
                    groups[i] = _group([*groups[i].blocks, *groups[j].blocks], ink)
                    del groups[j]
                    merged = True
    for g in groups:
        alike = (sizes < 1.8 * g.height) & (sizes > 0.4 * g.height) & (small[:, 5] == 0)
        around = _with_near(g.corners, middles[alike], g.height, g.turn_rad)
        # Letters that run together are larger than the others, and stand in the same rows.
        axes = lines_axes(g.turn_rad)
        low, high = (around @ axes.T).min(axis=0), (around @ axes.T).max(axis=0)
        own = middles @ axes.T
        there = ((own > low) & (own < high)).all(axis=1) & (small[:, 2:4].min(axis=1) < 1.8 * g.height)
        glyphs = np.unique(np.concatenate([small[there, :4], *(b.glyphs for b in g.blocks)]), axis=0)
        region = _region(around, _lettering_px(g), g.turn_rad, ink, g.letters)
        out.append(replace(region, glyphs=in_picture(glyphs, ink)))
    return out


def inside_of(ring: Points, points: Points) -> NDArray[np.bool_]:
    """Return which of some points lie in a ring."""
    contour = ring.astype(np.float32).reshape(-1, 1, 2)
    return np.array([cv2.pointPolygonTest(contour, (float(x), float(y)), measureDist=False) > 0 for x, y in points])


def in_picture(glyphs: NDArray[np.int32], ink: Ink) -> NDArray[np.float64]:
    """Return boxes of glyphs in pixels of the picture."""
    low = np.asarray(ink.to_picture(glyphs[:, :2].astype(np.float64)))
    high = np.asarray(ink.to_picture((glyphs[:, :2] + glyphs[:, 2:4]).astype(np.float64)))
    return np.concatenate([low, high - low], axis=1)


def _with_near(corners: Points, marks: Points, height: float, turn_rad: float) -> Points:
    """Add to the corners of a place those of single marks beside its lines or a line away from them."""
    axes = lines_axes(turn_rad)
    own, others = corners @ axes.T, marks @ axes.T
    for _ in range(2):
        low, high = own.min(axis=0) - SINGLE_REACH * height, own.max(axis=0) + SINGLE_REACH * height
        near = others[((others > low) & (others < high)).all(axis=1)]
        own = np.concatenate([own, near - height / 2, near + height / 2])
    return own @ axes


def _lettering_px(group: _Group) -> float:
    """Return the height of lettering across its lines; letters that touch are longer than they are high."""
    wide, high = np.concatenate([b.glyphs for b in group.blocks])[:, 2:4].astype(np.float64).T
    c, s = abs(np.cos(group.turn_rad)), abs(np.sin(group.turn_rad))
    if abs(c * c - s * s) < 0.6:
        return group.height
    across = (high * c - wide * s) / (c * c - s * s)
    tall = across[across > 0.4 * np.median(across)]
    return float(np.clip(np.quantile(tall if len(tall) else across, 0.6), 0.4 * group.height, group.height))


def _group(blocks: Sequence[TextBlock], ink: Ink) -> _Group:
    height = max(b.height for b in blocks)
    glyphs = np.concatenate([b.glyphs for b in blocks]).astype(np.float64)
    (left, top), (right, bottom) = glyphs[:, :2].T, (glyphs[:, :2] + glyphs[:, 2:4]).T
    corners = np.array([[left, right, left, right], [top, bottom, bottom, top]]).reshape(2, -1).T
    x, y = ((corners.min(axis=0) + corners.max(axis=0)) / 2).tolist()
    return _Group(
        blocks=tuple(blocks),
        height=height,
        turn_rad=text_turn(ink_points(blocks, ink.mask), height),
        corners=corners,
        middle=(x, y),
        reach=float(np.hypot(*(corners - [x, y]).T).max()),
    )


def _belong_together(a: _Group, b: _Group) -> bool:
    if max(a.height, b.height) > 2.5 * min(a.height, b.height):
        return False
    near = 0.9 * max(a.height, b.height)
    # A box around a group, however turned, lies within 1.42 times the group's reach; so far apart it cannot be near.
    if math.dist(a.middle, b.middle) > math.sqrt(2) * (a.reach + b.reach + near):
        return False
    if a.sure and b.sure and abs(np.sin(a.turn_rad - b.turn_rad)) > SAME_TURN:
        return False
    turn = a.turn_rad if len(a.blocks) >= len(b.blocks) and a.sure else b.turn_rad
    axes = lines_axes(turn)
    first, second = a.corners @ axes.T, b.corners @ axes.T
    gap = np.maximum(first.min(axis=0) - second.max(axis=0), second.min(axis=0) - first.max(axis=0))
    return bool((gap < near).all())


def _region(points: Points, height: float, turn_rad: float, ink: Ink, letters: int = 0) -> Region:
    """Return the box around some points of the mask, along and across lines, in pixels of the picture."""
    own = np.asarray(ink.to_picture(points)) @ lines_axes(turn_rad).T
    (u0, v0), (u1, v1) = own.min(axis=0), own.max(axis=0)
    return Region(
        box=(float(u0), float(v0), float(u1), float(v1)),
        glyph_px=height * ink.factor,
        turn_rad=turn_rad,
        letters=letters,
    )


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


def unread(
    texts: Sequence[TextBlock],
    lines: Sequence[TextLine],
    ink: Ink,
    small: NDArray[np.int32],
    pieces: Sequence[Points],
) -> list[TextBlock]:
    """Return what of the text was not read: whole blocks, and groups of glyphs beside which only others were read.

    Where a piece has no name yet or nothing says how often to cut it, a single mark may be a word whose letters run
    together, ``small`` being all small marks (see :func:`tracer.search.marks_text.find_text`).
    """
    rings = [ink.from_picture(np.array(line.box)).astype(np.float32).reshape(-1, 1, 2) for line in lines]
    out = []
    for block in texts:
        free = np.array([not _is_in(rings, x + w / 2, y + h / 2) for x, y, w, h in block.glyphs])
        if free.all():
            if len(block.glyphs) < MOST_UNREAD:
                out.append(block)
        elif free.sum() >= LEAST_GLYPHS:
            out += [_with_line(group, block, rings) for group in _groups_of(block.glyphs[free], ink.mm_per_px)]
    for piece in pieces:
        own = [n for n, r in enumerate(rings) if lies_in(r.reshape(-1, 2).mean(axis=0)[None], piece)]
        label = parse_label([lines[n] for n in own])
        if not (label.name and label.says_cut):
            out += _run_together(small, piece, [*(t.box for t in out), *(t.box for t in texts)], ink.mm_per_px)
    return out


def beside_labels(lines: Sequence[TextLine], pieces: Sequence[Points], ink: Ink) -> list[Region]:
    """Return where the rest of a label may stand that says a piece's name or how often to cut it, and not both.

    Letters that a crease or another line runs through are no glyphs of their own; they stand above or below the others.
    """
    out = []
    for piece in pieces:
        own = [line for line in lines if line.box and lies_in(ink.from_picture(np.array([line.at])), piece)]
        label = parse_label(own)
        if not own or (label.name and label.says_cut):
            continue
        line = max(own, key=lambda line: len(line.text) * line.confidence)
        box = np.array(line.box)
        turn = math.atan2(*(box[1] - box[0])[::-1])
        (u0, v0), (u1, v1) = (box @ lines_axes(turn).T).min(axis=0), (box @ lines_axes(turn).T).max(axis=0)
        more = LINE_STEP * line.height
        region = Region(
            box=(float(u0) - line.height, float(v0) - more, float(u1) + line.height, float(v1) + more),
            glyph_px=line.height / BOX_TO_GLYPH,
            turn_rad=turn,
            letters=len(line.text),
        )
        if _has_ink(region, own, ink):
            out.append(region)
    return out


def _has_ink(region: Region, lines: Sequence[TextLine], ink: Ink) -> bool:
    """Return whether there is ink in a region besides the lines that were read."""
    u0, v0, u1, v1 = region.box
    corners = np.array([(u0, v0), (u1, v0), (u1, v1), (u0, v1)]) @ lines_axes(region.turn_rad)
    there = np.zeros(ink.mask.shape, np.uint8)
    for ring, value in ((corners, 1), *((np.array(line.box), 0) for line in lines)):
        cv2.fillPoly(there, [np.rint(ink.from_picture(ring)).astype(np.int32).reshape(-1, 1, 2)], value)
    return float((ink.mask[there > 0] > 0).sum()) * ink.mm_per_px**2 > LEAST_INK_MM2


def _is_in(rings: Sequence[NDArray[np.float32]], x: float, y: float) -> bool:
    return any(cv2.pointPolygonTest(r, (float(x), float(y)), measureDist=False) >= 0 for r in rings)


def _groups_of(glyphs: NDArray[np.int32], mm_per_px: float) -> list[TextBlock]:
    """Return glyphs that stand together."""
    area = glyphs[:, 2] * glyphs[:, 3]
    return find_text(np.column_stack([glyphs, area, np.zeros_like(area)]).astype(np.int32), mm_per_px)


def _with_line(group: TextBlock, block: TextBlock, rings: Sequence[NDArray[np.float32]]) -> TextBlock:
    """Return glyphs with those of the line that was read beside them and goes on with them."""
    middles = block.glyphs[:, :2] + block.glyphs[:, 2:4] / 2.0
    own = group.glyphs[:, :2] + group.glyphs[:, 2:4] / 2.0
    taken = np.zeros(len(middles), dtype=bool)
    for ring in rings:
        box = ring.reshape(-1, 2).astype(np.float64)
        axes = lines_axes(math.atan2(*(box[1] - box[0])[::-1]))
        low, high = (box @ axes.T).min(axis=0), (box @ axes.T).max(axis=0)
        at = own @ axes.T
        level = np.abs(at[:, 1] - (low[1] + high[1]) / 2) < 0.3 * (high[1] - low[1])
        near = (at[:, 0] > low[0] - 1.5 * group.height) & (at[:, 0] < high[0] + 1.5 * group.height)
        if (level & near).any():
            there = middles @ axes.T
            taken |= ((there >= low) & (there <= high)).all(axis=1)
    glyphs = np.concatenate([group.glyphs, block.glyphs[taken]])
    return _block(glyphs, group.height)


def _block(glyphs: NDArray[np.int32], height: float) -> TextBlock:
    low, high = glyphs[:, :2].min(axis=0), (glyphs[:, :2] + glyphs[:, 2:4]).max(axis=0)
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return TextBlock(box=box, glyphs=glyphs, height=height)


def _run_together(
    small: NDArray[np.int32],
    piece: Points,
    known: Sequence[tuple[float, float, float, float]],
    mm_per_px: float,
) -> list[TextBlock]:
    """Return the marks in a piece that may be words of which the letters run together."""
    low, high = piece.min(axis=0), piece.max(axis=0)
    middles = small[:, :2] + small[:, 2:4] / 2.0
    longer, shorter = small[:, 2:4].max(axis=1), small[:, 2:4].min(axis=1)
    wordy = (longer * mm_per_px > LEAST_RUN_MM) & (longer > RUN_SHARE * shorter) & (small[:, 5] == 0)
    contour = piece.astype(np.float32).reshape(-1, 1, 2)
    out = []
    for k in np.flatnonzero(wordy & ((middles > low) & (middles < high)).all(axis=1)):
        x, y = (float(v) for v in middles[k])
        inside = cv2.pointPolygonTest(contour, (x, y), measureDist=False) > 0
        if inside and not any(b[0] <= x <= b[2] and b[1] <= y <= b[3] for b in known):
            out.append(_block(small[k : k + 1, :4], float(shorter[k])))
    return out if len(out) <= MOST_RUNS else []


def without_shapes(lines: Sequence[TextLine], small: NDArray[np.int32], ink: Ink) -> list[TextLine]:
    """Leave out single letters read into a shape of lines, such as the corner of a stitching line, and rows of dashes.

    A letter is about as high as the ink it is made of; ``small`` are all small marks, display letters among them. What
    was read surely, and stands on as many marks as it has letters, is no such shape.
    """
    middles = small[:, :2] + small[:, 2:4] / 2.0
    sizes = small[:, 2:4].max(axis=1)
    out = []
    for line in lines:
        ring = ink.from_picture(np.array(line.box)) if line.box else np.zeros((0, 2))
        if len(ring) < 4:
            out.append(line)
            continue
        axes = lines_axes(math.atan2(*(ring[1] - ring[0])[::-1]))
        own, marks = ring @ axes.T, middles @ axes.T
        inside = ((marks > own.min(axis=0)) & (marks < own.max(axis=0))).all(axis=1)
        if is_row(small[inside], axes if np.ptp(own, axis=0).argmax() == 0 else axes[::-1]):
            continue
        if len(line.text.replace(" ", "")) > _FEW_LETTERS:
            out.append(line)
            continue
        high = float(np.hypot(*np.diff(ring[:3], axis=0).T).min())
        largest = float(sizes[inside].max()) if inside.any() else GLYPH_MM / ink.mm_per_px
        is_pair = len(line.text.replace(" ", "")) == inside.sum() == _FEW_LETTERS and line.confidence > _READ_SURELY
        if high < _TALLER_THAN_INK * largest or is_pair:
            out.append(line)
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


def labels_of(lines: Sequence[TextLine], marker: MarkSheet, count: int) -> list[Label]:
    """Return what the words in each piece say about it."""
    own: list[list[TextLine]] = [[] for _ in range(count)]
    for line in lines:
        middle = marker.work.ink.from_picture(np.array([line.at]))[0]
        owner = marker.piece_at(middle, slack_mm=0.0)
        if owner >= 0:
            own[owner].append(line)
    return [parse_label(in_reading_order(mine)) for mine in own]


def nested_pieces(
    work: LineWork,
    texts: Sequence[TextBlock],
    drawn: Sequence[Found],
    other: dict[int, str],
    lines: Sequence[TextLine],
    counts: Sequence[int],
) -> list[Found]:
    """Return pieces drawn inside other pieces.

    A closed line inside a piece is a placement or a stitching line unless its own words say how often to cut it. Inside
    a piece of several sizes, ``counts`` being how many each of the drawn ones has, it may be another of them.
    """
    if not lines:
        return []
    middles = work.ink.from_picture(np.array([line.at for line in lines]))
    search = PieceSearch(work, texts)
    families = {f.loop for f, count in zip(drawn, counts, strict=True) if count > 1}
    for index, loop in enumerate(work.loops):
        if index in other or any(f.loop == index for f in drawn):
            continue
        around = [f for f in drawn if f.area > 1.05 * loop.area and lies_in(loop.points, f.points, 0.95)]
        if not around or runs_parallel(loop.points, around[0].points, work.ink.mm_per_px):
            continue
        if any(loop.area > LEAST_AREA_SHARE * f.area for f in around if f.loop in families):
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
