"""Little faces on the rim of a piece: a notch drawn outwards, letters that touch the line or hide a corner of it.

They are cut off where the line runs on underneath.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from tracer.search.graph import LineGraph, Points, angle, direction, leaving
from tracer.search.loops import Face, find_blocks, find_faces, outer_loop

BOLD_SHARE = 0.74
"""Lines thinner than this share of the cutting line are of another kind (common practice, no source)."""
_CLEAR_RAD, _DOUBT_RAD, _STRAIGHT_RAD = math.radians(45), math.radians(15), math.radians(20)
"""A line's way on is clear by so much, in doubt within so much (what thinning bends short stubs by), and straight
within so much (judgement)."""
_BENT_RAD = math.radians(30)
"""What runs together with the line in a corner of it bends both ways by as much (measured on drawn sheets)."""
_LINE_SHARE, _CURL_SHARE = 0.85, 0.6
"""A line as thinned is not much longer than its chord; the strokes of a letter are (geometry)."""
_LED_UP_PX = 20
"""The direction of a line is taken over so many pixels (see :func:`tracer.search.graph.direction`)."""
_CORNER_RAD = math.radians(60)
"""So much no line bends between two pieces of it that run on (judgement)."""
BUMP_MM, _TOGETHER = 9.0, 3
"""Faces on the rim up to this size are notches or letters (common practice, no source), so many together at most."""


def usual(graph: LineGraph, edges: Sequence[int], quality: str) -> float:
    """Return a line's usual width, mass or depth: the median by length, bridges left out."""
    drawn = [(getattr(graph.edges[i], quality), graph.edges[i].length) for i in edges if not graph.edges[i].bridge]
    if not drawn:
        return 0.0
    value = np.array(drawn, dtype=np.float64)
    order = np.argsort(value[:, 0])
    share = np.cumsum(value[order, 1])
    return float(value[order[np.searchsorted(share, share[-1] / 2)], 0])


def straighten(graph: LineGraph, block: Sequence[int], loop: Face, mm_per_px: float) -> Face:
    """Cut little faces off the rim where the line runs on underneath."""
    members = sorted(set(block))
    for _ in range(40):
        better = _one_bump_less(graph, members, loop, mm_per_px)
        if better is None:
            return loop
        loop, members = better
    return loop


def _one_bump_less(graph: LineGraph, members: list[int], loop: Face, mm_per_px: float) -> tuple[Face, list[int]] | None:
    largest = BUMP_MM / mm_per_px
    on_rim = {index for index, _ in loop.steps}
    for border in _bumps(find_faces(graph, members), on_rim, largest):
        outside = [step for step in border if step[0] in on_rim]
        inside = [step for step in border if step[0] not in on_rim]
        if not outside or not inside:
            continue
        around = sum(graph.edges[i].length for i, _ in outside)
        under = sum(graph.edges[i].length for i, _ in inside)
        if under > 0.9 * around or not _runs_on(graph, loop, outside, inside):
            continue
        # A thin notch does not stand in for the bold line it is drawn on. What is short seems heavier than it is, by
        # what meets it and runs beside it: the line all round tells how heavy it can be at most.
        bold = min(usual(graph, [i for i, _ in steps], "mass") for steps in (outside, loop.steps))
        thin = usual(graph, [i for i, _ in inside], "mass")
        if thin < BOLD_SHARE * bold and not all(graph.edges[i].bridge for i, _ in inside):
            continue
        gone = {i for i, _ in outside}
        left = [i for i in members if i not in gone]
        for block in find_blocks(LineGraph(graph.nodes, [graph.edges[i] for i in left])):
            chosen = [left[k] for k in block]
            candidate = outer_loop(find_faces(graph, chosen))
            if candidate.area > 0.9 * loop.area:
                return candidate, chosen
    return None


def _bumps(faces: Sequence[Face], on_rim: set[int], largest_px: float) -> Iterator[list[tuple[int, bool]]]:
    """Yield the borders of little faces on the rim, then those of some that lie together: a letter has several."""
    small = [f for f in faces if 0 < f.area <= largest_px * largest_px and _extent([f]) <= largest_px]
    owners: dict[int, list[int]] = {}
    for k, face in enumerate(small):
        for index, _ in face.steps:
            owners.setdefault(index, []).append(k)
    groups: list[tuple[int, ...]] = [(k,) for k, face in enumerate(small) if any(i in on_rim for i, _ in face.steps)]
    for size in range(1, _TOGETHER + 1):
        for group in groups:
            count = Counter(i for k in group for i, _ in small[k].steps)
            yield [step for k in group for step in small[k].steps if count[step[0]] == 1]
        if size == _TOGETHER:
            return
        grown = {
            tuple(sorted((*group, k)))
            for group in groups
            for g in group
            for i, _ in small[g].steps
            for k in owners[i]
            if k not in group
        }
        groups = [g for g in sorted(grown) if _extent([small[k] for k in g]) <= largest_px]


def _extent(faces: Sequence[Face]) -> float:
    return float(np.ptp(np.concatenate([f.points for f in faces]), axis=0).max())


def _runs_on(graph: LineGraph, loop: Face, outside: list[tuple[int, bool]], inside: list[tuple[int, bool]]) -> bool:
    """Return whether the rim's own direction continues along the inner way better than along the outer one.

    Either all that leads to the ends of the outer way one way round the loop says so; or what leads there from one side
    clearly does, and what leads there from the other is in doubt, or ends at a corner where the outer way winds like a
    letter and the inner one does not.
    """
    gone, under_it = {i for i, _ in outside}, {i for i, _ in inside}
    count = len(loop.steps)
    turns: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    for k, (index, along) in enumerate(loop.steps):
        if index in gone:
            continue
        for ahead in (True, False):
            if loop.steps[(k + 1 if ahead else k - 1) % count][0] not in gone:
                continue
            edge = graph.edges[index]
            node = edge.end if along == ahead else edge.start
            arriving = direction(_led_up(graph, loop, k, gone, ahead=ahead), at_end=True)
            around, ways = _ways_out(graph, gone, node), _ways_out(graph, under_it, node)
            if around and ways:
                turns[ahead].append((min(angle(arriving, w) for w in ways), min(angle(arriving, w) for w in around)))
    if turns[True] and all(under < around for under, around in turns[True]):
        return True
    # In a corner of the line a letter hides, only one of its sides runs on along the inner way.
    both = turns[True] + turns[False]
    if _chord_share(graph, inside) > _LINE_SHARE and _chord_share(graph, outside) < _CURL_SHARE:
        # Both legs of a corner of the piece itself run on straight along the outer way.
        return any(under < _BENT_RAD and around > under + _BENT_RAD for under, around in both)
    clear = any(under < _STRAIGHT_RAD and around > under + _CLEAR_RAD for under, around in both)
    return clear and all(under < around + _DOUBT_RAD for under, around in both)


def _led_up(graph: LineGraph, loop: Face, k: int, gone: set[int], *, ahead: bool) -> Points:
    """Return what leads up to the end of a step of a loop, over the steps before it where it is short itself."""
    chain: Points = np.zeros((0, 2))
    for back in range(len(loop.steps)):
        index, along = loop.steps[(k - back if ahead else k + back) % len(loop.steps)]
        if index in gone or len(chain) > _LED_UP_PX:
            break
        points = graph.edges[index].points
        chain = np.concatenate([points if along == ahead else points[::-1], chain[1:]])
    return chain


def _ways_out(graph: LineGraph, edges: set[int], node: int) -> list[Points]:
    """Return the directions in which some edges leave a node, each over the edge behind it where it is short.

    Not round a corner: where two sides of the line touch before they meet in a point, the way out would be that back.
    """
    out = []
    for first in edges:
        at, chain, index = node, np.zeros((1, 2)), first
        left = set(edges)
        if node not in (graph.edges[first].start, graph.edges[first].end):
            continue
        while True:
            edge = graph.edges[index]
            points = edge.points if edge.start == at else edge.points[::-1]
            chain = np.concatenate([chain[:-1], points])
            at = edge.end if edge.start == at else edge.start
            left.discard(index)
            behind = [i for i in left if at in (graph.edges[i].start, graph.edges[i].end)]
            if len(chain) > _LED_UP_PX or len(behind) != 1:
                break
            if angle(direction(chain, at_end=True), leaving(graph, behind[0], at)) > _CORNER_RAD:
                break
            index = behind[0]
        out.append(direction(chain, at_end=False))
    return out


def _chord_share(graph: LineGraph, steps: Sequence[tuple[int, bool]]) -> float:
    """Return how long the straight way between the ends of a chain is against the chain, 0 where it is not one."""
    count = Counter(n for i, _ in steps for n in (graph.edges[i].start, graph.edges[i].end))
    ends = [n for n, times in count.items() if times == 1]
    if len(ends) != 2:
        return 0.0
    chord = math.dist(graph.nodes[ends[0]], graph.nodes[ends[1]])
    return chord / max(sum(graph.edges[i].length for i, _ in steps), 1e-9)
