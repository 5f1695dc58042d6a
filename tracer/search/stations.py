"""Stations along nested sizes: where the grading of all sizes is known, between the corners that they have in common.

A middle line and how far half the grading moves it are kept at even stations, about a millimetre apart, anew from each
corner on; every size's line is the middle line and its own step times the grading.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.search.pulls import Floats

STATION_MM = 1.0
_LEAST_TURN, _ARM = np.radians(20), (3, 9)
"""A corner at which the model turns less between such arms, in its places, is none."""
_LEAST_STATIONS = 4


def sharp(model: Floats, heads: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the corners at which most lines really turn; all of them where that would leave none."""
    near, arm = _ARM
    count = model.shape[1]
    behind = model[:, (heads - near) % count] - model[:, (heads - arm) % count]
    ahead = model[:, (heads + arm) % count] - model[:, (heads + near) % count]
    turn = np.arctan2(behind[..., 0] * ahead[..., 1] - behind[..., 1] * ahead[..., 0], (behind * ahead).sum(axis=-1))
    found = heads[np.median(np.abs(turn), axis=0) > _LEAST_TURN]
    return found if len(found) else heads


def stations(model: Floats, heads: NDArray[np.int64]) -> tuple[Floats, NDArray[np.int64]]:
    """Return the model's lines at even stations around, and which of these are the corners."""
    count = model.shape[1]
    middle = model.mean(axis=0)
    index: list[Floats] = []
    starts: list[int] = []
    for begin, stop in zip(heads, [*heads[1:], count + heads[0]], strict=True):
        way = np.take(middle, np.arange(begin, stop + 1), axis=0, mode="wrap")
        number = max(_LEAST_STATIONS, round(float(np.hypot(*np.diff(way, axis=0).T).sum()) / STATION_MM))
        starts.append(sum(map(len, index)))
        index.append(np.linspace(begin, stop, number, endpoint=False))
    place = np.concatenate(index)
    near = np.floor(place).astype(np.int64)
    rest = (place - near)[None, :, None]
    return model[:, near % count] * (1.0 - rest) + model[:, (near + 1) % count] * rest, np.array(starts)


def restationed(x: Floats, starts: NDArray[np.int64]) -> tuple[Floats, NDArray[np.int64]]:
    """Return the middle line and its grading at even stations again, and which of these are the corners."""
    parts: list[Floats] = []
    for a, b in zip(starts, [*starts[1:], len(x) + starts[0]], strict=True):
        way = x[np.arange(a, b + 1) % len(x)]
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way[:, :2], axis=0).T))])
        number = max(_LEAST_STATIONS, round(along[-1] / STATION_MM))
        at = np.linspace(0.0, along[-1], number, endpoint=False)
        parts.append(np.stack([np.interp(at, along, way[:, c]) for c in range(4)], axis=1))
    return np.concatenate(parts), np.concatenate([[0], np.cumsum([len(p) for p in parts])[:-1]])


def all_steps(known: Floats, ranks: Sequence[int], count: int) -> Floats:
    """Return the step of every size, between and beyond those that are known."""
    out = np.interp(np.arange(count), ranks, known)
    for end, inner, of in ((0, 1, range(ranks[0])), (-1, -2, range(ranks[-1] + 1, count))):
        slope = (known[inner] - known[end]) / (ranks[inner] - ranks[end])
        for rank in of:
            out[rank] = known[end] + slope * (rank - ranks[end])
    return np.asarray(out, dtype=np.float64)


def ways(x: Floats, share: Floats, starts: NDArray[np.int64]) -> Floats:
    """Return which way the lines run at their stations, (sizes, stations, 2); at a corner the way on from it."""
    lines = x[None, :, :2] + share[:, None, None] * x[None, :, 2:]
    along = np.empty_like(lines)
    for a, b in zip(starts, [*starts[1:], len(x)], strict=True):
        size = b - a + 1
        part = lines[:, np.arange(a, b + 1) % len(x)]
        place = np.arange(size)
        way = part[:, np.minimum(place + 2, size - 1)] - part[:, np.maximum(place - 2, 0)]
        turn = np.unwrap(np.arctan2(way[..., 1], way[..., 0]), axis=1)
        # Right beside a corner the line itself may not yet lie right: its bend is carried on.
        trim = min(2, (size - 1) // 3)
        for side in (turn, turn[:, ::-1]):
            bend = (side[:, 2 * trim] - side[:, trim]) / max(trim, 1)
            side[:, :trim] = side[:, [trim]] - bend[:, None] * np.arange(trim, 0, -1)
        along[:, a:b] = np.stack([np.cos(turn), np.sin(turn)], axis=-1)[:, :-1]
    return along
