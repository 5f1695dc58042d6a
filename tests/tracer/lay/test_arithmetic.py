"""Where arithmetic decides, the lay says what arithmetic says."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from tests.tracer.lay.jobs import IN, piece, rectangle
from tests.tracer.lay.judge import judge
from tracer.errors import LayError
from tracer.lay.advice import Advice, advise
from tracer.lay.answers import answers, to_buy
from tracer.lay.laid import LayOptions
from tracer.lay.plan import plan_lay
from tracer.lay.record import to_json
from tracer.lay.rules import Rules
from tracer.lay.surface import Fabric, Mat
from tracer.pattern import piece_to_json

EXACT_MM = 1e-6
QUICK = LayOptions(seconds=0.3)
BIB = piece(1, rectangle(4.75 * IN, 11.5 * IN), count=2, mirrored=True, name="Bib")
BIB_ACROSS = piece(1, rectangle(11.5 * IN, 4.75 * IN), count=2, mirrored=True, name="Bib")
ONE_INCH = Rules(margin_mm=IN)


def mat_in(width: float, length: float) -> Mat:
    return Mat(width_mm=width * IN, length_mm=length * IN)


def test_two_bibs_go_on_a_12x24_mat_the_long_way() -> None:
    lay = plan_lay([BIB], mat_in(12, 24), ONE_INCH, QUICK)
    (mat,) = lay.mats
    assert len(mat.placements) == 2
    assert all(p.outline.bounds.height == pytest.approx(11.5 * IN) for p in mat.placements)
    assert not judge(to_json(lay), [piece_to_json(BIB)])
    words = " ".join(answers(lay, Advice()))
    assert "fits on one 12 x 24 in mat" in words
    assert "the long way" in words


@pytest.mark.parametrize("size", [(12, 24), (24, 12)])
@pytest.mark.parametrize("drawn", [BIB, BIB_ACROSS])
def test_the_long_way_is_found_however_mat_and_pieces_are_drawn(size: tuple[float, float], drawn: object) -> None:
    lay = plan_lay([drawn], mat_in(*size), ONE_INCH, QUICK)  # type: ignore[list-item]
    assert len(lay.mats) == 1
    assert not lay.not_placed
    assert any("Turn it the long way" in line for line in answers(lay))


@pytest.mark.parametrize("turn", ["180", "free", "none"])
def test_two_bibs_go_on_no_single_12x12_mat(turn: str) -> None:
    rules = Rules(margin_mm=IN, turn=turn)  # type: ignore[arg-type]
    with pytest.raises(LayError, match="it needs at least a 12 x 24 in mat or less margin"):
        plan_lay([BIB], mat_in(12, 12), rules, QUICK)


def test_the_smallest_ready_mat_for_two_bibs_is_12x24() -> None:
    lay = plan_lay([BIB], mat_in(24, 36), ONE_INCH, QUICK)
    found = advise(lay, [BIB], LayOptions(seconds=2.0)).smallest_mat
    assert found == mat_in(12, 24)
    assert any(
        "The smallest ready size that takes all at once: 12 x 24 in mat" in a
        for a in answers(lay, Advice(smallest_mat=found))
    )


def test_mats_are_counted_and_the_count_is_proved_least() -> None:
    # 10 x 10 in usable: one 6 x 6 in square goes on it, two do not.
    squares = piece(1, rectangle(6 * IN, 6 * IN), count=3)
    lay = plan_lay([squares], mat_in(12, 12), ONE_INCH, QUICK)
    assert len(lay.mats) == 3
    words = answers(lay)
    assert "Everything needs 3 mats: 3 of 12 x 12 in." in words


def test_four_squares_fill_a_mat_to_the_last_micrometre() -> None:
    squares = piece(1, rectangle(5 * IN, 5 * IN), count=4)
    lay = plan_lay([squares], mat_in(12, 12), Rules(margin_mm=IN, gap_mm=0.0), QUICK)
    assert len(lay.mats) == 1
    assert lay.mats[0].density == pytest.approx(1.0)


@pytest.mark.parametrize("seed", range(100))
def test_a_rectangles_fabric_need_is_what_arithmetic_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    width, height = rng.uniform(20, 400, 2)
    count, gap, margin, selvedge = int(rng.integers(1, 30)), rng.uniform(0, 10), rng.uniform(0, 30), rng.uniform(0, 15)
    cloth = 2 * (margin + selvedge) + width * rng.uniform(1.0, 5.0)
    in_a_row = math.floor((cloth - 2 * (margin + selvedge) + gap) / (width + gap) + 1e-9)
    rows = math.ceil(count / in_a_row)
    needed = rows * height + (rows - 1) * gap + 2 * margin
    rules = Rules(margin_mm=margin, gap_mm=gap, turn=("180", "none")[seed % 2])  # type: ignore[arg-type]
    patch = piece(1, rectangle(width, height), count=count)
    fabric = Fabric(width_mm=cloth, selvedge_mm=selvedge)
    lay = plan_lay([patch], fabric, rules, LayOptions(seconds=0.1))
    assert lay.fabric_length_mm == pytest.approx(needed, abs=EXACT_MM)
    bought = to_buy(lay.fabric_length_mm)
    assert float(bought.yards) * 914.4 >= needed - EXACT_MM
    assert float(bought.yards) * 914.4 - needed < 914.4 / 8 + EXACT_MM
    assert 0 <= bought.centimetres * 10 - needed + EXACT_MM < 50 + EXACT_MM
    assert (bought.yards * 8).denominator == 1
    assert bought.centimetres % 5 == 0


def test_rows_of_two_ways_round_are_found_where_pieces_may_turn() -> None:
    # 30 wide: 10 x 20 lies three upright in a row (20 high) or one across (10 high) with 10 to spare.
    patch = piece(1, rectangle(10, 20), count=4)
    lay = plan_lay([patch], Fabric(width_mm=30), Rules(gap_mm=0.0, turn="free"), LayOptions(seconds=0.1))
    assert lay.fabric_length_mm == pytest.approx(30.0, abs=EXACT_MM)


def test_lengths_that_are_sold_exactly_are_not_rounded_up() -> None:
    assert to_buy(914.4).yards == 1
    assert to_buy(1000.0).centimetres == 100
    assert to_buy(914.4 + 0.01).yards == Fraction(9, 8)
    assert to_buy(1000.1).centimetres == 105
    assert to_buy(25.4 * 10).inches == 10.0


def test_shrinkage_is_added_where_asked() -> None:
    patch = piece(1, rectangle(500, 1000))
    lay = plan_lay([patch], Fabric(width_mm=500), Rules(shrinkage=0.05), QUICK)
    words = answers(lay)
    assert any("100 cm; 1.00 m" in w for w in words)
    assert any("With 5 % for shrinkage" in w and "105 cm; 1.05 m" in w for w in words)


def test_waste_is_what_is_left_of_the_cloth() -> None:
    patch = piece(1, rectangle(300, 500))
    lay = plan_lay([patch], Fabric(width_mm=400), Rules(), QUICK)
    assert any("Waste: 25.0 %" in w for w in answers(lay))
    assert any("No lay under these rules can be shorter." in w for w in answers(lay))


def test_what_would_save_most_is_said() -> None:
    # Two right triangles, one upside down, make a rectangle: half turns halve the cloth.
    from tracer.path import Path

    wedge = piece(1, Path.polygon([(0, 0), (200, 300), (0, 300)]), count=2, grain_deg=0.0)
    rules = Rules(turn="none", gap_mm=0.0)
    lay = plan_lay([wedge], Fabric(width_mm=201), rules, QUICK)
    assert lay.fabric_length_mm > 500
    saves = advise(lay, [wedge], LayOptions(seconds=4.0)).saves
    assert "half turns" in saves
