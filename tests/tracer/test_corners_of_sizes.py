"""Corners that nested sizes have in common: one traced in two places becomes one, two stay two (invented shapes)."""

import cv2
import numpy as np
import pytest

from tests.tracer.sheet_drawing import polygon_distance_mm
from tracer.search.corners_anew import corners_anew
from tracer.search.fitted import Fitter, Laid, _turns_back
from tracer.search.pulls import Ink, Pull, pull_in_order
from tracer.search.stations import restationed, ways

MM_PER_PX = 0.1
WIDTH_MM = 0.4
SHARE = np.linspace(-1.0, 1.0, 5)
CLOSE_MM = 0.3


def shape(bevel_mm):
    """A middle size with one corner cut off by so much, and how far each of its corners moves in grading, mm."""
    if bevel_mm:
        corners = [(12 + bevel_mm, 12), (60, 10), (62, 44), (12, 46), (12, 12 + bevel_mm)]
        return np.array(corners, float), np.array([(0, 1.2), (5, 1), (5, 2), (0, 2), (0, 1.2)])
    return np.array([(12, 12), (60, 10), (62, 44), (12, 46)], float), np.array([(0, 1.2), (5, 1), (5, 2), (0, 2)])


def drawn(corners, moved):
    mask = np.zeros((900, 1200), np.uint8)
    for share in SHARE:
        line = np.rint((corners + share * moved) / MM_PER_PX * 16).astype(np.int32)
        cv2.polylines(mask, [line], True, 255, 2, cv2.LINE_8, 4)
    return Ink(mask=mask, mm_per_px=MM_PER_PX, width_mm=WIDTH_MM)


def laid(corners, moved):
    x, starts = restationed(np.concatenate([corners, moved], axis=1), np.arange(len(corners)))
    return Laid(x=x, share=SHARE, starts=starts)


def test_a_corner_that_was_traced_in_two_places_becomes_one():
    corners, moved = shape(0.0)
    two = np.insert(corners, 1, (15.0, 14.0), axis=0)
    begun = laid(two, np.insert(moved, 1, (1.0, 0.5), axis=0))
    out = Fitter(begun, drawn(corners, moved)).with_fewer_corners(begun)
    assert len(begun.starts) == 5
    assert len(out.starts) == 4
    for line, share in zip(out.lines, SHARE, strict=True):
        assert polygon_distance_mm(corners + share * moved, line).max() < CLOSE_MM


def test_lines_that_run_back_along_themselves_at_a_corner_are_told():
    corners, moved = shape(0.0)
    assert not _turns_back(laid(corners, moved))
    # The outermost line goes 4 mm beyond where its sides meet, the middle one less far.
    beyond = np.insert(corners, 2, (66.0, 10.5), axis=0)
    assert _turns_back(laid(np.insert(beyond, 3, (61.0, 11.0), axis=0), np.insert(moved, [2, 2], (0.0, 0.0), axis=0)))


def test_two_corners_stay_two_where_one_is_cut_off():
    corners, moved = shape(6.0)
    begun = laid(corners, moved)
    assert len(Fitter(begun, drawn(corners, moved)).with_fewer_corners(begun).starts) == 5


def astray(true, sides_mm):
    """All lines arrive at the second corner along their neighbours' ink, nearly one size off."""
    (first, last), corner = sides_mm, true.starts[1]
    x = true.x.copy()
    away = np.arange(len(x)) - corner
    share = np.where(away < 0, np.clip(1.0 + away / first, 0.0, 1.0), np.clip(1.0 - away / last, 0.0, 1.0))
    x[:, :2] += 0.9 * np.clip(1.6 * share, 0.0, 1.0)[:, None] * true.x[:, 2:] * (SHARE[1] - SHARE[0])
    return Laid(x=x, share=SHARE, starts=true.starts)


@pytest.mark.parametrize("twice", [False, True])
def test_a_corner_at_which_lines_arrive_astray_is_laid_anew(twice):
    corners, moved = shape(0.0)
    corners, moved = corners * 1.6, moved * 2.0
    true = laid(corners, moved)
    begun = astray(true, (40.0, 25.0))
    if twice:
        # Round two corners instead of one.
        x = np.insert(begun.x, true.starts[1], begun.x[true.starts[1] - 6], axis=0)
        starts = np.array([0, true.starts[1] - 6, *(true.starts[1:] + 1)])
        begun = Laid(x=x, share=SHARE, starts=starts)
    fitter = Fitter(begun, drawn(corners, moved))
    plain, anew = (f(begun) for f in (lambda laid: fitter.fit(laid, 18), fitter.with_corners_anew))

    def worst_mm(laid):
        sides = zip(laid.lines, SHARE, strict=True)
        return max(polygon_distance_mm(corners + share * moved, line).max() for line, share in sides)

    assert worst_mm(plain) > 1.0
    assert worst_mm(anew) < CLOSE_MM
    assert len(anew.starts) == 4


def test_corners_that_explain_their_ink_are_left_alone():
    corners, moved = shape(0.0)
    begun = laid(corners, moved)
    assert not list(corners_anew(begun.x, begun.starts, np.zeros(len(begun.x))))


def test_stations_are_even_again_between_all_corners():
    corners, moved = shape(0.0)
    x, starts = restationed(np.concatenate([corners, moved], axis=1), np.arange(4))
    assert x[starts, :2] == pytest.approx(corners)
    assert x[starts, 2:] == pytest.approx(moved)
    step = np.hypot(*np.diff(x[:, :2], axis=0).T)
    assert step == pytest.approx(np.ones(len(step)), abs=0.02)


def test_lines_laid_over_half_a_step_aside_are_pulled_to_their_own_ink_in_the_order_of_sizes():
    corners, moved = shape(0.0)
    moved = moved * (0.4, 1.0)
    true = laid(corners, moved)
    side = slice(true.starts[1] + 3, true.starts[2] - 3)
    off = true.x.copy()
    off[side, 0] += 0.7  # the lines lie a millimetre apart there
    pull = Pull(off, SHARE, ways(off, SHARE, true.starts))
    pull_in_order(pull, true.starts, drawn(corners, moved))
    asked = pull.right[side] - (pull.matrix[side] @ off[side, :, None])[..., 0]
    moves = asked[:, 0] / pull.matrix[side, 0, 0]
    assert moves == pytest.approx(-0.7, abs=0.1)
