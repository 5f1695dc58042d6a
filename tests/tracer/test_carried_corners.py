"""Corners that were carried across a hole, and bends that are found among the carried points."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tracer.curves.corners import Bend, with_sharp_points

SPACING_MM, HALF_DEG, SIGMA_MM = 0.2, 18.0, 0.15
ARM = np.array([math.cos(math.radians(HALF_DEG)), math.sin(math.radians(HALF_DEG))])
PLACES = np.arange(-100, 101)
POINTS = np.abs(PLACES)[:, None] * SPACING_MM * ARM * np.where(PLACES < 0, 1, -1)[:, None] * [1.0, 1.0]
POINTS[:, 0] = np.abs(POINTS[:, 0])
TIP = 100
SEEN = np.abs(PLACES) > 15


def bends_with(found: Bend) -> list[Bend]:
    sigma = np.where(SEEN, 0.01, SIGMA_MM)
    return with_sharp_points([found], POINTS, sigma, SEEN, (TIP,), half_width_mm=0.2, blur_mm=0.15)


def bend(away_mm: float, index: int = TIP, reach_mm: float = 2.5) -> Bend:
    point = POINTS[TIP] - np.array([away_mm, 0.0])
    return Bend(index=index, point=point, turn_rad=math.radians(150), reach_mm=reach_mm)


def test_a_bend_among_carried_points_gives_way_to_the_corner_that_they_were_carried_to() -> None:
    (kept,) = bends_with(bend(1.5))
    assert kept.point == pytest.approx(POINTS[TIP])
    assert math.degrees(abs(kept.turn_rad)) == pytest.approx(180 - 2 * HALF_DEG, abs=1.0)


def test_one_that_is_the_carried_corner_as_far_as_that_is_known_stands() -> None:
    one = bend(0.9 * SIGMA_MM / math.sin(math.radians(HALF_DEG)))
    assert bends_with(one) == [one]


def test_one_whose_points_were_seen_stands() -> None:
    one = bend(1.5, index=TIP + 20)
    assert bends_with(one) == [one]


def test_one_elsewhere_stands_beside_the_carried_corner() -> None:
    one = bend(4.0, index=TIP + 30)
    assert len(bends_with(one)) == 2
