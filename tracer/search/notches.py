"""Notches: told from the lines they run into and from letters on an outline; ticks side by side are one notch."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracer.search.dashes import first_bend
from tracer.search.graph import Points, angle
from tracer.search.strokes import Stroke

LEAST_TICK_MM, SHORT_APART_MM = 2.2, 4.2
"""Shorter ticks in a row, no farther apart, are what an outline leaves of letters (common practice, no source)."""
DOUBLE_MM = 5.0
"""Ticks of one double or triple notch stand no farther apart (common practice, no source)."""
LETTERS_APART_MM, LETTER_MM, LEAST_LETTERS = 2.6, 7.0, 3
"""So many small strokes so near on an outline are a word written across it (common practice, no source)."""
TIPS_APART_MM, WEDGE_MM = 1.2, (2.0, 10.0)
"""The legs of a wedge meet so nearly, and stand so far apart on the outline (common practice, no source)."""
_SPACE_MM = 0.5
LEAST_PARTED_MM, LEAST_LINE_MM = 4.0, 1.5
"""Shorter strokes are not parted, and what is left beside a notch is not shorter."""
_PARALLEL_RAD = math.radians(15)
_ALIKE = 0.7

Away = Callable[[Points], NDArray[np.float64]]
"""Gives the distance in mm of points (N, 2) to the outline of their piece, positive inside."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Notch:
    """A notch as drawn: its line, its foot on the outline, and how many ticks it has (0 for any other shape)."""

    points: Points
    foot: Points
    ticks: int = 0


def parted(stroke: Stroke, away: Away, mm_per_px: float, touch_mm: float) -> list[Stroke]:
    """Part a notch from the line it runs into: what stands on the outline and soon turns along it is two marks."""
    out: list[Stroke] = []
    rest = stroke
    for first in (True, False):
        if rest.closed or rest.length * mm_per_px < LEAST_PARTED_MM:
            break
        end = rest.points[0] if first else rest.points[-1]
        if abs(float(away(end[None])[0])) > touch_mm:
            continue
        cut = first_bend(rest.points, mm_per_px, first=first)
        if not cut:
            continue
        leg, line = (rest.points[: cut[0] + 1], rest.points[cut[0] :]) if first else (
            rest.points[cut[0] :], rest.points[: cut[0] + 1]
        )  # fmt: skip
        far = away(line[:: max(1, len(line) // 40)])
        middle = float(np.median(far))
        steady = float((np.abs(far - middle) < 0.8 + 0.08 * abs(middle)).mean())
        high = abs(float(away(rest.points[cut[0]][None])[0]))
        long = float(np.hypot(*(leg[-1] - leg[0]))) * mm_per_px
        if len(line) * mm_per_px < LEAST_LINE_MM or steady < 0.7 or middle < 2.0 or high < 0.6 * long:
            continue
        out.append(replace(rest, points=leg, spaces=0))
        rest = replace(rest, points=line)
    return [*out, rest]


def is_tick(points: Points, mm_per_px: float) -> bool:
    """Return whether a notch is one straight tick."""
    way = points[-1] - points[0]
    long = float(np.hypot(*way))
    if long < 1e-6:
        return False
    bow = np.abs((points - points[0]) @ np.array([-way[1], way[0]])) / long
    return bool(bow.max() * mm_per_px < max(0.4, 0.1 * long * mm_per_px))


def words_on_outline(notches: Sequence[Notch], mm_per_px: float) -> tuple[list[list[Notch]], list[Notch]]:
    """Tell letters that touch an outline from notches: groups of small strokes close together, and what is left.

    Ticks of equal length side by side are a double or triple notch and no letters.
    """
    small = [n for n in notches if _size(n) * mm_per_px < LETTER_MM]

    def near(a: Notch, b: Notch) -> bool:
        short = max(_size(a), _size(b)) * mm_per_px < LEAST_TICK_MM
        far = float(np.hypot(*(a.foot - b.foot))) * mm_per_px
        return far < (LETTERS_APART_MM if not short else SHORT_APART_MM)

    words = []
    for group in _groups(small, SHORT_APART_MM / mm_per_px, near):
        sizes = [_size(n) for n in group]
        even = all(n.ticks for n in group) and min(sizes) > max(_ALIKE * max(sizes), LEAST_TICK_MM / mm_per_px)
        if len(group) >= LEAST_LETTERS and not even:
            words.append(group)
    gone = {id(n) for group in words for n in group}
    return words, [n for n in notches if id(n) not in gone]


def _size(notch: Notch) -> float:
    return float(np.ptp(notch.points, axis=0).max())


def joined_ticks(notches: Sequence[Notch], mm_per_px: float) -> list[Notch]:
    """Return notches with ticks side by side taken together: a double or a triple notch is one mark.

    Its line runs down the first tick, along the outline and up the last one.
    """
    ticks = [n for n in notches if n.ticks]
    out = [n for n in notches if not n.ticks]
    wedges, ticks = _wedges(ticks, mm_per_px)
    out += wedges
    for group in _groups(ticks, DOUBLE_MM / mm_per_px, _side_by_side):
        if len(group) == 1:
            out.append(group[0])
            continue
        along = group[-1].foot - group[0].foot
        order = sorted(group, key=lambda n: float(n.foot @ along))
        points = [order[0].points[::-1]]
        for n in order[1:-1]:
            points += [n.points, n.points[::-1]]
        points.append(order[-1].points)
        out.append(Notch(points=np.concatenate(points), foot=(order[0].foot + order[-1].foot) / 2, ticks=len(group)))
    return out


def _wedges(ticks: list[Notch], mm_per_px: float) -> tuple[list[Notch], list[Notch]]:
    """Put the two legs of a wedge together that a line at its tip has parted, and return the other ticks too."""
    out, left = [], list(ticks)
    for i, one in enumerate(ticks):
        for other in ticks[i + 1 :]:
            if not any(one is n for n in left) or not any(other is n for n in left):
                continue
            tips = float(np.hypot(*(one.points[-1] - other.points[-1]))) * mm_per_px
            feet = float(np.hypot(*(one.foot - other.foot))) * mm_per_px
            if tips < TIPS_APART_MM and WEDGE_MM[0] < feet < WEDGE_MM[1]:
                points = np.concatenate([one.points, other.points[::-1]])
                out.append(Notch(points=points, foot=(one.foot + other.foot) / 2))
                left = [n for n in left if n is not one and n is not other]
    return out, left


def drawn_part(points: Points, foot_first: bool, mask: NDArray[np.uint8], mm_per_px: float) -> Points:
    """Return a notch's line from its foot to where the first space is: no notch is drawn with spaces."""
    chain = points if foot_first else points[::-1]
    x = np.clip(np.rint(chain[:, 0]).astype(np.int64), 0, mask.shape[1] - 1)
    y = np.clip(np.rint(chain[:, 1]).astype(np.int64), 0, mask.shape[0] - 1)
    bare = mask[y, x] == 0
    width = max(2, round(_SPACE_MM / mm_per_px))
    run = np.convolve(bare.astype(np.float64), np.ones(width), mode="valid")
    gap = np.flatnonzero(run >= width)
    kept = chain[: int(gap[0])] if len(gap) else chain
    if len(kept) < 3:
        return points
    return kept if foot_first else kept[::-1]


def _side_by_side(a: Notch, b: Notch) -> bool:
    ways = [n.points[-1] - n.points[0] for n in (a, b)]
    long = [float(np.hypot(*w)) for w in ways]
    if min(long) < _ALIKE * max(long):
        return False
    return angle(ways[0] / long[0], ways[1] / long[1]) < _PARALLEL_RAD


def _groups(
    notches: Sequence[Notch], reach_px: float, alike: Callable[[Notch, Notch], bool] | None = None
) -> list[list[Notch]]:
    """Return notches in groups of which each has another within reach."""
    left = list(notches)
    out = []
    while left:
        group = [left.pop(0)]
        k = 0
        while k < len(group):
            near = [
                n for n in left
                if float(np.hypot(*(n.foot - group[k].foot))) < reach_px and (alike is None or alike(n, group[k]))
            ]  # fmt: skip
            group += near
            left = [n for n in left if not any(n is m for m in near)]
            k += 1
        out.append(group)
    return out
