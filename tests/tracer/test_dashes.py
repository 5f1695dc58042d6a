"""Rows of dashes are told from words; the marks are made up, with variations as measured on rendered sheets."""

from __future__ import annotations

import numpy as np

from tracer.search.dashes import printed_dashes
from tracer.search.marks_text import TextBlock


def _block(sizes: list[tuple[int, int, int]], left: int, top: int) -> tuple[TextBlock, np.ndarray]:
    """Return a block of marks of given width, height and ink, and the marks with their ink."""
    marks = np.array([[left + 14 * n, top, w, h, ink, 0] for n, (w, h, ink) in enumerate(sizes)], dtype=np.int32)
    box = (float(left), float(top), float(left + 14 * len(sizes)), float(top + 12))
    return TextBlock(box=box, glyphs=marks[:, :4], height=12.0), marks


DASHES = [(12, 5, 52), (12, 5, 50), (11, 6, 53), (11, 6, 51), (12, 5, 49), (10, 7, 52), (11, 6, 48), (12, 5, 51)]
WORD = [(10, 12, 55), (8, 9, 40), (9, 9, 42), (4, 12, 30), (9, 12, 50), (9, 9, 38)]
CAPITALS = [(9, 12, 60), (9, 12, 48), (9, 12, 66), (9, 12, 52), (9, 12, 75), (9, 12, 58)]


def _told(*rows: list[tuple[int, int, int]]) -> list[bool]:
    blocks = [_block(row, 20, 40 * k) for k, row in enumerate(rows)]
    return printed_dashes([b for b, _ in blocks], np.concatenate([m for _, m in blocks]))


def test_a_row_of_marks_all_alike_is_a_printed_line() -> None:
    assert _told(DASHES, WORD, CAPITALS) == [True, False, False]


def test_single_dashes_are_told_by_the_rows_beside_them_only() -> None:
    assert _told(DASHES, DASHES[:2]) == [True, True]
    assert _told(DASHES[:2]) == [False]
    assert _told(DASHES, [(9, 12, 60), (9, 12, 62)]) == [True, False]


def test_no_blocks_are_no_dashes() -> None:
    assert printed_dashes([], np.zeros((0, 6), np.int32)) == []
