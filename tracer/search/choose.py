"""Which of several nested sizes is the piece: all their lines, and the one that was asked for.

The lines of a bundle of sizes are followed in a finer reading of it (:mod:`tracer.search.bundles`). Where that closes
fewer lines than the strokes of the usual line work do (:mod:`tracer.search.sizes`), those are taken. The sizes are in
the order of their areas, 1 the smallest.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.hands import share_out
from tracer.search.bumps import BOLD_SHARE, usual
from tracer.search.bundles import SEEN_TOGETHER_MM, SizeLine, follow_sizes, is_bundle
from tracer.search.closing import Part, length_mm
from tracer.search.drawn import WIDEST_LINE_MM, LineWork, lies_in
from tracer.search.gaps import LONGEST_GAP_MM
from tracer.search.graph import Edge, LineGraph, measure_lines
from tracer.search.loops import polygon_area
from tracer.search.pieces import Found, Stretch
from tracer.search.sizes import (
    LEAST_AREA_SHARE,
    LEAST_OWN,
    LEAST_SIZES,
    LEAST_STROKE_SHARE,
    SAME_SHARE,
    loop_points,
    loose_links,
    size_loops,
)
from tracer.search.strokes import find_strokes

_SLACK_PX = 20.0
_STROKES_COST = 0.1
"""Telling sizes by their strokes takes so much of the time that following them does (measured)."""
BARE_MM = 0.4
"""A join with more bare paper in it is a space of a dashed line or a gap."""
_SHARED_MM, _MOSTLY_WITHIN = 1.0, 0.9
"""Lines of sizes on an edge that they share are no farther apart; nine tenths of a size lie in larger ones (judgement).
"""


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
        The pieces, and for each the number of sizes that were told apart (1 where there is one line only; less than
        ``size_line`` where that line was not found).
    """
    out: list[Found] = []
    counts: list[int] = []
    first = len(work.graph.edges)
    families: list[Found] = []
    known: list[tuple[int, int]] = []
    bundles = [i for i in sorted({f.loop for f in drawn} - set(frames)) if is_bundle(work, work.loops[i])]
    mass = {i: max(f.mass for f in drawn if f.loop == i) for i in bundles}
    read = _read(work, bundles, mass)
    for index in sorted({f.loop for f in drawn}):
        mine = [f for f in drawn if f.loop == index]
        if any(_is_within(f, g) for f in mine for g in families):
            continue
        sizes = {}
        if index in bundles:
            lines, strokes = read[index] if index in read else (
                follow_sizes(work, work.loops[index]), _from_strokes(work, index, mass[index]),
            )  # fmt: skip
            sizes = _family(work, index, lines, strokes)
        if len(sizes) < LEAST_SIZES:
            out += mine
            counts += [1] * len(mine)
            continue
        most = max(sizes)
        # What of a piece's lines hangs together by itself is a loop of its own, and shows the same sizes again.
        again = (k for k, g in enumerate(families) if may_be_size_of(sizes[min(sizes)], g, work.ink.mm_per_px))
        twin = next(again, None)
        if twin is not None and len(sizes) <= known[twin][1]:
            continue
        # Where the line asked for was not followed its next larger one is taken, and that is said.
        number = min((n for n in sizes if n >= (size_line or most)), default=most)
        chosen = replace(sizes[number], other_sizes=tuple(f.points for n, f in sizes.items() if n != number))
        count = most if size_line in (None, number) else min(most, (size_line or most) - 1)
        if twin is not None:
            place = known[twin][0]
            out[place], counts[place], families[twin], known[twin] = chosen, count, sizes[most], (place, len(sizes))
            continue
        known.append((len(out), len(sizes)))
        out.append(chosen)
        counts.append(count)
        families.append(sizes[most])
    return _without_links(work, first, out), counts


def _is_within(one: Found, family: Found) -> bool:
    """Return whether a line lies in the largest of a piece's sizes and is no smaller than those may be."""
    return one.area > LEAST_AREA_SHARE * family.area and lies_in(one.points, family.points)


def may_be_size_of(smallest: Found, family: Found, mm_per_px: float) -> bool:
    """Return whether a line may be a size of a piece: edges that all sizes share lie on each other."""
    if smallest.area < LEAST_AREA_SHARE * family.area:
        return False
    contour = family.points.astype(np.float32).reshape(-1, 1, 2)
    some = smallest.points[:: max(1, len(smallest.points) // 40)]
    away = [cv2.pointPolygonTest(contour, (float(x), float(y)), measureDist=True) for x, y in some]
    return float(np.mean(np.array(away) * mm_per_px > -_SHARED_MM)) > _MOSTLY_WITHIN


def are_nested(work: LineWork, drawn: Sequence[Found], frames: Collection[int]) -> bool:
    """Return whether any of the pieces seems to be several sizes drawn into each other."""
    return any(is_bundle(work, work.loops[i]) for i in {f.loop for f in drawn} - set(frames))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Strokes:
    """Lines of sizes found among the strokes of the line work, smallest first.

    They may go over ``links`` that the graph does not have: these are numbered as if they followed its ``first`` edges.
    """

    found: list[Found]
    links: list[Edge]
    first: int

    def put_in(self, graph: LineGraph) -> list[Found]:
        """Return the lines with their links put into the graph."""
        more = len(graph.edges) - self.first
        graph.edges += self.links
        return [
            replace(f, stretches=tuple(s._replace(edge=s.edge + more * (s.edge >= self.first)) for s in f.stretches))
            for f in self.found
        ]


def _read(
    work: LineWork, bundles: Sequence[int], mass: Mapping[int, float]
) -> dict[int, tuple[list[SizeLine], _Strokes]]:
    """Return the lines of sizes in each loop that lies in no other one, as followed and among the strokes.

    Two of these readings are done at a time.
    """
    rings = [work.loops[i].points for i in bundles]
    outer = [
        i for i, own in zip(bundles, rings, strict=True) if not any(lies_in(own, r) for r in rings if r is not own)
    ]

    def reading(index: int) -> list[SizeLine] | _Strokes:
        loop = outer[index % len(outer)]
        return follow_sizes(work, work.loops[loop]) if index < len(outer) else _from_strokes(work, loop, mass[loop])

    def cost(index: int) -> float:
        area = work.loops[outer[index % len(outer)]].area
        return area if index < len(outer) else _STROKES_COST * area

    done = list(share_out(reading, range(2 * len(outer)), cost))
    out = {}
    for index, lines, strokes in zip(outer, done, done[len(outer) :], strict=False):
        assert isinstance(lines, list)
        assert isinstance(strokes, _Strokes)
        out[index] = (lines, strokes)
    return out


def _family(work: LineWork, index: int, lines: Sequence[SizeLine], among_strokes: _Strokes) -> dict[int, Found]:
    """Return the lines of all sizes in a loop and in the loops inside it by number, 1 the smallest."""
    # Broad lines that cross at wide angles are told apart by their strokes; the reading that tells more sizes is right.
    followed = _from_bundle(work, index, lines)
    strokes = dict(enumerate(among_strokes.put_in(work.graph), 1))
    most = max(followed, default=0)
    return followed if len(strokes) < most else strokes | followed if len(strokes) == most else strokes


def _from_bundle(work: LineWork, index: int, lines: Sequence[SizeLine]) -> dict[int, Found]:
    """Return the lines of sizes as they are followed through their bundle, their parts put into the graph as edges."""
    graph, loop = work.graph, work.loops[index]
    kept: list[SizeLine] = []
    for line in sorted(lines, key=lambda s: (s.rank, s.area)):
        if line.own <= LEAST_OWN or line.area < LEAST_AREA_SHARE * loop.area:
            continue
        if not kept or line.rank > kept[-1].rank or line.area > kept[-1].area * (1.0 + SAME_SHARE):
            kept.append(line)
        elif line.own > kept[-1].own:
            kept[-1] = line
    if len(kept) < LEAST_SIZES:
        return {}
    ranks = [s.rank if s.rank >= 0 else n for n, s in enumerate(kept)]
    before = len(graph.edges)
    stretches = [tuple(_stretches(graph, line.parts, work.ink.mm_per_px)) for line in kept]
    new = LineGraph(graph.nodes, graph.edges[before:])
    measure_lines(new, work.ink.dark, WIDEST_LINE_MM / work.ink.mm_per_px)
    return {
        rank + 1: Found(
            stretches=s,
            block=loop.block,
            loop=index,
            area=line.area,
            mass=usual(graph, [t.edge for t in s], "mass"),
            unseen_mm=line.unseen_mm,
        )
        for rank, s, line in zip(ranks, stretches, kept, strict=True)
    }


def _stretches(graph: LineGraph, parts: Sequence[Part], scale: float) -> list[Stretch]:
    """Put the parts of a line into the graph as edges in a ring, and return them as stretches."""
    drawn = [p for p in parts if len(p.points) > 1]
    first = len(graph.nodes)
    graph.nodes += [(float(p.points[0, 0]), float(p.points[0, 1])) for p in drawn]
    out = []
    for n, part in enumerate(drawn):
        bare = part.white_mm > BARE_MM
        # Where lines cross or run together for a moment the light across them tells of others as well.
        together = part.kind == "common" and length_mm([part], scale) >= SEEN_TOGETHER_MM
        hidden = part.kind not in ("single", "seen") and not together
        graph.edges.append(Edge(first + n, first + (n + 1) % len(drawn), part.points, bridge=bare))
        out.append(Stretch(part.points[:-1], len(graph.edges) - 1, hidden and not bare, part.kind == "graded"))
    return out


def _from_strokes(work: LineWork, index: int, mass: float) -> _Strokes:
    """Return the lines of all sizes in a loop and in the loops inside it, as strokes of the line work tell them."""
    outer = work.loops[index]
    before = len(work.graph.edges)
    low, high = outer.points.min(axis=0) - _SLACK_PX, outer.points.max(axis=0) + _SLACK_PX
    members = [i for i, e in enumerate(work.graph.edges) if ((e.points > low) & (e.points < high)).all()]
    inside = set(members)
    strokes = find_strokes(work.graph, (), [i for i in range(before) if i not in inside])
    long = [s.edges for s in strokes if s.length > LEAST_STROKE_SHARE * 2.0 * math.sqrt(math.pi * outer.area)]
    links = loose_links(work.graph, members, long, LONGEST_GAP_MM / work.ink.mm_per_px)
    graph = LineGraph(work.graph.nodes, [*work.graph.edges, *links])
    pool: list[Found] = []
    for _, steps in size_loops(graph, members, outer.points, range(before, len(graph.edges)), strokes):
        own = usual(graph, [i for i, _ in steps], "mass")
        if own < BOLD_SHARE * mass:
            continue
        stretches = tuple(
            Stretch(graph.edges[i].points[:-1] if f else graph.edges[i].points[:0:-1], i, False) for i, f in steps
        )
        area = abs(polygon_area(loop_points(graph, steps)))
        pool.append(Found(stretches=stretches, block=outer.block, loop=index, area=area, mass=own))
    return _Strokes(found=sorted(pool, key=lambda f: f.area), links=links, first=before)


def _without_links(work: LineWork, first: int, chosen: list[Found]) -> list[Found]:
    """Take the links that no chosen line uses out of the graph again, and count the edges anew."""
    graph = work.graph
    used = sorted({s.edge for f in chosen for s in f.stretches if s.edge >= first})
    kept = [graph.edges[i] for i in used]
    del graph.edges[first:]
    graph.edges += kept
    number = {old: first + k for k, old in enumerate(used)}
    return [
        replace(f, stretches=tuple(s._replace(edge=number.get(s.edge, s.edge)) for s in f.stretches)) for f in chosen
    ]
