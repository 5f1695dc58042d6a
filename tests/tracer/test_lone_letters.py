"""Templates that go by one letter, as the pieces of a patchwork block are lettered (common practice, no source).

The sheets are drawn with the fonts that OpenCV carries.
"""

import numpy as np
import pytest

from tests.tracer.sheet_drawing import Drawing
from tracer.labels import TextLine, parse_label
from tracer.reading.models import can_read_words
from tracer.search import find

needs_reader = pytest.mark.skipif(not can_read_words(), reason="the extra 'words' is not installed")

BOX = np.array([(0, 0), (42, 0), (42, 42), (0, 42)], dtype=float)


def _templates(*draw) -> Drawing:
    """A sheet of square templates side by side, each with what ``draw`` puts at its middle, and a heading."""
    sheet = Drawing(20 + 50 * len(draw), 80, dpi=200.0)
    sheet.text((12, 12), "Invented block")
    for k, put in enumerate(draw):
        corner = np.array([12 + 50 * k, 24], dtype=float)
        sheet.line(BOX + corner, closed=True)
        put(sheet, corner + 21)
    return sheet


def _letter(letter: str, height_mm: float = 6.0):
    return lambda sheet, at: sheet.text((at[0] - 2, at[1] + 3), letter, height_mm=height_mm)


def _ring(sheet: Drawing, at) -> None:
    t = np.linspace(0, 2 * np.pi, 60)
    sheet.line(np.asarray(at) + 2.0 * np.stack([np.cos(t), np.sin(t)], axis=1), closed=True)


def _cross(sheet: Drawing, at) -> None:
    for d in ((2.0, 2.0), (2.0, -2.0)):
        sheet.line([np.asarray(at) - d, np.asarray(at) + d])


def _triangle(sheet: Drawing, at) -> None:
    sheet.fill(np.asarray(at) + [(-1.8, 1.6), (1.8, 1.6), (0, -1.6)])


@needs_reader
def test_a_letter_alone_in_a_template_is_its_name_and_no_mark_of_no_kind():
    found = find.find_candidates(_templates(_letter("A"), _letter("K"), _letter("R")).sheet()).candidates
    assert sorted(c.name for c in found) == ["A", "K", "R"]
    assert [[m.kind for m in c.marks] for c in found] == [["text"]] * 3


@needs_reader
def test_circles_crosses_and_triangles_name_no_template():
    found = find.find_candidates(_templates(_ring, _cross, _triangle, _letter("B")).sheet()).candidates
    assert sorted(c.name for c in found) == ["", "", "", "B"]


def _said(*lines: tuple[str, float, float]) -> tuple[str, bool]:
    label = parse_label([TextLine(text=t, height=h, confidence=c) for t, h, c in lines])
    return label.name, label.says_cut


@pytest.mark.parametrize("letter", ["A", "J", "C2", "B12"])
def test_a_letter_above_a_cutting_note_is_the_name(letter):
    assert _said((letter, 6, 0.99), ("Cut 8", 3, 0.98)) == (letter, True)


@pytest.mark.parametrize(
    "lines",
    [
        (("I", 6, 0.99), ("Cut 8", 3, 0.98)),
        (("O", 6, 0.99), ("Cut 8", 3, 0.98)),
        (("A", 6, 0.9), ("Cut 8", 3, 0.98)),
        (("A", 2, 0.99), ("Cut 8", 3, 0.98)),
        (("A", 6, 0.99), ("D", 6, 0.99)),
    ],
    ids=["a stroke", "a circle", "unsure", "small", "two of them"],
)
def test_what_may_be_no_letter_or_is_not_the_only_one_is_no_name(lines):
    assert _said(*lines)[0] == ""


def test_words_come_before_a_letter():
    assert _said(("A", 9, 0.99), ("Star point", 4, 0.98), ("Cut 8", 3, 0.98))[0] == "Star point"
