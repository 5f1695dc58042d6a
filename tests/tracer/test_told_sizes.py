"""Sizes are told from each other by how much better their course explains the ink than any other (invented shapes)."""

import cv2
import numpy as np
import pytest

from tests.tracer.test_turned import COUNT, corners, even
from tracer.search.bundles import unseen_mm
from tracer.search.closing import Part
from tracer.search.fitted import Fitted, fit_to_ink
from tracer.search.pulls import Ink

MM_PER_PX = 0.08


def fitted(apart_mm: tuple[float, float]) -> Fitted:
    """Five waists so far apart at the fold and at the side seam, drawn with lines of 0.4 mm, and traced right."""
    mask = np.zeros((720, 1010), np.uint8)
    for k in range(COUNT):
        line = np.rint(corners(k, apart_mm) / MM_PER_PX * 16).astype(np.int32)
        cv2.polylines(mask, [line], True, 255, 3, cv2.LINE_8, 4)
    like = corners(2, apart_mm)
    lines, heads = zip(*(even(corners(k, apart_mm), like) for k in range(COUNT)), strict=True)
    turns = [line[heads[0]] for line in lines]
    ink = Ink(mask=mask, mm_per_px=MM_PER_PX, width_mm=0.4)
    return fit_to_ink(np.array(lines), np.arange(5.0), range(COUNT), COUNT, heads[0], list(lines), ink, turns)


def test_a_pack_whose_order_shows_at_its_corners_is_told():
    out = fitted((0.45, 0.15))
    assert not out.doubtful.any()
    assert out.told.mean() > 0.9


def test_where_the_reversed_order_explains_the_ink_as_well_it_is_in_doubt():
    out = fitted((0.4, -0.4))  # the same ink, whichever size lies above at the fold
    waist = int(np.hypot(*(corners(2, (0.4, -0.4))[1] - corners(2, (0.4, -0.4))[0])))
    assert out.doubtful[:waist].all()
    assert not (out.told & out.doubtful).any()
    assert out.told.mean() > 0.6


@pytest.mark.parametrize(("told", "unseen"), [(True, 0.0), (None, 10.0), (False, 20.0)])
def test_only_what_the_ink_leaves_open_is_said_to_be_unseen(told, unseen):
    wide = np.zeros((40, 300), bool)
    wide[:, :100] = True  # lines run together over the first half of the way
    points = np.stack([np.arange(201.0), np.full(201, 20.0)], axis=1)
    graded = Part(points=points, kind="graded", white_mm=0.0, sure=False, told=told)
    seen = Part(points=points + [0, 5], kind="single", white_mm=0.0)
    assert unseen_mm([seen, graded], wide, 0.1) == pytest.approx(unseen, abs=0.2)


def test_where_much_ink_is_left_without_a_line_the_lines_are_in_doubt(monkeypatch):
    def ink_left(_, lines):
        left = np.zeros(lines.shape[1])
        left[60:75] = 2.0
        return left

    monkeypatch.setattr("tracer.search.fitted.turned_packs", lambda *_: iter(()))
    monkeypatch.setattr("tracer.search.fitted.Grain.without_line_mm", ink_left)
    out = fitted((0.45, 0.15))
    assert out.doubtful[62:73].all()
    assert not out.doubtful[100:].any()
