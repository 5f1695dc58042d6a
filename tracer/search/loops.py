"""Closed loops of a line graph: blocks, faces and the outermost loop of each block.

A *block* is a set of edges any two of which lie on a common loop (a biconnected component; Hopcroft and Tarjan 1973).
Lines that hang on a loop by one point, and loops that touch in one point, fall apart into blocks of their own, which
is what a person sees too: two pieces that touch, a notch tick, a letter written across a line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import LineString

from tracer.search.graph import LineGraph, Points

_MOST_TANGLES, _MOST_SHORT = 3, 30


def find_blocks(graph: LineGraph) -> list[list[int]]:
    """Return the edges (indices) of each block that holds a loop."""
    incident: dict[int, list[int]] = {}
    blocks: list[list[int]] = []
    used = [False] * len(graph.edges)
    for index, edge in enumerate(graph.edges):
        if edge.start == edge.end:
            blocks.append([index])
            used[index] = True
            continue
        incident.setdefault(edge.start, []).append(index)
        incident.setdefault(edge.end, []).append(index)
    depth: dict[int, int] = {}
    low: dict[int, int] = {}
    for root in incident:
        if root in depth:
            continue
        depth[root] = low[root] = 0
        walk: list[tuple[int, int, int]] = [(root, -1, 0)]  # node, edge it was reached by, next incident edge to try
        pile: list[int] = []
        height: dict[int, int] = {}
        while walk:
            node, via, at = walk.pop()
            if at < len(incident[node]):
                walk.append((node, via, at + 1))
                index = incident[node][at]
                if used[index]:
                    continue
                used[index] = True
                edge = graph.edges[index]
                other = edge.end if edge.start == node else edge.start
                height[index] = len(pile)
                pile.append(index)
                if other not in depth:
                    depth[other] = low[other] = depth[node] + 1
                    walk.append((other, index, 0))
                else:
                    low[node] = min(low[node], depth[other])
                continue
            if via < 0:
                continue
            edge = graph.edges[via]
            parent = edge.end if edge.start == node else edge.start
            low[parent] = min(low[parent], low[node])
            if low[node] >= depth[parent]:
                block = pile[height[via] :]
                del pile[height[via] :]
                if len(block) > 1:
                    blocks.append(block)
    return blocks


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """One face of a block: directed edges (index, forwards) in order, its polygon and its area in pixels squared.

    The area is negative for the face outside the block.
    """

    steps: tuple[tuple[int, bool], ...]
    points: Points
    area: float


def polygon_area(points: NDArray[np.float64]) -> float:
    """Signed area of a polygon; positive when it runs clockwise on screen (y down)."""
    if len(points) < 3:
        return 0.0
    # From its first point, so that the step back to that adds nothing.
    x, y = points[:, 0] - points[0, 0], points[:, 1] - points[0, 1]
    return float(x[:-1] @ y[1:] - x[1:] @ y[:-1]) / 2.0


def join_steps(graph: LineGraph, steps: Sequence[tuple[int, bool]]) -> Points:
    """Return the polygon along directed edges, without repeating the joints."""
    parts = []
    for index, forwards in steps:
        points = graph.edges[index].points
        parts.append(points[:-1] if forwards else points[:0:-1])
    return np.concatenate(parts)


def find_faces(graph: LineGraph, block: Sequence[int]) -> list[Face]:
    """Return the faces of a block, the outside one included (its area is negative)."""
    out: dict[int, list[tuple[float, int, bool]]] = {}
    for index in block:
        edge = graph.edges[index]
        out.setdefault(edge.start, []).append((_heading(edge.points), index, True))
        out.setdefault(edge.end, []).append((_heading(edge.points[::-1]), index, False))
    following: dict[tuple[int, bool], tuple[int, bool]] = {}
    for around in out.values():
        around.sort()
        for position, (_, index, forwards) in enumerate(around):
            # Arriving against (index, forwards), leave by the neighbour anticlockwise on screen: this keeps the
            # face on the right-hand side and makes inner faces run clockwise on screen.
            _, nxt, onwards = around[position - 1]
            following[(index, not forwards)] = (nxt, onwards)
    faces = []
    seen: set[tuple[int, bool]] = set()
    for first in following:
        if first in seen:
            continue
        steps = []
        step = first
        while step not in seen:
            seen.add(step)
            steps.append(step)
            step = following[step]
        points = join_steps(graph, steps)
        faces.append(Face(steps=tuple(steps), points=points, area=polygon_area(points)))
    return faces


def untangled(graph: LineGraph, block: Sequence[int], short_px: float) -> list[int]:
    """Return a block without the short edges and bridges over which lines cross each other without a node.

    Where a bridge runs over the little stubs of a notch, or a space between two dashes or letters lies on another line,
    the order of the lines around a node is not that on the paper, and the face outside walks along both sides of a
    line; in the plane no face of a block does.

    Parameters
    ----------
    graph : LineGraph
    block : sequence of int
    short_px : float
        Of all edges but bridges only those shorter than this are left out.
    """
    block = list(block)
    outer = outer_loop(find_faces(graph, block))
    for _ in range(_MOST_TANGLES):
        if len({i for i, _ in outer.steps}) == len(outer.steps):
            break
        crossing = _crossing_bridges(graph, block)
        short = sorted((i for i in block if graph.edges[i].length < short_px), key=lambda i: graph.edges[i].length)
        options = []
        for gone in ([crossing] if crossing else []) + [[i] for i in (*crossing, *short[:_MOST_SHORT])]:
            left = [i for i in block if i not in gone]
            for inner in find_blocks(LineGraph(graph.nodes, [graph.edges[i] for i in left])):
                chosen = [left[k] for k in inner]
                options.append((outer_loop(find_faces(graph, chosen)), chosen))
        if not options:
            break
        best, chosen = max(options, key=lambda o: o[0].area)
        if best.area <= outer.area:
            break
        outer, block = best, chosen
    return block


def _crossing_bridges(graph: LineGraph, block: Sequence[int]) -> list[int]:
    """Return the bridges of a block that cross a line of it which ends elsewhere."""
    lines = {i: LineString(graph.edges[i].points) for i in block if len(graph.edges[i].points) > 1}
    out = []
    for i in (i for i in lines if graph.edges[i].bridge):
        ends = {graph.edges[i].start, graph.edges[i].end}
        others = (k for k in lines if k != i and not ends & {graph.edges[k].start, graph.edges[k].end})
        if any(lines[i].crosses(lines[k]) for k in others):
            out.append(i)
    return out


def _heading(points: Points) -> float:
    """Direction in which a chain leaves its first point, read a few pixels out where thinning bends it less."""
    # Of two short edges between the same nodes only the middles differ in direction.
    reach = max(1, min(len(points) // 2, 6))
    dx, dy = points[reach] - points[0]
    return math.atan2(dy, dx)


def outer_loop(faces: Sequence[Face]) -> Face:
    """Return the face outside the block, turned round so that its area is positive."""
    outside = min(faces, key=lambda f: f.area)
    return Face(
        steps=tuple((index, not forwards) for index, forwards in reversed(outside.steps)),
        points=outside.points[::-1],
        area=-outside.area,
    )
