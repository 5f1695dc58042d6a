"""What the words on a piece say: its name, how often to cut it and from what.

Knows no pixels: :func:`parse_label` takes lines of text with their size and how sure they are, whether they were read
from a picture (:mod:`tracer.reading`) or stand as text in a PDF.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from unicodedata import name

from calibration import UnitError, parse_length_mm
from tracer.piece import CutNote
from tracer.trade_words import mended

LEAST_CONFIDENCE = 0.5
"""Readings less sure than this are not used (common practice, no source)."""

_AS_LARGE, _TALLER, _AS_WIDE, _NEXT_LINE = 1.2, 1.6, 1.4, 1.6
"""A name goes on in a line of the same size that lies this near, in heights (common practice, no source)."""

_DIGITS = str.maketrans({"l": "1", "I": "1", "i": "1", "o": "0", "O": "0", "z": "2", "Z": "2", "S": "5"})
_WORD_NUMBERS = {"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "eight": 8, "ten": 10, "twelve": 12}
_COUNT = r"(?P<count>[0-9lIoOzZ]{1,3}|one|two|three|four|five|six|eight|ten|twelve)"
_CUT = re.compile(
    rf"\b(?:[ceogdqt(](?:[uovqaiy]|li)t|[a-z]{{1,2}}cut|cu(?=\s))(?:\s*out)?[\s:.x]*{_COUNT}(?=\b|pairs?\b|(?:on|of)\b)",
    re.IGNORECASE,
)
"""Readings of 'cut' that its shape and what touches it lend themselves to are taken for it where a number follows."""
_TIMES = re.compile(r"\b(?:(?P<a>\d{1,3})\s*[xX]|[xX]\s*(?P<b>\d{1,3}))\b")
_PAIRS = re.compile(r"(?:\b|\d|one|two|three|four)pairs?\b", re.IGNORECASE)
_ONLY_PAIRS = re.compile(r"(?:mirrored\s+)?pairs?", re.IGNORECASE)
_MIRROR = re.compile(r"\bmirror(?:ed)?\w?\b|\breversed?\b|\bopposite\b", re.IGNORECASE)
_EXTRA_MIRROR = re.compile(rf"(?:\+|and|&|plus)\s*{_COUNT}\s*(?:mirrored|mirror|reversed?)", re.IGNORECASE)
_FOLD = re.compile(r"(?:\b|(?<=[l1I]))(?:on|to)\s*(?:the\s*)?fold\b|\bplace\s*on\s*fold\b", re.IGNORECASE)
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
_MATERIAL_ENDS = {"interfacin": "interfacing", "interlinin": "interlining"}
"""Long words whose last letter was lost."""
_MATERIAL = re.compile(r"\b(?:" + "|".join((*_MATERIALS, *_MATERIAL_ENDS)) + r")s?\b", re.IGNORECASE)
_LETTER_NAME = re.compile(r"[A-HJ-NP-WYZ][0-9]{0,2}")
"""A letter, perhaps with a figure, that names a template (common practice, no source). I, O and X are not among them: a
stroke, a circle and a cross are read as these."""
LONE_SURE = 0.95
"""A reading less sure than this is no name of one letter (measured: upright letters are read with 0.93 to 1.00)."""
_AS_HIGH = 0.9
"""A letter that names a template is no smaller than this share of the other lettering there (judgement)."""
_NO_NAME_ALONE = frozenset(
    ("a", "an", "and", "at", "by", "cut", "for", "from", "in", "of", "on", "or", "place", "the", "to", "with")
)
"""Words of which alone no name is made."""
_CUT_ALONE = frozenset(("cut", "cut out"))
_DOUBTFUL, _CERTAIN = 0.7, 0.9
"""A line less sure than the one is no name where there is one surer than the other."""
_OF = re.compile(r"^(?:of|in|from)\b\s*", re.IGNORECASE)
_NO_NAME = re.compile(
    r"\b(?:seam allowance|place on|grain|lengthen|shorten|fold|notch|cut here|stitch|sew|test square|scale|"
    r"selvedge|selvage|straight of|finished|upper edge|lower edge|gather|ease|hem|page|sheet)\b",
    re.IGNORECASE,
)


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
    # Behind a letter it is no inches.
    text = re.sub(r"(?<=[^\W\d_])[\"\u201d\u2033]+$", "", text.strip())
    words = re.sub(r"\s+", " ", text).strip(" -_|.,:;'`~*\\/=<>").split(" ")
    # A circle or a cross beside a word is read as a letter of its own kind.
    while len(words) > 1 and _is_sign(words[0]):
        del words[0]
    while len(words) > 1 and _is_sign(words[-1]):
        del words[-1]
    return mended(" ".join(words))


def _is_sign(word: str) -> bool:
    """Return whether a word is a single character that is neither a Latin letter nor a plain figure."""
    return len(word) == 1 and not word.isascii() and not name(word, "").startswith("LATIN")


def names_alone(text: str) -> bool:
    """Return whether a text is a single capital letter, perhaps with a figure, that may name a template."""
    return _LETTER_NAME.fullmatch(text) is not None


def _number(text: str) -> int:
    word = text.lower()
    if word in _WORD_NUMBERS:
        return _WORD_NUMBERS[word]
    digits = text.translate(_DIGITS)
    return int(digits) if digits.isdigit() else 0


def parse_label(lines: Sequence[TextLine]) -> Label:
    """Find a piece's name and its cutting notes in the lines of its label.

    The name is the largest lettering that is no instruction; where several lines are as large, the first. A template
    without other words goes by its one letter (A, B, C1).

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
    # A cross beside a figure is read as "1 x": it says nothing where the label says plainly how often to cut.
    plainly = any(_CUT.search(plain(line.text)) for line in usable)
    for line in usable:
        text = plain(line.text)
        found = _CUT.search(text) or (None if plainly else _TIMES.search(text))
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
        elif says_cut and not number and (extra := _EXTRA_MIRROR.search(text)) is not None:
            count += _number(extra["count"])
        elif says_cut and not number and not mirrored and _ONLY_PAIRS.fullmatch(text):
            count, mirrored, about_cut = 2 * count, True, True
        if _MIRROR.search(text):
            mirrored = about_cut = True
        if _FOLD.search(text):
            fold = about_cut = True
        stuff = _MATERIAL.search(text)
        only_material = stuff is not None and len(stuff[0]) >= 0.6 * len(_OF.sub("", text))
        if stuff is not None and (about_cut or found or only_material) and not material:
            material = _MATERIAL_ENDS.get(stuff[0].lower(), stuff[0].lower())
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
    called, sure = _name(names, usable)
    return Label(
        name=called,
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


def _name(lines: Sequence[TextLine], label: Sequence[TextLine]) -> tuple[str, float]:
    """Return the largest lettering among ``lines``, with what goes on in the next lines of the label."""
    wordy = [line for line in lines if len(re.findall(r"[^\W\d_]", line.text)) >= 2]
    wordy = [line for line in wordy if not _NO_NAME_ALONE.issuperset(plain(line.text).lower().split())]
    if any(line.confidence > _CERTAIN for line in wordy):
        wordy = [line for line in wordy if line.confidence > _DOUBTFUL]
    if not wordy:
        return _letter_name(lines, label)
    largest = max(line.height for line in wordy)
    best = next(line for line in wordy if line.height > 0.8 * largest)
    parts = [best]
    behind = label[next(k for k, line in enumerate(label) if line is best) + 1 :]
    for line in behind:
        if not any(line is other for other in lines) or not _goes_on(parts[-1], line):
            break
        if plain(line.text).lower() in _CUT_ALONE:
            # How often was not read.
            break
        parts.append(line)
    return " ".join(plain(p.text) for p in parts), min(p.confidence for p in parts)


def _letter_name(lines: Sequence[TextLine], label: Sequence[TextLine]) -> tuple[str, float]:
    """Return the one letter by which a template without other words goes; nothing where two differ."""
    least = _AS_HIGH * max((line.height for line in label), default=0.0)
    alone = [line for line in lines if line.confidence >= LONE_SURE and line.height >= least]
    alone = [line for line in alone if names_alone(plain(line.text))]
    said = {plain(line.text) for line in alone}
    return (said.pop(), max(line.confidence for line in alone)) if len(said) == 1 else ("", 0.0)


def _goes_on(line: TextLine, following: TextLine) -> bool:
    """Return whether a line is the rest of the one above it: as large, close below it, and no number of its own."""
    if not re.search(r"[^\W\d_]", following.text) or not line.box or not following.box:
        return False
    # A line without letters that reach below or above the others has a lower box; its letters stand as close.
    taller = _ratio(line.height, following.height)
    if taller > _AS_LARGE and (taller > _TALLER or _ratio(_pitch(line), _pitch(following)) > _AS_WIDE):
        return False
    away = math.dist(line.at, following.at)
    return away < _NEXT_LINE * max(line.height, following.height) + abs(_length_of(line) - _length_of(following)) / 2


def _ratio(a: float, b: float) -> float:
    return max(a, b) / max(min(a, b), 1e-9)


def _pitch(line: TextLine) -> float:
    """Return how much room a letter takes; the box has about a third of its height to spare at either end."""
    return max(0.3 * line.height, _length_of(line) - line.height / 3) / max(1, len(line.text))


def _length_of(line: TextLine) -> float:
    return math.dist(line.box[0], line.box[1])
