"""Words in written files: none lies on another, whichever way they stood on the piece (boxes as PDFium reads them)."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path as FilePath

import numpy as np
import pytest

from calibration.intake import read_pictures
from tests.tracer.cutting.pieces import piece
from tracer.files.drawing import pieces_drawing
from tracer.files.pdf import pdf_page
from tracer.path import OpenPath, Path
from tracer.piece import Mark


def words(text: str, middle: tuple[float, float], turn_deg: float, wide_mm: float = 24.0, high_mm: float = 5.0) -> Mark:
    """Words as they are read: the box begins where they begin and goes round with the writing."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]) * [wide_mm / 2, high_mm / 2]
    box = corners @ np.array([[c, s], [-s, c]]) + middle
    return Mark(kind="text", path=OpenPath.polyline(box), at=middle, text=text)


@pytest.mark.parametrize("turn_deg", [-90.0, 90.0, 0.0, 180.0])
def test_words_that_stood_side_by_side_are_written_under_each_other_in_their_order(
    tmp_path: FilePath, turn_deg: float
) -> None:
    down = np.array([-np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))])
    said = ["Strap", "cut 2", "lining"]
    marks = [words(text, tuple(np.array([20.0, 60.0]) + 6 * k * down), turn_deg) for k, text in enumerate(said)]
    strap = piece(Path.polygon([(0, 0), (40, 0), (40, 120), (0, 120)]), name="Strap", marks=marks[::-1])
    (tmp_path / "a.pdf").write_bytes(pdf_page(pieces_drawing([strap])))
    vectors = next(read_pictures(tmp_path / "a.pdf")).vectors
    assert vectors is not None
    read = sorted(vectors.texts, key=lambda t: t.box_mm[1])
    assert [t.text for t in read] == said
    for a, b in combinations(read, 2):
        apart = np.maximum(np.array(a.box_mm[:2]) - b.box_mm[2:], np.array(b.box_mm[:2]) - a.box_mm[2:])
        assert apart.max() > 0, (a, b)


def test_words_with_room_stay_where_they_stand() -> None:
    marks = [words("Bib", (50, 30), 0), words("cut 2", (50, 60), 0)]
    (drawn,) = pieces_drawing([piece(Path.polygon([(0, 0), (100, 0), (100, 100), (0, 100)]), marks=marks)]).pieces
    assert [t.at for t in drawn.texts] == [(50, 30), (50, 60)]
