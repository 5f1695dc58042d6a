"""Paths: areas, lengths, boxes and path data against closed formulas and svgelements."""

from __future__ import annotations

import math

import numpy as np
import pytest
import svgelements
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ellipe

from tracer import path as paths
from tracer import segments
from tracer.errors import PathError
from tracer.path import OpenPath, Path

EXACT_MM = 1e-9  # float64 rounding on shapes of a few hundred millimetres
KAPPA = 4 / 3 * (math.sqrt(2) - 1)


def ellipse(a: float, b: float, *, pieces: int = 16) -> Path:
    """Cubics through an ellipse; the error of a 22.5 degree arc is below 1e-8 of the radius (Goldapp 1991)."""
    step = 2 * math.pi / pieces
    handle = 4 / 3 * math.tan(step / 4)
    segments = []
    for i in range(pieces):
        t0, t1 = i * step, (i + 1) * step
        p0 = np.array([math.cos(t0), math.sin(t0)])
        p3 = np.array([math.cos(t1), math.sin(t1)])
        p1 = p0 + handle * np.array([-p0[1], p0[0]])
        p2 = p3 - handle * np.array([-p3[1], p3[0]])
        segments.append(np.array([p0, p1, p2, p3]) * [a, b])
    return Path(tuple(segments))


numbers = st.floats(-400, 400, allow_nan=False).map(lambda v: round(v, 3))
points = st.tuples(numbers, numbers)


@st.composite
def random_paths(draw: st.DrawFn) -> Path:
    corners = draw(st.lists(points, min_size=3, max_size=6, unique=True))
    segments = []
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        if draw(st.booleans()):
            segments.append(np.array([a, b], dtype=float))
        else:
            segments.append(np.array([a, draw(points), draw(points), b], dtype=float))
    return Path(tuple(segments))


def test_a_rectangle_has_the_area_and_perimeter_of_its_sides() -> None:
    rectangle = Path.polygon([(0, 0), (40, 0), (40, 30), (0, 30)])
    assert rectangle.area == pytest.approx(1200, abs=EXACT_MM)
    assert rectangle.length == pytest.approx(140, abs=EXACT_MM)
    assert rectangle.signed_area > 0
    assert rectangle.reversed().signed_area < 0
    assert len(rectangle.corners) == 4


@pytest.mark.parametrize(("a", "b"), [(50.0, 50.0), (80.0, 30.0), (200.0, 12.0)])
def test_an_ellipse_has_the_area_and_perimeter_of_the_closed_formulas(a: float, b: float) -> None:
    # Area pi a b; perimeter 4 a E(e^2), the complete elliptic integral (DLMF 19.30.5), by SciPy.
    shape = ellipse(a, b)
    assert shape.area == pytest.approx(math.pi * a * b, rel=1e-6)
    assert shape.length == pytest.approx(4 * a * ellipe(1 - (b / a) ** 2), rel=1e-6)
    assert shape.corners == ()


def test_bounds_are_those_of_the_curve_and_not_of_its_control_points() -> None:
    bulge = Path(
        (np.array([[0, 0], [0, 40], [30, 40], [30, 0]], dtype=float), np.array([[30, 0], [0, 0]], dtype=float))
    )
    assert bulge.bounds.y_max == pytest.approx(30.0, abs=EXACT_MM)  # 3/4 of the handles' height


def test_bounds_hold_where_the_handles_lie_almost_at_the_thirds() -> None:
    bulge = np.array([[0, 0], [10, 3 + 1e-13], [20, 3], [30, 0.0]])
    shape = Path((bulge, np.array([[30, 0], [0, 0.0]])))
    assert shape.bounds.y_max == pytest.approx(2.25, abs=EXACT_MM)  # 3/4 of the handles' height


@given(random_paths())
def test_area_length_and_box_agree_with_svgelements(shape: Path) -> None:
    other = svgelements.Path(shape.to_svg(decimals=6))
    x0, y0, x1, y1 = other.bbox()
    assert np.allclose(shape.bounds, (x0, y0, x1, y1), atol=1e-3)
    assert Path.from_svg(shape.to_svg()).signed_area == pytest.approx(shape.signed_area, abs=1.0)


@given(random_paths(), st.floats(0.005, 1.0))
def test_flattening_stays_within_its_tolerance(shape: Path, tolerance_mm: float) -> None:
    flat = np.asarray(shape.flatten(tolerance_mm))
    chords = np.roll(flat, -1, axis=0) - flat
    for segment in shape.segments:
        for p in segments.evaluate(segment, np.linspace(0, 1, 41)):
            t = np.clip(((p - flat) * chords).sum(axis=1) / np.maximum((chords**2).sum(axis=1), 1e-300), 0, 1)
            assert np.hypot(*(flat + t[:, None] * chords - p).T).min() <= tolerance_mm + 1e-9


@given(random_paths(), st.floats(0.01, 0.99))
def test_a_split_curve_lies_on_its_parent(shape: Path, t: float) -> None:
    for segment in shape.segments:
        first, second = segments.split_segment(segment, t)
        u = np.linspace(0, 1, 9)
        assert np.allclose(segments.evaluate(first, u), segments.evaluate(segment, u * t), atol=1e-8)
        assert np.allclose(segments.evaluate(second, u), segments.evaluate(segment, t + u * (1 - t)), atol=1e-8)


@given(random_paths())
def test_a_shape_mirrored_twice_is_the_same(shape: Path) -> None:
    mirror = paths.mirror_matrix((12, -7), (3, 5))
    twice = shape.transformed(mirror).transformed(mirror)
    assert all(np.allclose(a, b, atol=1e-8) for a, b in zip(shape.segments, twice.segments, strict=True))
    assert shape.transformed(mirror).signed_area == pytest.approx(-shape.signed_area, abs=1e-6)


def test_quarter_turns_are_exact() -> None:
    shape = Path.polygon([(0, 0), (4, 0), (4, 3)])
    turned = shape.transformed(paths.rotation_matrix(90))
    assert [tuple(s[0]) for s in turned.segments] == [(0, 0), (0, 4), (-3, 4)]


def test_relative_and_shorthand_path_data_reads_like_the_long_form() -> None:
    # Grammar of SVG 2, section 9.3; svgelements is the independent reader.
    data = "m 10,10 h 20 v 10 l -5 5 c 0 5 -5 5 -5 0 s -5 -5 -5 0 q -2 4 -5 -5 z"
    ours = Path.from_svg(data)
    other = svgelements.Path(data)
    assert np.allclose(ours.bounds, other.bbox(), atol=1e-6)
    assert ours.length == pytest.approx(other.length(error=1e-7), rel=1e-4)


@pytest.mark.parametrize(
    "data",
    [
        "",
        "L 1 2 Z",
        "M 0 0 L 1",
        "M 0 0 A 1 1 0 0 0 2 2 Z",
        "M 0 0 L x y Z",
        "M 0 0 L 1 1 Z M 5 5 L 6 6 Z",
        "M 0 0 Z 4",
    ],
)
def test_bad_path_data_is_refused(data: str) -> None:
    with pytest.raises(PathError):
        Path.from_svg(data)


def test_degenerate_paths_are_refused() -> None:
    with pytest.raises(PathError):
        Path(())
    with pytest.raises(PathError):
        Path.polygon([(1, 1), (1, 1)])
    with pytest.raises(PathError):
        Path((np.array([[0, 0], [np.nan, 1]]),))
    with pytest.raises(PathError):
        Path((np.array([[0.0, 0], [1, 1]]), np.array([[2.0, 2], [0, 0]])))


def test_normals_of_a_positive_path_point_outward() -> None:
    shape = ellipse(30, 20)
    at, normals = shape.sample(1.0)
    assert (np.sum(np.asarray(at) * normals, axis=1) > 0).all()


def test_an_open_line_closes_with_a_straight_stretch() -> None:
    chain = OpenPath.polyline([(0, 0), (10, 0), (10, 10)])
    assert not chain.is_closed
    assert chain.closed().area == pytest.approx(50)
    assert chain.length == pytest.approx(20)
