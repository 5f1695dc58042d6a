"""Loops where more than two lines meet: the outer boundary of what hangs together, and its faces.

Lines are taken as the edges of a drawing in the plane. Dangling lines are set aside, and the faces are walked by always
taking the next line in turn at a node (the doubly connected edge list of computational geometry; de Berg et al. 2008,
chapter 2). Lines that cross without a common end are not cut here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracer.vectors.lines import VectorLine, end_clusters, heading, joined

HalfEdge = tuple[int, int]
"""Line number, and 0 when it is run forwards, 1 backwards."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Web:
    """Lines that hang together at nodes of three and more.

    ``outer`` are the simple loops around it, ``faces`` the areas within, ``inner`` the lines that are on no outer loop.
    """

    outer: tuple[VectorLine, ...]
    faces: tuple[VectorLine, ...]
    inner: tuple[VectorLine, ...]


def find_webs(lines: Sequence[VectorLine], tolerance_mm: float) -> tuple[list[Web], list[VectorLine]]:
    """Return the webs among open lines, and the lines that are in none (dangling ends)."""
    if not lines:
        return [], []
    nodes = end_clusters(lines, tolerance_mm)
    alive = {i for i in range(len(lines)) if nodes[i, 0] != nodes[i, 1]}
    at_node: dict[int, set[HalfEdge]] = defaultdict(set)
    for i in alive:
        at_node[int(nodes[i, 0])].add((i, 0))
        at_node[int(nodes[i, 1])].add((i, 1))
    loose = [n for n, ends in at_node.items() if len(ends) == 1]
    while loose:
        node = loose.pop()
        if len(at_node[node]) != 1:
            continue
        ((i, end),) = at_node[node]
        other = int(nodes[i, 1 - end])
        at_node[node].clear()
        at_node[other].discard((i, 1 - end))
        alive.discard(i)
        if len(at_node[other]) == 1:
            loose.append(other)
    webs = [_web(lines, nodes, at_node, group) for group in _groups(alive, nodes, at_node)]
    return webs, [line for i, line in enumerate(lines) if i not in alive]


def _groups(alive: set[int], nodes: np.ndarray, at_node: dict[int, set[HalfEdge]]) -> list[list[int]]:
    seen: set[int] = set()
    groups = []
    for first in sorted(alive):
        if first in seen:
            continue
        group, waiting = [], [first]
        seen.add(first)
        while waiting:
            i = waiting.pop()
            group.append(i)
            for node in nodes[i]:
                for j, _ in at_node[int(node)]:
                    if j not in seen:
                        seen.add(j)
                        waiting.append(j)
        groups.append(group)
    return groups


def _web(
    lines: Sequence[VectorLine], nodes: np.ndarray, at_node: dict[int, set[HalfEdge]], group: Sequence[int]
) -> Web:
    # Half-edge (i, d) leaves node nodes[i, d]; sort those that leave each node by angle.
    angle = {(i, d): heading(lines[i], backwards=d == 1) for i in group for d in (0, 1)}
    following: dict[HalfEdge, HalfEdge] = {}
    for node in {int(n) for i in group for n in nodes[i]}:
        leaving = sorted(at_node[node], key=lambda h: angle[h])
        for k, half in enumerate(leaving):
            # Arriving along the twin of ``half``, go on along the one before it in angle.
            following[half[0], 1 - half[1]] = leaving[k - 1]
    left = {(i, d) for i in group for d in (0, 1)}
    walks: list[list[HalfEdge]] = []
    while left:
        start = min(left)
        walk, half = [], start
        while half in left:
            left.discard(half)
            walk.append(half)
            half = following[half]
        walks.append(walk)
    areas = [_signed_area(lines, walk) for walk in walks]
    # One walk runs around everything, the other way round from the faces: it encloses as much as they do together.
    around = int(np.argmax(np.abs(areas)))
    outer = _simple_loops(lines, nodes, walks[around])
    on_outer = {i for i, _ in walks[around]}
    faces = [
        loop
        for k, walk in enumerate(walks)
        if k != around and areas[k] * areas[around] < 0
        for loop in _simple_loops(lines, nodes, walk)
    ]
    return Web(
        outer=tuple(outer),
        faces=tuple(faces),
        inner=tuple(lines[i] for i in group if i not in on_outer),
    )


def _signed_area(lines: Sequence[VectorLine], walk: Sequence[HalfEdge]) -> float:
    total = 0.0
    for i, d in walk:
        points = np.asarray(lines[i].to_open().flatten(0.1))
        if d:
            points = points[::-1]
        x, y = points[:, 0], points[:, 1]
        total += float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum()) / 2
    return total


def _simple_loops(lines: Sequence[VectorLine], nodes: np.ndarray, walk: Sequence[HalfEdge]) -> list[VectorLine]:
    """Cut a walk at nodes it passes twice; there and back along one line is nothing."""
    loops = []
    path: list[HalfEdge] = []
    visited: dict[int, int] = {}
    for half in [*walk]:
        start = int(nodes[half[0], half[1]])
        if start in visited:
            loops.append(path[visited[start] :])
            for h in path[visited[start] :]:
                visited.pop(int(nodes[h[0], h[1]]), None)
            path = path[: len(path) - len(loops[-1])]
        visited[start] = len(path)
        path.append(half)
    if path:
        loops.append(path)
    out = []
    for loop in loops:
        if len({i for i, _ in loop}) == len(loop) and abs(_signed_area(lines, loop)) > 1.0:
            out.append(joined([(lines[i], d == 1) for i, d in loop], closed=True))
    return out
