"""Strokes: the lines of a sheet that are no outlines, put together as a pen drew them.

Where lines cross, thinning leaves a node with several ends; a pen goes straight on. Ends are paired at each node by how
little they turn; a lone pair is a corner of one stroke. At the outline of a piece strokes end.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.search.graph import LineGraph, Points, angle, calmed, cut_across, direction, leaving

STRAIGHT_ON_RAD = math.radians(35)
"""A pen that crosses another line turns by less than this (common practice, no source)."""

_FORKED_PX, _FORK_SKIP_PX, _FORK_REACH_PX, _FORK_ASIDE_PX, _ACROSS_RAD = 26.0, 6, 24, 7.0, math.radians(15)
"""Two lines that cross at ten degrees or more run together for no longer than the first; beyond what thinning bends
they go straight on (geometry, lines half a millimetre wide at 0.1 mm a pixel)."""
TIP_PX = 16.0
"""Hanging tips at sharp corners are shorter (from the geometry of thinning)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """A line as it was drawn: its points in pixels of the mask, its edges, and how many spaces it has."""

    points: Points
    edges: tuple[int, ...]
    spaces: int
    mass: float
    closed: bool
    length: float = field(init=False)
    """Length in pixels."""

    def __post_init__(self) -> None:
        steps = np.diff(calmed(self.points), axis=0)
        object.__setattr__(self, "length", float(np.hypot(steps[:, 0], steps[:, 1]).sum()))

    @property
    def chord(self) -> float:
        """Distance between its ends, pixels."""
        return float(np.hypot(*(self.points[-1] - self.points[0])))

    @property
    def bow(self) -> float:
        """Farthest that it strays from its chord, pixels."""
        way = self.points[-1] - self.points[0]
        long = float(np.hypot(*way))
        if long < 1e-9:
            return float(np.hypot(*(self.points - self.points[0]).T).max())
        away = (self.points - self.points[0]) @ np.array([-way[1], way[0]]) / long
        return float(np.abs(away).max())


def find_strokes(graph: LineGraph, outlines: Collection[int], skipped: Collection[int]) -> list[Stroke]:
    """Put the edges of a graph together to strokes.

    Parameters
    ----------
    graph : LineGraph
    outlines : collection of int
        Edges of outlines: strokes end at their nodes.
    skipped : collection of int
        Further edges to leave out (lettering).
    """
    walls = {n for i in outlines for n in (graph.edges[i].start, graph.edges[i].end)}
    left = [i for i in range(len(graph.edges)) if i not in outlines and i not in skipped]
    ends: dict[int, list[tuple[int, int]]] = {}
    for i in left:
        ends.setdefault(graph.edges[i].start, []).append((i, 0))
        ends.setdefault(graph.edges[i].end, []).append((i, 1))
    partner: dict[tuple[int, int], tuple[int, int]] = {}

    def loose(index: int, side: int) -> bool:
        edge = graph.edges[index]
        return len(ends[edge.end if side == 0 else edge.start]) == 1

    parted, between = _parted_crossings(graph, ends, walls)
    partner |= parted
    left = [i for i in left if i not in between]
    for node, around in ends.items():
        if node in walls:
            continue
        around = [end for end in around if end not in partner and end[0] not in between]
        if len(around) == 3:
            # The tip that thinning leaves at a sharp corner is no line of its own.
            longer = [(i, side) for i, side in around if graph.edges[i].length > TIP_PX or not loose(i, side)]
            around = longer if len(longer) == 2 else around
        if len(around) == 2:
            partner[around[0]], partner[around[1]] = around[1], around[0]
            continue
        ways = [leaving(graph, i, node, skip=2) for i, _ in around]
        turns = sorted(
            (math.pi - angle(ways[a], ways[b]), a, b) for a in range(len(around)) for b in range(a + 1, len(around))
        )
        used: set[int] = set()
        for turn, a, b in turns:
            if turn < STRAIGHT_ON_RAD and a not in used and b not in used:
                used.update((a, b))
                partner[around[a]], partner[around[b]] = around[b], around[a]
    strokes = []
    seen: set[int] = set()
    starts = [(i, side) for i in left for side in (0, 1) if (i, side) not in partner]
    for start in (*starts, *((i, 0) for i in left)):
        if start[0] in seen:
            continue
        chain: list[tuple[int, bool]] = []
        at: tuple[int, int] | None = start
        while at is not None and at[0] not in seen:
            seen.add(at[0])
            chain.append((at[0], at[1] == 0))
            at = partner.get((at[0], 1 - at[1]))
        strokes.append(_stroke(graph, chain))
    return strokes


_End = tuple[tuple[float, float], tuple[int, int], NDArray[np.float64]]
"""The node at which a line ends, its edge and side, and its direction out from the node."""


def _parted_crossings(
    graph: LineGraph, ends: dict[int, list[tuple[int, int]]], walls: Collection[int]
) -> tuple[dict[tuple[int, int], tuple[int, int]], set[int]]:
    """Pair the ends of lines that cross where thinning made two forks of the crossing.

    Where two lines cross aslant their inks run together; what is left between the two forks belongs to both.

    Parameters
    ----------
    graph : LineGraph
    ends : dict
        At each node the ends of edges: edge and side.
    walls : collection of int
        Nodes where strokes end.

    Returns
    -------
    partner : dict
        Which end goes on with which.
    between : set of int
        The short edges between forks.
    """
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    between: set[int] = set()
    forks = {node for node, around in ends.items() if len(around) == 3 and node not in walls}
    for index in sorted({i for node in forks for i, _ in ends[node]}):
        edge = graph.edges[index]
        if edge.start == edge.end or edge.length > _FORKED_PX or edge.bridge or not {edge.start, edge.end} <= forks:
            continue
        sides = [[end for end in ends[node] if end[0] != index] for node in (edge.start, edge.end)]
        if any(len(side) != 2 or any(end in partner or end[0] in between for end in side) for side in sides):
            continue
        here = [(graph.nodes[edge.start], end, _out(graph, end)) for end in sides[0]]
        there = [(graph.nodes[edge.end], end, _out(graph, end)) for end in sides[1]]
        options = [((here[0], there[a]), (here[1], there[1 - a])) for a in (0, 1)]
        best = min(options, key=lambda pairs: max(math.pi - angle(a[2], b[2]) for a, b in pairs))
        if all(_goes_across(a, b) for a, b in best):
            between.add(index)
            for (_, a, _), (_, b, _) in best:
                partner[a], partner[b] = b, a
    return partner, between


def _out(graph: LineGraph, end: tuple[int, int]) -> NDArray[np.float64]:
    edge = graph.edges[end[0]]
    points = edge.points if end[1] == 0 else edge.points[::-1]
    return direction(points, at_end=False, skip=_FORK_SKIP_PX, reach=_FORK_REACH_PX)


def _goes_across(
    a: _End,
    b: _End,
) -> bool:
    """Return whether two ends are parts of one line that goes straight on over a crossing."""
    way = np.asarray(b[0], dtype=np.float64) - np.asarray(a[0], dtype=np.float64)
    aside = max(abs(way[0] * out[1] - way[1] * out[0]) for out in (a[2], b[2]))
    return math.pi - angle(a[2], b[2]) < _ACROSS_RAD and float(aside) < _FORK_ASIDE_PX


def _stroke(graph: LineGraph, chain: list[tuple[int, bool]]) -> Stroke:
    parts = [graph.edges[i].points if forwards else graph.edges[i].points[::-1] for i, forwards in chain]
    # A line that stops in a gap was never drawn there.
    while len(parts) > 1 and graph.edges[chain[0][0]].bridge:
        parts, chain = parts[1:], chain[1:]
    while len(parts) > 1 and graph.edges[chain[-1][0]].bridge:
        parts, chain = parts[:-1], chain[:-1]
    points = np.concatenate([parts[0], *(p[1:] for p in parts[1:])])
    drawn = [(graph.edges[i].mass, graph.edges[i].length) for i, _ in chain if not graph.edges[i].bridge]
    total = sum(length for _, length in drawn)
    return Stroke(
        points=points,
        edges=tuple(i for i, _ in chain),
        spaces=sum(graph.edges[i].bridge for i, _ in chain),
        mass=sum(m * length for m, length in drawn) / total if total else 0.0,
        closed=len(points) > 3 and bool(np.hypot(*(points[0] - points[-1])) < 1.5),
    )


def end_heading(points: Points, *, first: bool, reach_px: float) -> NDArray[np.float64]:
    """Unit direction in which a stroke would go on beyond one of its ends."""
    chain = points if first else points[::-1]
    back = chain[min(len(chain) - 1, max(2, int(reach_px)))]
    way = chain[0] - back
    return np.asarray(way / max(1e-9, float(np.hypot(*way))))


def joined(a: Stroke, b: Stroke) -> Stroke:
    """Return two strokes as one: ``b`` goes on where ``a`` ends."""
    lengths = np.array([max(a.length, 1e-9), max(b.length, 1e-9)])
    points = np.concatenate([a.points, b.points])
    return Stroke(
        points=points,
        edges=a.edges + b.edges,
        spaces=a.spaces + b.spaces,
        mass=float(np.array([a.mass, b.mass]) @ lengths / lengths.sum()),
        closed=len(points) > 3 and bool(np.hypot(*(points[0] - points[-1])) < 1.5),
    )


def turned(stroke: Stroke) -> Stroke:
    """Return a stroke the other way round."""
    return Stroke(
        points=stroke.points[::-1],
        edges=stroke.edges[::-1],
        spaces=stroke.spaces,
        mass=stroke.mass,
        closed=stroke.closed,
    )


def join_facing(strokes: list[Stroke], allowed: NDArray[np.bool_], reach_px: float, turn_rad: float) -> list[Stroke]:
    """Join strokes whose ends face each other, the closest first.

    Parameters
    ----------
    strokes : list of Stroke
    allowed : ndarray of bool, shape (N, 2)
        Whether the first and the last end of each may be joined.
    reach_px : float
        How far apart they may be.
    turn_rad : float
        How much either may turn from its own direction.
    """
    ends = [(k, side) for k in range(len(strokes)) for side in (0, 1) if allowed[k, side] and not strokes[k].closed]
    if len(ends) < 2:
        return strokes
    at = np.array([strokes[k].points[0 if side == 0 else -1] for k, side in ends])
    heading = np.array([end_heading(strokes[k].points, first=side == 0, reach_px=2 * TIP_PX) for k, side in ends])
    pairs = cKDTree(at).query_pairs(reach_px, output_type="ndarray")
    options = []
    for a, b in pairs:
        if ends[a][0] == ends[b][0]:
            continue
        way = at[b] - at[a]
        gap = float(np.hypot(*way))
        turn = math.pi - angle(heading[a], heading[b])
        if gap > 3.0:
            turn = max(turn, angle(heading[a], way / gap), angle(heading[b], -way / gap))
        if turn < turn_rad:
            options.append((gap, int(a), int(b)))
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    for _, a, b in sorted(options):
        if ends[a] not in partner and ends[b] not in partner:
            partner[ends[a]], partner[ends[b]] = ends[b], ends[a]
    if not partner:
        return strokes
    out: list[Stroke] = []
    seen: set[int] = set()
    starts = [(k, s) for k in range(len(strokes)) for s in (0, 1) if (k, s) not in partner]
    for k, side in (*starts, *((k, 0) for k in range(len(strokes)))):
        if k in seen:
            continue
        at_end: tuple[int, int] | None = (k, side)
        whole: Stroke | None = None
        while at_end is not None and at_end[0] not in seen:
            seen.add(at_end[0])
            part = strokes[at_end[0]] if at_end[1] == 0 else turned(strokes[at_end[0]])
            whole = part if whole is None else joined(whole, part)
            at_end = partner.get((at_end[0], 1 - at_end[1]))
        if whole is not None:
            out.append(whole)
    return out


def heads(stroke: Stroke, dark: NDArray[np.uint8], reach_px: float, look_px: float) -> tuple[bool, bool]:
    """Return whether a stroke ends in an arrow head at its first and at its last point: it grows much wider there."""
    points = stroke.points
    if len(points) < 8:
        return False, False
    # A solid head was taken out of the line: look on beyond the ends too.
    beyond = np.arange(1, int(look_px) + 1)[:, None]
    front, back = (direction(p, at_end=True, skip=2) for p in (points[::-1], points))
    points = np.concatenate([(points[0] + beyond * front)[::-1], points, points[-1] + beyond * back])
    tangent = (
        points[np.minimum(np.arange(len(points)) + 4, len(points) - 1)]
        - points[np.maximum(np.arange(len(points)) - 4, 0)]
    )
    tangent = tangent / np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    mass, _ = cut_across(dark, points, tangent, max(3, int(reach_px)))
    usual = max(float(np.median(mass)), 0.5)
    count = 2 * len(beyond)
    # A crossing line makes a few wide cuts, a head many.
    wide = mass > 2.2 * usual
    least = max(3, count // 6)
    return bool(wide[:count].sum() >= least), bool(wide[-count:].sum() >= least)
