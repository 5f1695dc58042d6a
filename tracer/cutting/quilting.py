"""What quilters' handbooks say about a patch, beside what is exact.

Handbook rules for a 1/4 in seam allowance: a square is cut finished + 1/2 in; a half-square triangle from a square of
finished + 7/8 in; a quarter-square triangle from a square of finished + 1 1/4 in. Exactly, a right triangle with
equal legs grows by s (2 + sqrt 2) along its legs (0.8536 in) and by s (2 + 2 sqrt 2) along its long side (1.2071 in),
so that the rules cut 0.545 and 1.090 mm more than needed. A hexagon grows by 2 s from flat to flat and by 2 s / sqrt
3 along its side (derived).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import MM_PER_INCH
from tracer.cutting.offset import moved
from tracer.cutting.shape import Shape, tidied
from tracer.cutting.words import both

QUARTER_INCH_MM = MM_PER_INCH / 4

_SAME_MM = 0.25
_SAME_DEG = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchFact:
    """A size of a patch: finished, cut, and what the handbook's rule gives (None where it has no rule)."""

    name: str
    finished_mm: float
    cut_mm: float
    rule_mm: float | None = None

    @property
    def words(self) -> str:
        """The fact as a sentence."""
        grown = (self.cut_mm - self.finished_mm) / MM_PER_INCH
        text = f"{self.name}: finished {both(self.finished_mm)}, cut {both(self.cut_mm)}, {grown:.4f} in more"
        if self.rule_mm is None:
            return text
        over = self.rule_mm - self.cut_mm
        if abs(over) < 0.001:
            return f"{text}; the handbook's rule gives the same"
        rule = (self.rule_mm - self.finished_mm) / MM_PER_INCH
        return f"{text}; the handbook's rule (+ {rule:g} in) cuts {over:.3f} mm more than needed"


def _polygon(shape: Shape) -> NDArray[np.float64] | None:
    """The corners of an outline of straight lines, shape (N, 2); None for one with curves."""
    chain = tidied([(s, "") for s in shape.outline.segments])
    if any(len(s) == 4 for s, _ in chain):
        return None
    return np.array([s[0] for s, _ in chain])


def _sides_and_angles(corners: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    edges = np.roll(corners, -1, axis=0) - corners
    before = np.roll(edges, 1, axis=0)
    turn = np.degrees(np.arctan2(before[:, 0] * edges[:, 1] - before[:, 1] * edges[:, 0], (before * edges).sum(axis=1)))
    return np.hypot(edges[:, 0], edges[:, 1]), 180 - turn


def patch_facts(finished: Shape, allowance_mm: float) -> tuple[PatchFact, ...]:
    """Return sizes of a square, rectangle, right triangle with equal legs or hexagon with one allowance all round.

    ``finished`` is the stitching line. Sizes are measured on the finished outline and on its mitred parallel, with the
    drawing's own imperfection in them; for other outlines there are none. The handbook's rules are given for 1/4 in.
    """
    inner = _polygon(finished)
    if inner is None or allowance_mm <= 0:
        return ()
    raw = moved(finished.chain, [allowance_mm] * len(finished.labels))
    outer = np.array([s[0] for s, _ in tidied([(s, "") for s, _ in raw.chain])])
    if len(outer) != len(inner):
        return ()
    rule = abs(allowance_mm - QUARTER_INCH_MM) < 1e-6
    sides, angles = _sides_and_angles(inner)
    cut_sides, cut_angles = _sides_and_angles(outer)
    if len(inner) == 4 and np.abs(angles - 90).max() < _SAME_DEG:
        return _square_facts(sides, cut_sides, rule)
    if len(inner) == 3 and np.abs(np.sort(angles) - (45, 45, 90)).max() < _SAME_DEG:
        leg, cut_leg = (_legs(s, a) for s, a in ((sides, angles), (cut_sides, cut_angles)))
        return (
            PatchFact(
                name="as a half-square triangle, along its legs",
                finished_mm=leg,
                cut_mm=cut_leg,
                rule_mm=leg + 7 / 8 * MM_PER_INCH if rule else None,
            ),
            PatchFact(
                name="as a quarter-square triangle, along its long side",
                finished_mm=float(sides.max()),
                cut_mm=float(cut_sides.max()),
                rule_mm=float(sides.max()) + 1.25 * MM_PER_INCH if rule else None,
            ),
        )
    if len(inner) == 6 and np.abs(angles - 120).max() < _SAME_DEG and float(np.ptp(sides)) < _SAME_MM:
        return (
            PatchFact(
                name="hexagon, flat to flat",
                finished_mm=float(sides.mean()) * math.sqrt(3),
                cut_mm=float(cut_sides.mean()) * math.sqrt(3),
            ),
            PatchFact(name="hexagon, side", finished_mm=float(sides.mean()), cut_mm=float(cut_sides.mean())),
        )
    return ()


def _square_facts(sides: NDArray[np.float64], cut_sides: NDArray[np.float64], rule: bool) -> tuple[PatchFact, ...]:
    facts = []
    square = float(np.ptp(sides)) < _SAME_MM
    pairs = sorted(
        ((float(s[0::2].mean()), float(c[0::2].mean())) for s, c in _both_ways(sides, cut_sides)), reverse=True
    )
    for (size, cut), name in zip(
        pairs, ("square",) if square else ("rectangle, long way", "rectangle, short way"), strict=False
    ):
        facts.append(
            PatchFact(name=name, finished_mm=size, cut_mm=cut, rule_mm=size + MM_PER_INCH / 2 if rule else None)
        )
    return tuple(facts)


def _both_ways(
    sides: NDArray[np.float64], cut_sides: NDArray[np.float64]
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    # The parallel may begin at another corner; opposite sides go together by size.
    order = cut_sides if (sides[0] >= sides[1]) == (cut_sides[0] >= cut_sides[1]) else np.roll(cut_sides, 1)
    return [(sides, order), (np.roll(sides, 1), np.roll(order, 1))]


def _legs(sides: NDArray[np.float64], angles: NDArray[np.float64]) -> float:
    """Mean of the two sides at the right angle."""
    right = int(np.abs(angles - 90).argmin())
    return float((sides[right] + sides[right - 1]) / 2)
