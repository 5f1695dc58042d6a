"""Several sizes of one piece drawn into each other: each size's own line among the strokes of the line work.

A pen goes straight on where lines cross, so the strokes of the line work are the sizes' own lines wherever these only
cross. Where sizes share a line (the fold edge of a front) their strokes end on it and are closed along the shortest
way over it. The sizes are then in the order of their areas, 1 the smallest.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from tracer.search.graph import Edge, LineGraph, Points, angle, leaving
from tracer.search.loops import polygon_area
from tracer.search.nesting import Nesting
from tracer.search.strokes import Stroke, find_strokes

LEAST_SIZES = 3
"""Two lines are a cutting line and its stitching line; more of one weight are sizes (common practice, no source)."""
LEAST_AREA_SHARE = 0.35
"""The smallest of several sizes covers this share of the largest at least (common practice, no source)."""
LEAST_STROKE_SHARE = 0.2
"""An open stroke this long, as a share of the outer loop, may be one size's line up to what it shares with others."""
STYLE_WINDOW_SHARE = 0.05
"""Over this share of its way a line's style is judged before and behind a junction."""
LEAST_STYLE_SHARE = 0.05
"""Of shorter strokes the style cannot be told (a few dashes)."""
DETOUR, RUN_TOGETHER = 6.0, 0.08
"""How much dearer a way over another size's line is, and the share of that for lines of no known style."""
LEAST_SPREAD = 0.0015
"""Where all sizes lie within this share of the way round a piece, they run together."""
ALIKE, OTHER_OUT, OUT_BY_ORDER = 0.3, 0.25, 0.9
"""A line that lies further in or out than another by this share of the way between the outermost and the innermost is
another size's where lines are of one style; styles tell more surely, since a larger size's neck may lie further in."""
LEAST_OWN = 0.55
"""A size's line is its own for this share of its way at least; what all share (a fold edge) is drawn once."""
MOST_SHARED = 0.5
"""Two sizes have no more of their way in common (a fold edge, a hem)."""
TURN_RAD = math.radians(40)
"""A pen that turns more than this where other lines meet may have been another size's (common practice, no source)."""
SOLID_PX = 1e4
_SLACK_PX = 20.0
_OTHER_DASH, _OTHER_INK = math.log(1.35), 0.25
SAME_SHARE = 0.006
"""Loops that differ by less than this share of their area are one size read twice (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How a line is dashed: its long dashes (pixels, ``SOLID_PX`` for a line without spaces) and the share of ink."""

    dash: float
    inked: float

    def unlike(self, other: Style) -> float:
        """Return how different two styles are, from 0 (the same) to 1 (surely another)."""
        dash = abs(math.log(self.dash / other.dash)) / _OTHER_DASH
        return min(1.0, dash + abs(self.inked - other.inked) / _OTHER_INK)


def style_of(graph: LineGraph, edges: Sequence[int]) -> Style:
    """Return the style of a chain of edges."""
    drawn = np.array([graph.edges[i].length for i in edges if not graph.edges[i].bridge] or [1.0])
    total = float(sum(graph.edges[i].length for i in edges))
    spaces = sum(graph.edges[i].bridge for i in edges)
    if spaces < 3 or spaces < 0.25 * len(drawn):
        return Style(dash=SOLID_PX, inked=1.0)
    # Lines that cross cut dashes in two: the longer ones tell.
    return Style(dash=max(1.0, float(np.quantile(drawn, 0.8))), inked=float(drawn.sum()) / max(total, 1.0))


def size_loops(
    graph: LineGraph,
    members: Collection[int],
    outer: Points,
    links: Collection[int] = (),
    strokes: Sequence[Stroke] | None = None,
) -> list[tuple[float, tuple[tuple[int, bool], ...]]]:
    """Return the loops of the sizes drawn into each other, smallest first: how much of each is its own, and its edges.

    Every long stroke is closed along the way that costs least, where the lines of other styles cost much, those of its
    own style little, and places where all lines run together are free to go through.

    Parameters
    ----------
    graph : LineGraph
    members : collection of int
        Edges among which to look.
    outer : ndarray, shape (N, 2)
        The outermost loop.
    links : collection of int
        Further edges, over which a way may be closed at three times the price (see :func:`loose_links`).
    strokes : sequence of Stroke, optional
        The strokes of the members, where they are known already.
    """
    inside = set(members)
    others = [i for i in range(len(graph.edges)) if i not in inside]
    area = abs(polygon_area(outer))
    around = 2.0 * math.sqrt(math.pi * area)
    ways = _CheapestWays(graph, (*members, *links))
    whole_strokes = find_strokes(graph, (), others) if strokes is None else strokes
    parts = [s for whole in whole_strokes for s in _without_turns(graph, whole.edges, STYLE_WINDOW_SHARE * around)]
    lengths = [sum(graph.edges[i].length for i in s) for s in parts]
    styles = [
        style_of(graph, s) if n > LEAST_STYLE_SHARE * around else None for s, n in zip(parts, lengths, strict=True)
    ]
    long = [t for t, n in zip(styles, lengths, strict=True) if t is not None and n >= LEAST_STROKE_SHARE * around]
    owner = {i: k for k, s in enumerate(parts) for i in s}
    nesting = Nesting([graph.edges[i] for i in inside], outer, LEAST_SPREAD * around)
    out = {i: nesting.out(graph.edges[i]) for i in (*inside, *links)}
    loops: list[tuple[float, float, tuple[tuple[int, bool], ...]]] = []
    for k, stroke in enumerate(parts):
        own = styles[k]
        if lengths[k] < LEAST_STROKE_SHARE * around or own is None:
            continue
        steps = _directed(graph, stroke)
        if steps is None:
            continue
        by_stroke = [RUN_TOGETHER if t is None else own.unlike(t) for t in styles]
        unlike = {i: by_stroke[owner[i]] if i in owner else RUN_TOGETHER for i in inside}
        unlike |= dict.fromkeys(links, 0.4)
        mine = _usual_out(graph, stroke, out)
        in_one_style = sum(own.unlike(t) < ALIKE for t in long) >= LEAST_SIZES
        for i, style in unlike.items():
            place = out[i]
            if place is None:
                # All sizes run together here: a fold edge that is drawn once.
                unlike[i] = min(style, RUN_TOGETHER)
            elif mine is not None and in_one_style and style < ALIKE:
                apart = min(1.0, abs(place - mine) / OTHER_OUT)
                unlike[i] = max(style, OUT_BY_ORDER * apart)
        first, last = _ends(graph, steps)
        if first != last:
            back = ways(last, first, {i for i, _ in steps}, {i: 1.0 + DETOUR * u for i, u in unlike.items()})
            if back is None:
                continue
            steps = steps + back
        points = loop_points(graph, steps)
        size = abs(polygon_area(points))
        if size > LEAST_AREA_SHARE * area and _is_simple_enough(points, size):
            total = sum(graph.edges[i].length for i, _ in steps)
            alien = sum(graph.edges[i].length * unlike[i] for i, _ in steps)
            loops.append((size, 1.0 - alien / total, tuple(steps)))
    loops.sort(key=lambda loop: loop[0])
    kept: list[tuple[float, float, tuple[tuple[int, bool], ...]]] = []
    for loop in loops:
        if not kept or loop[0] > kept[-1][0] * (1.0 + SAME_SHARE):
            kept.append(loop)
        elif loop[1] > kept[-1][1]:
            kept[-1] = loop
    return _apart(graph, [(share, chain) for _, share, chain in kept if share > LEAST_OWN])


def _usual_out(graph: LineGraph, stroke: Sequence[int], out: Mapping[int, float | None]) -> float | None:
    """Return how far out a stroke lies for most of its way."""
    known = [(place, graph.edges[i].length) for i in stroke if (place := out[i]) is not None]
    if not known:
        return None
    places, lengths = np.array(sorted(known)).T
    return float(places[int(np.searchsorted(np.cumsum(lengths), lengths.sum() / 2))])


def _apart(
    graph: LineGraph, loops: list[tuple[float, tuple[tuple[int, bool], ...]]]
) -> list[tuple[float, tuple[tuple[int, bool], ...]]]:
    """Leave out loops that are mostly another loop again, by a way round something drawn on it."""
    taken: set[int] = set()
    kept = []
    for share, chain in sorted(loops, key=lambda loop: -loop[0]):
        total = sum(graph.edges[i].length for i, _ in chain)
        again = sum(graph.edges[i].length for i, _ in chain if i in taken)
        if again < MOST_SHARED * total:
            kept.append((share, chain))
            taken |= {i for i, _ in chain}
    return [loop for loop in loops if loop in kept]


def _without_turns(graph: LineGraph, edges: Sequence[int], window_px: float) -> list[tuple[int, ...]]:
    """Cut a chain where it turns sharply, or changes its style, at a node that other lines meet in: another line."""
    degrees = graph.degrees()
    parts: list[list[int]] = [[edges[0]]]
    for a, b in itertools.pairwise(edges):
        shared = {graph.edges[a].start, graph.edges[a].end} & {graph.edges[b].start, graph.edges[b].end}
        node = min(shared) if shared else -1
        turn = math.pi - angle(leaving(graph, a, node), leaving(graph, b, node)) if node >= 0 else 0.0
        if node >= 0 and degrees[node] > 2 and (turn > TURN_RAD or _changes(graph, edges, b, window_px)):
            parts.append([])
        parts[-1].append(b)
    return [tuple(p) for p in parts]


def _changes(graph: LineGraph, edges: Sequence[int], b: int, window_px: float) -> bool:
    """Return whether a chain is dashed in another way behind a junction than before it."""
    at = edges.index(b)
    before: list[int] = []
    after: list[int] = []
    for part, chain in ((before, edges[at - 1 :: -1]), (after, edges[at:])):
        length = 0.0
        for i in chain:
            part.append(i)
            length += graph.edges[i].length
            if length > window_px:
                break
        if length < 0.6 * window_px:
            return False
    return style_of(graph, before).unlike(style_of(graph, after)) > 0.9


def _chain_ends(graph: LineGraph, chain: Sequence[int]) -> tuple[int, ...]:
    steps = _directed(graph, chain)
    return () if steps is None else _ends(graph, steps)


def loose_links(
    graph: LineGraph, members: Collection[int], chains: Sequence[Sequence[int]], reach_px: float
) -> list[Edge]:
    """Return short straight links from loose ends, and those of long chains, to any node near: what was not bridged."""
    used = sorted({n for i in members for n in (graph.edges[i].start, graph.edges[i].end)})
    if len(used) < 2:
        return []
    degrees = graph.degrees()
    place = np.array([graph.nodes[n] for n in used])
    tree = cKDTree(place)
    links: list[Edge] = []
    seen: set[tuple[int, int]] = set()
    chain_ends = {n for chain in chains if len(chain) > 1 for n in _chain_ends(graph, chain)}
    for node in (n for n in used if degrees[n] == 1 or n in chain_ends):
        distance, near = tree.query(graph.nodes[node], k=min(6, len(used)), distance_upper_bound=reach_px)
        for gap, k in zip(np.atleast_1d(distance), np.atleast_1d(near), strict=True):
            if not np.isfinite(gap) or used[int(k)] == node:
                continue
            key = (min(node, used[int(k)]), max(node, used[int(k)]))
            if key not in seen:
                seen.add(key)
                points = np.linspace(graph.nodes[node], graph.nodes[used[int(k)]], max(2, int(gap) + 1))
                links.append(Edge(node, used[int(k)], points, bridge=True))
    return links


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


def loop_points(graph: LineGraph, steps: Sequence[tuple[int, bool]]) -> Points:
    """Return the closed polygon of directed edges."""
    parts = [graph.edges[i].points[:-1] if f else graph.edges[i].points[:0:-1] for i, f in steps]
    return np.concatenate(parts)


def _is_simple_enough(points: Points, own: float) -> bool:
    """Return whether a loop covers about its filled area: a loop that crosses itself does not."""
    low = points.min(axis=0)
    size = np.ptp(points, axis=0).astype(int) + 3
    canvas: NDArray[np.uint8] = np.zeros((int(size[1]) // 4 + 2, int(size[0]) // 4 + 2), np.uint8)
    cv2.fillPoly(canvas, [np.rint((points - low) / 4).astype(np.int32).reshape(-1, 1, 2)], 1)
    return bool(own > 0.9 * 16.0 * float(canvas.sum()))


class _CheapestWays:
    """Cheapest ways between nodes over some edges of a graph."""

    def __init__(self, graph: LineGraph, edges: Collection[int]) -> None:
        self.graph, self.edges = graph, list(edges)
        names = sorted({n for i in edges for n in (graph.edges[i].start, graph.edges[i].end)})
        self.place = {n: k for k, n in enumerate(names)}
        self.names = names

    def __call__(
        self, start: int, end: int, avoid: set[int], price: Mapping[int, float]
    ) -> list[tuple[int, bool]] | None:
        """Return the way from one node to another as directed edges, or None; ``price`` is that of a pixel."""
        best: dict[tuple[int, int], tuple[float, int]] = {}
        for i in self.edges:
            edge = self.graph.edges[i]
            if i in avoid or edge.start == edge.end:
                continue
            a, b = self.place[edge.start], self.place[edge.end]
            key, cost = (min(a, b), max(a, b)), max(edge.length, 0.1) * price[i]
            if key not in best or cost < best[key][0]:
                best[key] = (cost, i)
        if not best:
            return None
        rows, columns = np.array(list(best)).T
        weights = np.array([cost for cost, _ in best.values()])
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
            index = best[min(a, b), max(a, b)][1]
            steps.append((index, self.graph.edges[index].start == self.names[a]))
        return steps
