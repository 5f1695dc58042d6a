"""Seam allowance against closed forms: parallel circles, Steiner's formula, patchwork sizes, out and back in."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pytest
import shapely

from calibration import MM_PER_INCH
from tests.shapes import rounded_rectangle
from tests.tracer.cutting.pieces import arc_segments, circle, ellipse, half_circle, rectangle, shape
from tracer.crossing import nearest_all
from tracer.cutting.allowance import Allowance, EdgeAllowance, allow, places_not_returning, stitching_shape
from tracer.cutting.offset import greatest_gap_mm, moved
from tracer.cutting.offset_curve import offset_segment
from tracer.errors import CutListError
from tracer.path import OpenPath, Path
from tracer.segments import cubic, evaluate, line

QUARTER_MM = MM_PER_INCH / 4
PROMISED_MM = 0.01  # deviation of a parallel curve
RETURNS_MM = 0.02  # out and back in
EXACT_MM = 1e-9  # straight lines only


def by_brute_force_mm(source: Path, parallel: Path, width: float, spacing: float = 0.2) -> tuple[float, float]:
    """Distances of points on either curve from where they should be, on vertices only 1e-4 mm off the curves."""
    ring = shapely.LinearRing(source.flatten(1e-4))
    points = shapely.points(parallel.sample(spacing)[0])
    there = np.abs(shapely.distance(ring, points) - abs(width)).max()
    outer = shapely.LinearRing(parallel.flatten(1e-4))
    at, normals = source.sample(spacing)
    back = shapely.distance(outer, shapely.points(at + width * normals)).max()
    return float(there), float(back)


@pytest.mark.parametrize("width", [QUARTER_MM, 15.875, -QUARTER_MM, -30.0])
def test_the_parallel_of_a_circle_is_a_circle(width: float) -> None:
    radius = 50.0
    wheel = shape(circle(radius))
    result = moved(wheel.chain, [width] * len(wheel.labels))
    outline = Path(tuple(s for s, _ in result.chain))
    r = np.hypot(*outline.sample(0.1)[0].T)
    assert np.abs(r - (radius + width)).max() < PROMISED_MM
    assert outline.node_count <= 12


@pytest.mark.parametrize("width", [3.0, 15.875, -3.0])
def test_the_parallel_of_a_free_curve_keeps_its_distance_both_ways(width: float) -> None:
    blob = Path.from_svg(
        "M 0 0 C 60 -30 120 -30 160 0 C 190 40 150 120 160 180 C 100 220 40 200 0 180 C -30 120 20 60 0 0 Z"
    )
    before = shape(blob)
    result = moved(before.chain, [width] * len(before.labels))
    smooth = Path(tuple(s for s, _ in result.chain))
    measured = greatest_gap_mm(result.chain, before.chain, dict.fromkeys(before.labels, width))
    assert measured < PROMISED_MM
    corners = np.array([c.point for c in blob.corners_sharper_than(179.99)])
    ring = shapely.LinearRing(blob.flatten(1e-4))
    points = smooth.sample(0.2)[0]
    near_corner = np.hypot(*(points[:, None] - corners[None]).transpose(2, 0, 1)).min(axis=1) < 2.5 * abs(width)
    gaps = np.abs(shapely.distance(ring, shapely.points(points[~near_corner])) - abs(width))
    assert gaps.max() < PROMISED_MM


def test_the_measure_of_the_deviation_sees_an_error_planted_anywhere() -> None:
    before = shape(circle(50.0, 6))
    result = moved(before.chain, [5.0] * 6)
    widths = dict.fromkeys(before.labels, 5.0)
    assert greatest_gap_mm(result.chain, before.chain, widths) < PROMISED_MM
    for k in range(6):
        bent = list(result.chain)
        segment, name = bent[k]
        segment = segment.copy()
        segment[1:3] *= 1.004
        bent[k] = (segment, name)
        assert greatest_gap_mm(bent, before.chain, widths) > 0.1


@pytest.mark.parametrize("width", [2.0, QUARTER_MM, 25.4])
@pytest.mark.parametrize("outline", [circle(40.0), ellipse(90.0, 35.0)], ids=["circle", "ellipse"])
def test_area_of_a_smooth_convex_shape_follows_steiners_formula(outline: Path, width: float) -> None:
    # Steiner 1840: A + P a + pi a^2 for a convex shape and its parallel at a.
    result = allow(shape(outline), Allowance(all_mm=width)).shape.outline
    expected = outline.area + outline.length * width + math.pi * width**2
    assert result.area == pytest.approx(expected, abs=PROMISED_MM * result.length)


@pytest.mark.parametrize("corners", ["rounded", "mitred"])
def test_area_of_a_convex_polygon_follows_steiners_formula(corners: str) -> None:
    polygon = Path.polygon([(0, 0), (80, -20), (140, 40), (110, 120), (20, 90)])
    width = 9.0
    result = allow(shape(polygon), Allowance(all_mm=width, corners=corners)).shape.outline  # type: ignore[arg-type]
    turns = [math.radians(180 - c.inner_angle_deg) for c in polygon.corners_sharper_than(179.0)]
    assert sum(turns) == pytest.approx(2 * math.pi)
    # Rounded corners are Steiner's; a mitred corner that turns by t holds a^2 tan(t/2) (derived: two right triangles).
    tips = math.pi if corners == "rounded" else sum(math.tan(t / 2) for t in turns)
    expected = polygon.area + polygon.length * width + tips * width**2
    assert result.area == pytest.approx(expected, abs=1e-6 if corners == "mitred" else 0.05)


def test_a_square_patch_is_finished_plus_half_an_inch() -> None:
    side = 3 * MM_PER_INCH
    box = allow(shape(rectangle(side, side)), Allowance(all_mm=QUARTER_MM)).shape.outline.bounds
    assert box.width == pytest.approx(side + MM_PER_INCH / 2, abs=EXACT_MM)
    assert box.height == pytest.approx(side + MM_PER_INCH / 2, abs=EXACT_MM)


def test_triangles_of_right_angle_and_equal_legs_grow_by_the_exact_sums() -> None:
    # Exact: s (2 + sqrt 2) along the legs, s (2 + 2 sqrt 2) along the long side (derived; 0.8536 and 1.2071 in).
    leg = 4 * MM_PER_INCH
    box = allow(shape(Path.polygon([(0, 0), (leg, 0), (0, leg)])), Allowance(all_mm=QUARTER_MM)).shape.outline.bounds
    assert (box.width - leg) / MM_PER_INCH == pytest.approx(0.8536, abs=5e-5)
    long = math.sqrt(2) * leg
    turned = Path.polygon([(0, 0), (long, 0), (long / 2, long / 2)])
    box = allow(shape(turned), Allowance(all_mm=QUARTER_MM)).shape.outline.bounds
    assert (box.width - long) / MM_PER_INCH == pytest.approx(1.2071, abs=5e-5)


def test_a_hexagon_grows_by_half_an_inch_from_flat_to_flat() -> None:
    side = 2 * MM_PER_INCH
    corners = [(side * math.cos(math.radians(60 * k)), side * math.sin(math.radians(60 * k))) for k in range(6)]
    box = allow(shape(Path.polygon(corners)), Allowance(all_mm=QUARTER_MM)).shape.outline.bounds
    assert box.height == pytest.approx(math.sqrt(3) * side + MM_PER_INCH / 2, abs=EXACT_MM)
    assert box.width / 2 - side == pytest.approx(0.288675 * MM_PER_INCH, abs=1e-4)


def test_each_edge_has_its_own_width_and_straight_edges_stay_exact() -> None:
    before = shape(rectangle(120.0, 300.0))
    widths = {"bottom": EdgeAllowance(width_mm=25.4), "left": EdgeAllowance(width_mm=0.0)}
    box = allow(before, Allowance(all_mm=QUARTER_MM, edges=widths)).shape.outline.bounds
    assert (box.x_min, box.y_min) == (pytest.approx(0.0), pytest.approx(-QUARTER_MM))
    assert (box.x_max, box.y_max) == (pytest.approx(120 + QUARTER_MM), pytest.approx(325.4))


def test_an_included_allowance_is_changed_to_another() -> None:
    drawn = shape(rectangle(100 + 2 * 15.875, 60 + 2 * 15.875))
    result = allow(drawn, Allowance(includes_mm=15.875, all_mm=QUARTER_MM))
    assert result.finished.outline.bounds.width == pytest.approx(100, abs=EXACT_MM)
    assert result.shape.outline.bounds.height == pytest.approx(60 + 2 * QUARTER_MM, abs=EXACT_MM)
    (line,) = [m for m in result.shape.marks if m.kind == "stitching line"]
    assert line.path is not None
    assert line.path.closed().area == pytest.approx(100 * 60, abs=1e-6)


def test_squared_corners_are_cut_off_at_the_width_of_the_allowance() -> None:
    result = allow(shape(rectangle(100.0, 60.0)), Allowance(all_mm=10.0, corners="squared")).shape.outline
    assert result.node_count == 8
    r = math.hypot(*(np.array(result.flatten(0.01)).max(axis=0) - (100, 60)))
    assert r == pytest.approx(10 * math.sqrt(2))
    # Each corner loses a right triangle; the mitre's tip is 10 (sqrt 2 - 1) beyond the cut.
    leg = 10 * (math.sqrt(2) - 1) * math.sqrt(2)
    assert result.area == pytest.approx(120 * 80 - 4 * leg**2 / 2)


def test_a_trimmed_triangle_matches_the_corner_of_its_square() -> None:
    leg = 4 * MM_PER_INCH
    triangle = shape(Path.polygon([(0, 0), (leg, 0), (0, leg)]))
    box = allow(triangle, Allowance(all_mm=QUARTER_MM, corners="trimmed")).shape.outline.bounds
    # Its legs end where those of a square patch of the same finished size end: finished + 1/2 in.
    assert box.width == pytest.approx(leg + MM_PER_INCH / 2, abs=EXACT_MM)
    assert box.height == pytest.approx(leg + MM_PER_INCH / 2, abs=EXACT_MM)


def test_a_mirrored_hem_lies_on_the_piece_when_turned_up() -> None:
    # Sides that slope by 20 in 300: the hem narrows by the same slope below the hem line.
    before = shape(Path.polygon([(20, 0), (100, 0), (120, 300), (0, 300)]))
    hem = {"bottom": EdgeAllowance(width_mm=40.0, corners="mirrored")}
    outline = allow(before, Allowance(all_mm=10.0, edges=hem)).shape.outline
    below = [p for p in np.array(outline.flatten(0.01)) if p[1] > 300.5]
    ring = shapely.LinearRing(outline.flatten(0.01))
    assert len(below) == 2
    for x, y in below:
        assert y == pytest.approx(340)
        assert ring.distance(shapely.Point(x, 600 - y)) < 1e-9


def test_a_curve_too_tight_for_its_allowance_is_resolved_without_loops_and_listed() -> None:
    straight = [(50, 0), (90, 0), (90, 60), (0, 60), (0, 0), (40, 0)]
    lines = [np.array(pair, dtype=float) for pair in itertools.pairwise(straight)]
    slot = shape(Path((*arc_segments(5.0, 180.0, 0.0, 2, centre=(45.0, 0.0)), *lines)))
    result = allow(slot, Allowance(all_mm=8.0))
    ring = shapely.LinearRing(result.shape.outline.flatten(0.001))
    assert ring.is_simple
    assert result.lost
    assert all(math.hypot(x - 45, y) < 6 for x, y in result.lost)
    assert any(f.code == "allowance-tight" for f in result.findings)
    assert shapely.distance(ring, shapely.LinearRing(slot.outline.flatten(0.001))) == pytest.approx(
        8.0, abs=PROMISED_MM
    )


SMOOTH = {
    "circle": circle(60.0),
    "ellipse": ellipse(90.0, 40.0),
    "half circle": half_circle(50.0),
    "quadrilateral": Path.polygon([(0, 0), (120, 10), (100, 90), (-10, 70)]),
    "with a reflex corner": Path.polygon([(0, 0), (100, 0), (100, 60), (50, 35), (0, 60)]),
    "bodice": Path.from_svg("M 0 0 L 90 0 C 96 40 120 80 170 90 L 160 300 C 110 312 50 310 0 310 Z"),
}


@pytest.mark.parametrize("outline", SMOOTH.values(), ids=SMOOTH)
@pytest.mark.parametrize("width", [QUARTER_MM, 15.875])
def test_out_and_back_in_returns_the_outline(outline: Path, width: float) -> None:
    before = shape(outline)
    out = allow(before, Allowance(all_mm=width))
    assert not out.lost
    back = stitching_shape(out.shape, width)
    assert places_not_returning(before, OpenPath(back.outline.segments), RETURNS_MM) == ()
    assert places_not_returning(back, OpenPath(before.outline.segments), RETURNS_MM) == ()


def test_out_and_back_in_lists_where_the_shape_forbids_it() -> None:
    narrow = shape(Path.polygon([(0, 0), (100, 0), (100, 60), (54, 60), (54, 30), (46, 30), (46, 60), (0, 60)]))
    out = allow(narrow, Allowance(all_mm=6.0))
    back = stitching_shape(out.shape, 6.0)
    lost = places_not_returning(narrow, OpenPath(back.outline.segments), RETURNS_MM)
    assert lost
    assert all(46 - 1e-6 <= x <= 54 + 1e-6 and y > 29.9 for x, y in lost)
    assert out.lost


def test_an_allowance_that_closes_a_gap_leaves_a_hole() -> None:
    # A frame with a mouth 4 mm wide on its right: allowances of 4 mm close the mouth but not the room behind it.
    outside = [(100, 0), (100, 48), (60, 48), (60, 20), (30, 20), (30, 80), (60, 80), (60, 52), (100, 52), (100, 100)]
    mouth = shape(Path.polygon([(0, 0), *outside, (0, 100)]))
    result = allow(mouth, Allowance(all_mm=4.0))
    (hole,) = result.shape.holes
    assert hole.area == pytest.approx((30 - 8) * (60 - 8), abs=1e-6)
    assert any(f.code == "allowance-closes" for f in result.findings)


def test_taking_off_more_than_the_piece_has_is_refused() -> None:
    for side in (100.0, 60.0):
        with pytest.raises(CutListError, match="larger than the piece"):
            stitching_shape(shape(rectangle(100.0, side)), 80.0)


def test_a_cubic_with_a_cusp_in_its_parallel_is_cut_there() -> None:
    tight = cubic((0, 0), (10, 40), (20, 40), (30, 0))
    parts, deviation = offset_segment(tight, -20.0)
    assert deviation < PROMISED_MM
    points = np.concatenate([evaluate(p, np.linspace(0, 1, 50)) for p in parts])
    assert np.isfinite(points).all()
    # Every point of the true parallel is its own foot's distance away or nearer, never farther.
    assert nearest_all([tight], points)[2].max() < 20.0 + PROMISED_MM


def test_a_point_of_a_mitre_longer_than_four_allowances_is_cut_off() -> None:
    sliver = shape(Path.polygon([(0, 0), (200, 0), (0, 20)]))
    outline = allow(sliver, Allowance(all_mm=5.0)).shape.outline
    assert outline.bounds.x_max < 200 + 4 * 5.0
    assert by_brute_force_mm(outline, sliver.outline, 5.0)[0] < 4 * 5.0


@pytest.mark.parametrize("noise", [0.0, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3])
@pytest.mark.parametrize("width", [QUARTER_MM, -QUARTER_MM, -11.0])
def test_joints_that_are_all_but_smooth_make_no_trouble(noise: float, width: float) -> None:
    # Traced curves meet straight lines at angles of a few millionths; parallels then cross all but along each other.
    rng = np.random.default_rng(5)
    for _ in range(4):
        smooth = rounded_rectangle((0, 0), 120.0, 90.0, 9.0)
        nodes = [s[0] + rng.normal(0, noise, 2) for s in smooth.segments]
        segments = [s.copy() for s in smooth.segments]
        for k, segment in enumerate(segments):
            segment[0], segment[-1] = nodes[k], nodes[(k + 1) % len(nodes)]
        before = shape(Path(tuple(segments)))
        outline = Path(tuple(s for s, _ in moved(before.chain, [width] * len(before.labels)).chain))
        assert shapely.LinearRing(outline.flatten(0.002)).is_simple
        assert outline.bounds.width == pytest.approx(120 + 2 * width, abs=10 * noise + 1e-6)
        radius = max(0.0, 9.0 + width)
        # Corners rounder than the width stay round, sharper ones become corners where the parallels meet.
        expected = (120 + 2 * width) * (90 + 2 * width) - (4 - math.pi) * radius**2
        assert outline.area == pytest.approx(expected, abs=200 * (10 * noise + PROMISED_MM))


def test_only_curves_that_are_too_tight_are_told_not_every_corner() -> None:
    # Rounded corners of radius 8 with 10 mm to take off, and sharp corners whose neighbours are curves.
    card = Path((
        line((0, 0), (60, 0)), cubic((60, 0), (66, 30), (80, 50), (110, 60)), line((110, 60), (110, 112)),
        *arc_segments(8.0, 0.0, 90.0, 1, centre=(102.0, 112.0)), line((102, 120), (0, 120)), line((0, 120), (0, 0)),
    ))  # fmt: skip
    result = allow(shape(card), Allowance(includes_mm=10.0, all_mm=6.0))
    (finding,) = result.findings
    assert finding.code == "allowance-tight"
    pattern = r"([\d.]+) mm from the left and ([\d.]+) mm from the top"
    places = [tuple(map(float, p)) for p in re.findall(pattern, finding.message)]
    assert places
    assert all(math.hypot(x - 102, y - 112) == pytest.approx(8.0, abs=0.2) for x, y in places)
    assert allow(shape(card), Allowance(includes_mm=5.0, all_mm=6.0)).findings == ()
    # The drawn corner is round, so the cutting line is: nowhere farther from the stitching line than the allowance.
    sewn, cut_line = shapely.LinearRing(result.finished.outline.flatten(0.001)), result.shape.outline
    low_right = [p for p in cut_line.flatten(0.001) if p[0] > 95 and p[1] > 105]
    assert max(sewn.distance(shapely.Point(p)) for p in low_right) == pytest.approx(6.0, abs=0.005)


@pytest.mark.parametrize("bend", [0.0, 4.0, -4.0])
@pytest.mark.parametrize(("first", "second"), [(10.0, 4.0), (4.0, 10.0)])
def test_two_widths_along_an_all_but_straight_edge_meet_in_a_square_step(
    bend: float, first: float, second: float
) -> None:
    points = [(0, 0), (50, -bend), (100, 0), (100, 60), (0, 60)]
    chain = [(s, str(k)) for k, s in enumerate(Path.polygon(points).segments)]
    result = Path(tuple(s for s, _ in moved(chain, [first, second, 5.0, 5.0, 5.0]).chain))
    assert shapely.LinearRing(result.flatten(0.001)).is_simple
    ring = shapely.LinearRing(result.flatten(0.001))
    for (a, b), width in ((points[:2], first), (points[1:3], second)):
        for share in (0.3, 0.5, 0.7):
            middle = shapely.Point(a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))
            assert ring.distance(middle) == pytest.approx(width, abs=1e-3)
    # The step's end is square to the wider edge at the joint.
    wide = np.subtract(*((points[1], points[0]) if first > second else (points[2], points[1])))
    across = [s for s in result.segments if abs(float((s[1] - s[0]) @ wide)) < 1e-6 and abs(s[0][0] - 50) < 2]
    assert len(across) == 1


def test_a_circle_smaller_than_what_is_taken_off_is_not_turned_inside_out() -> None:
    with pytest.raises(CutListError, match="nothing would be left"):
        allow(shape(circle(20.0)), Allowance(includes_mm=21.0))
    assert allow(shape(circle(20.0)), Allowance(includes_mm=19.0)).finished.outline.area == pytest.approx(
        math.pi, rel=1e-3
    )


@pytest.mark.parametrize("radius", [4.0, 8.0, 20.0])
@pytest.mark.parametrize(("bite_mm", "rest_mm"), [(15.0, 3.0), (15.0, 0.0), (3.0, 15.0)])
def test_a_bite_with_another_width_than_the_straight_edge_beside_it_leaves_no_spike(
    radius: float, bite_mm: float, rest_mm: float
) -> None:
    # Where the bite's own parallel has folded over, the straight edges' parallels lie on one line.
    arc = [s[::-1] for s in reversed(arc_segments(radius, 0.0, 180.0, 2, centre=(60.0, 0.0)))]
    outline = Path((
        line((0, 0), (60 - radius, 0)), *arc, line((60 + radius, 0), (120, 0)),
        line((120, 0), (120, 100)), line((120, 100), (0, 100)), line((0, 100), (0, 0)),
    ))  # fmt: skip
    widths = {"2": EdgeAllowance(width_mm=bite_mm)}
    result = allow(shape(outline), Allowance(all_mm=rest_mm, edges=widths)).shape.outline
    box = result.bounds
    assert box.width == pytest.approx(120 + 2 * rest_mm, abs=0.001)
    assert box.height == pytest.approx(100 + 2 * rest_mm, abs=0.001)
    ring = shapely.LinearRing(result.flatten(0.001))
    assert ring.is_simple
    assert shapely.Polygon(ring).buffer(0.002).contains(shapely.Polygon(outline.flatten(0.001)))
    if radius > bite_mm:
        assert ring.distance(shapely.Point(60, radius)) == pytest.approx(bite_mm, abs=0.002)
