"""Tracklets: stretches of line work that are one line for sure, cut off where lines run into each other.

Where lines merge or cross, thinning draws one line for several, or bends the lines it leaves apart. So a line of the
raw graph counts only where its ink is as wide as one line, and not near to a node; the rest is common ground, through
which a pen may have gone any way. A line that forks smoothly is common ground from the fork on for as long as its
ink is wider than one line, or up to the next fork if that is near.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.search.graph import LineGraph, Points, angle, calmed, leaving

WIDE, WIDE_PX = 1.3, 0.9
"""Ink wider than this multiple of one line and so many pixels more is that of several lines (geometry of overlap)."""
LEAST_MM = 0.35
"""Shorter stretches tell no direction (common practice, no source)."""
JUNCTION = 2.0
"""Between two nodes no further apart than so many widths of a line lines cross (from the geometry of thinning)."""
SHARED_MM = 12.0
"""Where two forks face each other over no more than this, two lines run together between them (judgement)."""
BENT = 1.0
"""Beside wider ink the middle of a line is bent for so many widths (from the geometry of thinning)."""
FORK_RAD, OPPOSITE_RAD = math.radians(75), math.radians(110)
BEND_RAD, BEND_ARM_MM, BEND_TRIM_MM = math.radians(50), 0.8, 0.35
"""A pen that turns so much over so little has drawn a corner, or two lines end on each other (judgement)."""
SHARED_PIECE_MM = 4.0
"""Pieces of line this long are asked for whether all sizes share them."""
_TRIM = 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tracklet:
    """A stretch of an edge of the raw graph: points (N, 2) in pixels of the mask, and the place at each end.

    Places are the nodes of the graph, and after these the ends of stretches within edges. ``common`` where several
    lines may run; ``shared`` where all sizes run on one line (a fold edge), which is no size's own.
    """

    points: Points
    edge: int
    ends: tuple[int, int]
    common: bool
    shared: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bend:
    """A sharp bend within ink: the stretch before it ends there, that after it starts there; the points between."""

    before: int
    after: int
    points: Points


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tracklets:
    """The stretches of a graph, the usual width of its lines in pixels, and the sharp bends they were cut at."""

    single: list[Tracklet]
    common: list[Tracklet]
    width_px: float
    bends: list[Bend]


def usual_width(graph: LineGraph, thick: list[NDArray[np.float64]]) -> float:
    """Return the width that most of the line work has: the median by length of the longer lines."""
    long = [t for e, t in zip(graph.edges, thick, strict=True) if len(e.points) > 20]
    return float(np.median(np.concatenate(long))) if long else 2.0


def widths(graph: LineGraph, mask: NDArray[np.uint8]) -> list[NDArray[np.float64]]:
    """Return the width of the ink at each point of each edge, pixels."""
    distance = cv2.distanceTransform((mask > 0).astype(np.uint8), cv2.DIST_L2, 5)
    out = []
    for edge in graph.edges:
        column, row = np.rint(edge.points).astype(np.int64).T
        column, row = np.clip(column, 0, mask.shape[1] - 1), np.clip(row, 0, mask.shape[0] - 1)
        value = 2.0 * distance[row, column].astype(np.float64) - 1.0
        out.append(np.convolve(np.pad(value, 2, mode="edge"), np.full(5, 0.2), mode="valid"))
    return out


def find_tracklets(graph: LineGraph, mask: NDArray[np.uint8], mm_per_px: float) -> Tracklets:
    """Cut the lines of a raw graph (no bridges in it) to stretches of one line and stretches of several."""
    thick = widths(graph, mask)
    width = usual_width(graph, thick)
    degrees = graph.degrees()
    forks = _forks(graph, mm_per_px, width)
    single: list[Tracklet] = []
    common: list[Tracklet] = []
    bends: list[Bend] = []
    places = len(graph.nodes)
    for index, edge in enumerate(graph.edges):
        count = len(edge.points)
        if count < 3:
            shared = np.ones(count, dtype=bool)
        else:
            shared = _shared(graph, index, thick[index], width, degrees, forks, mm_per_px)
        bounds = [0, *(np.flatnonzero(np.diff(shared.astype(np.int8))) + 1).tolist(), count]
        points = calmed(edge.points, 4)
        start = edge.start
        for begin, stop in itertools.pairwise(bounds):
            end = edge.end
            if stop < count:
                end, places = places, places + 1
            part = points[begin : min(stop, count - 1) + 1]
            if shared[begin]:
                common.append(Tracklet(points=part, edge=index, ends=(start, end), common=True))
            else:
                legs, between = _legs(part, mm_per_px)
                bends += [
                    Bend(before=len(single) + n, after=len(single) + n + 1, points=b) for n, b in enumerate(between)
                ]
                marks = [start, *range(places, places + 2 * len(between)), end]
                places += 2 * len(between)
                single += [
                    Tracklet(points=leg, edge=index, ends=(marks[2 * n], marks[2 * n + 1]), common=False)
                    for n, leg in enumerate(legs)
                ]
            start = end
    return Tracklets(single=single, common=common, width_px=width, bends=bends)


def with_shared(tracklets: Tracklets, is_shared: Callable[[Points], bool], mm_per_px: float) -> Tracklets:
    """Return tracklets with those parts told apart that all sizes share (a fold edge).

    ``is_shared`` tells of a piece of line whether all lines run together there.
    """
    step = max(4, round(SHARED_PIECE_MM / mm_per_px))
    single: list[Tracklet] = []
    first: list[int] = []
    last: list[int] = []
    places = 1 + max((max(t.ends) for t in (*tracklets.single, *tracklets.common)), default=0)
    for one in tracklets.single:
        count = len(one.points) - 1
        marks = [*range(0, max(1, count - step // 2), step), count]
        flags = [is_shared(one.points[a : b + 1]) for a, b in itertools.pairwise(marks)]
        runs = [(f, len(list(g))) for f, g in itertools.groupby(flags)]
        first.append(len(single))
        at, start = 0, one.ends[0]
        for n, (shared, pieces) in enumerate(runs):
            end = one.ends[1]
            if n + 1 < len(runs):
                end, places = places, places + 1
            points = one.points[marks[at] : marks[at + pieces] + 1]
            single.append(Tracklet(points=points, edge=one.edge, ends=(start, end), common=False, shared=shared))
            at, start = at + pieces, end
        last.append(len(single) - 1)
    bends = [Bend(before=last[b.before], after=first[b.after], points=b.points) for b in tracklets.bends]
    return Tracklets(single=single, common=tracklets.common, width_px=tracklets.width_px, bends=bends)


def _legs(points: Points, mm_per_px: float) -> tuple[list[Points], list[Points]]:
    """Cut a stretch at its sharp bends: the legs, and the points of the bends between them (their ends included)."""
    arm = round(BEND_ARM_MM / mm_per_px)
    least = round(LEAST_MM / mm_per_px)
    trim = max(2, round(BEND_TRIM_MM / mm_per_px))
    if len(points) < 2 * arm + 2:
        return [points], []
    ahead, behind = points[2 * arm :] - points[arm:-arm], points[arm:-arm] - points[: -2 * arm]
    turn = np.abs(np.arctan2(_cross(behind, ahead), (behind * ahead).sum(axis=1)))
    legs, bends = [], []
    begin = 0
    sharp = np.flatnonzero(np.diff((turn > BEND_RAD).astype(np.int8), prepend=0, append=0))
    for first, last in zip(sharp[::2], sharp[1::2], strict=True):
        at = arm + int(first) + int(np.argmax(turn[first:last]))
        if at - trim - begin < least or len(points) - at - trim < least:
            continue
        legs.append(points[begin : at - trim + 1])
        bends.append(points[at - trim : at + trim + 1])
        begin = at + trim
    return [*legs, points[begin:]], bends


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _shared(
    graph: LineGraph,
    index: int,
    thick: NDArray[np.float64],
    width: float,
    degrees: NDArray[np.int64],
    forks: set[tuple[int, int]],
    mm_per_px: float,
) -> NDArray[np.bool_]:
    """Return for each point of an edge whether several lines may run there."""
    edge = graph.edges[index]
    count = len(edge.points)
    inner = degrees[edge.start] > 2 and degrees[edge.end] > 2
    both = (index, edge.start) in forks and (index, edge.end) in forks and edge.start != edge.end
    if (inner and edge.length < JUNCTION * width + 2.0) or (both and edge.length * mm_per_px < SHARED_MM):
        return np.ones(count, dtype=bool)
    wide = thick > WIDE * width + WIDE_PX
    trim = max(2, round(_TRIM * width + 1.0))
    for node, first in ((edge.start, True), (edge.end, False)):
        if degrees[node] > 2:
            reach = max(trim, round(0.6 / mm_per_px)) if (index, node) in forks else trim
            reach = min(reach, count)
            if first:
                wide[:reach] = True
            else:
                wide[count - reach :] = True
    wide = _closed(wide, 3)
    # Thinning bends the line towards the middle of the ink that it runs into.
    wide |= ndimage.binary_dilation(wide, iterations=max(1, round(BENT * width)))
    # What is left between two stretches of several lines must be long enough to tell a direction.
    bounds = np.flatnonzero(np.diff((~wide).astype(np.int8), prepend=0, append=0))
    for begin, stop in zip(bounds[::2], bounds[1::2], strict=True):
        free = begin == 0 and stop == count and degrees[edge.start] == 1 and degrees[edge.end] == 1
        if (stop - begin) * mm_per_px < LEAST_MM and not free:
            wide[begin:stop] = True
    return wide


def _closed(flags: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Return flags without lone ones that are shorter than ``reach``, the ends kept."""
    out = flags.copy()
    bounds = np.flatnonzero(np.diff(flags.astype(np.int8), prepend=0, append=0))
    for begin, stop in zip(bounds[::2], bounds[1::2], strict=True):
        if stop - begin < reach and begin > 0 and stop < len(flags):
            out[begin:stop] = False
    return out


def _forks(graph: LineGraph, mm_per_px: float, width_px: float) -> set[tuple[int, int]]:
    """Return (edge, node) where an edge forks smoothly at a node: it carries more than one line there."""
    out: set[tuple[int, int]] = set()
    reach = max(10, round(1.5 / mm_per_px))
    skip = max(3, round(width_px))
    for node, around in enumerate(graph.incident()):
        if len(around) != 3 or len(set(around)) < 3:
            continue
        ways = [leaving(graph, i, node, skip=skip, reach=reach) for i in around]
        for k in range(3):
            a, b = (ways[(k + 1) % 3], ways[(k + 2) % 3])
            if angle(a, b) < FORK_RAD and min(angle(a, ways[k]), angle(b, ways[k])) > OPPOSITE_RAD:
                out.add((around[k], node))
    return out


def reached(
    tracklets: Tracklets, places: dict[int, list[tuple[int, int]]], start: int, most_px: float
) -> list[tuple[int, list[Points]]]:
    """Return the places that can be reached over common stretches, each with the shortest way."""
    best: dict[int, float] = {start: 0.0}
    came: dict[int, tuple[int, int, int]] = {}
    pile: list[tuple[float, int]] = [(0.0, start)]
    out: list[tuple[int, list[Points]]] = []
    while pile and len(out) < 80:
        far, place = heappop(pile)
        if far > best.get(place, math.inf):
            continue
        if place != start:
            ways, at = [], place
            while at != start:
                before, k, side = came[at]
                points = tracklets.common[k].points
                ways.append(points if side == 0 else points[::-1])
                at = before
            out.append((place, ways[::-1]))
        for k, side in places.get(place, []):
            part = tracklets.common[k]
            there = part.ends[1 - side]
            length = far + float(np.hypot(*np.diff(part.points, axis=0).T).sum()) + 1e-3
            if length < most_px and length < best.get(there, math.inf):
                best[there] = length
                came[there] = (place, k, side)
                heappush(pile, (length, there))
    return out
