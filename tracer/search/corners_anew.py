"""Corners of nested sizes laid anew, where the lines on both sides of them were led astray.

Lines that were traced along their neighbours' ink for a while arrive at a corner one size off, and no least squares
lead back: what lies nearest there is the neighbour's. But farther away on both sides each line runs along its own ink,
and carried on from there as it runs, it meets its other side in its own corner.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.search.pulls import Floats

_AROUND, _LEAST_LEFT = 60, 2.0
"""A corner is laid anew where within so many stations of it the ink of so many is without a line (judgement)."""
_ONE_CORNER, _MOST_CORNERS = 45, 3
"""Corners so few stations apart, and so many at most, may be one round which lines went astray (judgement)."""
_ARM, _LONGEST_ARM = 15, 40
"""A side is carried on from a stretch of so many stations along which its lines explain the ink."""
_CALM, _LEFT_SHARE = 9, 0.06
"""Lines explain the ink where around so many stations no larger share of it is without one (judgement)."""
_FARTHEST, _FADING = 90, 5.0
"""No arm is sought farther from its corner, stations; and what a fitted side misses the arm's end by fades out over so
many."""


def corners_anew(
    x: Floats, starts: NDArray[np.int64], left_share: Floats
) -> Iterator[tuple[Floats, NDArray[np.int64]]]:
    """Yield the middle line and its grading with a corner, or several that may be one, laid anew.

    Parameters
    ----------
    x : ndarray, shape (stations, 4)
        The middle line's x and y and how far half the grading moves it, mm.
    starts : ndarray of int
        The stations at corners.
    left_share : ndarray, shape (stations,)
        Which share of the ink nearest to each station is without a line.
    """
    size, count = len(x), len(starts)
    calm = ndimage.uniform_filter1d(left_share, _CALM, mode="wrap") < _LEFT_SHARE
    excess = np.maximum(left_share - _LEFT_SHARE, 0.0)
    groups = []
    for k, more in itertools.product(range(count), range(min(_MOST_CORNERS, count - 1))):
        first, last = int(starts[k]), int(starts[(k + more) % count])
        between = (last - first) % size
        left = float(excess[np.arange(first - _AROUND, first + between + _AROUND + 1) % size].sum())
        if between <= _ONE_CORNER and left > _LEAST_LEFT:
            groups.append((-left, more, k, first, last))
    for _, more, k, first, last in sorted(groups):
        before = _arm(calm, first, -1, (first - int(starts[k - 1])) % size or size)
        behind = _arm(calm, last, 1, (int(starts[(k + more + 1) % count]) - last) % size or size)
        if before is None or behind is None:
            continue
        new = next((m for m in (_met(x, before, behind, degree) for degree in (2, 1)) if m is not None), None)
        if new is not None:
            yield _put_in(x, starts, k, more, int(before[0]), int(behind[0]), new)


def _arm(calm: NDArray[np.bool_], corner: int, step: int, most: int) -> NDArray[np.int64] | None:
    """Return the stations of a stretch from which a side is carried on to a corner, the nearest to it first."""
    size = len(calm)
    away = np.arange(1, min(most, _FARTHEST + _LONGEST_ARM))
    good = calm[(corner + step * away) % size]
    labels, count = ndimage.label(good)
    for run in range(1, count + 1):
        inner = np.flatnonzero(labels == run)
        if len(inner) >= _ARM and away[inner[0]] <= _FARTHEST:
            return np.asarray((corner + step * away[inner[:_LONGEST_ARM]]) % size)
    return None


def _met(x: Floats, before: NDArray[np.int64], behind: NDArray[np.int64], degree: int) -> tuple[Floats, Floats] | None:
    """Return both sides carried on to the corners in which they meet, (places, 4) each, the corner last."""
    sides = []
    for arm in (before, behind):
        place = -np.arange(len(arm), dtype=np.float64)
        # A side may go on beyond where its corner was.
        ahead = np.arange(0.0, _FARTHEST * 1.5)
        terms = np.polynomial.polynomial.polyfit(place, x[arm], degree)
        on = np.polynomial.polynomial.polyval(ahead, terms).T
        sides.append(on + (x[arm[0]] - on[0]) * np.exp(-ahead / _FADING)[:, None])
    ways: list[list[Floats]] = [[], []]
    for share in (-1.0, 1.0):
        lines = [side[:, :2] + share * side[:, 2:] for side in sides]
        ends = _crossing(lines[0], lines[1])
        if ends is None:
            return None
        for way, line, (last, corner) in zip(ways, lines, ends, strict=True):
            way.append(np.vstack([line[: last + 1], corner]))
    out = []
    for way in ways:
        number = max(3, *map(len, way))
        low, high = (_evenly(w, number) for w in way)
        out.append(np.concatenate([(low + high) / 2, (high - low) / 2], axis=1))
    return out[0], out[1]


def _crossing(a: Floats, b: Floats) -> tuple[tuple[int, Floats], tuple[int, Floats]] | None:
    """Return where two polylines first cross: the places before it in each, and the point."""
    da, db = np.diff(a, axis=0)[:, None], np.diff(b, axis=0)[None]
    off = b[None, :-1] - a[:-1, None]
    cross = da[..., 0] * db[..., 1] - da[..., 1] * db[..., 0]
    cross = np.where(np.abs(cross) < 1e-12, 1e-12, cross)
    s = (off[..., 0] * db[..., 1] - off[..., 1] * db[..., 0]) / cross
    t = (off[..., 0] * da[..., 1] - off[..., 1] * da[..., 0]) / cross
    hit = np.argwhere((s >= 0) & (s <= 1) & (t >= 0) & (t <= 1))
    if not len(hit):
        return None
    i, j = hit[np.argmin(hit.sum(axis=1))]
    point = a[i] + s[i, j] * (a[i + 1] - a[i])
    return (int(i), point), (int(j), point)


def _evenly(way: Floats, number: int) -> Floats:
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    at = np.linspace(0.0, along[-1], number)
    return np.stack([np.interp(at, along, way[:, c]) for c in (0, 1)], axis=1)


def _put_in(
    x: Floats, starts: NDArray[np.int64], k: int, more: int, begin: int, stop: int, new: tuple[Floats, Floats]
) -> tuple[Floats, NDArray[np.int64]]:
    """Return the stations with those from ``begin`` to ``stop`` replaced by two sides that meet in a corner."""
    size = len(x)
    kept = np.arange(stop, stop + (begin - stop) % size + 1) % size
    # From the arm before the corner to it, and on to the arm behind it.
    middle = np.concatenate([new[0][1:], new[1][-2:0:-1]])
    whole = np.concatenate([middle, x[kept]])
    own = [len(new[0]) - 2]
    gone = {(k + n) % len(starts) for n in range(more + 1)}
    own += [len(middle) + int((starts[n] - stop) % size) for n in range(len(starts)) if n not in gone]
    corners = np.sort(np.array(own))
    # The stations begin with a corner.
    return np.roll(whole, -corners[0], axis=0), corners - corners[0]
