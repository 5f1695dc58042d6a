"""A print of our own pages is measured like any other scan; what is drawn on them can be told apart."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path as FilePath

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from calibration import CalibrateOptions, parse_request
from tests.random_pieces import random_piece
from tracer.checking import measure_file
from tracer.files.check import check_outlines
from tracer.files.drawing import Drawing, drawn_piece, single_drawing
from tracer.files.hand_over import WriteOptions
from tracer.files.pdf import pdf_page
from tracer.files.png import png_picture
from tracer.files.svg import svg_document
from tracer.path import OpenPath, Path
from tracer.piece import Mark, Piece

PRINTED_MM = 0.1  # a scan at 200 dpi has pixels of 0.127 mm; lines are found to a small share of one


def bridged() -> Piece:
    """A piece whose notches reach from the cutting line to the stitching line, as ours do after an allowance."""
    outline = Path.polygon([(0, 0), (110, 0), (90, 80), (20, 80)])
    sewn = OpenPath.polyline([(12, 8), (98, 8), (83, 72), (26, 72), (12, 8)])
    notches = [OpenPath.polyline([(60, 0), (60, 8)]), OpenPath.polyline([(50, 80), (50, 72)])]
    marks = (Mark(kind="internal line", path=sewn), *(Mark(kind="notch", path=n) for n in notches))
    return replace(random_piece(np.random.default_rng(3), 1), outline=outline, marks=marks)


@pytest.mark.parametrize("printed_at", [1.0, 0.97])
def test_a_print_whose_notches_divide_the_outline_is_measured_by_its_outer_line(
    tmp_path: FilePath, printed_at: float
) -> None:
    page = pypdfium2.PdfDocument(pdf_page(single_drawing(bridged())))[0]
    scan = page.render(scale=200 / 72 * printed_at).to_pil().convert("L")
    scan.save(tmp_path / "print.png", dpi=(200, 200))
    measured = measure_file(
        tmp_path / "print.png", calibrate_options=CalibrateOptions(request=parse_request("dpi=200"))
    )
    result = check_outlines(measured.outlines, [bridged()])
    assert result.missing == ()
    assert result.ratio == pytest.approx(printed_at, abs=0.001)
    if printed_at == 1.0:
        assert [c.agreement.p95_mm < PRINTED_MM for c in result.pieces] == [True]
    else:
        assert "fit to page" in result.ratio_words


def test_stitching_lines_are_dashed_and_cutting_lines_are_not() -> None:
    piece = replace(bridged(), marks=(Mark(kind="stitching line", path=OpenPath.polyline([(20, 20), (60, 20)])),))
    drawing = single_drawing(piece)
    document = svg_document(drawing)
    assert re.search(r'<g id="[^"]*-stitching" class="stitching" stroke-dasharray="4 2">', document)
    assert "dasharray" not in svg_document(drawing, outlines_only=True)
    picture = np.asarray(pypdfium2.PdfDocument(pdf_page(drawing))[0].render(scale=300 / 72).to_pil().convert("L"))
    row = round((5 + 20) / 25.4 * 300)  # the margin, and the line's height
    line = picture[row - 3 : row + 4, round(30 / 25.4 * 300) : round(60 / 25.4 * 300)].min(axis=0)
    assert 0.1 < (line > 200).mean() < 0.5


def test_words_stay_inside_a_narrow_piece() -> None:
    narrow = replace(
        bridged(),
        outline=Path.polygon([(0, 0), (20, 0), (20, 80), (0, 80)]),
        marks=(Mark(kind="text", at=(10.0, 40.0), text="cut 2 (1 pair), interfacing"),),
    )
    (text,) = drawn_piece(narrow).texts
    assert text.height_mm == 1.5
    short = replace(narrow, marks=(Mark(kind="text", at=(10.0, 40.0), text="Strap"),))
    assert drawn_piece(short).texts[0].height_mm == 4.0


def test_a_picture_of_a_lay_leaves_room_round_pieces_that_lie_on_its_border(tmp_path: FilePath) -> None:
    piece = drawn_piece(replace(bridged(), marks=()))
    on_border = Drawing(title="lay-1", pieces=(piece,), frame=piece.outline.bounds)
    (tmp_path / "lay.png").write_bytes(png_picture(on_border, pixels_per_inch=150))
    with Image.open(tmp_path / "lay.png") as picture:
        alpha = np.asarray(picture.getchannel("A"))
    border = np.concatenate([alpha[0], alpha[-1], alpha[:, 0], alpha[:, -1]])
    assert not border.any()
    measured = measure_file(tmp_path / "lay.png", calibrate_options=CalibrateOptions())
    result = check_outlines(measured.outlines, [bridged()])
    assert [c.agreement.p95_mm < PRINTED_MM for c in result.pieces] == [True]


def test_tiles_and_the_projector_page_need_no_further_word_to_be_written() -> None:
    assert WriteOptions(kinds=("svg",), paper="A4").kinds == ("svg", "pdf")
    assert WriteOptions(kinds=("dxf",), projector=True).kinds == ("dxf", "pdf")
    assert WriteOptions(kinds=("svg",)).kinds == ("svg",)
