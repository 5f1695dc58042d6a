"""Taking out a node between two cubics: what is left begins on the points, and corners stay where they were."""

from __future__ import annotations

import math

import numpy as np

from tests.oracles import dense_polygon
from tracer.curves.adequate import _corners_stay, _one_piece_that_might_do, _remove_node
from tracer.curves.chain import Chain
from tracer.curves.given import Given, prepare
from tracer.segments import evaluate

SPACING_MM, NOISE_MM = 0.38, 0.03
NEAR_MM = 0.1
ARMHOLE = np.array([[0.0, 0.0], [-4.6, 47.0], [-4.4, 109.0], [51.0, 155.0]])


def _side() -> tuple[Chain, Given]:
    """A straight edge, a corner, and an armhole in three cubics; the second ends with a handle longer than itself."""
    straight = np.linspace([-75.0, -17.0], [0.0, 0.0], 202)
    bent = dense_polygon((ARMHOLE,), SPACING_MM)
    points = np.concatenate([straight, bent])
    points += np.random.default_rng(1).normal(0.0, NOISE_MM, points.shape)
    last = len(points) - 1
    places = np.array([0, len(straight), len(straight) + 100, len(straight) + 140, last])
    nodes = points[places]
    nodes[1] = 0.0
    chord = np.hypot(*np.diff(nodes, axis=0).T)
    way = np.array([np.arctan2(*(points[k + 3] - points[k - 3])[::-1]) for k in places[2:4]])
    first, end = ARMHOLE[1] - ARMHOLE[0], ARMHOLE[3] - ARMHOLE[2]
    chain = Chain(
        nodes=nodes,
        free=np.array([True, True, False, False, True]),
        places=places,
        kinds=["line", "cubic", "cubic", "cubic"],
        start_rad=np.array([0.0, math.atan2(first[1], first[0]), *way]),
        end_rad=np.array([0.0, *way, math.atan2(end[1], end[0])]),
        start_log=np.log(chord * [0.33, 0.33, 0.1, 0.33]),
        end_log=np.log(chord * [0.33, 0.33, 1.2, 0.33]),
        reach=np.array([0.0, 1.42, 0.0, 0.0, 0.0]),
        closed=False,
    )
    return chain, prepare(points, 0.08, None, SPACING_MM, 0.0, 0.1, closed=False)


def test_the_piece_that_is_left_begins_on_the_points() -> None:
    chain, data = _side()
    one_piece = _one_piece_that_might_do(chain, 2, data)
    assert one_piece is not None
    _remove_node(chain, 2, one_piece)
    assert chain.kinds == ["line", "cubic", "cubic"]
    curve = evaluate(chain.control(1), np.linspace(0.0, 1.0, 400))
    off = np.hypot(*(curve[:, None] - data.points).transpose(2, 0, 1)).min(axis=1)
    assert off.max() < NEAR_MM + SPACING_MM / 2


def test_a_corner_that_slid_along_its_edge_did_not_stay() -> None:
    chain, data = _side()
    corners = chain.nodes[chain.reach > 0].copy()
    assert _corners_stay(chain, corners, data)
    chain.nodes[1] += [-1.0, -17.0 / 75.0]
    assert not _corners_stay(chain, corners, data)
