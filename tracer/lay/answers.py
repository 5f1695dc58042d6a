"""Answers in words: does it fit, how many mats, how much cloth to buy, how much is wasted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from calibration import MM_PER_INCH, format_inches
from tracer.lay.advice import Advice
from tracer.lay.check import shared_cuts
from tracer.lay.laid import LaidMat, Lay
from tracer.lay.surface import Fabric, Leftover, Mat, size_words

YARD_STEP_MM = 36 * MM_PER_INCH / 8
"""Cloth is sold by the eighth of a yard (common practice, no source)."""
METRE_STEP_MM = 50.0
"""Cloth is sold by 5 cm (common practice, no source)."""
_INCH_STEP_MM = MM_PER_INCH / 8
_ROUNDING_MM = 1e-6
_SIDES_ALIKE = 1.02


@dataclass(frozen=True, slots=True, kw_only=True)
class ToBuy:
    """A length of cloth as it is used and as it is bought: the next 1/8 in, the next 1/8 yd, the next 5 cm."""

    length_mm: float
    inches: float
    yards: Fraction
    centimetres: int


def to_buy(length_mm: float, *, shrinkage: float = 0.0) -> ToBuy:
    """Return what to buy for a length of cloth; ``shrinkage`` 0.05 adds 5 %."""
    needed = length_mm * (1.0 + shrinkage)
    return ToBuy(
        length_mm=needed,
        inches=_steps(needed, _INCH_STEP_MM) / 8,
        yards=Fraction(_steps(needed, YARD_STEP_MM), 8),
        centimetres=_steps(needed, METRE_STEP_MM) * 5,
    )


def _steps(length_mm: float, step_mm: float) -> int:
    return math.ceil((length_mm - _ROUNDING_MM) / step_mm)


def buy_words(length_mm: float, *, shrinkage: float = 0.0) -> str:
    """Return the length to buy in inches, yards, centimetres and metres."""
    buy = to_buy(length_mm, shrinkage=shrinkage)
    inches = format_inches(buy.inches * MM_PER_INCH, denominator=8)
    return f"{inches}; {_mixed(buy.yards)} yd; {buy.centimetres} cm; {buy.centimetres / 100:.2f} m"


def _mixed(value: Fraction) -> str:
    whole, rest = divmod(value, 1)
    if rest == 0:
        return str(whole)
    return f"{whole} {rest}" if whole else str(rest)


def answers(lay: Lay, advice: Advice | None = None) -> list[str]:
    """Return what a person wants to know, one sentence a line."""
    if isinstance(lay.surface, Fabric):
        lines = _cloth_answers(lay, lay.surface)
    elif isinstance(lay.surface, Leftover):
        lines = _leftover_answers(lay, lay.surface)
    else:
        lines = _mat_answers(lay, lay.surface, advice)
    lines += _shared(lay)
    if advice is not None and advice.saves:
        lines.append(advice.saves)
    return lines


def _mat_answers(lay: Lay, mat: Mat, advice: Advice | None) -> list[str]:
    lines = []
    materials = dict.fromkeys(m.material for m in lay.mats)
    for material in materials:
        mats = [m for m in lay.mats if m.material == material]
        of = f"{material}: " if material else ""
        lost = any(m.piece.cut.material == material for m in lay.not_placed)
        every = "What could be laid" if lost else "Everything"
        kinds = dict.fromkeys((m.width_mm, m.length_mm) for m in mats)
        if len(mats) == 1:
            lines.append(f"{of}{every} fits on one {size_words(mats[0].width_mm, mats[0].length_mm)} mat.")
            turned = _long_way(mats[0], lay)
            if turned:
                lines.append(turned)
        else:
            each = " and ".join(
                f"{sum((m.width_mm, m.length_mm) == k for m in mats)} of {size_words(*k)}" for k in kinds
            )
            total = "mats" if len(kinds) == 1 else "mats, in this order"
            lines.append(f"{of}{every} needs {len(mats)} {total}: {each}.")
            least = lay.least_mats.get(material, 1)
            if not lost and len(kinds) == 1:
                proved = f"Proved is only that {least} cannot be undercut; more time may find fewer than {len(mats)}."
                lines.append("Fewer mats cannot hold it." if least == len(mats) else proved)
            lines += [f"Mat {n}: {w[0].lower()}{w[1:]}" for n, m in enumerate(mats, 1) if (w := _long_way(m, lay))]
        area = sum(m.width_mm * m.length_mm for m in mats)
        lines.append(
            f"{of}Waste: {_percent(1 - sum(m.pieces_area_mm2 for m in mats) / area)} of the cloth that covers the mats."
        )
    if advice is not None:
        lines.append(_smallest(lay, mat, advice.smallest_mat, each="each material" if len(materials) > 1 else "all"))
    return lines


def _smallest(lay: Lay, mat: Mat, one: Mat | None, *, each: str) -> str:
    if one is None:
        return f"No ready size takes {each} at once."
    same = (one.width_mm, one.length_mm) == (mat.width_mm, mat.length_mm)
    if same and all(sum(m.material == n.material for n in lay.mats) == 1 for m in lay.mats):
        return f"No smaller ready size takes it: the {one.words} is the smallest that serves."
    return f"The smallest ready size that takes {each} at once: {one.words}."


def _long_way(mat: LaidMat, lay: Lay) -> str:
    """Return how the pieces lie on an oblong mat, where it matters."""
    width, length = mat.width_mm, mat.length_mm
    short, long = sorted((width, length))
    if long < short * _SIDES_ALIKE:
        return "Turn the cloth on the mat: its grain runs across." if mat.grain_across else ""
    margin = lay.rules.margin_mm
    longest = max((max(p.outline.bounds.width, p.outline.bounds.height) for p in mat.placements), default=0.0)
    if longest > short - 2 * margin + _ROUNDING_MM:
        along = f"the {format_inches(longest)} of the longest piece along the mat's {format_inches(long)}"
        words = f"Turn it the long way: {along}."
        return words + (" The grain runs across the mat." if mat.grain_across else "")
    return "The grain runs across the mat." if mat.grain_across else ""


def _cloth_answers(lay: Lay, fabric: Fabric) -> list[str]:
    lines = []
    for mat in lay.mats:
        of = f"{mat.material}: " if mat.material else ""
        lines.append(f"{of}To buy of {fabric.words}: {buy_words(mat.length_mm)} (used: {mat.length_mm:.1f} mm).")
        if lay.rules.shrinkage:
            share = f"{lay.rules.shrinkage * 100:g} %"
            lines.append(f"{of}With {share} for shrinkage: {buy_words(mat.length_mm, shrinkage=lay.rules.shrinkage)}.")
        lines.append(f"{of}Waste: {_percent(1 - mat.pieces_area_mm2 / (mat.width_mm * mat.length_mm))} of that length.")
        if mat.least_length_mm is not None:
            if mat.length_mm - mat.least_length_mm < 0.05:
                lines.append(f"{of}No lay under these rules can be shorter.")
            else:
                lines.append(f"{of}No lay under these rules can be shorter than {format_inches(mat.least_length_mm)}.")
    if fabric.selvedge_mm == 0:
        lines.append("Nothing is taken off for selvedges; give their width if they are not to be used.")
    return lines


def _leftover_answers(lay: Lay, leftover: Leftover) -> list[str]:
    laid = sum(len(m.placements) for m in lay.mats)
    total = laid + len(lay.not_placed)
    area = leftover.outline.area - sum(h.area for h in leftover.holes)
    used = sum(m.pieces_area_mm2 for m in lay.mats)
    words = "Everything fits" if laid == total else f"{laid} of {total} pieces fit"
    lines = [f"{words} on the {leftover.words}."]
    materials = {m.material for m in lay.mats}
    if len(materials) > 1:
        lines.append(f"Each of the {len(materials)} materials is laid on a leftover of this outline.")
        area *= len(materials)
    return [*lines, f"Waste: {_percent(1 - used / area)} of it."]


def _shared(lay: Lay) -> list[str]:
    if lay.rules.gap_mm > 0:
        return []
    shared = [s for m in lay.mats for s in shared_cuts(m)]
    if not shared:
        return []
    length = sum(s[2] for s in shared)
    lines = "cut line is" if len(shared) == 1 else "cut lines are"
    return [f"{len(shared)} {lines} shared by two pieces, {length:.0f} mm in all: cut them once."]


def _percent(share: float) -> str:
    return f"{max(share, 0.0) * 100:.1f} %"
