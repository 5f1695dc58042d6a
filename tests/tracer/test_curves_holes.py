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
