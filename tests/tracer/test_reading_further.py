"""Lines of words that were found too short, since their last letters hang together with what is drawn there.

The lettering is drawn with the fonts that OpenCV carries, which share nothing with the reader or with the fixtures.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from tracer.ink import Ink
from tracer.labels import TextLine, parse_label
from tracer.reading.further import _with_more, read_further
from tracer.reading.models import can_read_words
from tracer.search.words_on import may_go_on

needs_reader = pytest.mark.skipif(not can_read_words(), reason="the extra 'words' is not installed")

FONT, SIZE, THICK = cv2.FONT_HERSHEY_DUPLEX, 1.6, 3
LEFT, BASE = 200, 200
PIECE = np.array([[50, 50], [850, 50], [850, 350], [50, 350]], dtype=np.float64)


def width_of(words: str) -> int:
    return int(cv2.getTextSize(words, FONT, SIZE, THICK)[0][0])


def scene(words: str, known: str, *, strokes: list[tuple[int, int, int, int]]) -> tuple[Any, Ink, TextLine]:
    """Return a picture with words and strokes, its ink, and the line of which only ``known`` was found."""
    picture = np.full((400, 900, 3), 240, np.uint8)
    cv2.putText(picture, words, (LEFT, BASE), FONT, SIZE, (30, 30, 30), THICK, cv2.LINE_AA)
    for x0, y0, x1, y1 in strokes:
        cv2.line(picture, (x0, y0), (x1, y1), (30, 30, 30), 3, cv2.LINE_AA)
    dark = np.asarray(255 - cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    ink = Ink(mask=np.where(dark > 100, np.uint8(255), np.uint8(0)), dark=dark, factor=1, mm_per_px=0.2, contrast=0.2)
    first = words.index(known)
    left, right = LEFT + width_of(words[:first]) - 6, LEFT + width_of(words[: first + len(known)]) + 2
    box = ((left, BASE - 52), (right, BASE - 52), (right, BASE + 16), (left, BASE + 16))
    at = ((left + right) / 2, BASE - 18.0)
    return picture, ink, TextLine(text=known, height=68.0, confidence=0.99, at=at, box=box)


def read_on(words: str, known: str, *, strokes: list[tuple[int, int, int, int]]) -> tuple[str, list[tuple[bool, bool]]]:
    picture, ink, line = scene(words, known, strokes=strokes)
    ends = may_go_on([line], ink, [PIECE])
    return read_further(picture, [line], ends)[0].text, ends


@needs_reader
def test_a_letter_that_an_arrow_touches_is_read_with_its_word() -> None:
    x = LEFT + width_of("Front bodic") + 16
    text, ends = read_on("Front bodice", "Front bodic", strokes=[(x, 20, x, BASE - 30)])
    assert ends == [(False, True)]
    assert text == "Front bodice"


@needs_reader
def test_a_figure_behind_its_word_and_a_first_letter_are_read() -> None:
    text, ends = read_on(
        "cut 2", "cut", strokes=[(LEFT + width_of("cut 2") - 4, 60, LEFT + width_of("cut 2") - 4, 300)]
    )
    assert ends == [(False, True)]
    assert parse_label([TextLine(text=text)]).cut.count == 2
    text, ends = read_on("Sleeve", "leeve", strokes=[(LEFT + 16, 40, LEFT + 16, BASE - 36)])
    assert ends[0][0]
    assert text == "Sleeve"


@needs_reader
@pytest.mark.parametrize("away", [8, 30])
def test_a_line_that_passes_by_is_no_letter(away: int) -> None:
    x = LEFT + width_of("Sleeve") + away
    assert read_on("Sleeve", "Sleeve", strokes=[(x, 20, x, 380), (x + 6, 20, x + 6, 380)])[0] == "Sleeve"


def test_where_other_words_or_nothing_stand_a_line_does_not_go_on() -> None:
    _, ink, line = scene("Collar top", "Collar", strokes=[])
    right, top, width = line.box[1][0] + 10.0, BASE - 52.0, float(width_of("top"))
    behind = TextLine(
        text="top",
        height=68.0,
        box=((right, top), (right + width, top), (right + width, top + 68), (right, top + 68)),
    )
    assert may_go_on([line, behind], ink, [PIECE])[0] == (False, False)
    assert may_go_on([line, TextLine(text="no box", at=(300.0, 200.0))], ink, [PIECE])[1] == (False, False)


def test_what_stands_beside_pieces_is_not_read_further() -> None:
    _, ink, line = scene(
        "cut 2", "cut", strokes=[(LEFT + width_of("cut 2") - 4, 60, LEFT + width_of("cut 2") - 4, 300)]
    )
    assert may_go_on([line], ink, [PIECE]) == [(False, True)]
    assert may_go_on([line], ink, [PIECE + [0, 300]]) == [(False, False)]


@pytest.mark.parametrize(
    ("text", "reading", "at_start", "expected"),
    [
        ("cut", "cut 2", False, "cut 2"),
        ("Front bodic.", "Front bodicé", False, "Front bodice"),
        ("cut1 pair", "cut 1 pair A", False, "cut 1 pair A"),
        ("leeve", "Šleeve", True, "Sleeve"),
        ("Sleeve", "Sleevel", False, ""),
        ("Sleeve", "|Sleeve", True, ""),
        ("Sleeve", "Sleeve 12345", False, ""),
        ("Sleeve", "Slceve A", False, ""),
    ],
)
def test_only_a_few_letters_at_the_end_that_no_stroke_looks_like_are_more(
    text: str, reading: str, at_start: bool, expected: str
) -> None:
    assert _with_more(text, reading, at_start=at_start) == expected
