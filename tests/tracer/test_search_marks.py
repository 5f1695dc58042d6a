"""Marks that lie on other lines: each keeps its own kind, and the outline under them stays whole.

Sheets drawn here with exactly known places; the styles of marks are common practice, no source.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.tracer.sheet_drawing import Drawing, polygon_distance_mm
from tracer.ink import find_ink
from tracer.labels import TextLine
from tracer.marks.sharpen import sharpen
from tracer.search.blobs import Blob
from tracer.search.find import find_candidates
from tracer.search.kinds import bracket_of
from tracer.search.lettering import is_beside_words
from tracer.search.spots import ring_on_line
from tracer.search.stands_out import stands_out
from tracer.search.strokes import Stroke
from tracer.search.words import beside_labels, without_shapes

BOX = np.array([(15, 15), (105, 15), (105, 85), (15, 85)], dtype=float)
SEAM = np.array([(23, 23), (97, 23), (97, 77), (23, 77)], dtype=float)
OUTLINE_MM = 0.5
"""Half a line and a pixel, and the search's own roughness."""
PLACE_MM = 1.0


def drawn(*, cut_dash=None, seam=True) -> Drawing:
    d = Drawing(120, 100, dpi=254)
    d.line(BOX, closed=True, dash=cut_dash)
    if seam:
        d.line(SEAM, closed=True, width_mm=0.25, dash=(4, 2))
    return d


def found(d: Drawing):
    result = find_candidates(d.sheet(), words=False)
    assert len(result.candidates) == 1
    candidate = result.candidates[0]
    ring = (candidate.outline.points_px + 0.5) * d.mm_per_px
    assert polygon_distance_mm(ring, BOX).max() < OUTLINE_MM
    assert polygon_distance_mm(BOX, ring).max() < 2 * OUTLINE_MM
    return candidate


def marks(candidate, kind):
    return [m for m in candidate.marks if m.kind == kind]


def circle(x, y, radius):
    t = np.linspace(0, 2 * np.pi, 60)
    return np.stack([x + radius * np.cos(t), y + radius * np.sin(t)], axis=1)


def test_a_cross_and_a_circle_on_a_stitching_line_are_marks_of_their_own():
    d = drawn()
    d.line([(41, 21.5), (41, 24.5)], width_mm=0.25)
    d.line([(39.5, 23), (42.5, 23)], width_mm=0.25)
    d.line(circle(60, 23, 1.5), width_mm=0.25)
    candidate = found(d)
    (cross,), (ring,) = marks(candidate, "cross"), marks(candidate, "circle")
    assert cross.at == pytest.approx((41, 23), abs=PLACE_MM)
    assert ring.at == pytest.approx((60, 23), abs=PLACE_MM)
    assert len(marks(candidate, "stitching line")) == 1


def test_a_dashed_line_behind_the_stitching_line_is_where_something_is_placed():
    d = drawn()
    (left, top), (right, bottom) = np.min(BOX, axis=0) + 20, np.max(BOX, axis=0) - 20
    d.line([(left, top), (left, bottom), (right, bottom), (right, top)], width_mm=0.25, dash=(2.5, 1.4))
    candidate = found(d)
    assert len(marks(candidate, "stitching line")) == 1
    assert len(marks(candidate, "internal line")) == 1


def test_a_free_cross_is_counted_once():
    d = drawn(seam=False)
    d.line([(41, 51.5), (41, 54.5)], width_mm=0.25)
    d.line([(39.5, 53), (42.5, 53)], width_mm=0.25)
    assert len(marks(found(d), "cross")) == 1


def test_an_arrow_over_a_stitching_line_is_a_grain_line_and_the_stitching_line_goes_on():
    d = drawn()
    d.line([(35, 50), (102, 50)], width_mm=0.3)
    for tip, way in ((33, 1), (103, -1)):
        d.fill([(tip, 50), (tip + 6 * way, 48.2), (tip + 6 * way, 51.8)])
    candidate = found(d)
    (grain,) = marks(candidate, "grain line")
    ends = sorted(float(x) for x in np.asarray(grain.path.flatten(0.1))[[0, -1], 0])
    assert ends == pytest.approx([33, 103], abs=PLACE_MM)
    assert len(marks(candidate, "stitching line")) == 1


def test_a_tick_that_reaches_the_stitching_line_is_a_notch_and_no_part_of_it():
    d = drawn()
    # On the end of a dash: thinning leaves one bent line of both.
    d.line([(33, 15), (33, 23)], width_mm=0.25)
    candidate = found(d)
    (notch,) = marks(candidate, "notch")
    assert notch.at == pytest.approx((33, 15), abs=PLACE_MM)
    assert len(marks(candidate, "stitching line")) == 1


def test_two_ticks_side_by_side_are_one_double_notch_and_ticks_far_apart_are_two():
    d = drawn(seam=False)
    for x in (40, 43, 70, 82):
        d.line([(x, 15), (x, 21)], width_mm=0.25)
    notches = sorted(marks(found(d), "notch"), key=lambda m: m.at[0])
    assert [m.text for m in notches] == ["double", "", ""]
    assert [m.at[0] for m in notches] == pytest.approx([41.5, 70, 82], abs=PLACE_MM)


def test_both_ticks_of_a_double_notch_are_measured_in_the_light():
    d = drawn(seam=False)
    for x in (40, 43):
        d.line([(x, 15), (x + 0.7, 21)], width_mm=0.25)
    result = find_candidates(d.sheet(), words=False)
    (notch,) = sharpen(d.sheet(), marks(result.candidates[0], "notch"))
    tip, foot, other_foot, other_tip = (np.asarray(p) for p in notch.path.flatten(0.1))
    for low, high, x in ((foot, tip, 40), (other_foot, other_tip, 43)):
        # How far the tick lies beside the true one, at its foot and at its tip.
        for point in (low, high):
            assert abs(point[0] - (x + 0.7 * (point[1] - 15) / 6)) < 0.06
    assert notch.at[0] == pytest.approx(41.5, abs=0.1)


def test_a_word_written_across_an_outline_is_text_and_no_notches():
    d = drawn(seam=False)
    d.text((50, 17), "lining", height_mm=3.2)
    candidate = found(d)
    assert not marks(candidate, "notch")
    assert len(marks(candidate, "text")) == 1


@pytest.mark.parametrize("shift", [0.0, 1.7, 3.4, 5.1])
def test_a_dashed_cutting_line_is_followed_where_notches_stand_on_its_dashes_and_spaces(shift):
    d = drawn(cut_dash=(5, 1.8))
    for x in (40 + shift, 43 + shift):
        d.line([(x, 15), (x, 23)], width_mm=0.25)
    d.line([(62 + shift, 15), (65 + shift, 10), (68 + shift, 15)], width_mm=0.25)
    d.line([(105, 40 + shift), (100, 43 + shift), (105, 46 + shift)], width_mm=0.25)
    candidate = found(d)
    assert "the cutting line is dashed" in candidate.notes
    assert len(marks(candidate, "stitching line")) == 1


def test_a_dash_with_a_dot_on_it_is_no_letter():
    d = drawn(cut_dash=(5, 1.8), seam=False)
    d.fill(circle(51, 15.5, 2.0))
    assert len(marks(found(d), "dot")) == 1


def test_marks_beside_a_word_are_marks_though_the_reader_took_them_into_its_box():
    box = np.array([(0, 0), (100, 0), (100, 20), (0, 20), (0, 0)], dtype=float)
    word = TextLine(text="Pocket", box=tuple((float(x), float(y)) for x, y in box[:4]), confidence=0.98)
    unsure = replace(word, confidence=0.5)
    in_row, beside = np.array([90.0, 11.0]), np.array([90.0, 17.0])
    assert not is_beside_words("circle", np.array([26.0, 11.0]), 12.0, [(word, box)])
    assert is_beside_words("circle", beside, 12.0, [(word, box)])
    assert not is_beside_words("circle", np.array([26.0, 11.0]), 12.0, [(unsure, box)])
    # There is no round letter at the end of the word, nor at its beginning.
    assert is_beside_words("circle", in_row, 12.0, [(word, box)])
    assert is_beside_words("circle", np.array([6.0, 11.0]), 12.0, [(word, box)])
    assert not is_beside_words("circle", np.array([6.0, 11.0]), 12.0, [(replace(word, text="ocket"), box)])
    # Its bowl is half as high as the row: with a line across its stem that had been a circle.
    assert not is_beside_words("circle", np.array([6.0, 7.0]), 9.0, [(word, box)])
    assert is_beside_words("cross", in_row, 12.0, [(unsure, box)])
    assert not is_beside_words("dot", in_row, 4.0, [(word, box)])
    assert is_beside_words("dot", in_row, 12.0, [(word, box)])
    # The e of a heavy face had filled up in print: it had been kept as a dot of the piece.
    assert not is_beside_words("dot", np.array([74.0, 11.0]), 12.0, [(word, box)])
    assert not is_beside_words("cross", in_row, 12.0, [(word, box)])
    assert is_beside_words("cross", in_row, 12.0, [(replace(word, text="Pocket +"), box)])
    # What stands in no box of a word that was read, but among letters, is one of them.
    assert not is_beside_words("circle", np.array([90.0, 40.0]), 12.0, [(word, box)])


def test_the_legs_of_a_wedge_whose_tip_meets_a_stitching_line_are_one_notch():
    d = drawn()
    d.line([(57, 15), (60, 23), (63, 15)], width_mm=0.25)
    candidate = found(d)
    (notch,) = marks(candidate, "notch")
    assert notch.at == pytest.approx((60, 15), abs=PLACE_MM)
    assert len(marks(candidate, "stitching line")) == 1


def test_a_line_that_crosses_outlines_at_a_small_angle_is_one_internal_line():
    d = drawn(seam=False)
    d.line([(3, 47), (118, 73)], width_mm=0.35)
    d.line([(6, 6), (34, 96)], width_mm=0.35)
    candidate = found(d)
    assert [m.kind for m in candidate.marks] == ["internal line", "internal line"]
    ends = sorted(tuple(np.round(m.path.flatten(0.05)[k]).tolist()) for m in candidate.marks for k in (0, -1))
    assert np.abs(np.array(ends) - [(3, 47), (6, 6), (34, 96), (118, 73)]).max() < 1.5


def test_a_ring_on_a_dash_is_a_circle_and_the_letters_b_and_e_are_none():
    def patch(draw):
        fine = np.zeros((320, 320), np.uint8)
        draw(fine)
        small = cv2.resize(fine, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA) > 100
        rows, columns = np.flatnonzero(small.any(axis=1)), np.flatnonzero(small.any(axis=0))
        return np.asarray(small[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1], np.uint8) * 255

    def ring(canvas):
        cv2.circle(canvas, (160, 200), 90, 255, 16)

    def dash(canvas):
        ring(canvas)
        cv2.line(canvas, (165, 10), (165, 230), 255, 16)

    def stem(canvas):
        ring(canvas)
        cv2.line(canvas, (70, 10), (70, 290), 255, 16)

    def bar(canvas):
        cv2.ellipse(canvas, (160, 200), (90, 90), 0, 40, 360, 255, 16)
        cv2.line(canvas, (70, 200), (250, 200), 255, 16)

    found_ring = ring_on_line(patch(dash), 0.13)
    assert found_ring is not None
    assert np.ptp(found_ring, axis=0) == pytest.approx([22.5, 22.5], abs=1.5)
    assert ring_on_line(patch(stem), 0.13) is None
    assert ring_on_line(patch(bar), 0.13) is None


def test_the_bent_dashes_at_the_corners_of_a_dashed_outline_are_no_marks():
    d = drawn(cut_dash=(5, 1.8), seam=False)
    assert not found(d).marks


def test_a_single_letter_is_no_higher_than_the_ink_it_is_made_of():
    ink = find_ink(np.full((400, 400), 240, np.uint8), 0.1)
    small = np.array([[100, 100, 30, 40, 300, 0], [150, 150, 40, 40, 300, 0]], np.int32)
    letter = TextLine(text="L", box=((95, 95), (135, 95), (135, 145), (95, 145)))
    shape = TextLine(text="L", box=((60, 60), (260, 60), (260, 260), (60, 260)))
    word = replace(shape, text="Left")
    assert without_shapes([letter, shape, word], small, ink) == [letter, word]


def test_a_crease_beside_the_pieces_is_no_drawn_line():
    d = drawn()
    d.line([(10, 92), (110, 92)], width_mm=0.8, colour=(222, 220, 214))
    result = find_candidates(d.sheet(), words=False)
    assert {m.kind for m in result.sheet_marks} <= {"unknown"}


def test_a_frame_that_the_border_of_the_picture_cuts_is_one_frame():
    d = drawn()
    d.line([(119.9, 6.5), (7, 5), (5.5, 99.9)], width_mm=0.3)
    result = find_candidates(d.sheet(), words=False)
    assert [c.outline is not None for c in result.candidates] == [True]
    (frame,) = [m for m in result.sheet_marks if m.kind == "frame"]
    points = np.asarray(frame.path.flatten(0.05))
    assert np.hypot(*(points - (7, 5)).T).min() < PLACE_MM
    assert np.hypot(*(points[[0, -1]] - points[[-1, 0]]).T).max() > 100
    assert not any(m.kind == "internal line" for m in (*result.sheet_marks, *result.candidates[0].marks))


def test_a_line_beside_all_pieces_without_another_square_to_it_is_no_frame():
    d = drawn()
    d.line([(5, 2), (5, 98)], width_mm=0.3)
    assert not any(m.kind == "frame" for m in find_candidates(d.sheet(), words=False).sheet_marks)


@pytest.mark.parametrize("dash", [[(41.2, 53.4), (47, 54)], [(36, 55.1), (42.6, 54.6)], [(38, 53.9), (45, 53.9)]])
def test_a_cross_that_a_dash_runs_into_is_a_cross(dash):
    d = drawn(seam=False)
    d.line([(41, 51), (41, 55)], width_mm=0.25)
    d.line([(39, 53), (43, 53)], width_mm=0.25)
    d.line(dash, width_mm=0.25)
    (cross,) = marks(found(d), "cross")
    assert cross.at == pytest.approx((41, 53), abs=0.3)


def test_lines_that_part_and_letters_are_no_crosses():
    d = drawn(seam=False)
    d.line([(30, 50), (60, 50)], width_mm=0.25)
    d.line([(45, 50), (45, 60)], width_mm=0.25)
    d.line([(70, 40), (70, 44)], width_mm=0.25)
    d.line([(69, 41), (73, 41)], width_mm=0.25)
    assert not marks(found(d), "cross")


def test_a_dashed_line_goes_on_below_the_arrow_that_it_crosses():
    d = drawn(seam=False)
    d.line([(25, 58), (95, 59)], width_mm=0.3)
    for tip, way in ((23, 1), (97, -1)):
        d.fill([(tip, 58 + (tip > 50)), (tip + 6 * way, 56.2), (tip + 6 * way, 59.8)])
    d.line([(48, 30), (48, 61), (74, 61), (74, 30)], width_mm=0.25, dash=(2, 1.2))
    candidate = found(d)
    (placed,) = [m for m in marks(candidate, "internal line") if np.ptp(np.asarray(m.path.flatten(0.05))[:, 0]) > 20]
    points = np.asarray(placed.path.flatten(0.05))
    assert (points.min(axis=0) + points.max(axis=0)) / 2 == pytest.approx((61, 45.5), abs=2 * PLACE_MM)
    assert len(marks(candidate, "grain line")) == 1


@pytest.mark.parametrize("first_deg", [10.0, 33.0, 61.0])
def test_lines_that_cross_aslant_go_straight_on_and_make_no_cross(first_deg):
    # Beside the outline, where one of them ends soon; and where one crosses the outline a little off the square.
    d = drawn(seam=False)
    middle = np.array([60.0, 50.0])
    ends = []
    for turn, long in ((first_deg, 30.0), (first_deg + 50.0, 25.0)):
        way = long * np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        ends.append((middle - way, middle + way))
        d.line(ends[-1], width_mm=0.35)
    d.line([(8, 30), (34, 26)], width_mm=0.35)
    result = find_candidates(d.sheet(), words=False)
    (candidate,) = result.candidates
    kinds = [m.kind for m in (*candidate.marks, *result.sheet_marks)]
    assert "cross" not in kinds
    assert kinds.count("internal line") == 3
    lines = [np.asarray(m.path.flatten(0.1))[[0, -1]] for m in candidate.marks if m.kind == "internal line"]
    for pair in ends:
        away = [min(np.abs(np.array(pair) - line).max(), np.abs(np.array(pair) - line[::-1]).max()) for line in lines]
        assert min(away) < PLACE_MM


def test_the_part_of_a_sheet_between_folds_and_drawn_lines_is_no_thing_that_lies_on_it():
    size = np.array([240, 180])
    picture = np.full((*size[::-1] * 4, 3), (236, 234, 229), dtype=np.uint8)
    ring = np.array([(200, 160), (520, 180), (560, 420), (240, 460)])
    assert not stands_out(ring.astype(float), cv2.polylines(picture.copy(), [ring], True, (60, 60, 60), 3), 0.25)
    for colour in ((200, 198, 195), (236, 190, 160), (246, 246, 246)):
        assert stands_out(ring.astype(float), cv2.fillPoly(picture.copy(), [ring], colour), 0.25)


def test_the_faint_edge_of_the_sheet_is_no_drawing_and_a_fold_is_no_edge():
    d = drawn(seam=False)
    d.fill([(0, 95), (120, 93.5), (120, 100), (0, 100)], colour=(255, 255, 255))
    d.line([(3, 95), (117, 93.5)], width_mm=0.6, colour=(222, 220, 214))
    result = find_candidates(d.sheet(noise=0.5), words=False)
    assert [(m.kind, m.text) for m in result.sheet_marks] == [("reference", "edge of the sheet")]
    d = drawn(seam=False)
    d.line([(3, 95), (117, 93.5)], width_mm=0.6, colour=(222, 220, 214))
    result = find_candidates(d.sheet(noise=0.5), words=False)
    assert [(m.kind, m.text) for m in result.sheet_marks] == [("unknown", "crease or shadow")]


def test_a_crease_is_one_mark_however_many_lines_are_drawn_over_it():
    d = drawn(seam=False)
    d.line([(2, 40), (118, 41)], width_mm=1.0, colour=(200, 198, 192))
    d.soften(0.35)
    d.line(BOX, closed=True)
    for x in (40, 62, 85):
        d.line([(x, 25), (x + 4, 60)], width_mm=0.35)
    result = find_candidates(d.sheet(), words=False)
    creases = [m for m in (*result.candidates[0].marks, *result.sheet_marks) if m.text == "crease or shadow"]
    assert len(creases) <= 3
    assert sum(np.ptp(np.asarray(m.path.flatten(0.1))[:, 0]) for m in creases) > 100


def test_the_rest_of_a_label_is_looked_for_beside_it_where_there_is_more_ink():
    d = drawn(seam=False)
    d.text((40, 40), "Bib", height_mm=5)
    line = TextLine(
        text="Bib", height=90.0, confidence=0.99, at=(460.0, 380.0),
        box=((390.0, 335.0), (530.0, 335.0), (530.0, 425.0), (390.0, 425.0)),
    )  # fmt: skip
    rings = [BOX / d.mm_per_px]
    assert beside_labels([line], rings, find_ink(d.pixels(), d.mm_per_px)) == []
    d.text((40, 50), "cut 2", height_mm=4)
    d.line([(16, 49), (104, 49)], width_mm=0.4)
    ink = find_ink(d.pixels(), d.mm_per_px)
    (region,) = beside_labels([line], rings, ink)
    assert region.box[1] < 300
    assert region.box[3] > 510
    cut = TextLine(text="cut 2", height=70.0, confidence=0.99, at=(460.0, 480.0), box=line.box)
    assert beside_labels([line, cut], rings, ink) == []


@pytest.mark.parametrize(("like", "bracket"), [(1.0, True), (0.5, False)])
def test_the_heads_of_a_fold_bracket_may_look_round_in_a_photo(like, bracket):
    # Six pixels long and blurred they fill a circle; three of them had been kept as dots.
    def spot(x, y, size):
        middle, ring = np.array([x, y]), circle(x, y, size / 2)
        return Blob(points=ring, middle=middle, axis=np.array([1.0, 0.0]), size=size, round=True)

    back = Stroke(
        points=np.stack([np.full(400, 100.0), np.arange(400.0)], axis=1), edges=(), spaces=0, mass=2.0, closed=False
    )
    heads = [spot(85.0, 1.0, 24.0), spot(100.0 - 12.0 * like - 4.0, 398.0, 24.0 * like)]
    got = bracket_of(back, heads, 0.12)
    assert (got is not None) == bracket
    if got is not None:
        assert got[0].points[[0, -1], 0].max() < 80.0


def test_what_is_round_in_a_table_is_a_figure():
    d = Drawing(160, 100, dpi=254)
    d.line([(10, 20), (70, 20), (70, 90), (10, 90)], closed=True)
    for y in (20.0, 30.0, 40.0, 50.0):
        d.line([(80, y), (150, y)], width_mm=0.25)
    for x in (80.0, 103.0, 127.0, 150.0):
        d.line([(x, 20), (x, 50)], width_mm=0.25)
    for x, y in ((92.0, 25.0), (30.0, 60.0)):
        d.line(circle(x, y, 1.3), width_mm=0.3)
        d.line([(x + 1.3, y), (x + 2.5, y)], width_mm=0.3)
    result = find_candidates(d.sheet(), words=False)
    assert [m.kind for m in result.sheet_marks].count("table") == 1
    assert not marks_of_kind(result, "circle")
    (piece,) = result.candidates
    assert len(marks(piece, "circle")) == 1


def marks_of_kind(result, kind):
    return [m for m in result.sheet_marks if m.kind == kind]
