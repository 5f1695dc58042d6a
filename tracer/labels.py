"""Words: reading them from a picture, and what they say about a piece.

:func:`parse_label` knows no pixels: it takes lines of text with their size and how sure they are, whether they were
read from a picture or stand as text in a PDF. :func:`read_words` needs the extra ``words`` (rapidocr on onnxruntime,
whose models come inside the wheel, so that nothing is fetched).
"""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from threading import Lock, Thread
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import UnitError, parse_length_mm
from tracer.piece import CutNote

LEAST_CONFIDENCE = 0.5
"""Readings less sure than this are not used (common practice, no source)."""
GLYPH_PX = 22.0
"""Height to which lettering is brought before it is read; the models take lines of about 48 px with margins."""
SHEET_PX = 1400
"""Side of the picture on which crops are laid out for reading."""
CLOSER = 1.7
"""So much larger lettering is read when it was missed at first."""
_APART_PX = 56
"""Crops laid closer to each other are read as one line."""
_NO_LETTERS = frozenset("oO0QDIlxX+*|/\\-_~=.,:;'`\"\u2014\u2013\u00b7\u2022\u4e00\u25cb\u25cf\u3007()[]<>^ ")
"""What circles, crosses, dots and dashes are read as."""

_DIGITS = str.maketrans({"l": "1", "I": "1", "i": "1", "o": "0", "O": "0", "z": "2", "Z": "2", "S": "5"})
_WORD_NUMBERS = {"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "eight": 8, "ten": 10, "twelve": 12}
_COUNT = r"(?P<count>[0-9lIoOzZ]{1,3}|one|two|three|four|five|six|eight|ten|twelve)"
_CUT = re.compile(rf"\b[cCeE][uo]t(?:\s*out)?[\s:.x]*{_COUNT}\b", re.IGNORECASE)
_TIMES = re.compile(r"\b(?:(?P<a>\d{1,3})\s*[xX]|[xX]\s*(?P<b>\d{1,3}))\b")
_PAIRS = re.compile(r"\bpairs?\b", re.IGNORECASE)
_MIRROR = re.compile(r"\bmirror(?:ed)?\b|\breversed?\b|\bopposite\b", re.IGNORECASE)
_EXTRA_MIRROR = re.compile(rf"(?:\+|and|&|plus)\s*{_COUNT}\s*(?:mirrored|mirror|reversed?)", re.IGNORECASE)
_FOLD = re.compile(r"\b(?:on|to)\s*(?:the\s*)?fold\b|\bplace\s*on\s*fold\b", re.IGNORECASE)
_SIZE = re.compile(
    r"\bsizes?\s*[:.]?\s*(?P<size>[0-9]{1,3}(?:\s*[-/]\s*[0-9]{1,3})*|xxs|xs|s|m|l|xl|xxl)\b", re.IGNORECASE
)
_ALLOWANCE = re.compile(
    r"(?P<length>\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?)\s*(?P<unit>mm|cm|inch(?:es)?|in|\"|''|\u2033|\u201d)",
    re.IGNORECASE,
)
_MATERIALS = (
    "interfacing", "interlining", "lining", "contrast", "main fabric", "self fabric", "fabric", "wadding", "batting",
    "muslin", "calico", "fleece", "felt", "canvas", "lace", "mesh", "ribbing", "elastic", "leather", "paper", "card",
    "backing",
)  # fmt: skip
_MATERIAL = re.compile(r"\b(?:" + "|".join(_MATERIALS) + r")s?\b", re.IGNORECASE)
_NO_NAME = re.compile(
    r"\b(?:seam allowance|place on|grain|lengthen|shorten|fold|notch|cut here|stitch|sew|test square|scale|"
    r"selvedge|selvage|straight of|finished|upper edge|lower edge|gather|ease|hem|page|sheet)\b",
    re.IGNORECASE,
)


_LOADING = Lock()
"""Held while the reader is set up, so that it is set up once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextLine:
    """One line of text.

    Parameters
    ----------
    text : str
    height : float
        Size of its letters, in any one unit for all lines of a label.
    confidence : float
        0..1.
    at : tuple of float
        Middle of the line, in the unit of the caller.
    box : tuple of tuple of float
        Its four corners, or empty.
    """

    text: str
    height: float = 1.0
    confidence: float = 1.0
    at: tuple[float, float] = (0.0, 0.0)
    box: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What a label says.

    ``name`` is empty and ``cut`` the default where nothing was said; ``says_cut`` tells whether a count was read.
    """

    name: str = ""
    name_confidence: float = 0.0
    cut: CutNote = field(default_factory=CutNote)
    says_cut: bool = False
    size: str = ""
    allowance_mm: float | None = None


def plain(text: str) -> str:
    """Return text with marks that lines drawn through it leave (dashes, bars, underscores) taken out."""
    text = re.sub(r"(?<=\w)[-_|~](?=\w)", " ", text)
    text = re.sub(r"(?<![0-9])\s*[-_|~]+\s*(?![0-9])", " ", text)
    return re.sub(r"\s+", " ", text).strip(" -_|.,:;'`~*")


def _number(text: str) -> int:
    word = text.lower()
    if word in _WORD_NUMBERS:
        return _WORD_NUMBERS[word]
    digits = text.translate(_DIGITS)
    return int(digits) if digits.isdigit() else 0


def parse_label(lines: Sequence[TextLine]) -> Label:
    """Find a piece's name and its cutting notes in the lines of its label.

    The name is the largest lettering that is no instruction; where several lines are as large, the first.

    Parameters
    ----------
    lines : sequence of TextLine
        In reading order.
    """
    usable = [line for line in lines if line.confidence >= LEAST_CONFIDENCE and plain(line.text)]
    count, mirrored, fold, material, says_cut = 1, False, False, "", False
    confidence: list[float] = []
    size, allowance = "", None
    names: list[TextLine] = []
    for line in usable:
        text = plain(line.text)
        found = _CUT.search(text) or _TIMES.search(text)
        number = _number(next(g for g in found.groups() if g)) if found else 0
        about_cut = False
        if number and not says_cut:
            about_cut = says_cut = True
            count = number
            extra = _EXTRA_MIRROR.search(text)
            if extra is not None:
                count, mirrored = count + _number(extra["count"]), True
            elif _PAIRS.search(text):
                count, mirrored = 2 * count, True
        if _MIRROR.search(text):
            mirrored = about_cut = True
        if _FOLD.search(text):
            fold = about_cut = True
        stuff = _MATERIAL.search(text)
        only_material = stuff is not None and len(stuff[0]) >= 0.6 * len(text)
        if stuff is not None and (found or only_material) and not material:
            material = stuff[0].lower()
            about_cut = True
        measured = _SIZE.search(text)
        if measured is not None:
            size = measured["size"]
        length = _ALLOWANCE.search(line.text)
        if length is not None and re.search(r"seam|allowance", text, re.IGNORECASE):
            allowance = _length(length["length"], length["unit"])
        if about_cut:
            confidence.append(line.confidence)
        elif not found and measured is None and length is None and not _NO_NAME.search(text):
            names.append(line)
    name, sure = _name(names)
    return Label(
        name=name,
        name_confidence=sure,
        cut=CutNote(
            count=count,
            mirrored=mirrored,
            fold=fold,
            material=material,
            confidence=float(min(confidence)) if confidence else 1.0,
        ),
        says_cut=says_cut,
        size=size,
        allowance_mm=allowance,
    )


def _length(number: str, unit: str) -> float | None:
    try:
        return parse_length_mm(f"{number} {unit.lower()}")
    except UnitError:
        return None


def _name(lines: Sequence[TextLine]) -> tuple[str, float]:
    wordy = [line for line in lines if len(re.findall(r"[^\W\d_]", line.text)) >= 2]
    if not wordy:
        return "", 0.0
    largest = max(line.height for line in wordy)
    best = next(line for line in wordy if line.height > 0.8 * largest)
    return plain(best.text), best.confidence


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

    return RapidOCR(params={"Global.log_level": "critical", "Global.text_score": 0.3})


def _reader() -> Any:
    with _LOADING:
        return _reader_once()


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Where to read: a box (x0, y0, x1, y1) in pixels of the picture, and the height of a glyph there in pixels.

    ``upright`` says that the lines run up or down the picture; they are laid flat before they are read.
    """

    box: tuple[float, float, float, float]
    glyph_px: float
    upright: bool = False


def read_words(pixels: NDArray[np.uint8], regions: Sequence[Region], *, closer: bool = False) -> list[TextLine]:
    """Read the words in some regions of a picture, whichever way up they are.

    The regions are brought to one size of lettering and laid out together on few pictures, so that large empty sheets
    cost nothing.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    regions : sequence of Region
    closer : bool
        Bring the lettering to a larger size: slower, and reads what was missed.

    Returns
    -------
    list of TextLine
        Positions, boxes and heights in pixels of the picture; as the regions come.
    """
    lines: list[TextLine] = []
    for page, places in _lay_out(pixels, regions, CLOSER if closer else 1.0):
        result = _reader()(page)
        if result.boxes is None or result.txts is None:
            continue
        for box, text, score in zip(result.boxes, result.txts, result.scores, strict=True):
            corners = np.asarray(box, dtype=np.float64)
            middle = corners.mean(axis=0)
            if not set(str(text)) - _NO_LETTERS and not _may_be_number(str(text)):
                continue
            place = next((p for p in places if p.left <= middle[0] < p.right and p.top <= middle[1] < p.bottom), None)
            if place is None:
                continue
            local = corners - [place.left, place.top]
            if place.upright:
                # The crop was turned a quarter against the clock.
                local = np.stack([place.bottom - place.top - 1 - local[:, 1], local[:, 0]], axis=1)
            mapped = local / place.zoom + [place.x0, place.y0]
            sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
            height = float(min(sides[0] + sides[2], sides[1] + sides[3]) / 2) / place.zoom
            centre = mapped.mean(axis=0)
            lines.append(
                TextLine(
                    text=str(text),
                    height=height,
                    confidence=float(score),
                    at=(float(centre[0]), float(centre[1])),
                    box=tuple((float(x), float(y)) for x, y in mapped),
                )
            )
    return lines


def _may_be_number(text: str) -> bool:
    """Return whether what looks like a mark may be a number in a table, such as 10."""
    return len(text.strip()) > 1 and text.strip().isdigit()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    left: int
    top: int
    right: int
    bottom: int
    zoom: float
    x0: float
    y0: float
    upright: bool


def _lay_out(
    pixels: NDArray[np.uint8], regions: Sequence[Region], larger: float
) -> list[tuple[NDArray[np.uint8], list[_Place]]]:
    """Lay crops out on shelves, tallest first."""
    crops = []
    for region in regions:
        zoom = min(1.5 * larger, larger * GLYPH_PX / max(region.glyph_px, 1.0))
        margin = 0.8 * region.glyph_px
        x0, y0 = max(0, int(region.box[0] - margin)), max(0, int(region.box[1] - margin))
        x1 = min(pixels.shape[1], int(region.box[2] + margin) + 1)
        y1 = min(pixels.shape[0], int(region.box[3] + margin) + 1)
        zoom = min(zoom, (SHEET_PX - 8) / max(x1 - x0, y1 - y0))
        size = (max(4, round((x1 - x0) * zoom)), max(4, round((y1 - y0) * zoom)))
        how = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
        crop = cv2.resize(pixels[y0:y1, x0:x1], size, interpolation=how)
        if crop.ndim == 2:
            crop = cv2.cvtColor(crop, cv2.COLOR_GRAY2RGB)
        if region.upright:
            crop = np.rot90(crop)
        crops.append((np.asarray(crop, dtype=np.uint8), zoom, x0, y0, region.upright))
    crops.sort(key=lambda c: -c[0].shape[0])
    pages: list[tuple[NDArray[np.uint8], list[_Place]]] = []
    x = y = shelf = 0
    for crop, zoom, x0, y0, upright in crops:
        high, wide = crop.shape[:2]
        if pages and x + wide > SHEET_PX:
            x, y, shelf = 0, y + shelf + _APART_PX, 0
        if not pages or y + high > SHEET_PX:
            pages.append((np.full((SHEET_PX, SHEET_PX, 3), 245, dtype=np.uint8), []))
            x = y = shelf = 0
        page, places = pages[-1]
        page[y : y + high, x : x + wide] = crop[:, :, ::-1]
        places.append(_Place(left=x, top=y, right=x + wide, bottom=y + high, zoom=zoom, x0=x0, y0=y0, upright=upright))
        x, shelf = x + wide + _APART_PX, max(shelf, high)
    return [(page[: max(p.bottom for p in places)], places) for page, places in pages]
