"""Ends of lines: spurs of thinning cut off, gaps bridged along the line's own direction."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.search_graph import Edge, LineGraph, Points, angle, leaving

LONGEST_GAP_MM = 6.0
"""Gaps up to this length are bridged."""
_LOOK_BACK_MM = 4.0
SHARP_RAD = math.radians(62)
"""Lines that meet at less than this angle leave a tip behind when thinned (from the geometry of thinning)."""
_WIDE_TURN_RAD = math.radians(60)
_NARROW_TURN_RAD = math.radians(24)


def without_edges(graph: LineGraph, gone: set[int]) -> LineGraph:
    """Return the graph less some edges, chains through nodes where only two ends are left joined again."""
    kept = [e for i, e in enumerate(graph.edges) if i not in gone]
    return join_chains(LineGraph(graph.nodes, kept))


def join_chains(graph: LineGraph) -> LineGraph:
    """Join edges that meet at a node where nothing else does (bridges stay edges of their own)."""
    edges: list[Edge | None] = list(graph.edges)
    incident = graph.incident()
    for node, around in enumerate(incident):
        if len(around) != 2 or around[0] == around[1]:
            continue
        first, second = (edges[i] for i in around)
        if first is None or second is None or first.bridge or second.bridge:
            continue
        a = first.points if first.end == node else first.points[::-1]
        b = second.points if second.start == node else second.points[::-1]
        start = first.start if first.end == node else first.end
        end = second.end if second.start == node else second.start
        if first.start == first.end or second.start == second.end:
            continue
        total = max(1e-9, first.length + second.length)
        share = first.length / total
        joined = Edge(
            start,
            end,
            np.concatenate([a, b[1:]]),
            width=first.width * share + second.width * (1 - share),
            mass=first.mass * share + second.mass * (1 - share),
            depth=first.depth * share + second.depth * (1 - share),
        )
        edges[around[0]] = joined
        edges[around[1]] = None
        for i, other in enumerate(incident[end]):
            if other == around[1]:
                incident[end][i] = around[0]
        around.clear()
    return LineGraph(graph.nodes, [e for e in edges if e is not None])


def is_tip(graph: LineGraph, spur: int, node: int, incident: list[list[int]]) -> bool:
    """Return whether a hanging edge is the sharp tip in which two lines run together.

    The two lines come in from one side at a sharp angle and the spur goes on the way both point.
    """
    others = [i for i in incident[node] if i != spur]
    if len(others) != 2 or others[0] == others[1]:
        return False
    first, second = (leaving(graph, i, node) for i in others)
    if angle(first, second) > SHARP_RAD:
        return False
    onwards = leaving(graph, spur, node, skip=0)
    both = -(first + second)
    return angle(onwards, both / max(1e-9, float(np.hypot(*both)))) < math.radians(30)


def prune_spurs(graph: LineGraph, shortest_px: float) -> LineGraph:
    """Cut off hanging edges that are no longer than the line is wide: thinning makes them at every bump and corner."""
    for _ in range(3):
        degrees = graph.degrees()
        incident = graph.incident()
        gone = {
            i
            for i, e in enumerate(graph.edges)
            if (degrees[e.start] == 1) != (degrees[e.end] == 1)
            and e.length < max(shortest_px, 1.2 * e.width)
            and not is_tip(graph, i, e.start if degrees[e.end] == 1 else e.end, incident)
        }
        if not gone:
            break
        graph = without_edges(graph, gone)
    return graph


def _end_heading(points: Points, look_back_px: float) -> tuple[float, float]:
    """Unit direction in which a chain would go on beyond its last point."""
    back = points[::-1]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(back, axis=0).T))])
    reach = min(look_back_px, along[-1])
    near = back[: max(2, int(np.searchsorted(along, reach)) + 1)]
    # Thinning bends the last pixels; the straight line through the stretch behind them tells the direction.
    skip = min(len(near) // 4, 4)
    stretch = near[skip:] if len(near) - skip >= 2 else near
    centre = stretch.mean(axis=0)
    _, _, axes = np.linalg.svd(stretch - centre, full_matrices=False)
    direction = axes[0]
    if float(direction @ (stretch[0] - stretch[-1])) < 0:
        direction = -direction
    return float(direction[0]), float(direction[1])


def bridge_gaps(graph: LineGraph, mm_per_px: float) -> LineGraph:
    """Join loose ends that face each other across a gap.

    Ends are paired greedily, the most natural continuation first: short, and with little turn from either line's
    direction. Over a tiny gap a line may turn sharply (a broken corner), over a long one hardly.
    """
    degrees = graph.degrees()
    ends = []
    for index, edge in enumerate(graph.edges):
        if edge.start == edge.end:
            continue
        if degrees[edge.end] == 1:
            ends.append((edge.end, index, _end_heading(edge.points, _LOOK_BACK_MM / mm_per_px)))
        if degrees[edge.start] == 1:
            ends.append((edge.start, index, _end_heading(edge.points[::-1], _LOOK_BACK_MM / mm_per_px)))
    if len(ends) < 2:
        return graph
    at = np.array([graph.nodes[node] for node, _, _ in ends])
    heading = np.array([h for _, _, h in ends])
    longest = LONGEST_GAP_MM / mm_per_px
    pairs = cKDTree(at).query_pairs(longest, output_type="ndarray")
    if not len(pairs):
        return graph
    span = at[pairs[:, 1]] - at[pairs[:, 0]]
    gap = np.maximum(np.hypot(span[:, 0], span[:, 1]), 1e-9)
    unit = span / gap[:, None]
    turn_a = np.arccos(np.clip((heading[pairs[:, 0]] * unit).sum(axis=1), -1, 1))
    turn_b = np.arccos(np.clip(-(heading[pairs[:, 1]] * unit).sum(axis=1), -1, 1))
    gap_mm = gap * mm_per_px
    allowed = np.where(gap_mm < 0.8, math.pi, np.where(gap_mm < 1.6, _WIDE_TURN_RAD, _NARROW_TURN_RAD))
    good = (turn_a < allowed) & (turn_b < allowed)
    cost = gap_mm * (1.0 + 3.0 * (turn_a + turn_b))
    edges = list(graph.edges)
    taken: set[int] = set()
    for k in np.argsort(cost, kind="stable"):
        i, j = int(pairs[k, 0]), int(pairs[k, 1])
        if not good[k] or i in taken or j in taken:
            continue
        short_same = ends[i][1] == ends[j][1] and graph.edges[ends[i][1]].length < 3.0 * gap[k]
        if short_same:
            continue
        taken.update((i, j))
        points = _across(at[i], heading[i], at[j], heading[j], float(gap[k]))
        edges.append(Edge(ends[i][0], ends[j][0], points, bridge=True))
    return LineGraph(graph.nodes, edges)


def _across(
    a: NDArray[np.float64],
    leaving_a: NDArray[np.float64],
    b: NDArray[np.float64],
    leaving_b: NDArray[np.float64],
    gap: float,
) -> Points:
    """Carry a line across a gap: a cubic that leaves both ends in their own directions."""
    t = np.linspace(0.0, 1.0, max(2, int(gap) + 1))[:, None]
    straight = b - a
    # Ends that do not point across (a broken corner) are joined straight.
    turned = min(float(leaving_a @ straight), -float(leaving_b @ straight)) < 0.5 * gap
    reach = 0.0 if turned else gap / 3
    p1, p2 = a + reach * leaving_a, b + reach * leaving_b
    if turned:
        return np.asarray(a + t * straight)
    s = 1 - t
    return np.asarray(s**3 * a + 3 * s * s * t * p1 + 3 * s * t * t * p2 + t**3 * b)
