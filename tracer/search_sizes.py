"""Several sizes of one piece drawn into each other: each size's own line, and the one that was asked for.

A pen goes straight on where lines cross, so the strokes of the line work are the sizes' own lines wherever these only
cross. Where sizes share a line (the fold edge of a front) their strokes end on it and are closed along the shortest
way over it. The sizes are then in the order of their areas, 1 the smallest.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from tracer.search_drawn import LineWork, lies_in
from tracer.search_graph import LineGraph, Points
from tracer.search_loops import polygon_area
from tracer.search_pieces import BOLD_SHARE, Found, Stretch, usual
from tracer.search_strokes import find_strokes

LEAST_SIZES = 3
"""Two lines are a cutting line and its stitching line; more of one weight are sizes (common practice, no source)."""
LEAST_AREA_SHARE = 0.35
"""The smallest of several sizes covers this share of the largest at least (common practice, no source)."""
LEAST_STROKE_SHARE = 0.3
"""An open stroke this long, as a share of the outer loop, may be one size's line up to what it shares with others."""
SAME_SHARE = 0.006
"""Loops that differ by less than this share of their area are one size read twice (common practice, no source)."""


def size_loops(graph: LineGraph, block: Sequence[int], outer: Points) -> list[tuple[tuple[int, bool], ...]]:
    """Return the loops of the sizes in a block, smallest first, each as directed edges.

    Parameters
    ----------
    graph : LineGraph
    block : sequence of int
        Edges of the block.
    outer : ndarray, shape (N, 2)
        Its outermost loop.
    """
    members = set(block)
    others = [i for i in range(len(graph.edges)) if i not in members]
    area = abs(polygon_area(outer))
    around = float(np.hypot(*(np.roll(outer, -1, axis=0) - outer).T).sum())
    ways = _ShortestWays(graph, block)
    loops: list[tuple[float, tuple[tuple[int, bool], ...]]] = []
    for stroke in find_strokes(graph, (), others):
        if stroke.length < LEAST_STROKE_SHARE * around:
            continue
        steps = _directed(graph, stroke.edges)
        if steps is None:
            continue
        first, last = _ends(graph, steps)
        if first != last:
            back = ways(last, first, {i for i, _ in steps})
            if back is None:
                continue
            steps = steps + back
        points = _points(graph, steps)
        own = abs(polygon_area(points))
        if own > LEAST_AREA_SHARE * area and _is_simple_enough(points, own):
            loops.append((own, tuple(steps)))
    loops.sort(key=lambda pair: pair[0])
    kept: list[tuple[float, tuple[tuple[int, bool], ...]]] = []
    for own, chain in loops:
        if not kept or own > kept[-1][0] * (1.0 + SAME_SHARE):
            kept.append((own, chain))
    return [chain for _, chain in kept]


def choose_sizes(
    work: LineWork, drawn: Sequence[Found], frames: Collection[int], size_line: int | None
) -> tuple[list[Found], list[int]]:
    """Replace what came of several sizes drawn into each other by the line of one size.

    Parameters
    ----------
    work : LineWork
    drawn : sequence of Found
        Pieces as they were found; those of one loop of line work may be the strips between the sizes.
    frames : collection of int
        Loops that are no pieces.
    size_line : int or None
        1 is the smallest; None, or more than there are, takes the largest.

    Returns
    -------
    tuple
        The pieces, and for each the number of sizes that were told apart (1 where there is one line only).
    """
    out: list[Found] = []
    counts: list[int] = []
    for index in dict.fromkeys(f.loop for f in drawn):
        mine = [f for f in drawn if f.loop == index]
        sizes = [] if index in frames else _family(work, index, max(f.mass for f in mine))
        if len(sizes) < LEAST_SIZES:
            out += mine
            counts += [1] * len(mine)
            continue
        out.append(sizes[min(size_line or len(sizes), len(sizes)) - 1])
        counts.append(len(sizes))
    return out, counts


def _family(work: LineWork, index: int, mass: float) -> list[Found]:
    """Return the lines of all sizes in a loop and in the loops inside it, smallest first."""
    graph = work.graph
    outer = work.loops[index]
    blocks = [outer.block]
    for loop in work.loops:
        if loop is not outer and loop.area > LEAST_AREA_SHARE * outer.area and lies_in(loop.points, outer.points):
            blocks.append(loop.block)
    pool: list[Found] = []
    for block in blocks:
        for steps in size_loops(graph, block, outer.points):
            own = usual(graph, [i for i, _ in steps], "mass")
            if own < BOLD_SHARE * mass:
                continue
            stretches = tuple(
                Stretch(graph.edges[i].points[:-1] if f else graph.edges[i].points[:0:-1], i, False) for i, f in steps
            )
            area = abs(polygon_area(_points(graph, steps)))
            pool.append(Found(stretches=stretches, block=outer.block, loop=index, area=area, mass=own))
    pool.sort(key=lambda f: f.area)
    sizes: list[Found] = []
    for found in pool:
        if not sizes or found.area > sizes[-1].area * (1.0 + SAME_SHARE):
            sizes.append(found)
    return sizes


def _directed(graph: LineGraph, edges: Sequence[int]) -> list[tuple[int, bool]] | None:
    """Return a chain of edges with the direction in which each is run."""
    if len(edges) == 1:
        return [(edges[0], True)]
    first, second = graph.edges[edges[0]], graph.edges[edges[1]]
    at = first.end if first.end in (second.start, second.end) else first.start
    steps = [(edges[0], at == first.end)]
    for index in edges[1:]:
        edge = graph.edges[index]
        if at not in (edge.start, edge.end):
            return None
        forwards = edge.start == at
        steps.append((index, forwards))
        at = edge.end if forwards else edge.start
    return steps


def _ends(graph: LineGraph, steps: Sequence[tuple[int, bool]]) -> tuple[int, int]:
    (a, forwards_a), (b, forwards_b) = steps[0], steps[-1]
    first = graph.edges[a].start if forwards_a else graph.edges[a].end
    last = graph.edges[b].end if forwards_b else graph.edges[b].start
    return first, last


def _points(graph: LineGraph, steps: Sequence[tuple[int, bool]]) -> Points:
    parts = [graph.edges[i].points[:-1] if f else graph.edges[i].points[:0:-1] for i, f in steps]
    return np.concatenate(parts)


def _is_simple_enough(points: Points, own: float) -> bool:
    """Return whether a loop covers about its filled area: a loop that crosses itself does not."""
    low = points.min(axis=0)
    size = np.ptp(points, axis=0).astype(int) + 3
    canvas: NDArray[np.uint8] = np.zeros((int(size[1]) // 4 + 2, int(size[0]) // 4 + 2), np.uint8)
    cv2.fillPoly(canvas, [np.rint((points - low) / 4).astype(np.int32).reshape(-1, 1, 2)], 1)
    return bool(own > 0.9 * 16.0 * float(canvas.sum()))


class _ShortestWays:
    """Shortest ways between nodes over the edges of a block."""

    def __init__(self, graph: LineGraph, block: Sequence[int]) -> None:
        self.graph, self.block = graph, list(block)
        names = sorted({n for i in block for n in (graph.edges[i].start, graph.edges[i].end)})
        self.place = {n: k for k, n in enumerate(names)}
        self.names = names

    def __call__(self, start: int, end: int, avoid: set[int]) -> list[tuple[int, bool]] | None:
        """Return the way from one node to another as directed edges, or None."""
        best: dict[tuple[int, int], int] = {}
        for i in self.block:
            edge = self.graph.edges[i]
            if i in avoid or edge.start == edge.end:
                continue
            a, b = self.place[edge.start], self.place[edge.end]
            key = (min(a, b), max(a, b))
            if key not in best or edge.length < self.graph.edges[best[key]].length:
                best[key] = i
        if not best:
            return None
        rows, columns = np.array(list(best)).T
        weights = np.array([self.graph.edges[i].length for i in best.values()])
        matrix = csr_array((weights, (rows, columns)), shape=(len(self.names), len(self.names)))
        source, target = self.place[start], self.place[end]
        distance, before = dijkstra(matrix, directed=False, indices=[source], return_predecessors=True)
        if not np.isfinite(distance[0, target]):
            return None
        nodes = [target]
        while nodes[-1] != source:
            nodes.append(int(before[0, nodes[-1]]))
        steps = []
        for a, b in itertools.pairwise(nodes[::-1]):
            index = best[min(a, b), max(a, b)]
            steps.append((index, self.graph.edges[index].start == self.names[a]))
        return steps
