"""Loops in which an outline crosses itself are cut off; what does not cross itself stays as it is."""

import numpy as np
import pytest

from tracer.uncrossed import without_loops

SQUARE = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 40.0], [0.0, 40.0]])
SIDES = np.concatenate(
    [a + np.linspace(0, 1, 41)[:-1, None] * (b - a) for a, b in zip(SQUARE, np.roll(SQUARE, -1, axis=0), strict=True)]
)
STRAY = np.array([[14.0, -3.0], [11.0, -7.0], [9.0, -4.0], [10.0, 1.0], [13.0, 1.0]])
"""Out across the upper side, back, in across it again and along it once more."""


@pytest.mark.parametrize("start", [0, 10, 16, 18, 100])
def test_a_stray_that_comes_back_across_the_outline_is_cut_off(start: int) -> None:
    line = np.roll(np.insert(SIDES, 16, STRAY, axis=0), -start, axis=0)
    mended = without_loops(line, longest=20)
    assert mended[:, 1].min() >= 0.0
    assert len(SIDES) - len(STRAY) <= len(mended) < len(line)
    for corner in SQUARE:
        assert np.hypot(*(mended - corner).T).min() == 0.0


def test_a_notch_that_does_not_cross_itself_stays() -> None:
    notch = np.array([[15.6, 3.0], [15.7, 8.0], [15.9, 3.0]])
    line = np.insert(SIDES, 16, notch, axis=0)
    assert np.array_equal(without_loops(line, longest=20), line)


def test_a_way_around_that_is_longer_than_asked_for_is_no_loop() -> None:
    eight = np.stack([np.sin(np.arange(200) * np.pi / 100), np.sin(np.arange(200) * np.pi / 50)], axis=1)
    assert np.array_equal(without_loops(eight, longest=40), eight)


def test_the_fewest_points_stay() -> None:
    assert np.array_equal(without_loops(SQUARE, longest=80), SQUARE)
