"""Words from the places where they may be, whichever way they are turned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.labels import LEAST_CONFIDENCE, TextLine
from tracer.reading.engine import find_lines, processors, read_line, side_by_side
from tracer.reading.places import Box, Place, Region, crop, lay_out, lines_axes
from tracer.reading.rows import LEAST_KNOWN, LEAST_LETTERS, LEAST_SAID, not_among, rows_of

CLOSER = 1.7
"""So much larger lettering is looked at when it was missed at first."""
_LEAST_SCORE = 0.3
_CERTAIN, _SURE, _BETTER = 0.93, 0.8, 0.06
"""Readings this sure need no second look; the other way up has to be this much surer to be believed."""
_SAME_LINE, _WORD_SPACE, _CELL_SPACE = 0.55, 1.5, 0.3
"""Boxes that share this much of their height, and lie no further apart than this share of it, are one line: typewriter
letters have wide spaces, and a figure between two words may be missed."""
_TALL, _TALLEST = 1.6, 1.5
"""A line found so much higher than long, and of more than so many times its lettering's size to either side, runs
across; a single letter is neither (the finder leaves as much room again around letters, measured)."""
_POOR = 0.15
"""With less sense than this for each letter a place was looked at the wrong way (0.5 is the most there can be)."""
_BORDER_PX = 5.0
"""A line this near to the border of its crop runs on."""
_LOOKS, _MOST_AGAIN = 2, 40
"""So often a place is looked at again at most, and so many places without a second thought."""
_NO_LETTERS = frozenset(
    "oO0QDIlxX+*|/\\-_~=.,:;'`\"\u2014\u2013\u00b7\u2022\u4e00\u5341\u2460\u25cb\u25cf\u3007()[]<>^ "
)
"""What circles, crosses, dots and dashes are read as."""


def read_words(pixels: NDArray[np.uint8], regions: Sequence[Region], *, closer: bool = False) -> list[TextLine]:
    """Read the words in some regions of a picture, whichever way they are turned.

    Where little comes of it the region is looked at across, and where a line runs on past the region's end the region
    is made longer.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    regions : sequence of Region
    closer : bool
        Look for lines at a larger size: slower, and finds what was missed.

    Returns
    -------
    list of TextLine
        Positions, boxes and heights in pixels of the picture; the lines of a region in reading order, each box from
        the beginning of its line's upper side on clockwise. What two regions share is there once.
    """
    larger = CLOSER if closer else 1.0
    readings = _read_regions(pixels, regions, larger)
    places = list(regions)
    across: set[int] = set()
    for _ in range(_LOOKS):
        again: dict[int, Region] = {}
        for k, (place, reading) in enumerate(zip(places, readings, strict=True)):
            if any(reading.runs_on):
                again[k] = place.longer(*reading.runs_on)
            elif reading.sense < _POOR * place.letters and place is regions[k] and k not in across:
                again[k] = place.across()
                across.add(k)
        if len(again) > _MOST_AGAIN:
            # So many places of which little came are no words: only those of which something came are worth it.
            again = {k: place for k, place in again.items() if readings[k].sense > 0}
        looked = _read_regions(pixels, list(again.values()), larger)
        for (k, place), second in zip(again.items(), looked, strict=True):
            readings[k] = replace(readings[k], runs_on=(False, False))
            if second.sense > readings[k].sense:
                places[k], readings[k] = place, second
        if not again:
            break
    return without_repeats([line for reading in readings for line in reading.lines])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    """What was read in a region, how much sense it makes, and whether lines run on past its beginning or end."""

    lines: tuple[TextLine, ...] = ()
    runs_on: tuple[bool, bool] = (False, False)

    @property
    def sense(self) -> float:
        """Letters read, each counted as far as it is sure."""
        return sum(_sense(line.text, line.confidence) for line in self.lines)


def _read_regions(pixels: NDArray[np.uint8], regions: Sequence[Region], larger: float) -> list[_Reading]:
    pages = lay_out(pixels, regions, larger, shares=processors())
    found = side_by_side(lambda page: _lines_in_places(find_lines(page[0]), page[1], regions), pages)
    work = [item for one in found for item in one]
    read = side_by_side(lambda item: _read_lines(pixels, item, regions[item.place.number], closer=larger > 1.0), work)
    out = [_Reading() for _ in regions]
    for item, lines in zip(work, read, strict=True):
        out[item.place.number] = _Reading(lines=tuple(lines), runs_on=item.runs_on)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """The lines found in a place, those found running across them, and whether any runs on past its ends."""

    place: Place
    boxes: list[Box]
    across: list[Box]
    runs_on: tuple[bool, bool]


def _read_lines(pixels: NDArray[np.uint8], found: _Found, region: Region, *, closer: bool) -> list[TextLine]:
    """Read the lines found in a region, those that run across them, and what must be lines by their glyphs."""
    known: list[Box] = []
    # Where the finder sees no line at all there are hardly any words, unless it was told to look closely.
    worth = bool(found.boxes or found.across or closer) and region.letters >= LEAST_LETTERS
    if region.glyphs is not None and (region.cells or worth):
        rows = rows_of(region.glyphs, region.turn_rad, single=region.cells)
        known = not_among(rows, [*found.boxes, *found.across])
    lines = _read_place(pixels, found.boxes, region.turn_rad, known, 1 if region.cells else LEAST_SAID)
    return lines + _read_place(pixels, found.across, region.turn_rad + np.pi / 2) if found.across else lines


def _lines_in_places(quads: NDArray[np.float64], places: Sequence[Place], regions: Sequence[Region]) -> list[_Found]:
    """Return what was found on a page by its places."""
    middles = quads.mean(axis=1)
    out = []
    for p in places:
        inside = (middles >= [p.left, p.top]) & (middles < [p.right, p.bottom])
        own = quads[inside.all(axis=1)]
        x = own[:, :, 0]
        boxes = [p.box_of(quad) for quad in own]
        glyph = regions[p.number].glyph_px
        upright = [b.high > max(_TALL * b.long, _TALLEST * glyph) for b in boxes]
        space = _CELL_SPACE if p.cells else _WORD_SPACE
        out.append(
            _Found(
                place=p,
                boxes=_joined([b for b, tall in zip(boxes, upright, strict=True) if not tall], space),
                across=_joined([b.across() for b, tall in zip(boxes, upright, strict=True) if tall], space),
                runs_on=(bool((x < p.left + _BORDER_PX).any()), bool((x > p.right - _BORDER_PX).any())),
            )
        )
    return out


def without_repeats(lines: Sequence[TextLine]) -> list[TextLine]:
    """Leave out lines that lie on a longer or surer reading of the same words."""
    worth = [line.confidence * (1 + len(line.text.replace(" ", ""))) for line in lines]
    rings = [np.asarray(line.box, dtype=np.float32).reshape(-1, 1, 2) for line in lines]
    kept: list[int] = []
    for k in sorted(range(len(lines)), key=lambda k: -worth[k]):
        if not any(_lies_on(lines[k], lines[j], rings[j]) for j in kept):
            kept.append(k)
    return [lines[k] for k in sorted(kept)]


def _lies_on(line: TextLine, other: TextLine, ring: NDArray[np.float32]) -> bool:
    if len(ring) < 3 or line.height > 1.8 * other.height:
        return False
    x, y = line.at
    return cv2.pointPolygonTest(ring, (float(x), float(y)), measureDist=False) > 0


def _joined(boxes: Sequence[Box], space: float) -> list[Box]:
    """Join boxes that are words of one line, apart by so many heights at most."""
    out = list(boxes)
    merged = True
    while merged:
        merged = False
        for i in range(len(out)):
            for j in range(i + 1, len(out)):
                if _one_line(out[i], out[j], space):
                    out[i] = _around(out[i], out[j])
                    del out[j]
                    merged = True
                    break
            if merged:
                break
    return out


def _one_line(a: Box, b: Box, space: float) -> bool:
    low, high = min(a.high, b.high), max(a.high, b.high)
    if min(a.long / a.high, b.long / b.high) < 0.6 or high > 1.7 * low:
        return False
    if abs(np.sin(a.turn_rad - b.turn_rad)) > 0.12 and min(a.long / a.high, b.long / b.high) > 1.5:
        return False
    longer = a if a.long > b.long else b
    along, across = lines_axes(longer.turn_rad) @ np.array([b.u - a.u, b.v - a.v])
    shared = (a.high + b.high - abs(across)) / (2 * low)
    return bool(shared > _SAME_LINE and abs(along) - a.long - b.long < space * 2 * low)


def _around(a: Box, b: Box) -> Box:
    longer = a if a.long > b.long else b
    axes = lines_axes(longer.turn_rad)
    points = np.concatenate([a.corners(), b.corners()]) @ axes.T
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2 @ axes
    half = (high - low) / 2
    return Box(
        u=float(middle[0]), v=float(middle[1]), long=float(half[0]), high=float(half[1]), turn_rad=longer.turn_rad
    )


def _read_place(
    pixels: NDArray[np.uint8], found: Sequence[Box], turn_rad: float, known: Sequence[Box] = (), least: int = 1
) -> list[TextLine]:
    """Read the lines of a place, having found out which way up it stands.

    Of ``known`` lines, those that were not found, only such are kept as have so many letters or figures at ``least``.
    """
    boxes = [*found, *known]
    if not boxes:
        return []
    order = sorted(boxes, key=lambda b: -b.long / b.high)
    readings: dict[int, tuple[tuple[str, float], tuple[str, float]]] = {}
    balance = 0.0
    for box in order[:3]:
        line = crop(pixels, box)
        first = read_line(line)
        if first[1] > _CERTAIN and _sense(*first) > 1.0:
            # Nothing reads this surely upside down.
            readings[id(box)] = first, ("", 0.0)
            balance -= _sense(*first)
            break
        readings[id(box)] = first, read_line(np.ascontiguousarray(line[::-1, ::-1]))
        balance += _sense(*readings[id(box)][1]) - _sense(*first)
        if abs(balance) > 1.0:
            break
    around = balance > _BETTER
    lines = []
    for box in boxes:
        if id(box) in readings:
            pair = readings[id(box)]
            best = pair[1] if around else pair[0]
            other = pair[0] if around else pair[1]
        else:
            line = crop(pixels, box)
            best = read_line(np.ascontiguousarray(line[::-1, ::-1]) if around else line)
            other = ("", 0.0)
            if best[1] < _SURE:
                other = read_line(line if around else np.ascontiguousarray(line[::-1, ::-1]))
        turned = around
        if best[1] < _SURE and other[1] > best[1] + 4 * _BETTER and len(other[0]) >= max(3, len(best[0])):
            best, turned = other, not around
        text, score = best
        if score < _LEAST_SCORE or not text.strip():
            continue
        if not set(text) - _NO_LETTERS and not _may_be_number(text):
            continue
        if any(box is b for b in known) and (score < LEAST_KNOWN or _letters(text) < least):
            continue
        corners = box.corners()
        if turned:
            corners = np.roll(corners, 2, axis=0)
        lines.append(
            TextLine(
                text=text,
                height=2.0 * box.high,
                confidence=score,
                at=(box.u, box.v),
                box=tuple((float(x), float(y)) for x, y in corners),
            )
        )
    down = lines_axes(turn_rad)[1] * (-1.0 if around else 1.0)
    return sorted(lines, key=lambda line: float(np.asarray(line.at) @ down))


def _sense(text: str, score: float) -> float:
    """Return how much a reading tells of the way up: long sure ones most."""
    return _letters(text) * max(0.0, score - LEAST_CONFIDENCE)


def _letters(text: str) -> int:
    return sum(c.isascii() and c.isalnum() for c in text)


def _may_be_number(text: str) -> bool:
    """Return whether what looks like a mark may be a number in a table, such as 10."""
    return len(text.strip()) > 1 and text.strip().isdigit()
