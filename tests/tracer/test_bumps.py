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


def _cut_off(outer: np.ndarray, *inner: np.ndarray, rim: np.ndarray) -> bool:
    """Return whether the face between an outer and an inner way is cut off a rim that closes behind both."""
    nodes = [tuple(rim[0]), tuple(rim[-1]), *(tuple(way[-1]) for way in inner[:-1])]
    ends = [1, *range(2, len(inner) + 1), 0]
    edges = [Edge(0, 1, rim), Edge(1, 0, outer)]
    edges += [Edge(a, b, way) for way, a, b in zip(inner, ends, ends[1:], strict=False)]
    for edge in edges:
        edge.mass = edge.width = 4.0
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
