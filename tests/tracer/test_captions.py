"""Sizes in captions of printed squares."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from calibration import CalibrateOptions, MmPoints, PxPoints, Reference, Sheet, parse_length_mm
from tests.tracer.sheet_drawing import Drawing
from tracer.captions import (
    caption_size,
    checked_by_captions,
    held_against_caption,
    rather_than_density,
    size_in_words,
    without_piece_references,
)
from tracer.job import trace_files
from tracer.pipeline import TraceOptions


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


def _with_square(
    *, side_mm: float, size: str, words: tuple[str, ...], turned: bool = False, beside: tuple[str, ...] = ()
) -> Sheet:
    """A sheet on which a square with words in it was taken for a test square of a size ('' for none that is usual)."""
    drawing = Drawing(140, 140, dpi=200)
    ring = np.array([[20, 20], [20 + side_mm, 20], [20 + side_mm, 20 + side_mm], [20, 20 + side_mm]], dtype=np.float64)
    if turned:
        half = side_mm / math.sqrt(2)
        ring = np.array([[20 + half, 20], [20 + 2 * half, 20 + half], [20 + half, 20 + 2 * half], [20, 20 + half]])
    drawing.line(ring, closed=True)
    for i, line in enumerate(beside):
        drawing.text((20, 26 + 6 * i), line, height_mm=3.6)
    for i, line in enumerate(words):
        drawing.text((20 + side_mm * 0.15, 20 + side_mm * (0.4 + 0.2 * i)), line, height_mm=3.6)
    plain = drawing.sheet()
    corners = PxPoints(np.asarray(plain.to_px(MmPoints(ring))))
    square = Reference(
        kind="square",
        size=size,
        points_px=corners,
        points_mm=MmPoints(ring),
        sigma_px=np.full(4, 0.1),
        tolerance_relative=1.0,
        outline_px=corners,
    )
    return drawing.sheet(others=(square,))


@pytest.mark.parametrize(
    ("side_mm", "size", "words", "stays"),
    [
        (50.8, "2in", ("2 in", "check"), True),
        (60.0, "", ("test square", "6 cm"), True),
        (60.0, "", ("Pocket", "cut 2"), False),
        (50.8, "2in", ("Patch", "cut 12"), False),
        (50.8, "2in", (), True),
    ],
)
def test_a_square_piece_is_told_from_a_test_square_by_its_words(side_mm, size, words, stays):
    sheet = _with_square(side_mm=side_mm, size=size, words=words)
    assert (without_piece_references(sheet, words=True).others == sheet.others) is stays


@pytest.mark.parametrize("turn_deg", [0.0, 83.0, 90.0, 180.0, 284.0])
def test_a_short_caption_is_read_whichever_way_the_square_lies(turn_deg):
    """A figure and a unit: too few letters to tell by themselves which way they run."""
    sheet = _with_square(side_mm=100.0, size="", words=("5 cm",))
    corners = np.asarray(sheet.others[0].points_px)
    middle = corners.mean(axis=0)
    turn = cv2.getRotationMatrix2D(tuple(middle.tolist()), turn_deg, 1.0)
    turn[:, 2] += 750.0 - middle
    pixels = np.asarray(cv2.warpAffine(sheet.picture.pixels, turn, (1500, 1500), borderValue=(255, 255, 255)))
    assert caption_size(pixels, PxPoints(corners @ turn[:, :2].T + turn[:, 2])) == "5cm"


def test_words_beside_a_turned_square_are_not_its_own():
    sheet = _with_square(side_mm=60.0, size="", words=(), turned=True, beside=("test square", "6 cm"))
    assert without_piece_references(sheet, words=True).others == ()


@pytest.mark.parametrize(("factor", "stays"), [(1.0, True), (1.02, True), (0.87, False), (1.2, False)])
def test_a_piece_of_the_shape_of_a_card_is_told_by_its_size(factor, stays):
    drawing = Drawing(140, 140, dpi=100)
    ring = np.array([[0.0, 0.0], [85.6, 0.0], [85.6, 53.98], [0.0, 53.98]]) * factor + 20.0
    plain = drawing.sheet()
    corners = plain.to_px(MmPoints(ring))
    card = Reference(
        kind="card",
        size="",
        points_px=corners,
        points_mm=MmPoints(ring / factor),
        sigma_px=np.full(4, 0.1),
        tolerance_relative=0.001,
        outline_px=corners,
    )
    sheet = drawing.sheet(others=(card,))
    assert (without_piece_references(sheet, words=False).others == sheet.others) is stays


def test_without_words_a_square_of_no_usual_size_is_a_piece():
    sheet = _with_square(side_mm=60.0, size="", words=())
    assert without_piece_references(sheet, words=False).others == ()


@pytest.mark.parametrize(
    ("said", "words", "told"),
    [
        ("2in", ("test square", "1 in"), ["size-contradicted"]),
        ("5cm", ("test square", "2 in"), ["size-contradicted"]),
        ("2in", ("test square", "5.08 cm"), []),
        ("2in", ("test square",), []),
    ],
)
def test_a_square_that_sets_the_scale_and_says_another_size_is_told(said, words, told):
    sheet = _with_square(side_mm=50.8, size=said, words=words)
    held = held_against_caption(replace(sheet, reference=sheet.others[0]))
    assert [f.code for f in held.findings] == told


@pytest.mark.parametrize(
    ("words", "size"),
    [
        (("5 cm",), "5cm"),
        (("test square", "5 cm"), "5cm"),
        (('2" x 2"',), '2"'),
        (("6 cm",), None),
        (("test square",), None),
        (("Patch 4", "2 in"), None),
        (("cut 4", "2 in"), None),
    ],
)
def test_a_captioned_square_is_believed_rather_than_the_density_and_a_patch_is_not(words, size):
    """The square is 60 mm wide by the stated density."""
    told = rather_than_density(_with_square(side_mm=60.0, size="", words=words))
    assert (None if told is None else told[1]) == size


def test_a_square_that_the_density_alone_sized_is_believed_by_its_caption():
    sheet = _with_square(side_mm=50.8, size="2in", words=("1 in",))
    (square,), density = sheet.others, sheet.reference
    told = rather_than_density(replace(sheet, reference=square, others=(density,)))
    assert told is not None
    assert told[1] == "1in"
    # What else is there was of a size of its own.
    assert rather_than_density(replace(sheet, reference=square, others=(density, replace(square, kind="card")))) is None


@pytest.mark.parametrize("crossed", [False, True], ids=["plain", "crossed by a crease"])
def test_a_scan_with_a_wrong_density_and_a_captioned_square_has_the_scale_of_the_square(tmp_path, crossed):
    drawing = Drawing(140, 140, dpi=200)
    drawing.line([[20, 20], [70, 20], [70, 70], [20, 70]], closed=True)
    drawing.text((35, 47), "5 cm")
    drawing.line([[80, 80], [130, 80], [130, 110], [80, 110]], closed=True)
    if crossed:
        drawing.line([[10, 52], [100, 63]], width_mm=0.4, colour=(190, 188, 182))
    Image.fromarray(drawing.pixels()).save(tmp_path / "scan.png", dpi=(240, 240))
    pattern = trace_files(
        [tmp_path / "scan.png"],
        tmp_path / "job",
        calibrate_options=CalibrateOptions(),
        trace_options=TraceOptions(words=True),
    )
    sheet = pattern.sheets[0]
    assert (sheet.reference, sheet.reference_size) == ("square", "5cm")
    assert "density-contradicted" in {f.code for f in sheet.warnings}
    assert sheet.mm_per_px == pytest.approx(25.4 / 200, rel=1e-3)


@pytest.mark.parametrize(
    ("size", "words", "told"),
    [
        ("", ("5 cm",), ["references-disagree"]),
        ("", ("48.5 mm",), []),
        ("", ("Patch", "5 cm"), []),
        ("5cm", ("2 in",), ["references-disagree"]),
        ("5cm", ("5 cm",), []),
    ],
)
def test_a_second_square_is_held_against_the_scale_by_its_caption(size, words, told):
    """A square of 48.5 mm, where the scale comes from something else."""
    sheet = checked_by_captions(_with_square(side_mm=48.5, size=size, words=words))
    assert [f.code for f in sheet.findings] == told
    if told:
        named = "2in" if size else "5cm"
        assert [(c.kind, c.size) for c in sheet.cross_checks] == [("square", named)]
        assert named in sheet.findings[0].message
        assert "stated density" in sheet.findings[0].message
