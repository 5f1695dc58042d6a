"""The points of a chain's pieces, those of all pieces in one array, and their feet on the pieces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.chain import Chain, Points

_MOST_SAMPLES = 120
"""Points of a piece are averaged to at least so many: the mean of a 120th of a right angle lies 7e-6
radii inside it."""
_WINDOW_MM = 4.0
_NEWTON_STEPS = 3

Floats = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Points of all pieces, piece after piece.

    ``count`` is the number of each piece's points, ``piece`` the piece of each point; ``weight`` is the inverse
    variance across the line; ``share`` says how far along its piece a point lies (0..1).
    """

    count: Index
    piece: Index
    x: Floats
    y: Floats
    weight: Floats
    share: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Feet:
    """Feet of points on their pieces: parameter, signed distance to the left, unit normal there."""

    t: Floats
    off: Floats
    nx: Floats
    ny: Floats


def settle_places(chain: Chain, points: Points, spacing_mm: float) -> None:
    """Find the data point nearest to each node again, not far from where it was."""
    total = len(points)
    half = round(_WINDOW_MM / spacing_mm)
    near = chain.places[:, None] + np.arange(-half, half + 1)
    index = near % total
    away = (points[index, 0] - chain.nodes[:, :1]) ** 2 + (points[index, 1] - chain.nodes[:, 1:]) ** 2
    if not chain.closed:
        away[(near < 0) | (near >= total)] = np.inf
    found = index[np.arange(len(index)), np.argmin(away, axis=1)]
    if not chain.closed:
        found[[0, -1]] = chain.places[[0, -1]]
    chain.places[:] = found


@dataclass(frozen=True, slots=True, eq=False)
class Owned:
    """Indices of the points of all pieces, both nodes' included, and which are clear of corners."""

    count: Index
    piece: Index
    index: Index
    share: Floats
    clear: NDArray[np.bool_]


def owned(chain: Chain, points: Points) -> Owned:
    """Return which points belong to which piece."""
    total, pieces = len(points), chain.pieces
    begin = np.arange(pieces)
    end = (begin + 1) % len(chain.nodes)
    start, stop = chain.places[begin], chain.places[end]
    if chain.closed:
        stop = np.where(stop <= start, stop + total, stop)
    count = np.maximum(stop - start + 1, 1)
    piece = np.repeat(begin, count)
    local = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    index = (start[piece] + local) % total
    clear = np.ones(len(index), bool)
    for node in (begin, end):
        reach = chain.reach[node] ** 2
        if reach.any():
            at = chain.nodes[node][piece]
            away = (points[index, 0] - at[:, 0]) ** 2 + (points[index, 1] - at[:, 1]) ** 2
            clear &= (away > reach[piece]) | (reach[piece] <= 0)
    return Owned(count, piece, index, local / np.maximum(count - 1, 1)[piece], clear)


def samples_of(chain: Chain, points: Points, weight: Floats) -> Samples:
    """Return means of blocks of each piece's points that are clear of corners.

    A piece with fewer than two such points keeps all that it has, at a thousandth of their weight.
    """
    own = owned(chain, points)
    pieces = chain.pieces
    bare = np.bincount(own.piece, own.clear, pieces) < 2
    keep = own.clear | bare[own.piece]
    piece, index, share = own.piece[keep], own.index[keep], own.share[keep]
    w = weight[index] * np.where(bare, 1e-3, 1.0)[piece]
    x, y = points[index, 0], points[index, 1]
    count = np.bincount(piece, minlength=pieces)
    block = np.maximum(1, count // _MOST_SAMPLES)
    if not (block > 1).any():
        return Samples(count, piece, x, y, w, share)
    local = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    heads = np.flatnonzero(local % block[piece] == 0)
    total = np.add.reduceat(w, heads)
    x, y, share = (np.add.reduceat(v * w, heads) / total for v in (x, y, share))
    piece = piece[heads]
    return Samples(np.bincount(piece, minlength=pieces), piece, x, y, total, share)


def feet_of(controls: list[Points], count: Index, x: Floats, y: Floats, share: Floats) -> Feet:
    """Return the feet of points on their pieces, by Newton's method from shares of the way.

    Parameters
    ----------
    controls : list of ndarray
        Control points of the pieces, (2, 2) or (4, 2).
    count : ndarray of int
        Number of points of each, in order.
    x, y, share : ndarray, shape (N,)
    """
    # Power basis: a0 + t (a1 + t (a2 + t a3)); a line has only the first two.
    powers = np.zeros((len(controls), 8))
    straight = np.zeros(len(controls), bool)
    for k, control in enumerate(controls):
        if len(control) == 2:
            straight[k] = True
            powers[k, 0:2], powers[k, 2:4] = control[0], control[1] - control[0]
            continue
        c0, c1, c2, c3 = control
        powers[k, 0:2], powers[k, 2:4] = c0, 3 * (c1 - c0)
        powers[k, 4:6], powers[k, 6:8] = 3 * (c2 - 2 * c1 + c0), c3 - 3 * c2 + 3 * c1 - c0
    ax, ay, bx, by, cx, cy, dx, dy = np.repeat(powers.T, count, axis=1)
    on_line = np.repeat(straight, count)
    t = share
    for _ in range(_NEWTON_STEPS):
        miss_x, miss_y = x - (ax + t * (bx + t * (cx + t * dx))), y - (ay + t * (by + t * (cy + t * dy)))
        vx, vy = bx + t * (2 * cx + 3 * t * dx), by + t * (2 * cy + 3 * t * dy)
        slope = vx * vx + vy * vy
        full = slope - (miss_x * (2 * cx + 6 * t * dx) + miss_y * (2 * cy + 6 * t * dy))
        step = (miss_x * vx + miss_y * vy) / np.maximum(full, 0.3 * slope + 1e-12)
        t = np.minimum(np.maximum(t + step, -0.02), 1.02)
    if on_line.any():
        length2 = np.maximum(bx * bx + by * by, 1e-18)
        t = np.where(on_line, ((x - ax) * bx + (y - ay) * by) / length2, t)
    vx, vy = bx + t * (2 * cx + 3 * t * dx), by + t * (2 * cy + 3 * t * dy)
    length = np.maximum(np.hypot(vx, vy), 1e-9)
    nx, ny = -vy / length, vx / length
    off = (x - (ax + t * (bx + t * (cx + t * dx)))) * nx + (y - (ay + t * (by + t * (cy + t * dy)))) * ny
    return Feet(t, off, nx, ny)
