"""Trim and unfold against closed forms, and what is said where the drawing is not square to the fold."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration import MM_PER_INCH
from tests.tracer.cutting.pieces import arc_segments, half_circle, rectangle, shape
from tracer.cutting.fold import MERGED_MM, unfold
from tracer.cutting.trimming import trim
from tracer.errors import CutListError
from tracer.path import OpenPath, Path
from tracer.piece import Mark

THREE_EIGHTHS_MM = 3 / 8 * MM_PER_INCH
EXACT_MM = 1e-9


@pytest.mark.parametrize("count", [2, 3, 6])
def test_a_half_circle_unfolded_is_a_circle(count: int) -> None:
    radius = 50.0
    half = half_circle(radius, count)
    whole, findings = unfold(shape(half), "left")
    assert findings == []
    r = np.hypot(*whole.outline.sample(0.05)[0].T)
    drawn = np.hypot(*np.array(half.sample(0.05)[0]).T)[: len(r) // 4]
    # The half circle itself is off by 2.7e-4 (180/count/90)^6 radii; unfolding adds at most a micrometre.
    assert np.abs(r - radius).max() < np.abs(drawn - radius).max() + MERGED_MM
    assert whole.outline.area == pytest.approx(2 * half.area, abs=2 * math.pi * radius * MERGED_MM)
    assert whole.outline.corners_sharper_than(179.9) == ()


@pytest.mark.parametrize("count", [2, 3, 6])
def test_no_node_is_left_on_the_fold(count: int) -> None:
    whole, _ = unfold(shape(half_circle(50.0, count)), "left")
    assert all(abs(s[0][0]) > 0.1 for s in whole.outline.segments)
    box, _ = unfold(shape(rectangle(120.0, 300.0)), "left")
    assert box.outline.node_count == 4
    assert all(abs(s[0][0]) == pytest.approx(120.0) for s in box.outline.segments)


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
def test_a_rectangle_trimmed_and_unfolded_is_twice_as_wide_less_two_strips(side: str) -> None:
    width, height = 181.3, 304.7
    trimmed = trim(shape(rectangle(width, height, 11.1, 7.3)), side, THREE_EIGHTHS_MM)
    whole, findings = unfold(trimmed, side)
    box = whole.outline.bounds
    across, along = (box.width, box.height) if side in ("left", "right") else (box.height, box.width)
    size, other = (width, height) if side in ("left", "right") else (height, width)
    assert across == pytest.approx(2 * (size - THREE_EIGHTHS_MM), abs=EXACT_MM)
    assert along == pytest.approx(other, abs=EXACT_MM)
    assert whole.outline.area == pytest.approx(2 * (size - THREE_EIGHTHS_MM) * other, rel=1e-12)
    assert whole.outline.node_count == 4
    assert findings == []


def hem_off_by(degrees: float) -> Path:
    drop = 120 * math.tan(math.radians(degrees))
    return Path.polygon([(0, 0), (120, 0), (120, 300), (0, 300 + drop)])


@pytest.mark.parametrize(("degrees", "kind"), [(4.0, "point"), (-2.5, "dip")])
def test_a_hem_that_is_not_square_to_the_fold_is_reported_with_its_angle(degrees: float, kind: str) -> None:
    whole, (finding,) = unfold(shape(hem_off_by(degrees)), "left")
    assert finding.code == "fold-not-square"
    assert finding.severity == "warning"
    assert f"{90 - degrees:.2f} degrees" in finding.message
    assert f"a {kind} ({180 - 2 * degrees:.2f} degrees)" in finding.message
    angles = [c.inner_angle_deg for c in whole.outline.corners_sharper_than(179.9) if abs(c.point[0]) < 1e-6]
    assert angles == [pytest.approx(180 - 2 * abs(degrees))]


@pytest.mark.parametrize("degrees", [4.0, -2.5])
def test_truing_takes_the_point_or_dip_away_and_moves_nothing_else(degrees: float) -> None:
    half = shape(hem_off_by(degrees))
    whole, (finding,) = unfold(half, "left", true=True)
    assert finding.code == "fold-trued"
    assert [c for c in whole.outline.corners_sharper_than(179.9) if abs(c.point[0]) < 100] == []
    assert all(abs(s[0][0]) > 0.1 for s in whole.outline.segments)
    # Two inches of blend, half of them under the tangent: it moves by half of 50.8 sin(angle).
    low = whole.outline.bounds.y_max - half.outline.bounds.y_max
    assert abs(low) <= 25.4 * math.sin(math.radians(abs(degrees))) + 0.05
    assert abs(whole.outline.area - 2 * half.outline.area) < 50.8 * 2 * 25.4 * math.sin(math.radians(abs(degrees)))


def test_an_end_off_square_by_less_than_the_uncertainty_is_made_square() -> None:
    half = shape(hem_off_by(0.03))
    whole, (finding,) = unfold(half, "left", uncertainty_mm=0.1)
    assert finding.code == "fold-squared"
    assert finding.severity == "note"
    assert whole.outline.node_count == 4
    kept, (warning,) = unfold(half, "left", uncertainty_mm=0.01)
    assert warning.code == "fold-not-square"
    assert kept.outline.node_count > 4


def test_a_curve_square_to_the_fold_becomes_one_smooth_cubic_across_it() -> None:
    neck = Path.from_svg("M 0 40 C 30 40 55 20 60 0 L 150 0 L 150 300 L 0 300 Z")
    whole, findings = unfold(shape(neck), "left")
    assert findings == []
    assert whole.outline.corners_sharper_than(179.9) == tuple(
        c for c in whole.outline.corners_sharper_than(179.9) if abs(c.point[0]) > 50
    )
    assert all(abs(s[0][0]) > 1 for s in whole.outline.segments)
    assert whole.outline.area == pytest.approx(2 * neck.area, abs=0.2)


def test_marks_are_doubled_but_words_and_grain_are_not() -> None:
    marks = [
        Mark(kind="notch", at=(120.0, 150.0)),
        Mark(kind="circle", at=(60.0, 60.0)),
        Mark(kind="text", at=(60.0, 200.0), text="Bib cut 1 on fold"),
        Mark(kind="grain line", path=OpenPath.polyline([(40, 100), (40, 200)])),
        Mark(kind="fold line", path=OpenPath.polyline([(0, 10), (0, 290)])),
        Mark(kind="internal line", path=OpenPath.polyline([(20, 100), (80, 110)])),
    ]
    whole, _ = unfold(shape(rectangle(120.0, 300.0), marks=marks), "left")
    doubled = ["circle", "internal line", "notch"]
    assert sorted(m.kind for m in whole.marks) == sorted([*doubled, *doubled, "internal line", "grain line", "text"])
    assert sorted(m.at[0] for m in whole.marks if m.kind == "notch" and m.at) == [-120.0, 120.0]
    assert [m.text for m in whole.marks if m.text] == ["Bib cut 1 on fold", "centre"]


def test_holes_are_mirrored_too() -> None:
    hole = rectangle(10.0, 10.0, 50.0, 50.0)
    whole, _ = unfold(shape(rectangle(120.0, 300.0), holes=[hole]), "left")
    assert len(whole.holes) == 2
    assert whole.area_mm2 == pytest.approx(2 * (120 * 300 - 100))
    assert whole.holes[1].signed_area > 0


def test_a_curved_edge_cannot_be_a_fold() -> None:
    half = half_circle(50.0)
    with pytest.raises(CutListError, match=r"not straight: it strays 50\.00 mm"):
        unfold(shape(half), "right")


def test_a_piece_that_reaches_over_its_fold_is_refused() -> None:
    over = Path.polygon([(0, 0), (100, 0), (100, 300), (-40, 340), (-40, 320), (0, 300)])
    with pytest.raises(CutListError, match=r"reaches 40\.00 mm .* over its edge"):
        unfold(shape(over), "left")


def test_trimming_follows_a_curve_and_carries_its_notch_along() -> None:
    arc = arc_segments(100.0, -30.0, 30.0, 3)
    fan = Path((*arc, np.array([arc[-1][-1], (0.0, 0.0)]), np.array([(0.0, 0.0), arc[0][0]])))
    notch = Mark(kind="notch", at=(100.0, 0.0))
    trimmed = trim(shape(fan, marks=[notch]), "right", 10.0)
    (moved,) = trimmed.marks
    assert moved.at == pytest.approx((90.0, 0.0), abs=1e-3)
    assert trimmed.outline.area == pytest.approx(fan.area * 0.81, rel=1e-4)


def test_trimming_clips_lines_and_drops_what_lies_on_the_strip() -> None:
    marks = [
        Mark(kind="circle", at=(115.0, 50.0)),
        Mark(kind="text", at=(60.0, 50.0), text="Bib"),
        Mark(kind="internal line", path=OpenPath.polyline([(20, 100), (118, 100)])),
    ]
    trimmed = trim(shape(rectangle(120.0, 300.0), marks=marks), "right", 10.0)
    assert [m.kind for m in trimmed.marks] == ["text", "internal line"]
    line = trimmed.marks[1].path
    assert line is not None
    assert line.length == pytest.approx(90.0)


def test_trimming_at_obtuse_and_reflex_corners_carries_the_neighbour_on() -> None:
    slanted = shape(Path.polygon([(0, 0), (100, 0), (140, 80), (0, 80)]))
    cut = trim(slanted, "top", 10.0).outline
    assert cut.area == pytest.approx(slanted.outline.area - (100 + 105) / 2 * 10)
    step = shape(Path.polygon([(0, 0), (60, 0), (60, 40), (120, 40), (120, 100), (0, 100)]))
    assert trim(step, "3", 10.0).outline.area == pytest.approx(step.outline.area - 60 * 10)


@pytest.mark.parametrize("width", [120.0, 121.0, 500.0])
def test_trimming_the_whole_piece_away_is_refused(width: float) -> None:
    with pytest.raises(CutListError, match="nothing would be left"):
        trim(shape(rectangle(120.0, 300.0)), "right", width)


def test_a_strip_through_a_hole_is_refused() -> None:
    holed = shape(rectangle(120.0, 300.0), holes=[rectangle(10.0, 10.0, 105.0, 50.0)])
    with pytest.raises(CutListError, match="cut through the hole"):
        trim(holed, "right", 10.0)
