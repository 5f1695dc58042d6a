"""Lines drawn on tissue over a mat, told from the mat's own, on small pictures and line graphs made here."""

import cv2
import numpy as np
import pytest

from tests.tracer.sheet_drawing import polygon_distance_mm
from tests.tracer.test_mat_grid import MATS, MM_PER_PX, assert_outlines, mat_drawing, mat_sheet
from tracer.ink import find_ink
from tracer.search.find import find_candidates
from tracer.search.graph import Edge, LineGraph
from tracer.search.lattice import find_lattice, grid_edges, is_dark
from tracer.search.mat_grid import find_grid

SIDE_MM = 45.4
"""So close beside a line of the mat."""
PIECE = np.array([[21, 32], [SIDE_MM, 28], [SIDE_MM, 92], [62, 116], [24, 118]], dtype=float)


def tissue(lines: str):
    """The sheet of a piece drawn on tissue over a mat, with dashes that happen to lie along many of its lines."""
    d, across, down = mat_drawing(f"{lines} through tissue", ())
    brown = (104, 66, 40)
    d.line(PIECE, width_mm=0.8, colour=brown, closed=True)
    for y in (42, 81):
        d.line([(30, y), (SIDE_MM, y)], width_mm=0.8, colour=brown)
    for x in across[6:]:
        for y in (52, 72):
            d.line([(x, y), (x, y + 6)], width_mm=0.8, colour=brown)
    return mat_sheet(d, across, down, ())


@pytest.mark.parametrize("lines", ["light", "dark"])
def test_it_is_seen_whether_a_mats_lines_are_lighter_or_darker_than_it(lines):
    sheet = tissue(lines)
    assert is_dark(find_lattice(sheet), sheet) == (lines == "dark")


@pytest.mark.parametrize(("pitch_mm", "parts"), [(20.0, 1), (20.0, 2), (30.0, 3), (25.0, 5)])
def test_lines_between_the_heavier_ones_that_a_mat_was_read_by_are_lines_of_its_grid(pitch_mm, parts):
    ring = np.array([[43, 41.2], [92, 40.4], [97.3, 80], [60, 92], [40.2, 79.6]])
    things = [(ring, (222, 206, 180))]
    d, across, down = mat_drawing("pale", [], pitch_mm=pitch_mm, heavy_mm=0.9)
    step = pitch_mm / parts
    for x in np.arange(across[0], across[-1], step):
        d.line([(x, down[0]), (x, down[-1])], width_mm=0.25, colour=MATS["pale"][1])
    for y in np.arange(down[0], down[-1], step):
        d.line([(across[0], y), (across[-1], y)], width_mm=0.25, colour=MATS["pale"][1])
    d.fill(ring, colour=things[0][1])
    sheet = mat_sheet(d, across, down, things, pitch_mm=pitch_mm)
    assert find_lattice(sheet).pitch_mm == pytest.approx(step)
    assert_outlines(sheet, things)


def test_a_side_drawn_just_beside_a_light_line_is_drawn():
    found = find_candidates(tissue("light"), words=False).candidates
    assert len(found) == 1
    ring = (np.asarray(found[0].outline.points_px) + 0.5) * MM_PER_PX
    assert polygon_distance_mm(PIECE, ring).max() < 0.8
    assert polygon_distance_mm(ring, PIECE).max() < 0.8


def test_what_crosses_a_line_of_the_mat_at_a_narrow_angle_is_not_one():
    sheet = tissue("dark")
    lattice, ink = find_lattice(sheet), find_ink(sheet.picture.pixels, sheet.mm_per_px)
    down_mm = np.array([[0.0, 25.0], [0.0, 105.0]])
    ways = [down_mm + [x, 0] for x in np.arange(5.0, 100.0, 10.0)]
    # Four millimetres long, from one side of a line to the other: every point of it lies close to that line.
    ways.append(np.array([[104.5, 50.0], [105.5, 54.0]]))
    edges = []
    for k, (a, b) in enumerate(ways):
        points = np.linspace(a, b, 60) / MM_PER_PX - 0.5
        edges.append(Edge(2 * k, 2 * k + 1, points, mass=1.0))
    graph = LineGraph([tuple(e.points[i]) for e in edges for i in (0, -1)], edges)
    assert grid_edges(graph, ink, sheet, lattice) == set(range(len(ways) - 1))


def test_lines_of_a_mat_beside_tissue_are_heavier_than_those_seen_through_it_and_yet_the_mats():
    sheet = tissue("dark")
    lattice, ink = find_lattice(sheet), find_ink(sheet.picture.pixels, sheet.mm_per_px)
    across, down = np.arange(5.0, 156.0, 10.0), np.arange(5.0, 126.0, 10.0)
    nodes = [(x, y) for x in across for y in down]
    place = {node: k for k, node in enumerate(nodes)}
    ways = [((x, y), (x + 10, y)) for x in across[:-1] for y in down]
    ways += [((x, y), (x, y + 10)) for x in across for y in down[:-1]]
    # The two columns of crossings at the right lie beside the tissue.
    bare = [min(a[0], b[0]) >= 145.0 for a, b in ways]
    # A corner of a piece that was laid exactly on a crossing, and a line aslant that is printed on the mat.
    corner = [((55.0, 45.0), (65.0, 45.0)), ((55.0, 45.0), (55.0, 55.0))]
    aslant = ((155.0, 5.0), (150.0, 9.0))
    nodes.append(aslant[1])
    place[aslant[1]] = len(nodes) - 1
    edges = []
    for (a, b), beside in [*zip(ways, bare, strict=True), (aslant, True)]:
        mass, depth = (3.0, 0.36) if beside else (3.0, 0.25) if (a, b) in corner else (1.0, 0.13)
        if (a, b) == ((75.0, 65.0), (75.0, 75.0)):
            # What it runs into makes it seem heavier.
            mass = 2.4
        points = np.linspace(a, b, 60) / MM_PER_PX - 0.5
        edges.append(Edge(place[a], place[b], points, mass=mass, depth=depth))
    graph = LineGraph([(x / MM_PER_PX - 0.5, y / MM_PER_PX - 0.5) for x, y in nodes], edges)
    left = set(range(len(edges))) - grid_edges(graph, ink, sheet, lattice)
    assert left == {ways.index(leg) for leg in corner}


def test_light_lines_of_a_mat_make_no_steps_in_the_ground():
    # Where two of them cross, the ground seems lighter all around, and what is drawn there seemed to be its rim.
    d, across, down = mat_drawing("bright through tissue", ())
    way = np.array([[81.5, 20.0], [88.0, 110.0]])
    d.line([*way, (30, 108), (34, 22)], width_mm=0.6, colour=(104, 66, 40), closed=True)
    sheet = mat_sheet(d, across, down, ())
    grid = find_grid(sheet)
    on_way = np.rint(np.linspace(*way, 400) / MM_PER_PX - 0.5).astype(int)

    def seen(light_print):
        mask = find_ink(sheet.picture.pixels, sheet.mm_per_px, light_print).mask
        near = cv2.dilate(mask, np.ones((3, 3), np.uint8))
        return float((near[on_way[:, 1], on_way[:, 0]] > 0).mean())

    assert seen(None) < 0.9
    assert seen(grid.lines_mask(2, 1.0)) > 0.97
    assert len(find_candidates(sheet, words=False).candidates) == 1
