"""A whole outline moved outward or inward, each edge by its own width.

Every run of segments with one width and no corner in it gets its parallel (:mod:`tracer.cutting.offset_curve`). At
each corner the two parallels are carried on or cut back, straight on or along the curve, whichever meeting is
nearest; what is left of loops is resolved by winding numbers. With width 0 an edge stays exactly as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.crossing import nearest_all, stretch
from tracer.cutting.corners import CornerStyle
from tracer.cutting.meetings import Meeting, Run, meeting_of, through_corner
from tracer.cutting.offset_curve import TOLERANCE_MM, offset_segment
from tracer.cutting.resolve import Labelled, outer_and_holes, resolved
from tracer.cutting.shape import turn_at
from tracer.errors import CutListError
from tracer.path import OpenPath, Path
from tracer.segments import Segment, evaluate

Array = NDArray[np.float64]

_SMOOTH_DEG = 1e-4
_ERODED_MM = 0.02
_NUDGES_MM = (5e-5, 1.7e-4)


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
        Whether a loop was resolved, an edge vanished or a curve lost its end, so that moving back may not return all.
    """

    chain: Labelled
    holes: tuple[Path, ...]
    deviation_mm: float
    resolved: bool


def _runs(chain: Labelled, widths: Sequence[float], tolerance_mm: float) -> tuple[list[Run], list[int], float]:
    """Return the runs, the nodes they begin at (none for an outline without corners) and the greatest deviation."""
    count = len(chain)
    breaks = [
        k
        for k in range(count)
        if abs(turn_at(chain[k - 1][0], chain[k][0])) > _SMOOTH_DEG or widths[k] != widths[k - 1]
    ]
    closed = not breaks
    starts = breaks or [0]
    runs: list[Run] = []
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
            Run(
                source=[chain[k][0] for k in indices],
                name=chain[indices[0]][1],
                width=widths[indices[0]],
                parallel=parallel,
            )
        )
    return runs, [] if closed else starts, worst


def moved(
    chain: Labelled,
    widths_mm: Sequence[float],
    *,
    style: Callable[[str], CornerStyle] = lambda _name: "mitred",
    grain: Array | None = None,
    rounded_nodes: Collection[int] = (),
    tolerance_mm: float = TOLERANCE_MM,
    _attempt: int = 0,
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
    rounded_nodes : collection of int
        Nodes (the start of the segment with that index) whose corner is rounded whatever the style.
    tolerance_mm : float
        Bound on the fit of curved parallels (estimated by sampling, see :mod:`tracer.cutting.offset_curve`).

    Raises
    ------
    CutListError
        When nothing is left or it falls into parts.
    """
    direction = np.array([0.0, 1.0]) if grain is None else grain
    runs, starts, deviation = _runs(chain, widths_mm, tolerance_mm)
    count = len(runs)
    if not starts:
        meetings = [Meeting(cut_end=None, between=[], cut_start=None)]
    else:
        meetings = [
            meeting_of(one, two, "rounded", "rounded", direction)
            if node in rounded_nodes
            else meeting_of(one, two, style(one.name), style(two.name), direction)
            for one, two, node in zip(runs, [*runs[1:], runs[0]], [*starts[1:], starts[0]], strict=True)
        ]
        for k in _vanished(runs, meetings):
            meetings[k - 1] = through_corner(runs[k - 1], runs[k])
            meetings[k] = through_corner(runs[k], runs[(k + 1) % count])
    raw: Labelled = []
    for k, run in enumerate(runs):
        begin = meetings[k - 1].cut_start or (0, 0.0)
        end = meetings[k].cut_end or (len(run.parallel) - 1, 1.0)
        raw += [(s, run.name) for _, s in stretch(run.parallel, begin, end)]
        raw += meetings[k].between
    try:
        loops = resolved(_snapped(raw))
    except CutListError:
        if _attempt >= len(_NUDGES_MM):
            raise
        # Parallels that run back over each other in one line have no crossing to cut them at; a nudge makes one.
        nudge = _NUDGES_MM[_attempt]
        nudged = [w + nudge * (k % 7) for k, w in enumerate(widths_mm)]
        return moved(
            chain,
            nudged,
            style=style,
            grain=grain,
            rounded_nodes=rounded_nodes,
            tolerance_mm=tolerance_mm,
            _attempt=_attempt + 1,
        )
    outer, holes = outer_and_holes(loops)
    outer = [loop for loop in outer if not _eroded_too_far(loop, runs)]
    if min(widths_mm) >= 0:
        # Outward there is one outline, round the piece; what closes beside it came of a parallel that ran back.
        outer = outer[:1]
    if not outer:
        raise CutListError("nothing would be left of the piece")
    if len(outer) > 1:
        raise CutListError(f"the piece would fall into {len(outer)} parts")
    changed = len(loops) != 1 or len(loops[0]) != len(_snapped(raw)) or _cuts_curves(runs, meetings)
    return Moved(
        chain=outer[0],
        holes=tuple(Path(tuple(s for s, _ in h)).reversed() for h in holes),
        deviation_mm=deviation,
        resolved=changed,
    )


def _cuts_curves(runs: Sequence[Run], meetings: Sequence[Meeting]) -> bool:
    """Whether a corner was left to the winding rule or took the end off a curve: its bend does not come back."""
    for k, meeting in enumerate(meetings):
        after = runs[(k + 1) % len(runs)]
        cuts = ((runs[k], meeting.cut_end), (after, meeting.cut_start))
        if meeting.raw or any(place is not None and len(run.parallel[place[0]]) == 4 for run, place in cuts):
            return True
    return False


def _vanished(runs: Sequence[Run], meetings: Sequence[Meeting]) -> list[int]:
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


def _eroded_too_far(loop: Labelled, runs: Sequence[Run]) -> bool:
    """Whether a loop that moved inward lies nearer to an edge than that edge's width: then it is inside out."""
    inward = [r for r in runs if r.width < 0]
    if len(inward) < min(2, len(runs)):
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
