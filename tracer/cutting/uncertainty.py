"""Uncertainty of pieces made from pieces, after the GUM (JCGM 100:2008, 5.1.2 and 5.2).

A traced piece states U, the expanded uncertainty (k = 2) of where its outline lies. Part of it is the sheet's scale,
which is common to everything on the sheet; the rest belongs to the piece alone:

``scale = U_sheet (mm per m) * half the longer side / 1000``, at most U;  ``own = sqrt(U^2 - scale^2)``

Parts of one sheet err together in scale and apart in the rest, so for a piece made of parts ``U^2 = sum over sheets
(sum of scale)^2 + sum of own^2`` - fully correlated within a sheet, independent between sheets. An unfolded piece is
a join of a half with its own mirror image. Widths that are cut off or added are declared, not measured, and add
nothing; the fit of a parallel curve within d adds d / sqrt(3) as a standard uncertainty (a bound taken as a
rectangular distribution, JCGM 100, 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tracer.pattern import Pattern
from tracer.piece import Fit, Piece


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One part's share, both figures expanded (k = 2), mm."""

    sheet: str
    scale_mm: float
    own_mm: float


def share_of(piece: Piece, pattern: Pattern) -> Share:
    """Return the share of a traced piece."""
    box = piece.outline.bounds
    sheet = next((s for s in pattern.sheets if s.id == piece.sheet), None)
    per_m = 0.0 if sheet is None else sheet.expanded_uncertainty_mm_per_m
    scale = min(piece.expanded_uncertainty_mm, per_m * max(box.width, box.height) / 2 / 1000)
    own = math.sqrt(max(0.0, piece.expanded_uncertainty_mm**2 - scale**2))
    return Share(sheet=piece.sheet, scale_mm=scale, own_mm=own)


def combined_mm(shares: Sequence[Share], *, fit_bounds_mm: Sequence[float] = ()) -> float:
    """Return the expanded uncertainty (k = 2) of a piece made of parts."""
    by_sheet: dict[str, float] = {}
    for share in shares:
        by_sheet[share.sheet] = by_sheet.get(share.sheet, 0.0) + share.scale_mm
    squares = [v**2 for v in by_sheet.values()] + [s.own_mm**2 for s in shares]
    squares += [(2 * d / math.sqrt(3)) ** 2 for d in fit_bounds_mm]
    return math.sqrt(sum(squares))


def combined_fit(pieces: Sequence[Piece]) -> Fit:
    """Return the fit of a piece made of parts: the largest of the extremes, rms pooled by length of outline."""
    lengths = [p.outline.length for p in pieces]
    rms = math.sqrt(sum(n * p.fit.rms_mm**2 for n, p in zip(lengths, pieces, strict=True)) / sum(lengths))
    return Fit(max_mm=max(p.fit.max_mm for p in pieces), p95_mm=max(p.fit.p95_mm for p in pieces), rms_mm=rms)
