"""How far out lines of nested sizes lie."""

import numpy as np
import pytest

from tracer.search.graph import Edge
from tracer.search.nesting import Nesting


def square(inset: float) -> np.ndarray:
    """A square frame of 200 px drawn in by ``inset`` on all sides but the left one, which all sizes share."""
    right, top, low = 210.0 - inset, 10.0 + inset, 210.0 - inset
    corners = np.array([(10, top), (right, top), (right, low), (10, low)], dtype=float)
    return np.concatenate([np.linspace(a, b, 60) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])


def edges_of(inset: float) -> tuple[Edge, Edge]:
    """The open way round from top left to bottom left, and the shared left side."""
    points = square(inset)
    return Edge(0, 1, points[:180]), Edge(1, 0, points[180:])


def test_lines_lie_as_far_out_as_their_order_says_and_what_all_share_is_left_open():
    own = [edges_of(inset) for inset in (0.0, 10.0, 20.0, 30.0)]
    nesting = Nesting([e for pair in own for e in pair], square(0.0), 4.0)
    assert nesting.known
    places = [nesting.out(way) for way, _ in own]
    assert places == pytest.approx([1.0, 2 / 3, 1 / 3, 0.0], abs=0.1)
    assert nesting.out(own[0][1]) is None


def test_without_room_inside_nothing_is_told():
    lines = [Edge(0, 1, np.array([(10.0, y), (210.0, y)])) for y in np.arange(10.0, 211.0, 20.0)]
    nesting = Nesting(lines, square(0.0), 4.0)
    assert nesting.out(lines[3]) is None
