"""Loops of a graph in which lines cross each other without a node."""

import math
from itertools import pairwise

import numpy as np

from tracer.search.graph import Edge, LineGraph
from tracer.search.loops import find_blocks, find_faces, outer_loop, untangled

SHORT_PX = 20.0


def chain(*corners):
    """Points a pixel apart along straight lines."""
    parts = []
    for a, b in pairwise(corners):
        steps = round(math.dist(a, b))
        parts.append(np.linspace(a, b, steps, endpoint=False))
    return np.concatenate([*parts, [corners[-1]]]).astype(float)


def test_a_space_of_a_dashed_line_over_the_outline_leaves_the_outline_whole():
    """From a node on the left side through the piece, over the right side without a node, and back to one on it."""
    left, right, inside, outside = (100.0, 200.0), (400.0, 250.0), (380.0, 200.0), (440.0, 200.0)
    over = chain(left, (100, 100), (400, 100), right)
    under = chain(right, (400, 300), (100, 300), left)
    edges = [
        Edge(0, 1, over),
        Edge(1, 0, under),
        Edge(0, 2, chain(left, inside)),
        Edge(2, 3, chain(inside, outside), bridge=True),
        Edge(3, 1, chain(outside, (440, 250), right)),
    ]
    graph = LineGraph([left, right, inside, outside], edges)
    (block,) = find_blocks(graph)
    outer = outer_loop(find_faces(graph, untangled(graph, block, SHORT_PX)))
    assert {i for i, _ in outer.steps} == {0, 1}
    assert math.isclose(outer.area, 300 * 200, rel_tol=0.01)


def test_a_bridge_that_crosses_nothing_stays():
    a, b = (100.0, 200.0), (400.0, 200.0)
    edges = [
        Edge(0, 1, chain(a, (100, 100), (400, 100), b)),
        Edge(1, 0, chain(b, (400, 300), (100, 300), a), bridge=True),
        Edge(0, 1, chain(a, b)),
    ]
    graph = LineGraph([a, b], edges)
    (block,) = find_blocks(graph)
    assert sorted(untangled(graph, block, SHORT_PX)) == [0, 1, 2]
