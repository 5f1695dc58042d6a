"""Holes in cut-out pieces, and what is printed on those in the colour of what lies below."""

import numpy as np
import pytest

from tests.tracer.sheet_drawing import Drawing
from tracer.search.closeup import Look, Place
from tracer.search.find import find_candidates
from tracer.search.openings import Openings, find_openings, is_set_in

LID, CARD = (70, 84, 112), (240, 200, 150)
LETTERS = {
    "T": [(0, 0), (8, 0), (8, 2.6), (5.3, 2.6), (5.3, 10), (2.7, 10), (2.7, 2.6), (0, 2.6)],
    "F": [(0, 0), (7, 0), (7, 2.5), (2.6, 2.5), (2.6, 4), (6, 4), (6, 6.5), (2.6, 6.5), (2.6, 10), (0, 10)],
    "7": [(0, 0), (8, 0), (8, 2.6), (4.4, 10), (1.4, 10), (4.9, 2.6), (0, 2.6)],
    "L": [(0, 0), (2.6, 0), (2.6, 7.5), (7, 7.5), (7, 10), (0, 10)],
    "I": [(0, 0), (2.6, 0), (2.6, 10), (0, 10)],
}
CROSS = [(3, 0), (6, 0), (6, 3), (9, 3), (9, 6), (6, 6), (6, 9), (3, 9), (3, 6), (0, 6), (0, 3), (3, 3)]


def disc(x: float, y: float, radius: float) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, 60)
    return np.array([x, y]) + radius * np.stack([np.cos(t), np.sin(t)], axis=1)


def card(paper=LID, colour=CARD) -> Drawing:
    d = Drawing(160, 110, paper=paper)
    d.fill([(15, 15), (145, 15), (145, 95), (15, 95)], colour=colour)
    return d


def write(d: Drawing, words: str, x: float, y: float, *, colour=LID, turn_deg: float = 0.0) -> None:
    """Letters of 10 mm in a heavy face."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    along = 0.0
    for letter in words:
        if letter == " ":
            along += 4.0
            continue
        ring = np.array(disc(4, 5, 4.4) if letter == "O" else LETTERS[letter])
        inner = disc(4, 5, 1.9)
        for points, ink in ((ring, colour), (inner, CARD))[: 2 if letter == "O" else 1]:
            d.fill((points + [along, 0]) @ np.array([[c, s], [-s, c]]) + [x, y], colour=ink)
        along += float(np.ptp(ring[:, 0])) + 2.0


def holes_of(d: Drawing) -> tuple[list[np.ndarray], tuple[str, ...]]:
    """Middles of the holes found in the one piece there is, mm, and what is said of it."""
    (piece,) = find_candidates(d.sheet(), words=False).candidates
    middles = [(np.ptp(h.points_px, axis=0) / 2 + h.points_px.min(axis=0) + 0.5) * d.mm_per_px for h in piece.holes]
    return sorted(middles, key=lambda m: float(m[0])), piece.notes


@pytest.mark.parametrize("turn_deg", [0.0, 35.0])
def test_letters_in_the_very_colour_of_what_lies_below_are_no_holes_and_a_punched_hole_beside_them_is(turn_deg):
    d = card()
    write(d, "FLOTTI 7", 40, 30, turn_deg=turn_deg)
    d.fill(disc(120, 40, 3.0), colour=LID)
    d.fill(disc(30, 84, 2.0), colour=LID)
    found, notes = holes_of(d)
    assert [np.hypot(*(m - at)) < 0.2 for m, at in zip(found, ([30, 84], [120, 40]), strict=True)] == [True, True]
    assert any("letters" in note for note in notes)


def test_crosses_and_slots_in_a_row_are_holes_though_they_are_no_rounder_than_letters():
    d = card()
    for x in (30, 44, 58):
        d.fill(np.array(CROSS) + [x, 30], colour=LID)
        d.fill(np.array([(0, 0), (10, 0), (10, 3), (0, 3)]) + [x + 40, 60], colour=LID)
    found, notes = holes_of(d)
    assert len(found) == 6
    assert not notes


def test_print_as_dark_as_what_lies_below_but_of_another_colour_is_no_hole():
    teal = (20, 92, 96)
    d = card(paper=teal, colour=(150, 150, 148))
    d.fill([(40, 40), (60, 40), (60, 46), (40, 46)], colour=(66, 60, 66))
    d.fill(disc(110, 50, 4.0), colour=teal)
    found, _ = holes_of(d)
    assert len(found) == 1
    assert np.hypot(*(found[0] - [110, 50])) < 0.2


def test_a_hole_is_whole_where_a_line_of_what_lies_below_runs_through_it():
    d = Drawing(160, 200, paper=LID)
    for x in (50, 75, 100):
        d.line([(x, 0), (x, 200)], width_mm=0.8, colour=CARD)
    d.fill([(15, 15), (145, 15), (145, 95), (15, 95)], colour=CARD)
    d.fill([(66, 40), (84, 40), (84, 52), (66, 52)], colour=LID)
    d.line([(75, 40), (75, 52)], width_mm=0.8, colour=CARD)
    found, _ = holes_of(d)
    assert len(found) == 1
    assert np.hypot(*(found[0] - [75, 46])) < 0.2


def test_a_hole_keeps_its_narrow_arm_and_the_part_of_it_that_lies_in_shadow():
    d = card()
    slot = np.array([(78.7, 50), (81.3, 50), (81.3, 66), (78.7, 66)])
    shade = tuple(int(0.7 * v) for v in LID)
    for part in (disc(80, 45, 6.0), slot):
        d.fill(part, colour=shade)
    d.fill(disc(81, 46, 5.0), colour=LID)
    d.fill([(79.7, 50), (81.3, 50), (81.3, 66), (79.7, 66)], colour=LID)
    (piece,) = find_candidates(d.sheet(), words=False).candidates
    (ring,) = piece.holes
    low, high = ((f(ring.points_px, axis=0) + 0.5) * d.mm_per_px for f in (np.min, np.max))
    np.testing.assert_allclose([*low, *high], [74, 39, 86, 66], atol=0.4)


def test_a_letter_of_the_grounds_colour_beside_one_like_it_of_another_is_print():
    d = card()
    write(d, "T", 60, 40)
    write(d, "T", 70, 40, colour=(20, 20, 20))
    found, _ = holes_of(d)
    assert not found


def opened_up(share: np.ndarray, relaid: np.ndarray) -> Openings:
    """What is found on pale card that was taken to fill the view, at 0.15 mm a pixel."""
    ratio = np.repeat((1 + 0.2 * share)[:, :, None], 3, axis=2)
    look = Look(
        step=1,
        per_px=0.15,
        corner_px=(0, 0),
        shown=np.zeros((*share.shape, 3), np.uint8),
        calm=np.zeros((*share.shape, 3), np.uint8),
        light=np.full((*share.shape, 3), 0.6, np.float32),
        ratio=ratio,
        mean=ratio[:, :, 0],
        share=share,
        off_axis=np.zeros_like(share),
        grey=np.zeros(share.shape, bool),
        relaid=relaid,
    )
    whole = np.ones(share.shape, np.uint8)
    place = Place(
        box=(0, 0, share.shape[1], share.shape[0]),
        found=whole,
        whole=whole,
        sure=whole,
        colour=np.full(3, 1.2, np.float32),
        axis=np.full(3, 0.2, np.float32),
        shaded=0.0,
    )
    return find_openings(look, place, whole, share > 0.7, lined=False)


def test_lines_that_a_mat_has_below_pale_card_are_no_arms_of_what_is_seen_beside_it():
    """Where they were taken away in vain the card looked like the mat: its outline ran along them, 70 mm too far."""
    share = np.ones((300, 400), np.float32)
    share[260:] = 0.0
    below = np.zeros(share.shape, bool)
    below[60:260, 190:208] = True
    below[150:168, 60:340] = True
    share[below] = 0.1
    found = opened_up(share, below)
    assert found.bare[275:290].all()
    assert not found.bare[:250].any()


@pytest.mark.parametrize(("around", "is_one"), [(1.0, True), (0.4, False)])
def test_where_a_thing_fades_into_its_ground_it_has_no_hole(around, is_one):
    share = np.full((120, 120), around, np.float32)
    share[50:70, 50:70] = 0.0
    ring = np.array([[49.5, 49.5], [69.5, 49.5], [69.5, 69.5], [49.5, 69.5]])
    assert is_set_in(share, ring, 0.15) == is_one


def test_a_narrow_strip_of_ground_that_was_taken_for_the_thing_stays_open():
    """A piece two millimetres from the picture's border was lost: it seemed to run off it."""
    share = np.ones((300, 400), np.float32)
    share[-10:] = 0.0
    found = opened_up(share, np.zeros(share.shape, bool))
    assert found.open[-10:].all()
    assert not found.open[:-12].any()
