"""Carrying an outline across stretches that could not be read.

Where the evidence has a hole (a bridged gap, text over the line, a crossing) the line is carried on from both sides:
by the cubic that leaves and arrives as the readable line does, as long as it stays near the rough outline there or
both sides point at each other; over a corner, by both sides until they meet; else the rough outline itself stands, with
its own uncertainty. A few readable points between two holes that lie aside of the line carried across both belong to
something else (a grid line that the rough outline strayed along) and are taken for unseen.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.curves.arms import ARM_MM, ARM_POINTS, ARM_SKIP, ISLANDS_MM, ReadLine
from tracer.curves.meeting import corner_sides, sharp_point

Points = NDArray[np.float64]

_LEAST_SIGMA_MM = 0.04
_SIGMA_PER_MM = 0.02
"""Growth of the uncertainty of a carried line with the length of the hole (from memory of what hand-drawn lines do)."""
_CORNER_DEG = 15.0
_CORNER_RUN_MM, _CORNER_RUN_POINTS = 3.0, 16
"""Over shorter holes a corner is not cut by a bend (our own choice)."""
_ISLAND_MM = 15.0
_TRIMS_MM = (0.0, 2.5, 5.0, 8.0, 12.0)
_STRAIGHT_ON_DEG = 4.0
_ARMS_AGREE_DEG, _TURNS_OFF_DEG = 0.5, 2.0
"""Where arms lie on one line as nearly, what turns off between them by so much is no part of it (our own choice)."""
_MERGED, _MERGED_MM = 3, 3.0
"""So many holes beyond one are looked at for its other arm, and so long may a stretch between be (our own choice)."""
_LONGEST_MM = 60.0
"""Longest hole that is crossed against the rough outline (our own choice: two inch squares of a mat)."""
_POINT_DEG = 150.0
"""Turns beyond this are points whose arms may touch before they meet."""


def runs_of(flags: NDArray[np.bool_], *, closed: bool) -> list[tuple[int, int]]:
    """Return (first, count) of each run of True; a run across the end of a closed line is one."""
    n = len(flags)
    if not flags.any():
        return []
    if flags.all():
        return [(0, n)]
    edges = np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8))
    firsts, ends = np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0]
    runs = [(int(a), int(b - a)) for a, b in zip(firsts, ends, strict=True)]
    if closed and len(runs) > 1 and runs[0][0] == 0 and sum(runs[-1]) == n:
        first, count = runs.pop()
        runs[0] = (first, count + runs[0][1])
    return runs


def carry_across(
    points: Points,
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
    *,
    spacing_mm: float,
    near_mm: float,
    closed: bool,
) -> tuple[Points, NDArray[np.float64], NDArray[np.bool_], tuple[int, ...]]:
    """Return points and uncertainties with the unseen stretches filled in, what counts as seen, and the points' places.

    The latter are indices of points where both sides of a stretch run together into a sharp one, or meet in a corner
    so far from any bend between them that the rough outline would not pass by it.

    Parameters
    ----------
    near_mm : float
        How far the rough outline may be from the line.
    """
    points, sigma = points.copy(), sigma.copy()
    line = ReadLine(points=points, sigma_mm=sigma, spacing_mm=spacing_mm, closed=closed)
    sharp: list[int] = []
    seen = _without_specks(line, seen)
    seen = _without_merged(line, seen)
    seen = _without_islands(line, seen, near_mm=near_mm)
    seen = _without_strays(line, seen, near_mm=near_mm)
    rough_sigma = max(near_mm, 2 * _LEAST_SIGMA_MM)
    arm_mm = max(ARM_MM, ARM_POINTS * spacing_mm)
    for first, count in runs_of(~seen, closed=closed):
        index = (first + np.arange(count)) % len(points)
        sigma[index] = rough_sigma
        length = (count + 1) * spacing_mm
        before = line.arm(seen, first - 1, -1)
        after = line.arm(seen, first + count, 1)
        if before is None or after is None:
            continue
        p0, d0, p3, d3 = before.end, before.direction, after.end, after.direction
        carried_sigma = max(_LEAST_SIGMA_MM, _SIGMA_PER_MM * length, before.sigma_mm, after.sigma_mm)
        # An arm that misses the point at its end has a corner in it: it tells nothing of where the line goes on.
        if max(math.dist(p0, points[first - 1]), math.dist(p3, points[(first + count) % len(points)])) > near_mm:
            continue
        turn = abs(math.atan2(float(d0[0] * d3[1] - d0[1] * d3[0]), float(d0 @ d3)))
        if turn > math.radians(_CORNER_DEG):
            if turn < math.radians(_POINT_DEG):
                sides = corner_sides(before, after, turn, points[index], near_mm, arm_mm)
                if sides is not None:
                    bent = _bridge(p0, d0, p3, d3, count)
                    told = float(np.hypot(*(bent - sides[1][0]).T).min()) > 2 * near_mm
                    sharp += [int(index[_turning(*sides, count) - 1])] if told else []
            else:
                sides = sharp_point(before, after, points[index], near_mm)
                sharp += [] if sides is None else [int(index[_turning(*sides, count) - 1])]
            if sides is not None:
                points[index] = _through(*sides, count)
                sigma[index] = carried_sigma
                continue
            if length < max(_CORNER_RUN_MM, _CORNER_RUN_POINTS * spacing_mm):
                continue
        bridge = _bridge(p0, d0, p3, d3, count)
        rough = points[index]
        if count > 8:
            rough = ndimage.uniform_filter1d(rough, 7, axis=0, mode="nearest")
        gentle = turn < math.radians(_CORNER_DEG) and _in_line(p0, d0, p3, d3)
        if count > 2 and not gentle and float(np.hypot(*(_aside(bridge, rough)).T).max()) > near_mm + 0.03 * length:
            continue
        points[index] = bridge
        sigma[index] = carried_sigma
    return points, sigma, seen, tuple(sharp)


def _bridge(p0: Points, d0: Points, p3: Points, d3: Points, count: int) -> Points:
    """Return so many points of the cubic that leaves one place and arrives at another in given directions."""
    handle = float(np.hypot(*(p3 - p0))) / 3
    t = (np.arange(1, count + 1) / (count + 1))[:, None]
    s = 1 - t
    return np.asarray(s**3 * p0 + 3 * s * s * t * (p0 + handle * d0) + 3 * s * t * t * (p3 - handle * d3) + t**3 * p3)


def _without_specks(line: ReadLine, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what is seen without stretches between holes that are too short to tell where the line goes from there."""
    seen = seen.copy()
    for first, count in runs_of(seen, closed=line.closed):
        if count == len(line.points) or count >= 2 * ARM_SKIP:
            continue
        ends = ((first, 1), (first + count - 1, -1))
        if any(line.arm(seen, end, way) is None for end, way in ends):
            seen[(first + np.arange(count)) % len(line.points)] = False
    return seen


def _without_islands(line: ReadLine, seen: NDArray[np.bool_], *, near_mm: float) -> NDArray[np.bool_]:
    """Return what is seen without short stretches between holes that lie aside of the line across both."""
    seen = seen.copy()
    n = len(line.points)
    for _ in range(8):
        runs = runs_of(~seen, closed=line.closed)
        changed = False
        pairs = list(itertools.pairwise(runs)) + ([(runs[-1], runs[0])] if line.closed and len(runs) > 1 else [])
        for (first, count), (next_first, next_count) in pairs:
            island = np.arange(first + count, next_first if next_first > first else next_first + n) % n
            if not 0 < len(island) * line.spacing_mm < _ISLAND_MM:
                continue
            before = line.arm(seen, first - 1, -1)
            after = line.arm(seen, next_first + next_count, 1)
            if before is None or after is None or min(before.count, after.count) < 2 * ARM_SKIP:
                continue
            if not _in_line(before.end, before.direction, after.end, after.direction):
                continue
            chord = after.end - before.end
            rel = line.points[island] - before.end
            aside = np.abs(rel[:, 0] * chord[1] - rel[:, 1] * chord[0]) / max(math.hypot(*chord), 1e-9)
            # A bend of the line itself takes the chord away from it by no more than the arms' own turn says.
            turn = math.acos(min(1.0, float(before.direction @ after.direction)))
            if float(np.median(aside)) > 0.6 * near_mm + math.hypot(*chord) * turn / 4:
                seen[island] = False
                changed = True
        if not changed:
            break
    return seen


def _without_merged(line: ReadLine, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what is seen without stretches between holes that turn off from the straight line on which both arms lie.

    Two lines that cross at a small angle are one stroke for a while, and in places as broad as one line by chance: what
    is read there runs between both.
    """
    seen = seen.copy()
    n = len(line.points)
    runs = runs_of(~seen, closed=line.closed)
    for one, (first, _) in enumerate(runs):
        for number in range(one + 1, min(one + _MERGED, len(runs) - 1 + (one if line.closed else 0)) + 1):
            next_first, next_count = runs[number % len(runs)]
            between = (first + np.arange((next_first - first) % n)) % n
            if not between.size or between.size * line.spacing_mm > ISLANDS_MM:
                break
            before = line.arm(seen, first - 1, -1)
            after = line.arm(seen, next_first + next_count, 1)
            if before is None or after is None or min(before.count, after.count) < 2 * ARM_SKIP:
                continue
            if not _in_line(before.end, before.direction, after.end, after.direction, _ARMS_AGREE_DEG):
                continue
            for start, count in runs_of(seen[between], closed=False):
                island = between[start : start + count]
                short = count * line.spacing_mm < _MERGED_MM
                if short and _turns_off(line.points[island], line.sigma_mm[island], after.end - before.end):
                    seen[island] = False
    return seen


def _turns_off(island: Points, sigma: NDArray[np.float64], chord: Points) -> bool:
    """Return whether points run another way than a chord, by more than their noise."""
    way = chord / math.hypot(*chord)
    along, aside = island @ way, island @ np.array([-way[1], way[0]])
    along = along - along.mean()
    spread = float(along @ along)
    if len(island) < 4 or spread < 1e-9:
        return False
    slope, doubt = abs(float(along @ aside)) / spread, float(np.median(sigma)) / math.sqrt(spread)
    return slope > max(math.tan(math.radians(_TURNS_OFF_DEG)), 4 * doubt)


def _without_strays(line: ReadLine, seen: NDArray[np.bool_], *, near_mm: float) -> NDArray[np.bool_]:
    """Return what is seen without readable points beside a hole that follow another line than both farther arms.

    Where a hole's arms neither point at each other nor meet in a corner, arms a little farther away may: what lies
    between is then the stray.
    """
    seen = seen.copy()
    n = len(line.points)
    arm_mm = max(ARM_MM, ARM_POINTS * line.spacing_mm)
    trims = [(a, b) for a in _TRIMS_MM for b in _TRIMS_MM if a + b > 0]
    for first, count in runs_of(~seen, closed=line.closed):
        if count * line.spacing_mm < _CORNER_RUN_MM:
            continue
        before = line.arm(seen, first - 1, -1)
        after = line.arm(seen, first + count, 1)
        if before is None or after is None:
            continue
        p0, d0, p3, d3 = before.end, before.direction, after.end, after.direction
        turn = abs(math.atan2(float(d0[0] * d3[1] - d0[1] * d3[0]), float(d0 @ d3)))
        hole = line.points[(first + np.arange(count)) % n]
        if turn > math.radians(_POINT_DEG) or _in_line(p0, d0, p3, d3):
            continue
        if turn > math.radians(_CORNER_DEG) and corner_sides(before, after, turn, hole, near_mm, arm_mm) is not None:
            continue
        for a, b in sorted(trims, key=sum):
            back, ahead = round(a / line.spacing_mm), round(b / line.spacing_mm)
            one = line.arm(seen, first - 1 - back, -1)
            other = line.arm(seen, first + count + ahead, 1)
            if one is None or other is None or min(one.count, other.count) < 2 * ARM_SKIP:
                continue
            if _in_line(one.end, one.direction, other.end, other.direction, _STRAIGHT_ON_DEG):
                index = np.arange(first - back, first + count + ahead)
                seen[index % n if line.closed else index[(index >= 0) & (index < n)]] = False
                break
    return seen


def _in_line(p0: Points, d0: Points, p3: Points, d3: Points, within_deg: float = _CORNER_DEG) -> bool:
    """Tell whether both arms point at each other: the line then goes on, whatever the rough outline did there.

    (It may have strayed along another line that touches this one.)
    """
    gap = p3 - p0
    length = math.hypot(gap[0], gap[1])
    if not 1e-9 < length < _LONGEST_MM:
        return False
    limit = length * math.cos(math.radians(within_deg))
    return float(gap @ d0) > limit and float(gap @ d3) > limit


def _through(one: Points, other: Points, count: int) -> Points:
    """Return evenly spaced points along two sides, without their far ends, the corner itself among them."""
    first = _turning(one, other, count)
    up = np.arange(1, first + 1) / first
    down = np.arange(1, count - first + 1) / (count - first + 1)
    return np.vstack([_along(one, up), _along(other, down)])


def _turning(one: Points, other: Points, count: int) -> int:
    """Return which of so many points along two sides is the corner, counted from one."""
    lengths = [float(np.hypot(*np.diff(side, axis=0).T).sum()) for side in (one, other)]
    return min(max(round((count + 1) * lengths[0] / max(sum(lengths), 1e-9)), 1), count)


def _along(side: Points, share: NDArray[np.float64]) -> Points:
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(side, axis=0).T))])
    at = share * way[-1]
    return np.stack([np.interp(at, way, side[:, 0]), np.interp(at, way, side[:, 1])], axis=1)


def _aside(bridge: Points, rough: Points) -> Points:
    """Return the offsets of rough points from the bridge across it."""
    along = np.gradient(bridge, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    rel = rough - bridge
    return np.asarray(rel - (rel * along).sum(axis=1, keepdims=True) * along)
