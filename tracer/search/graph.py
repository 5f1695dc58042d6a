"""Line work as a graph: ink thinned to one pixel, cut into chains between junctions.

Thinning is that of Guo and Hall ("Parallel thinning with two-subiteration algorithms", 1989), run on the list of ink
pixels only, by table lookup: line work covers a few per cent of a sheet. Points are (x, y) on the mask's grid.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, depth_first_order

Points = NDArray[np.float64]

_CUTS = 40
"""So many cuts across a line tell its width."""

# Neighbours of a pixel, clockwise from the one above: p2 .. p9 of the thinning literature, bit 0 .. 7.
_ROW_STEPS = (-1, -1, 0, 1, 1, 1, 0, -1)
_COLUMN_STEPS = (0, 1, 1, 1, 0, -1, -1, -1)


def _thinning_tables() -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    tables = np.zeros((2, 256), dtype=bool)
    for code in range(256):
        p2, p3, p4, p5, p6, p7, p8, p9 = (bool(code >> bit & 1) for bit in range(8))
        crossings = (
            (not p2 and (p3 or p4)) + (not p4 and (p5 or p6)) + (not p6 and (p7 or p8)) + (not p8 and (p9 or p2))
        )
        first = (p9 or p2) + (p3 or p4) + (p5 or p6) + (p7 or p8)
        second = (p2 or p3) + (p4 or p5) + (p6 or p7) + (p8 or p9)
        if crossings != 1 or not 2 <= min(first, second) <= 3:
            continue
        tables[0, code] = not ((p2 or p3 or not p5) and p4)
        tables[1, code] = not ((p6 or p7 or not p9) and p8)
    return tables[0], tables[1]


_FIRST, _SECOND = _thinning_tables()


def thin(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the mask (0 or 1, a copy with an empty border of one pixel is made) thinned to lines of one pixel."""
    there = np.zeros((mask.shape[0] + 2, mask.shape[1] + 2), dtype=bool)
    np.greater(mask, 0, out=there[1:-1, 1:-1])
    active = np.flatnonzero(there)
    padded = there.view(np.uint8)
    flat = padded.reshape(-1)
    width = padded.shape[1]
    steps = [r * width + c for r, c in zip(_ROW_STEPS, _COLUMN_STEPS, strict=True)]
    # Which of several mentions of a pixel was the last: keeps each pixel once, in linear time.
    stamp = np.empty(len(flat), dtype=np.int32)
    while True:
        changed = []
        for table in (_FIRST, _SECOND):
            code = np.zeros(len(active), dtype=np.uint8)
            for bit, step in enumerate(steps):
                code |= flat[active + step] << np.uint8(bit)
            gone = active[table[code]]
            flat[gone] = 0
            changed.append(gone)
            active = active[flat[active] > 0]
        removed = np.concatenate(changed)
        if not len(removed):
            break
        # Only pixels beside a removed one can be removed in the next round.
        near = np.concatenate([removed + step for step in steps])
        near = near[flat[near] > 0]
        turn = np.arange(len(near), dtype=np.int32)
        stamp[near] = turn
        active = near[stamp[near] == turn]
    return padded[1:-1, 1:-1]


@dataclass(slots=True, eq=False)
class Edge:
    """A chain of points between two nodes (a closed chain has the same node at both ends).

    ``points`` has shape (N, 2) and includes both nodes' positions; ``width`` is the line's width in pixels, ``depth``
    how dark it is (0..1) and ``mass`` the darkness added up across it, in pixels of full darkness;
    ``bridge`` marks a stretch where nothing is drawn; ``hidden`` one that passes under lettering.
    """

    start: int
    end: int
    points: Points
    width: float = 0.0
    mass: float = 0.0
    depth: float = 0.0
    bridge: bool = False
    hidden: bool = False
    length: float = field(init=False)

    def __post_init__(self) -> None:
        self.length = float(np.hypot(*np.diff(self.points, axis=0).T).sum()) if len(self.points) > 1 else 0.0


@dataclass(slots=True, eq=False)
class LineGraph:
    """Nodes (x, y) and the edges between them."""

    nodes: list[tuple[float, float]]
    edges: list[Edge]

    def degrees(self) -> NDArray[np.int64]:
        """Return how many edge ends meet at each node."""
        ends = [e.start for e in self.edges] + [e.end for e in self.edges]
        return np.bincount(np.array(ends, dtype=np.int64), minlength=len(self.nodes))

    def incident(self) -> list[list[int]]:
        """Return for each node the edges that meet there (a loop is listed twice)."""
        out: list[list[int]] = [[] for _ in self.nodes]
        for index, edge in enumerate(self.edges):
            out[edge.start].append(index)
            out[edge.end].append(index)
        return out


def build_graph(skeleton: NDArray[np.uint8]) -> LineGraph:
    """Cut a skeleton of one-pixel lines (non-zero) into chains."""
    padded = np.zeros((skeleton.shape[0] + 2, skeleton.shape[1] + 2), dtype=bool)
    np.greater(skeleton, 0, out=padded[1:-1, 1:-1])
    width = padded.shape[1]
    flat = padded.reshape(-1)
    at = np.flatnonzero(flat)
    if not len(at):
        return LineGraph([], [])
    pairs = _adjacent(flat, at, width)
    degree = np.bincount(pairs.ravel(), minlength=len(at))
    is_node = degree != 2
    xy = np.stack([at % width - 1.0, at // width - 1.0], axis=1)
    # Clusters of touching junction pixels are one node each.
    node_pairs = pairs[is_node[pairs[:, 0]] & is_node[pairs[:, 1]]]
    node_of = np.full(len(at), -1, dtype=np.int64)
    node_index = np.flatnonzero(is_node)
    if len(node_index):
        local = np.full(len(at), -1, dtype=np.int64)
        local[node_index] = np.arange(len(node_index))
        count, labels = _components(local[node_pairs], len(node_index))
        node_of[node_index] = labels
        sums = np.stack([np.bincount(labels, xy[node_index, k], minlength=count) for k in (0, 1)], axis=1)
        nodes = sums / np.bincount(labels, minlength=count)[:, None]
    else:
        nodes = np.zeros((0, 2))
    chain_index = np.flatnonzero(~is_node)
    node_list = [(float(x), float(y)) for x, y in nodes]
    edges: list[Edge] = []
    if len(chain_index):
        local = np.full(len(at), -1, dtype=np.int64)
        local[chain_index] = np.arange(len(chain_index))
        inner = pairs[~is_node[pairs[:, 0]] & ~is_node[pairs[:, 1]]]
        order, starts = _ordered_chains(local[inner], len(chain_index))
        links: dict[int, list[int]] = {}
        mixed = pairs[is_node[pairs[:, 0]] != is_node[pairs[:, 1]]]
        for a, b in mixed:
            chain, node = (a, b) if is_node[b] else (b, a)
            links.setdefault(int(local[chain]), []).append(int(node_of[node]))
        bounds = [*starts.tolist(), len(order)]
        for begin, stop in itertools.pairwise(bounds):
            members = order[begin:stop]
            points = xy[chain_index[members]]
            first, last = links.get(int(members[0]), []), links.get(int(members[-1]), [])
            if len(members) == 1:
                ends = (first + [-1, -1])[:2]
            else:
                ends = [first[0] if first else -1, last[0] if last else -1]
            if ends[0] < 0 or ends[1] < 0:
                # A closed chain without any junction: its first pixel becomes the node.
                node_list.append((float(points[0, 0]), float(points[0, 1])))
                ends = [len(node_list) - 1] * 2
                points = points[1:]
            chain = np.concatenate([[node_list[ends[0]]], points, [node_list[ends[1]]]])
            edges.append(Edge(ends[0], ends[1], chain))
    # Two neighbouring nodes of one cluster need no edge; isolated pixels are no lines.
    return LineGraph(node_list, edges)


def _adjacent(flat: NDArray[np.bool_], at: NDArray[np.int64], width: int) -> NDArray[np.int64]:
    """Return index pairs of neighbouring pixels; a diagonal step is left out where a straight detour exists.

    ``at`` are the places of all pixels, in order.
    """
    pairs = []
    for step, corners in ((1, ()), (width, ()), (width + 1, (1, width)), (width - 1, (-1, width))):
        there = flat[at + step]
        for corner in corners:
            there &= ~flat[at + corner]
        one = np.flatnonzero(there)
        pairs.append(np.stack([one, np.searchsorted(at, at[one] + step)], axis=1))
    return np.concatenate(pairs)


def _components(pairs: NDArray[np.int64], count: int) -> tuple[int, NDArray[np.int64]]:
    matrix = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    found, labels = connected_components(matrix, directed=False)
    return int(found), labels.astype(np.int64)


def _ordered_chains(pairs: NDArray[np.int64], count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Order pixels along their chains: all chains are hung one behind the other and walked in one sweep.

    Returns the pixels in order and the place where each chain begins.
    """
    degree = np.bincount(pairs.ravel(), minlength=count)
    _, labels = _components(pairs, count)
    # Closed chains are opened at one of their links.
    has_end = np.zeros(labels.max() + 1, dtype=bool)
    has_end[labels[degree < 2]] = True
    ring_links = np.flatnonzero(~has_end[labels[pairs[:, 0]]])
    if len(ring_links):
        _, first = np.unique(labels[pairs[ring_links, 0]], return_index=True)
        drop = np.zeros(len(pairs), dtype=bool)
        drop[ring_links[first]] = True
        pairs = pairs[~drop]
        degree = np.bincount(pairs.ravel(), minlength=count)
    loose = np.concatenate([np.flatnonzero(degree < 2), np.flatnonzero(degree == 0)])
    ends = loose[np.argsort(labels[loose], kind="stable")].reshape(-1, 2)
    links = np.stack([ends[:-1, 1], ends[1:, 0]], axis=1)
    every = np.concatenate([pairs, links])
    matrix = coo_array((np.ones(len(every), dtype=np.int8), (every[:, 0], every[:, 1])), shape=(count, count)).tocsr()
    order = depth_first_order(matrix, int(ends[0, 0]), directed=False, return_predecessors=False).astype(np.int64)
    starts = np.flatnonzero(np.diff(labels[order], prepend=-1))
    return order, starts


def measure_lines(graph: LineGraph, dark: NDArray[np.uint8], widest_px: float) -> None:
    """Set each edge's width, mass and depth from the darkness across it.

    The darkness is added up along a cut across the line: blur spreads a line but does not change that sum. ``depth`` is
    the darkest value on the cut, and the width is the sum over the depth.
    """
    reach = max(2, int(np.ceil(widest_px)))
    points, along, owner = [], [], []
    for index, edge in enumerate(graph.edges):
        count = len(edge.points)
        if edge.bridge or count < 2:
            continue
        # What meets the line at its ends is not its own.
        first, last = (reach, count - reach) if count > 4 * reach else (0, count)
        keep = np.arange(first, last, max(1, (last - first) // _CUTS))
        points.append(edge.points[keep])
        along.append(edge.points[np.minimum(keep + 4, count - 1)] - edge.points[np.maximum(keep - 4, 0)])
        owner.append(np.full(len(keep), index))
    if not points:
        return
    middle, tangent, edge_of = np.concatenate(points), np.concatenate(along), np.concatenate(owner)
    tangent = tangent / np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    mass, depth = np.empty(len(middle)), np.empty(len(middle))
    for begin in range(0, len(middle), 20_000):
        part = slice(begin, begin + 20_000)
        mass[part], depth[part] = cut_across(dark, middle[part], tangent[part], reach)
    for quality, values in (("mass", mass), ("depth", depth)):
        for index, value in zip(*medians(edge_of, values), strict=True):
            setattr(graph.edges[index], quality, float(value))
    for edge in graph.edges:
        edge.width = edge.mass / max(edge.depth, 0.05)


def cut_across(
    dark: NDArray[np.uint8], at: Points, tangent: NDArray[np.float64], reach: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the darkness added up across a line, and its darkest value, at points (N, 2) with unit tangents (N, 2)."""
    offsets = np.arange(-reach, reach + 1)
    column = np.rint(at[:, 0][:, None] - offsets * tangent[:, 1][:, None]).astype(np.int32)
    row = np.rint(at[:, 1][:, None] + offsets * tangent[:, 0][:, None]).astype(np.int32)
    cut = dark[np.clip(row, 0, dark.shape[0] - 1), np.clip(column, 0, dark.shape[1] - 1)].astype(np.float32) / 255.0
    top = cut[:, reach - 1 : reach + 2].max(axis=1)
    # Walk outwards until the line ends: a neighbour further out is not added.
    inked = cut > 0.12 * top[:, None]
    right = np.logical_and.accumulate(inked[:, reach:], axis=1)
    left = np.logical_and.accumulate(inked[:, reach::-1], axis=1)
    mass = (cut[:, reach:] * right).sum(axis=1) + (cut[:, reach::-1] * left).sum(axis=1) - cut[:, reach]
    return mass.astype(np.float64), top.astype(np.float64)


def medians(group: NDArray[np.int64], values: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the groups that are present, and the median of each one's values."""
    order = np.lexsort((values, group))
    present, first, count = np.unique(group, return_index=True, return_counts=True)
    # Groups come in ascending order, so each one's sorted values stand where its members stood.
    own = values[order]
    return present, (own[first + (count - 1) // 2] + own[first + count // 2]) / 2


def direction(points: Points, *, at_end: bool, skip: int = 3, reach: int = 16) -> NDArray[np.float64]:
    """Unit direction of a chain as it leaves its first point (``at_end``: as it arrives at its last).

    The pixels nearest to a junction are left out: thinning bends them.
    """
    chain = points[::-1] if at_end else points
    first = max(0, min(skip, len(chain) - 2))
    last = min(len(chain) - 1, first + reach)
    way = chain[last] - chain[first]
    if at_end:
        way = -way
    length = float(np.hypot(*way))
    return np.asarray(way / length if length else np.array([1.0, 0.0]))


def leaving(graph: LineGraph, index: int, node: int, *, skip: int = 3, reach: int = 16) -> NDArray[np.float64]:
    """Unit direction in which an edge leaves one of its nodes."""
    edge = graph.edges[index]
    return direction(edge.points if edge.start == node else edge.points[::-1], at_end=False, skip=skip, reach=reach)


def angle(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Angle between two unit directions, radians."""
    return math.acos(max(-1.0, min(1.0, float(a[0] * b[0] + a[1] * b[1]))))


def calmed(points: Points, reach: int = 4) -> Points:
    """Return a chain without the stairs of its pixels: a running mean, the ends kept.

    Steps between neighbouring pixels know only eight directions and make a slanting line up to 8 % too long.
    """
    if len(points) < 4:
        return points
    reach = min(reach, (len(points) - 1) // 2)
    padded = np.concatenate([2 * points[0] - points[reach:0:-1], points, 2 * points[-1] - points[-2 : -reach - 2 : -1]])
    total = np.cumsum(np.concatenate([np.zeros((1, 2)), padded]), axis=0)
    width = 2 * reach + 1
    return np.asarray((total[width:] - total[:-width]) / width)
