"""Packs of nested sizes turned round: the lines between two corners with their order across reversed.

Where sizes are packed, a fit that has them the other way round leaves hardly more ink, and no least squares lead from
one order to the other. Which one is right shows at the corners, where each line has to meet its own continuation, and
in how evenly the grading runs: lines that cross do so in one place, and do not turn back from each other there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.search.pulls import Floats

_LOOK = 8
_ENDS = 3
"""The narrowest place of a pack is sought so many stations away from its corners."""
_LEAST_MM = 0.5
"""Lines that all lie within this have no order that matters (judgement)."""
_LEAST_SINE = 0.3
"""Sides that meet at a smaller angle do not tell where their corner is."""


def swing(x: Floats, starts: NDArray[np.int64], span: int) -> float:
    """Return how much the grading turns aside in a span, looked at over two times ``_LOOK`` stations, mm squared.

    Grading that goes through a narrow place is straight there, grading that turns back in it is not.
    """
    here = _span(x, [*starts, len(x) + starts[0]], span)
    aside = (x[here.at, 2:] * here.side).sum(axis=1)
    return float(np.square(aside[2 * _LOOK :] - 2.0 * aside[_LOOK:-_LOOK] + aside[: -2 * _LOOK]).sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Span:
    """The stations from one corner to the next, and which way along and aside the middle line runs there."""

    at: NDArray[np.int64]
    way: Floats
    side: Floats


def turned_packs(x: Floats, share: Floats, starts: NDArray[np.int64], span: int, width_mm: float) -> Iterator[Floats]:
    """Yield the grading with the lines of a span in reversed order: of all of it, and of either end alone.

    Parameters
    ----------
    x : ndarray, shape (stations, 4)
        The middle line's x and y and how far half the grading moves it, mm.
    share : ndarray, shape (sizes,)
        Each size's step from -1 to 1.
    starts : ndarray of int
        The stations at corners.
    span : int
        Which of the ways between corners, counted as the corners that they start from.
    width_mm : float
        Width of one line: an end alone is turned only where the lines lie closer somewhere in between.
    """
    bounds = [*starts, len(x) + starts[0]]
    before, here, behind = (_span(x, bounds, k % len(starts)) for k in (span - 1, span, span + 1))
    last = len(here.at) - 1
    aside = (x[here.at, 2:] * here.side).sum(axis=1)
    runs = [(0, last)]
    if last > 2 * _ENDS:
        narrow = _ENDS + int(np.argmin(np.abs(aside[_ENDS:-_ENDS])))
        if abs(aside[narrow]) * float(np.median(np.diff(share))) < width_mm:
            runs += [(0, narrow), (narrow, last)]
    for first, stop in runs:
        if 2.0 * np.abs(aside[first : stop + 1]).max() < _LEAST_MM:
            continue
        reversed_aside = aside.copy()
        reversed_aside[first : stop + 1] *= -1.0
        out = _met(x, reversed_aside, before, here, behind)
        if out is not None:
            yield out


def _span(x: Floats, bounds: list[int], k: int) -> _Span:
    at = np.arange(bounds[k], bounds[k + 1] + 1) % len(x)
    line = x[at, :2]
    place, last = np.arange(len(at)), len(at) - 1
    way = line[np.minimum(place + _LOOK, last)] - line[np.maximum(place - _LOOK, 0)]
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    return _Span(at=at, way=way, side=np.stack([-way[:, 1], way[:, 0]], axis=1))


def _met(x: Floats, aside: Floats, before: _Span, here: _Span, behind: _Span) -> Floats | None:
    """Return the grading with other shares aside in a span, its corners where its lines meet those beside it.

    None where a corner is too flat to tell.
    """
    out = x.copy()
    last = len(here.at) - 1
    ends = []
    for end, beside, its_end in ((0, before, -1), (last, behind, 0)):
        moved = x[here.at[end], 2:]
        if aside[end] != moved @ here.side[end]:
            sides = np.stack([beside.side[its_end], here.side[end]])
            if abs(np.linalg.det(sides)) < _LEAST_SINE:
                return None
            met = np.linalg.solve(sides, [sides[0] @ moved, aside[end]])
            fading = np.linspace(1.0, 0.0, len(beside.at))[:: 1 if its_end == 0 else -1, None]
            out[beside.at, 2:] += fading * ((met - moved) @ beside.way[its_end]) * beside.way
            moved = met
        ends.append(moved)
    along = (x[here.at, 2:] * here.way).sum(axis=1)
    place = np.arange(last + 1)
    along += np.interp(place, [0, last], [m @ here.way[e] - along[e] for m, e in zip(ends, (0, last), strict=True)])
    out[here.at, 2:] = aside[:, None] * here.side + along[:, None] * here.way
    out[here.at[[0, last]], 2:] = ends
    return out
