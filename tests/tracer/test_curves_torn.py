"""Evidence that is torn, strays or contradicts itself: the outline stays simple and near what was seen."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from calibration.picture import MmPoints
from tests.oracles import dense_polygon, distance_between, distance_to_polygon
from tests.tracer.tracing import SHAPES
from tracer.curves.fit import fit_closed


def points_of(name: str, spacing_mm: float = 0.2) -> np.ndarray:
    points = dense_polygon(SHAPES[name][0].oriented().segments, 0.02)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.arange(0, way[-1], spacing_mm)
    return np.stack([np.interp(at, way, points[:, 0]), np.interp(at, way, points[:, 1])], axis=1)


def test_a_torn_edge_is_followed_and_does_not_cross_itself() -> None:
    points = points_of("circle")
    rng = np.random.default_rng(2)
    # Teeth of a millimetre, two millimetres apart: no smooth curve stays near them.
    teeth = np.interp(np.arange(len(points)), np.arange(0, len(points), 5), rng.uniform(-1, 1, -(-len(points) // 5)))
    radius = np.hypot(*(points - 30).T)[:, None]
    torn = 30 + (points - 30) * (1 + teeth[:, None] / radius)
    path = fit_closed(MmPoints(torn), 0.02).path
    assert shapely.Polygon(path.flatten(0.005)).is_valid
    assert np.percentile(distance_to_polygon(torn, dense_polygon(path.segments, 0.05)), 95) < 0.35
    assert abs(path.area - shapely.Polygon(torn).area) < 0.004 * path.area


def test_a_rough_outline_that_strayed_along_another_line_is_not_followed() -> None:
    truth = SHAPES["hexagon"][0]
    points = points_of("hexagon")
    rng = np.random.default_rng(4)
    points += rng.normal(0, 0.004, points.shape)
    start, end = np.asarray(truth.oriented().segments[1])
    along = (end - start) / np.hypot(*(end - start))
    out = np.array([along[1], -along[0]])
    middle = (start + end) / 2
    first = int(np.argmin(np.hypot(*(points - (middle - 3 * along)).T)))
    last = int(np.argmin(np.hypot(*(points - (middle + 3 * along)).T)))
    # The search went 4 mm out along a line of the ground and came back beside it.
    up = points[first] + out * np.linspace(0, 4, 20)[:, None]
    down = points[last] + out * np.linspace(4, 0, 20)[:, None]
    across = np.linspace(up[-1], down[0], 30)
    strayed = np.vstack([points[:first], up, across, down, points[last + 1 :]])
    valid = np.ones(len(strayed), bool)
    valid[first : first + 70] = False
    valid[first + 30 : first + 40] = True  # a few points of the other line look readable
    path = fit_closed(MmPoints(strayed), 0.004, valid).path
    distance = distance_between(path.segments, truth.segments)
    assert distance.worst_mm < 0.05
    assert path.node_count == 6


def test_a_round_hole_that_is_half_hidden_gets_no_point() -> None:
    """The search followed a shadow 0.8 mm inside of one side of a small hole, and the edge there was not read."""
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    hidden = np.cos(turn) > np.cos(np.radians(78))
    short = np.where(
        hidden, 0.8 * np.sin(np.radians((78 - np.degrees(np.arccos(np.cos(turn)))).clip(0, 12) * 7.5)), 0.0
    )
    round_mm = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    points = 20 + (5.0 - short)[:, None] * round_mm + np.random.default_rng(3).normal(0, 0.004, (360, 2))
    fit = fit_closed(MmPoints(points), 0.004, ~hidden)
    at = np.asarray(fit.path.sample(0.05)[0])
    assert np.hypot(*(at - 20).T).max() < 5.3
    assert not fit.path.corners_sharper_than(120.0)


@pytest.mark.parametrize("seed", [2, 3])
def test_arms_that_touch_where_they_are_hidden_end_in_a_point(seed: int) -> None:
    """Two arcs of circles run together; over the last 6 mm their strokes are one, and the search went up its middle."""
    radius, opening, spacing = 28.0, np.radians(65.0), 0.085
    turn = np.linspace(opening, 0.0, int(radius * opening / spacing))
    # Both touch the vertical line through the tip at the origin.
    left = np.stack([radius * (np.cos(turn) - 1), -radius * np.sin(turn)], axis=1)
    right = left[::-1] * [-1, 1]
    count = int((right[-1, 0] - left[0, 0]) / spacing)
    top = np.stack(
        [np.linspace(right[-1, 0], left[0, 0], count)[1:-1], np.full(count - 2, left[0, 1])],
        axis=1,
    )
    points = np.vstack([left, right[1:], top])
    points = points + np.random.default_rng(seed).normal(0, 0.004, points.shape)
    hidden = np.hypot(*points.T) < 6.0
    # The middle of the common stroke, half a line's width beyond the tip and a little aside.
    points[hidden] = points[hidden] * [0.1, 1.04] + [0.03, 0.2]
    fit = fit_closed(MmPoints(points), 0.004, ~hidden, half_width_mm=0.25, blur_mm=0.07)
    sharpest = min(fit.path.corners, key=lambda c: c.inner_angle_deg)
    assert sharpest.inner_angle_deg < 8.0
    assert np.hypot(*np.asarray(sharpest.point)) < 1.4


def test_a_corner_that_is_hidden_far_along_both_its_sides_stays_one() -> None:
    corner = np.array([60.0, 10.0])
    knots = np.array([[10.0, 10.0], corner, [55.0, 60.0], [10.0, 60.0]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.vstack([knots, knots[:1]]), axis=0).T))])
    at = np.arange(0, way[-1], 0.1)
    points = np.stack([np.interp(at, way, np.append(knots[:, k], knots[0, k])) for k in (0, 1)], axis=1)
    points += np.random.default_rng(6).normal(0, 0.004, points.shape)
    # Lettering hides 30 mm of one side and 8 mm of the other.
    valid = np.ones(len(points), bool)
    valid[(at > way[1] - 30) & (at < way[1] + 8)] = False
    path = fit_closed(MmPoints(points), 0.004, valid, half_width_mm=0.25).path
    assert distance_to_polygon(corner[None], dense_polygon(path.segments, 0.01))[0] < 0.05
    assert any(math.dist(c.point, corner) < 0.05 for c in path.corners)
    # A round of the same reach stays one, though its arms would meet in a corner.
    round_mm = 8.0
    turn = np.radians(np.arange(-90, 0, 0.5))
    rounded = np.stack([52 + round_mm * np.cos(turn), 18 + round_mm * np.sin(turn)], axis=1)
    ring = np.vstack([[10.0, 10.0], rounded, [60.0, 60.0], [10.0, 60.0], [10.0, 10.0]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    at = np.arange(0, way[-1], 0.1)
    points = np.stack([np.interp(at, way, ring[:, k]) for k in (0, 1)], axis=1)
    valid = (at < way[1] - 10) | (at > way[len(rounded)] + 10)
    path = fit_closed(MmPoints(points), 0.004, valid, half_width_mm=0.25).path
    assert not any(math.dist(c.point, (60.0, 10.0)) < 5 for c in path.corners)


def test_a_corner_is_told_though_the_rough_outline_passes_it_as_far_off_as_it_may_be() -> None:
    half_mm, blur_mm = 0.25, 0.07
    for short_mm, is_corner in ((0.3, True), (1.2, False)):
        # The search went over the corner by so much along letters that hide it.
        cut = short_mm * np.sqrt(2)
        ring = np.array([[10.0, 10], [60 - cut, 10], [60, 10 + cut], [60, 60], [10, 60], [10, 10]])
        way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
        at = np.arange(0, way[-1], 0.1)
        points = np.stack([np.interp(at, way, ring[:, k]) for k in (0, 1)], axis=1)
        valid = (at < way[1] - 20) | (at > way[2] + 4)
        points[~valid] += 0.12 * np.sin(at[~valid] * 2.5)[:, None]
        path = fit_closed(MmPoints(points), 0.004, valid, half_width_mm=half_mm, blur_mm=blur_mm).path
        near = distance_to_polygon(np.array([[60.0, 10.0]]), dense_polygon(path.segments, 0.01))[0]
        assert bool(near < 0.02) is is_corner


def test_a_corner_beside_a_bend_lies_where_the_bend_goes_on_to() -> None:
    # An arc of 18 mm radius runs into a straight side; their last millimetres are hidden.
    turn = np.radians(np.arange(0, 70, 0.3))
    arc = np.stack([30 + 18 * np.sin(turn), 40 - 18 * np.cos(turn)], axis=1)
    ring = np.vstack([[30.0, 60.0], arc, [60.0, 60.0], [30.0, 60.0]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    at = np.arange(0, way[-1], 0.085)
    points = np.stack([np.interp(at, way, ring[:, k]) for k in (0, 1)], axis=1)
    points += np.random.default_rng(3).normal(0, 0.001, points.shape)
    valid = (at < way[1] - 0.8) | (at > way[1] + 4)
    path = fit_closed(MmPoints(points), 0.0013, valid, half_width_mm=0.25, tolerance_mm=0.1).path
    assert distance_to_polygon(np.array([[30.0, 22.0]]), dense_polygon(path.segments, 0.01))[0] < 0.03


@pytest.mark.parametrize(("islands", "crossing_mm"), [((28.8, 31.0), 28.5), ((27.5, 31.5), 30.0), ((28.0,), 31.0)])
def test_what_is_read_where_a_line_crosses_at_a_small_angle_does_not_bend_the_outline(
    islands: tuple[float, ...], crossing_mm: float
) -> None:
    ring = np.array([[10.0, 10], [70, 10], [70, 60], [10, 60], [10, 10]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    at = np.arange(0, way[-1], 0.085)
    points = np.stack([np.interp(at, way, ring[:, k]) for k in (0, 1)], axis=1)
    points += np.random.default_rng(8).normal(0, 0.001, points.shape)
    # Two strokes of half a millimetre that cross at 7.4 degrees are one stroke over some 12 mm. Its middle runs between
    # both; it seems as broad as one of them in a place or two.
    merged = (at > 24) & (at < 36)
    points[merged, 1] += (at[merged] - crossing_mm) * np.tan(np.radians(3.7))
    read = np.any([(at > first) & (at < first + 0.8) for first in islands], axis=0)
    path = fit_closed(MmPoints(points), 0.0014, ~merged | read, half_width_mm=0.25).path
    side = np.stack([np.linspace(12, 58, 200), np.full(200, 10.0)], axis=1)
    assert distance_to_polygon(side, dense_polygon(path.segments, 0.05)).max() < 0.01


def test_a_sleeve_cap_that_could_not_be_read_is_not_cut_off() -> None:
    x = np.linspace(20, 180, 1500)
    cap = np.stack([x, 110 - 90 * np.exp(-(((x - 100) / 38) ** 2))], axis=1)
    side = np.linspace(0, 1, 600)[:, None]
    rest = np.vstack([cap[-1] + side * [-24, 120], [156, 230] + side * [-112, 0], [44, 230] + side * [-24, -120]])
    points = np.vstack([cap[:-1], rest[:-1]])
    valid = np.ones(len(points), dtype=bool)
    valid[:1510] = valid[-15:] = False
    path = fit_closed(MmPoints(points), 0.004, valid, half_width_mm=0.2).path
    assert distance_to_polygon(cap, dense_polygon(path.segments, 0.02)).max() < 0.8
    assert path.node_count <= 9
