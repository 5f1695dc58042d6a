"""A cut list carried out: order, what goes along, what a piece says of itself, its uncertainty, seams and patches."""

from __future__ import annotations

import json
import math
from importlib import resources

import jsonschema
import pytest

from calibration import MM_PER_INCH
from tests.tracer.cutting.pieces import pattern, piece, rectangle, sheet_record
from tracer.cutting.copies import every_copy, mirrored_piece
from tracer.cutting.make import CutResult, make_cut
from tracer.cutting.reader import read_cut_list
from tracer.path import OpenPath, Path
from tracer.pattern import from_json, to_json
from tracer.piece import CutNote, Mark

THREE_EIGHTHS_MM = 3 / 8 * MM_PER_INCH
ROUNDING_MM = 1e-4  # of the pattern file


def cut(text: str, *pieces, sheets=None) -> CutResult:
    return make_cut(pattern(*pieces, sheets=sheets), read_cut_list(text))


def bib(**more):
    marks = [
        Mark(kind="text", at=(60.0, 150.0), text="Bib"),
        Mark(kind="notch", at=(120.0, 100.0), path=OpenPath.polyline([(120, 100), (114, 100)])),
        Mark(kind="grain line", path=OpenPath.polyline([(40, 100), (40, 200)])),
    ]
    return piece(rectangle(120.0, 300.0), marks=marks, **more)


def test_a_panel_loses_its_seam_and_is_made_whole() -> None:
    result = cut('[[piece]]\nfrom = "Bib"\ntrim = [{ edge = "left", by = "3/8in" }]\nunfold = "left"\n', bib())
    made = result.pattern.pieces[0]
    assert made.outline.bounds.width == pytest.approx(2 * (120 - THREE_EIGHTHS_MM), abs=1e-9)
    assert [s.split(":")[0] for s in made.made.steps] == ["trim", "unfold"]
    assert made.made.sources == ("p1",)


def test_steps_apply_in_the_given_order_whatever_their_order_in_the_list() -> None:
    text = """
    [[piece]]
    allowance = "1/4in"
    split = { from = "top 50%", to = "bottom 50%", allowance = "1/4in" }
    unfold = "left"
    join = { piece = "Side", edge = "right", to = "left", drop = "3/8in" }
    trim = { edge = "bottom", by = "10mm" }
    from = "Bib"
    """
    other = piece(rectangle(60.0, 290.0, 300.0), name="Side", id="p2")
    result = cut(text, bib(), other)
    assert [s.step for s in result.made[0].stages] == ["trim", "join", "unfold", "split", "allowance"]
    left, right = result.pattern.pieces
    assert (left.name, right.name) == ("Bib left", "Bib right")
    half = 180 - 2 * THREE_EIGHTHS_MM
    assert left.outline.bounds.width == pytest.approx(half + 2 * MM_PER_INCH / 4, abs=1e-9)
    assert left.outline.bounds.height == pytest.approx(290 + MM_PER_INCH / 2, abs=1e-9)
    assert left.made.finished_mm == pytest.approx((half, 290.0))
    assert left.made.sources == ("p1", "p2")


def test_the_traced_pieces_do_not_change() -> None:
    traced = pattern(bib())
    before = json.dumps(to_json(traced))
    make_cut(traced, read_cut_list('[[piece]]\nfrom = "Bib"\ntrim = { edge = 1, by = 5 }\nallowance = "1in"\n'))
    assert json.dumps(to_json(traced)) == before


def test_cut_pieces_follow_the_pattern_schema_and_come_back_from_it() -> None:
    text = '[[piece]]\nfrom = "Bib"\ncount = 4\npair = true\ntogether = "b"\non = "lining"\nallowance = "1/4in"\n'
    result = cut(text, bib())
    data = json.loads(json.dumps(to_json(result.pattern)))
    schema = json.loads(resources.files("tracer.schema").joinpath("pattern.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(data, schema)
    assert data["pieces"][0]["made"]["from"] == ["p1"]
    assert data["pieces"][0]["made"]["finished_width_mm"] == 120.0
    back = from_json(data)
    assert to_json(back) == data
    assert back.pieces[0].made == result.pattern.pieces[0].made
    assert back.pieces[0].cut == CutNote(count=4, mirrored=True, material="lining")


def test_copies_of_a_pair_alternate_and_the_mirror_image_knows_that_it_is_one() -> None:
    made = cut('[[piece]]\nfrom = "Bib"\npair = true\ncount = 3\n', bib()).pattern.pieces[0]
    first, second, third = every_copy(made)
    assert [c.made.mirrored for c in (first, second, third)] == [False, True, False]
    assert first is third
    notch = next(m for m in second.marks if m.kind == "notch")
    assert notch.at == (0.0, 100.0)
    assert notch.path is not None
    assert tuple(notch.path.segments[0][1]) == (6.0, 100.0)
    assert next(m for m in second.marks if m.kind == "text").text == "Bib"
    assert next(m for m in second.marks if m.kind == "grain line").path.segments[0][0][0] == 80.0
    assert second.outline.signed_area > 0
    assert mirrored_piece(second).outline.to_svg() == made.outline.to_svg()
    assert not mirrored_piece(second).made.mirrored


def test_notches_move_out_to_the_cutting_line_and_the_stitching_line_stays() -> None:
    made = cut('[[piece]]\nfrom = "Bib"\nallowance = "10mm"\n', bib()).pattern.pieces[0]
    assert next(m for m in made.marks if m.kind == "notch").at == pytest.approx((130.0, 100.0))
    (line,) = [m for m in made.marks if m.kind == "stitching line"]
    assert line.path.closed().area == pytest.approx(120 * 300)


def test_a_stitching_line_drawn_inside_warns_before_a_second_allowance() -> None:
    inner = Mark(kind="stitching line", path=OpenPath(rectangle(100.0, 280.0, 10.0, 10.0).segments))
    result = cut('[[piece]]\nfrom = "Bib"\nallowance = "10mm"\n', piece(rectangle(120.0, 300.0), marks=[inner]))
    assert [f.code for f in result.pattern.findings] == ["allowance-twice"]
    result = cut(
        '[[piece]]\nfrom = "Bib"\nallowance = { all = "5mm", includes = "10mm" }\n',
        piece(rectangle(120.0, 300.0), marks=[inner]),
    )
    assert result.pattern.findings == ()


def test_pieces_cut_twice_from_one_tracing_do_not_lie_over_each_other() -> None:
    text = '[[piece]]\nfrom = "Bib"\n[[piece]]\nfrom = "Bib"\nname = "again"\n[[piece]]\nfrom = "Bib"\nname = "third"\n'
    first, second, third = cut(text, bib()).pattern.pieces
    assert first.outline.to_svg() == rectangle(120.0, 300.0).to_svg()
    boxes = [p.outline.bounds for p in (first, second, third)]
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            assert a.x_max <= b.x_min or b.x_max <= a.x_min or a.y_max <= b.y_min or b.y_max <= a.y_min
    dx, dy = second.outline.bounds.x_min, second.outline.bounds.y_min
    (label,) = [m for m in second.marks if m.text == "again"]
    assert label.at == pytest.approx((60 + dx, 147 + dy))


def test_pieces_kept_together_stay_where_they_lay_to_each_other() -> None:
    text = """
    [[piece]]
    from = "Bib"
    [[piece]]
    from = "Bib"
    name = "a"
    together = "set"
    [[piece]]
    from = "Side"
    together = "set"
    """
    side = piece(rectangle(60.0, 290.0, 120.0), name="Side", id="p2")
    _, a, b = cut(text, bib(), side).pattern.pieces
    assert b.outline.bounds.x_min - a.outline.bounds.x_min == pytest.approx(120.0)
    assert b.outline.bounds.y_min - a.outline.bounds.y_min == pytest.approx(0.0)


def test_uncertainty_of_joined_parts_combines_after_the_gum() -> None:
    # JCGM 100, 5.1.2 and 5.2: shares of one sheet's scale add, the rest adds in quadrature.
    text = '[[piece]]\nfrom = "Bib"\njoin = { piece = "Side", edge = "right", to = "left" }\n'
    one = piece(rectangle(120.0, 300.0), uncertainty_mm=0.25)
    other = piece(rectangle(60.0, 300.0, 300.0), name="Side", id="p2", uncertainty_mm=0.2)
    per_m = 1.0  # 0.15 mm over half of 300 mm
    same = cut(text, one, other, sheets=[sheet_record(per_m=per_m)]).pattern.pieces[0]
    scale = 0.3 / 2 * per_m
    rest = (0.25**2 - scale**2) + (0.2**2 - scale**2)
    assert same.expanded_uncertainty_mm == pytest.approx(math.sqrt((2 * scale) ** 2 + rest))
    apart = piece(rectangle(60.0, 300.0, 300.0), name="Side", id="p2", sheet="s2", uncertainty_mm=0.2)
    two = cut(text, one, apart, sheets=[sheet_record(per_m=per_m), sheet_record("s2", per_m)]).pattern
    assert two.pieces[0].expanded_uncertainty_mm == pytest.approx(math.hypot(0.25, 0.2))
    assert [s.id for s in two.sheets] == ["s1", "s2"]
    alone = cut('[[piece]]\nfrom = "Bib"\ntrim = { edge = 1, by = 5 }\n', one).pattern.pieces[0]
    assert alone.expanded_uncertainty_mm == pytest.approx(0.25)
    assert same.size_uncertainty_mm[0] > alone.size_uncertainty_mm[0]


def test_seams_are_compared_in_both_units_and_walked_along_their_notches() -> None:
    front = piece(rectangle(120.0, 300.0), name="Front", marks=[Mark(kind="notch", at=(120.0, 100.0))])
    back = piece(
        Path.polygon([(300, 0), (420, 0), (420, 305), (300, 305)]),
        name="Back",
        id="p2",
        marks=[Mark(kind="notch", at=(300.0, 104.0))],
    )
    text = """
    [[piece]]
    from = "Front"
    allowance = "1/4in"
    [[piece]]
    from = "Back"
    allowance = "1/4in"
    [[seam]]
    name = "side seam"
    one = { piece = "Front", edge = "right" }
    other = { piece = "Back", edge = "left" }
    """
    result = cut(text, front, back)
    (seam,) = result.seams
    assert seam.one.length_mm == pytest.approx(300)
    assert seam.difference_mm == pytest.approx(-5)
    assert seam.one.notches_mm == pytest.approx((100,))
    assert seam.other.notches_mm == pytest.approx((104,))
    assert [f.code for f in seam.findings] == ["seam-differs", "notches-differ"]
    assert "5.00 mm (3/16 in)" in seam.findings[0].message
    assert "Back left is 5.00 mm (3/16 in) longer" in seam.lines()[0]
    eased = cut(text + 'ease = "5mm"\n', front, back)
    assert eased.seams[0].findings == ()
    turned = cut(text + "turned = true\n", front, back)
    assert turned.seams[0].other.notches_mm == pytest.approx((201,))


def test_several_edges_make_one_side_of_a_seam() -> None:
    text = """
    [[piece]]
    from = "Bib"
    [[piece]]
    from = "Side"
    [[seam]]
    one = { piece = "Bib", edge = "right" }
    other = [{ piece = "Side", edge = "left" }, { piece = "Side", edge = "top" }]
    """
    side = piece(rectangle(60.0, 240.0, 300.0), name="Side", id="p2")
    (seam,) = cut(text, bib(), side).seams
    assert seam.other.length_mm == pytest.approx(300)
    assert seam.other.words == "Side left + Side top"


def test_patches_state_finished_and_cut_size_with_the_handbooks_rule_beside() -> None:
    # Handbook rules with a 1/4 in allowance: + 1/2, + 7/8 and + 1 1/4 in; they over-cut by 0.545 and 1.090 mm.
    leg = 3 * MM_PER_INCH
    text = "".join(f'[[piece]]\nfrom = "p{k}"\nallowance = "1/4in"\n' for k in (1, 2, 3))
    side = 2 * MM_PER_INCH
    hexagon = [(side * math.cos(math.radians(60 * k)), 900 + side * math.sin(math.radians(60 * k))) for k in range(6)]
    result = cut(
        text,
        piece(rectangle(leg, leg), name="Square"),
        piece(Path.polygon([(200, 0), (200 + leg, 0), (200, leg)]), name="Wedge", id="p2"),
        piece(Path.polygon(hexagon), name="Hexagon", id="p3"),
    )
    square, wedge, hexa = (m.facts for m in result.made)
    assert square[0].cut_mm - leg == pytest.approx(MM_PER_INCH / 2)
    assert square[0].rule_mm == pytest.approx(square[0].cut_mm)
    half, quarter = wedge
    assert (half.cut_mm - half.finished_mm) / MM_PER_INCH == pytest.approx(0.8536, abs=5e-5)
    assert (quarter.cut_mm - quarter.finished_mm) / MM_PER_INCH == pytest.approx(1.2071, abs=5e-5)
    assert (half.rule_mm - half.finished_mm) / MM_PER_INCH == pytest.approx(7 / 8)
    assert (quarter.rule_mm - quarter.finished_mm) / MM_PER_INCH == pytest.approx(1.25)
    assert half.rule_mm - half.cut_mm == pytest.approx(0.545, abs=1e-3)
    assert quarter.rule_mm - quarter.cut_mm == pytest.approx(1.090, abs=1e-3)
    assert "cuts 0.545 mm more than needed" in half.words
    assert hexa[0].cut_mm - hexa[0].finished_mm == pytest.approx(MM_PER_INCH / 2)
    assert hexa[1].cut_mm - hexa[1].finished_mm == pytest.approx(0.288675 * MM_PER_INCH, abs=1e-4)
    assert result.pattern.pieces[1].made.finished_mm == pytest.approx((leg, leg))


def test_a_side_that_two_edges_face_nearly_alike_is_told() -> None:
    kite = piece(Path.polygon([(0, 0), (100, 0), (140, 100), (100, 202), (0, 202)]), name="Kite")
    result = cut('[[piece]]\nfrom = "Kite"\ntrim = { edge = "right", by = 5 }\n', kite)
    (finding,) = result.pattern.findings
    assert finding.code == "edge-close"
    assert "'right' was taken to be edge 3; edge 2 faces right nearly as much" in finding.message


def test_a_piece_read_as_on_the_fold_and_not_unfolded_says_so() -> None:
    result = cut('[[piece]]\nfrom = "Bib"\n', bib(cut=CutNote(fold=True)))
    assert result.pattern.pieces[0].cut.fold
    assert [f.code for f in result.pattern.findings] == ["still-folded"]
    whole = cut('[[piece]]\nfrom = "Bib"\nunfold = "left"\n', bib(cut=CutNote(fold=True)))
    assert not whole.pattern.pieces[0].cut.fold
    assert whole.pattern.findings == ()


@pytest.mark.parametrize(("count", "severity"), [(1, "warning"), (2, None), (3, "note")])
def test_a_pair_of_an_odd_count_is_told(count: int, severity: str | None) -> None:
    result = cut(f'[[piece]]\nfrom = "Bib"\npair = true\ncount = {count}\n', bib())
    assert [f.severity for f in result.pattern.findings] == ([severity] if severity else [])
    assert cut('[[piece]]\nfrom = "Bib"\npair = true\n', bib()).pattern.pieces[0].cut.count == 2
