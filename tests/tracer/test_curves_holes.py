"""Short holes beside the ends of notches: what is seen on both sides of the hole is one arm, not two."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.picture import MmPoints
from tests.oracles import compare_corners, distance_between
from tracer.curves.fit import fit_closed
from tracer.path import Path

SPACING_MM, SIGMA_MM, WORST_MM = 0.27, 0.05, 0.3
NOTCH = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 60.0], [53.0, 60.0], [46.0, 32.0], [35.0, 60.0], [0.0, 60.0]])
TIP = 4


@pytest.mark.parametrize("after", [2, 3, 4, 6])
def test_a_short_hole_beside_the_end_of_a_notch_tears_nothing(after: int) -> None:
    truth = Path.polygon(NOTCH)
    points, normals = (np.array(a) for a in truth.oriented().sample(SPACING_MM))
    rng = np.random.default_rng(after)
    points += normals * rng.normal(0.0, 0.02, len(points))[:, None]
    # The light shows no edge where the arms are closer together than the blur: the end is rounded off.
    points = points[np.hypot(*(points - NOTCH[TIP]).T) > 0.7]
    tip = int(np.argmin(np.hypot(*(points - NOTCH[TIP]).T)))
    valid = np.ones(len(points), dtype=bool)
    valid[tip + after : tip + after + 2] = False
    path = fit_closed(MmPoints(points), SIGMA_MM, valid, blur_mm=0.25).path
    assert path.node_count == len(NOTCH)
    assert compare_corners(path.segments, truth.segments).invented == 0
    assert distance_between(path.segments, truth.segments).worst_mm < WORST_MM


@pytest.mark.parametrize("after", [13, 16])
def test_the_arm_of_a_hole_a_little_beyond_a_corner_is_told_by_what_is_seen_between(after: int) -> None:
    # An arm of two dozen points reached round the corner, and the side was dented by 0.9 mm.
    ring = 70.0 * np.stack([np.cos(np.arange(6) * np.pi / 3), np.sin(np.arange(6) * np.pi / 3)], axis=1)
    truth = Path.polygon(ring)
    points, normals = (np.array(a) for a in truth.oriented().sample(0.36))
    points += normals * np.random.default_rng(after).normal(0.0, 0.03, len(points))[:, None]
    corner = int(np.argmin(np.hypot(*(points - ring[2]).T)))
    valid = np.ones(len(points), dtype=bool)
    valid[corner + after : corner + after + 16] = False
    points[~valid] += normals[~valid] * 0.3
    path = fit_closed(MmPoints(points), 0.07, valid, blur_mm=0.25).path
    assert path.node_count == len(ring)
    assert distance_between(path.segments, truth.segments).worst_mm < WORST_MM / 2


@pytest.mark.parametrize("lean_mm", [0.06, -0.06])
def test_an_arm_between_two_holes_goes_on_as_the_line_does_beyond_them(lean_mm: float) -> None:
    """Something light beside the line draws the last readable points before a dart's end aside."""
    dart = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 52.0], [66.0, 60.0], [90.0, 68.0], [90.0, 120.0], [0.0, 120.0]])
    tip = dart[3]
    truth = Path.polygon(dart)
    points, normals = (np.array(a) for a in truth.oriented().sample(0.18))
    points += normals * np.random.default_rng(1).normal(0.0, 0.01, len(points))[:, None]
    away = np.hypot(*(points - tip).T)
    upper = points[:, 1] < tip[1]
    leaning = upper & (away > 2.6) & (away < 5.4)
    points[leaning] += normals[leaning] * (lean_mm * (5.4 - away[leaning]) / 2.8)[:, None]
    valid = (away > 2.6) & ~((away > 5.4) & (away < 6.8) & upper)
    path = fit_closed(MmPoints(points), 0.01, valid, half_width_mm=0.2, blur_mm=0.15).path
    corners = compare_corners(path.segments, truth.segments)
    assert (corners.found, corners.invented) == (len(dart), 0)
    assert distance_between(path.segments, truth.segments).worst_mm < 0.25
