"""Sizes in captions of printed squares."""

from __future__ import annotations

import pytest

from calibration import parse_length_mm
from tracer.captions import size_in_words


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("test square 50 mm", 50.0),
        ("5cm", 50.0),
        ("TEST SQUARE 5 x 5 cm", 50.0),
        ("1 inch", 25.4),
        ('1" x 1"', 25.4),
        ("1 in / 2.54 cm", 25.4),
        ("this square is 2 inches", 50.8),
        ("10,0 cm", 100.0),
        ("1 1/2 in", 38.1),
    ],
)
def test_a_caption_tells_the_size(text: str, mm: float) -> None:
    size = size_in_words(text)
    assert size is not None
    assert parse_length_mm(size) == pytest.approx(mm)


@pytest.mark.parametrize(
    "text", ["", "test square", "cut 2", "inner 1 in, outer 4 cm", "3/8 in allowance", "5", "900 cm"]
)
def test_no_size_is_made_up(text: str) -> None:
    assert size_in_words(text) is None
