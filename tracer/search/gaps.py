"""Ends of lines: spurs of thinning cut off, gaps bridged along the line's own direction."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.search.blobs import Blob
from tracer.search.dashes import ALIKE, LONGEST_SPACE_MM, of_lines
from tracer.search.graph import Edge, LineGraph, Points, angle, leaving

LONGEST_GAP_MM = 6.0
"""Gaps up to this length are bridged."""
LONGEST_COVERED_MM = 40.0
"""A line passes under lettering and solid spots for up to this length (the size of display letters)."""
SHORT_STOP_MM = 2.5
"""A line that stops this close to another is carried on to it (dashes, sloppy corners; common practice, no source)."""
SPUR_MM = 0.9
"""Hanging ends no longer than this are what thinning makes of bumps and corners (a line's usual width and a half)."""
LEAST_LINE_MM = 4.0
"""The strokes of letters are shorter (common practice, no source)."""
_LEAST_SHARE = 0.5
"""A line on either side of a gap is longer than this share of it (common practice, no source)."""
LEAST_SEEN_MM, _SAME_LINE_RAD, _SAME_LINE = 1.5, math.radians(4), 0.3
"""Between two letters no less is seen of a line; it turns no more, and has as much ink but for a fifth (judgement)."""
_RIM_MM = 0.4
"""Lines that run in along the rim of what hides them have at most so much of them beside it (judgement)."""
_AT_CORNER_MM = 1.0
"""A line ends at its corner when no more of it is missing: a short rest of the other side is taken for a spur."""
_LOOK_BACK_MM = 4.0
UNLIKE = 1.2
"""Lines on two sides of a gap are one when neither has more than 2 to this power times the ink of the other (common
practice, no source)."""
TIP_MM = 7.0
"""A sharp tip is shortened by thinning by no more than this (two lines of 0.8 mm meeting at 7 degrees)."""
SHARP_RAD = math.radians(62)
"""Lines that meet at less than this angle leave a tip behind when thinned (from the geometry of thinning)."""
_TIP_WIDTHS, _TIP_MORE_PX = 1.5, 3.0
"""A tip is no longer than the two lines' ink is one, which their width and angle say, but for so much (judgement)."""
_CORNER_RAD = math.radians(50)
"""Two straight ends that turn by more over a short gap leave out a corner, not a bend (common practice, no source)."""
_WIDE_TURN_RAD = math.radians(60)
_STRAIGHT_RAD = math.radians(9)
_NARROW_TURN_RAD = math.radians(24)
_LETTER_TURN_RAD = math.radians(12)
_LEG_WIDTHS = 1.4
"""A short leg of a bent dash is longer than so many widths of it (judgement)."""
_HEAD_MM = 1.0
"""A shaft ends no farther from its head than the head is long and so much more (judgement)."""


def without_edges(graph: LineGraph, gone: set[int]) -> LineGraph:
    """Return the graph less some edges, chains through nodes where only two ends are left joined again."""
    kept = [e for i, e in enumerate(graph.edges) if i not in gone]
    return join_chains(LineGraph(graph.nodes, kept))


def join_chains(graph: LineGraph) -> LineGraph:
    """Join edges that meet at a node where nothing else does (bridges stay edges of their own)."""
    edges: list[Edge | None] = list(graph.edges)
    incident = graph.incident()
    for node, around in enumerate(incident):
        if len(around) != 2 or around[0] == around[1]:
            continue
        first, second = (edges[i] for i in around)
        if first is None or second is None or first.bridge or second.bridge:
            continue
        a = first.points if first.end == node else first.points[::-1]
        b = second.points if second.start == node else second.points[::-1]
        start = first.start if first.end == node else first.end
        end = second.end if second.start == node else second.start
        if first.start == first.end or second.start == second.end:
            continue
        total = max(1e-9, first.length + second.length)
        share = first.length / total
        joined = Edge(
            start,
            end,
            np.concatenate([a, b[1:]]),
            width=first.width * share + second.width * (1 - share),
            mass=first.mass * share + second.mass * (1 - share),
            depth=first.depth * share + second.depth * (1 - share),
        )
        edges[around[0]] = joined
        edges[around[1]] = None
        for i, other in enumerate(incident[end]):
            if other == around[1]:
                incident[end][i] = around[0]
        around.clear()
    return LineGraph(graph.nodes, [e for e in edges if e is not None])


def is_tip(graph: LineGraph, spur: int, node: int, incident: list[list[int]]) -> bool:
    """Return whether a hanging edge is the sharp tip in which two lines run together.

    The two lines come in from one side at a sharp angle and the spur goes on the way both point, for no longer than
    their ink is one. A dash goes on for longer beyond the leg of a notch that stands on it.
    """
    others = [i for i in incident[node] if i != spur]
    if len(others) != 2 or others[0] == others[1]:
        return False
    first, second = (leaving(graph, i, node) for i in others)
    between = angle(first, second)
    if between > SHARP_RAD:
        return False
    width = sum(graph.edges[i].width for i in others) / 2
    if graph.edges[spur].length > _TIP_WIDTHS * width / max(math.sin(between / 2), 1e-3) + _TIP_MORE_PX:
        return False
    onwards = leaving(graph, spur, node, skip=0)
    both = -(first + second)
    return angle(onwards, both / max(1e-9, float(np.hypot(*both)))) < math.radians(30)


def prune_spurs(graph: LineGraph, shortest_px: float) -> LineGraph:
    """Cut off hanging edges that are no longer than the line is wide: thinning makes them at every bump and corner."""
    for _ in range(3):
        degrees = graph.degrees()
        incident = graph.incident()
        gone: set[int] = {
            i
            for i, e in enumerate(graph.edges)
            if (degrees[e.start] == 1) != (degrees[e.end] == 1)
            and e.length < max(shortest_px, 1.2 * e.width)
            and not is_tip(graph, i, e.start if degrees[e.end] == 1 else e.end, incident)
        }
        gone -= _legs(graph, gone, incident)
        if not gone:
            break
        graph = without_edges(graph, gone)
    return graph


def _legs(graph: LineGraph, spurs: set[int], incident: list[list[int]]) -> set[int]:
    """Return which hanging edges are no spurs but how a line goes on round a corner before it ends.

    Where a dash ends soon after a corner, thinning leaves its short leg and a spur at the corner itself, which is
    shorter; at the end of a straight one it leaves two spurs as long as half the line is wide.
    """
    out = set()
    for around in incident:
        mine = [i for i in around if i in spurs]
        if len(mine) > 1 and len(around) - len(mine) == 1:
            longest = max(mine, key=lambda i: graph.edges[i].length)
            if graph.edges[longest].length > _LEG_WIDTHS * graph.edges[longest].width:
                out.add(longest)
    return out


def _end_heading(points: Points, look_back_px: float) -> tuple[float, float]:
    """Unit direction in which a chain would go on beyond its last point."""
    # Its points are a pixel apart, only the last two may be nearer.
    back = points[: -math.ceil(look_back_px) - 4 : -1]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(back, axis=0).T))])
    reach = min(look_back_px, along[-1])
    near = back[: max(2, int(np.searchsorted(along, reach)) + 1)]
    # Thinning bends the last pixels; the straight line through the stretch behind them tells the direction.
    skip = min(len(near) // 4, 4)
    stretch = near[skip:] if len(near) - skip >= 2 else near
    x, y = (stretch - stretch.mean(axis=0)).T
    turn = 0.5 * math.atan2(2.0 * float(x @ y), float(x @ x) - float(y @ y))
    ahead_x, ahead_y = math.cos(turn), math.sin(turn)
    if ahead_x * (x[0] - x[-1]) + ahead_y * (y[0] - y[-1]) < 0:
        return -ahead_x, -ahead_y
    return ahead_x, ahead_y


class _End(NamedTuple):
    node: int
    edge: int
    heading: NDArray[np.float64]
    near_heading: NDArray[np.float64]
    """The same from the last stretch alone: the leg of a bracket may end soon after its corner."""


def _loose_ends(graph: LineGraph, mm_per_px: float) -> list[_End]:
    look_back_px = _LOOK_BACK_MM / mm_per_px
    degrees = graph.degrees()
    incident = graph.incident()
    ends = []
    for index, edge in enumerate(graph.edges):
        if edge.start == edge.end:
            continue
        for node, points in ((edge.end, edge.points), (edge.start, edge.points[::-1])):
            other = edge.start if node == edge.end else edge.end
            tip = edge.length * mm_per_px < TIP_MM and is_tip(graph, index, other, incident)
            if degrees[node] == 1 and not tip:
                far, near = (np.array(_end_heading(points, share * look_back_px)) for share in (1.0, 0.3))
                ends.append(_End(node, index, far, near))
    return ends


def _bend_ends(graph: LineGraph, bends: Sequence[tuple[int, int]], look_back_px: float) -> list[_End]:
    ends = []
    for node, index in bends:
        edge = graph.edges[index]
        points = edge.points if edge.end == node else edge.points[::-1]
        far, near = (np.array(_end_heading(points, share * look_back_px)) for share in (1.0, 0.3))
        ends.append(_End(node, index, far, near))
    return ends


def bridge_gaps(
    graph: LineGraph,
    mm_per_px: float,
    covered: NDArray[np.uint8] | None = None,
    letters: NDArray[np.uint8] | None = None,
    blobs: Sequence[Blob] = (),
    bends: Sequence[tuple[int, int]] = (),
) -> LineGraph:
    """Join loose ends that face each other across a gap.

    Ends are paired greedily, the most natural continuation first: short, and with little turn from either line's
    direction. Over a tiny gap a line may turn sharply (a broken corner), over a long one hardly. Then ends whose lines
    meet in a corner ahead of both are joined there, and ends that stop just short of another line are carried to it.

    Parameters
    ----------
    graph : LineGraph
    mm_per_px : float
    covered : ndarray of uint8, optional
        Non-zero where ink hides what runs underneath (solid spots, lettering): a line may pass under it for longer.
    letters : ndarray of uint8, optional
        Non-zero on what seems to be a letter: from there only what runs on straight is bridged.
    blobs : sequence of Blob
        Solid spots: a line that runs into one along its axis is an arrow's shaft and ends there.
    bends : sequence of tuple
        Nodes and edges that may go straight on there across a short gap although another one turns off.
    """
    ends = _loose_ends(graph, mm_per_px)
    shafts = _shafts(graph, ends, blobs, mm_per_px)
    ends = [e for k, e in enumerate(ends) if k not in shafts]
    whole = len(ends)
    ends += _bend_ends(graph, bends, _LOOK_BACK_MM / mm_per_px)
    if len(ends) < 2:
        return join_chains(graph)
    at = np.array([graph.nodes[e.node] for e in ends])
    heading = np.array([e.heading for e in ends])
    reach = LONGEST_GAP_MM if covered is None else LONGEST_COVERED_MM
    pairs = cKDTree(at).query_pairs(reach / mm_per_px, output_type="ndarray")
    if not len(pairs):
        return join_chains(graph)
    span = at[pairs[:, 1]] - at[pairs[:, 0]]
    gap = np.maximum(np.hypot(span[:, 0], span[:, 1]), 1e-9)
    unit = span / gap[:, None]
    turn_a = np.arccos(np.clip((heading[pairs[:, 0]] * unit).sum(axis=1), -1, 1))
    turn_b = np.arccos(np.clip(-(heading[pairs[:, 1]] * unit).sum(axis=1), -1, 1))
    gap_mm = gap * mm_per_px
    allowed = np.select(
        [gap_mm < 0.8, gap_mm < 1.6, gap_mm <= LONGEST_GAP_MM],
        [math.pi, _WIDE_TURN_RAD, _NARROW_TURN_RAD],
        _STRAIGHT_RAD,
    )
    turning = (pairs >= whole).any(axis=1)
    # What of a dash goes on beyond the notch that stands on its end was cut off as a spur.
    space_mm = LONGEST_SPACE_MM + SPUR_MM * (pairs >= whole).sum(axis=1)
    allowed = np.where(turning, np.where(gap_mm < space_mm, _NARROW_TURN_RAD, 0.0), allowed)
    good = (turn_a < allowed) & (turn_b < allowed)
    lettered = _on(at, letters)
    written = lettered[pairs].any(axis=1)
    # What runs on to a letter is a line only if it is longer than another letter's stroke.
    long = np.array([graph.edges[e.edge].length * mm_per_px > LEAST_LINE_MM for e in ends])
    straight = _turns_evenly(heading[pairs], unit) < _LETTER_TURN_RAD
    straight &= np.maximum(turn_a, turn_b) < _NARROW_TURN_RAD
    straight &= gap_mm < np.where(turning, space_mm, SHORT_STOP_MM)
    # What is short against a gap is the arm of a cross or a letter's stroke, and no part of a line across it.
    drawn_mm = _drawn_px(graph, ends) * mm_per_px
    # A thick line does not go on as a thin one.
    mass = np.array([max(graph.edges[e.edge].mass, 1e-3) for e in ends])
    unlike = np.abs(np.log2(mass[pairs[:, 0]] / mass[pairs[:, 1]]))
    # What is seen of a line between two letters may be short; it is as heavy, and lies straight ahead.
    straight_on = (np.maximum(turn_a, turn_b) < _SAME_LINE_RAD) & (unlike < _SAME_LINE)
    seen = (drawn_mm[pairs].min(axis=1) > LEAST_SEEN_MM) & straight_on
    good &= (gap_mm < SHORT_STOP_MM) | (drawn_mm[pairs].min(axis=1) > _LEAST_SHARE * gap_mm) | seen
    at_node = np.array([e.node for e in ends])
    lines = of_lines(graph, at_node, long & ~lettered, pairs[straight & (unlike < ALIKE)])
    good &= ~written | (straight & lines[pairs].any(axis=1))
    good &= (unlike < UNLIKE) | (gap_mm < 0.8)
    cost = gap_mm * (1.0 + 3.0 * (turn_a + turn_b) + unlike)
    edges = list(graph.edges)
    taken: set[int] = set()

    def same_short(i: int, j: int, length: float) -> bool:
        return ends[i].edge == ends[j].edge and graph.edges[ends[i].edge].length < 3.0 * length

    cheapest = np.argsort(cost, kind="stable")
    for k in cheapest[good[cheapest]]:
        i, j = int(pairs[k, 0]), int(pairs[k, 1])
        if i in taken or j in taken or same_short(i, j, float(gap[k])):
            continue
        points = _across(at[i], heading[i], at[j], heading[j], float(gap[k]))
        under = gap_mm[k] > LONGEST_GAP_MM
        if under and (covered is None or not _is_under(points, covered, mm_per_px)):
            continue
        taken.update((i, j))
        edges.append(Edge(ends[i].node, ends[j].node, points, bridge=True, hidden=under))
    taken.update(range(whole, len(ends)))
    nodes = list(graph.nodes)
    carry = Carrying(ends, at, heading, taken, nodes, edges, mm_per_px, lettered)
    corner = pairs[~written & (unlike < UNLIKE)]
    # A corner close by is nearer than a line that runs on behind a space longer than that between two dashes.
    carry.on(running_on=True, farthest_mm=LONGEST_SPACE_MM)
    _join_corners(ends, at, heading, corner, taken, edges, mm_per_px, covered, LONGEST_SPACE_MM)
    carry.on(running_on=True)
    _join_corners(ends, at, heading, corner, taken, edges, mm_per_px, covered)
    carry.on(running_on=False)
    return join_chains(LineGraph(nodes, edges))


def _turns_evenly(heading: NDArray[np.float64], unit: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return by how much two ends, headings (N, 2, 2), turn unlike into the way from one to the other, (N, 2), radians.

    A line that is straight there, or a circle, turns by as much into the chord between two of its points as out of it.
    """
    into, out = heading[:, 0], -heading[:, 1]
    turns = [
        np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1)) for a, b in ((into, unit), (unit, out))
    ]
    return np.asarray(np.abs(turns[0] - turns[1]))


def _drawn_px(graph: LineGraph, ends: Sequence[_End]) -> NDArray[np.float64]:
    """Return how long the lines are that end there, beyond a bend too at which they were parted, pixels."""
    incident = graph.incident()
    out = []
    for end in ends:
        edge = graph.edges[end.edge]
        behind = incident[edge.start if edge.end == end.node else edge.end]
        on = [i for i in behind if i != end.edge] if len(behind) == 2 else []
        out.append(edge.length + sum(graph.edges[i].length for i in on))
    return np.array(out)


def _shafts(graph: LineGraph, ends: Sequence[_End], blobs: Sequence[Blob], mm_per_px: float) -> set[int]:
    """Return which ends are those of arrows' shafts, at their heads.

    Where another line runs into it too, the spot is no head: a thick place of a line, that crosses the dark side of a
    crease there, or the point in which two meet.
    """
    out: set[int] = set()
    at = np.array([graph.nodes[e.node] for e in ends]).reshape(-1, 2)
    for blob in blobs:
        near = np.flatnonzero(np.hypot(*(at - blob.middle).T) <= blob.size + _HEAD_MM / mm_per_px)
        into = [k for k in near.tolist() if _runs_into(blob, ends[k], at[k], mm_per_px)]
        if len(into) == 1 and _is_head(blob, ends[into[0]], at[into[0]], mm_per_px):
            out.add(into[0])
    return out


def _is_head(blob: Blob, end: _End, node: Points, mm_per_px: float) -> bool:
    """Return whether a solid spot is the arrow head of a line that ends at it."""
    return not blob.round and _runs_into(blob, end, node, mm_per_px, math.cos(math.radians(25)))


def _runs_into(blob: Blob, end: _End, node: Points, mm_per_px: float, along: float = 0.0) -> bool:
    """Return whether a line that ends near a spot heads for it, and ``along`` its axis as nearly (a cosine)."""
    way = blob.middle - node
    far = float(np.hypot(*way))
    for heading in (end.heading, end.near_heading):
        beside = abs(float(way[0] * heading[1] - way[1] * heading[0]))
        aims = beside * mm_per_px < 0.8 and float(way @ heading) > 0.85 * far
        if aims and abs(float(blob.axis @ heading)) > along:
            return True
    return False


def _on(points: Points, mask: NDArray[np.uint8] | None) -> NDArray[np.bool_]:
    if mask is None:
        return np.zeros(len(points), dtype=bool)
    x = np.clip(np.rint(points[:, 0]).astype(np.int64), 0, mask.shape[1] - 1)
    y = np.clip(np.rint(points[:, 1]).astype(np.int64), 0, mask.shape[0] - 1)
    return np.asarray(mask[y, x] > 0)


def _runs_under(
    at: NDArray[np.float64], heading: NDArray[np.float64], covered: NDArray[np.uint8] | None, mm_per_px: float
) -> NDArray[np.bool_]:
    """Return which ends, shape (N, 2), run in under something, or along its rim."""
    out = np.zeros(len(at), dtype=bool)
    aside = heading[:, ::-1] * [-1.0, 1.0]
    for ahead_mm in (0.5, 1.0):
        for beside_mm in (-_RIM_MM, 0.0, _RIM_MM):
            out |= _on(at + (ahead_mm * heading + beside_mm * aside) / mm_per_px, covered)
    return out


def _is_under(points: Points, covered: NDArray[np.uint8], mm_per_px: float) -> bool:
    """Return whether a way lies under ink, or no more of it is bare than the spaces on both sides of a spot."""
    share = _covered_share(points, covered)
    bare = (1.0 - share) * len(points) * mm_per_px
    return share >= 0.75 or (share > 0.4 and bare < 1.3 * LONGEST_SPACE_MM)


def _covered_share(points: Points, covered: NDArray[np.uint8]) -> float:
    return float(_on(points, covered).mean())


def _join_corners(
    ends: list[_End],
    at: NDArray[np.float64],
    heading: NDArray[np.float64],
    pairs: NDArray[np.int64],
    taken: set[int],
    edges: list[Edge],
    mm_per_px: float,
    covered: NDArray[np.uint8] | None,
    farthest_mm: float = LONGEST_COVERED_MM,
) -> None:
    """Join ends whose lines, carried on, meet ahead of both: a corner that was not drawn, or lies under lettering."""
    options = []
    # Only lines that run in under something may meet far ahead, or one that does so and one that ends at its corner.
    under_way = _runs_under(at, heading, covered, mm_per_px)
    short = np.hypot(*(at[pairs[:, 0]] - at[pairs[:, 1]]).T) * mm_per_px <= LONGEST_GAP_MM
    for i, j in pairs[short | under_way[pairs].any(axis=1)]:
        i, j = int(i), int(j)
        if i in taken or j in taken:
            continue
        cross = float(heading[i, 0] * heading[j, 1] - heading[i, 1] * heading[j, 0])
        if abs(cross) < 0.3:
            continue
        span = at[j] - at[i]
        ahead_i = float(span[0] * heading[j, 1] - span[1] * heading[j, 0]) / cross * mm_per_px
        ahead_j = float(span[0] * heading[i, 1] - span[1] * heading[i, 0]) / cross * mm_per_px
        if min(ahead_i, ahead_j) < -0.6 or max(ahead_i, ahead_j) > farthest_mm:
            continue
        near = float(np.hypot(*span)) * mm_per_px <= LONGEST_GAP_MM
        if not near and not all(w or a < _AT_CORNER_MM for w, a in ((under_way[i], ahead_i), (under_way[j], ahead_j))):
            continue
        corner = at[i] + ahead_i / mm_per_px * heading[i]
        legs = [np.linspace(a, b, max(2, int(np.hypot(*(b - a))) + 1)) for a, b in ((at[i], corner), (corner, at[j]))]
        under = max(ahead_i, ahead_j) > LONGEST_GAP_MM or ahead_i + ahead_j > 1.2 * LONGEST_GAP_MM
        if under and (covered is None or _covered_share(np.concatenate(legs), covered) < 0.75):
            continue
        options.append((max(ahead_i, 0.0) + max(ahead_j, 0.0), i, j, under, legs))
    for _, i, j, under, legs in sorted(options, key=lambda o: o[:3]):
        if i in taken or j in taken:
            continue
        taken.update((i, j))
        way = np.concatenate([legs[0], legs[1][1:]])
        edges.append(Edge(ends[i].node, ends[j].node, way, bridge=True, hidden=under))


class Carrying:
    """Carries loose ends to a line just ahead of them.

    ``ends`` with their places ``at`` and ``heading``, both of shape (N, 2); those ``taken`` are joined already.
    ``nodes`` and ``edges`` are added to.
    """

    def __init__(
        self,
        ends: list[_End],
        at: NDArray[np.float64],
        heading: NDArray[np.float64],
        taken: set[int],
        nodes: list[tuple[float, float]],
        edges: list[Edge],
        mm_per_px: float,
        lettered: NDArray[np.bool_],
    ) -> None:
        self.ends, self.at, self.heading, self.taken = ends, at, heading, taken
        self.nodes, self.edges, self.scale, self.lettered = nodes, edges, mm_per_px, lettered

    def on(self, *, running_on: bool, farthest_mm: float = LONGEST_GAP_MM) -> None:
        """Carry ends to lines ahead; ``running_on`` only to lines that go on from there the same way.

        So does the next dash of a line when a notch drawn at its end hides that it begins there.
        """
        left = [k for k in range(len(self.ends)) if k not in self.taken]
        if not left:
            return
        edges, at = self.edges, self.at
        owner = np.concatenate([np.full(len(e.points), i) for i, e in enumerate(edges) if not e.bridge])
        place = np.concatenate([np.arange(len(e.points)) for e in edges if not e.bridge])
        # It is asked so rarely that making it well would take longer than asking.
        every = np.concatenate([e.points for e in edges if not e.bridge])
        tree = cKDTree(every, balanced_tree=False, compact_nodes=False)
        mass = [edges[e.edge].mass for e in self.ends]
        splits: dict[int, list[tuple[int, int]]] = {}
        points = np.asarray(tree.data)
        for k in left:
            if k in self.taken:
                continue
            reach = (0.8 if self.lettered[k] else farthest_mm) / self.scale
            hits = np.asarray(tree.query_ball_point(at[k], reach, return_sorted=True), dtype=np.intp)
            hits = hits[owner[hits] != self.ends[k].edge]
            ways = points[hits] - at[k]
            far = np.hypot(ways[:, 0], ways[:, 1])
            ahead = (far > 1e-6) & (ways @ self.heading[k] >= 0.93 * far)
            for m in np.argsort(far[ahead], kind="stable"):
                hit, distance = hits[ahead][m], float(far[ahead][m])
                index, position = int(owner[hit]), int(place[hit])
                if running_on and abs(math.log2(max(mass[k], 1e-3) / max(edges[index].mass, 1e-3))) > UNLIKE:
                    continue
                needs_way_on = distance * self.scale > SHORT_STOP_MM or running_on
                if needs_way_on and not _goes_on(edges[index], position, self.heading[k], self.scale):
                    continue
                self.taken.add(k)
                self._join(k, distance, index, position, splits)
                break
        for index, cuts in splits.items():
            _split(edges, index, cuts)

    def _join(
        self, k: int, distance: float, index: int, position: int, splits: dict[int, list[tuple[int, int]]]
    ) -> None:
        edge = self.edges[index]
        target = edge.points[position]
        if position == 0:
            node = edge.start
            self._meet(node)
        elif position == len(edge.points) - 1:
            node = edge.end
            self._meet(node)
        else:
            self.nodes.append((float(target[0]), float(target[1])))
            node = len(self.nodes) - 1
            splits.setdefault(index, []).append((position, node))
        steps = max(2, int(distance) + 1)
        way = np.linspace(self.at[k], self.nodes[node], steps)
        self.edges.append(Edge(self.ends[k].node, node, way, bridge=True))

    def _meet(self, node: int) -> None:
        """Remember that the loose ends at a node are joined: carried back, they would be joined twice."""
        self.taken.update(k for k, end in enumerate(self.ends) if end.node == node)


def _goes_on(edge: Edge, position: int, heading: NDArray[np.float64], mm_per_px: float) -> bool:
    """Return whether a line bends at one of its points and goes on from there in a given direction.

    So does a dash that runs into a notch drawn between it and the next dash.
    """
    reach = max(4, round(1.5 / mm_per_px))
    ways = []
    for other in (position - reach, position + reach):
        if 0 <= other < len(edge.points):
            way = edge.points[other] - edge.points[position]
            ways.append(way / max(1e-9, float(np.hypot(*way))))
    turns = sorted(angle(way, heading) for way in ways)
    return bool(turns) and turns[0] < _NARROW_TURN_RAD and (len(turns) < 2 or turns[1] < math.radians(150))


def _split(edges: list[Edge], index: int, cuts: list[tuple[int, int]]) -> None:
    """Cut an edge at some of its points; the first part takes its place."""
    edge = edges[index]
    bounds = [(0, edge.start), *sorted(cuts), (len(edge.points) - 1, edge.end)]
    parts = [
        replace(edge, start=first, end=last, points=edge.points[a : b + 1])
        for (a, first), (b, last) in itertools.pairwise(bounds)
        if b > a
    ]
    edges[index] = parts[0]
    edges.extend(parts[1:])


def _across(
    a: NDArray[np.float64],
    leaving_a: NDArray[np.float64],
    b: NDArray[np.float64],
    leaving_b: NDArray[np.float64],
    gap: float,
) -> Points:
    """Carry a line across a gap: a cubic that leaves both ends in their own directions, or a corner where they turn."""
    if angle(leaving_a, -leaving_b) > _CORNER_RAD:
        legs = _corner_between(a, leaving_a, b, leaving_b, gap)
        if legs is not None:
            return legs
    t = np.linspace(0.0, 1.0, max(2, int(gap) + 1))[:, None]
    straight = b - a
    # Ends that do not point across (a broken corner) are joined straight.
    turned = min(float(leaving_a @ straight), -float(leaving_b @ straight)) < 0.5 * gap
    reach = 0.0 if turned else gap / 3
    p1, p2 = a + reach * leaving_a, b + reach * leaving_b
    if turned:
        return np.asarray(a + t * straight)
    s = 1 - t
    return np.asarray(s**3 * a + 3 * s * s * t * p1 + 3 * s * t * t * p2 + t**3 * b)


def _corner_between(
    a: NDArray[np.float64],
    leaving_a: NDArray[np.float64],
    b: NDArray[np.float64],
    leaving_b: NDArray[np.float64],
    gap: float,
) -> Points | None:
    """Return the way over the corner in which two lines meet ahead of both, no farther than the gap is wide."""
    cross = float(leaving_a[0] * leaving_b[1] - leaving_a[1] * leaving_b[0])
    span = b - a
    ahead_a = float(span[0] * leaving_b[1] - span[1] * leaving_b[0]) / cross if cross else -1.0
    ahead_b = float(span[0] * leaving_a[1] - span[1] * leaving_a[0]) / cross if cross else -1.0
    if not 0 < min(ahead_a, ahead_b) <= max(ahead_a, ahead_b) < gap:
        return None
    corner = a + ahead_a * leaving_a
    first, second = (np.linspace(u, v, max(2, int(np.hypot(*(v - u))) + 1)) for u, v in ((a, corner), (corner, b)))
    return np.concatenate([first, second[1:]])
