"""Straight lines put together again where they cross an outline or each other.

Where a line crosses another one at a small angle their inks run together for a while, and thinning bends what is left
of it towards the other. Farther back it is as straight as it was drawn: two such arms on one straight line, both ending
at an outline, are one line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.search.graph import Points, angle
from tracer.search.strokes import Stroke, joined, turned

REACH_MM = 16.0
"""Two lines of half a millimetre that cross at three degrees run together for about so long (geometry)."""
CROSSED_MM = 2.0
"""Where two lines cross that are no outlines, thinning parts one of them for no longer than this (geometry)."""
_ARM_MM, _LEAST_ARM_MM = 14.0, 3.0
_STRAIGHT_MM, _ASIDE_MM, _TURN_RAD = 0.25, 0.5, math.radians(3.5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Arm:
    """The straight part behind the end of a stroke: its end, its direction out, and the points that lie on it."""

    end: Points
    out: NDArray[np.float64]
    points: Points


def join_across(strokes: Sequence[Stroke], allowed: NDArray[np.bool_], mm_per_px: float) -> list[Stroke]:
    """Join straight strokes that lie on one straight line.

    Parameters
    ----------
    strokes : sequence of Stroke
    allowed : ndarray of bool, shape (N, 2)
        Whether the first and the last end of each lie at an outline. Others are joined across another line only.
    mm_per_px : float
    """
    arms: dict[tuple[int, int], _Arm] = {}
    for k, stroke in enumerate(strokes):
        for side in (0, 1):
            arm = None if stroke.closed else _arm(stroke.points, mm_per_px, first=side == 0)
            if arm is not None:
                arms[k, side] = arm
    names = list(arms)
    if len(names) < 2:
        return list(strokes)
    tree = cKDTree(np.array([arms[n].end for n in names]))
    options = []
    for i, j in tree.query_pairs(REACH_MM / mm_per_px):
        a, b = arms[names[i]], arms[names[j]]
        if names[i][0] == names[j][0]:
            continue
        way = b.end - a.end
        if float(np.hypot(*way)) * mm_per_px > CROSSED_MM and not (allowed[names[i]] and allowed[names[j]]):
            continue
        aside = max(abs(_cross(way, a.out)), abs(_cross(way, b.out))) * mm_per_px
        # Their inks may have run together on the one side farther than where the other one begins.
        if math.pi - angle(a.out, b.out) < _TURN_RAD and aside < _ASIDE_MM and float(way @ a.out) > -1.0 / mm_per_px:
            options.append((float(np.hypot(*way)), names[i], names[j]))
    out: list[Stroke | None] = list(strokes)
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    for _, a_name, b_name in sorted(options):
        if a_name not in partner and b_name not in partner:
            partner[a_name], partner[b_name] = b_name, a_name
    done: list[Stroke] = []
    for start in sorted(partner):
        k, side = start
        if out[k] is None or ((k, 1 - side) in partner and not _is_ring(start, partner)):
            continue
        whole: Stroke | None = None
        at: tuple[int, int] | None = (k, 1 - side)
        while at is not None and out[at[0]] is not None:
            k, entered = at
            part = _without_tails(strokes[k], [arms.get((k, s)) if (k, s) in partner else None for s in (0, 1)])
            part = part if entered == 0 else turned(part)
            out[k] = None
            whole = part if whole is None else joined(whole, part)
            at = partner.get((k, 1 - entered))
        if whole is not None:
            done.append(whole)
    return [s for s in out if s is not None] + done


def _is_ring(start: tuple[int, int], partner: dict[tuple[int, int], tuple[int, int]]) -> bool:
    """Return whether following partners from an end leads back to it."""
    at = start
    for _ in range(len(partner)):
        other = partner.get(at)
        if other is None:
            return False
        at = (other[0], 1 - other[1])
        if at == start:
            return True
    return False


def _arm(points: Points, mm_per_px: float, *, first: bool) -> _Arm | None:
    """Return the straight arm behind one end of a stroke, if there is one."""
    chain = points if first else points[::-1]
    chain = chain[: round(_ARM_MM / mm_per_px)]
    least = round(_LEAST_ARM_MM / mm_per_px)
    if len(chain) < least:
        return None
    # What is nearest to the outline is bent: the far half tells the direction.
    far = chain[len(chain) // 2 :]
    middle = far.mean(axis=0)
    _, _, axes = np.linalg.svd(far - middle, full_matrices=False)
    out = axes[0] if float(axes[0] @ (chain[0] - chain[-1])) > 0 else -axes[0]
    on = np.abs((chain - middle) @ np.array([-out[1], out[0]])) * mm_per_px < _STRAIGHT_MM
    bent = np.flatnonzero(~on)
    begin = int(bent[-1]) + 1 if len(bent) else 0
    if len(chain) - begin < least:
        return None
    straight = chain[begin:]
    middle = straight.mean(axis=0)
    _, _, axes = np.linalg.svd(straight - middle, full_matrices=False)
    out = axes[0] if float(axes[0] @ out) > 0 else -axes[0]
    return _Arm(end=middle + float((straight[0] - middle) @ out) * out, out=out, points=straight)


def _without_tails(stroke: Stroke, arms: Sequence[_Arm | None]) -> Stroke:
    """Return a stroke less what was bent towards the outline at its ends."""
    points = stroke.points
    for side, arm in enumerate(arms):
        if arm is None:
            continue
        chain = points if side == 0 else points[::-1]
        begin = int(np.argmin(((chain - arm.points[0]) ** 2).sum(axis=1)))
        chain = np.concatenate([arm.end[None], chain[begin + 1 :]])
        points = chain if side == 0 else chain[::-1]
    return Stroke(points=points, edges=stroke.edges, spaces=stroke.spaces, mass=stroke.mass, closed=False)


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    return float(a[0] * b[1] - a[1] * b[0])
