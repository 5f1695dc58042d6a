"""What is written on cut-ready pieces, notches on splits and folds, holes with an allowance."""

from __future__ import annotations

import math

import pytest
import shapely

from calibration import MM_PER_INCH
from tests.tracer.cutting.pieces import circle, pattern, piece, rectangle, shape
from tracer.cutting.allowance import Allowance, allow
from tracer.cutting.lettering import cut_words
from tracer.cutting.make import CutResult, make_cut
from tracer.cutting.reader import read_cut_list
from tracer.cutting.splitting import line_between, split
from tracer.errors import CutListError
from tracer.labels import TextLine, parse_label
from tracer.path import OpenPath
from tracer.piece import CutNote, Mark, Piece

QUARTER_MM = MM_PER_INCH / 4


def cut(text: str, *pieces: Piece) -> CutResult:
    return make_cut(pattern(*pieces), read_cut_list(text))


def words(one: Piece) -> list[str]:
    return [m.text for m in one.marks if m.kind == "text"]


def half(**more: object) -> Piece:
    marks = [
        Mark(kind="text", at=(60.0, 140.0), text="Bib"),
        Mark(kind="text", at=(60.0, 150.0), text="cut 1 on fold"),
        Mark(kind="text", at=(5.0, 150.0), text="place on fold"),
        Mark(kind="text", at=(60.0, 280.0), text="hem 2 cm"),
    ]
    return piece(rectangle(120.0, 300.0), marks=marks, cut=CutNote(count=1, fold=True), **more)  # type: ignore[arg-type]


def test_an_unfolded_piece_no_longer_says_that_it_lies_on_the_fold() -> None:
    (made,) = cut('[[piece]]\nfrom = "Bib"\nname = "Bib lining"\nunfold = "left"\ncount = 2\n', half()).pattern.pieces
    assert words(made) == ["hem 2 cm", "Bib lining", "cut 2"]


@pytest.mark.parametrize("text", ["fold up 2 cm", "5 x 7 in", "cut away from here", "two notches", "grain"])
def test_words_that_still_hold_stay(text: str) -> None:
    marked = piece(rectangle(120.0, 300.0), marks=[Mark(kind="text", at=(60.0, 150.0), text=text)])
    (made,) = cut('[[piece]]\nfrom = "Bib"\nunfold = "left"\n', marked).pattern.pieces
    assert words(made) == [text, "Bib", "cut 1"]


@pytest.mark.parametrize(
    "text", ["CUT 2", "cut out one", "2 x", "x 4", "1 pair", "place on the fold", "cut 1 mirrored"]
)
def test_words_that_hold_no_longer_go(text: str) -> None:
    marked = piece(rectangle(120.0, 300.0), marks=[Mark(kind="text", at=(60.0, 150.0), text=text)])
    (made,) = cut('[[piece]]\nfrom = "Bib"\nunfold = "left"\n', marked).pattern.pieces
    assert words(made) == ["Bib", "cut 1"]


def test_a_half_that_stays_a_half_says_so() -> None:
    (made,) = cut('[[piece]]\nfrom = "Bib"\n', half()).pattern.pieces
    assert words(made) == ["hem 2 cm", "Bib", "cut 1 on the fold"]


def test_both_parts_of_a_split_have_labels_of_their_own_inside_them() -> None:
    text = '[[piece]]\nfrom = "Bib"\npair = true\nsplit = { from = "left 30%", to = "right 30%" }\non = "felt"\n'
    for made in cut(text, half()).pattern.pieces:
        assert words(made)[-2:] == [made.name, "cut 1 pair, felt"]
        polygon = shapely.Polygon(made.outline.flatten(0.1))
        assert all(polygon.contains(shapely.Point(m.at)) for m in made.marks[-2:])


@pytest.mark.parametrize("count", [1, 2, 3, 4, 24])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("fold", [False, True])
@pytest.mark.parametrize("material", ["", "lining"])
def test_what_is_written_on_a_piece_reads_back_as_the_same(
    count: int, mirrored: bool, fold: bool, material: str
) -> None:
    note = CutNote(count=count, mirrored=mirrored, fold=fold, material=material)
    assert parse_label([TextLine(text="Bib"), TextLine(text=cut_words(note))]).cut == note


@pytest.mark.parametrize("count", [1, 3])
def test_the_notches_of_a_split_match_and_lie_across_both_allowances(count: int) -> None:
    text = (
        '[[piece]]\nfrom = "Bib"\nsplit = { from = "left 40%", to = "right 50%", allowance = "1/4in", '
        f'notches = {count} }}\n[[seam]]\none = {{ piece = "Bib top", edge = "bottom" }}\n'
        'other = { piece = "Bib bottom", edge = "top" }\n'
    )
    result = cut(text, half())
    (seam,) = result.seams
    assert seam.findings == ()
    length = math.hypot(120.0, 30.0)
    expected = [length * (n + 1) / (count + 1) for n in range(count)]
    assert seam.one.notches_mm == pytest.approx(expected)
    assert seam.other.notches_mm == pytest.approx(expected)
    for made in result.pattern.pieces:
        edge = shapely.LinearRing(made.outline.flatten(0.001))
        inside = shapely.Polygon(edge).buffer(1e-6)
        for mark in made.marks:
            if mark.kind == "notch":
                assert mark.path is not None
                drawn = shapely.LineString(mark.path.flatten(0.1))
                assert edge.distance(drawn) == pytest.approx(0.0, abs=1e-6)
                assert inside.contains(drawn)


def test_a_split_without_allowance_is_no_seam_and_gets_no_notches() -> None:
    made = cut('[[piece]]\nfrom = "Bib"\nsplit = { from = "left 40%", to = "right 40%" }\n', half()).pattern.pieces
    assert not [m for p in made for m in p.marks if m.kind == "notch"]


def test_a_notch_goes_with_the_part_on_whose_edge_it_lies() -> None:
    beside = Mark(kind="notch", at=(0.0, 118.0), path=OpenPath.polyline([(0, 118), (6, 118)]))
    bare = shape(rectangle(120.0, 300.0), marks=[beside])
    parts = split(bare, line_between(bare, "left 40%", "right 40%"))
    assert sorted(len(p.finished.marks) for p in parts) == [0, 1]


def test_allowance_all_round_a_split_piece_meets_the_one_on_the_cut() -> None:
    text = (
        '[[piece]]\nfrom = "Bib"\nsplit = { from = "left 50%", to = "right 50%", allowance = "1/2in" }\n'
        'allowance = "1/4in"\n'
    )
    for made in cut(text, half()).pattern.pieces:
        box = made.outline.bounds
        assert (box.width, box.height) == pytest.approx((120 + 2 * QUARTER_MM, 150 + 3 * QUARTER_MM))
        assert made.outline.node_count == 4
        assert made.made is not None
        assert made.made.finished_mm == pytest.approx((120, 150))
        (sewn,) = [m for m in made.marks if m.kind == "stitching line"]
        assert sewn.path is not None
        assert sewn.path.closed().area == pytest.approx(120 * 150)


def test_notches_of_a_seam_that_is_unfolded_are_left_out() -> None:
    seam = Mark(kind="notch", at=(0.0, 100.0), path=OpenPath.polyline([(0, 100), (6, 100)]))
    side = Mark(kind="notch", at=(120.0, 100.0), path=OpenPath.polyline([(120, 100), (114, 100)]))
    result = cut('[[piece]]\nfrom = "Bib"\nunfold = "left"\n', piece(rectangle(120.0, 300.0), marks=[seam, side]))
    places = sorted(m.at[0] for m in result.pattern.pieces[0].marks if m.kind == "notch" and m.at)
    assert places == pytest.approx([-120.0, 120.0])
    assert [f.code for f in result.pattern.findings] == ["fold-notches"]


def test_holes_are_left_alone_and_told_unless_a_width_is_given() -> None:
    ring = piece(circle(60.0), holes=[circle(20.0).reversed()])
    (plain,) = cut('[[piece]]\nfrom = "Bib"\nallowance = "10mm"\n', ring).pattern.pieces
    assert plain.holes[0].area == pytest.approx(math.pi * 400, rel=1e-4)
    result = cut('[[piece]]\nfrom = "Bib"\nallowance = { all = "10mm", holes = "5mm" }\n', ring)
    (made,) = result.pattern.pieces
    assert made.area_mm2 == pytest.approx(math.pi * (70**2 - 15**2), rel=1e-4)
    assert result.pattern.findings == ()
    sewn = [m.path.closed().area for m in made.marks if m.kind == "stitching line" and m.path]
    assert sorted(sewn) == pytest.approx([math.pi * 400, math.pi * 3600], rel=1e-4)


def test_an_allowance_that_a_hole_includes_is_taken_off() -> None:
    ring = shape(circle(60.0), holes=[circle(20.0)])
    result = allow(ring, Allowance(includes_mm=10.0, includes_holes_mm=6.0))
    assert result.shape.area_mm2 == pytest.approx(math.pi * (50**2 - 26**2), rel=1e-4)


def test_a_hole_that_would_close_or_reach_over_the_edge_is_refused() -> None:
    ring = shape(circle(60.0), holes=[circle(20.0)])
    with pytest.raises(CutListError, match="would close up"):
        allow(ring, Allowance(holes_mm=21.0))
    with pytest.raises(CutListError, match="reach over"):
        allow(ring, Allowance(includes_mm=10.0, includes_holes_mm=31.0))


def test_the_report_shows_each_step_with_the_words_that_hold_then() -> None:
    result = cut('[[piece]]\nfrom = "Bib"\nunfold = "left"\nallowance = "1/4in"\n', half())
    stages = {s.step: s for s in result.made[0].stages}

    def shown(step: str, *, after: bool) -> list[str]:
        (one,) = stages[step].after if after else stages[step].before
        return [m.text for m in one.marks if m.kind == "text"]

    assert "place on fold" in shown("unfold", after=False)
    assert shown("unfold", after=True) == ["Bib", "hem 2 cm"]
    assert shown("allowance", after=True) == ["hem 2 cm", "Bib", "cut 1"]
