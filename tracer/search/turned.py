"""Packs of nested sizes turned round: the lines between two corners with their order across reversed.

Where sizes are packed, a fit that has them the other way round leaves hardly more ink, and no least squares lead from
one order to the other. Which one is right shows at the corners, where each line has to meet its own continuation, and
in how evenly the grading runs: lines that cross do so in one place, and do not turn back from each other there.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.search.pulls import Floats

_LOOK = 8
_ENDS = 3
"""Narrow places of a pack are sought so many stations away from its corners."""
_LEAST_MM = 0.5
"""Lines that all lie within this have no order that matters (judgement)."""
_PACKED = 6.0
"""Lines farther apart than so many widths of one are no pack: there their order is seen (judgement)."""
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
    """Yield the grading with the lines of a span in reversed order: of all of it, and from or to its narrow places.

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
        Width of one line: in narrow places the lines lie closer, and in packs not much farther.
    """
    bounds = [*starts, len(x) + starts[0]]
    before, here, behind = (_span(x, bounds, k % len(starts)) for k in (span - 1, span, span + 1))
    last = len(here.at) - 1
    aside = (x[here.at, 2:] * here.side).sum(axis=1)
    apart = np.abs(aside) * float(np.median(np.diff(share)))
    narrow = np.flatnonzero((apart == ndimage.minimum_filter1d(apart, 2 * _LOOK + 1)) & (apart < width_mm))
    places = [0, *narrow[(narrow >= _ENDS) & (narrow <= last - _ENDS)].tolist(), last]
    runs = {(0, last), *((0, k) for k in places[1:]), *((k, last) for k in places[:-1]), *itertools.pairwise(places)}
    for first, stop in sorted(runs):
        run = np.arange(last + 1)
        run = (run >= first) & (run <= stop)
        if 2.0 * np.abs(aside[run]).max() < _LEAST_MM or apart[run].max() > _PACKED * width_mm:
            continue
        # About the middle of the pack, which is not that of the grading where outer sizes were not followed.
        pivot = (float(share.min()) + float(share.max())) / 2.0
        out = _slid(x, np.outer(run * aside, [2.0 * pivot, -2.0]), before, here, behind)
        if out is not None:
            yield out


def _span(x: Floats, bounds: list[int], k: int) -> _Span:
    at = np.arange(bounds[k], bounds[k + 1] + 1) % len(x)
    line = x[at, :2]
    place, last = np.arange(len(at)), len(at) - 1
    way = line[np.minimum(place + _LOOK, last)] - line[np.maximum(place - _LOOK, 0)]
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    return _Span(at=at, way=way, side=np.stack([-way[:, 1], way[:, 0]], axis=1))


def _slid(x: Floats, more: Floats, before: _Span, here: _Span, behind: _Span) -> Floats | None:
    """Return lines and grading moved aside in a span, its corners slid along the lines beside it.

    ``more`` (places, 2) is by how much the middle line and its grading move. None where a corner is too flat to tell.
    """
    out = x.copy()
    last = len(here.at) - 1
    along = np.zeros((2, 2))
    for n, (end, beside, its_end) in enumerate(((0, before, -1), (last, behind, 0))):
        if not more[end].any():
            continue
        sides = np.stack([beside.side[its_end], here.side[end]])
        if abs(np.linalg.det(sides)) < _LEAST_SINE:
            return None
        slid = np.linalg.solve(sides, np.stack([np.zeros(2), more[end]]))
        along[n] = here.way[end] @ slid
        fading = np.linspace(0.0, 1.0, len(beside.at))[:: 1 if its_end == -1 else -1]
        fading[its_end] = 0.0  # the corner itself moves with the span
        out[beside.at] += _in_place(np.outer(fading, beside.way[its_end] @ slid), beside.way)
    place = np.arange(last + 1)
    ahead = np.stack([np.interp(place, [0, last], along[:, c]) for c in (0, 1)], axis=1)
    out[here.at] += _in_place(more, here.side) + _in_place(ahead, here.way)
    return out


def _in_place(far: Floats, way: Floats) -> Floats:
    """Return how far the middle line and its grading go, (places, 2), along directions, as the columns of both."""
    return np.asarray((far[:, :, None] * way[:, None, :]).reshape(len(way), 4))
