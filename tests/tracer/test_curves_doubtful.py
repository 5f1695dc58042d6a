"""Curves through points that are known badly: what is doubtful calls for no node, what is sure does."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from calibration.picture import MmPoints
from tests import shapes
from tests.oracles import distance_between
from tracer.curves.fit import FitResult, fit_closed
from tracer.curves.scatter import scatter_of
from tracer.path import Path

SPACING_MM = 0.28
"""A pixel of a photo of 24x36 in at 12 megapixels."""
SURE_MM, DOUBTFUL_MM = 0.06, 0.2
"""Standard uncertainty of a point away from a mat's lines and at the end of one, nearly in the thing's own light."""
DENT_MM, DENT_POINTS = 0.35, 12
WORST_MM = 0.12

TRUTH = Path.polygon(np.array([[0.0, 0.0], [150.0, 12.0], [140.0, 90.0], [-8.0, 84.0]]))


def _fitted(dent_mm: float, sigma_mm: float, *, every_mm: float = 24.0) -> tuple[FitResult, MmPoints]:
    """Fit a piece with four straight edges, pressed in every so often; ``sigma_mm`` is what the dents state."""
    points, normals = _sampled(TRUTH)
    rng = np.random.default_rng(7)
    off, sigma = rng.normal(0.0, SURE_MM, len(points)), np.full(len(points), SURE_MM)
    step = round(every_mm / SPACING_MM)
    for first in range(step // 2, len(points) - DENT_POINTS, step):
        dent = np.arange(first, first + DENT_POINTS)
        corner = np.hypot(*(points[dent][:, None] - np.array([s[0] for s in TRUTH.segments])).transpose(2, 0, 1)).min()
        if corner > 6.0:
            off[dent] -= dent_mm * np.sin(np.linspace(0.0, np.pi, DENT_POINTS))
            sigma[dent] = sigma_mm
    given = MmPoints(points + normals * off[:, None])
    return fit_closed(given, sigma, blur_mm=0.3), given


def _sampled(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    points, normals = path.oriented().sample(SPACING_MM)
    return np.asarray(points), np.asarray(normals)


def test_dents_that_are_known_badly_call_for_no_nodes() -> None:
    fit, _ = _fitted(DENT_MM, DOUBTFUL_MM)
    assert fit.path.node_count == TRUTH.node_count
    assert distance_between(fit.path.segments, TRUTH.segments).worst_mm < WORST_MM


def test_dents_that_are_known_well_are_followed() -> None:
    fit, _ = _fitted(DENT_MM, SURE_MM)
    assert distance_between(fit.path.segments, TRUTH.segments).worst_mm > 0.6 * DENT_MM


def test_points_that_are_no_better_known_than_the_tolerance_still_give_a_smooth_outline() -> None:
    shape = shapes.ellipse((0, 0), 60, 38)
    points, normals = _sampled(shape)
    noise = np.random.default_rng(3).normal(0.0, 0.15, len(points))
    path = fit_closed(MmPoints(points + normals * noise[:, None]), 0.15, tolerance_mm=0.1, blur_mm=0.3).path
    assert path.node_count <= 1.5 * shape.node_count
    assert distance_between(path.segments, shape.segments).worst_mm < 0.15


def test_a_gentle_round_whose_points_may_all_be_off_together_is_no_corner() -> None:
    # Where its light is hardly its own an edge is known to half a millimetre, yet smooth: ten rounds had been corners.
    shape = shapes.rounded_rectangle((0, 0), 160, 110, 8)
    points, normals = _sampled(shape)
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(0.0, 0.05, len(points))
        fit = fit_closed(MmPoints(points + normals * noise[:, None]), 0.4, blur_mm=0.3)
        assert fit.corners == ()
        assert distance_between(fit.path.segments, shape.segments).worst_mm < 2 * 0.4


def test_straight_sides_that_are_known_badly_and_cut_up_by_holes_stay_lines() -> None:
    # What is led across a hole is no surer than what it is led on from: the holes had decided where nodes went.
    points, normals = _sampled(TRUTH)
    for seed in range(4):
        rng = np.random.default_rng(seed)
        slow = ndimage.gaussian_filter1d(rng.normal(0.0, 1.0, len(points)), 8.0, mode="wrap")
        off = 0.1 * slow / slow.std()
        seen = (np.arange(len(points)) // 24) % 4 > 0
        fit = fit_closed(MmPoints(points + normals * off[:, None]), 0.5, seen, blur_mm=0.3)
        assert fit.path.node_count == TRUTH.node_count
        assert distance_between(fit.path.segments, TRUTH.segments).worst_mm < 0.3


def test_scatter_is_what_points_stray_from_their_neighbours() -> None:
    points, normals = _sampled(TRUTH)
    along = np.arange(len(points)) * SPACING_MM
    off = 0.3 * np.sin(along / 8.0) + np.random.default_rng(11).normal(0.0, SURE_MM, len(points))
    seen, sigma = np.ones(len(points), dtype=bool), np.full(len(points), 0.4)
    given = points + normals * off[:, None]
    scatter = scatter_of(given, sigma, seen, spacing_mm=SPACING_MM, closed=True)
    assert np.median(scatter) == pytest.approx(SURE_MM, rel=0.15)
    # Corners are none of it, and what is known better than it scatters stays as it is.
    assert scatter.max() < 2 * SURE_MM
    assert np.array_equal(scatter_of(given, sigma / 20, seen, spacing_mm=SPACING_MM, closed=True), sigma / 20)
