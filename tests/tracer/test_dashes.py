"""Rows of dashes are told from words, and what hangs on dashes from letters.

The marks are made up, with variations as measured on rendered sheets.
"""

from __future__ import annotations

import cv2
import numpy as np

from tests.tracer.sheet_drawing import Drawing, polygon_distance_mm
from tracer.search.dashes import dashes_in_lines, in_line, is_row, part_at_bends, printed_dashes
from tracer.search.find import find_candidates
from tracer.search.graph import Edge, LineGraph, measure_lines
from tracer.search.marks_text import TextBlock


def _block(sizes: list[tuple[int, int, int]], left: int, top: int) -> tuple[TextBlock, np.ndarray]:
    """Return a block of marks of given width, height and ink, and the marks with their ink."""
    marks = np.array([[left + 14 * n, top, w, h, ink, 0] for n, (w, h, ink) in enumerate(sizes)], dtype=np.int32)
    box = (float(left), float(top), float(left + 14 * len(sizes)), float(top + 12))
    return TextBlock(box=box, glyphs=marks[:, :4], height=12.0), marks


DASHES = [(12, 5, 52), (12, 5, 50), (11, 6, 53), (11, 6, 51), (12, 5, 49), (10, 7, 52), (11, 6, 48), (12, 5, 51)]
WORD = [(10, 12, 55), (8, 9, 40), (9, 9, 42), (4, 12, 30), (9, 12, 50), (9, 9, 38)]
CAPITALS = [(9, 12, 60), (9, 12, 48), (9, 12, 66), (9, 12, 52), (9, 12, 75), (9, 12, 58)]


def _told(*rows: list[tuple[int, int, int]]) -> list[bool]:
    blocks = [_block(row, 20, 40 * k) for k, row in enumerate(rows)]
    return printed_dashes([b for b, _ in blocks], np.concatenate([m for _, m in blocks]))


def test_a_row_of_marks_all_alike_is_a_printed_line() -> None:
    assert _told(DASHES, WORD, CAPITALS) == [True, False, False]


def test_single_dashes_are_told_by_the_rows_beside_them_only() -> None:
    assert _told(DASHES, DASHES[:2]) == [True, True]
    assert _told(DASHES[:2]) == [False]
    assert _told(DASHES, [(9, 12, 60), (9, 12, 62)]) == [True, False]


def test_no_blocks_are_no_dashes() -> None:
    assert printed_dashes([], np.zeros((0, 6), np.int32)) == []


def _rows(spaces_joined: bool) -> tuple[TextBlock, LineGraph]:
    """Return three rows of four dashes above each other as a block, and their lines with or without their joins."""
    nodes: list[tuple[float, float]] = []
    edges: list[Edge] = []
    boxes = []
    for y in (20.0, 44.0, 68.0):
        for k in range(-1, 5):
            x = 20.0 + 18.0 * k
            nodes += [(x, y), (x + 11.0, y)]
            edges.append(Edge(len(nodes) - 2, len(nodes) - 1, np.linspace(nodes[-2], nodes[-1], 12)))
            if k >= 0:
                ends = (len(nodes) - 3, len(nodes) - 2)
                join = np.linspace(nodes[ends[0]], nodes[ends[1]], 8)
                edges += [Edge(*ends, join, bridge=True)] if spaces_joined else []
            if 0 <= k < 4:
                boxes.append((int(x), int(y) - 2, 12, 5))
    return TextBlock(box=(20.0, 18.0, 86.0, 71.0), glyphs=np.array(boxes, np.int32), height=12.0), LineGraph(
        nodes, edges
    )


def test_dashes_of_lines_beside_each_other_are_told_by_going_on_at_both_ends() -> None:
    block, lines = _rows(spaces_joined=True)
    beside = TextBlock(box=(300.0, 18.0, 366.0, 71.0), glyphs=block.glyphs + [280, 0, 0, 0], height=12.0)
    assert dashes_in_lines([block, beside], lines) == [True, False]
    assert dashes_in_lines([block], _rows(spaces_joined=False)[1]) == [False]
    pair = TextBlock(box=block.box, glyphs=block.glyphs[:2], height=12.0)
    assert dashes_in_lines([pair], lines) == [False]


OFF_MM = 0.6
"""A rough outline is off by half a line (0.25 mm) and its noise; a curve across a space between dashes by a little."""


def _assert_one_piece(drawing: Drawing, ring: np.ndarray) -> None:
    (candidate,) = find_candidates(drawing.sheet(), words=False).candidates
    found = (candidate.outline.points_px + 0.5) * drawing.mm_per_px
    assert polygon_distance_mm(found, ring).max() < OFF_MM
    assert polygon_distance_mm(ring, found).max() < OFF_MM


def test_ticks_that_join_a_dash_of_the_seam_to_one_of_the_cutting_line_beside_a_corner_make_no_word_of_them() -> None:
    drawing = Drawing(90, 80, dpi=300)
    drawing.line([(66.5, 20.2), (66.8, 22.5), (67.3, 25)])
    drawing.line([(67.9, 26.8), (68.7, 29), (70, 31)])
    drawing.line([(71.3, 32.6), (73.7, 34.2), (73.4, 36.2)])
    drawing.line([(73.1, 38), (70, 60), (20, 62), (20, 22), (65.6, 20)], dash=(5.0, 1.8))
    # A double notch, from the cutting line to the seam, whose dashes are thinner.
    drawing.line([(68.5, 28.6), (63.4, 31.5), (64.9, 34.1), (70, 31.2)], width_mm=0.2)
    for dash in ([(61.5, 25.9), (62.6, 29.7)], [(64.9, 34.1), (65.5, 35)], [(66.9, 36.6), (67.4, 37), (66.8, 40.3)]):
        drawing.line(dash, width_mm=0.2)
    ring = [(66.2, 20), (66.5, 22.5), (67.3, 25), (67.9, 26.8), (68.7, 29), (70, 31), (71.3, 32.6), (73.7, 34.2)]
    _assert_one_piece(drawing, np.array([*ring, (70, 60), (20, 62), (20, 22)]))


def test_the_line_goes_on_from_dash_to_dash_where_ticks_stand_on_the_ends_of_both() -> None:
    drawing = Drawing(100, 100, dpi=300)
    way = np.arange(0, 157.5, 0.25) / 25
    ring = 50 + 25 * np.stack([np.cos(way), np.sin(way)], axis=1)
    drawing.line(ring, closed=True, dash=(5.0, 1.8))
    for at_mm, far_mm in ((6.8 * 8 + 4.5, 6.0), (6.8 * 9 + 0.3, 6.0)):
        out = np.array([np.cos(at_mm / 25), np.sin(at_mm / 25)])
        drawing.line([50 + 25 * out, 50 + (25 - far_mm) * out], width_mm=0.2)
    _assert_one_piece(drawing, ring)


def test_a_stroke_that_points_at_others_up_and_down_is_a_letter_where_another_stands_beside_it() -> None:
    for beside, held in ((False, True), (True, False)):
        labels = np.zeros((120, 80), np.int32)
        # A letter in the first row over strokes in the two rows below, and a letter beside the middle one.
        labels[10:40, 28:42] = 1
        labels[46:76, 34:37] = 2
        labels[82:112, 34:37] = 3
        if beside:
            labels[50:76, 42:56] = 4
        boxes = [(0, 0, 0, 0, 0)] + [cv2.boundingRect((labels == k).astype(np.uint8)) + (1,) for k in range(1, 5)]
        dash, doubtful = np.isin(np.arange(5), [2, 3]), np.isin(np.arange(5), [1, 4])
        assert bool(in_line(labels, np.array(boxes), dash, doubtful, 0.1)[1]) is held


def test_a_dash_round_a_corner_that_is_told_by_those_before_it_tells_the_mark_behind_it() -> None:
    labels = np.zeros((140, 140), np.int32)
    labels[60:63, 10:40] = 1
    labels[60:63, 48:78] = 2
    # Round the corner, and then a closed little mark that looks like a letter.
    labels[60:63, 86:106] = labels[63:80, 103:106] = 3
    labels[88:118, 96:124] = 4
    labels[92:114, 99:121] = 0
    boxes = [(0, 0, 0, 0, 0)] + [cv2.boundingRect((labels == k).astype(np.uint8)) + (1,) for k in range(1, 5)]
    dash, doubtful = np.isin(np.arange(5), [1, 2]), np.isin(np.arange(5), [3, 4])
    assert in_line(labels, np.array(boxes), dash, doubtful, 0.1).tolist() == [False, False, False, True, True]


def test_a_letter_that_a_dashed_line_runs_up_to_stays_one_among_its_neighbours() -> None:
    labels = np.zeros((120, 120), np.int32)
    labels[10:34, 59:62] = 1
    labels[42:66, 59:62] = 2
    # Three letters in a row across the line.
    for k, left in ((3, 28), (4, 52), (5, 76)):
        labels[74:98, left : left + 20] = k
        labels[78:94, left + 4 : left + 16] = 0
    boxes = [(0, 0, 0, 0, 0)] + [cv2.boundingRect((labels == k).astype(np.uint8)) + (1,) for k in range(1, 6)]
    dash, doubtful = np.isin(np.arange(6), [1, 2]), np.isin(np.arange(6), [3, 4, 5])
    assert not in_line(labels, np.array(boxes), dash, doubtful, 0.1).any()
    # Alone it is what a notch makes of a dash.
    labels[np.isin(labels, [3, 5])] = 0
    assert in_line(labels, np.array(boxes), dash, doubtful, 0.1).tolist() == [False] * 4 + [True, False]


def test_a_speck_that_a_row_of_dashes_leads_to_has_no_ends_of_its_own_and_is_no_error() -> None:
    labels = np.zeros((120, 140), np.int32)
    labels[60:63, 10:40] = 1
    labels[60:63, 48:78] = 2
    labels[61, 84] = 3
    labels[60:63, 90:120] = 4
    boxes = [(0, 0, 0, 0, 0)] + [cv2.boundingRect((labels == k).astype(np.uint8)) + (1,) for k in range(1, 5)]
    dash, doubtful = np.isin(np.arange(5), [1, 2, 4]), np.isin(np.arange(5), [3])
    held = in_line(labels, np.array(boxes), dash, doubtful, 0.1)
    assert held.shape == (5,)
    assert held.tolist() == [False, False, False, True, False]


def test_a_dash_with_a_tick_on_its_end_is_parted_from_it_where_another_dash_points_at_it() -> None:
    scale = 0.085
    dash, tick = np.linspace((130, 50), (100, 50), 31), np.linspace((100, 50), (100, 140), 91)[1:]
    seam, second = np.linspace((100, 140), (130, 140), 31), np.linspace((130, 50), (130, 140), 91)
    for left, parted in ((40, True), (0, False)):
        facing = np.linspace((left, 50), (left + 35, 50), 36)
        loose = np.linspace((130, 140), (180, 140), 51)
        ways = [np.vstack([dash, tick]), seam, second, np.linspace((130, 50), (180, 50), 51), facing, loose]
        joins = [(0, 1), (1, 2), (0, 2), (0, 3), (4, 5), (2, 6)]
        nodes = [(130, 50), (100, 140), (130, 140), (180, 50), (left, 50), (left + 35, 50), (180, 140)]
        edges = [Edge(a, b, way.astype(np.float64)) for (a, b), way in zip(joins, ways, strict=True)]
        edges.append(Edge(1, 3, np.linspace((100, 140), (180, 50), 121)))
        dark = np.zeros((220, 220), np.uint8)
        for n, way in enumerate(ways):
            cv2.polylines(dark, [way.astype(np.int32)], isClosed=False, color=200, thickness=2 if n in (1, 2) else 3)
        cv2.polylines(dark, [tick.astype(np.int32)], isClosed=False, color=200, thickness=1)
        graph = LineGraph([(float(x), float(y)) for x, y in nodes], edges)
        measure_lines(graph, dark, 20.0)
        after, bends = part_at_bends(graph, dark, scale, 20.0)
        assert (len(after.edges) == len(edges) + 1) is parted
        assert not any(index == 0 for _, index in bends)
        if parted:
            assert np.hypot(*(np.array(after.nodes[-1]) - [100, 50])) < 4


def test_two_dashes_that_leave_out_a_corner_between_them_have_one_there() -> None:
    drawing = Drawing(90, 80, dpi=300)
    ring = np.array([(20, 20), (72, 20), (72, 60), (20, 60)], dtype=float)
    drawing.line([(21, 20), (72, 20), (72, 60), (20, 60), (20, 21)], dash=(5.0, 1.8))
    drawing.line([(20, 26), (20, 21)])
    (candidate,) = find_candidates(drawing.sheet(), words=False).candidates
    found = (candidate.outline.points_px + 0.5) * drawing.mm_per_px
    assert polygon_distance_mm(ring[:1], found)[0] < 0.2


def test_a_row_of_dashes_with_the_dashes_of_its_corners_is_no_word_and_letters_of_single_strokes_are() -> None:
    row = [[38 * n, 60, 21, 3, 60, 1] for n in range(7)]
    corners = [[-10, 36, 3, 20, 58, 1], [262, 36, 3, 20, 58, 1]]
    ills = [[10 * n, 40, 3, 22, 64, 1] for n in range(7)]
    word = [[14 * n, 40, 12, 22, 130, 0] for n in range(5)] + [[76 + 38 * n, 50, 21, 3, 60, 1] for n in range(4)]
    assert is_row(np.array(row + corners), np.eye(2))
    assert is_row(np.array(row + corners)[:, [1, 0, 3, 2, 4, 5]], np.eye(2)[::-1])
    assert not is_row(np.array(ills), np.eye(2))
    assert not is_row(np.array(word), np.eye(2))
