"""Where the readable lines on both sides of a hole meet: in a corner, or in a point so sharp that they nearly touch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.parabola import fit_along

Points = NDArray[np.float64]

_BENT_ON, _MEETING_MM = 1.2, 0.01
"""Arms bend on for so many times the length they are seen over at most (our own choice), and meet as nearly."""
_ARM_SHARES, _SHORTEST_ARM, _SMOOTH_CHI = (1.0, 0.7, 0.5, 0.35), 8, 1.35
"""An arm that leaves a parabola by so many standard uncertainties (root mean square) has a corner in it; such shares of
it are tried then, of so many points at least (our own choice)."""
_ROOM = 4.0
"""A rough outline runs into a point until its arms are so many times as far apart as it may lie from the line: the
search closes up what is narrower (its own width on both sides, and as much again for the arms' own error)."""


@dataclass(frozen=True, slots=True, eq=False)
class Arm:
    """The readable line beside a hole: its end, direction of travel and, outward into the hole, its parabola.

    ``count`` is the number of its points, ``sigma_mm`` how well they are known: the line led on is known no better.
    """

    end: Points
    direction: Points
    outward: Points
    bend: Points
    count: int
    sigma_mm: float

    def ahead(self, s: NDArray[np.float64]) -> Points:
        """Return points at distances into the hole."""
        return np.asarray(self.end + s[:, None] * self.outward + s[:, None] ** 2 * self.bend)


def short_of_corner(points: Points, s: NDArray[np.float64], weight: NDArray[np.float64]) -> int:
    """Return how many of an arm's points tell where it goes on: those beyond a corner of the line itself do not."""
    for share in _ARM_SHARES:
        count = max(int(share * len(s)), _SHORTEST_ARM)
        if count >= len(s) and share < 1.0:
            break
        part = np.s_[: min(count, len(s))]
        _, rest = fit_along(s[part], points[part], weight[part], min(2, len(s[part]) - 2))
        if float(np.sqrt((rest**2).sum(axis=1).mean())) < _SMOOTH_CHI:
            return len(s[part])
    return len(s)


def corner_sides(
    before: Arm, after: Arm, turn: float, rough: Points, near_mm: float, arm_mm: float
) -> tuple[Points, Points] | None:
    """Return both sides of the corner in which the arms meet, if that is ahead of both and near the rough outline.

    Arms go on as the parabolas they were for about as long as they were seen, else straight on. The rough outline falls
    short of a sharp point by more than of a blunt one: as the width of its search fits between the arms.
    """
    p0, d0, p3, d3 = before.end, before.direction, after.end, after.direction
    determinant = float(d0[0] * d3[1] - d0[1] * d3[0])
    if abs(determinant) < 0.05:
        return None
    gap = p3 - p0
    ahead = float(gap[0] * d3[1] - gap[1] * d3[0]) / determinant
    back = float(gap[0] * d0[1] - gap[1] * d0[0]) / -determinant
    chord = math.hypot(gap[0], gap[1])
    around = float(np.hypot(*np.diff(np.vstack([p0, rough, p3]), axis=0).T).sum())
    short = near_mm / max(math.sin((math.pi - turn) / 2), 0.06)
    bent = _where_bent_arms_meet(before, after, ahead, back, arm_mm)
    if bent is not None and _is_near(bent[1][0], rough, near_mm, near_mm, short):
        return bent
    if min(ahead, back) < -near_mm or ahead + back > max(around, chord) + 2.5 * short:
        return None
    corner = p0 + ahead * d0
    # Arms that are long against the way to the corner say where it is, even where the rough outline was cut short.
    most_mm = (1.5 if max(ahead, back) < arm_mm / 2 else 1.0) * near_mm
    return (
        (np.stack([p0, corner]), np.stack([corner, p3])) if _is_near(corner, rough, most_mm, near_mm, short) else None
    )


def _is_near(corner: Points, rough: Points, most_mm: float, near_mm: float, short_mm: float) -> bool:
    return float(np.hypot(*(rough - corner).T).min()) <= most_mm + max(0.0, short_mm - math.sqrt(2) * near_mm)


def _where_bent_arms_meet(
    before: Arm, after: Arm, ahead: float, back: float, arm_mm: float
) -> tuple[Points, Points] | None:
    """Return the sides of the corner in which two arms meet that go on as they bend, by Newton's method."""
    if not (before.bend.any() or after.bend.any()) or not max(abs(ahead), abs(back)) < _BENT_ON * arm_mm:
        return None
    for _ in range(12):
        at = np.array([max(ahead, 0.0)]), np.array([max(back, 0.0)])
        miss = before.ahead(at[0])[0] - after.ahead(at[1])[0]
        u, v = before.outward + 2 * at[0] * before.bend, after.outward + 2 * at[1] * after.bend
        determinant = float(v[0] * u[1] - u[0] * v[1])
        if abs(determinant) < 0.05:
            return None
        ahead = float(at[0][0]) + float(miss[0] * v[1] - miss[1] * v[0]) / determinant
        back = float(at[1][0]) + float(miss[0] * u[1] - miss[1] * u[0]) / determinant
        if not max(abs(ahead), abs(back)) < _BENT_ON * arm_mm:
            return None
    one, other = (arm.ahead(np.linspace(0.0, s, 40)) for arm, s in ((before, ahead), (after, back)))
    if min(ahead, back) < 0 or math.dist(one[-1], other[-1]) > _MEETING_MM:
        return None
    return one, other[::-1]


def sharp_point(before: Arm, after: Arm, rough: Points, near_mm: float) -> tuple[Points, Points] | None:
    """Return the two sides of a point so sharp that its arms nearly touch before they meet.

    Both arms go on as the parabolas they were; the point is where they first cross, or come nearest. (Where two arcs
    touch, as at the foot of a clamshell, their directions alone say nothing about where.)
    """
    reach = float(np.hypot(*(rough[0] - after.end))) + 12.0
    s = np.linspace(0.0, reach, 500)
    one, other = before.ahead(s), after.ahead(s)
    distance = np.hypot(one[:, None, 0] - other[None, :, 0], one[:, None, 1] - other[None, :, 1])
    across = distance.min(axis=1)
    close = np.nonzero(across < 2 * s[1])[0]
    first = int(close[0]) if len(close) else int(np.argmin(across))
    if across[first] > near_mm or first == 0:
        return None
    while first + 1 < len(s) and across[first + 1] < across[first]:
        first += 1
    last = int(np.argmin(distance[first]))
    tip = (one[first] + other[last]) / 2
    middle = (before.end + after.end) / 2
    axis = tip - middle
    length = max(float(np.hypot(*axis)), 1e-9)
    # The rough outline may stop short of the point, but not far aside of it.
    beside = np.abs((rough - middle) @ np.array([axis[1], -axis[0]])) / length
    if float(beside.min()) > near_mm:
        return None
    # Nor where there is still room for it between the arms: a rough outline that turns back there is round.
    turned = float(((rough - middle) @ axis).max()) / length
    left, right = (
        arm[int(np.argmin(np.abs((arm - middle) @ axis / length - turned)))] for arm in (one[: first + 1], other)
    )
    if turned < length and float(np.hypot(*(left - right))) > _ROOM * near_mm:
        return None
    return np.vstack([one[:first], tip]), np.vstack([tip, other[:last][::-1]])
