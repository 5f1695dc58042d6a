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

from tracer.curves.meeting import Arm, corner_sides, sharp_point, short_of_corner

Points = NDArray[np.float64]

_ARM_MM, _ARM_POINTS = 5.0, 24
"""Length of readable line from which it is told where it goes on: so many points at least (our own choice)."""
_LEAST_SIGMA_MM = 0.04
_SIGMA_PER_MM = 0.02
"""Growth of the uncertainty of a carried line with the length of the hole (from memory of what hand-drawn lines do)."""
_CORNER_DEG = 15.0
_CORNER_RUN_MM, _CORNER_RUN_POINTS = 3.0, 16
"""Over shorter holes a corner is not cut by a bend (our own choice)."""
_ISLAND_MM = 15.0
_TRIMS_MM = (0.0, 2.5, 5.0, 8.0, 12.0)
_STRAIGHT_ON_DEG = 4.0
_LEAST_ARM_SIGMA_MM = 0.01
"""Points of an arm count alike that are better known than this (our own choice)."""
_ARM_SKIP = 4
_ISLANDS_MM, _ISLANDS_SIGMA_MM = 15.0, 0.03
"""An arm is led on over further holes for so long, where its parts lie on one line this well (lettering that stands on
an outline leaves short readable pieces between its letters; our own choice)."""
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
    sharp: list[int] = []
    seen = _without_specks(points, sigma, seen, spacing_mm=spacing_mm, closed=closed)
    seen = _without_merged(points, sigma, seen, spacing_mm=spacing_mm, closed=closed)
    seen = _without_islands(points, sigma, seen, spacing_mm=spacing_mm, near_mm=near_mm, closed=closed)
    seen = _without_strays(points, sigma, seen, spacing_mm=spacing_mm, near_mm=near_mm, closed=closed)
    rough_sigma = max(near_mm, 2 * _LEAST_SIGMA_MM)
    arm_mm = max(_ARM_MM, _ARM_POINTS * spacing_mm)
    for first, count in runs_of(~seen, closed=closed):
        index = (first + np.arange(count)) % len(points)
        sigma[index] = rough_sigma
        length = (count + 1) * spacing_mm
        before = _arm(points, sigma, seen, first - 1, -1, spacing_mm, closed=closed)
        after = _arm(points, sigma, seen, first + count, 1, spacing_mm, closed=closed)
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


def _without_specks(
    points: Points, sigma: NDArray[np.float64], seen: NDArray[np.bool_], *, spacing_mm: float, closed: bool
) -> NDArray[np.bool_]:
    """Return what is seen without stretches between holes that are too short to tell where the line goes from there."""
    seen = seen.copy()
    for first, count in runs_of(seen, closed=closed):
        if count == len(points) or count >= 2 * _ARM_SKIP:
            continue
        ends = ((first, 1), (first + count - 1, -1))
        if any(_arm(points, sigma, seen, end, way, spacing_mm, closed=closed) is None for end, way in ends):
            seen[(first + np.arange(count)) % len(points)] = False
    return seen


def _without_islands(
    points: Points,
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
    *,
    spacing_mm: float,
    near_mm: float,
    closed: bool,
) -> NDArray[np.bool_]:
    """Return what is seen without short stretches between holes that lie aside of the line across both."""
    seen = seen.copy()
    n = len(points)
    for _ in range(8):
        runs = runs_of(~seen, closed=closed)
        changed = False
        pairs = list(itertools.pairwise(runs)) + ([(runs[-1], runs[0])] if closed and len(runs) > 1 else [])
        for (first, count), (next_first, next_count) in pairs:
            island = np.arange(first + count, next_first if next_first > first else next_first + n) % n
            if not 0 < len(island) * spacing_mm < _ISLAND_MM:
                continue
            before = _arm(points, sigma, seen, first - 1, -1, spacing_mm, closed=closed)
            after = _arm(points, sigma, seen, next_first + next_count, 1, spacing_mm, closed=closed)
            if before is None or after is None or min(before.count, after.count) < 2 * _ARM_SKIP:
                continue
            if not _in_line(before.end, before.direction, after.end, after.direction):
                continue
            chord = after.end - before.end
            rel = points[island] - before.end
            aside = np.abs(rel[:, 0] * chord[1] - rel[:, 1] * chord[0]) / max(math.hypot(*chord), 1e-9)
            # A bend of the line itself takes the chord away from it by no more than the arms' own turn says.
            turn = math.acos(min(1.0, float(before.direction @ after.direction)))
            if float(np.median(aside)) > 0.6 * near_mm + math.hypot(*chord) * turn / 4:
                seen[island] = False
                changed = True
        if not changed:
            break
    return seen


def _without_merged(
    points: Points, sigma: NDArray[np.float64], seen: NDArray[np.bool_], *, spacing_mm: float, closed: bool
) -> NDArray[np.bool_]:
    """Return what is seen without stretches between holes that turn off from the straight line on which both arms lie.

    Two lines that cross at a small angle are one stroke for a while, and in places as broad as one line by chance: what
    is read there runs between both.
    """
    seen = seen.copy()
    n = len(points)
    runs = runs_of(~seen, closed=closed)
    for one, (first, _) in enumerate(runs):
        for number in range(one + 1, min(one + _MERGED, len(runs) - 1 + (one if closed else 0)) + 1):
            next_first, next_count = runs[number % len(runs)]
            between = (first + np.arange((next_first - first) % n)) % n
            if not between.size or between.size * spacing_mm > _ISLANDS_MM:
                break
            before = _arm(points, sigma, seen, first - 1, -1, spacing_mm, closed=closed)
            after = _arm(points, sigma, seen, next_first + next_count, 1, spacing_mm, closed=closed)
            if before is None or after is None or min(before.count, after.count) < 2 * _ARM_SKIP:
                continue
            if not _in_line(before.end, before.direction, after.end, after.direction, _ARMS_AGREE_DEG):
                continue
            for start, count in runs_of(seen[between], closed=False):
                island = between[start : start + count]
                short = count * spacing_mm < _MERGED_MM
                if short and _turns_off(points[island], sigma[island], after.end - before.end):
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


def _without_strays(
    points: Points,
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
    *,
    spacing_mm: float,
    near_mm: float,
    closed: bool,
) -> NDArray[np.bool_]:
    """Return what is seen without readable points beside a hole that follow another line than both farther arms.

    Where a hole's arms neither point at each other nor meet in a corner, arms a little farther away may: what lies
    between is then the stray.
    """
    seen = seen.copy()
    n = len(points)
    arm_mm = max(_ARM_MM, _ARM_POINTS * spacing_mm)
    trims = [(a, b) for a in _TRIMS_MM for b in _TRIMS_MM if a + b > 0]
    for first, count in runs_of(~seen, closed=closed):
        if count * spacing_mm < _CORNER_RUN_MM:
            continue
        before = _arm(points, sigma, seen, first - 1, -1, spacing_mm, closed=closed)
        after = _arm(points, sigma, seen, first + count, 1, spacing_mm, closed=closed)
        if before is None or after is None:
            continue
        p0, d0, p3, d3 = before.end, before.direction, after.end, after.direction
        turn = abs(math.atan2(float(d0[0] * d3[1] - d0[1] * d3[0]), float(d0 @ d3)))
        hole = points[(first + np.arange(count)) % n]
        if turn > math.radians(_POINT_DEG) or _in_line(p0, d0, p3, d3):
            continue
        if turn > math.radians(_CORNER_DEG) and corner_sides(before, after, turn, hole, near_mm, arm_mm) is not None:
            continue
        for a, b in sorted(trims, key=sum):
            back, ahead = round(a / spacing_mm), round(b / spacing_mm)
            one = _arm(points, sigma, seen, first - 1 - back, -1, spacing_mm, closed=closed)
            other = _arm(points, sigma, seen, first + count + ahead, 1, spacing_mm, closed=closed)
            if one is None or other is None or min(one.count, other.count) < 2 * _ARM_SKIP:
                continue
            if _in_line(one.end, one.direction, other.end, other.direction, _STRAIGHT_ON_DEG):
                index = np.arange(first - back, first + count + ahead)
                seen[index % n if closed else index[(index >= 0) & (index < n)]] = False
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


def _arm(
    points: Points,
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
    end: int,
    direction: int,
    spacing: float,
    *,
    closed: bool,
) -> Arm | None:
    """Return the readable line beside a hole (parabola in arc length)."""
    n = len(points)
    steps = np.arange(max(_ARM_POINTS, round(_ARM_MM / spacing)))
    index = end + direction * steps
    if closed:
        index = index % n
    else:
        index = index[(index >= 0) & (index < n)]
    stop = np.nonzero(~seen[index])[0]
    if len(stop):
        index = index[: stop[0]]
    if len(index) < 5 * _ARM_SKIP:
        led_on = _arm_of_islands(points, sigma, seen, end, direction, spacing, closed=closed)
        if led_on is not None:
            return led_on
    if len(index) < 4:
        return None
    # What hides the line begins gradually: the first readable points lean towards it.
    skip = _ARM_SKIP if len(index) >= 4 * _ARM_SKIP else 0
    s = np.arange(skip, len(index), dtype=np.float64) * spacing
    index = index[skip:]
    weight = 1 / np.maximum(sigma[index], _LEAST_ARM_SIGMA_MM)
    count = short_of_corner(points[index], s, weight)
    index, s, weight = index[:count], s[:count], weight[:count]
    degree = 2 if len(index) >= 12 and _is_bent(points[index], s, weight) else 1
    x, y = (np.polyfit(s, points[index, k], degree, w=weight) for k in (0, 1))
    slope = direction * np.array([x[-2], y[-2]])
    length = float(np.hypot(*slope))
    if length < 1e-9:
        return None
    bend = np.array([x[0], y[0]]) if degree == 2 else np.zeros(2)
    return Arm(
        np.array([x[-1], y[-1]]), slope / length, -direction * slope, bend, len(index), float(np.median(sigma[index]))
    )


def _arm_of_islands(
    points: Points,
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
    end: int,
    direction: int,
    spacing: float,
    *,
    closed: bool,
) -> Arm | None:
    """Return a straight arm from the short readable pieces beside a hole, if they lie on one line."""
    n = len(points)
    steps = np.arange(round(_ISLANDS_MM / spacing))
    index = end + direction * steps
    if closed:
        steps = steps[: n // 2]
    else:
        steps = steps[(index >= 0) & (index < n)]
    index = (end + direction * steps) % n
    steps, index = steps[seen[index]], index[seen[index]]
    if len(index) < 4 * _ARM_SKIP or steps[-1] * spacing < _ARM_MM / 2:
        return None
    middle = points[index].mean(axis=0)
    _, _, axes = np.linalg.svd(points[index] - middle, full_matrices=False)
    aside = (points[index] - middle) @ axes[1]
    if float(np.sqrt((aside**2).mean())) > _ISLANDS_SIGMA_MM:
        return None
    outward = axes[0] if float(axes[0] @ (points[index[0]] - points[index[-1]])) > 0 else -axes[0]
    first = middle + float((points[end % n] - middle) @ outward) * outward
    return Arm(first, -direction * outward, outward, np.zeros(2), len(index), float(np.median(sigma[index])))


def _is_bent(points: Points, s: NDArray[np.float64], weight: NDArray[np.float64]) -> bool:
    """Tell whether a parabola describes an arm better than chance would have it (F test at three sigma).

    The bend of a straight arm is noise, and at the far side of a hole several times as much of it.
    """
    rest = []
    for degree in (1, 2):
        fit = np.polyfit(s, points, degree, w=weight)
        rest.append(float((((points - np.vander(s, degree + 1) @ fit) * weight[:, None]) ** 2).sum()))
    return rest[0] > rest[1] * (1 + 9.0 / max(len(s) - 3, 1))
