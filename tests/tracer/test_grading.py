"""A size's line that was not seen by itself lies where the grading of the others puts it (invented shapes)."""

from itertools import pairwise

import cv2
import numpy as np
import pytest

from tracer.search.closing import Part, SizeLoop
from tracer.search.grading import graded
from tracer.search.pulls import Ink

MM_PER_PX = 0.1
UNEVEN = (0.0, 4.0, 8.0, 13.0, 18.0)
"""Steps of grading, mm: the larger sizes grow by more, as is common practice."""


def corners(g):
    return np.array([(20, 30 - 0.3 * g), (90 + 0.4 * g, 24 - 0.5 * g), (110 + g, 120 + 0.2 * g), (20, 126 + 0.2 * g)])


def way(*points):
    legs = [np.linspace(a, b, max(2, int(np.hypot(*(b - a)) * 4))) for a, b in pairwise(points)]
    return np.concatenate([legs[0], *(leg[1:] for leg in legs[1:])]) / MM_PER_PX


def size(rank, wrong_mm=0.0):
    """One size; with its second corner so far off, unseen from 6 mm before to 6 mm behind it."""
    a, b, c, d = corners(UNEVEN[rank])
    before, behind = b + 6 * (a - b) / np.hypot(*(a - b)), b + 6 * (c - b) / np.hypot(*(c - b))
    hidden = way(before, b + [-wrong_mm, wrong_mm], behind)
    parts = (
        Part(points=way(behind, c, d, a, before), kind="single", white_mm=0.0),
        Part(points=hidden, kind="common", white_mm=0.0, sure=False),
    )
    return SizeLoop(parts=parts, chains=frozenset({rank}), own=1.0, area=1.0, rank=rank)


def farthest(loop, true):
    """How far a line's points lie from the true closed polygon, mm, at most."""
    points = loop.points * MM_PER_PX
    away = np.full(len(points), np.inf)
    for a, b in zip(true, np.roll(true, -1, axis=0), strict=True):
        t = np.clip((points - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
        away = np.minimum(away, np.hypot(*(points - a - t[:, None] * (b - a)).T))
    return float(away.max())


@pytest.mark.parametrize("rank", [0, 2, 4])
def test_a_corner_that_was_not_seen_is_laid_by_the_grading_of_the_others(rank):
    loops = [size(k, 2.5 if k == rank else 0.0) for k in range(5)]
    out = graded(loops, MM_PER_PX, lambda _: 0.0)
    assert farthest(loops[rank], corners(UNEVEN[rank])) > 1.5
    assert farthest(out[rank], corners(UNEVEN[rank])) < 0.7
    assert "graded" in {p.kind for p in out[rank].parts}


def test_a_line_is_not_laid_on_bare_paper():
    loops = [size(k, 2.5 if k == 2 else 0.0) for k in range(5)]
    corner = corners(UNEVEN[2])[1] / MM_PER_PX

    def white_mm(points):
        return 40.0 if np.hypot(*(points - corner).T).min() < 1.5 / MM_PER_PX else 0.0

    out = graded(loops, MM_PER_PX, white_mm)
    assert farthest(out[2], corners(UNEVEN[2])) > 1.5


def test_two_sizes_tell_no_grading():
    loops = [size(0), size(1, 2.5)]
    assert graded(loops, MM_PER_PX, lambda _: 0.0) == loops


def packed_corners(rank):
    """Sizes whose left sides lie closer than a line is wide and cross halfway; they grade to the right."""
    g = rank - 2
    return np.array([(20 + 0.15 * g, 30), (90 + 4 * g, 30 - 1.5 * g), (110 + 4 * g, 120 + 2 * g), (20 - 0.15 * g, 120)])


def packed_size(rank, wrong_mm):
    """One size; its side in the pack was traced along another one's line and beside it, unseen by itself."""
    a, b, c, d = packed_corners(rank)
    after, before = d + 3 * (c - d) / np.hypot(*(c - d)), a + 3 * (b - a) / np.hypot(*(b - a))
    hidden = way(after, d, d + (a - d) * 0.3 + [wrong_mm, 0], d + (a - d) * 0.7 + [wrong_mm, 0], a, before)
    parts = (
        Part(points=way(before, b, c, after), kind="single", white_mm=0.0),
        Part(points=hidden, kind="common", white_mm=0.0, sure=False),
    )
    return SizeLoop(parts=parts, chains=frozenset({rank}), own=1.0, area=1.0, rank=rank)


def test_sizes_packed_closer_than_their_lines_are_wide_are_laid_by_the_borders_of_their_ink():
    true = [packed_corners(k) for k in range(5)]
    mask = np.zeros((1400, 1300), np.uint8)
    for line in true:
        cv2.polylines(mask, [np.rint(line / MM_PER_PX * 16).astype(np.int32)], True, 255, 4, cv2.LINE_8, 4)
    loops = [packed_size(k, 1.5) for k in range(5)]

    def white_mm(points):
        column, row = np.rint(points).astype(int).T
        return float((cv2.dilate(mask, np.ones((3, 3), np.uint8))[row, column] == 0).sum()) * MM_PER_PX

    out = graded(loops, MM_PER_PX, white_mm, Ink(mask=mask, mm_per_px=MM_PER_PX, width_mm=0.4), 5)
    assert min(farthest(loop, line) for loop, line in zip(loops, true, strict=True)) > 1.2
    assert max(farthest(loop, line) for loop, line in zip(out, true, strict=True)) < 0.4
    assert {"single", "graded"} == {p.kind for p in out[0].parts}
