"""Printed lines that hang on a thing are cut off it, points of the thing are not (shapes invented here)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tracer.search.spurs import without_spurs

PER_PX = 0.125
SIDE = np.array([(150, 150), (330, 130), (350, 330), (170, 340)])


def thing(*more: NDArray[np.integer]) -> NDArray[np.uint8]:
    """A card with further parts, each a polygon or a line of two ends that is 3 px broad."""
    region = np.zeros((500, 500), np.uint8)
    cv2.fillPoly(region, [SIDE.astype(np.int32)], 1)
    for part in more:
        if len(part) == 2:
            cv2.line(region, tuple(int(v) for v in part[0]), tuple(int(v) for v in part[1]), 1, 3)
        else:
            cv2.fillPoly(region, [part.astype(np.int32)], 1)
    return region


def parted(region: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return without_spurs(region, PER_PX, np.zeros((*region.shape, 3), np.uint8), None)


@pytest.mark.parametrize("way", [(-45, -80), (-20, -95), (60, -75), (40, 80)])
def test_a_slanting_line_that_leaves_a_corner_is_no_point_of_the_thing(way: tuple[int, int]) -> None:
    # A corner of grey card had been led 12 mm along such a line, whose colour was nearly its own.
    line = np.array([SIDE[0] + 2, SIDE[0] + np.array(way)]) if way[1] < 0 else np.array([SIDE[2] - 2, SIDE[2] + way])
    left = parted(thing(line))
    assert np.count_nonzero(left != thing()) < 60


def test_a_line_that_leaves_a_side_is_none_either() -> None:
    left = parted(thing(np.array([(240, 142), (250, 40)])))
    assert np.count_nonzero(left != thing()) < 60


@pytest.mark.parametrize("base", [7, 12])
def test_a_thin_point_stays(base: int) -> None:
    way = np.array([-0.5, -0.87])
    aside = np.array([0.87, -0.5]) * base / 2
    foot = SIDE[0] + 4
    point = np.rint([foot + aside, foot + 110 * way, foot - aside]).astype(np.int64)
    whole = thing(point)
    assert np.array_equal(parted(whole), whole)
