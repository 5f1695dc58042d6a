"""Which loops of line work are cutting lines, and where exactly the cutting line runs.

From the outermost loop of a block to the outline of a piece:

- thin lines that start and end on a bolder one (notches, stitching lines, crossings) are left out where the bold lines
  alone still close the loop;
- little faces on the rim (a notch drawn outwards, a letter that touches the line) are cut off where the line runs
  straight on underneath;
- sharp tips, which thinning shortens, are given back;
- in a frame or a box around several pieces each piece is a face of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from tracer.search.bumps import BOLD_SHARE, straighten, usual
from tracer.search.drawn import LEAST_SIDE_MM, LEAST_WIDTH_MM, LineWork, Loop, lies_in
from tracer.search.gaps import SHARP_RAD, TIP_MM
from tracer.search.graph import LineGraph, Points, angle, calmed, direction, leaving
from tracer.search.loops import Face, find_blocks, find_faces, outer_loop
from tracer.search.marks import (
    FRAME_SHARE,
    is_rectangle,
    is_table,
    is_text_box,
    on_box,
    rectangularity,
    runs_parallel,
    text_in,
)
from tracer.search.marks_text import TextBlock
from tracer.search.texture import is_drawn

_TIP_RAD = math.radians(30)
DEEP_SHARE = 0.5
"""Lines fainter than this share of the cutting line are creases or of another kind (common practice, no source)."""
LOGO_SHARE, LOGO_MM = 1.8, 45.0
"""A small closed line so much heavier than the cutting lines is a printer's ornament (common practice, no source)."""
NECK_MM = 10.0
"""Faces that touch along less than this are two pieces that touch (common practice, no source)."""
CORNER_REACH_MM = 4.0
CORNER_RAD = math.radians(8)
"""Where a line divides one piece, the outline runs straight on across its ends within this (common practice)."""
_DASHED = 0.2
"""Dashed lines have spaces for a quarter of their way and more (common practice, no source)."""
_LINE_MM, _WORKED_SHARE = 6.0, 0.12


class Stretch(NamedTuple):
    """Points along one edge of the graph, without the last; ``given_back`` for a tip that thinning had taken.

    ``laid`` where grading put them, since other sizes' lines were in the way.
    """

    points: Points
    edge: int
    given_back: bool
    laid: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """The cutting line of a piece: its stretches in order, and the block and loop of line work it came from.

    ``unseen_mm`` is how much of it was not seen apart from the lines of ``other_sizes`` drawn into it, which are closed
    polygons in pixels of the mask.
    """

    stretches: tuple[Stretch, ...]
    block: tuple[int, ...]
    loop: int
    area: float
    mass: float
    unseen_mm: float = 0.0
    other_sizes: tuple[Points, ...] = ()

    @property
    def points(self) -> Points:
        """The closed polygon, pixels of the mask."""
        return np.concatenate([s.points for s in self.stretches])


def bold_loops(graph: LineGraph, block: Sequence[int], outer: Face) -> list[tuple[Face, tuple[int, ...]]]:
    """Return the outermost loops of the block's bold lines, where these alone still enclose about as much.

    Two pieces that a thin line joins fall apart; a crease, a notch, a stitching line that runs to the edge drop out. A
    piece of which one side is thin (a fold edge) keeps its whole loop.
    """
    rim = [i for i, _ in outer.steps]
    mass, depth = usual(graph, rim, "mass"), usual(graph, rim, "depth")
    edges = graph.edges
    bold = [
        i for i in block
        if edges[i].bridge or (edges[i].mass >= BOLD_SHARE * mass and edges[i].depth >= DEEP_SHARE * depth)
    ]  # fmt: skip
    whole = [(outer, tuple(block))]
    if len(bold) == len(block):
        return whole
    sub = LineGraph(graph.nodes, [edges[i] for i in bold])
    loops = []
    for inner in find_blocks(sub):
        loop = outer_loop(find_faces(sub, inner))
        steps = tuple((bold[i], f) for i, f in loop.steps)
        loops.append((Face(steps=steps, points=loop.points, area=loop.area), tuple(bold[i] for i in inner)))
    loops.sort(key=lambda pair: -pair[0].area)
    kept: list[tuple[Face, tuple[int, ...]]] = []
    for loop, members in loops:
        if loop.area > 0.08 * outer.area and not any(lies_in(loop.points, k.points) for k, _ in kept):
            kept.append((loop, members))
    return kept if sum(k.area for k, _ in kept) > 0.5 * outer.area else whole


def part_pieces(
    graph: LineGraph, members: tuple[int, ...], outer: Face, texts: Sequence[TextBlock], mm_per_px: float
) -> list[tuple[Face, tuple[int, ...]]]:
    """Part a block into the pieces that touch or share an edge in it.

    A line from edge to edge that divides one piece (a fold, a dart's leg, a panel line) leaves the outline smooth at
    its ends; where two pieces meet the rim has a corner, and each has words of its own. Pieces that meet in a neck only
    are always two.
    """
    whole = [(outer, members)]
    least = LEAST_SIDE_MM / mm_per_px
    faces = [f for f in find_faces(graph, members) if f.area > 0]
    large = [k for k, f in enumerate(faces) if f.area > 0.5 * least * least and _is_wide(f.points, f.area, mm_per_px)]
    if len(large) < 2:
        return whole
    sides: dict[int, list[int]] = {}
    for k, face in enumerate(faces):
        for index, _ in face.steps:
            sides.setdefault(index, []).append(k)
    rim = {i for i, _ in outer.steps}
    group = list(range(len(faces)))

    def root(k: int) -> int:
        while group[k] != k:
            k = group[k]
        return k

    between: dict[tuple[int, int], list[int]] = {}
    for index, both in sides.items():
        if len(both) == 2 and both[0] != both[1]:
            between.setdefault((min(both), max(both)), []).append(index)
    written = [bool(text_in(f.points, texts)) for f in faces]
    links = sorted(between.items(), key=lambda item: -sum(graph.edges[i].length for i in item[1]))
    for (a, b), shared in links:
        both_large = a in large and b in large
        if both_large and _meet(graph, shared, rim, mm_per_px, words=written[a] and written[b]):
            continue
        ra, rb = root(a), root(b)
        # A small face between two pieces goes to the one it shares more with, and does not join them.
        if ra != rb and not (not both_large and {ra, rb} & set(large) == {ra, rb}):
            first, other = (ra, rb) if ra in large else (rb, ra)
            group[other] = first
    groups: dict[int, list[int]] = {}
    for k in range(len(faces)):
        groups.setdefault(root(k), []).append(k)
    if len(groups) < 2:
        return whole
    out = []
    for mine in groups.values():
        count: dict[int, int] = {}
        for k in mine:
            for index, _ in faces[k].steps:
                count[index] = count.get(index, 0) + 1
        border = [i for i, n in count.items() if n == 1]
        sub = LineGraph(graph.nodes, [graph.edges[i] for i in border])
        loops = [(outer_loop(find_faces(sub, block)), block) for block in find_blocks(sub)]
        if not loops:
            continue
        loop, _block = max(loops, key=lambda pair: pair[0].area)
        if np.ptp(loop.points, axis=0).max() < least:
            continue
        steps = tuple((border[i], f) for i, f in loop.steps)
        inside = tuple(sorted(count))
        out.append((Face(steps=steps, points=loop.points, area=loop.area), inside))
    return out or whole


def _is_wide(points: Points, area: float, mm_per_px: float) -> bool:
    """Return whether a face is large enough for a piece; the strip between an edge and its fold bracket is not."""
    around = float(np.hypot(*np.diff(calmed(np.concatenate([points, points[:1]])), axis=0).T).sum())
    return bool(
        np.ptp(points, axis=0).max() * mm_per_px > LEAST_SIDE_MM
        and 2.0 * area / max(around, 1.0) * mm_per_px > LEAST_WIDTH_MM
    )


def _meet(graph: LineGraph, shared: list[int], rim: set[int], mm_per_px: float, *, words: bool) -> bool:
    """Return whether two faces are two pieces, from the line between them: no dashed one where all around is drawn."""
    length = sum(graph.edges[i].length for i in shared) * mm_per_px
    times: dict[int, int] = {}
    for i in shared:
        for node in (graph.edges[i].start, graph.edges[i].end):
            times[node] = times.get(node, 0) + 1
    ends = [node for node, n in times.items() if n == 1]
    if length < NECK_MM:
        # Where lines cross inside of a piece, faces touch in a stub that no rim is near to.
        around = {node for i in rim for node in (graph.edges[i].start, graph.edges[i].end)}
        return around.issuperset(ends)
    if _bridged(graph, shared) > _DASHED and _bridged(graph, rim) < _DASHED / 2:
        return False
    corners = []
    for node in ends:
        rims = [i for i in rim if node in (graph.edges[i].start, graph.edges[i].end)]
        if len(rims) == 2:
            near, far = (_turn_at(graph, rims, node, round(k * CORNER_REACH_MM / mm_per_px)) for k in (1, 2))
            # A curve turns twice as much over twice the way, a corner all at once.
            corners.append(min(near, 2 * near - far) > CORNER_RAD)
    return any(corners) if words else len(corners) == 2 and all(corners)


def _turn_at(graph: LineGraph, rims: list[int], node: int, reach_px: int) -> float:
    """Return by how much the rim turns at a node. What ends there bends the line for as far as it is wide."""
    one, other = (leaving(graph, i, node, skip=6, reach=max(16, reach_px)) for i in rims)
    return math.pi - angle(one, other)


def _bridged(graph: LineGraph, edges: Iterable[int]) -> float:
    """Return which share of some lines is spaces."""
    lengths = [(graph.edges[i].length, graph.edges[i].bridge) for i in edges]
    return sum(n for n, bridge in lengths if bridge) / max(sum(n for n, _ in lengths), 1.0)


def restore_tips(graph: LineGraph, loop: Face, hanging: dict[int, list[int]], mm_per_px: float) -> list[Stretch]:
    """Return the loop's stretches with its sharp tips given back.

    Where two lines meet at a sharp angle their ink runs together before the tip; thinning leaves one hanging edge
    there, which points the way both lines point.
    """
    out: list[Stretch] = []
    for k, (index, forwards) in enumerate(loop.steps):
        edge = graph.edges[index]
        out.append(Stretch(edge.points[:-1] if forwards else edge.points[:0:-1], index, False))
        node = edge.end if forwards else edge.start
        following = loop.steps[(k + 1) % len(loop.steps)]
        arriving = direction(edge.points if forwards else edge.points[::-1], at_end=True)
        going = leaving(graph, following[0], node)
        if angle(arriving, going) < math.pi - SHARP_RAD:
            continue
        bisector = arriving - going
        bisector /= max(1e-9, float(np.hypot(*bisector)))
        for spur in hanging.get(node, []):
            tip = graph.edges[spur]
            chain = tip.points if tip.start == node else tip.points[::-1]
            if tip.length * mm_per_px > TIP_MM or angle(direction(chain, at_end=False, skip=0), bisector) > _TIP_RAD:
                continue
            out.append(Stretch(np.concatenate([chain, chain[-2:0:-1]]), spur, True))
            break
    return out


def find_pieces(work: LineWork, texts: Sequence[TextBlock]) -> tuple[list[Found], dict[int, str]]:
    """Return the cutting lines of a sheet, and for loops that are no pieces what they are."""
    search = PieceSearch(work, texts)
    for index, loop in enumerate(work.loops):
        if loop.inside_of < 0:
            search.visit(index)
    usual_mass = [f.mass for f in search.found]
    if len(usual_mass) >= 3:
        limit, largest = LOGO_SHARE * float(np.median(usual_mass)), LOGO_MM / work.ink.mm_per_px
        for found, mass in zip(list(search.found), usual_mass, strict=True):
            if mass > limit and np.ptp(found.points, axis=0).max() < largest:
                search.found.remove(found)
                search.other[found.loop] = "unknown"
    return search.found, search.other


class PieceSearch:
    """Walks down the loops from the outermost, deciding what each is."""

    def __init__(self, work: LineWork, texts: Sequence[TextBlock]) -> None:
        self.work = work
        self.texts = texts
        self.found: list[Found] = []
        self.other: dict[int, str] = {}
        self.scale = work.ink.mm_per_px
        self.degrees = work.graph.degrees()
        self.hanging: dict[int, list[int]] = {}
        for index, edge in enumerate(work.graph.edges):
            if edge.start != edge.end and (self.degrees[edge.start] == 1) != (self.degrees[edge.end] == 1):
                node = edge.start if self.degrees[edge.end] == 1 else edge.end
                self.hanging.setdefault(node, []).append(index)

    def visit(self, index: int) -> None:
        """Decide what a loop is, and look at what lies in it where it only surrounds."""
        loop = self.work.loops[index]
        if is_table(loop.points, self._cells(loop), self.texts, self.work.flat):
            self.other[index] = "table"
            return
        if is_text_box(loop.points, loop.area, self.texts, self.work.flat) and not self._is_worked_on(loop):
            self.other[index] = "frame"
            return
        if not self._surrounds(loop):
            if not self.take_loop(index):
                self.other[index] = "texture"
                for child in loop.holds:
                    self.visit(child)
            return
        self.other[index] = "frame"
        pieces = [f for f in loop.faces if self._is_piece_face(f, loop)]
        for face in pieces:
            self._take(tuple(sorted({i for i, _ in face.steps})), face, index)
        for child in loop.holds:
            if not any(lies_in(self.work.loops[child].points, f.points) for f in pieces):
                self.visit(child)

    def _cells(self, loop: Loop) -> list[Points]:
        """Return the faces of what is drawn in a loop: what stands in a table may seem to run on to its lines."""
        edges = self.work.graph.edges
        drawn = [i for i in loop.block if not edges[i].bridge]
        if len(drawn) == len(loop.block):
            return [f.points for f in loop.faces]
        sub = LineGraph(self.work.graph.nodes, [edges[i] for i in drawn])
        blocks = [find_faces(sub, block) for block in find_blocks(sub)]
        largest = max(blocks, key=lambda faces: outer_loop(faces).area, default=[])
        return [f.points for f in largest if f.area > 0]

    def _is_worked_on(self, loop: Loop) -> bool:
        """Return whether more than words is drawn in a loop: a stitching line, an arrow."""
        contour = loop.points.astype(np.float32).reshape(-1, 1, 2)
        own = set(loop.block)
        drawn = 0.0
        for index, edge in enumerate(self.work.graph.edges):
            if index in own or (edge.length * self.scale < _LINE_MM and not edge.bridge) or edge.hidden:
                continue
            x, y = edge.points[len(edge.points) // 2]
            if cv2.pointPolygonTest(contour, (float(x), float(y)), measureDist=False) > 0:
                drawn += edge.length
        around = float(np.hypot(*np.diff(loop.points, axis=0).T).sum())
        return drawn > _WORKED_SHARE * around

    def _surrounds(self, loop: Loop) -> bool:
        """Return whether a loop is a frame: a rectangle around most of the sheet or around several pieces.

        A piece may take up most of a sheet by itself. What surrounds nothing is a frame only if it is a rectangle
        without a doubt: the border of an empty page.
        """
        flat = self.work.flat(loop.points)
        if rectangularity(flat) < 0.85 or on_box(flat, self.scale) < 0.8:
            return False
        least = (LEAST_SIDE_MM / self.scale) ** 2
        inner = [
            child
            for child in (self.work.loops[i] for i in loop.holds)
            if child.area > 2.0 * least and not runs_parallel(child.points, loop.points, self.scale)
        ]
        if loop.area > FRAME_SHARE * self.work.ink.mask.size:
            holds = bool(inner) or any(self._is_piece_face(f, loop) for f in loop.faces)
            return holds or is_rectangle(flat, self.scale)
        return len(inner) >= 2 and sum(c.area for c in inner) > 0.25 * loop.area

    def _is_piece_face(self, face: Face, frame: Loop) -> bool:
        """Return whether a face of a frame is a piece that touches it, and not what is left of the ground."""
        least = LEAST_SIDE_MM / self.scale
        if np.ptp(face.points, axis=0).max() < least or face.area < 0.2 * least * least:
            return False
        rim = {i for i, _ in frame.steps}
        shared = sum(self.work.graph.edges[i].length for i, _ in face.steps if i in rim)
        around = sum(self.work.graph.edges[i].length for i, _ in face.steps)
        if shared > 0.45 * around or face.area > 0.6 * frame.area:
            return False
        return not is_text_box(face.points, face.area, self.texts, self.work.flat)

    def take_loop(self, index: int) -> bool:
        """Take a loop for a piece, or for as many as its block holds; return whether it is drawn at all."""
        loop = self.work.loops[index]
        return self._take(loop.block, Face(steps=loop.steps, points=loop.points, area=loop.area), index)

    def _take(self, block: tuple[int, ...], loop: Face, index: int) -> bool:
        graph = self.work.graph
        least = LEAST_SIDE_MM / self.scale
        parts = [
            part
            for bold, members in bold_loops(graph, block, loop)
            if np.ptp(bold.points, axis=0).max() >= least
            for part in part_pieces(graph, members, bold, self.texts, self.scale)
        ]
        all_texture = bool(parts)
        for part, members in parts:
            chosen = straighten(graph, members, part, self.scale)
            stretches = restore_tips(graph, chosen, self.hanging, self.scale)
            mass = usual(graph, [i for i, _ in chosen.steps], "mass")
            seen = [s.points for s in stretches if not s.given_back and not graph.edges[s.edge].bridge]
            if is_drawn(seen, self.work.ink.dark, usual(graph, [s.edge for s in stretches], "width")):
                all_texture = False
                self.found.append(
                    Found(stretches=tuple(stretches), block=block, loop=index, area=chosen.area, mass=mass)
                )
        return not all_texture
