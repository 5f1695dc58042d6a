"""A whole outline moved outward or inward, each edge by its own width.

Every run of segments with one width and no corner in it gets its parallel (:mod:`tracer.cutting.offset_curve`). At
each corner the two parallels are carried on or cut back, straight on or along the curve, whichever meeting is
nearest; what is left of loops is resolved by winding numbers. With width 0 an edge stays exactly as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.crossing import crossings, line_crossings, nearest_all, stretch
from tracer.cutting.corners import CornerStyle, meeting_point, outside_corner
from tracer.cutting.offset_curve import TOLERANCE_MM, offset_segment
from tracer.cutting.resolve import Labelled, outer_and_holes, resolved
from tracer.cutting.shape import turn_at
from tracer.errors import CutListError
from tracer.path import (
    OpenPath,
    Path,
    Segment,
    end_direction,
    evaluate,
    line,
    mirror_matrix,
    segment_length,
    start_direction,
)

Array = NDArray[np.float64]
CornerChoice = Callable[[str, str], CornerStyle]

_SMOOTH_DEG = 1e-4
_FAR_MM = 1e5
_ERODED_MM = 0.02
_TOUCH_MM = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moved:
    """An outline moved.

    Parameters
    ----------
    chain : list
        Outer loop with the names of its edges.
    holes : tuple of Path
        Holes that closed up inside.
    deviation_mm : float
        Greatest distance of the fitted parallels from the true ones, at their 64 check places a cubic.
    resolved : bool
        Whether a too-tight inner curve or a vanished edge had to be resolved, so that moving back would not return all.
    """

    chain: Labelled
    holes: tuple[Path, ...]
    deviation_mm: float
    resolved: bool


@dataclass(slots=True, kw_only=True, eq=False)
class _Run:
    """Segments in a row with one width, and their parallel."""

    source: list[Segment]
    name: str
    width: float
    parallel: list[Segment]

    @property
    def end(self) -> Array:
        return np.asarray(self.parallel[-1][-1])

    @property
    def start(self) -> Array:
        return np.asarray(self.parallel[0][0])

    @property
    def end_direction(self) -> Array:
        return end_direction(self.source[-1])

    @property
    def start_direction(self) -> Array:
        return start_direction(self.source[0])


@dataclass(slots=True, kw_only=True, eq=False)
class _Meeting:
    """How one run ends, what lies between, how the next begins; places are (segment, parameter)."""

    cut_end: tuple[int, float] | None
    between: Labelled
    cut_start: tuple[int, float] | None
    raw: bool = False


def _runs(chain: Labelled, widths: Sequence[float], tolerance_mm: float) -> tuple[list[_Run], bool, float]:
    count = len(chain)
    breaks = [
        k
        for k in range(count)
        if abs(turn_at(chain[k - 1][0], chain[k][0])) > _SMOOTH_DEG or widths[k] != widths[k - 1]
    ]
    closed = not breaks
    starts = breaks or [0]
    runs: list[_Run] = []
    worst = 0.0
    for begin, stop in zip(starts, [*starts[1:], starts[0] + count], strict=True):
        indices = [k % count for k in range(begin, stop)]
        parallel: list[Segment] = []
        for k in indices:
            parts, deviation = offset_segment(chain[k][0], widths[k], tolerance_mm=tolerance_mm)
            worst = max(worst, deviation)
            if parallel:
                parts[0] = np.concatenate([parallel[-1][-1:], parts[0][1:]])
            parallel += parts
        if closed:
            parallel[-1] = np.concatenate([parallel[-1][:-1], parallel[0][:1]])
        runs.append(
            _Run(
                source=[chain[k][0] for k in indices],
                name=chain[indices[0]][1],
                width=widths[indices[0]],
                parallel=parallel,
            )
        )
    return runs, closed, worst


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


def _meet(one: _Run, two: _Run, style: CornerStyle, grain: Array) -> _Meeting:
    end, start = one.end, two.start
    vertex = two.source[0][0]
    names = (one.name, two.name)
    if float(np.abs(end - start).max()) < 1e-9:
        return _Meeting(cut_end=None, between=[], cut_start=None)
    out_direction, in_direction = one.end_direction, two.start_direction
    turn = float(out_direction[0] * in_direction[1] - out_direction[1] * in_direction[0])
    if one.width == two.width and turn * one.width < 0:
        return _inside(one, two, turn)
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
        if float(np.hypot(*(end - start))) <= abs(one.width - two.width) + 1e-6:
            return _Meeting(cut_end=None, between=[(line(end, start), two.name)], cut_start=None)
        return _raw(one, two)
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
        return _Meeting(cut_end=None, between=_joined_by(between, end, start, names), cut_start=None)
    if kind == "carry on":
        assert cut_start is not None
        point = evaluate(two.parallel[cut_start[0]], cut_start[1])
        return _Meeting(cut_end=None, between=[(line(end, point), one.name)], cut_start=cut_start)
    if kind == "carry back":
        assert cut_end is not None
        point = evaluate(one.parallel[cut_end[0]], cut_end[1])
        return _Meeting(cut_end=cut_end, between=[(line(point, start), two.name)], cut_start=None)
    return _Meeting(cut_end=cut_end, between=[], cut_start=cut_start)


def _inside(one: _Run, two: _Run, turn: float) -> _Meeting:
    """An inside corner of one width: cut where the parallels cross nearby, otherwise left to the winding rule.

    Parallels of straight or gently bent edges cross after ``w tan(turn / 2)`` on either side; only a crossing about
    there is taken: farther away the curves may have folded over, and the winding rule alone gives the true parallel.
    """
    gap = float(np.hypot(*(one.end - two.start)))
    if gap < _TOUCH_MM:
        # As good as smooth: the ends are made to coincide when the chain is put together.
        return _Meeting(cut_end=None, between=[], cut_start=None)
    expected = 2 * abs(one.width) * math.tan(math.asin(min(1.0, abs(turn))) / 2)
    best: tuple[float, _Meeting] | None = None
    for c in crossings(one.parallel, two.parallel) if one is not two else []:
        cost = _length_after(one.parallel, (c.i, c.t)) + _length_before(two.parallel, (c.j, c.u))
        if cost < 1.2 * expected and (best is None or cost < best[0]):
            best = (cost, _Meeting(cut_end=(c.i, c.t), between=[], cut_start=(c.j, c.u)))
    return _raw(one, two) if best is None else best[1]


def _raw(one: _Run, two: _Run) -> _Meeting:
    """Joined through the corner itself: makes loops of negative winding, which resolving takes away."""
    vertex = two.source[0][0]
    between = [
        (line(a, b), name)
        for a, b, name in ((one.end, vertex, one.name), (vertex, two.start, two.name))
        if float(np.abs(a - b).max()) > 0
    ]
    return _Meeting(cut_end=None, between=between, cut_start=None, raw=True)


def _turned_hem(edge: _Run, hem: _Run, *, edge_first: bool) -> _Meeting | None:
    """The hem's end as the mirror image of its neighbour over the hem's stitching line; None where it does not reach.

    A curved stitching line is replaced by its tangent at the corner (a hem is turned along a short piece of it there).
    """
    if not edge_first:
        return _reversed_meeting(_turned_hem_end(_reversed_run(edge), _reversed_run(hem), -1.0), edge, hem)
    return _turned_hem_end(edge, hem, 1.0)


def _turned_hem_end(edge: _Run, hem: _Run, way: float) -> _Meeting | None:
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
        return _Meeting(cut_end=cut_end, between=between, cut_start=None)
    return _Meeting(cut_end=cut_end, between=between, cut_start=(first.j - 1, first.u))


def _reversed_run(run: _Run) -> _Run:
    return _Run(
        source=[s[::-1] for s in reversed(run.source)],
        name=run.name,
        width=run.width,
        parallel=[s[::-1] for s in reversed(run.parallel)],
    )


def _reversed_meeting(meeting: _Meeting | None, edge: _Run, hem: _Run) -> _Meeting | None:
    if meeting is None:
        return None

    def back(place: tuple[int, float] | None, run: _Run) -> tuple[int, float] | None:
        return None if place is None else (len(run.parallel) - 1 - place[0], 1.0 - place[1])

    return _Meeting(
        cut_end=back(meeting.cut_start, hem),
        between=[(s[::-1], name) for s, name in reversed(meeting.between)],
        cut_start=back(meeting.cut_end, edge),
    )


def _meeting(one: _Run, two: _Run, style_one: CornerStyle, style_two: CornerStyle, grain: Array) -> _Meeting:
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


def moved(
    chain: Labelled,
    widths_mm: Sequence[float],
    *,
    style: Callable[[str], CornerStyle] = lambda _name: "mitred",
    grain: Array | None = None,
    tolerance_mm: float = TOLERANCE_MM,
) -> Moved:
    """Move an outline, each segment's edge by its own width (positive is outward).

    Parameters
    ----------
    chain : list
        Closed, positively oriented, with the names of the edges.
    widths_mm : sequence of float
        One for each segment.
    style : callable
        Corner style wanted by an edge; where two edges disagree, the one that is not mitred decides, the first first.
    grain : ndarray, shape (2,), optional
        Direction of the grain, for trimmed corners; upright without.
    tolerance_mm : float
        Bound on the fit of curved parallels (estimated by sampling, see :mod:`tracer.cutting.offset_curve`).

    Raises
    ------
    CutListError
        When nothing is left or it falls into parts.
    """
    direction = np.array([0.0, 1.0]) if grain is None else grain
    runs, closed, deviation = _runs(chain, widths_mm, tolerance_mm)
    count = len(runs)
    if closed:
        meetings = [_Meeting(cut_end=None, between=[], cut_start=None)]
    else:
        meetings = [
            _meeting(runs[k], runs[(k + 1) % count], style(runs[k].name), style(runs[(k + 1) % count].name), direction)
            for k in range(count)
        ]
        for k in _vanished(runs, meetings):
            meetings[k - 1] = _raw(runs[k - 1], runs[k])
            meetings[k] = _raw(runs[k], runs[(k + 1) % count])
    raw: Labelled = []
    for k, run in enumerate(runs):
        begin = meetings[k - 1].cut_start or (0, 0.0)
        end = meetings[k].cut_end or (len(run.parallel) - 1, 1.0)
        raw += [(s, run.name) for _, s in stretch(run.parallel, begin, end)]
        raw += meetings[k].between
    loops = resolved(_snapped(raw))
    outer, holes = outer_and_holes(loops)
    outer = [loop for loop in outer if not _eroded_too_far(loop, runs)]
    if not outer:
        raise CutListError("nothing would be left of the piece")
    if len(outer) > 1:
        raise CutListError(f"the piece would fall into {len(outer)} parts")
    changed = any(m.raw for m in meetings) or len(loops) != 1 or len(loops[0]) != len(_snapped(raw))
    return Moved(
        chain=outer[0],
        holes=tuple(Path(tuple(s for s, _ in h)).reversed() for h in holes),
        deviation_mm=deviation,
        resolved=changed,
    )


def _vanished(runs: Sequence[_Run], meetings: Sequence[_Meeting]) -> list[int]:
    """Runs whose end is cut back to before their start."""
    gone = []
    for k, run in enumerate(runs):
        begin = meetings[k - 1].cut_start or (0, 0.0)
        end = meetings[k].cut_end or (len(run.parallel) - 1, 1.0)
        if begin >= end:
            gone.append(k)
    return gone


def _snapped(chain: Labelled) -> Labelled:
    """Make every segment start exactly where the one before ends."""
    out: Labelled = []
    for segment, name in chain:
        if float(np.abs(segment - segment[0]).max()) < 1e-9:
            continue
        if out:
            segment = np.concatenate([out[-1][0][-1:], segment[1:]])
        out.append((segment, name))
    if out:
        first, name = out[0]
        out[0] = (np.concatenate([out[-1][0][-1:], first[1:]]), name)
    return out


def _eroded_too_far(loop: Labelled, runs: Sequence[_Run]) -> bool:
    """Whether a loop that moved inward lies nearer to an edge than that edge's width: then it is inside out."""
    inward = [r for r in runs if r.width < 0]
    if len(inward) < 2:
        return False
    names = {r.name for r in inward}
    points = np.concatenate(
        [evaluate(s, np.array([0.25, 0.5, 0.75])) for s, n in loop if n in names] or [np.zeros((0, 2))]
    )
    for run in inward:
        source = shapely.LineString(OpenPath(tuple(run.source)).flatten(0.005))
        if len(points) and float(shapely.distance(source, shapely.points(points)).min()) < -run.width - _ERODED_MM:
            return True
    return False


def greatest_gap_mm(chain: Labelled, source: Labelled, widths_mm: dict[str, float], *, per_segment: int = 40) -> float:
    """Measure a moved outline again: greatest difference between its distance from its edge and that edge's width.

    Counted are places whose foot lies inside the edge (corners and what is carried on beyond an edge have no width of
    their own). Distances are exact to 1e-9 mm; the places are ``per_segment`` a segment.
    """
    everything = [s for s, _ in source]
    names = [n for _, n in source]
    parameters = (np.arange(per_segment) + 0.5) / per_segment
    worst = 0.0
    for segment, name in chain:
        index, t, distance = nearest_all(everything, evaluate(segment, parameters))
        inside_edge = np.array([names[i] == name for i in index]) & (t > 1e-6) & (t < 1 - 1e-6)
        if inside_edge.any():
            worst = max(worst, float(np.abs(distance[inside_edge] - abs(widths_mm[name])).max()))
    return worst
