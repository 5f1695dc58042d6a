"""The rules of the trade that a lay keeps: margin, gap, turns along the grain, nap, fold.

A piece's grain is its grain line as drawn; a piece without one is taken to stand upright on its sheet. ``turn``
says how far a piece may be turned away from lying with its grain along the cloth: ``180`` by half a turn, ``none``
not at all (nap, one-way prints), ``free`` in any way (felt, leather, paper); ``within_deg`` lets it lean besides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tracer.errors import LayError
from tracer.piece import Piece

Turn = Literal["180", "free", "none"]

DEFAULT_MARGIN_MM = 25.4
"""Margin at a mat's edge: about 1 in (common practice, no source)."""
DEFAULT_GAP_MM = 2.0
"""Gap between pieces: room for a blade's turn (common practice, no source)."""

_LEAN_STEPS = 5
MAX_LEAN_DEG = 45.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What a lay must keep.

    Parameters
    ----------
    margin_mm : float
        Kept free along every edge of the surface (on cloth inside the selvedges, and at both cut ends).
    gap_mm : float
        Least distance between any two pieces; 0 lets them share a cut line.
    turn : {'180', 'free', 'none'}
    within_deg : float
        A piece may lean from its grain by up to this angle.
    folded : bool
        The cloth is folded along its length, right sides together: a pair comes from one cut, fold edges lie on the
        fold.
    use_holes : bool
        Small pieces may lie in the holes of larger ones.
    shrinkage : float
        Share by which the cloth shrinks in the first wash, 0.05 for 5 %; added to what to buy.
    """

    margin_mm: float = 0.0
    gap_mm: float = DEFAULT_GAP_MM
    turn: Turn = "180"
    within_deg: float = 0.0
    folded: bool = False
    use_holes: bool = False
    shrinkage: float = 0.0

    def __post_init__(self) -> None:
        for name, value in (("margin", self.margin_mm), ("gap", self.gap_mm)):
            if not (math.isfinite(value) and value >= 0):
                raise LayError(f"a {name} of {value:g} mm cannot be kept; give 0 or more, e.g. 2mm")
        if self.turn not in ("180", "free", "none"):
            raise LayError(f"the turn '{self.turn}' is not known; choose 180, free or none")
        if not 0 <= self.within_deg <= MAX_LEAN_DEG:
            raise LayError(
                f"a lean of {self.within_deg:g} degrees is not from 0 to {MAX_LEAN_DEG:g}; for more, turn freely"
            )
        if not 0 <= self.shrinkage < 0.5:
            raise LayError(f"a shrinkage of {self.shrinkage:.0%} is not from 0 to 50 %; give e.g. 5")

    def turns(self, grain_turn_deg: float, base_deg: float = 0.0) -> tuple[float, ...] | None:
        """Return the turns open to a piece, degrees clockwise; None where it may be turned in any way.

        Parameters
        ----------
        grain_turn_deg : float
            The turn that brings its grain along the surface's length.
        base_deg : float
            0 for grain along the length, 90 for grain across (a mat on which the cloth lies the other way).
        """
        if self.turn == "free":
            return None
        leans: tuple[float, ...] = (0.0,)
        if self.within_deg > 0:
            leans = tuple(float(v) for v in np.linspace(-self.within_deg, self.within_deg, 2 * _LEAN_STEPS + 1))
        halves = (0.0, 180.0) if self.turn == "180" else (0.0,)
        return tuple(dict.fromkeys((grain_turn_deg + base_deg + h + lean) % 360.0 for h in halves for lean in leans))


def grain_turn_deg(piece: Piece, *, mirrored: bool) -> float:
    """Return the turn from -90 to 90 that brings a piece's grain line along y; 0 where none is drawn.

    The mirrored copy is flipped left to right, which turns its grain line the other way; turned the other way too, what
    is up on the piece is up on both (so that the nap runs alike).
    """
    for mark in piece.marks:
        if mark.kind == "grain line" and mark.path is not None:
            start, end = mark.path.segments[0][0], mark.path.segments[-1][-1]
            dx, dy = end - start
            if math.hypot(dx, dy) < 1e-6:
                continue
            turn = math.remainder(math.degrees(math.atan2(dx, dy)), 180.0)
            # A drawn line within a hundredth of a degree of upright is upright: leave the outline's numbers exact.
            if abs(turn) < 0.01:
                return 0.0
            turn = 90.0 if abs(abs(turn) - 90.0) < 0.01 else turn
            return -turn if mirrored else turn
    return 0.0


def has_grain(piece: Piece) -> bool:
    """Return whether a grain line is drawn on a piece."""
    return any(m.kind == "grain line" and m.path is not None for m in piece.marks)
