"""How far the line may be from its outline where it was not seen.

Nothing is measured there; what is allowed for is how lines go on: straighter than not, but with a corner where what is
seen on both sides points at one. An allowance is no bound.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracer.path import Path
from tracer.profiles import Points

_KINK_DEG = 170.0
_CORNER_DEG = 150.0
_CARRIED_PER_MM = 0.01
"""Allowance for the unknown course of a line where it is not seen, mm a mm to the nearest place where it is (half of
the uncertainty with which such stretches are carried across; from memory of hand-drawn lines)."""
_TURN_DEG = 20.0
"""A hidden stretch that turns by more than this may hide a corner (our own choice)."""
_BENT_SHARE = 0.3
"""Of how far a hidden stretch that bends there and back leaves the straight way (our own choice)."""
_SHARPEST = 0.08
"""Sine of half the angle of the sharpest corner whose arms are said to meet anywhere."""


def unseen_allowance(
    path: Path,
    points: Points,
    valid: NDArray[np.bool_],
    near_corner: NDArray[np.bool_],
    spacing_mm: float,
    known: frozenset[int] = frozenset(),
    *,
    shown: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """Return how much farther than interpolated the line may be where it was not seen, mm.

    ``known`` are the nodes of corners of which it is known otherwise where they lie; ``shown`` places at which the line
    was seen at all, if not by what measures it: it does not stray there. ``None`` for those that are valid.

    Across itself a line strays by so much a millimetre. Beside a corner the arms are led on to it; both may stray, and
    the sharper it is, the farther the place where they meet. Where the outline turns without a corner, the line may
    have one: it would lie where the seen arms, carried on straight, meet.
    """
    stray = _CARRIED_PER_MM * spacing_mm
    allowance = stray * steps_to(valid | near_corner)
    steps = steps_to(valid)
    led = stray * (steps if shown is None else steps_to(shown | valid))
    corners = np.zeros(len(points), bool)
    for corner in path.corners_sharper_than(_KINK_DEG):
        at = int(np.argmin(((points - corner.point) ** 2).sum(axis=1)))
        corners[at] = corner.inner_angle_deg < _CORNER_DEG
        if corner.node in known:
            continue
        allowance[at] = led[at] / max(float(np.sin(np.radians(corner.inner_angle_deg) / 2)), _SHARPEST)
    n = len(points)
    for first in np.flatnonzero(~valid & np.roll(valid, 1)):
        length = int(np.argmax(np.roll(valid, -int(first))))
        run = (first + np.arange(length)) % n
        if length < 4 or corners[run].any():
            continue
        before, after = points[(first - 1) % n], points[(first + length) % n]
        arriving = before - points[(first - 4) % n]
        leaving = points[(first + length + 3) % n] - after
        away = _hidden_corner_mm(points[run], before, arriving, after, leaving)
        allowance[run] += away * np.minimum(1.0, 2.0 * steps[run] / length)
    return np.asarray(allowance)


def _hidden_corner_mm(run: Points, before: Points, arriving: Points, after: Points, leaving: Points) -> float:
    """Return how far from a hidden run of an outline the line may lie, 0 where it hardly turns.

    There may be a corner where the seen arms, carried on straight, meet (unless that is farther away than the run is
    wide); or the line may go round from one arm to the other as an arc does. Where they do not meet, but the outline
    bends there and back again, it is a part of how far it leaves the straight way.
    """

    def turn_deg(u: Points, v: Points) -> float:
        return float(np.degrees(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v)))

    chord = after - before
    width = float(np.hypot(*chord))
    turn = abs(turn_deg(arriving, leaving))
    if _TURN_DEG < turn < 180 - _TURN_DEG:
        ahead, back = np.linalg.solve(np.stack([arriving, leaving], axis=1), chord)
        if ahead > 0 and back > 0:
            corner = float(np.hypot(*(run - before - ahead * arriving).T).min())
            arc = _arc(before, arriving, after, leaving, turn, len(run))
            return max(min(corner, width), float(np.hypot(*(run - arc).T).max()))
    if max(abs(turn_deg(arriving, chord)), abs(turn_deg(chord, leaving))) < _TURN_DEG:
        return 0.0
    rel = run - before
    far = np.abs(rel[:, 0] * chord[1] - rel[:, 1] * chord[0]).max() / max(width, 1e-9)
    return _BENT_SHARE * float(far)


def _arc(before: Points, arriving: Points, after: Points, leaving: Points, turn_deg: float, count: int) -> Points:
    """Return points of the cubic from one arm to the other; between equal arms it is an arc of a circle."""
    half = np.radians(turn_deg) / 2
    handle = float(np.hypot(*(after - before))) * 2 / 3 * np.tan(half / 2) / np.sin(half)
    first = before + arriving * (handle / max(float(np.hypot(*arriving)), 1e-9))
    second = after - leaving * (handle / max(float(np.hypot(*leaving)), 1e-9))
    t = (np.arange(1, count + 1) / (count + 1))[:, None]
    s = 1 - t
    return np.asarray(s**3 * before + 3 * s * s * t * first + 3 * s * t * t * second + t**3 * after)


def steps_to(flags: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return how many samples each is away from the nearest that is set, around a closed line."""
    at = np.nonzero(flags)[0]
    n = len(flags)
    if len(at) == 0:
        return np.full(n, float(n))
    ring = np.concatenate([at - n, at, at + n])
    index = np.arange(n)
    after = np.searchsorted(ring, index)
    return np.asarray(np.minimum(np.abs(ring[after] - index), np.abs(index - ring[after - 1])), dtype=np.float64)
