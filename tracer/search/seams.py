"""Stitching lines put together again where marks drawn over them have cut them apart."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.search.gaps import LONGEST_GAP_MM
from tracer.search.graph import Points
from tracer.search.strokes import Stroke, end_heading

SEAM_GAP_MM = 26.0
"""Parts of one stitching line lie no farther apart: a mark or a word drawn over it (common practice, no source)."""
SHORT_PART_MM, LEAST_SHORT_STEADY = 12.0, 0.85
"""Shorter parts must keep their distance nearly all along (common practice, no source)."""
NEARER_SHARE, _MOSTLY = 0.6, 0.6
"""What lies between a line and the outline is nearer to it by this share at least, and for so much of its way (our own
choice)."""
_BACKWARDS = math.cos(math.radians(75))
EDGE_MM = 2.6
"""A part that ends so near to the outline ends there: at a fold, at a hem (common practice, no source)."""
LEAST_STEADY, FAR_SHARE = 0.3, 0.75
"""A part of a stitching line keeps its distance for so much of its way, and is nowhere nearer than this share of it: at
the tip of a dart and at sharp corners it is farther away (geometry)."""

Away = Callable[[Points], NDArray[np.float64]]
"""Gives the distance in mm of points (N, 2) to the outline of their piece, positive inside."""


def goes_on_as_seam(seams: Sequence[Stroke], stroke: Stroke, away: Away, mm_per_px: float) -> bool:
    """Return whether a line is a part of a stitching line that strays from the outline elsewhere.

    It is of the same pen, as dashed, begins where another part ends, and is at its distance for a part of its way.

    Parameters
    ----------
    seams : sequence of Stroke
        The parts that are known.
    stroke : Stroke
    away : callable
    mm_per_px : float
    """
    away_mm = away(_sampled(stroke.points))
    ends = stroke.points[[0, -1]]
    for seam in seams:
        # A short part may have no space.
        like = (seam.spaces >= 2) == (stroke.spaces >= 2) or stroke.length * mm_per_px < SHORT_PART_MM
        if not like or not 0.6 < (stroke.mass + 1e-6) / (seam.mass + 1e-6) < 1.6:
            continue
        gap = min(float(np.hypot(*(a - b))) for a in ends for b in seam.points[[0, -1]])
        if gap * mm_per_px > SEAM_GAP_MM:
            continue
        here = float(np.median(away(_sampled(seam.points))))
        steady = float((np.abs(away_mm - here) < 0.8 + 0.08 * here).mean())
        if stroke.length * mm_per_px < SHORT_PART_MM:
            # An arm of a cross or what is left of an arrow's head runs across the line and not along it.
            rise = abs(float(away_mm[-1] - away_mm[0]))
            if steady < LEAST_SHORT_STEADY or rise > 0.4 * stroke.chord * mm_per_px:
                continue
        if steady > LEAST_STEADY and float(np.quantile(away_mm, 0.1)) > FAR_SHARE * here - 0.5:
            return True
    return False


def behind_others(seams: Sequence[Stroke], away: Away, mm_per_px: float) -> list[bool]:
    """Return which stitching lines of a piece have another one between them and the outline, for most of their way.

    An allowance has no seam in it: what keeps its distance behind a seam is a placement line or a row of top stitching.

    Parameters
    ----------
    seams : sequence of Stroke
    away : callable
    mm_per_px : float
    """
    sampled = [_sampled(s.points) for s in seams]
    deep = [away(points) for points in sampled]
    out = []
    for k, (points, depth) in enumerate(zip(sampled, deep, strict=True)):
        middle = float(np.median(depth))
        nearer = [n for n, d in enumerate(deep) if n != k and float(np.median(d)) < NEARER_SHARE * middle]
        if not nearer:
            out.append(False)
            continue
        # A point on the shortest way from the line to the outline makes no way round.
        before, its = np.concatenate([sampled[n] for n in nearer]), np.concatenate([deep[n] for n in nearer])
        through = np.hypot(*(points[:, None] - before).transpose(2, 0, 1)) * mm_per_px + its
        out.append(bool((through.min(axis=1) < 1.08 * depth + 1.0).mean() > _MOSTLY))
    return out


def whole_seams(parts: Sequence[Stroke], away: Away, mm_per_px: float) -> list[Points]:
    """Put the parts of the stitching lines of a piece together."""
    left = sorted(parts, key=lambda s: -s.length)
    middle = {id(s): float(np.median(away(_sampled(s.points)))) for s in left}
    out = []
    while left:
        line = left.pop(0)
        here, points = middle[id(line)], line.points
        while True:
            best: tuple[float, int, int, Stroke] | None = None
            for other in left:
                if abs(middle[id(other)] - here) > 1.0 + 0.3 * here:
                    continue
                for a in (0, -1):
                    for b in (0, -1):
                        gap = float(np.hypot(*(points[a] - other.points[b]))) * mm_per_px
                        if gap > LONGEST_GAP_MM and (
                            gap > SEAM_GAP_MM or float(away(np.array([points[a], other.points[b]])).min()) < EDGE_MM
                        ):
                            continue
                        if gap > 1.0 and not _ahead(points, a, other.points, b, mm_per_px):
                            continue
                        if best is None or gap < best[0]:
                            best = (gap, a, b, other)
            if best is None:
                break
            _, a, b, other = best
            mine = points[::-1] if a == 0 else points
            theirs = other.points if b == 0 else other.points[::-1]
            points = np.concatenate([mine, theirs])
            left = [s for s in left if s is not other]
        gap = float(np.hypot(*(points[0] - points[-1]))) * mm_per_px
        inside = gap < LONGEST_GAP_MM or (gap < SEAM_GAP_MM and float(away(points[[0, -1]]).min()) > EDGE_MM)
        if gap > 0 and inside and len(points) * mm_per_px > 3.0 * gap + 12.0:
            points = np.concatenate([points, points[:1]])
        out.append(points)
    return out


def _ahead(mine: Points, a: int, theirs: Points, b: int, mm_per_px: float) -> bool:
    """Return whether two ends of lines face each other: going on from one to the other is no turning back."""
    way = theirs[b] - mine[a]
    way = way / max(1e-9, float(np.hypot(*way)))
    reach = 3.0 / mm_per_px
    out = end_heading(mine, first=a == 0, reach_px=reach), end_heading(theirs, first=b == 0, reach_px=reach)
    return float(out[0] @ way) > _BACKWARDS and float(out[1] @ -way) > _BACKWARDS


def _sampled(points: Points) -> Points:
    return points[:: max(1, len(points) // 60)]
