"""Uncertainty of pieces made from pieces, after the GUM (JCGM 100:2008, 5.1.2 and 5.2).

A traced piece states U, the expanded uncertainty (95 %) of where its outline lies. Part of it is the sheet's scale,
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
    """One part's share, both figures expanded (95 %), mm."""

    sheet: str
    scale_mm: float
    own_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """What a traced piece brings: to where the outline lies, and to its width and height (with that size, mm)."""

    outline: Share
    width: Share
    height: Share
    size_mm: tuple[float, float]


def _share(sheet: str, expanded_mm: float, scale_mm: float) -> Share:
    scale = min(expanded_mm, scale_mm)
    return Share(sheet=sheet, scale_mm=scale, own_mm=math.sqrt(max(0.0, expanded_mm**2 - scale**2)))


def shares_of(piece: Piece, pattern: Pattern) -> Shares:
    """Return the shares of a traced piece.

    Where it states none for its width and height, each has two edges that lie independently within its outline's.
    """
    box = piece.outline.bounds
    sheet = next((s for s in pattern.sheets if s.id == piece.sheet), None)
    per_mm = 0.0 if sheet is None else sheet.expanded_uncertainty_mm_per_m / 1000
    expanded = piece.expanded_uncertainty_mm
    across, down = (u or math.sqrt(2) * expanded for u in piece.size_uncertainty_mm)
    return Shares(
        outline=_share(piece.sheet, expanded, per_mm * max(box.width, box.height) / 2),
        width=_share(piece.sheet, across, per_mm * box.width),
        height=_share(piece.sheet, down, per_mm * box.height),
        size_mm=(box.width, box.height),
    )


def combined_size_mm(parts: Sequence[Shares], width_mm: float, height_mm: float) -> tuple[float, float]:
    """Return the expanded uncertainty (95 %) of the width and the height of a piece made of parts.

    Where the piece is larger than each of its parts they lie side by side and their uncertainties combine; otherwise
    the largest part's stands.
    """
    out = []
    for axis, size in ((0, width_mm), (1, height_mm)):
        shares = [p.width if axis == 0 else p.height for p in parts]
        if size > 1.2 * max(p.size_mm[axis] for p in parts):
            out.append(combined_mm(shares))
        else:
            out.append(max(math.hypot(s.scale_mm, s.own_mm) for s in shares))
    return out[0], out[1]


def combined_mm(shares: Sequence[Share], *, fit_bounds_mm: Sequence[float] = ()) -> float:
    """Return the expanded uncertainty (95 %) of a piece made of parts."""
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
