"""What else would serve: the smallest ready mat, and the one change of the rules that saves most."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from calibration import MM_PER_INCH, format_inches
from tracer.errors import LayError
from tracer.lay.copies import by_material, make_bodies
from tracer.lay.laid import Lay, LayOptions
from tracer.lay.mats import fit_one, surely_not_on_one
from tracer.lay.plan import plan_lay
from tracer.lay.rules import Rules
from tracer.lay.surface import READY_MATS_IN, Fabric, Leftover, Mat, usable_rectangle
from tracer.piece import Piece

_WORTH_SHARE = 0.01
_LEAST_S = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """``smallest_mat``: the smallest ready size on which all was laid at once; ``saves``: a sentence, or empty."""

    smallest_mat: Mat | None = None
    saves: str = ""


def advise(lay: Lay, pieces: Sequence[Piece], options: LayOptions) -> Advice:
    """Look for the smallest ready mat and for the change that saves most, within ``options.seconds``.

    Interrupted by Ctrl-C it says what it knows until then.
    """
    deadline = time.monotonic() + options.seconds
    smallest: Mat | None = None
    saves = ""
    try:
        if isinstance(lay.surface, Mat):
            smallest = smallest_ready_mat(pieces, lay, seconds=options.seconds * 0.6, seed=options.seed)
        saves = _most_saving(lay, pieces, options, deadline)
    except KeyboardInterrupt:
        pass
    return Advice(smallest_mat=smallest, saves=saves)


def smallest_ready_mat(pieces: Sequence[Piece], lay: Lay, *, seconds: float, seed: int) -> Mat | None:
    """Return the smallest of the ready sizes and the sizes laid on that takes every copy at once, None where none does.

    Whether a smaller one is impossible is proved where arithmetic proves it; else it was only not found.
    """
    ready = [Mat(width_mm=w * MM_PER_INCH, length_mm=h * MM_PER_INCH) for w, h in READY_MATS_IN]
    laid_on = Mat(width_mm=lay.mats[0].width_mm, length_mm=lay.mats[0].length_mm)
    sizes = sorted({(m.width_mm, m.length_mm) for m in (*ready, laid_on)}, key=lambda s: (s[0] * s[1], s[0]))
    on_one = len({m.material for m in lay.mats}) == len(lay.mats) and not lay.not_placed
    deadline = time.monotonic() + seconds
    groups = [make_bodies(members, lay.rules) for members in by_material(pieces).values()]
    for size in sizes:
        mat = Mat(width_mm=size[0], length_mm=size[1])
        if on_one and size == (laid_on.width_mm, laid_on.length_mm):
            return mat
        try:
            inside = usable_rectangle(*size, lay.rules.margin_mm, words=mat.words)
        except LayError:
            continue
        counts = [[b.demand for b in bodies] for bodies in groups]
        if any(surely_not_on_one(b, c, *inside) for b, c in zip(groups, counts, strict=True)):
            continue
        left = max((deadline - time.monotonic()) / 2, _LEAST_S)
        if all(
            fit_one(b, c, *inside, seconds=left / len(groups), seed=seed) is not None
            for b, c in zip(groups, counts, strict=True)
        ):
            return mat
    return None


def _variants(rules: Rules) -> list[tuple[str, Rules]]:
    out: list[tuple[str, Rules]] = []
    if rules.turn == "none":
        out.append(("letting pieces lie upside down (half turns)", replace(rules, turn="180")))
    if rules.turn == "180":
        out.append(("turning pieces in any way (only where grain does not matter)", replace(rules, turn="free")))
    if rules.gap_mm > 0:
        out.append(("no gap between pieces", replace(rules, gap_mm=0.0)))
    if rules.margin_mm > 0:
        out.append((f"a margin of {format_inches(rules.margin_mm / 2)}", replace(rules, margin_mm=rules.margin_mm / 2)))
    return out


def _most_saving(lay: Lay, pieces: Sequence[Piece], options: LayOptions, deadline: float) -> str:
    if isinstance(lay.surface, Leftover) or lay.cloth is not None:
        return ""
    best: tuple[float, str] | None = None
    now = _cost(lay)
    variants = _variants(lay.rules)
    for n, (words, rules) in enumerate(variants):
        seconds = (deadline - time.monotonic()) / (len(variants) - n)
        if seconds < _LEAST_S:
            break
        try:
            other = plan_lay(
                pieces, lay.surface, rules, replace(options, seconds=seconds),
                more_mats=[Mat(width_mm=m.width_mm, length_mm=m.length_mm) for m in lay.mats[1:]]
                if isinstance(lay.surface, Mat) else (),
            )  # fmt: skip
        except LayError:
            continue
        if len(other.not_placed) > len(lay.not_placed):
            continue
        saved = now - _cost(other)
        if saved > _WORTH_SHARE * now and (best is None or saved > best[0]):
            best = (saved, _saving_words(words, lay, other))
    return "" if best is None else best[1]


def _cost(lay: Lay) -> float:
    if isinstance(lay.surface, Fabric):
        return lay.fabric_length_mm
    # A mat less counts; within one mat there is nothing to save.
    return float(len(lay.mats) + len(lay.not_placed))


def _saving_words(words: str, lay: Lay, other: Lay) -> str:
    if isinstance(lay.surface, Fabric):
        saved = lay.fabric_length_mm - other.fabric_length_mm
        share = saved / lay.fabric_length_mm
        return f"What would save most: {words}, {format_inches(saved, denominator=8)} ({share:.0%})."
    mats = f"{len(other.mats)} mat{'s' if len(other.mats) != 1 else ''}"
    if len(other.not_placed) < len(lay.not_placed):
        return f"What would save most: {words}; then more of it goes on {mats}."
    return f"What would save most: {words}, {mats} instead of {len(lay.mats)}."
