"""Reading words from a picture. Needs the extra ``words``: rapidocr on onnxruntime, whose models come inside the wheel.

Places with text are turned so that their lines lie level, brought to one size of lettering and laid out together on
few pages, on which the reader's detector finds lines. Each line is then cut out of the picture itself, as sharp as it
is there, and read. Which way up a place stands is told by reading its longest line both ways: one of them makes sense.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from threading import Lock, Thread
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.labels import LEAST_CONFIDENCE, TextLine

GLYPH_PX = 22.0
"""Height to which lettering is brought where lines are looked for."""
SHEET_PX = 1400
"""Side of the picture on which crops are laid out for reading."""
_LEAST_PAGE_PX = 736
"""Shorter side to which the detector enlarges smaller pages (its ``limit_side_len``)."""
CLOSER = 1.7
"""So much larger lettering is looked at when it was missed at first."""
LINE_PX = 48.0
"""Height of a line as the reader's model takes it (PP-OCR recognition models, input 3 x 48 x width)."""
_APART_PX = 56
"""Crops laid closer to each other are read as one line."""
_ALONG, _ACROSS = 1.3, 0.8
"""Margin around a place along and across its lines, in glyphs: letters of thin strokes may not be among its glyphs."""
_LEAST_SCORE = 0.3
_CERTAIN, _SURE, _BETTER = 0.93, 0.8, 0.06
"""Readings this sure need no second look; the other way up has to be this much surer to be believed."""
_SAME_LINE, _WORD_SPACE, _CELL_SPACE = 0.55, 1.5, 0.3
"""Boxes that share this much of their height, and lie no further apart than this share of it, are one line: typewriter
letters have wide spaces, and a figure between two words may be missed."""
_POOR = 0.15
"""With less sense than this for each letter a place was looked at the wrong way (0.5 is the most there can be)."""
_BORDER_PX, _LONGER = 5.0, 4.0
"""A line this near to the border of its crop runs on; the crop is then longer by so many glyphs at least."""
_LOOKS, _MOST_AGAIN = 2, 40
"""So often a place is looked at again at most, and so many places without a second thought."""
_NO_LETTERS = frozenset("oO0QDIlxX+*|/\\-_~=.,:;'`\"\u2014\u2013\u00b7\u2022\u4e00\u25cb\u25cf\u3007()[]<>^ ")
"""What circles, crosses, dots and dashes are read as."""

_LOADING = Lock()
"""Held while the reader is set up, so that it is set up once."""


def can_read_words() -> bool:
    """Return whether the extra ``words`` is installed."""
    return all(importlib.util.find_spec(name) is not None for name in ("rapidocr", "onnxruntime"))


@contextmanager
def getting_ready(*, wanted: bool) -> Iterator[None]:
    """Load the reader in the background while the scale is looked for: its models take over a second.

    It is waited for at the end: a process must not end while compiled code is being set up in another thread.
    """
    loading = Thread(target=_reader, daemon=True) if wanted and can_read_words() else None
    if loading is not None:
        loading.start()
    try:
        yield
    finally:
        if loading is not None:
            loading.join()


@lru_cache(maxsize=1)
def _reader_once() -> Any:
    from rapidocr import RapidOCR

    return RapidOCR(params={"Global.log_level": "critical", "Global.text_score": _LEAST_SCORE})


def _reader() -> Any:
    with _LOADING:
        return _reader_once()


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Where to read.

    Parameters
    ----------
    box : tuple of float
        (u0, v0, u1, v1) in pixels of the picture, along and across the lines: the picture's own x and y for level
        lines, those axes turned about the picture's first pixel by ``turn_rad`` for others.
    glyph_px : float
        Height of a glyph there in pixels.
    turn_rad : float
        Direction of the lines, clockwise from the picture's x. Which of the two ways along it they run is found out.
    letters : int
        So many letters are about there; 0 where that is not known.
    cells : bool
        Words beside each other stand in cells of a table and make no line.
    """

    box: tuple[float, float, float, float]
    glyph_px: float
    turn_rad: float = 0.0
    letters: int = 0
    cells: bool = False

    def across(self) -> Region:
        """Return the same place for lines that run across."""
        u0, v0, u1, v1 = self.box
        return replace(self, box=(v0, -u1, v1, -u0), turn_rad=self.turn_rad + math.pi / 2)

    def longer(self, before: bool, behind: bool) -> Region:
        """Return a longer place at the beginning or end of its lines."""
        u0, v0, u1, v1 = self.box
        more = max(_LONGER * self.glyph_px, u1 - u0)
        return replace(self, box=(u0 - more * before, v0, u1 + more * behind, v1))


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
    for _ in range(_LOOKS):
        again: dict[int, Region] = {}
        for k, (place, reading) in enumerate(zip(places, readings, strict=True)):
            if any(reading.runs_on):
                again[k] = place.longer(*reading.runs_on)
            elif reading.sense < _POOR * place.letters and place is regions[k]:
                again[k] = place.across()
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
    out = [_Reading() for _ in regions]
    for page, places in _lay_out(pixels, regions, larger):
        found = _reader()(page, use_det=True, use_cls=False, use_rec=False)
        if found.boxes is None:
            continue
        boxes: list[list[_Box]] = [[] for _ in places]
        ends: list[list[bool]] = [[False, False] for _ in places]
        for quad in np.asarray(found.boxes, dtype=np.float64):
            middle = quad.mean(axis=0)
            for place, own, end in zip(places, boxes, ends, strict=True):
                if place.left <= middle[0] < place.right and place.top <= middle[1] < place.bottom:
                    own.append(place.box_of(quad))
                    end[0] |= bool(quad[:, 0].min() < place.left + _BORDER_PX)
                    end[1] |= bool(quad[:, 0].max() > place.right - _BORDER_PX)
                    break
        for place, own, end in zip(places, boxes, ends, strict=True):
            lines = _read_place(pixels, _joined(own, _CELL_SPACE if place.cells else _WORD_SPACE), place.turn_rad)
            out[place.number] = _Reading(lines=tuple(lines), runs_on=(end[0], end[1]))
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


# -- lines ------------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, kw_only=True)
class _Box:
    """A line's box: middle, half length and half height in pixels of the picture, and its direction."""

    u: float
    v: float
    long: float
    high: float
    turn_rad: float

    def corners(self) -> NDArray[np.float64]:
        """Return its corners in the picture, shape (4, 2)."""
        local = np.array([[-self.long, -self.high], [self.long, -self.high], [self.long, self.high],
                          [-self.long, self.high]])  # fmt: skip
        return np.asarray(local @ lines_axes(self.turn_rad) + np.array([self.u, self.v]))


def lines_axes(turn_rad: float) -> NDArray[np.float64]:
    """Return the directions along and across lines as rows."""
    c, s = float(np.cos(turn_rad)), float(np.sin(turn_rad))
    return np.array([[c, s], [-s, c]])


def _joined(boxes: Sequence[_Box], space: float) -> list[_Box]:
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


def _one_line(a: _Box, b: _Box, space: float) -> bool:
    low, high = min(a.high, b.high), max(a.high, b.high)
    if min(a.long / a.high, b.long / b.high) < 0.6 or high > 1.7 * low:
        return False
    if abs(np.sin(a.turn_rad - b.turn_rad)) > 0.12 and min(a.long / a.high, b.long / b.high) > 1.5:
        return False
    longer = a if a.long > b.long else b
    along, across = lines_axes(longer.turn_rad) @ np.array([b.u - a.u, b.v - a.v])
    shared = (a.high + b.high - abs(across)) / (2 * low)
    return bool(shared > _SAME_LINE and abs(along) - a.long - b.long < space * 2 * low)


def _around(a: _Box, b: _Box) -> _Box:
    longer = a if a.long > b.long else b
    axes = lines_axes(longer.turn_rad)
    points = np.concatenate([a.corners(), b.corners()]) @ axes.T
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2 @ axes
    half = (high - low) / 2
    return _Box(
        u=float(middle[0]), v=float(middle[1]), long=float(half[0]), high=float(half[1]), turn_rad=longer.turn_rad
    )


def _read_place(pixels: NDArray[np.uint8], boxes: Sequence[_Box], turn_rad: float) -> list[TextLine]:
    """Read the lines of a place, having found out which way up it stands."""
    if not boxes:
        return []
    order = sorted(boxes, key=lambda b: -b.long / b.high)
    readings: dict[int, tuple[tuple[str, float], tuple[str, float]]] = {}
    balance = 0.0
    for box in order[:3]:
        crop = _crop(pixels, box)
        first = _recognise(crop)
        if first[1] > _CERTAIN and _sense(*first) > 1.0:
            # Nothing reads this surely upside down.
            readings[id(box)] = first, ("", 0.0)
            balance -= _sense(*first)
            break
        readings[id(box)] = first, _recognise(np.ascontiguousarray(crop[::-1, ::-1]))
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
            crop = _crop(pixels, box)
            best = _recognise(np.ascontiguousarray(crop[::-1, ::-1]) if around else crop)
            other = ("", 0.0)
            if best[1] < _SURE:
                other = _recognise(crop if around else np.ascontiguousarray(crop[::-1, ::-1]))
        turned = around
        if best[1] < _SURE and other[1] > best[1] + 4 * _BETTER and len(other[0]) >= max(3, len(best[0])):
            best, turned = other, not around
        text, score = best
        if score < _LEAST_SCORE or not text.strip():
            continue
        if not set(text) - _NO_LETTERS and not _may_be_number(text):
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
    letters = sum(c.isascii() and c.isalnum() for c in text)
    return letters * max(0.0, score - LEAST_CONFIDENCE)


def _recognise(crop: NDArray[np.uint8]) -> tuple[str, float]:
    read = _reader()(crop, use_det=False, use_cls=False, use_rec=True)
    if not read.txts:
        return "", 0.0
    return str(read.txts[0]), float(read.scores[0])


def _may_be_number(text: str) -> bool:
    """Return whether what looks like a mark may be a number in a table, such as 10."""
    return len(text.strip()) > 1 and text.strip().isdigit()


def _crop(pixels: NDArray[np.uint8], box: _Box) -> NDArray[np.uint8]:
    """Cut a line out of the picture, level and as high as the model takes it, its channels in OpenCV's order."""
    middle = lines_axes(box.turn_rad) @ np.array([box.u, box.v])
    around = (middle[0] - box.long, middle[1] - box.high, middle[0] + box.long, middle[1] + box.high)
    return _cut(pixels, around, box.turn_rad, LINE_PX / max(2.0 * box.high, 1.0))


def _cut(
    pixels: NDArray[np.uint8], box: tuple[float, float, float, float], turn_rad: float, zoom: float
) -> NDArray[np.uint8]:
    """Cut a turned box out of the picture and bring it to another size."""
    axes = lines_axes(turn_rad)
    corners = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]]) @ axes
    low = np.clip(np.floor(corners.min(axis=0)).astype(int) - 2, 0, [pixels.shape[1] - 1, pixels.shape[0] - 1])
    high = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 3, low + 1, [pixels.shape[1], pixels.shape[0]])
    part = pixels[low[1] : high[1], low[0] : high[0]]
    smaller = min(1.0, zoom)
    if smaller < 1.0:
        # The mean of what each pixel covers; turning alone would leave out most of them.
        size = (max(1, round(part.shape[1] * smaller)), max(1, round(part.shape[0] * smaller)))
        part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    own = np.array([part.shape[1], part.shape[0]]) / (high - low)
    wide, tall = max(4, round((box[2] - box[0]) * zoom)), max(4, round((box[3] - box[1]) * zoom))
    # Pixel of the crop -> picture -> pixel of the part.
    linear = axes.T / zoom * own[:, None]
    shift = (np.array([box[0] + 0.5 / zoom, box[1] + 0.5 / zoom]) @ axes - low) * own - 0.5
    matrix = np.column_stack([linear, shift])
    how = cv2.INTER_CUBIC if zoom > 1.0 else cv2.INTER_LINEAR
    crop = cv2.warpAffine(part, matrix, (wide, tall), flags=how | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    if crop.ndim == 2:
        crop = cv2.cvtColor(crop, cv2.COLOR_GRAY2RGB)
    return np.ascontiguousarray(crop[:, :, ::-1], dtype=np.uint8)


# -- pages ------------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """A crop on a page, and how to get back from there to the picture."""

    number: int
    left: int
    top: int
    right: int
    bottom: int
    zoom: float
    u0: float
    v0: float
    turn_rad: float
    cells: bool

    def box_of(self, quad: NDArray[np.float64]) -> _Box:
        """Return what the detector found as a box in the picture."""
        axes = lines_axes(self.turn_rad)
        local = (quad - [self.left, self.top] + 0.5) / self.zoom + [self.u0, self.v0]
        along, down = local[1] - local[0] + local[2] - local[3], local[3] - local[0] + local[2] - local[1]
        middle = local.mean(axis=0) @ axes
        return _Box(
            u=float(middle[0]) - 0.5,
            v=float(middle[1]) - 0.5,
            long=max(1.0, float(np.hypot(*along)) / 4),
            high=max(1.0, float(np.hypot(*down)) / 4),
            turn_rad=self.turn_rad + float(np.arctan2(along[1], along[0])),
        )


def _lay_out(
    pixels: NDArray[np.uint8], regions: Sequence[Region], larger: float
) -> list[tuple[NDArray[np.uint8], list[_Place]]]:
    """Lay crops out on shelves, tallest first."""
    crops = []
    for number, region in enumerate(regions):
        zoom = min(1.5 * larger, larger * GLYPH_PX / max(region.glyph_px, 1.0))
        along, across = _ALONG * region.glyph_px, _ACROSS * region.glyph_px
        u0, v0, u1, v1 = region.box
        box = (u0 - along, v0 - across, u1 + along, v1 + across)
        zoom = min(zoom, (SHEET_PX - 8) / max(box[2] - box[0], box[3] - box[1]))
        crops.append((_cut(pixels, box, region.turn_rad, zoom), zoom, box, region, number))
    crops.sort(key=lambda c: -c[0].shape[0])
    pages: list[tuple[NDArray[np.uint8], list[_Place]]] = []
    x = y = shelf = 0
    for crop, zoom, box, region, number in crops:
        high, wide = crop.shape[:2]
        if pages and x + wide > SHEET_PX:
            x, y, shelf = 0, y + shelf + _APART_PX, 0
        if not pages or y + high > SHEET_PX:
            pages.append((np.full((SHEET_PX, SHEET_PX, 3), 245, dtype=np.uint8), []))
            x = y = shelf = 0
        page, places = pages[-1]
        page[y : y + high, x : x + wide] = crop
        places.append(
            _Place(
                number=number,
                left=x,
                top=y,
                right=x + wide,
                bottom=y + high,
                zoom=zoom,
                u0=box[0],
                v0=box[1],
                turn_rad=region.turn_rad,
                cells=region.cells,
            )
        )
        x, shelf = x + wide + _APART_PX, max(shelf, high)
    # The detector enlarges what is smaller: an empty margin costs less.
    return [
        (
            np.ascontiguousarray(
                page[
                    : max(_LEAST_PAGE_PX, *(p.bottom for p in places)),
                    : max(_LEAST_PAGE_PX, *(p.right for p in places)),
                ]
            ),
            places,
        )
        for page, places in pages
    ]
