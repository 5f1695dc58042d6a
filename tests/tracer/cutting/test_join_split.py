"""Joining and splitting: areas, sizes, notches, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from calibration import MM_PER_INCH
from tests.tracer.cutting.pieces import arc_segments, circle, rectangle, shape
from tracer.cutting.joining import join
from tracer.cutting.shape import Shape
from tracer.cutting.splitting import drawn_line, line_between, side_names, split
from tracer.errors import CutListError
from tracer.path import OpenPath, Path, rotation_matrix
from tracer.piece import Mark

THREE_EIGHTHS_MM = 3 / 8 * MM_PER_INCH


def is_simple(one: Shape) -> bool:
    return bool(shapely.LinearRing(one.outline.flatten(0.002)).is_simple)


def test_two_rectangles_joined_lose_their_allowance_and_no_more() -> None:
    result = join(
        shape(rectangle(100.0, 300.0)),
        shape(rectangle(60.0, 300.0, 500.0, 40.0)),
        edge="right",
        to="left",
        drop_mm=THREE_EIGHTHS_MM,
    )
    box = result.shape.outline.bounds
    assert box.width == pytest.approx(160 - 2 * THREE_EIGHTHS_MM, abs=1e-9)
    assert box.height == pytest.approx(300, abs=1e-9)
    assert result.shape.outline.area == pytest.approx(160 * 300 - 2 * THREE_EIGHTHS_MM * 300, rel=1e-12)
    assert result.shape.outline.node_count == 4
    assert result.findings == ()
    assert result.parting_mm == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("angle", [17.0, 90.0, 163.0])
def test_a_piece_that_lies_turned_is_turned_back_to_fit(angle: float) -> None:
    other = rectangle(60.0, 300.0).transformed(rotation_matrix(angle, (300, 300)))
    turned = shape(other)
    # The edge that faced left before it was turned is found by where it is now.
    goal = np.array([[0.0, 0.0], [0.0, 300.0]]) @ rotation_matrix(angle, (300, 300))[:, :2].T
    middle = goal.mean(axis=0) + rotation_matrix(angle, (300, 300))[:, 2]
    number = min(range(4), key=lambda k: float(np.hypot(*(turned.outline.segments[k].mean(axis=0) - middle))))
    result = join(shape(rectangle(100.0, 300.0)), turned, edge="right", to=turned.labels[number])
    assert result.shape.outline.bounds.width == pytest.approx(160.0, abs=1e-9)
    assert result.shape.outline.area == pytest.approx(160 * 300)
    assert (result.turned_deg - (360 - angle)) % 360 == pytest.approx(0, abs=1e-6) or abs(
        (result.turned_deg + angle) % 360
    ) == pytest.approx(0, abs=1e-6)


def test_matching_curves_are_joined_along_the_curve() -> None:
    arc = arc_segments(200.0, -30.0, 30.0, 4)
    top, bottom = arc[0][0], arc[-1][-1]
    bulging = Path((np.array([(0.0, top[1]), top]), *arc, np.array([bottom, (0.0, bottom[1])]),
                    np.array([(0.0, bottom[1]), (0.0, top[1])])))  # fmt: skip
    inner = [s[::-1] for s in reversed(arc)]
    hollow = Path((*inner, np.array([top, (300.0, top[1])]), np.array([(300.0, top[1]), (300.0, bottom[1])]),
                   np.array([(300.0, bottom[1]), bottom])))  # fmt: skip
    result = join(shape(bulging), shape(hollow), edge="right", to="left")
    assert result.shape.outline.area == pytest.approx(bulging.area + hollow.area)
    assert result.shape.outline.area == pytest.approx(300 * 200.0)
    assert result.shape.outline.node_count == 4
    assert result.parting_mm < 1e-6


@pytest.mark.parametrize("match", ["start", "middle", "end"])
def test_unequal_edges_are_reported_and_laid_as_asked(match: str) -> None:
    result = join(
        shape(rectangle(100.0, 300.0)),
        shape(rectangle(60.0, 294.0)),
        edge="right",
        to="left",
        match=match,  # type: ignore[arg-type]
    )
    (finding,) = [f for f in result.findings if f.code == "edges-differ"]
    assert "6.00 mm (1/4 in)" in finding.message
    assert "300.00 and 294.00 mm" in finding.message
    corners = np.array([s[0] for s in result.shape.outline.segments])
    tops = sorted(corners[corners[:, 0] > 150][:, 1])
    expected = {"start": [0.0, 294.0], "middle": [3.0, 297.0], "end": [6.0, 300.0]}[match]
    assert tops == pytest.approx(expected)
    assert result.shape.outline.area == pytest.approx(100 * 300 + 60 * 294)
    assert is_simple(result.shape)


def test_notches_on_the_seam_are_compared_and_taken_away() -> None:
    def marked(x: float, y: float) -> list[Mark]:
        return [Mark(kind="notch", at=(x, y)), Mark(kind="circle", at=(30.0, 30.0))]

    alike = join(
        shape(rectangle(100.0, 300.0), marks=marked(100.0, 120.0)),
        shape(rectangle(60.0, 300.0), marks=marked(0.0, 120.5)),
        edge="right",
        to="left",
    )
    assert alike.findings == ()
    assert [m.kind for m in alike.shape.marks] == ["circle", "circle"]
    off = join(
        shape(rectangle(100.0, 300.0), marks=marked(100.0, 120.0)),
        shape(rectangle(60.0, 300.0), marks=marked(0.0, 125.0)),
        edge="right",
        to="left",
    )
    (finding,) = off.findings
    assert finding.code == "notches-differ"
    assert "5.00 mm" in finding.message
    none = join(
        shape(rectangle(100.0, 300.0), marks=marked(100.0, 120.0)),
        shape(rectangle(60.0, 300.0)),
        edge="right",
        to="left",
    )
    assert "1 notch on one edge, 0 on the other" in none.findings[0].message


def test_different_grain_is_reported() -> None:
    upright = Mark(kind="grain line", path=OpenPath.polyline([(50, 100), (50, 200)]))
    slanted = Mark(kind="grain line", path=OpenPath.polyline([(20, 100), (37.63, 200)]))
    result = join(
        shape(rectangle(100.0, 300.0), marks=[upright]),
        shape(rectangle(60.0, 300.0), marks=[slanted]),
        edge="right",
        to="left",
    )
    assert [f.code for f in result.findings] == ["grain-differs"]
    assert "10.0 degrees" in result.findings[0].message


def test_edges_of_different_curves_are_refused() -> None:
    bulging = Path((np.array([(0, -50.0), (0.0, -50.0 + 1e-9)]), *arc_segments(50.0, -90.0, 90.0, 4),
                    np.array([(0.0, 50.0), (0.0, -50.0)])))  # fmt: skip
    with pytest.raises(CutListError, match="different curves"):
        join(shape(bulging), shape(rectangle(60.0, 100.0)), edge="right", to="left")


def test_the_edges_of_the_joined_part_keep_their_numbers_under_its_name() -> None:
    notched = Path.polygon([(0, 0), (60, 0), (60, 140), (40, 150), (60, 160), (60, 300), (0, 300)])
    result = join(shape(rectangle(100.0, 300.0)), shape(notched), edge="right", to="left", other_name="Side")
    assert "Side:3" in result.shape.labels
    assert "Side:4" in result.shape.labels


@pytest.mark.parametrize("allowance", [0.0, MM_PER_INCH / 4])
def test_a_split_gives_two_parts_with_allowance_on_the_cut_only(allowance: float) -> None:
    whole = shape(rectangle(100.0, 300.0))
    left, right = split(whole, line_between(whole, "top 40%", "bottom 40%"), allowance)
    if side_names(left.shape, right.shape)[0] == "right":
        left, right = right, left
    assert left.finished.outline.area + right.finished.outline.area == pytest.approx(whole.outline.area, rel=1e-12)
    assert left.shape.outline.bounds.width == pytest.approx(40 + allowance, abs=1e-9)
    assert right.shape.outline.bounds.width == pytest.approx(60 + allowance, abs=1e-9)
    assert left.shape.outline.bounds.height == pytest.approx(300, abs=1e-9)


def test_a_split_across_curves_keeps_every_point_of_the_outline() -> None:
    wheel = Path((*arc_segments(80.0, -180.0, 0.0, 5), *arc_segments(80.0, 0.0, 180.0, 5)))
    marks = [Mark(kind="internal line", path=OpenPath.polyline([(-10, -60), (15, 70)]))]
    whole = shape(wheel, marks=marks)
    one, two = split(whole, drawn_line(whole, "line 1"))
    assert one.finished.outline.area + two.finished.outline.area == pytest.approx(wheel.area, rel=1e-9)
    radii = np.hypot(*np.array(one.finished.outline.sample(1.0)[0]).T)
    assert radii.max() == pytest.approx(80.0, abs=0.01)
    assert is_simple(one.finished)
    assert is_simple(two.finished)


def test_a_split_between_notches() -> None:
    marks = [Mark(kind="notch", at=(100.0, 90.0)), Mark(kind="notch", at=(0.0, 120.0))]
    whole = shape(rectangle(100.0, 300.0), marks=marks)
    upper, lower = (p.finished for p in split(whole, line_between(whole, "notch 1", "notch 2")))
    if side_names(upper, lower)[0] == "bottom":
        upper, lower = lower, upper
    assert upper.outline.area == pytest.approx((90 + 120) / 2 * 100)
    assert lower.outline.area == pytest.approx(300 * 100 - 10500)


def test_marks_go_to_the_part_they_lie_on_and_lines_are_clipped() -> None:
    marks = [
        Mark(kind="text", at=(20.0, 100.0), text="Bib"),
        Mark(kind="circle", at=(80.0, 100.0)),
        Mark(kind="internal line", path=OpenPath.polyline([(10, 200), (90, 200)])),
    ]
    whole = shape(rectangle(100.0, 300.0), marks=marks)
    parts = split(whole, line_between(whole, "top 40%", "bottom 40%"), 5.0)
    by_width = sorted(parts, key=lambda p: p.finished.outline.bounds.width)
    assert sorted(m.kind for m in by_width[0].shape.marks) == ["internal line", "stitching line", "text"]
    assert sorted(m.kind for m in by_width[1].shape.marks) == ["circle", "internal line", "stitching line"]
    lengths = [m.path.length for p in by_width for m in p.shape.marks if m.kind == "internal line" and m.path]
    assert lengths == pytest.approx([30.0, 50.0])


def test_a_split_line_that_leaves_the_piece_or_cuts_a_hole_is_refused() -> None:
    horseshoe = shape(Path.polygon([(0, 0), (100, 0), (100, 100), (70, 100), (70, 30), (30, 30), (30, 100), (0, 100)]))
    with pytest.raises(CutListError, match="leaves the piece near"):
        split(horseshoe, line_between(horseshoe, "left 60mm", "right 60mm"))
    holed = shape(rectangle(100.0, 100.0), holes=[circle(10.0, 4, (50.0, 50.0))])
    with pytest.raises(CutListError, match="through the hole"):
        split(holed, line_between(holed, "left 50%", "right 50%"))
    with pytest.raises(CutListError, match="runs along the outline"):
        split(holed, line_between(holed, "top 10%", "top 80%"))


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("tip 40%", "there is no edge 'tip'.*did you mean 'top'"),
        ("top", "cannot read the place 'top'"),
        ("top 400mm", "beyond the end: the edge is 100.0 mm"),
        ("notch 1", "it has no notches"),
        ("top 4 fathoms", "cannot read the unit"),
    ],
)
def test_a_place_that_cannot_be_read_is_explained(place: str, message: str) -> None:
    whole = shape(rectangle(100.0, 300.0))
    with pytest.raises(CutListError, match=message):
        line_between(whole, place, "bottom 40%")


def test_places_are_counted_from_the_top_or_left_whichever_way_the_outline_runs() -> None:
    whole = shape(rectangle(100.0, 300.0))
    for word, x, y in (("top 10%", 10, 0), ("bottom 10%", 10, 300), ("left 1in", 0, 25.4), ("right 10%", 100, 30)):
        (start,) = {tuple(line_between(whole, word, "top 55%").segments[0][0].round(9))}
        assert start == (x, y)
    assert math.isclose(line_between(whole, "top 10%", "bottom 10%").length, 300.0)


@pytest.mark.parametrize(("match", "low"), [("start", 100.0), ("middle", 97.0), ("end", 94.0)])
def test_notches_are_compared_where_they_lie_on_each_other(match: str, low: float) -> None:
    # The second edge is 6 mm shorter, so its notch lies 0, 3 or 6 mm farther down the first edge than on its own.
    result = join(
        shape(rectangle(100.0, 300.0), marks=[Mark(kind="notch", at=(100.0, 100.0))]),
        shape(rectangle(60.0, 294.0), marks=[Mark(kind="notch", at=(0.0, low))]),
        edge="right",
        to="left",
        match=match,  # type: ignore[arg-type]
    )
    assert [f.code for f in result.findings if f.code == "notches-differ"] == []
