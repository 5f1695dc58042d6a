"""The judges see what they are there to see: an error in the first, a middle and the last segment."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.picture import MmPoints, PxPoints
from fixtures.camera import pinhole
from fixtures.geometry import Curve
from tests.bench.outlines import distance_in_picture
from tests.oracles import compare_corners, dense_polygon, distance_between, distance_to_polygon
from tests.shapes import circle, polygon, rounded_rectangle

PLANTED_MM = 0.5


@pytest.mark.parametrize("where", [0, 3, 7])
def test_an_error_planted_in_any_segment_is_seen(where: int) -> None:
    truth = rounded_rectangle((0, 0), 60, 40, 6).segments
    bulge = [np.array(s) for s in truth]
    seg = bulge[where]
    a, d = seg[0], seg[-1]
    normal = np.array([-(d - a)[1], (d - a)[0]]) / np.hypot(*(d - a))
    inner = seg[1:3] if len(seg) == 4 else np.array([a + (d - a) / 3, a + (d - a) * 2 / 3])
    # Both inner control points moved by 4/3 of the error move the middle of the cubic by exactly the error.
    bulge[where] = np.vstack([a, inner + normal * PLANTED_MM * 4 / 3, d])
    for one, other in ((tuple(bulge), truth), (truth, tuple(bulge))):
        distance = distance_between(one, other, spacing_mm=0.05)
        assert distance.worst_mm == pytest.approx(PLANTED_MM, abs=distance.bound_mm + 0.01)


def test_a_spike_of_the_truth_that_the_trace_misses_counts_only_in_the_other_direction_and_is_seen() -> None:
    square = polygon((0, 0), 20, 4).segments
    spike = (*square[:-1], np.array([square[-1][0], [0.0, -35.0]]), np.array([[0.0, -35.0], square[-1][1]]))
    assert distance_between(square, spike).worst_mm > 10


def test_the_distance_agrees_with_all_pairs() -> None:
    ring = dense_polygon(circle((0, 0), 10).segments, 0.5)
    points = np.random.default_rng(1).uniform(-15, 15, (200, 2))
    a, b = ring, np.roll(ring, -1, axis=0)
    ab = b - a
    t = np.clip(((points[:, None] - a) * ab).sum(-1) / (ab * ab).sum(-1), 0, 1)
    pairs = np.linalg.norm(points[:, None] - a - t[..., None] * ab, axis=-1).min(axis=1)
    assert np.allclose(distance_to_polygon(points, ring), pairs, atol=1e-12)


def test_corners_found_missed_and_invented_are_counted() -> None:
    hexagon = polygon((0, 0), 20, 6)
    cut = np.array([s[0] for s in hexagon.segments])
    shifted = cut.copy()
    shifted[2] += [0.5, 0.0]
    extra = np.insert(cut, 1, (cut[0] + cut[1]) / 2 + [4.0, 4.0], axis=0)
    from tracer.path import Path

    assert compare_corners(hexagon.segments, hexagon.segments).found == 6
    moved = compare_corners(Path.polygon(shifted).segments, hexagon.segments)
    assert (moved.found, moved.missed, moved.invented) == (5, 1, 1)
    assert compare_corners(Path.polygon(extra).segments, hexagon.segments).invented == 1


def test_in_the_picture_a_map_that_leans_is_no_error_of_an_outline_and_a_planted_error_is_one() -> None:
    view = {"focal_px": 3300.0, "azimuth_deg": 70.0, "roll_deg": 3.0, "k1": 0.05, "k2": 0.0}
    true_camera = pinhole((0.0, 0.0, 400.0, 300.0), 4000, 3000, tilt_deg=6.0, **view)
    believed = pinhole((0.0, 0.0, 400.0, 300.0), 4000, 3000, tilt_deg=6.5, **view)
    true = Curve(tuple(np.array([a, b]) for a, b in pairwise([(90, 90), (180, 80), (190, 170), (70, 150), (90, 90)])))

    def as_laid(at: NDArray[np.float64]) -> NDArray[np.float64]:
        return believed.to_mm(true_camera.to_px(at))

    def to_mm(px: PxPoints) -> MmPoints:
        return MmPoints(believed.to_mm(px))

    fine = as_laid(true.flattened(max_step_mm=0.5))
    traced = tuple(np.stack([fine, np.roll(fine, -1, axis=0)], axis=1))
    assert distance_between(traced, true.segments).worst_mm > 0.5
    assert distance_in_picture(traced, true, true_camera, to_mm).worst_mm < 0.001
    bulged = [np.array(s) for s in traced]
    bulged[40] = np.vstack([bulged[40][0], bulged[40].mean(axis=0) + [0.0, PLANTED_MM], bulged[40][1]])[[0, 1, 1, 2]]
    # The middle of that cubic lies three quarters of the way to its control points.
    error = distance_in_picture(tuple(bulged), true, true_camera, to_mm)
    assert error.worst_mm == pytest.approx(0.75 * PLANTED_MM, rel=0.1)
    assert error.p95_mm < 0.1
