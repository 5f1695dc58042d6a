"""A ruler among the things is a reference object whether or not it sets the scale, and so is a slip with a test square.

A long strip of card is a piece, and so is a template with a small square on it.

Rulers, card and ground are invented here: ticks a millimetre or a sixteenth of an inch apart on a strip 30 mm wide.
"""

from __future__ import annotations

import numpy as np
import pytest

from calibration import MmPoints, PxPoints, Reference
from tests.tracer.sheet_drawing import Drawing
from tracer.search.find import find_candidates

CARD = np.array([[20, 20], [78, 24], [72, 66], [22, 62]], dtype=float)
AT, LONG, WIDE = np.array([15.0, 80.0]), 220.0, 30.0
ROUNDED_MM = 3.0
"""Corners of what is seen coarsely are rounded by a disc of 9 mm: by 1.9 mm, and its pixels of a third of one."""
STRIP = AT + np.array([[0, 0], [LONG, 0], [LONG, WIDE], [0, WIDE]])


def on_table(turn_rad=0.0):
    """A grey table with a piece of card and a bare strip of the colour of a ruler; returns how to turn points too."""
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)

    def turned(points):
        return (np.asarray(points) - [125, 60]) @ np.array([[cos, sin], [-sin, cos]]) + [125, 60]

    d = Drawing(250, 120, paper=(120, 122, 124))
    d.fill(turned(CARD), (170, 60, 60))
    d.fill(turned(STRIP), (228, 214, 150))
    return d, turned


def with_ticks(d, turned, step_mm, side=0.0):
    for i in range(int((LONG - 10) / step_mm)):
        x, high = 5 + i * step_mm, (7.0 if i % 10 == 0 else 5.2 if i % 5 == 0 else 3.4)
        ends = [(x, abs(side - 0.0)), (x, abs(side - high))]
        d.line(turned(AT + np.array(ends)), width_mm=0.2)


def pieces_and_objects(d, others=()):
    result = find_candidates(d.sheet(others=others), words=False)
    return len(result.candidates), [m for m in result.sheet_marks if m.kind == "reference"]


@pytest.mark.parametrize(
    ("step_mm", "side", "turn_rad"), [(1.0, 0.0, 0.0), (25.4 / 16, WIDE, 0.05), (1.0, WIDE, -0.03)]
)
def test_a_ruler_that_nothing_was_measured_by_is_an_object_and_no_piece(step_mm, side, turn_rad):
    d, turned = on_table(turn_rad)
    with_ticks(d, turned, step_mm, side)
    pieces, objects = pieces_and_objects(d)
    assert pieces == 1
    (ruler,) = objects
    assert ruler.text == "ruler"
    found = np.asarray(ruler.path.flatten(0.1))
    for corner in turned(STRIP):
        assert np.hypot(*(found - corner).T).min() < ROUNDED_MM


def test_the_ruler_that_set_the_scale_is_kept_whole():
    """The row of its ticks is known, and half of them only: the other half may lie under something."""
    d, _ = on_table()
    ticks = AT + np.column_stack([5.0 + np.arange(140), np.zeros(140)])
    px = PxPoints(ticks / d.mm_per_px - 0.5)
    row = Reference(
        kind="ruler", size="mm", points_px=px, points_mm=MmPoints(ticks), sigma_px=np.ones(140),
        tolerance_relative=0.0, outline_px=PxPoints(np.vstack([px[[0, -1]], px[[-1, 0]] + [0, 80]])),
    )  # fmt: skip
    pieces, objects = pieces_and_objects(d, others=[row])
    assert pieces == 1
    (ruler,) = objects
    assert ruler.text == "ruler mm"
    assert np.ptp(np.asarray(ruler.path.flatten(0.1)), axis=0) == pytest.approx([LONG, WIDE], abs=1.5)


def draw_nothing(d):
    pass


def draw_dashes(d):
    d.line(AT + np.array([(3, 2.0), (LONG - 3, 2.0)]), dash=(3.0, 2.0), width_mm=0.4)


def draw_stripes(d):
    for i in range(100):
        d.line(AT + np.array([(2 + 2.0 * i, 0), (2 + 2.0 * i, WIDE)]), width_mm=0.5, colour=(200, 186, 130))


@pytest.mark.parametrize("draw", [draw_nothing, draw_dashes, draw_stripes])
def test_a_long_strip_of_card_is_a_piece(draw):
    d, _ = on_table()
    draw(d)
    assert pieces_and_objects(d) == (2, [])


@pytest.mark.parametrize(("size_mm", "pieces"), [(40.0, 1), (20.0, 2)])
def test_the_slip_that_a_test_square_is_printed_on_is_no_piece_and_a_template_with_one_is(size_mm, pieces):
    d = Drawing(150, 100, paper=(120, 122, 124))
    d.fill(CARD + [60, 10], (170, 60, 60))
    slip = np.array([[12, 20], [67, 21], [66, 78], [11, 77]], dtype=float)
    d.fill(slip, (246, 244, 238))
    square = np.array([[20, 30], [20 + size_mm, 30], [20 + size_mm, 30 + size_mm], [20, 30 + size_mm]])
    d.line(square, closed=True)
    px = PxPoints(square / d.mm_per_px - 0.5)
    reference = Reference(
        kind="square", size=f"{size_mm:g}mm", points_px=px, points_mm=MmPoints(square), sigma_px=np.ones(4),
        tolerance_relative=0.0, outline_px=px,
    )  # fmt: skip
    result = find_candidates(d.sheet(others=[reference]), words=False)
    assert len(result.candidates) == pieces
    (mark,) = [m for m in result.sheet_marks if m.kind == "test square"]
    assert np.ptp(np.asarray(mark.path.flatten(0.1)), axis=0) == pytest.approx([size_mm, size_mm], abs=0.5)
    slips = [m.text for m in result.sheet_marks if m.kind == "reference"]
    assert slips == (["slip with the test square"] if pieces == 1 else [])
