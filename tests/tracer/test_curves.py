"""Curves: few nodes, real corners, straight lines, round circles, and a deviation that is measured."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, special

from calibration.picture import MmPoints
from tests import shapes
from tests.oracles import compare_corners, dense_polygon, distance_between
from tests.tracer.tracing import SHAPES, traced
from tracer.curves.fit import fit_closed, fit_open
from tracer.errors import PathError
from tracer.path import Path
from tracer.segments import evaluate, split_segment

P95_MM, WORST_MM = 0.03, 0.12
"""What flatbed scans at 300 dpi are to reach."""
PHOTO_P95_MM = 0.1
"""What a photo at 0.22 mm a pixel is to reach."""
NODES = 1.5
NOISE_MM = 0.003


def sampled(path: Path, spacing_mm: float = 0.085, noise_mm: float = NOISE_MM, seed: int = 0) -> MmPoints:
    """Evidence made without a picture: points along a path with noise across it."""
    points = dense_polygon(path.oriented().segments, 0.02)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.arange(0, way[-1], spacing_mm)
    p = np.stack([np.interp(at, way, points[:, 0]), np.interp(at, way, points[:, 1])], axis=1)
    tangent = np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    noise = np.random.default_rng(seed).normal(0, noise_mm, len(p))
    return MmPoints(p + noise[:, None] * np.stack([tangent[:, 1], -tangent[:, 0]], axis=1))


@pytest.mark.parametrize("name", list(SHAPES))
@pytest.mark.parametrize("line_width_mm", [0.0, 0.4])
def test_shapes_at_300_dpi(name: str, line_width_mm: float) -> None:
    result = traced(name, line_width_mm)
    path = result.fit.path
    distance = distance_between(path.segments, result.truth.segments)
    corners = compare_corners(path.segments, result.truth.segments)
    assert distance.p95_mm <= P95_MM
    assert distance.worst_mm <= WORST_MM
    assert (corners.missed, corners.invented) == (0, 0)
    assert path.node_count <= NODES * result.truth.node_count
    assert result.fit.exceeded == ()
    assert result.fit.deviation_max_mm <= 0.1


@pytest.mark.parametrize(("name", "line_width_mm"), [("sleeve cap", 0.0), ("circle", 0.6), ("hexagon", 0.6)])
def test_shapes_in_a_photo(name: str, line_width_mm: float) -> None:
    result = traced(name, line_width_mm, 0.22)
    distance = distance_between(result.fit.path.segments, result.truth.segments)
    corners = compare_corners(result.fit.path.segments, result.truth.segments)
    assert distance.p95_mm <= PHOTO_P95_MM
    assert (corners.missed, corners.invented) == (0, 0)


@pytest.mark.parametrize("name", list(SHAPES))
def test_outlines_are_simple_positive_and_start_at_a_corner(name: str) -> None:
    path = traced(name, 0.4).fit.path
    assert path.signed_area > 0
    assert shapely.Polygon(path.flatten(0.005)).is_valid
    if path.corners:
        assert any(c.node == 0 for c in path.corners)


def test_straight_edges_are_lines_and_smooth_joins_are_tangent() -> None:
    path = traced("rounded rectangle", 0.4).fit.path
    kinds = "".join("L" if len(s) == 2 else "C" for s in path.segments)
    assert sorted(kinds) == sorted("LCLCLCLC")
    for k in range(path.node_count):
        before, after = path.tangents(k)
        assert math.degrees(math.acos(min(1.0, float(before @ after)))) < 1e-3


def test_area_and_perimeter_agree_with_the_closed_formulas() -> None:
    # Hexagon: 3 sqrt(3)/2 R^2 and 6 R; circle: pi r^2; ellipse: perimeter 4 a E(e^2) (complete elliptic integral).
    hexagon = traced("hexagon", 0.0).fit.path
    assert hexagon.area == pytest.approx(1.5 * math.sqrt(3) * 25**2, abs=hexagon.length * 0.003)
    assert hexagon.length == pytest.approx(150, abs=0.02)
    circle = traced("circle", 0.0).fit.path
    assert circle.area == pytest.approx(math.pi * 24**2, abs=circle.length * 0.007)
    ellipse = traced("ellipse", 0.4).fit.path
    perimeter = 4 * 38 * float(special.ellipe(1 - (24 / 38) ** 2))
    assert ellipse.length == pytest.approx(perimeter, abs=0.06)
    assert ellipse.area == pytest.approx(math.pi * 38 * 24, abs=ellipse.length * 0.012)
    assert ellipse.bounds.width == pytest.approx(76, abs=0.02)


def test_no_wobble_on_a_long_gentle_edge() -> None:
    path = traced("long edge", 0.4).fit.path
    longest = max((s for s in path.segments if len(s) == 4), key=lambda s: float(np.hypot(*(s[-1] - s[0]))))
    assert np.hypot(*(longest[-1] - longest[0])) > 500
    turns = np.diff(evaluate(longest, np.linspace(0, 1, 400)), n=2, axis=0)
    bend = turns[:, 1]
    assert (np.diff(np.sign(bend)) != 0).sum() <= 1


def test_a_hole_in_the_evidence_is_crossed() -> None:
    truth = SHAPES["ellipse"][0]
    points = np.array(sampled(truth))
    valid = np.ones(len(points), bool)
    valid[200:320] = False
    points[200:320] += 0.15  # the rough outline there
    path = fit_closed(MmPoints(points), NOISE_MM, valid).path
    distance = distance_between(path.segments, truth.segments)
    assert distance.worst_mm < 0.05
    assert path.node_count <= NODES * 4


def test_a_corner_inside_a_hole_is_where_the_arms_meet() -> None:
    truth = SHAPES["hexagon"][0]
    points = np.array(sampled(truth))
    corner = np.asarray(truth.segments[2][0])
    near = np.hypot(*(points - corner).T) < 2.0
    points[near] += np.array([0.08, -0.08])
    path = fit_closed(MmPoints(points), NOISE_MM, ~near).path
    corners = compare_corners(path.segments, truth.segments)
    assert (corners.found, corners.invented) == (6, 0)
    assert corners.worst_mm < 0.05


def test_a_corner_beside_letters_that_stand_on_the_line_is_where_the_arms_meet() -> None:
    """Between letters a fifth of a millimetre of line is seen: too little to tell where it goes, together enough."""
    truth = SHAPES["hexagon"][0]
    points = np.array(sampled(truth))
    corner = np.asarray(truth.segments[2][0])
    along = np.hypot(*(points - corner).T)
    after = np.arange(len(points)) > int(np.argmin(along))
    letters = ((along < 12.0) & ~after & (along % 2.2 < 1.98)) | (along < 2.5)
    outward = (points - points.mean(axis=0)) / np.hypot(*(points - points.mean(axis=0)).T)[:, None]
    points[letters] += 0.15 * outward[letters]
    # The rough outline cuts the corner there.
    points[letters] = ndimage.uniform_filter1d(points, 15, axis=0, mode="wrap")[letters]
    path = fit_closed(MmPoints(points), NOISE_MM, ~letters).path
    corners = compare_corners(path.segments, truth.segments)
    assert (corners.found, corners.invented) == (6, 0)
    assert corners.worst_mm < 0.05
    assert distance_between(path.segments, truth.segments).worst_mm < 0.06


def test_what_cannot_be_held_within_the_tolerance_is_said() -> None:
    rng = np.random.default_rng(5)
    points = np.array(sampled(SHAPES["circle"][0], noise_mm=0.0))
    radius = np.hypot(*(points - 30).T)[:, None]
    # Steps of 0.6 mm every few millimetres: nothing smooth can follow them.
    steps = np.repeat(rng.uniform(-0.3, 0.3, len(points) // 30 + 1), 30)[: len(points)]
    rough = 30 + (points - 30) * (1 + steps[:, None] / radius)
    result = fit_closed(MmPoints(rough), 0.05, tolerance_mm=0.02)
    assert result.deviation_max_mm > 0.02
    assert result.exceeded
    assert max(e.distance_mm for e in result.exceeded) == pytest.approx(result.deviation_max_mm)


def test_a_looser_tolerance_never_takes_more_nodes() -> None:
    points = sampled(shapes.sleeve((0, 0)))
    counts = [fit_closed(points, NOISE_MM, tolerance_mm=t).path.node_count for t in (0.05, 0.2, 1.0)]
    assert counts == sorted(counts, reverse=True)


def test_an_open_line_keeps_its_ends_and_corners() -> None:
    line = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 25.0]])
    way = np.array([0.0, 40.0, 65.0])
    at = np.arange(0, 65.0, 0.1)
    points = np.stack([np.interp(at, way, line[:, 0]), np.interp(at, way, line[:, 1])], axis=1)
    points += np.random.default_rng(3).normal(0, NOISE_MM, points.shape)
    path = fit_open(MmPoints(points), NOISE_MM)
    assert [len(s) for s in path.segments] == [2, 2]
    assert np.allclose(path.segments[0][1], [40, 0], atol=0.02)
    assert np.allclose(path.segments[0][0], [0, 0], atol=0.02)
    assert np.allclose(path.segments[-1][-1], points[-1], atol=0.02)


def test_a_short_open_line_is_straight() -> None:
    path = fit_open(MmPoints(np.array([[0.0, 0.0], [1.0, 0.1], [2.0, 0.0]])), 0.01)
    assert [len(s) for s in path.segments] == [2]


@pytest.mark.parametrize(
    "points",
    [
        np.zeros((0, 2)),
        np.zeros((40, 2)),
        np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 0.0]]),
        np.stack([np.linspace(0, 9, 50), np.zeros(50)], axis=1),
        np.full((50, 2), np.nan),
    ],
    ids=["none", "coincident", "three", "collinear", "not finite"],
)
def test_degenerate_points_are_refused(points: np.ndarray) -> None:
    with pytest.raises(PathError):
        fit_closed(MmPoints(points), 0.01)


def test_all_points_unseen_still_gives_an_outline() -> None:
    points = sampled(SHAPES["circle"][0])
    path = fit_closed(points, NOISE_MM, np.zeros(len(points), bool)).path
    assert distance_between(path.segments, SHAPES["circle"][0].segments).worst_mm < 0.3


@settings(max_examples=8, deadline=None)
@given(turn=st.floats(-math.pi, math.pi), scale=st.floats(0.7, 1.6), seed=st.integers(0, 5))
def test_turning_and_scaling_change_nothing(turn: float, scale: float, seed: int) -> None:
    points = np.asarray(sampled(shapes.wedge((0, 0)), seed=seed))
    matrix = scale * np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    plain = fit_closed(MmPoints(points), NOISE_MM, blur_mm=0.05).path
    turned = fit_closed(MmPoints(points @ matrix.T + 7), NOISE_MM * scale, blur_mm=0.05 * scale).path
    back = Path(tuple((s - 7) @ np.linalg.inv(matrix).T for s in turned.segments))
    assert distance_between(plain.segments, back.segments).worst_mm < 0.03
    assert len(plain.corners) == len(back.corners)


@settings(max_examples=50, deadline=None)
@given(
    control=st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=4, max_size=4),
    t=st.floats(0.01, 0.99),
)
def test_a_split_curve_lies_on_its_parent(control: list[tuple[float, float]], t: float) -> None:
    parent = np.array(control)
    one, other = split_segment(parent, t)
    u = np.linspace(0, 1, 9)
    assert np.allclose(evaluate(one, u), evaluate(parent, u * t), atol=1e-9)
    assert np.allclose(evaluate(other, u), evaluate(parent, t + u * (1 - t)), atol=1e-9)


def test_evidence_that_folds_onto_itself_is_refused_or_traced_but_breaks_nothing() -> None:
    """Two arms of one line, there and back: what is left after the fit may enclose nothing at all."""
    there = np.stack([np.linspace(0, 6, 60), np.full(60, 0.0)], axis=1)
    back = there[::-1] + np.array([0.0, 0.004])
    try:
        path = fit_closed(MmPoints(np.vstack([there, back])), 0.02).path
    except PathError:
        return
    assert path.area >= 0


def test_a_corner_between_short_readable_stretches_of_a_coarse_photo_stays_sharp() -> None:
    # A third of a millimetre a point, as in a photo of a whole mat: the corner is not seen for ten points, and beside
    # it lie stretches where a line of the mat was, seen by a third of a millimetre elsewhere, and told to be doubtful.
    spacing = 0.35
    way = [(0.0, 0.0), (140.0, 8.0), (120.0, 110.0), (10.0, 90.0)]
    sides = [np.array(way[k]) + np.arange(0, 1, spacing / np.hypot(*np.subtract(way[(k + 1) % 4], way[k])))[:, None]
             * np.subtract(way[(k + 1) % 4], way[k]) for k in range(4)]  # fmt: skip
    points = np.vstack(sides) + np.random.default_rng(4).normal(0, 0.015, (sum(map(len, sides)), 2))
    corner = len(sides[0])
    sigma, valid = np.full(len(points), 0.02), np.ones(len(points), bool)
    valid[corner - 5 : corner + 5] = False
    points[corner - 3 : corner + 3] += [-0.6, 0.5]
    for first, last in ((corner + 8, corner + 15), (corner - 24, corner - 16)):
        points[first:last] += [0.25, 0.25]
        sigma[first:last] = 0.25
    for at in (corner + 17, corner - 40):
        valid[at : at + 12] = False
    fit = fit_closed(MmPoints(points), sigma, valid, blur_mm=0.25)
    assert len(fit.corners) == 4
    assert min(np.hypot(*(np.asarray(c.point) - way[1])) for c in fit.corners) < 0.12


@pytest.mark.parametrize("radius_mm", [1.5, 2.0, 2.5, 3.4, 3.7])
@pytest.mark.parametrize("spacing_mm", [25.4 / 300, 25.4 / 200])
def test_a_small_hole_is_round_and_no_polygon(radius_mm: float, spacing_mm: float) -> None:
    count = int(2 * math.pi * radius_mm / spacing_mm)
    angle = np.arange(count) / count * 2 * math.pi + 0.3
    noise = np.random.default_rng(4).normal(0, 0.003, count)
    points = np.stack([np.cos(angle), np.sin(angle)], axis=1) * (radius_mm + noise)[:, None]
    fit = fit_closed(MmPoints(points), 0.003, blur_mm=0.75 * spacing_mm)
    assert fit.corners == ()
    assert fit.path.node_count <= 4
    assert np.abs(np.hypot(*np.asarray(fit.path.sample(0.05)[0]).T) - radius_mm).max() < 0.012
