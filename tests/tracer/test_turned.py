"""Packed sizes that were taken in reversed order are turned round where that fits better (invented shapes)."""

import cv2
import numpy as np
import pytest

from tests.tracer.sheet_drawing import polygon_distance_mm
from tracer.search import fitted
from tracer.search.fitted import fit_to_ink
from tracer.search.pulls import Ink
from tracer.search.turned import turned_packs

MM_PER_PX = 0.13
STEP_MM = 1.0
CLOSE_MM = 0.5
COUNT = 5
WIDTH_MM = 0.4
APART_MM, CROSSED_MM = (0.45, 0.15), (0.3, -0.2)
"""How far neighbouring waists lie apart at the fold and at the side seam; below nought they cross in between."""


def corners(rank, apart_mm, turn=1.0):
    """Half a skirt on a fold: the waists are packed, and the sizes grade to the right."""
    g = rank - 2
    fold, side = (turn * mm * g for mm in apart_mm)
    return np.array([(12, 14 + fold), (60 + 4 * g, 9 + side), (64 + 4 * g, 44 + 2 * g), (12, 46 + 2 * g)])


def even(points, like):
    """Places in even shares of every side, and which of them are the corners."""
    counts = [round(np.hypot(*(b - a)) / STEP_MM) for a, b in zip(like, np.roll(like, -1, axis=0), strict=True)]
    sides = zip(points, np.roll(points, -1, axis=0), counts, strict=True)
    heads = np.concatenate([[0], np.cumsum(counts)[:-1]])
    return np.concatenate([a + (b - a) * np.arange(n)[:, None] / n for a, b, n in sides]), heads


def drawn(apart_mm):
    mask = np.zeros((440, 620), np.uint8)
    for k in range(COUNT):
        line = np.rint(corners(k, apart_mm) / MM_PER_PX * 16).astype(np.int32)
        cv2.polylines(mask, [line], True, 255, 3, cv2.LINE_8, 4)
    return Ink(mask=mask, mm_per_px=MM_PER_PX, width_mm=WIDTH_MM)


def farthest_mm(apart_mm, turn):
    """How far off the fitted sizes are at most, beginning with waists in the right order or (-1) the reversed one."""
    like = corners(2, apart_mm)
    lines, heads = zip(*(even(corners(k, apart_mm, turn), like) for k in range(COUNT)), strict=True)
    turns = [line[heads[0]] for line in lines]
    out = fit_to_ink(
        np.array(lines), np.arange(float(COUNT)), range(COUNT), COUNT, heads[0], list(lines), drawn(apart_mm), turns
    ).lines
    true = [corners(k, apart_mm) for k in range(COUNT)]
    return max(polygon_distance_mm(o, t).max() for o, t in zip(out, true, strict=True))


@pytest.mark.parametrize("apart_mm", [APART_MM, CROSSED_MM])
def test_waists_in_reversed_order_are_turned_round(apart_mm):
    assert farthest_mm(apart_mm, -1.0) < CLOSE_MM


def test_waists_in_the_right_order_are_left_in_it():
    assert farthest_mm(CROSSED_MM, 1.0) < CLOSE_MM


def test_without_turning_them_round_they_stay_as_they_were_taken(monkeypatch):
    monkeypatch.setattr(fitted, "turned_packs", lambda *_: iter(()))
    assert farthest_mm(APART_MM, -1.0) > 2.0 * CLOSE_MM


def test_a_pack_that_is_turned_round_takes_the_same_place_and_its_corners_stay_on_the_lines_beside_it():
    true = corners(2, (0.4, 0.3))
    line, heads = even(true, true)
    moved = even(corners(3, (0.4, 0.3)), true)[0] - line
    x = np.concatenate([line, 2.0 * moved], axis=1)
    share = np.array([-1.0, -0.4, 0.3, 1.0, 1.7])  # the outermost size was not among those followed
    turned = next(turned_packs(x, share, heads, 0, WIDTH_MM))

    def aside(grading, station, a, b):
        """How far aside of the way from one corner to another each size lies at a station, mm."""
        way = true[b] - true[a]
        at = grading[station, :2] + share[:, None] * grading[station, 2:] - true[a]
        return (way[0] * at[:, 1] - way[1] * at[:, 0]) / np.hypot(*way)

    middle, beside = heads[1] // 2, (heads[1] + heads[2]) // 2
    before = aside(x, middle, 0, 1)
    assert aside(turned, middle, 0, 1) == pytest.approx(before[0] + before[-1] - before, abs=0.02)
    for station in (heads[1], beside):
        assert aside(turned, station, 1, 2) == pytest.approx(aside(x, station, 1, 2), abs=0.02)


def test_a_pack_all_of_whose_lines_lie_on_each_other_has_no_order():
    true = corners(2, (0.0, 0.0))
    line, heads = even(true, true)
    x = np.concatenate([line, np.zeros_like(line)], axis=1)
    assert not list(turned_packs(x, np.linspace(-1, 1, COUNT), heads, 0, WIDTH_MM))
