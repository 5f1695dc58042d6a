"""Little faces on the rim of a piece, on line graphs made up by hand, pixels."""

from __future__ import annotations

import itertools

import numpy as np

from tracer.search.bumps import straighten
from tracer.search.graph import Edge, LineGraph
from tracer.search.loops import find_faces, outer_loop

MM_PER_PX = 0.085


def _way(*knots: tuple[float, float]) -> np.ndarray:
    """Return points a pixel apart along straight ways."""
    parts = [
        np.linspace(a, b, max(2, round(float(np.hypot(*np.subtract(b, a)))) + 1))[:-1]
        for a, b in itertools.pairwise(knots)
    ]
    return np.vstack([*parts, knots[-1]])


def _cut_off(outer: np.ndarray, *inner: np.ndarray, rim: np.ndarray, mass: tuple[float, float] = (4.0, 4.0)) -> bool:
    """Return whether the face between an outer and an inner way is cut off a rim that closes behind both.

    ``mass`` is that of the outer way and of all else.
    """
    nodes = [tuple(rim[0]), tuple(rim[-1]), *(tuple(way[-1]) for way in inner[:-1])]
    ends = [1, *range(2, len(inner) + 1), 0]
    edges = [Edge(0, 1, rim), Edge(1, 0, outer)]
    edges += [Edge(a, b, way) for way, a, b in zip(inner, ends, ends[1:], strict=False)]
    for k, edge in enumerate(edges):
        edge.mass = edge.width = mass[0] if k == 1 else mass[1]
        edge.length = float(np.hypot(*np.diff(edge.points, axis=0).T).sum())
    graph = LineGraph([(float(x), float(y)) for x, y in nodes], edges)
    block = list(range(len(edges)))
    loop = outer_loop(find_faces(graph, block))
    assert 1 in {i for i, _ in loop.steps}
    return 1 not in {i for i, _ in straighten(graph, block, loop, MM_PER_PX).steps}


RIM = _way((96, 78), (0, 78), (0, 300), (100, 300), (100, 100))
"""The upper side of a piece from right to left, and round to where its right side comes up."""


def test_what_thinning_bends_at_a_node_does_not_hide_that_the_line_runs_on() -> None:
    bow = _way((100, 100), (106, 94), (120, 96), (126, 86), (116, 76), (96, 78))
    assert _cut_off(bow, _way((100, 100), (96, 97)), _way((96, 97), (96, 78)), rim=RIM)


def test_the_corner_of_a_piece_stays_where_a_line_crosses_it() -> None:
    # Both sides run on to the corner; what crosses it turns off from both.
    rim = _way((60, 78), (0, 78), (0, 300), (100, 300), (100, 130))
    assert not _cut_off(_way((100, 130), (100, 78), (60, 78)), _way((100, 130), (60, 78)), rim=rim)


NOTCH = _way((100, 140), (140, 130), (100, 100))


def test_a_notch_whose_legs_seem_heavier_than_the_line_is_cut_off() -> None:
    # What runs beside a short leg, the dark side of a crease, is counted with it.
    rim = _way((100, 100), (100, 0), (0, 0), (0, 300), (100, 300), (100, 140))
    under = _way((100, 140), (100, 100))
    assert _cut_off(NOTCH[::-1], under[::-1], rim=rim[::-1], mass=(5.2, 3.2))


def test_a_thin_leg_of_a_notch_drawn_inwards_does_not_stand_in_for_the_line() -> None:
    rim = _way((100, 100), (100, 0), (0, 0), (0, 300), (100, 300), (100, 140))
    inwards = _way((100, 140), (92, 120), (100, 100))
    nodes = [(100.0, 100.0), (100.0, 140.0)]
    edges = [Edge(0, 1, rim), Edge(1, 0, _way((100, 140), (100, 100))), Edge(1, 0, inwards)]
    for edge, mass in zip(edges, (4.0, 4.0, 2.0), strict=True):
        edge.mass = edge.width = mass
        edge.length = float(np.hypot(*np.diff(edge.points, axis=0).T).sum())
    graph = LineGraph(nodes, edges)
    loop = outer_loop(find_faces(graph, [0, 1, 2]))
    assert {i for i, _ in straighten(graph, [0, 1, 2], loop, MM_PER_PX).steps} == {0, 1}
