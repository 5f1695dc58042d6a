"""A size's line that was not seen by itself lies where the grading of the others puts it (invented shapes)."""

from itertools import pairwise

import numpy as np
import pytest

from tracer.search.closing import Part, SizeLoop
from tracer.search.grading import graded

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
