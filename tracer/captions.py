"""What is written in and under a printed square: its size.

Where a square was found and nothing else in the picture tells how large it is, the scale rests on words that were read,
so the sheet says so. Where somebody said its size, or a stated density or a second square told it, words that state
another one are told: a slip of the pen, or a page that was printed smaller and its square measured.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Finding, PxPoints, Reference, Sheet, UnitError, parse_length_mm, with_square_of
from calibration.references.card import HEIGHT_MM, WIDTH_MM
from tracer.labels import parse_label
from tracer.reading.models import can_read_words
from tracer.reading.places import Region, lines_axes
from tracer.reading.read import read_words
from tracer.vectors.shapes import speaks_of_test

_READ_AT_PX = 640.0
"""Width to which a square is brought for reading: captions are some 5 to 12 % of its side (common practice)."""

_GLYPH_SHARE = 0.05
_BELOW_SHARE = 0.45
_ONE_SIZE = 0.005
_LEAST_MM, _MOST_MM = 10.0, 310.0
_NO_CARD = 0.05
"""Cards differ from each other by 0.2 %, and no scale that could be used is so far off (judgement)."""
_MOST_CAPTIONS = 3
"""Reading takes its time; who draws more squares draws patches."""
_DENSITY_OFF = 0.01
"""Flatbeds state their density to half a per cent, and squares are drawn better than that."""
_LETTER = re.compile(r"[^\W\d_]")
_STRAY_LETTERS = 2
"""A cross or "by" between two figures, or a letter that a line of the square was read as."""
_SIZE = re.compile(
    r"(?P<number>\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?)\s*[-]?\s*(?P<unit>inch(?:es)?|in\b|cm|mm|\"|''|\u201d|\u2033)",
    re.IGNORECASE,
)


def size_in_words(text: str) -> str | None:
    """Return the one size that a caption states, such as ``5cm``; None where it states none, or several that differ.

    A size in two units ("1 in / 2.54 cm") is one size; "5 x 5 cm" too.
    """
    found: list[tuple[float, str]] = []
    for match in _SIZE.finditer(text.replace(",", ".")):
        words = f"{match['number']}{match['unit']}"
        try:
            found.append((parse_length_mm(words), words))
        except UnitError:
            continue
    usable = [f for f in found if _LEAST_MM <= f[0] <= _MOST_MM]
    if not usable or any(abs(mm / usable[0][0] - 1) > _ONE_SIZE for mm, _ in usable):
        return None
    return usable[0][1].replace(" ", "") if "/" not in usable[0][1] else usable[0][1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Caption:
    """What is written in or beside a printed square.

    Parameters
    ----------
    size : str
        The one size that it states.
    of_test_square : bool
        Whether the size is all it says, or it speaks of a test: a piece has a name, or is to be cut so many times.
    """

    size: str
    of_test_square: bool


def caption_of(pixels: NDArray[np.uint8], square_px: PxPoints) -> Caption | None:
    """Read the caption of a printed square inside it, else just below or above it; None where none states a size.

    Words run along its sides: along those that are nearest to level, else along the others.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    square_px : PxPoints
        Corners of the square, shape (4, 2).
    """
    if not can_read_words():
        return None
    along = np.asarray(square_px)[1] - np.asarray(square_px)[0]
    level = float(np.arctan2(along[1], along[0]))
    level -= round(level / (np.pi / 2)) * np.pi / 2
    for turn in (level, level + np.pi / 2):
        for region in _places_of_a_caption(square_px, turn):
            text = " ".join(line.text for line in read_words(pixels, [region]))
            size = size_in_words(text)
            if size is not None:
                stray = _LETTER.findall(_SIZE.sub("", text))
                return Caption(size=size, of_test_square=speaks_of_test(text) or len(stray) <= _STRAY_LETTERS)
    return None


def caption_size(pixels: NDArray[np.uint8], square_px: PxPoints) -> str | None:
    """Return the size that the caption of a printed square states, None where none does; see :func:`caption_of`."""
    caption = caption_of(pixels, square_px)
    return None if caption is None else caption.size


def _places_of_a_caption(square_px: PxPoints, turn_rad: float) -> list[Region]:
    """Return the places inside, below and above a square for lines that run this way."""
    corners = np.asarray(square_px) @ lines_axes(turn_rad).T
    (u0, v0), (u1, v1) = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
    side = max(u1 - u0, v1 - v0)
    inset, aside, off = 0.04 * side, 0.2 * side, _BELOW_SHARE * side
    boxes = (
        (u0 + inset, v0 + inset, u1 - inset, v1 - inset),
        (u0 - aside, v1 + inset / 2, u1 + aside, v1 + off),
        (u0 - aside, v0 - off, u1 + aside, v0 - inset / 2),
    )
    return [Region(box=box, glyph_px=max(_GLYPH_SHARE * side, 4.0), turn_rad=turn_rad) for box in boxes]


def held_against_caption(sheet: Sheet) -> Sheet:
    """Return a sheet that says so where the square that sets its scale is captioned with another size."""
    square = sheet.reference
    if square.kind != "square":
        return sheet
    says = caption_size(sheet.picture.pixels, square.points_px)
    ratio = parse_length_mm(says) / parse_length_mm(square.size) if says is not None else 1.0
    if abs(ratio - 1) < _ONE_SIZE:
        return sheet
    warning = Finding(
        code="size-contradicted",
        where=sheet.id,
        message=f"the square that is taken for {square.size} says that it is {says}: if that is right, everything "
        f"should be {ratio:.3g} times as large; if it was misread, check another length with a ruler",
    )
    return replace(sheet, findings=(*sheet.findings, warning))


def checked_by_captions(sheet: Sheet) -> Sheet:
    """Return a sheet whose further test squares are held against the scale by the sizes that they are captioned with.

    A square printed a few per cent too small is of no usual size by the scale, or of the wrong one.
    """
    for square in [o for o in sheet.others if o.kind == "square"][:_MOST_CAPTIONS]:
        caption = caption_of(sheet.picture.pixels, square.points_px)
        if caption is None or not caption.of_test_square:
            continue
        if not square.size or abs(parse_length_mm(caption.size) / parse_length_mm(square.size) - 1) > _ONE_SIZE:
            sheet = with_square_of(sheet, square, caption.size)
    return sheet


def rather_than_density(sheet: Sheet) -> tuple[PxPoints, str] | None:
    """Return a test square whose caption contradicts the stated density, and its size; None where there is none.

    A file states whatever the last program wrote; who drew a test square and wrote its size beside it meant it. Only
    for a sheet whose scale comes from a stated density, or from a square that the density alone gave its size.
    """
    chosen, others = sheet.reference, sheet.others
    if chosen.kind == "square" and all(o.kind == "density" or not o.size for o in others):
        squares = [chosen] if any(o.kind == "density" for o in others) else []
    elif chosen.kind == "density":
        squares = [o for o in others if o.kind == "square" and not o.size]
    else:
        return None
    for square in squares:
        caption = caption_of(sheet.picture.pixels, square.points_px)
        if caption is None or not caption.of_test_square:
            continue
        corners = np.asarray(sheet.to_mm(square.points_px))
        side_mm = float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).mean())
        if abs(side_mm / parse_length_mm(caption.size) - 1) > _DENSITY_OFF:
            return square.points_px, caption.size
    return None


def without_piece_references(sheet: Sheet, *, words: bool) -> Sheet:
    """Return a sheet whose further references are no pieces: a piece may look like a test square or a bank card.

    A square is a piece when it has none of the usual sizes of test squares and its words do not speak of a test or
    name a size, or when they say how often to cut it. A card is known by its shape alone: what is clearly larger or
    smaller by the scale that is used is a piece of that shape (that it disagrees is said all the same). What the scale
    comes from is left alone.
    """
    readable = words and can_read_words()
    kept = tuple(
        r
        for r in sheet.others
        if not (r.kind == "square" and _is_piece(sheet, r, readable=readable))
        and not (r.kind == "card" and abs(_card_ratio(sheet, r) - 1.0) > _NO_CARD)
    )
    return sheet if len(kept) == len(sheet.others) else replace(sheet, others=kept)


def _card_ratio(sheet: Sheet, card: Reference) -> float:
    """Return how large a card is by the sheet's scale, over its size."""
    x, y = np.asarray(sheet.to_mm(card.outline_px)).T
    area_mm2 = abs(float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())) / 2
    return float(np.sqrt(area_mm2 / (WIDTH_MM * HEIGHT_MM)))


def _is_piece(sheet: Sheet, square: Reference, *, readable: bool) -> bool:
    if not readable:
        return not square.size
    low, high = np.min(square.outline_px, axis=0), np.max(square.outline_px, axis=0)
    glyph = max(_GLYPH_SHARE * float((high - low).max()), 4.0)
    region = Region(box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])), glyph_px=glyph)
    corners = np.asarray(square.outline_px, dtype=np.float32).reshape(-1, 1, 2)
    lines = [
        line
        for line in read_words(sheet.picture.pixels, [region])
        if cv2.pointPolygonTest(corners, (float(line.at[0]), float(line.at[1])), measureDist=False) > 0
    ]
    text = " ".join(line.text for line in lines)
    if speaks_of_test(text) or size_in_words(text) is not None:
        return False
    return parse_label(lines).says_cut or not square.size
