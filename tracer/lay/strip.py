"""Cloth by length: rows by arithmetic, the solver's lay made exact, and the better of the two."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import box as rectangle

from tracer.lay.bodies import Body, Pose
from tracer.lay.bounds import least_length_mm
from tracer.lay.fill import fill, lay_order
from tracer.lay.nest import solve_strip
from tracer.lay.rows import SLACK_MM, all_one_rectangle, lay_in_rows
from tracer.lay.settle import overlapping_pairs, settle
from tracer.lay.shapes import Solid

Told = Callable[[str, float], None]
"""Called with what is being done, in plain words, and the share of the time that is gone (0..1)."""

_SETTLE_SHARE = 0.12
_SETTLE_EACH_S = 0.03
_LEAST_SOLVE_S = 0.25
_PROVED_MM = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class StripLay:
    """Poses inside (0, 0)..(width, length) and what is known about them.

    ``least_mm`` is a length that no lay can go below; ``interrupted`` when the person stopped the search.
    """

    poses: tuple[Pose, ...]
    length_mm: float
    least_mm: float
    interrupted: bool = False


def end_mm(poses: Sequence[Pose], bodies: Sequence[Body]) -> float:
    """Return the largest y of the true outlines."""
    return max((p.y_mm + bodies[p.body].box(p.turn_deg).y_max for p in poses), default=0.0)


def right_mm(poses: Sequence[Pose], bodies: Sequence[Body]) -> float:
    """Return the largest x of the true outlines."""
    return max((p.x_mm + bodies[p.body].box(p.turn_deg).x_max for p in poses), default=0.0)


def within(poses: Sequence[Pose], bodies: Sequence[Body], width_mm: float, length_mm: float | None) -> bool:
    """Return whether every true outline lies in the rectangle (0, 0)..(width, length)."""
    for p in poses:
        b = bodies[p.body].box(p.turn_deg)
        if p.x_mm + b.x_min < -SLACK_MM or p.y_mm + b.y_min < -SLACK_MM or p.x_mm + b.x_max > width_mm + SLACK_MM:
            return False
        if length_mm is not None and p.y_mm + b.y_max > length_mm + SLACK_MM:
            return False
    return True


def made_exact(
    poses: Sequence[Pose], bodies: Sequence[Body], width_mm: float, length_mm: float | None, *, deadline: float
) -> tuple[Pose, ...] | None:
    """Return the solver's poses settled on the exact polygons.

    None where they cannot be made to keep every distance.
    """
    inside = [_pushed_in(p, bodies, width_mm, length_mm) for p in poses]
    settled = settle(inside, bodies, width_mm=width_mm, length_mm=length_mm, deadline=deadline)
    for candidate in (settled, inside):
        if within(candidate, bodies, width_mm, length_mm) and not overlapping_pairs(candidate, bodies):
            return tuple(candidate)
    return None


def _pushed_in(pose: Pose, bodies: Sequence[Body], width_mm: float, length_mm: float | None) -> Pose:
    b = bodies[pose.body].box(pose.turn_deg)
    dx = max(0.0, -(pose.x_mm + b.x_min)) or min(0.0, width_mm - (pose.x_mm + b.x_max))
    dy = max(0.0, -(pose.y_mm + b.y_min))
    if length_mm is not None and not dy:
        dy = min(0.0, length_mm - (pose.y_mm + b.y_max))
    return pose.moved(dx, dy) if max(abs(dx), abs(dy)) < 0.05 else pose


def lay_strip(
    bodies: Sequence[Body],
    demands: Sequence[int],
    width_mm: float,
    *,
    seconds: float,
    seed: int,
    early: bool = True,
    told: Told | None = None,
) -> StripLay:
    """Lay bodies, each of which fits across, into a strip as short as can be found in the time.

    ``early`` lets the search end before its time when it no longer gets better. Interrupted (Ctrl-C), it returns
    the best lay so far.
    """
    start = time.monotonic()
    (best, *_), _ = lay_in_rows(bodies, demands, width_mm)
    least = least_length_mm(bodies, demands, width_mm)
    length = end_mm(best, bodies)
    interrupted = False
    try:
        left = seconds - (time.monotonic() - start)
        if length - least > _PROVED_MM and left > _LEAST_SOLVE_S and not all_one_rectangle(bodies, demands):
            holes = any(p.interiors for b in bodies for p in shapely.get_parts(b.fine))
            share = 0.6 if holes else 1.0
            settle_s = min(_SETTLE_SHARE * left, 0.2 + _SETTLE_EACH_S * sum(demands))

            def better(solver_mm: float, gone: float) -> None:
                if told is not None:
                    told(f"best so far {min(solver_mm, length):.0f} mm", gone)

            found = solve_strip(
                bodies,
                demands,
                width_mm,
                seconds=max(left * share - settle_s, _LEAST_SOLVE_S),
                seed=seed,
                early=early,
                on_better=better,
            )
            if found is not None:
                interrupted = found.interrupted
                poses = made_exact(found.poses, bodies, width_mm, None, deadline=time.monotonic() + settle_s)
                if poses is not None and end_mm(poses, bodies) < length - 1e-9:
                    best, length = list(poses), end_mm(poses, bodies)
            if holes and not interrupted:
                best, length = _in_holes(bodies, demands, width_mm, best, length, start + seconds, seed)
    except KeyboardInterrupt:
        interrupted = True
    return StripLay(poses=tuple(best), length_mm=length, least_mm=least, interrupted=interrupted)


def _in_holes(
    bodies: Sequence[Body],
    demands: Sequence[int],
    width_mm: float,
    best: list[Pose],
    length_mm: float,
    deadline: float,
    seed: int,
) -> tuple[list[Pose], float]:
    """Return a shorter lay that uses the holes of pieces, which the solver closes, where there is one."""
    copies = [i for i, d in enumerate(demands) for _ in range(d)]
    region = rectangle(0.0, 0.0, width_mm, length_mm)
    seconds = max(deadline - time.monotonic(), 0.2)
    poses, left, _ = lay_around(bodies, copies, region, seconds=seconds, seed=seed, open_ended=True)
    if left or end_mm(poses, bodies) >= length_mm - 1e-9:
        return best, length_mm
    settled = settle(poses, bodies, width_mm=width_mm, length_mm=None, deadline=time.monotonic() + 1.0)
    for candidate in (settled, list(poses)):
        if within(candidate, bodies, width_mm, None) and not overlapping_pairs(candidate, bodies):
            return candidate, end_mm(candidate, bodies)
    return best, length_mm


def lay_around(
    bodies: Sequence[Body],
    copies: Sequence[int],
    region: Solid,
    *,
    placed: Sequence[Pose] = (),
    seconds: float,
    seed: int,
    told: Told | None = None,
    open_ended: bool = False,
) -> tuple[tuple[Pose, ...], tuple[int, ...], bool]:
    """Lay copies into a region with things in the way; returns poses, what is left, and whether it was interrupted.

    Several orders are tried until the time is gone: fewest left over, then (``open_ended``) the shortest, else the
    most area.
    """
    generator = np.random.default_rng(seed)
    start, deadline = time.monotonic(), time.monotonic() + seconds
    best: tuple[tuple[float, float], tuple[Pose, ...], tuple[int, ...]] | None = None
    interrupted = False
    nth = 0
    try:
        while best is None or time.monotonic() < deadline:
            order = lay_order(bodies, copies, nth // 2, generator)
            result = fill(
                bodies, order, region, placed=placed, fine_only=nth % 2 == 1,
                deadline=float("inf") if best is None and len(copies) < 80 else deadline,
            )  # fmt: skip
            score = (-sum(bodies[p.body].area_mm2 for p in result.poses), end_mm((*placed, *result.poses), bodies))
            if best is None or score < best[0]:
                best = (score, result.poses, result.left)
                if told is not None:
                    told(f"{len(result.left)} left over", min(1.0, (time.monotonic() - start) / max(seconds, 1e-6)))
            nth += 1
            if not result.left and not open_ended:
                break
    except KeyboardInterrupt:
        if best is None:
            raise
        interrupted = True
    assert best is not None
    return best[1], best[2], interrupted
