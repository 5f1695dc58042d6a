"""Where the parallels of two neighbouring edges meet at a corner.

At each corner the two parallels are carried on or cut back, straight on or along the curve, whichever meeting is
nearest; at an inside corner of one width what is not plain is left to the winding rule of
:mod:`tracer.cutting.resolve`. The ends of a turned hem are mirror images of their neighbours.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.crossing import crossings, line_crossings, stretch
from tracer.cutting.corners import CornerStyle, meeting_point, outside_corner
from tracer.cutting.resolve import Labelled
from tracer.path import CORNER_DEG, OpenPath, mirror_matrix
from tracer.segments import Segment, end_direction, evaluate, line, segment_length, start_direction

Array = NDArray[np.float64]

_FAR_MM = 1e5
_TOUCH_MM = 0.002


@dataclass(slots=True, kw_only=True, eq=False)
class Run:
    """Segments in a row with one width, and their parallel."""

    source: list[Segment]
    name: str
    width: float
    parallel: list[Segment]

    @property
    def end(self) -> Array:
        """Where the parallel ends."""
        return np.asarray(self.parallel[-1][-1])

    @property
    def start(self) -> Array:
        """Where the parallel begins."""
        return np.asarray(self.parallel[0][0])

    @property
    def end_direction(self) -> Array:
        """Direction of travel at its end."""
        return end_direction(self.source[-1])

    @property
    def start_direction(self) -> Array:
        """Direction of travel at its start."""
        return start_direction(self.source[0])


@dataclass(slots=True, kw_only=True, eq=False)
class Meeting:
    """How one run ends, what lies between, how the next begins; places are (segment, parameter)."""

    cut_end: tuple[int, float] | None
    between: Labelled
    cut_start: tuple[int, float] | None
    raw: bool = False


def _length_before(segments: Sequence[Segment], place: tuple[int, float]) -> float:
    k, t = place
    return sum(segment_length(s) for s in segments[:k]) + t * segment_length(segments[k])


def _length_after(segments: Sequence[Segment], place: tuple[int, float]) -> float:
    k, t = place
    return sum(segment_length(s) for s in segments[k + 1 :]) + (1 - t) * segment_length(segments[k])


def _joined_by(points: Sequence[Array | Segment], start: Array, end: Array, names: tuple[str, str]) -> Labelled:
    """Lines through points (curves as they are) from start to end; the last line belongs to the second edge."""
    out: Labelled = []
    here = start
    for item in points:
        if item.ndim == 2:
            out.append((item, names[0]))
            here = item[-1]
        else:
            if float(np.abs(item - here).max()) > 0:
                out.append((line(here, item), names[0]))
            here = item
    if float(np.abs(end - here).max()) > 0:
        out.append((line(here, end), names[1]))
    return out


def _meet(one: Run, two: Run, style: CornerStyle, grain: Array) -> Meeting:
    end, start = one.end, two.start
    vertex = two.source[0][0]
    names = (one.name, two.name)
    if float(np.abs(end - start).max()) < 1e-9:
        return Meeting(cut_end=None, between=[], cut_start=None)
    out_direction, in_direction = one.end_direction, two.start_direction
    turn = float(out_direction[0] * in_direction[1] - out_direction[1] * in_direction[0])
    if one.width == two.width and turn * one.width < 0:
        return _inside(one, two, turn)
    if abs(math.degrees(math.atan2(turn, float(out_direction @ in_direction)))) < 180.0 - CORNER_DEG:
        # No corner of the piece: carried on, two widths would meet far along the edge and one would lose its own.
        stepped = _stepped(one, two)
        if stepped is not None:
            return stepped
    options: list[tuple[float, str, tuple[int, float] | None, tuple[int, float] | None]] = []
    ahead = meeting_point(end, out_direction, start, in_direction)
    if ahead is not None and min(ahead) >= -1e-9:
        options.append((ahead[0] + ahead[1], "outside", None, None))
    for k, t, along in line_crossings(two.parallel, end, out_direction):
        if along >= 0:
            options.append((along + _length_before(two.parallel, (k, t)), "carry on", None, (k, t)))
    for k, t, along in line_crossings(one.parallel, start, -in_direction):
        if along >= 0:
            options.append((along + _length_after(one.parallel, (k, t)), "carry back", (k, t), None))
    if one is not two:
        for c in crossings(one.parallel, two.parallel):
            cost = _length_after(one.parallel, (c.i, c.t)) + _length_before(two.parallel, (c.j, c.u))
            options.append((cost, "cross", (c.i, c.t), (c.j, c.u)))
    if not options:
        return through_corner(one, two)
    _, kind, cut_end, cut_start = min(options, key=lambda o: o[0])
    if kind == "outside":
        assert ahead is not None
        between = outside_corner(
            style=style,
            vertex=vertex,
            end=end,
            along_end=out_direction,
            start=start,
            along_start=in_direction,
            tip=end + ahead[0] * out_direction,
            widths_mm=(one.width, two.width),
            grain=grain,
        )
        return Meeting(cut_end=None, between=_joined_by(between, end, start, names), cut_start=None)
    if kind == "carry on":
        assert cut_start is not None
        point = evaluate(two.parallel[cut_start[0]], cut_start[1])
        return Meeting(cut_end=None, between=[(line(end, point), one.name)], cut_start=cut_start)
    if kind == "carry back":
        assert cut_end is not None
        point = evaluate(one.parallel[cut_end[0]], cut_end[1])
        return Meeting(cut_end=cut_end, between=[(line(point, start), two.name)], cut_start=None)
    return Meeting(cut_end=cut_end, between=[], cut_start=cut_start)


def _inside(one: Run, two: Run, turn: float) -> Meeting:
    """An inside corner of one width: cut where the parallels cross nearby, otherwise left to the winding rule.

    Parallels of straight or gently bent edges cross after ``w tan(turn / 2)`` on either side; only a crossing about
    there is taken: farther away the curves may have folded over, and the winding rule alone gives the true parallel.
    """
    gap = float(np.hypot(*(one.end - two.start)))
    if gap < _TOUCH_MM:
        # As good as smooth: the ends are made to coincide when the chain is put together.
        return Meeting(cut_end=None, between=[], cut_start=None)
    expected = 2 * abs(one.width) * math.tan(math.asin(min(1.0, abs(turn))) / 2)
    best: tuple[float, Meeting] | None = None
    for c in crossings(one.parallel, two.parallel) if one is not two else []:
        cost = _length_after(one.parallel, (c.i, c.t)) + _length_before(two.parallel, (c.j, c.u))
        if cost < 1.2 * expected + _TOUCH_MM and (best is None or cost < best[0]):
            best = (cost, Meeting(cut_end=(c.i, c.t), between=[], cut_start=(c.j, c.u)))
    return through_corner(one, two) if best is None else best[1]


def _stepped(one: Run, two: Run) -> Meeting | None:
    """Two widths that do not meet, at a joint that is nearly straight: the wider one ends square to its edge.

    The narrower one is carried on or cut back to that end; None where it does not reach it.
    """
    vertex, end, start = two.source[0][0], one.end, two.start
    if min(one.width, two.width) < 0 or one.width == two.width:
        return None
    if one.width > two.width:
        chain = [line(start - _FAR_MM * two.start_direction, start), *two.parallel]
        hits = crossings([line(end, vertex)], chain)
        if not hits:
            return None
        hit = min(hits, key=lambda c: float(np.hypot(*(c.point - start))))
        point = np.array(hit.point)
        between: Labelled = [(line(end, point), one.name)]
        if hit.j > 0:
            return Meeting(cut_end=None, between=between, cut_start=(hit.j - 1, hit.u))
        return Meeting(cut_end=None, between=[*between, (line(point, start), two.name)], cut_start=None)
    mirrored = _stepped(_reversed_run(two), _reversed_run(one))
    return _reversed_meeting(mirrored, two, one)


def through_corner(one: Run, two: Run) -> Meeting:
    """Joined through the corner itself: makes loops of negative winding, which resolving takes away."""
    vertex = two.source[0][0]
    between = [
        (line(a, b), name)
        for a, b, name in ((one.end, vertex, one.name), (vertex, two.start, two.name))
        if float(np.abs(a - b).max()) > 0
    ]
    return Meeting(cut_end=None, between=between, cut_start=None, raw=True)


def _turned_hem(edge: Run, hem: Run, *, edge_first: bool) -> Meeting | None:
    """The hem's end as the mirror image of its neighbour over the hem's stitching line; None where it does not reach.

    A curved stitching line is replaced by its tangent at the corner (a hem is turned along a short piece of it there).
    """
    if not edge_first:
        return _reversed_meeting(_turned_hem_end(_reversed_run(edge), _reversed_run(hem), -1.0), edge, hem)
    return _turned_hem_end(edge, hem, 1.0)


def _turned_hem_end(edge: Run, hem: Run, way: float) -> Meeting | None:
    """The edge, then the hem; ``way`` is 1 in the outline's direction of travel, -1 against it."""
    vertex, along = hem.source[0][0], hem.start_direction
    carried = [*edge.parallel, line(edge.end, edge.end + _FAR_MM * edge.end_direction)]
    # The neighbour's cutting line meets the hem's stitching line outside the piece: behind the corner.
    hits = [h for h in line_crossings(carried, vertex, along) if h[2] <= 1e-9]
    turn = edge.end_direction[0] * along[1] - edge.end_direction[1] * along[0]
    if not hits or way * turn <= 0:
        return None
    k, t, _ = max(hits, key=lambda h: h[2])
    corner = evaluate(carried[k], t)
    up = [s for _, s in stretch(carried, (0, 0.0), (k, t))]
    if not up:
        return None
    back = [line(up[0][0], up[0][0] - _FAR_MM * start_direction(up[0]))[::-1], *up]
    folded = list(OpenPath(tuple(back)).transformed(mirror_matrix(vertex, along)).reversed().segments)
    hem_line = [line(hem.start - _FAR_MM * along, hem.start), *hem.parallel]
    meets = sorted(crossings(folded, hem_line), key=lambda c: (c.i, c.t))
    if not meets:
        return None
    first = meets[0]
    side = [s for _, s in stretch(folded, (0, 0.0), (first.i, first.t))]
    point = np.array(first.point)
    between: Labelled = []
    cut_end: tuple[int, float] | None = None
    if k < len(edge.parallel):
        cut_end = (k, t)
    else:
        between.append((line(edge.end, corner), edge.name))
    between += [(s, hem.name) for s in side]
    if first.j == 0:
        between.append((line(point, hem.start), hem.name))
        return Meeting(cut_end=cut_end, between=between, cut_start=None)
    return Meeting(cut_end=cut_end, between=between, cut_start=(first.j - 1, first.u))


def _reversed_run(run: Run) -> Run:
    return Run(
        source=[s[::-1] for s in reversed(run.source)],
        name=run.name,
        width=run.width,
        parallel=[s[::-1] for s in reversed(run.parallel)],
    )


def _reversed_meeting(meeting: Meeting | None, edge: Run, hem: Run) -> Meeting | None:
    if meeting is None:
        return None

    def back(place: tuple[int, float] | None, run: Run) -> tuple[int, float] | None:
        return None if place is None else (len(run.parallel) - 1 - place[0], 1.0 - place[1])

    return Meeting(
        cut_end=back(meeting.cut_start, hem),
        between=[(s[::-1], name) for s, name in reversed(meeting.between)],
        cut_start=back(meeting.cut_end, edge),
    )


def meeting_of(one: Run, two: Run, style_one: CornerStyle, style_two: CornerStyle, grain: Array) -> Meeting:
    """Return how two runs in a row meet; where their edges want different corners, the one not mitred decides."""
    if style_two == "mirrored" and two.width > 0:
        turned = _turned_hem(one, two, edge_first=True)
        if turned is not None:
            return turned
    if style_one == "mirrored" and one.width > 0:
        turned = _turned_hem(two, one, edge_first=False)
        if turned is not None:
            return turned
    style = style_one if style_one not in ("mitred", "mirrored") else style_two
    return _meet(one, two, style, grain)
