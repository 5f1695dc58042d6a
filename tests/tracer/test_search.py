"""The search for pieces on small sheets drawn here with exactly known outlines."""

import math
from itertools import pairwise

import numpy as np
import pytest

from calibration import MmPoints, PxPoints, Reference
from tests.tracer.sheet_drawing import BODICE, INK, Drawing, hexagon, polygon_distance_mm, sheet_of
from tracer.search.blobs import Blob
from tracer.search.bodies import find_bodies
from tracer.search.find import find_candidates
from tracer.search.gaps import bridge_gaps, is_tip, prune_spurs
from tracer.search.graph import Edge, LineGraph
from tracer.search.ground import read_ground
from tracer.search.marks_text import find_text

ROUGH_MM = 0.40
"""A rough outline may be off by half a line (0.25 mm) or two pixels (0.34 mm), whichever is more, and its noise."""


def search(drawing, **options):
    return find_candidates(drawing.sheet(**options), words=False)


def outlines_mm(drawing, result):
    return [(c.outline.points_px + 0.5) * drawing.mm_per_px for c in result.candidates]


def assert_traces(drawing, result, *rings):
    """Each ring is traced by one candidate, from both sides, and there is no further candidate."""
    found = outlines_mm(drawing, result)
    clear = [~c.outline.obscured for c in result.candidates]
    assert len(found) == len(rings)
    left = list(range(len(found)))
    for ring in rings:
        best = min(left, key=lambda k: float(np.hypot(*(found[k].mean(axis=0) - ring.mean(axis=0)))))
        left.remove(best)
        away = polygon_distance_mm(found[best], ring)
        assert away[clear[best]].max() < ROUGH_MM
        assert away.max() < 2 * ROUGH_MM
        assert polygon_distance_mm(ring, found[best]).max() < 2 * ROUGH_MM


def test_drawn_pieces_are_found_and_text_table_frame_and_arrow_are_not():
    d = Drawing(160, 190)
    d.line([(4, 4), (156, 4), (156, 186), (4, 186)], closed=True, width_mm=0.4)
    d.line(BODICE, closed=True)
    hexagon_ring = hexagon(125, 50, 25.4 / 2)
    d.line(hexagon_ring, closed=True)
    d.text((35, 60), "FRONT")
    d.text((35, 70), "cut 2")
    d.line([(60, 80), (60, 112)], width_mm=0.3)
    for y in (140, 148, 156, 164):
        d.line([(20, y), (110, y)], width_mm=0.3)
    for x in (20, 50, 80, 110):
        d.line([(x, 140), (x, 164)], width_mm=0.3)
    for i in range(3):
        for j in range(3):
            d.text((23 + 30 * i, 146 + 8 * j), f"{10 + i + 3 * j} cm", height_mm=3)
    d.text((20, 180), "Read all of this before you cut")
    assert_traces(d, search(d), BODICE, hexagon_ring)


@pytest.mark.parametrize("dpi", [120, 200, 300])
@pytest.mark.parametrize(("width_mm", "colour"), [(0.3, INK), (1.0, INK), (0.5, (190, 40, 40)), (0.5, (150, 150, 150))])
def test_a_piece_is_found_at_any_density_in_any_pen(dpi, width_mm, colour):
    d = Drawing(115, 140, dpi=dpi)
    d.line(BODICE, closed=True, width_mm=width_mm, colour=colour)
    result = search(d)
    assert_traces(d, result, BODICE)
    # Between half levels, blur (about one pixel here) adds to a thin line.
    slack = 0.1 + d.mm_per_px
    assert result.candidates[0].outline.line_width_px * d.mm_per_px == pytest.approx(width_mm, abs=slack)


def test_the_colour_weights_make_a_red_line_dark():
    d = Drawing(115, 140)
    d.line(BODICE, closed=True, colour=(200, 40, 40))
    weights = search(d).candidates[0].outline.colour_weights
    assert weights[0] < min(weights[1], weights[2])
    assert weights.sum() == pytest.approx(1.0)


def test_a_gap_is_bridged_along_the_line_and_reported():
    d = Drawing(115, 140)
    ring = np.vstack([BODICE, BODICE[:1]])
    d.line(np.vstack([[50, 122.4], ring[9], ring[0], *ring[1:9], [54.5, 122.1]]))
    result = search(d)
    assert_traces(d, result, BODICE)
    outline = result.candidates[0].outline
    bridged = outline.points_px[outline.bridged] * d.mm_per_px
    assert bridged[:, 0].min() > 49
    assert bridged[:, 0].max() < 55.5
    assert outline.obscured[outline.bridged].all()
    assert "broken" in result.candidates[0].notes[0]


def test_a_gap_soon_after_a_corner_is_bridged():
    drawing = Drawing(120, 100)
    drawing.line([(90, 72.4), (90, 75), (20, 75), (20, 20), (90, 20), (90, 67)])
    assert_traces(drawing, search(drawing), np.array([(20, 20), (90, 20), (90, 75), (20, 75)]))


def test_a_line_runs_on_straight_under_a_letter_whose_stems_leave_little_of_it_to_see():
    drawing = Drawing(130, 110)
    ring = np.array([(20, 20), (110, 20), (110, 61), (20, 63)])
    drawing.line(ring, closed=True, width_mm=0.5)
    for x in (50, 59):
        drawing.fill([(x, 50), (x + 5, 49.8), (x + 5, 76), (x, 76)])
    drawing.fill([(50, 50), (54, 50), (64, 76), (60, 76)])
    assert_traces(drawing, search(drawing), ring)


@pytest.mark.parametrize("shift_mm", [0.0, 0.5])
def test_a_corner_under_a_display_letter_is_closed_where_little_of_its_sides_is_seen_between_two(shift_mm):
    d = Drawing(120, 100, dpi=300)
    box = [(15, 15), (105, 15), (105, 75), (20, 75)]
    d.line(box, closed=True)
    # A small letter on the long side makes a fork of it. Below, the bars of an E hide the corner and a bar beside it.
    d.line([(12, 28), (19, 28)], width_mm=0.5)
    d.fill([(16, 66 + shift_mm), (34, 66 + shift_mm), (34, 70), (24, 70), (24, 74.6), (33, 74.6), (33, 79), (24, 79)] +
           [(24, 84), (34, 84), (34, 88), (16, 88)])  # fmt: skip
    d.fill([(38, 66), (46, 66), (46, 88), (38, 88)])
    result = find_candidates(d.sheet(), words=False)
    (candidate,) = result.candidates
    ring = (candidate.outline.points_px + 0.5) * d.mm_per_px
    assert polygon_distance_mm(np.array(box, dtype=float), ring).max() < 0.8
    assert polygon_distance_mm(ring, np.array(box, dtype=float)).max() < 0.8


def _bow(middle, half_mm, first_deg=0, last_deg=360):
    turn = np.radians(np.arange(first_deg, last_deg + 1, 5))
    return np.stack([middle[0] + half_mm[0] * np.cos(turn), middle[1] + half_mm[1] * np.sin(turn)], axis=1)


@pytest.mark.parametrize(("size", "shift_mm"), [(1.3, (0, 0)), (1.0, (0.4, 0.3)), (1.15, (0.2, 0)), (1.0, (0, 0))])
def test_a_letter_that_stands_in_a_corner_of_the_line_does_not_round_it(size, shift_mm):
    d = Drawing(110, 90, dpi=300)
    corner = np.array([80.0, 20.0])
    ring = np.array([(20, 19.6), corner, (88, 75), (22, 75)])
    d.line(ring, closed=True)
    # A d whose bow the corner runs through, and before it an e that hangs on the line.
    bow, half = corner + [0.85 * size + shift_mm[0], 1.17 * size + shift_mm[1]], (1.0 * size, 1.3 * size)
    d.line(_bow(bow, half), width_mm=0.42)
    d.line([bow + [0.95 * size, -2.34 * size], bow + [0.95 * size, 1.4 * size]], width_mm=0.42)
    beside = bow - [3.2 * size, 0]
    d.line([beside - [half[0], 0], beside + [half[0], 0]], width_mm=0.42)
    d.line(_bow(beside, half, 60), width_mm=0.42)
    assert_traces(d, search(d), ring)


@pytest.mark.parametrize("side_mm", [30.2, 31.0])
def test_a_line_that_runs_in_along_the_rim_of_a_letter_turns_under_it(side_mm):
    d = Drawing(140, 100, dpi=300)
    box = np.array([(27, 15), (120, 15), (120, 75), (side_mm, 75)])
    d.line(box, closed=True, width_mm=0.4)
    d.fill([(30, 70), (44, 70), (44, 73.5), (35, 73.5), (35, 77), (43, 77), (43, 80), (35, 80), (35, 92), (30, 92)])
    # Between the stroke of an N that runs aslant and its stem a little of the line is seen.
    n = [(0, 0), (5.3, 0), (12.2, 12.2), (12.2, 0), (16.9, 0), (16.9, 18.6), (11.5, 18.6), (4.6, 6.2), (4.6, 18.6)]
    d.fill(np.array([*n, (0, 18.6)]) + [50, 70.4])
    result = find_candidates(d.sheet(), words=False)
    (candidate,) = result.candidates
    ring = (candidate.outline.points_px + 0.5) * d.mm_per_px
    assert polygon_distance_mm(box, ring).max() < 0.8
    assert polygon_distance_mm(ring, box).max() < 0.8


def test_a_line_open_by_more_than_six_millimetres_is_no_piece():
    d = Drawing(115, 140)
    ring = np.vstack([BODICE, BODICE[:1]])
    d.line(np.vstack([[40, 122.9], ring[9], ring[0], *ring[1:9], [60, 121.8]]))
    assert not search(d).candidates


def test_a_dashed_cutting_line_is_one_piece():
    d = Drawing(115, 140)
    d.line(BODICE, closed=True, dash=(5, 2))
    assert_traces(d, search(d), BODICE)


def test_notches_inside_and_outside_do_not_bend_the_outline():
    d = Drawing(115, 140)
    d.line(BODICE, closed=True)
    d.line([(20, 70), (25, 73), (20, 76)], width_mm=0.3)
    d.line([(20, 90), (15, 93), (20, 96)], width_mm=0.3)
    d.line([(60, 122.0), (60, 116)], width_mm=0.3)
    result = search(d)
    assert_traces(d, result, BODICE)
    notches = [m for m in result.candidates[0].marks if m.kind == "notch"]
    assert len(notches) == 3
    feet = np.array(sorted(m.at for m in notches))
    assert polygon_distance_mm(feet, BODICE).max() < 1.5


@pytest.mark.parametrize("seed", [0, 1])
def test_small_marks_lie_where_they_are_drawn_and_are_as_large(seed):
    d = Drawing(115, 140, dpi=300)
    d.line(BODICE, closed=True)
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    ring = 1.6 * np.column_stack([np.cos(turn), np.sin(turn)])
    shift = np.random.default_rng(seed).uniform(-1, 1, 2)
    drawn = {"circle": np.array([40.0, 50.0]) + shift, "dot": np.array([60.0, 60.0]) + shift}
    d.line(drawn["circle"] + ring, closed=True, width_mm=0.3)
    d.fill(drawn["dot"] + ring)
    crosses = [np.array([40.0, 90.0]) + shift, np.array([70.0, 95.0]) + shift]
    for middle, arms in zip(crosses, ([(1.6, 0), (0, 1.6)], [(1.4, 1.4), (1.4, -1.4)]), strict=True):
        for arm in np.array(arms):
            d.line([middle - arm, middle + arm], width_mm=0.3)
    sheet = d.sheet(seed=seed)
    (piece,) = find_candidates(sheet, words=False).candidates
    marks = [m for m in piece.marks if m.kind in ("circle", "dot", "cross")]
    assert sorted(m.kind for m in marks) == ["circle", "cross", "cross", "dot"]
    for mark in marks:
        away = min(np.hypot(*(np.array(mark.at) - c)) for c in ([drawn[mark.kind]] if mark.kind in drawn else crosses))
        assert away < 0.1, mark.kind
        shape = np.array([mark.path.segments[0][0], *(s[-1] for s in mark.path.segments)])
        # Of a cross the round ends of its lines are in it too, half their width at each.
        most = 0.7 if mark.kind == "cross" else 0.4
        assert np.ptp(shape, axis=0) == pytest.approx([3.2, 3.2], abs=most)
        assert np.hypot(*((shape.min(axis=0) + shape.max(axis=0)) / 2 - mark.at)) < 0.1
        ways = [s[-1] - s[0] for s in mark.path.segments]
        if mark.kind == "cross":
            # Every stroke runs along an arm of one of the two crosses, none along the side of a box.
            upright = np.hypot(*(np.array(mark.at) - crosses[0])) < 1
            for x, y in ways:
                assert min(abs(x), abs(y)) < 0.1 if upright else abs(x) == pytest.approx(abs(y), abs=0.1)
        else:
            assert len(ways) >= 8
            assert np.hypot(*(shape[0] - shape[-1])) < 1e-6


def test_a_stitching_line_is_a_mark_and_no_piece():
    d = Drawing(140, 140)
    outer, inner = hexagon(70, 70, 45), hexagon(70, 70, 45 - 10 / np.sin(np.pi / 3))
    d.line(outer, closed=True)
    d.line(inner, closed=True, width_mm=0.3, dash=(3, 1.5))
    result = search(d)
    assert_traces(d, result, outer)
    kinds = {m.kind for m in result.candidates[0].marks}
    assert "stitching line" in kinds


def test_a_line_from_edge_to_edge_does_not_cut_a_piece_in_two():
    d = Drawing(115, 140)
    d.line(BODICE, closed=True)
    d.line([(20, 80), (96.6, 80)], width_mm=0.3)
    result = search(d)
    assert_traces(d, result, BODICE)


@pytest.mark.parametrize("dash", [None, (4.0, 2.0)])
def test_a_line_in_the_outlines_own_pen_does_not_cut_a_round_piece_in_two(dash):
    d = Drawing(110, 80)
    turn = np.linspace(0, 2 * math.pi, 361)[:-1]
    ring = np.column_stack([55 + 40 * np.cos(turn), 40 + 26 * np.sin(turn)])
    d.line(ring, closed=True)
    d.line([ring[20], ring[215]], dash=dash)
    d.text((48, 30), "cut 2")
    d.text((50, 55), "cut 2")
    assert_traces(d, search(d), ring)


@pytest.mark.parametrize("shift_mm", [0.0, 1.5, 3.0, 4.5])
def test_dashes_across_a_piece_leave_it_whole_wherever_their_spaces_lie(shift_mm):
    d = Drawing(120, 90)
    ring = np.array([[30, 20], [90, 20], [90, 70], [30, 70]], dtype=float)
    d.line(ring, closed=True)
    for first, last in (((8.0, 30.0), (112.0, 52.0)), ((12.0, 62.0), (112.0, 28.0))):
        way = (np.array(last) - first) / math.dist(first, last)
        d.line([first + way * shift_mm, last], dash=(3.5, 2.5))
    assert_traces(d, search(d), ring)


def test_two_pieces_that_share_an_edge_from_corner_to_corner_are_two_without_words():
    d = Drawing(150, 90)
    left = np.array([[15, 15], [70, 25], [70, 65], [15, 75]], dtype=float)
    right = np.array([[70, 25], [130, 12], [120, 80], [70, 65]], dtype=float)
    d.line(left, closed=True)
    d.line(right, closed=True)
    assert_traces(d, search(d), left, right)


def test_two_pieces_that_touch_are_two():
    d = Drawing(150, 100)
    left = np.array([[10, 20], [60, 20], [60, 80], [10, 80]], dtype=float)
    right = np.array([[60, 50], [110, 15], [130, 85], [75, 90]], dtype=float)
    d.line(left, closed=True)
    d.line(right, closed=True)
    assert_traces(d, search(d), left, right)


def test_a_piece_that_touches_the_frame_is_found():
    d = Drawing(150, 120)
    d.line([(5, 5), (145, 5), (145, 115), (5, 115)], closed=True, width_mm=0.35)
    ring = np.array([[5, 30], [60, 35], [55, 90], [5, 85]], dtype=float)
    d.line(ring, closed=True)
    d.line(hexagon(105, 60, 22), closed=True)
    assert_traces(d, search(d), ring, hexagon(105, 60, 22))


def test_a_piece_with_a_bowed_side_that_fills_the_sheet_is_no_frame():
    d = Drawing(300, 75)
    x = np.linspace(10, 290, 60)
    top = np.stack([x, 14 - 6 * (1 - ((x - 150) / 140) ** 2)], axis=1)
    ring = np.vstack([top, [[287, 67], [12, 69]]])
    d.line(ring, closed=True)
    assert_traces(d, search(d), ring)


def test_a_waistband_with_hardly_bowed_sides_that_fills_the_sheet_is_no_frame():
    d = Drawing(300, 75)
    x = np.linspace(8, 290, 60)
    top = np.stack([x, 10 - 3.5 * (1 - ((x - 149) / 141) ** 2)], axis=1)
    ring = np.vstack([top, [[289, 67], [9, 66]]])
    d.line(ring, closed=True)
    assert_traces(d, search(d), ring)


def test_a_frame_bowed_a_little_by_the_lens_is_one():
    d = Drawing(300, 220)
    t = np.linspace(0, 1, 40)[:-1]
    bow = 1.2 * 4 * t * (1 - t)
    sides = [(8 + 284 * t, 8 + bow), (292 - bow, 8 + 204 * t), (292 - 284 * t, 212 - bow), (8 + bow, 212 - 204 * t)]
    d.line(np.concatenate([np.stack(side, axis=1) for side in sides]), closed=True, width_mm=0.35)
    assert not search(d).candidates


def test_a_rectangle_around_an_empty_page_is_its_frame():
    d = Drawing(150, 120)
    d.line([(5, 5), (145, 5), (145, 115), (5, 115)], closed=True, width_mm=0.35)
    assert not search(d).candidates


def test_a_crossing_line_does_not_join_two_pieces():
    d = Drawing(160, 90)
    a, b = hexagon(45, 45, 28), hexagon(115, 45, 28)
    d.line(a, closed=True)
    d.line(b, closed=True)
    d.line([(5, 30), (155, 50)], width_mm=0.3)
    d.line([(5, 62), (155, 42)], width_mm=0.3)
    assert_traces(d, search(d), a, b)


def test_the_test_square_is_a_mark_and_no_piece():
    d = Drawing(150, 140)
    d.line(BODICE, closed=True)
    square = np.array([[110, 20], [135.4, 20], [135.4, 45.4], [110, 45.4]])
    d.line(square, closed=True)
    px = PxPoints(square / d.mm_per_px - 0.5)
    reference = Reference(
        kind="square", size="1in", points_px=px, points_mm=MmPoints(square), sigma_px=np.ones(4),
        tolerance_relative=0.0, outline_px=px,
    )  # fmt: skip
    result = find_candidates(d.sheet(others=[reference]), words=False)
    assert_traces(d, result, BODICE)
    assert [m.kind for m in result.sheet_marks].count("test square") == 1


def test_the_edge_of_a_sheet_whose_size_is_known_is_no_mark_of_its_own():
    d = Drawing(150, 170, paper=(246, 246, 246))
    sheet = np.array([[8, 8], [142, 8], [142, 162], [8, 162]], dtype=float)
    d.line(sheet[1:], width_mm=3.0, colour=(170, 170, 170))
    d.soften(0.5)
    d.fill(sheet, (240, 238, 232))
    d.line(BODICE, closed=True)
    px = PxPoints(sheet / d.mm_per_px - 0.5)
    reference = Reference(
        kind="sheet", size="134x154mm", points_px=px, points_mm=MmPoints(sheet), sigma_px=np.ones(4),
        tolerance_relative=0.0, outline_px=px,
    )  # fmt: skip
    result = find_candidates(d.sheet(others=[reference]), words=False)
    assert_traces(d, result, BODICE)
    assert [m.kind for m in result.sheet_marks] == ["reference"]


def test_a_corner_just_beside_a_letter_that_hides_one_side_is_closed():
    down = np.stack([np.full(150, 100.0), np.arange(50.0, 200.0)], axis=1)
    left = np.stack([np.arange(400.0, 230.0, -1.0), np.full(170, 202.0)], axis=1)
    graph = LineGraph([(100, 50), (100, 199), (400, 202), (231, 202)], [Edge(0, 1, down), Edge(2, 3, left)])
    letter = np.zeros((300, 420), np.uint8)
    letter[150:280, 104:231] = 255
    bridges = [e for e in bridge_gaps(graph, 0.1, letter).edges if e.bridge]
    assert [(e.start, e.end) for e in bridges] in ([(1, 3)], [(3, 1)])
    assert np.hypot(*(bridges[0].points - [100, 202]).T).min() < 1.0
    # Nothing hides the line that is missing here.
    assert not any(e.bridge for e in bridge_gaps(graph, 0.1, np.zeros_like(letter)).edges)


def test_dashes_that_look_like_letters_are_bridged_where_they_stand_in_line_with_others():
    spans = [(20, 80), (95, 115), (130, 150), (165, 185)]
    nodes = [(float(x), 50.0) for span in spans for x in (span[0], span[1] - 1)]
    edges = [
        Edge(2 * k, 2 * k + 1, np.stack([np.arange(a, b), np.full(b - a, 50)], axis=1).astype(float), mass=4.0)
        for k, (a, b) in enumerate(spans)
    ]
    letters = np.zeros((100, 220), np.uint8)
    letters[45:56, 90:200] = 255
    assert sum(e.bridge for e in bridge_gaps(LineGraph(nodes, edges), 0.1, None, letters).edges) == 3
    # Lettering alone is not bridged.
    assert not any(e.bridge for e in bridge_gaps(LineGraph(nodes, edges[1:]), 0.1, None, letters).edges)


@pytest.mark.parametrize(("space_mm", "count"), [(4.5, 1), (5.5, 0)])
def test_dashes_with_a_notch_on_both_of_their_facing_ends_are_joined_as_if_they_went_on_beyond(space_mm, count):
    # The rest of each dash beyond its notch, 0.7 mm, was cut off as a spur; between the rests is a usual space.
    first, second = 100.0, 100.0 + 10 * space_mm
    ways = [
        np.stack([np.linspace(40.0, first, 61), np.full(61, 50.0)], axis=1),
        np.stack([np.full(40, first), np.linspace(50.0, 90.0, 40)], axis=1),
        np.stack([np.linspace(second, second + 60.0, 61), np.full(61, 50.0)], axis=1),
        np.stack([np.full(40, second), np.linspace(50.0, 90.0, 40)], axis=1),
    ]
    nodes = [(40.0, 50.0), (first, 50.0), (first, 90.0), (second, 50.0), (second + 60.0, 50.0), (second, 90.0)]
    edges = [Edge(a, b, w, mass=4.0) for a, b, w in zip((0, 1, 3, 3), (1, 2, 4, 5), ways, strict=True)]
    joined = bridge_gaps(LineGraph(nodes, edges), 0.1, None, None, [], [(1, 0), (3, 2)])
    assert sum(e.bridge for e in joined.edges) == count


@pytest.mark.parametrize(("mirrored", "count"), [(False, 1), (True, 0)])
def test_a_dashed_arc_goes_on_from_a_notch_to_what_looks_like_letters(mirrored, count):
    def arc(start_mm, length_mm, radius_mm=12.0):
        turn = (start_mm + np.arange(0.0, length_mm, 0.1)) / radius_mm
        return 200.0 + 10 * radius_mm * np.stack([np.sin(turn), -np.cos(turn)], axis=1)

    dash, following = arc(0.0, 6.0), arc(8.5, 4.0)
    end = dash[-1]
    if mirrored:
        # About the way across the gap: a line would have to swing to and fro.
        across = (following[0] - end) / np.hypot(*(following[0] - end))
        following = end + 2 * ((following - end) @ across)[:, None] * across - (following - end)
    notch = np.linspace(end, end + (200.0 - end) / 3, 40)
    nodes = [tuple(p) for p in (dash[0], end, notch[-1], following[0], following[-1])]
    edges = [Edge(a, b, way, mass=4.0) for a, b, way in ((0, 1, dash), (1, 2, notch), (3, 4, following))]
    letters = np.zeros((420, 420), np.uint8)
    x, y = np.rint(following).astype(int).T
    letters[y, x] = 255
    joined = bridge_gaps(LineGraph(nodes, edges), 0.1, None, letters, [], [(1, 0)])
    assert sum(e.bridge for e in joined.edges) == count


def test_large_letters_are_no_pieces():
    d = Drawing(200, 70)
    d.text((10, 50), "BOD", height_mm=30)
    # Strokes as heavy as those of display lettering.
    for x in (120, 150):
        d.fill(hexagon(x, 35, 14))
        d.fill(hexagon(x, 35, 10), colour=(248, 246, 240))
    assert not search(d).candidates


@pytest.mark.parametrize("ground", [(40, 90, 70), (60, 60, 64), (215, 208, 196)])
def test_cut_out_templates_are_found_with_their_holes_and_without_their_shadow(ground):
    d = Drawing(160, 110, paper=ground)
    card = np.array([[15, 15], [75, 18], [70, 90], [20, 85]], dtype=float)
    shade = tuple(int(v * 0.6) for v in ground)
    second = hexagon(115, 50, 28)
    d.fill(card + 1.0, colour=shade)
    d.fill(second + 1.0, colour=shade)
    d.soften(0.6)
    d.fill(card, colour=(246, 244, 238))
    hole = np.array([45, 50]) + 3 * np.stack(
        [np.cos(np.linspace(0, 6.28, 40)), np.sin(np.linspace(0, 6.28, 40))], axis=1
    )
    d.fill(hole, colour=ground)
    d.fill(second, colour=(170, 60, 60))
    result = search(d)
    assert_traces(d, result, card, second)
    assert [len(c.holes) for c in result.candidates] == [1, 0]
    assert {c.outline.kind for c in result.candidates} == {"edge"}


@pytest.mark.parametrize("colour", [(186, 52, 48), (60, 60, 62), (150, 147, 138)])
def test_a_strap_of_a_template_is_kept_to_its_end(colour):
    # Narrower than what makes something a template, and longer than what is looked at beside one anyway.
    ring = np.array([[15, 12], [50, 12], [50, 30], [112, 33], [112, 39], [50, 37], [50, 68], [15, 68]], dtype=float)
    d = Drawing(125, 80, paper=(226, 222, 212))
    d.fill(ring, colour=colour)
    assert_traces(d, search(d), ring)


def test_a_dash_as_light_as_the_ground_is_no_hole():
    ground = (222, 224, 220)
    d = Drawing(160, 110, paper=ground, dpi=110.0)
    d.fill([(15, 15), (145, 18), (140, 90), (20, 85)], colour=(246, 244, 238))
    for x in np.arange(30.0, 130.0, 8.0):
        d.line([(x, 30.0), (x + 4.0, 30.0)], width_mm=0.8, colour=(60, 60, 60))
    angle = np.linspace(0, 2 * np.pi, 40)
    d.fill(np.array([80, 60]) + 2.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1), colour=ground)
    d.soften(0.55)
    holes = search(d).candidates[0].holes
    assert len(holes) == 1
    assert np.hypot(*(np.ptp(holes[0].points_px, axis=0) * 25.4 / 110.0 - 4.0)) < 1.5


def test_a_sheet_with_pieces_drawn_on_it_is_no_piece_itself():
    d = Drawing(160, 180, paper=(60, 50, 45))
    d.fill([(15, 15), (145, 15), (145, 165), (15, 165)], colour=(246, 244, 238))
    d.line(BODICE + [10, 10], closed=True)
    result = search(d)
    assert_traces(d, result, BODICE + [10, 10])
    assert result.candidates[0].outline.kind == "drawn"


def test_the_light_of_a_ground_seen_only_along_the_border_does_not_jump_under_a_creased_sheet():
    """Between creases a sheet is many zones; none of them is the ground, nor a thing of its own."""
    d = Drawing(220, 300, dpi=100, paper=(247, 246, 243))
    d.fill([[2, 2], [218, 2], [218, 298], [2, 298]], (226, 224, 212))
    for y in (60.0, 130.0, 190.0, 250.0):
        d.line([[2, y], [218, y]], width_mm=1.2, colour=(190, 188, 178))
    d.line([[110, 2], [110, 298]], width_mm=1.2, colour=(190, 188, 178))
    pixels = d.pixels()
    light = read_ground(pixels, d.mm_per_px).light
    assert np.ptp(light, axis=(0, 1)).max() < 0.02
    assert len(find_bodies(pixels, d.mm_per_px).things) == 1


@pytest.mark.parametrize("value", [0, 255, 128])
def test_an_even_picture_has_no_pieces(value):
    pixels = np.full((300, 400, 3), value, dtype=np.uint8)
    assert not find_candidates(sheet_of(pixels, 0.2), words=False).candidates


def test_a_grey_picture_serves_as_well():
    d = Drawing(115, 140)
    d.line(BODICE, closed=True)
    grey = d.pixels()[:, :, 1].copy()
    result = find_candidates(sheet_of(grey, d.mm_per_px), words=False)
    assert_traces(d, result, BODICE)


def test_pieces_come_in_reading_order():
    d = Drawing(200, 160)
    for x, y in ((150, 40), (45, 45), (100, 120)):
        d.line(hexagon(x, y, 25), closed=True)
    middles = [m.mean(axis=0) for m in outlines_mm(d, search(d))]
    assert [round(float(m[0]), -1) for m in middles] == [40, 150, 100] or [round(float(m[0])) for m in middles] == [
        45,
        150,
        100,
    ]


def test_each_of_several_nested_sizes_can_be_followed_where_they_share_an_edge_and_part_again():
    d = Drawing(160, 140)
    sizes = [
        np.array(
            [[20, 30 - 4 * k], [100 + 5 * k, 34 - 5 * k], [110 + 5 * k, 100 + 4 * k], [20, 105 + 4 * k]], dtype=float
        )
        for k in range(4)
    ]
    for ring, dash in zip(sizes, (None, (6, 2), (3, 1.5), (10, 2)), strict=True):
        d.line(ring, closed=True, width_mm=0.4, dash=dash)
    sheet = d.sheet()
    for k, ring in enumerate(sizes):
        result = find_candidates(sheet, size_line=k + 1, words=False)
        assert len(result.candidates) == 1
        assert np.percentile(polygon_distance_mm(outlines_mm(d, result)[0], ring), 95) < ROUGH_MM
    plain = find_candidates(sheet, words=False)
    assert [f.code for f in plain.findings] == ["several-sizes"]
    beyond = find_candidates(sheet, size_line=9, words=False)
    assert [f.code for f in beyond.findings] == ["size-line-not-found"]


def test_sizes_drawn_in_one_style_that_meet_in_a_point_and_on_a_fold_go_on_as_far_out_as_they_came():
    """Only their order tells which waist belongs to which side seam."""

    def size(k):
        return np.array([(20, 54 - 6 * k), (100, 30), (112 + 7 * k, 150 + 4 * k), (20, 152 + 4 * k)], dtype=float)

    d = Drawing(170, 200)
    for k in range(5):
        d.line(size(k), closed=True, width_mm=0.4)
    sheet = d.sheet()
    for k in range(5):
        result = find_candidates(sheet, size_line=k + 1, words=False)
        assert len(result.candidates) == 1
        away = polygon_distance_mm(outlines_mm(d, result)[0], size(k))
        assert np.percentile(away, 85) < ROUGH_MM
        # Where the lines of all sizes run into each other the rough outline lies somewhere in their common band.
        assert away.max() < 2.2


def test_a_dashed_dart_keeps_its_mouth_though_a_side_runs_on_behind_it():
    d = Drawing(120, 100, dpi=254)
    ring = [(15, 15), (105, 15), (105, 46.5), (90, 52.5), (106, 55.4), (105, 85), (15, 85)]
    d.line(ring, closed=True, width_mm=0.7, dash=(4.5, 2.2))
    (candidate,) = find_candidates(d.sheet(), words=False).candidates
    points = (candidate.outline.points_px + 0.5) * d.mm_per_px
    assert np.hypot(*(points - (90, 52.5)).T).min() < 2.5


def test_a_thick_place_that_a_line_runs_through_is_no_arrow_head():
    # Where a line crosses the dark side of a crease its ink is thick; a shaft ends at its head.
    spot = Blob(
        points=np.zeros((4, 2)), middle=np.array([100.0, 50.0]), axis=np.array([1.0, 0.0]), size=24.0, round=False
    )
    sides = [np.stack([np.arange(20.0, 89.0), np.full(69, 50.0)], axis=1)]
    sides.append(np.stack([np.arange(180.0, 112.0, -1.0), np.full(68, 50.0)], axis=1))
    nodes = [tuple(s[k]) for s in sides for k in (0, -1)]
    edges = [Edge(2 * k, 2 * k + 1, s, mass=4.0) for k, s in enumerate(sides)]
    assert sum(e.bridge for e in bridge_gaps(LineGraph(nodes, edges), 0.1, None, None, [spot]).edges) == 1
    ahead = Edge(2, 3, np.stack([np.full(40, 113.0), np.arange(50.0, 90.0)], axis=1), mass=4.0)
    nodes[2:] = [(113.0, 50.0), (113.0, 89.0)]
    bridges = [e for e in bridge_gaps(LineGraph(nodes, [edges[0], ahead]), 0.1, None, None, [spot]).edges if e.bridge]
    assert not bridges


def test_noise_that_stands_together_like_letters_is_of_all_sizes_and_no_text():
    rng = np.random.default_rng(5)
    at = np.stack(np.meshgrid(np.arange(8), np.arange(8)), axis=-1).reshape(-1, 2)

    def marks(sizes):
        places = at * 34 + 100
        return np.column_stack([places, sizes, sizes, sizes * sizes // 2, np.zeros_like(sizes)]).astype(np.int32)

    assert len(find_text(marks(rng.integers(18, 32, len(at))), 0.1)) == 1
    assert find_text(marks(np.rint(np.exp(rng.uniform(np.log(8), np.log(120), len(at)))).astype(int)), 0.1) == []


def test_a_heading_with_small_letters_under_it_is_two_blocks_of_text_and_no_noise():
    # The title and the first line of our own apron had been left unread, letter by letter marks of no kind.
    heading = [(100 + 90 * k, 100, 70, 82) for k in range(13)]
    capitals, small = (
        [(100 + 36 * k, y, 22, high) for k in range(k0, 30, 2)] for k0, y, high in ((0, 205, 34), (1, 214, 25))
    )
    marks = np.array([(*box, box[2] * box[3] // 2, 0) for box in (*heading, *capitals, *small)], dtype=np.int32)
    blocks = sorted(find_text(marks, 0.085), key=lambda b: b.box[1])
    assert [len(b.glyphs) for b in blocks] == [13, 30]
    assert blocks[0].box[3] < blocks[1].box[1]


@pytest.mark.parametrize("turns_deg", [(17.0, -17.0), (31.0, -17.0)])
def test_the_filled_point_in_which_two_lines_meet_is_no_arrow_head(turns_deg):
    tip = np.array([100.0, 150.0])
    ways = [np.array([np.cos(a), np.sin(a)]) for a in np.radians(turns_deg)]
    # From 1.2 mm beside the tip on, ten pixels a millimetre; nearer to it both lines are one spot.
    legs = [tip + np.arange(12.0, 120.0)[:, None] * way for way in ways]
    spot = Blob(points=np.zeros((4, 2)), middle=tip + [7.0, 0], axis=np.array([1.0, 0.0]), size=16.0, round=False)
    nodes = [tuple(leg[k]) for leg in legs for k in (0, -1)]
    edges = [Edge(2 * k, 2 * k + 1, leg, mass=4.0) for k, leg in enumerate(legs)]
    (bridge,) = (e for e in bridge_gaps(LineGraph(nodes, edges), 0.1, None, None, [spot]).edges if e.bridge)
    assert {bridge.start, bridge.end} == {0, 2}


def test_the_end_of_a_dash_beyond_the_leg_of_a_notch_is_no_tip_of_two_lines():
    # Leg and dash run together at 60 degrees, 2 mm before its end: a whole piece was lost, open at its corner.
    def edge(a, b, points, width):
        return Edge(a, b, np.concatenate([np.linspace(p, q, 20) for p, q in pairwise(points)]), width=width, mass=width)

    nodes = [(482.0, 970.0), (497.0, 953.0), (525.0, 937.0), (502.0, 885.0), (468.0, 989.0), (414.0, 983.0)]
    dash = [edge(0, 1, [nodes[0], nodes[1]], 5.0), edge(1, 2, [nodes[1], (511.0, 943.0), nodes[2]], 5.0)]
    leg, other = edge(1, 3, [nodes[1], (495.0, 940.0), nodes[3]], 3.0), edge(4, 5, [nodes[4], nodes[5]], 5.0)
    (bridge,) = (e for e in bridge_gaps(LineGraph(nodes, [*dash, leg, other]), 0.085).edges if e.bridge)
    assert {bridge.start, bridge.end} == {0, 4}
    # Two lines that meet in a point leave as long a rest where they meet at a sharper angle: that is one.
    for half_deg, tip in ((7.0, True), (30.0, False)):
        ways = [np.array([math.cos(t), math.sin(t)]) for t in (math.radians(-half_deg), math.radians(half_deg))]
        apart = [(100.0, 100.0), *(tuple(np.array([100.0, 100.0]) + 70.0 * way) for way in ways), (78.0, 100.0)]
        graph = LineGraph(apart, [edge(0, k, [apart[0], apart[k]], 5.0) for k in (1, 2, 3)])
        assert is_tip(graph, 2, 0, graph.incident()) == tip


def test_the_short_leg_of_a_dash_behind_a_corner_is_no_spur_and_forks_at_the_end_of_a_line_are():
    def hanging(*tips):
        nodes = [(100.0, 100.0), (100.0, 160.0), *tips]
        edges = [Edge(0, k, np.linspace(nodes[0], nodes[k], 20), width=5.0) for k in range(1, len(nodes))]
        return ends_of(prune_spurs(LineGraph(nodes, edges), 12.0))

    def ends_of(graph):
        return [{e.start, e.end} for e in graph.edges]

    assert hanging((91.0, 96.0), (103.0, 96.0)) == [{1, 2}]
    assert hanging((96.0, 96.0), (104.0, 96.0)) == [{0, 1}]
    # A bump on a line that goes on is one however long it is.
    line = LineGraph(
        [(0.0, 0.0), (50.0, 0.0), (100.0, 0.0), (50.0, 9.0)],
        [Edge(a, b, np.linspace(p, q, 20), width=5.0) for a, b, p, q in
         ((0, 1, (0.0, 0.0), (50.0, 0.0)), (1, 2, (50.0, 0.0), (100.0, 0.0)), (1, 3, (50.0, 0.0), (50.0, 9.0)))],
    )  # fmt: skip
    assert ends_of(prune_spurs(line, 12.0)) == [{0, 2}]
