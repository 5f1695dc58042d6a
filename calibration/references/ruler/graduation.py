"""Which rule it is, from how the lengths of its ticks repeat.

Millimetres: every fifth tick is longer, every tenth longest. Sixteenths and eighths of an inch: halving, each power of
two a little longer. Rows of anything else (hatching, letters, dashes, a barcode) show no such order, and that is the
test by which a ruler is told from them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FEWEST_KNOWN = 12
_LONGEST = 4.0
_RIVALS = ((2,), (3,), (4,), (4, 8), (6,), (7,), (6, 12))
"""Orders that no metric rule has: what they explain as well is the edge of a mat, a comb, a fence."""
_MORE_PER_LEVEL = 0.05
"""A finer hierarchy must explain this share more than a coarser one with fewer levels."""
_LEAST_STEP = 0.08
"""Ticks of the next level are longer by at least this share of the shortest tick."""
_CLEAR, _DOUBTFUL = 6.0, 3.0
"""A step between levels is clear above so many of its standard errors and doubtful above so many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Graduation:
    """A way of dividing: ``words`` as on the command line, the pitch, and the periods of longer and longer ticks."""

    words: str
    step_mm: float
    levels: tuple[int, ...]


MILLIMETRES = Graduation(words="mm", step_mm=1.0, levels=(5, 10))
HALF_MILLIMETRES = Graduation(words="0.5mm", step_mm=0.5, levels=(2, 10, 20))
INCHES = {
    halvings: Graduation(
        words=f"1/{2**halvings}in", step_mm=25.4 / 2**halvings, levels=tuple(2**k for k in range(1, halvings + 1))
    )
    for halvings in (3, 4, 5)
}
"""By how often the inch is halved: eighths, sixteenths, thirty-seconds."""


def explained(numbers: NDArray[np.intp], lengths: Array, graduation: Graduation) -> float:
    """Return the share of the lengths' variance that a graduation's levels explain, at the best phase.

    Levels must rise: a longer period has the longer ticks. Zero where they do not, or where too little is seen to tell.
    """
    n, x = numbers, np.clip(np.nan_to_num(lengths, nan=_LONGEST), 0.5, _LONGEST)  # not followed to its end: long
    largest = graduation.levels[-1]
    if len(n) < max(_FEWEST_KNOWN, 1.2 * largest) or x.std() < 0.03:
        return 0.0
    total = float(((x - np.median(x)) ** 2).sum())
    best = 0.0
    for phase in range(largest):
        level = np.zeros(len(n), dtype=int)
        for k, every in enumerate(graduation.levels, start=1):
            level[(n - phase) % every == 0] = k
        middles: list[float] = []
        left, rising = 0.0, True
        for k in range(len(graduation.levels) + 1):
            here = x[level == k]
            if len(here) == 0:
                if k < len(graduation.levels):
                    rising = False
                continue
            here = np.sort(here)
            middle = float(here[(len(here) - 1) // 2] + here[len(here) // 2]) / 2
            rising &= not middles or middle > middles[-1] - 0.02
            middles.append(middle)
            # One tick run into a figure or a scratch must not outweigh all the others.
            left += float(np.minimum((here - middle) ** 2, 0.5).sum())
        if rising and len(middles) >= 2:
            best = max(best, 1 - left / max(total, 1e-9))
    return best


def _halvings(numbers: NDArray[np.intp], lengths: Array) -> list[int]:
    """Return how often the inch is halved: one number where it is clear, two where it may be either.

    Every second tick of the longest kind so far is looked at: while those are clearly longer still, there is one more
    halving. The longest of all stand at whole inches. The shorter ones of a kind are all of one length; of the longer
    ones half are of the next length and the others longer yet, so that only their shorter half tells how far ticks of
    that length differ by misreading.
    """
    known = np.isfinite(lengths)
    n, x = numbers[known], lengths[known]
    doubtful = -1
    depth, phase = 0, 0
    while depth < max(INCHES):
        step = 2**depth
        groups = [x[(n - phase - k * step) % (2 * step) == 0] for k in (0, 1)]
        if min(len(g) for g in groups) < 2:
            break
        middles = [float(np.median(g)) for g in groups]
        longer = int(middles[1] > middles[0])
        next_length = np.sort(groups[longer])[: (len(groups[longer]) + 1) // 2]
        alike = (groups[1 - longer], next_length)
        apart = float(np.median(next_length)) - middles[1 - longer]
        error = np.sqrt(sum((float(np.median(np.abs(g - np.median(g)))) * 1.4826 + 0.02) ** 2 / len(g) for g in alike))
        if apart < _LEAST_STEP or apart < _DOUBTFUL * error:
            break
        if apart < _CLEAR * error:
            doubtful = depth
        phase += step * longer
        depth += 1
    if doubtful in INCHES:
        return [depth, doubtful] if depth in INCHES else [doubtful]
    return [depth] if depth in INCHES else []


def rank(numbers: NDArray[np.intp], lengths: Array) -> list[tuple[float, Graduation]]:
    """Return graduations that the lengths bear out, with the share they explain, the best first.

    Two come back with the same share where a halving more or less cannot be told.
    """
    values = [(explained(numbers, lengths, g), g) for g in (MILLIMETRES, HALF_MILLIMETRES)]
    rivals = _RIVALS if max(values, key=lambda v: v[0])[0] > _MORE_PER_LEVEL else ()
    rival = max((explained(numbers, lengths, Graduation(words="", step_mm=0.0, levels=r)) for r in rivals), default=0.0)
    values = [(value if value > rival + _MORE_PER_LEVEL else 0.0, g) for value, g in values]
    # Fewer levels explain as well by chance; half millimetres must do clearly better than millimetres.
    values[1] = (values[1][0] - _MORE_PER_LEVEL, HALF_MILLIMETRES)
    depths = _halvings(numbers, lengths)
    if depths:
        share = explained(numbers, lengths, INCHES[depths[0]])
        values.extend((share, INCHES[d]) for d in depths)
    return sorted((v for v in values if v[0] > 0), key=lambda v: -v[0])
