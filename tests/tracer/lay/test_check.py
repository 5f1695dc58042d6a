"""The checker and the independent judge find every planted error, and find nothing wrong with a right lay."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.tracer.lay.jobs import ellipse, piece, rectangle
from tests.tracer.lay.judge import judge
from tracer.lay.check import check_lay, check_together, solid_of
from tracer.lay.laid import Lay, LayOptions, Placement
from tracer.lay.plan import plan_lay
from tracer.lay.record import to_json
from tracer.lay.rules import Rules
from tracer.lay.surface import Fabric, Leftover
from tracer.path import rotation_matrix
from tracer.pattern import piece_to_json

PIECES = [
    piece(1, ellipse(40, 25), count=3, mirrored=True, grain_deg=0.0),
    piece(2, rectangle(50, 80), count=2, grain_deg=0.0),
]
RULES = Rules(margin_mm=10.0, gap_mm=3.0)


@pytest.fixture(scope="module")
def lay() -> Lay:
    return plan_lay(PIECES, Fabric(width_mm=260), RULES, LayOptions(seconds=0.3))


def with_placement(lay: Lay, index: int, **changes: Any) -> Lay:
    mat = lay.mats[0]
    placements = list(mat.placements)
    placements[index] = replace(placements[index], **changes)
    return replace_mats(lay, placements)


def replace_mats(lay: Lay, placements: list[Placement]) -> Lay:
    mats = (replace(lay.mats[0], placements=tuple(placements)),)
    return replace(lay, mats=mats)


def kinds(lay: Lay) -> set[str]:
    return {v.kind for v in check_lay(lay, PIECES)}


def judged(lay: Lay) -> list[str]:
    return judge(to_json(lay), [piece_to_json(p) for p in PIECES])


def test_a_right_lay_has_no_violation(lay: Lay) -> None:
    assert check_lay(lay, PIECES) == []
    assert judged(lay) == []


@pytest.mark.parametrize("index", range(5))
def test_a_piece_moved_off_the_cloth_is_found(lay: Lay, index: int) -> None:
    outline = lay.mats[0].placements[index].outline
    out = with_placement(lay, index, outline=outline.translated(-(outline.bounds.x_min + 5.0), 0.0))
    assert "outside" in kinds(out)
    assert any("beyond the margin" in w for w in judged(out))


@pytest.mark.parametrize("index", range(5))
def test_a_margin_short_by_a_fiftieth_of_a_millimetre_is_found(lay: Lay, index: int) -> None:
    outline = lay.mats[0].placements[index].outline
    near = with_placement(lay, index, outline=outline.translated(9.98 - outline.bounds.x_min, 0.0))
    assert "margin" in kinds(near)
    assert any("beyond the margin" in w for w in judged(near))


def test_a_gap_short_by_a_fiftieth_of_a_millimetre_is_found(lay: Lay) -> None:
    mat = lay.mats[0]
    a = mat.placements[0].outline.bounds
    b = mat.placements[1].outline
    beside = b.translated(a.x_max + 2.98 - b.bounds.x_min, (a.y_min + a.y_max - b.bounds.y_min - b.bounds.y_max) / 2)
    near = with_placement(lay, 1, outline=beside)
    assert kinds(near) & {"gap", "overlap"}
    assert judged(near)


def test_curves_that_overlap_by_a_twentieth_of_a_millimetre_are_found() -> None:
    a, b = ellipse(40, 25), ellipse(40, 25).translated(79.95, 0.0)
    (found,) = check_together([solid_of(a), solid_of(b)], ["a", "b"], gap_mm=0.0)
    assert found.kind == "overlap"
    assert found.by_mm == pytest.approx(0.05, abs=0.02)
    assert check_together([solid_of(a), solid_of(a.translated(80.0, 0.0))], ["a", "b"], gap_mm=0.0) == []


def test_a_piece_inside_another_is_found() -> None:
    a, b = solid_of(rectangle(100, 100)), solid_of(rectangle(10, 10).translated(45, 45))
    (found,) = check_together([a, b], ["a", "b"], gap_mm=0.0)
    assert found.kind == "overlap"


def test_a_piece_in_a_hole_is_no_overlap_but_keeps_the_gap() -> None:
    ring = solid_of(rectangle(100, 100), [rectangle(60, 60).translated(20, 20)])
    inside = rectangle(50, 50).translated(25, 25)
    assert check_together([ring, solid_of(inside)], ["a", "b"], gap_mm=5.0) == []
    (found,) = check_together([ring, solid_of(inside.translated(1, 0))], ["a", "b"], gap_mm=5.0)
    assert found.kind == "gap"
    assert found.by_mm == pytest.approx(1.0)


def test_a_missing_a_doubled_and_an_unflipped_copy_are_found(lay: Lay) -> None:
    placements = list(lay.mats[0].placements)
    assert "count" in kinds(replace_mats(lay, placements[1:]))
    assert "count" in kinds(replace_mats(lay, [*placements, placements[0]]))
    index = next(k for k, p in enumerate(placements) if p.piece.id == "p1" and p.copy == 2)
    flipped = with_placement(lay, index, mirrored=False)
    assert "mirror" in kinds(flipped)
    for wrong in (replace_mats(lay, placements[1:]), flipped):
        assert judged(wrong)


def test_a_turned_and_a_stretched_piece_are_found(lay: Lay) -> None:
    placements = lay.mats[0].placements
    index = next(k for k, p in enumerate(placements) if p.piece.id == "p2")
    box = placements[index].outline.bounds
    centre = ((box.x_min + box.x_max) / 2, (box.y_min + box.y_max) / 2)
    spun = placements[index].outline.transformed(rotation_matrix(3.0, centre))
    turned = with_placement(lay, index, outline=spun, rotation_deg=(placements[index].rotation_deg + 3.0) % 360)
    assert "turn" in kinds(turned)
    assert any("leans" in w for w in judged(turned))
    stretch = np.array([[1.001, 0.0, -0.001 * box.x_min], [0.0, 1.0, 0.0]])
    stretched = with_placement(lay, index, outline=placements[index].outline.transformed(stretch))
    assert "shape" in kinds(stretched)
    assert any("off its shape" in w for w in judged(stretched))


def test_a_piece_near_the_edge_of_a_leftover_is_found() -> None:
    leftover = Leftover(outline=ellipse(200, 150))
    pieces = [piece(1, rectangle(60, 40))]
    lay = plan_lay(pieces, leftover, Rules(margin_mm=10.0, gap_mm=0.0), LayOptions(seconds=0.2))
    outline = lay.mats[0].placements[0].outline
    for by, kind in ((-0.1, "margin"), (-60.0, "outside")):
        moved = with_placement(lay, 0, outline=outline.translated(by, by))
        found = check_lay(moved, pieces)
        assert kind in {v.kind for v in found}
        assert judge(to_json(moved), [piece_to_json(p) for p in pieces])


def test_the_judge_reads_what_a_record_says_of_itself(lay: Lay) -> None:
    record = to_json(lay)
    for key, value in (("used_width_mm", 1.0), ("density", 0.5)):
        wrong = copy.deepcopy(record)
        wrong["mats"][0][key] = value
        assert judge(wrong, [piece_to_json(p) for p in PIECES])
