"""Settling: every piece slid up and to the left as far as the exact polygons let it, all at once.

The order in which pieces follow each other along an axis is kept; the least free travel between each two of them is
a difference constraint, and one linear program (HiGHS) finds the shortest lay that keeps them all. It mends the
tiny overlaps of a lay found in single precision and closes the slack that was left by simplified polygons. (The
idea: Li and Milenkovic, "Compaction and separation algorithms for non-convex polygons and their applications",
European Journal of Operational Research 84, 1995, here along one axis at a time.)
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array

from tracer.lay.bodies import Body, Pose
from tracer.lay.shapes import Solid, rings

_OVERLAP_MM = 0.05
"""Overlaps up to this are taken for rounding and pushed apart; the solver's are some hundred times smaller."""
_TOUCH_MM = 1e-7
_REACH_MM = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    """Edges of a solid for travel along +y: entering it and leaving it, each (x0, y0, x1, y1) with x0 < x1."""

    entering: NDArray[np.float64]
    leaving: NDArray[np.float64]
    box: tuple[float, float, float, float]


def _edges(solid: Solid, *, swapped: bool) -> _Edges:
    """Return the edges; ``swapped`` exchanges x and y."""
    entering, leaving = [], []
    for ring in rings(solid):
        points = ring[::-1, ::-1] if swapped else ring
        segments = np.hstack([points, np.roll(points, -1, axis=0)])
        dx = segments[:, 2] - segments[:, 0]
        entering.append(segments[dx > 1e-12])
        leaving.append(segments[dx < -1e-12][:, [2, 3, 0, 1]])
    x0, y0, x1, y1 = solid.bounds
    box = (y0, x0, y1, x1) if swapped else (x0, y0, x1, y1)
    return _Edges(np.concatenate(entering), np.concatenate(leaving), box)


def _shifted(edges: _Edges, dx: float, dy: float) -> _Edges:
    move = np.array([dx, dy, dx, dy])
    x0, y0, x1, y1 = edges.box
    return _Edges(edges.entering + move, edges.leaving + move, (x0 + dx, y0 + dy, x1 + dx, y1 + dy))


_Spans = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.intp]]
"""For each edge over each slab: a key that sorts by slab and height, heights at both ends, the slab."""


def _spans(edges: NDArray[np.float64], left: NDArray[np.float64], right: NDArray[np.float64]) -> _Spans:
    middle = (left + right) / 2
    slab, edge = np.nonzero((edges[None, :, 0] <= middle[:, None]) & (edges[None, :, 2] >= middle[:, None]))
    e = edges[edge]
    slope = (e[:, 3] - e[:, 1]) / (e[:, 2] - e[:, 0])
    at_left = e[:, 1] + slope * (left[slab] - e[:, 0])
    at_right = e[:, 1] + slope * (right[slab] - e[:, 0])
    key = slab * 1e7 + (at_left + at_right) / 2
    order = np.argsort(key, kind="stable")
    return key[order], at_left[order], at_right[order], slab[order]


def free_travel(before: _Edges, after: _Edges) -> tuple[float, float]:
    """Return how far ``after`` may go towards -y and towards +y until it meets ``before`` (inf where it never does).

    Negative, down to -0.05 mm, where the two overlap a little.
    """
    low = max(before.box[0], after.box[0]) + _TOUCH_MM
    high = min(before.box[2], after.box[2]) - _TOUCH_MM
    if high - low <= _TOUCH_MM:
        return math.inf, math.inf
    xs = np.concatenate([s[:, [0, 2]].ravel() for e in (before, after) for s in (e.entering, e.leaving)])
    xs = np.unique(np.concatenate([[low, high], xs[(xs > low) & (xs < high)]]))
    left, right = xs[:-1], xs[1:]
    return (
        _least(_spans(before.leaving, left, right), _spans(after.entering, left, right)),
        _least(_spans(after.leaving, left, right), _spans(before.entering, left, right)),
    )


def _least(leaving: _Spans, entering: _Spans) -> float:
    if len(leaving[0]) == 0 or len(entering[0]) == 0:
        return math.inf
    nxt = np.searchsorted(entering[0], leaving[0] - _OVERLAP_MM)
    there = nxt < len(entering[0])
    nxt = np.minimum(nxt, len(entering[0]) - 1)
    there &= entering[3][nxt] == leaving[3]
    if not there.any():
        return math.inf
    gaps = np.minimum(entering[1][nxt] - leaving[1], entering[2][nxt] - leaving[2])
    return float(gaps[there].min())


def settle(
    poses: Sequence[Pose],
    bodies: Sequence[Body],
    *,
    width_mm: float,
    length_mm: float | None,
    deadline: float,
    obstacles: Sequence[Solid] = (),
    frozen: frozenset[int] = frozenset(),
    rounds: int = 3,
    still_across: bool = False,
) -> list[Pose]:
    """Slide the poses up and left as far as exact geometry allows.

    Parameters
    ----------
    poses, bodies
        The lay; small overlaps (below 0.05 mm) are mended where sliding can mend them.
    width_mm, length_mm : float
        The rectangle from (0, 0) in which the true outlines stay; ``length_mm`` None for cloth bought by length.
    deadline : float
        Of ``time.monotonic()``; no further round is begun after it.
    obstacles : sequence of Polygon
        What clear polygons must not overlap and what does not move (such as the far side of a fold).
    frozen : frozenset of int
        Indices of poses that do not move.
    rounds : int
        Each is one pass along y and one along x, until nothing gets shorter.
    still_across : bool
        Leave out the passes along x.
    """
    current = list(poses)
    for _ in range(rounds):
        before = _ends(current, bodies)
        for swapped in (False,) if still_across else (False, True):
            if time.monotonic() > deadline:
                return current
            limit = width_mm if swapped else length_mm
            current = _pass(current, bodies, limit, obstacles, frozen, swapped=swapped, deadline=deadline)
        if _ends(current, bodies) > before - 0.01:
            break
    return current


def _ends(poses: Sequence[Pose], bodies: Sequence[Body]) -> float:
    return max((p.y_mm + bodies[p.body].box(p.turn_deg).y_max for p in poses), default=0.0)


def _pass(
    poses: Sequence[Pose],
    bodies: Sequence[Body],
    limit_mm: float | None,
    obstacles: Sequence[Solid],
    frozen: frozenset[int],
    *,
    swapped: bool,
    deadline: float,
) -> list[Pose]:
    n = len(poses)
    if n == 0:
        return []
    cache: dict[tuple[int, float], _Edges] = {}
    edges = []
    for pose in poses:
        key = (pose.body, pose.turn_deg)
        if key not in cache:
            cache[key] = _edges(bodies[pose.body].clear(pose.turn_deg), swapped=swapped)
        edges.append(_shifted(cache[key], *((pose.y_mm, pose.x_mm) if swapped else (pose.x_mm, pose.y_mm))))
    fixed = [_edges(o, swapped=swapped) for o in obstacles]
    boxes = np.array([e.box for e in edges])
    tree = shapely.STRtree(shapely.box(boxes[:, 0], boxes[:, 1] - _REACH_MM, boxes[:, 2], boxes[:, 3] + _REACH_MM))
    first, second = tree.query(shapely.box(boxes[:, 0], boxes[:, 1] - _REACH_MM, boxes[:, 2], boxes[:, 3] + _REACH_MM))
    # Each of them says: shift[i] - shift[j] <= gap.
    kept: list[tuple[int, int, float]] = []
    for k, (i, j) in enumerate(zip(first, second, strict=True)):
        if i >= j:
            continue
        if k % 64 == 0 and time.monotonic() > deadline:
            return list(poses)
        back, forth = free_travel(edges[i], edges[j])
        if back < 2 * _REACH_MM:
            kept.append((int(i), int(j), back))
        if forth < 2 * _REACH_MM:
            kept.append((int(j), int(i), forth))
    low, high = np.full(n, -_REACH_MM), np.full(n, _REACH_MM)
    place = np.array([p.x_mm if swapped else p.y_mm for p in poses])
    exact = [bodies[p.body].box(p.turn_deg) for p in poses]
    start = place + np.array([b.x_min if swapped else b.y_min for b in exact])
    end = place + np.array([b.x_max if swapped else b.y_max for b in exact])
    low = np.maximum(low, -start)
    if limit_mm is not None:
        high = np.minimum(high, limit_mm - end)
    for i in range(n):
        for solid in fixed:
            back, forth = free_travel(solid, edges[i])
            low[i], high[i] = max(low[i], -back), min(high[i], forth)
        if i in frozen:
            low[i] = high[i] = 0.0
    low = np.minimum(low, high) if limit_mm is not None else low
    shift = _solve(n, kept, low, np.maximum(high, low), end)
    if shift is None:
        return list(poses)
    return [p.moved(s, 0.0) if swapped else p.moved(0.0, s) for p, s in zip(poses, shift.tolist(), strict=True)]


def _solve(
    n: int,
    kept: Sequence[tuple[int, int, float]],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    end: NDArray[np.float64],
) -> NDArray[np.float64] | None:
    m = len(kept)
    first = np.array([k[0] for k in kept], dtype=int)
    second = np.array([k[1] for k in kept], dtype=int)
    rows = np.concatenate([np.arange(m), np.arange(m), m + np.arange(n), m + np.arange(n)])
    columns = np.concatenate([first, second, np.arange(n), np.full(n, n)])
    values = np.concatenate([np.ones(m), -np.ones(m), np.ones(n), -np.ones(n)])
    matrix = coo_array((values, (rows, columns)), shape=(m + n, n + 1)).tocsr()
    bound = np.concatenate([[k[2] for k in kept], -end])
    # The end of the lay counts most; the sum of the shifts settles what has room.
    cost = np.concatenate([np.full(n, 1.0 / n), [100.0]])
    limits = [*zip(low.tolist(), high.tolist(), strict=True), (None, None)]
    # The stubs do not know that A_ub may be sparse.
    result = linprog(cost, A_ub=matrix, b_ub=bound, bounds=limits, method="highs")  # type: ignore[call-overload]
    if not result.success:
        return None
    return np.asarray(result.x[:n])


def slide(pose: Pose, bodies: Sequence[Body], placed: Sequence[Pose], *, off: Solid, reach_mm: float) -> Pose:
    """Slide one pose up, then left, until it meets what is placed, or with its bare outline what is off the surface.

    Never further than ``reach_mm``.
    """
    body = bodies[pose.body]
    for swapped in (False, True):
        clear, bare = (_edges(s, swapped=swapped) for s in (body.clear_at(pose), body.fine_at(pose)))
        travel = reach_mm
        for other, mine in (*((bodies[p.body].clear_at(p), clear) for p in placed), (off, bare)):
            x0, y0, x1, y1 = mine.box
            b = other.bounds
            o0, o1, o2, o3 = (b[1], b[0], b[3], b[2]) if swapped else b
            if o2 <= x0 or o0 >= x1 or o3 < y0 - travel or o1 > y1:
                continue
            back, _ = free_travel(_edges(other, swapped=swapped), mine)
            travel = min(travel, max(back, 0.0))
        pose = pose.moved(-travel, 0.0) if swapped else pose.moved(0.0, -travel)
    return pose


def overlapping_pairs(
    poses: Sequence[Pose], bodies: Sequence[Body], *, tolerance_mm: float = 0.004
) -> list[tuple[int, int]]:
    """Return the pairs that are closer than the gap by more than ``tolerance_mm``, on the fine polygons."""
    solids = [bodies[p.body].fine_at(p) for p in poses]
    tree = shapely.STRtree(solids)
    out = []
    for i, solid in enumerate(solids):
        gap = bodies[poses[i].body].gap_mm
        for j in tree.query(solid.buffer(gap + 0.01, join_style="mitre") if gap else solid):
            if j <= i:
                continue
            if gap > 0:
                if solid.distance(solids[j]) < gap - tolerance_mm:
                    out.append((i, int(j)))
            elif solid.intersects(solids[j]):
                common = solid.buffer(-tolerance_mm / 2, join_style="mitre").intersection(
                    solids[j].buffer(-tolerance_mm / 2, join_style="mitre")
                )
                if common.area > 0:
                    out.append((i, int(j)))
    return out
