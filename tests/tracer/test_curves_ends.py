"""The end of a notch that is known badly lies where its arms meet; a round that is seen well stays one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.picture import MmPoints
from tests.oracles import compare_corners, distance_between
from tracer.curves.corners import find_bends
from tracer.curves.fit import fit_closed
from tracer.path import Path

SPACING_MM, BLUR_MM = 0.29, 0.31
"""A pixel of a photo of 24x36 in at 12 megapixels, and how far its edges are blurred."""
NOTCH = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 60.0], [53.0, 60.0], [46.0, 32.0], [35.0, 60.0], [0.0, 60.0]])
TIP = 4
WORST_MM = 0.3
"""Half of what a photo of a mat may be off anywhere."""


def _rounded(radius_mm: float) -> NDArray[np.float64]:
    """The piece with the end of its notch rounded off."""
    before, tip, after = NOTCH[TIP - 1 : TIP + 2]
    u, v = ((end - tip) / np.hypot(*(end - tip)) for end in (before, after))
    half = math.acos(float(u @ v)) / 2
    centre = tip + (u + v) / np.hypot(*(u + v)) * radius_mm / math.sin(half)
    first, last = (tip + way * radius_mm / math.tan(half) - centre for way in (u, v))
    turn = math.atan2(first[0] * last[1] - first[1] * last[0], float(first @ last))
    c, s = np.cos(np.linspace(0, turn, 30)), np.sin(np.linspace(0, turn, 30))
    arc = centre + np.stack([c * first[0] - s * first[1], s * first[0] + c * first[1]], axis=1)
    return np.concatenate([NOTCH[:TIP], arc, NOTCH[TIP + 1 :]])


def _evidence(ring: NDArray[np.float64], noise_mm: float, seed: int) -> NDArray[np.float64]:
    closed = np.concatenate([ring, ring[:1]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(0.0, way[-1], SPACING_MM)
    points = np.stack([np.interp(at, way, closed[:, k]) for k in (0, 1)], axis=1)
    return points + np.random.default_rng(seed).normal(0.0, noise_mm, points.shape)


@pytest.mark.parametrize("seed", range(4))
def test_the_end_of_a_notch_that_is_known_badly_lies_where_its_arms_meet(seed: int) -> None:
    # In shadow, between arms that come near each other, the light shows a round 1.7 mm short of the end.
    truth = Path.polygon(NOTCH)
    points = _evidence(_rounded(0.8), 0.07, seed)
    sigma = np.where(np.hypot(*(points - NOTCH[TIP]).T) < 5.0, 0.6, 0.2)
    path = fit_closed(MmPoints(points), sigma, blur_mm=BLUR_MM).path
    corners = compare_corners(path.segments, truth.segments)
    assert (corners.missed, corners.invented) == (0, 0)
    assert distance_between(path.segments, truth.segments).worst_mm < WORST_MM


def test_a_round_that_is_seen_well_stays_round() -> None:
    round_ring = _rounded(1.0)
    path = fit_closed(MmPoints(_evidence(round_ring, 0.01, 0)), 0.02, blur_mm=BLUR_MM).path
    assert distance_between(path.segments, Path.polygon(round_ring).segments).worst_mm < 0.1


def test_a_corner_between_edges_known_too_badly_for_short_arms_is_found_by_long_ones() -> None:
    # Red card on a red mat: only halved colours tell the edge, softly, and their noise runs along it.
    truth = Path.polygon(np.array([[0.0, 0.0], [60.0, -18.0], [72.0, 30.0], [8.0, 44.0]]))
    points = _evidence(np.array([s[0] for s in truth.segments]), 0.08, 2)
    path = fit_closed(MmPoints(points), 0.35, blur_mm=0.6).path
    corners = compare_corners(path.segments, truth.segments)
    assert (corners.missed, corners.invented) == (0, 0)
    assert distance_between(path.segments, truth.segments).worst_mm < WORST_MM


@pytest.mark.parametrize("seed", range(12))
def test_a_blunt_corner_of_a_broad_line_is_found_wherever_its_points_lie(seed: int) -> None:
    """Between arms of a broad line the turn seems the same for some way: where it is largest may lie off the corner."""
    rng, spacing, turn = np.random.default_rng(seed), 0.0635, math.radians(30.0)
    along = np.arange(-10.0, 10.0, spacing) + rng.uniform(0.0, spacing)
    after = np.array([math.cos(turn), math.sin(turn)])
    points = np.where(along[:, None] < 0, along[:, None] * np.array([1.0, 0.0]), along[:, None] * after)
    points = points + rng.normal(0.0, 0.003, points.shape)
    # What is rounded by the line's own width was not seen, and carried on from both sides.
    seen, known = np.abs(along) > 0.5, np.full(len(along), 0.003)
    bends = find_bends(points, known, seen, known, spacing_mm=spacing, half_width_mm=0.3, blur_mm=0.05, closed=False)
    assert [float(np.hypot(*b.point)) < 0.02 for b in bends] == [True]
