"""Regularity is gentle, reported, and never forced."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from tests import shapes
from tests.oracles import distance_between
from tracer.path import Path
from tracer.regular import largest_move_mm, regularise

UNCERTAINTY_MM = 0.01


def nudged(path: Path, by_mm: float, seed: int = 0) -> Path:
    """Return a path whose nodes (with their handles) are moved at random by up to so much."""
    rng = np.random.default_rng(seed)
    moves = rng.uniform(-by_mm, by_mm, (path.node_count, 2))
    segments = []
    for k, s in enumerate(path.segments):
        a, b = moves[k], moves[(k + 1) % path.node_count]
        segments.append(s + (np.array([a, a, b, b]) if len(s) == 4 else np.array([a, b])))
    return Path(tuple(segments))


def directions(path: Path) -> np.ndarray:
    d = np.array([s[-1] - s[0] for s in path.segments if len(s) == 2])
    return np.degrees(np.arctan2(d[:, 1], d[:, 0]))


def test_a_nearly_square_piece_becomes_square_and_says_so() -> None:
    square = Path.polygon(np.array([[0, 0], [80, 0], [80, 50], [0, 50]], dtype=float))
    result = regularise(nudged(square, 0.008), uncertainty_mm=UNCERTAINTY_MM)
    turns = np.diff(directions(result.path))
    assert np.abs((turns + 45) % 90 - 45).max() < 1e-9
    assert any("square" in note for note in result.notes)
    assert distance_between(result.path.segments, square.segments).worst_mm < 0.02


def test_a_move_below_the_last_digit_is_made_but_not_spoken_of() -> None:
    square = Path.polygon(np.array([[0, 0], [80, 0], [80, 50], [0, 50]], dtype=float))
    result = regularise(nudged(square, 0.0004), uncertainty_mm=UNCERTAINTY_MM)
    turns = np.diff(directions(result.path))
    assert np.abs((turns + 45) % 90 - 45).max() < 1e-9
    assert result.notes == ()


def test_an_edge_that_is_really_askew_stays_askew() -> None:
    askew = Path.polygon(np.array([[0, 0], [80, 0], [80.4, 50], [0, 50]], dtype=float))
    result = regularise(askew, uncertainty_mm=UNCERTAINTY_MM)
    assert np.abs(directions(result.path)[1] - directions(askew)[1]) < 0.03
    assert largest_move_mm(askew, result.path) <= 2 * UNCERTAINTY_MM


def test_a_nearly_round_outline_becomes_round() -> None:
    result = regularise(nudged(shapes.circle((20, 20), 15), 0.005), uncertainty_mm=UNCERTAINTY_MM)
    assert any("round" in note for note in result.notes)
    points = np.asarray(result.path.sample(0.2)[0])
    radius = np.hypot(*(points - np.array(result.path.centroid)).T)
    assert np.ptp(radius) < 5e-4 * 15


def test_an_ellipse_is_not_made_a_circle() -> None:
    result = regularise(shapes.ellipse((20, 20), 15, 15.2), uncertainty_mm=UNCERTAINTY_MM)
    assert not any("round" in note for note in result.notes)


def test_a_cubic_that_is_straight_becomes_a_line_and_one_that_bows_does_not() -> None:
    def with_bow(bow_mm: float) -> Path:
        top = np.array([[0, 0], [20, bow_mm * 4 / 3], [40, bow_mm * 4 / 3], [60, 0]], dtype=float)
        rest = np.array([[60, 0], [60, 30], [0, 30], [0, 0]], dtype=float)
        return Path((top, *(np.array(pair) for pair in itertools.pairwise(rest))))

    straight = regularise(with_bow(-0.01), uncertainty_mm=UNCERTAINTY_MM)
    assert all(len(s) == 2 for s in straight.path.segments)
    assert any("straight" in note for note in straight.notes)
    assert any(len(s) == 4 for s in regularise(with_bow(-0.2), uncertainty_mm=UNCERTAINTY_MM).path.segments)


def test_a_nearly_symmetrical_outline_becomes_symmetrical() -> None:
    half = np.array([[0, 0], [25, 6], [30, 40], [8, 62]], dtype=float)
    kite = Path.polygon(np.vstack([half, (half * [-1, 1])[:0:-1]]))
    result = regularise(nudged(kite, 0.006, seed=4), uncertainty_mm=UNCERTAINTY_MM)
    assert any("symmetrical" in note for note in result.notes)
    mirrored = result.path.transformed(np.array([[-1.0, 0, 2 * result.path.centroid[0]], [0, 1, 0]]))
    assert largest_move_mm(result.path, mirrored) < 0.01


@pytest.mark.parametrize("seed", range(4))
def test_no_point_moves_by_more_than_the_limit_and_smooth_joins_stay_smooth(seed: int) -> None:
    path = nudged(shapes.rounded_rectangle((0, 0), 60, 40, 6), 0.004, seed)
    result = regularise(path, uncertainty_mm=UNCERTAINTY_MM)
    steps = max(1, len(result.notes))
    assert distance_between(result.path.segments, path.segments).worst_mm <= 2 * UNCERTAINTY_MM * steps + 1e-6
    assert len(result.path.corners_sharper_than(179)) <= len(path.corners_sharper_than(179))


def test_nothing_regular_nothing_said() -> None:
    sleeve = shapes.sleeve((0, 0))
    result = regularise(sleeve, uncertainty_mm=0.001)
    assert result.notes == ()
    assert result.path is sleeve


def test_the_largest_move_is_that_of_a_planted_one() -> None:
    hexagon = shapes.polygon((0, 0), 20, 6)
    points = np.array([s[0] for s in hexagon.segments])
    for k in (0, 3, 5):
        moved = points.copy()
        moved[k] *= 1 + 0.3 / math.hypot(*points[k])
        assert largest_move_mm(hexagon, Path.polygon(moved)) == pytest.approx(0.3, abs=0.06)
