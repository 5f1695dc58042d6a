"""Grain, nap, pairs, groups, materials, folds, gaps: the rules of the trade."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.tracer.lay.jobs import IN, ellipse, half_on_fold, piece, rectangle
from tests.tracer.lay.judge import judge
from tracer.errors import LayError
from tracer.lay.answers import answers
from tracer.lay.check import check_lay, shared_cuts
from tracer.lay.fold_edge import fold_edge_turn_deg, is_own_mirror, opened
from tracer.lay.laid import Lay, LayOptions
from tracer.lay.plan import plan_lay
from tracer.lay.record import to_json
from tracer.lay.rules import Rules, grain_turn_deg
from tracer.lay.surface import Fabric, Leftover, Mat
from tracer.path import OpenPath, Path, rotation_matrix
from tracer.pattern import piece_to_json
from tracer.piece import Mark, Piece

QUICK = LayOptions(seconds=0.4)
WEDGE = Path.polygon([(0, 0), (120, 200), (0, 200)])
CLOTH = Fabric(width_mm=500)


def right(lay: Lay, pieces: list[Piece], *, use_holes: bool = False) -> bool:
    found = judge(to_json(lay), [piece_to_json(p) for p in pieces], use_holes=use_holes)
    return found == [] and check_lay(lay, pieces) == []


@pytest.mark.parametrize("lean", [0.0, 12.5, -37.0, 80.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_grain_line_is_turned_along_the_cloth(lean: float, mirrored: bool) -> None:
    wedge = piece(1, WEDGE, grain_deg=lean)
    turn = grain_turn_deg(wedge, mirrored=mirrored)
    path = wedge.marks[0].path
    assert path is not None
    along = path.segments[0][1] - path.segments[0][0]
    flipped = along * (-1.0 if mirrored else 1.0, 1.0)
    upright = rotation_matrix(turn)[:, :2] @ flipped
    assert abs(upright[0]) < 1e-9
    assert upright[1] > 0


def test_with_nap_no_piece_lies_upside_down() -> None:
    pieces = [piece(1, WEDGE, count=6, mirrored=True, grain_deg=0.0)]
    lay = plan_lay(pieces, CLOTH, Rules(turn="none"), QUICK)
    assert all(p.rotation_deg == 0.0 for p in lay.mats[0].placements)
    assert right(lay, pieces)


def test_half_turns_save_cloth_and_keep_the_grain() -> None:
    pieces = [piece(1, WEDGE, count=8, grain_deg=20.0)]
    one_way = plan_lay(pieces, CLOTH, Rules(turn="none"), QUICK)
    both = plan_lay(pieces, CLOTH, Rules(turn="180"), LayOptions(seconds=1.0))
    assert both.fabric_length_mm < one_way.fabric_length_mm
    assert {round(p.rotation_deg, 3) for p in both.mats[0].placements} <= {20.0, 200.0}
    assert right(both, pieces)


def test_a_piece_leans_no_more_than_it_may() -> None:
    pieces = [piece(1, WEDGE, count=5, grain_deg=10.0)]
    lay = plan_lay(pieces, CLOTH, Rules(turn="180", within_deg=4.0), QUICK)
    for p in lay.mats[0].placements:
        lean = abs((p.rotation_deg - 10.0 + 90.0) % 180.0 - 90.0)
        assert lean <= 4.0 + 1e-9
    assert right(lay, pieces)


def test_every_second_copy_of_a_pair_is_mirrored() -> None:
    pieces = [piece(1, WEDGE, count=5, mirrored=True)]
    lay = plan_lay(pieces, CLOTH, Rules(), QUICK)
    by_copy = {p.copy: p.mirrored for p in lay.mats[0].placements}
    assert by_copy == {1: False, 2: True, 3: False, 4: True, 5: False}


def test_two_mirrored_halves_kept_together_meet_edge_to_edge() -> None:
    half = piece(1, WEDGE, count=2, mirrored=True, together="bib")
    pieces = [half, piece(2, rectangle(30, 40), count=3)]
    lay = plan_lay(pieces, CLOTH, Rules(gap_mm=5.0), QUICK)
    first, second = (p for p in lay.mats[0].placements if p.piece.id == "p1")
    assert first.group == second.group != ""
    whole = sorted([first.outline.bounds, second.outline.bounds])
    assert whole[0].x_max == pytest.approx(whole[1].x_min, abs=1e-9)
    assert whole[0].y_min == pytest.approx(whole[1].y_min, abs=1e-9)
    assert right(lay, pieces)


def test_pieces_kept_together_lie_to_each_other_as_drawn() -> None:
    one = piece(1, rectangle(80, 60), together="set")
    two = piece(2, rectangle(40, 60).translated(85.0, 10.0), together="set")
    lay = plan_lay([one, two, piece(3, ellipse(50, 30), count=2)], CLOTH, Rules(gap_mm=10.0), QUICK)
    a, b = (next(p for p in lay.mats[0].placements if p.piece.id == i) for i in ("p1", "p2"))
    turn = rotation_matrix(-a.rotation_deg)[:, :2]
    drawn = np.array(two.outline.segments[0][0]) - one.outline.segments[0][0]
    lies = turn @ (b.outline.segments[0][0] - a.outline.segments[0][0])
    assert a.rotation_deg == b.rotation_deg
    assert np.abs(lies - drawn).max() < 1e-9


def test_pieces_that_overlap_as_drawn_cannot_be_kept_together() -> None:
    one, two = piece(1, rectangle(80, 60), together="set"), piece(2, rectangle(80, 60), together="set")
    with pytest.raises(LayError, match="overlap as drawn"):
        plan_lay([one, two], CLOTH, Rules(), QUICK)


def test_each_material_is_laid_by_itself() -> None:
    pieces = [piece(1, rectangle(400, 300)), piece(2, rectangle(400, 200), material="lining")]
    lay = plan_lay(pieces, CLOTH, Rules(), QUICK)
    assert [(m.material, m.length_mm) for m in lay.mats] == [("", 300.0), ("lining", 200.0)]
    assert to_json(lay)["fabric"]["by_material"] == [
        {"material": "", "length_mm": 300.0},
        {"material": "lining", "length_mm": 200.0},
    ]
    assert any(a.startswith("lining: To buy") for a in answers(lay))


def test_without_a_gap_a_shared_cut_line_is_said_once() -> None:
    pieces = [piece(1, rectangle(100, 150), count=2)]
    lay = plan_lay(pieces, Fabric(width_mm=200), Rules(gap_mm=0.0), QUICK)
    ((_, _, length),) = shared_cuts(lay.mats[0])
    assert length == pytest.approx(150.0, abs=0.05)
    assert any("1 cut line is shared" in a and "150 mm" in a for a in answers(lay))
    assert to_json(lay)["mats"][0]["shared_cuts"][0]["length_mm"] == pytest.approx(150.0, abs=0.05)


def test_selvedges_are_taken_off_both_sides() -> None:
    pieces = [piece(1, rectangle(100, 50), count=4)]
    wide = plan_lay(pieces, Fabric(width_mm=408), Rules(gap_mm=0.0), QUICK)
    narrow = plan_lay(pieces, Fabric(width_mm=408, selvedge_mm=5.0), Rules(gap_mm=0.0), QUICK)
    assert wide.fabric_length_mm == pytest.approx(50.0)
    assert narrow.fabric_length_mm == pytest.approx(100.0)
    assert min(p.outline.bounds.x_min for p in narrow.mats[0].placements) >= 5.0


# -- folded cloth --------------------------------------------------------------------------------------------------
def test_on_folded_cloth_a_pair_comes_from_one_cut() -> None:
    pieces = [piece(1, WEDGE, count=2, mirrored=True)]
    lay = plan_lay(pieces, Fabric(width_mm=500), Rules(folded=True), QUICK)
    first, second = lay.mats[0].placements
    assert (first.mirrored, second.mirrored) == (False, True)
    assert first.outline.bounds.x_min - 250 == pytest.approx(250 - second.outline.bounds.x_max)
    # The gap is kept across the fold as well.
    assert first.outline.bounds.x_min - second.outline.bounds.x_max >= 2.0 - 1e-9
    assert lay.fabric_length_mm == pytest.approx(200.0)
    assert right(lay, pieces)


def test_a_fold_edge_lies_on_the_fold_and_the_piece_comes_out_whole() -> None:
    half = half_on_fold(180, 300)
    for turn in (0.0, 90.0, 200.0):
        pieces = [piece(1, half.transformed(rotation_matrix(turn)), fold=True)]
        lay = plan_lay(pieces, Fabric(width_mm=500), Rules(folded=True), QUICK)
        (laid,) = lay.mats[0].placements
        box = laid.outline.bounds
        assert laid.unfolded
        assert (box.x_min + box.x_max) / 2 == pytest.approx(250.0, abs=1e-6)
        assert box.width == pytest.approx(360.0, abs=1e-6)
        assert laid.outline.area == pytest.approx(2 * half.area, rel=1e-9)
        assert right(lay, pieces)


def test_the_fold_edge_is_the_longest_straight_one_or_the_one_marked() -> None:
    assert fold_edge_turn_deg(piece(1, half_on_fold(100, 300))) == pytest.approx(0.0)
    marked = piece(1, half_on_fold(100, 300))
    top = OpenPath.polyline([(0.0, 1.0), (50.0, 1.0)])
    marked = replace(marked, marks=(Mark(kind="fold line", path=top),))
    turn = fold_edge_turn_deg(marked)
    turned = marked.outline.transformed(rotation_matrix(turn))
    # The short top edge now stands upright at the left.
    assert turned.segments[0][:, 0] == pytest.approx([turned.bounds.x_min] * 2, abs=1e-9)
    with pytest.raises(LayError, match="no straight edge"):
        fold_edge_turn_deg(piece(1, ellipse(30, 40)))


def test_half_a_circle_opened_is_a_circle() -> None:
    whole = ellipse(100, 100)
    half = Path((np.array([[0.0, 100.0], [0.0, -100.0]]), whole.segments[3], whole.segments[0]))
    circle = opened(half.oriented(), 0.0)
    assert circle.area == pytest.approx(whole.area, rel=1e-12)
    assert circle.length == pytest.approx(whole.length, rel=1e-9)


def test_what_is_its_own_mirror_image_is_cut_through_both_layers() -> None:
    pieces = [piece(1, rectangle(100, 80), count=4)]
    lay = plan_lay(pieces, Fabric(width_mm=420), Rules(folded=True), QUICK)
    assert lay.fabric_length_mm == pytest.approx(80.0)
    assert not any(p.mirrored for p in lay.mats[0].placements)
    assert right(lay, pieces)
    assert is_own_mirror(piece(1, WEDGE)) is None


def test_what_is_no_pair_and_no_mirror_image_is_cut_singly_on_the_open_cloth() -> None:
    pieces = [piece(1, WEDGE, count=3), piece(2, rectangle(100, 200), count=4)]
    lay = plan_lay(pieces, Fabric(width_mm=420), Rules(folded=True), QUICK)
    assert lay.mats[0].single_from_mm is not None
    assert any(f.code == "single-layer" for f in lay.findings)
    assert right(lay, pieces)


def test_where_there_is_room_on_the_folded_cloth_it_is_cut_through_both_layers_with_one_to_spare() -> None:
    pieces = [piece(1, WEDGE, count=1), piece(2, rectangle(100, 200), count=2)]
    lay = plan_lay(pieces, Fabric(width_mm=500), Rules(folded=True), QUICK)
    assert lay.mats[0].single_from_mm is None
    assert lay.fabric_length_mm == pytest.approx(200.0)
    assert [f.where for f in lay.findings if f.code == "spare-copy"] == ["Piece 1"]
    assert right(lay, pieces)


def test_notches_tell_a_piece_from_its_mirror_image() -> None:
    plain = piece(1, rectangle(100, 80))
    one_side = replace(plain, marks=(Mark(kind="notch", at=(0.0, 30.0)),))
    both_sides = replace(plain, marks=(Mark(kind="notch", at=(0.0, 30.0)), Mark(kind="notch", at=(100.0, 30.0))))
    assert is_own_mirror(plain) == 0.0
    assert is_own_mirror(one_side) is None
    assert is_own_mirror(both_sides) == 0.0


def test_a_piece_cut_on_the_fold_is_not_laid_as_half_in_silence() -> None:
    lay = plan_lay([piece(1, half_on_fold(100, 200), fold=True)], CLOTH, Rules(), QUICK)
    assert any(f.code == "fold-not-opened" and f.severity == "warning" for f in lay.findings)


# -- leftovers, holes, mats ----------------------------------------------------------------------------------------
def test_pieces_lie_on_a_leftover_with_a_hole_in_it() -> None:
    leftover = Leftover(outline=ellipse(250, 180), holes=(ellipse(60, 50),))
    pieces = [piece(1, rectangle(80, 60), count=5), piece(2, ellipse(25, 20), count=4)]
    rules = Rules(margin_mm=8.0, gap_mm=3.0)
    lay = plan_lay(pieces, leftover, rules, QUICK)
    assert not lay.not_placed
    assert right(lay, pieces)


def test_a_leftover_remembers_where_it_was_traced() -> None:
    leftover = Leftover(outline=rectangle(200, 300).translated(35.0, 48.0))
    assert leftover.from_mm == (35.0, 48.0)
    assert leftover.outline.bounds[:2] == (0.0, 0.0)


def test_small_pieces_lie_in_holes_only_where_asked() -> None:
    ring = piece(1, rectangle(200, 200), holes=(rectangle(140, 140).translated(30, 30),))
    patch = piece(2, rectangle(60, 60), count=2)
    closed = plan_lay([ring, patch], Fabric(width_mm=204), Rules(), QUICK)
    opened_up = plan_lay([ring, patch], Fabric(width_mm=204), Rules(use_holes=True), LayOptions(seconds=1.5))
    assert closed.fabric_length_mm == pytest.approx(262.0)
    assert opened_up.fabric_length_mm == pytest.approx(200.0, abs=1e-6)
    assert right(closed, [ring, patch])
    assert right(opened_up, [ring, patch], use_holes=True)


def test_mats_of_several_sizes_are_used_in_their_order() -> None:
    pieces = [piece(1, rectangle(9 * IN, 9 * IN), count=4)]
    small, large = Mat(width_mm=12 * IN, length_mm=12 * IN), Mat(width_mm=12 * IN, length_mm=24 * IN)
    lay = plan_lay(pieces, small, Rules(margin_mm=IN), QUICK, more_mats=[large])
    assert [m.length_mm / IN for m in lay.mats] == pytest.approx([12, 24, 24])
    assert right(lay, pieces)


def test_no_more_mats_are_used_than_there_are() -> None:
    pieces = [piece(1, rectangle(9 * IN, 9 * IN), count=4)]
    lay = plan_lay(pieces, Mat(width_mm=12 * IN, length_mm=12 * IN), Rules(margin_mm=IN), QUICK, most_mats=3)
    assert len(lay.mats) == 3
    assert [m.copy for m in lay.not_placed] == [4]
    assert "only 3 mats" in lay.not_placed[0].why


def test_one_seed_gives_one_lay_where_time_does_not_end_the_search() -> None:
    pieces = [piece(1, ellipse(40, 30), count=4), piece(2, WEDGE, count=3)]
    leftover = Leftover(outline=ellipse(300, 250))
    lays = [to_json(plan_lay(pieces, leftover, Rules(), LayOptions(seconds=20, seed=7))) for _ in range(2)]
    assert lays[0] == lays[1]


def test_an_impossible_rule_is_refused() -> None:
    for wrong in (
        {"margin_mm": -1.0},
        {"gap_mm": float("nan")},
        {"turn": "45"},
        {"within_deg": 60.0},
        {"shrinkage": 0.9},
    ):
        with pytest.raises(LayError):
            replace(Rules(), **wrong)
