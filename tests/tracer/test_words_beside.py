"""Which text is worth reading: what a mat has printed on it beside a sheet is no label of a piece."""

import numpy as np
import pytest

from tracer.search.find import on_pieces
from tracer.search.marks_text import TextBlock
from tracer.search.pieces import Found, Stretch

SHEET = np.array([(100, 100), (900, 100), (900, 700), (100, 700)], dtype=float)
PIECE = np.array([(200, 200), (600, 200), (600, 500), (200, 500)], dtype=float)


def text(x: int, y: int) -> TextBlock:
    glyphs = np.array([(x, y, 8, 10), (x + 12, y, 8, 10)], dtype=np.int32)
    return TextBlock(box=(x, y, x + 20, y + 10), glyphs=glyphs, height=10.0)


def piece(ring: np.ndarray) -> Found:
    stretch = Stretch(points=ring, edge=0, given_back=False)
    return Found(stretches=(stretch,), block=(0,), loop=0, area=1.0, mass=1.0)


ON_PIECE, ON_SHEET, BESIDE = text(300, 300), text(700, 600), text(20, 300)
ALL = [ON_PIECE, ON_SHEET, BESIDE]


def test_figures_of_a_mat_beside_the_sheet_of_drawn_pieces_are_not_read():
    assert on_pieces(ALL, [], [SHEET], [piece(PIECE)]) == [ON_PIECE, ON_SHEET]


@pytest.mark.parametrize("papers", [[], [SHEET]])
def test_all_text_is_read_where_a_piece_lies_on_no_known_sheet(papers):
    assert on_pieces(ALL, [], papers, [piece(PIECE), piece(PIECE + [700, 0])]) == ALL


def test_beside_things_cut_out_only_what_stands_on_them_is_read():
    assert on_pieces(ALL, [PIECE], [], []) == [ON_PIECE]
