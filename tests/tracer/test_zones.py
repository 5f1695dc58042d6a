"""A ground goes on across the lines in it, however its light changes; it does not go on across the edge of a thing.

The boards are invented here: brown, lit from below, with lighter streaks of grain from side to side.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.tracer.sheet_drawing import Drawing
from tracer.search.find import find_candidates
from tracer.search.ground import read_ground
from tracer.search.loops import polygon_area
from tracer.search.zones import grown_across_lines

CARDS = [
    np.array([[20, 12], [80, 14], [74, 66], [24, 60]], dtype=float),
    np.array([[96, 10], [150, 22], [140, 70], [92, 64]], dtype=float),
    np.array([[30, 84], [88, 90], [80, 138], [26, 132]], dtype=float),
    np.array([[110, 86], [165, 92], [158, 140], [104, 136]], dtype=float),
]
WOOD, STREAK, CARD = (150, 108, 72), (186, 148, 112), (238, 232, 220)


def boards(cards):
    d = Drawing(185, 150, dpi=110, paper=WOOD)
    for y in (6, 24, 42, 60, 76, 94, 112, 130):
        d.line([(-5, y), (190, y + 4)], width_mm=2.8, colour=STREAK)
    for card in cards:
        d.fill(card, CARD)
    # A lamp that stands below: its light falls off faster than any quadratic surface does.
    rows = np.linspace(0, 1, len(d.canvas))[:, None, None]
    light = 0.55 + 0.45 / (1.0 + np.exp(-14.0 * (rows - 0.45)))
    d.canvas[:] = np.clip(255.0 * (d.canvas / 255.0) * light**0.5, 0, 255).astype(np.uint8)
    return d


def test_all_of_a_board_is_ground_and_each_card_on_it_a_piece():
    d = boards(CARDS)
    result = find_candidates(d.sheet(), words=False)
    assert len(result.candidates) == len(CARDS)
    for card in CARDS:
        middle = card.mean(axis=0) / d.mm_per_px
        nearest = min(np.hypot(*(c.outline.points_px.mean(axis=0) - middle)) for c in result.candidates)
        assert nearest * d.mm_per_px < 2.0


def test_what_is_foreign_on_a_board_is_its_streaks_and_the_cards():
    d = boards(CARDS)
    ground = read_ground(d.pixels(), d.mm_per_px)
    covered = sum(abs(float(polygon_area(c))) for c in CARDS)
    streaks = 8 * 2.8 * 185
    share = float(ground.foreign.mean()) * 185 * 150
    assert 0.9 * covered < share < 1.1 * (covered + streaks)


@pytest.mark.parametrize(("step", "joined"), [(0.5, True), (6.0, False)])
def test_zones_are_one_where_their_colours_agree_beside_the_line(step, joined):
    labels = np.zeros((120, 200), np.int32)
    labels[:55], labels[62:] = 1, 2
    lab = np.zeros((120, 200, 3), np.float32)
    # The light falls off along the line by far more than is compared across it.
    lab[..., 0] = np.linspace(30, 70, 200)
    lab[62:, :, 1] += step
    grown = grown_across_lines(np.array([True, False]), labels, lab, 0.5, 2.0)
    assert grown.tolist() == [True, joined]


def test_zones_that_agree_at_one_end_only_are_two():
    """Beside one end of a card its shadow may have the card's own colour."""
    labels = np.zeros((120, 200), np.int32)
    labels[:55], labels[62:] = 1, 2
    lab = np.zeros((120, 200, 3), np.float32)
    lab[62:, :, 0] = np.where(np.arange(200) < 60, 0.0, 12.0)
    assert grown_across_lines(np.array([True, False]), labels, lab, 0.5, 2.0).tolist() == [True, False]


def test_zones_far_apart_are_two_and_no_zone_beside_them_is_no_error():
    labels = np.zeros((120, 200), np.int32)
    labels[:20], labels[100:] = 1, 2
    lab = np.zeros((120, 200, 3), np.float32)
    assert grown_across_lines(np.array([True, False]), labels, lab, 0.5, 2.0).tolist() == [True, False]
    assert grown_across_lines(np.array([True]), np.ones((30, 30), np.int32), lab[:30, :30], 0.5, 2.0).tolist() == [True]
