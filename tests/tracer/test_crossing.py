"""Crossings, winding numbers and nearest points against closed forms and brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.oracles import dense_polygon, distance_to_polygon
from tests.random_pieces import random_outline
from tests.shapes import circle
from tracer.crossing import crossings, line_crossings, nearest, nearest_all, self_crossings, stretch, winding_number
from tracer.path import Path
from tracer.segments import cubic, evaluate, line, segment_length

NEWTON_MM = 1e-8


def test_two_circles_cross_where_geometry_says() -> None:
    one, other = circle((0, 0), 50.0), circle((60, 0), 50.0)
    points = sorted(c.point for c in crossings(one.segments, other.segments))
    # The circles are cubics, 2.7e-4 radii from round.
    assert points == [pytest.approx((30, y), abs=0.03) for y in (-40, 40)]
    for c in crossings(one.segments, other.segments):
        a, b = evaluate(one.segments[c.i], c.t), evaluate(other.segments[c.j], c.u)
        assert np.hypot(*(a - b)) < NEWTON_MM


@pytest.mark.parametrize("tilt", [30.0, 3.0, 0.3, 0.03])
def test_a_line_across_a_curve_at_a_shallow_angle_is_found_on_both_sides(tilt: float) -> None:
    bow = [cubic((0, 0), (30, 10), (60, 10), (90, 0))]
    slope = math.tan(math.radians(tilt))
    across = [line((45 - 60, 7.5 - 0.02 - 60 * slope), (45 + 60, 7.5 - 0.02 + 60 * slope))]
    hits = crossings(bow, across)
    exact = line_crossings(bow, across[0][0], across[0][1] - across[0][0])
    assert sorted(c.t for c in hits) == pytest.approx(sorted(t for _, t, _ in exact), abs=1e-9)
    assert len(hits) == (1 if tilt > 15 else 2)


def test_a_loop_of_one_cubic_is_a_self_crossing_and_a_simple_path_has_none() -> None:
    loop = cubic((0, 0), (100, 80), (-20, 80), (80, 0))
    (hit,) = self_crossings([loop, line((80, 0), (0, 0))])
    assert (hit.i, hit.j) == (0, 0)
    assert np.hypot(*(evaluate(loop, hit.t) - evaluate(loop, hit.u))) < NEWTON_MM
    for seed in range(20):
        assert self_crossings(random_outline(np.random.default_rng(seed)).segments) == []


def test_winding_numbers_count_the_rounds() -> None:
    once = circle((0, 0), 50.0).segments
    assert winding_number(once, (3.0, 4.0)) == 1
    assert winding_number(once, (60.0, 0.0)) == 0
    assert winding_number((*once, *once), (3.0, 4.0)) == 2
    assert winding_number(circle((0, 0), 50.0).reversed().segments, (3.0, 4.0)) == -1
    eight = Path.polygon([(0, 0), (10, 10), (10, 0), (0, 10)]).segments
    assert sorted((winding_number(eight, (9, 5)), winding_number(eight, (1, 5)))) == [-1, 1]


def test_nearest_points_agree_with_brute_force() -> None:
    rng = np.random.default_rng(7)
    for seed in range(10):
        outline = random_outline(np.random.default_rng(seed), size_mm=100.0)
        points = rng.uniform(20, 180, (200, 2))
        index, t, distance = nearest_all(outline.segments, points)
        truth = distance_to_polygon(points, dense_polygon(outline.segments, 0.02))
        assert np.abs(distance - truth).max() < 1e-4
        on = np.array([evaluate(outline.segments[i], u) for i, u in zip(index, t, strict=True)])
        assert np.abs(np.hypot(*(on - points).T) - distance).max() < 1e-12
    one = nearest([line((0, 0), (10, 0))], (4.0, 3.0))
    assert (one.t, one.distance_mm) == (pytest.approx(0.4), pytest.approx(3.0))


def test_a_chain_without_segments_has_no_nearest_point() -> None:
    with pytest.raises(ValueError, match="no nearest point"):
        nearest([], (0.0, 0.0))


def test_a_stretch_and_its_rest_make_up_the_chain() -> None:
    chain = random_outline(np.random.default_rng(3)).segments
    whole = sum(segment_length(s) for s in chain)
    for place in ((0, 0.3), (1, 0.0), (2, 1.0), (len(chain) - 1, 0.7)):
        parts = [*stretch(chain, (0, 0.0), place), *stretch(chain, place, (len(chain) - 1, 1.0))]
        assert sum(segment_length(s) for _, s in parts) == pytest.approx(whole)
    assert stretch(chain, (2, 0.5), (1, 0.5)) == []
    (only,) = stretch(chain, (1, 0.25), (1, 0.75))
    assert only[0] == 1
