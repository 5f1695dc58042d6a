"""Strokes: the lines of a sheet that are no outlines, put together as a pen drew them.

Where lines cross, thinning leaves a node with several ends; a pen goes straight on. Ends are paired at each node by how
little they turn; a lone pair is a corner of one stroke. At the outline of a piece strokes end.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.search_graph import LineGraph, Points, angle, cut_across, direction, leaving

STRAIGHT_ON_RAD = math.radians(35)
"""A pen that crosses another line turns by less than this (common practice, no source)."""

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

    @property
    def length(self) -> float:
        """Length in pixels."""
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())


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

    for node, around in ends.items():
        if node in walls:
            continue
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
