"""A chain of lines and cubics: nodes, end directions and handle lengths, and where each stands among the unknowns.

Where the outline is smooth the pieces on both sides share one direction, and next to a line it is the line's own:
tangent continuity holds by construction, not by penalty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tracer.curves.stretch import Kind

Points = NDArray[np.float64]


@dataclass(slots=True, eq=False)
class Chain:
    """Nodes and pieces; changed in place while it is being fitted.

    Parameters
    ----------
    nodes : ndarray, shape (n, 2)
    free : ndarray of bool, shape (n,)
        Whether the direction jumps at the node (a corner, a kink, an open end).
    places : ndarray, shape (n,)
        Index of the data point nearest to each node; increasing, the first of a closed chain may be anywhere.
    kinds : list of str
        ``line`` or ``cubic``, one for each piece; a closed chain has as many as nodes, an open one fewer by one.
    start_rad, end_rad : ndarray
        Directions at which each piece leaves and arrives.
    start_log, end_log : ndarray
        Logarithms of the handle lengths.
    reach : ndarray, shape (n,)
        How far around the node points do not count.
    """

    nodes: Points
    free: NDArray[np.bool_]
    places: NDArray[np.intp]
    kinds: list[Kind]
    start_rad: NDArray[np.float64]
    end_rad: NDArray[np.float64]
    start_log: NDArray[np.float64]
    end_log: NDArray[np.float64]
    reach: NDArray[np.float64]
    closed: bool = True

    def copy(self) -> Chain:
        """Return an independent copy."""
        return Chain(
            nodes=self.nodes.copy(),
            free=self.free.copy(),
            places=self.places.copy(),
            kinds=list(self.kinds),
            start_rad=self.start_rad.copy(),
            end_rad=self.end_rad.copy(),
            start_log=self.start_log.copy(),
            end_log=self.end_log.copy(),
            reach=self.reach.copy(),
            closed=self.closed,
        )

    def restore(self, other: Chain) -> None:
        """Take over the state of a copy."""
        for f in fields(self):
            setattr(self, f.name, getattr(other, f.name))

    @property
    def pieces(self) -> int:
        """Number of pieces."""
        return len(self.kinds)

    def after(self, k: int) -> int:
        """Index of the node at which piece ``k`` ends."""
        return (k + 1) % len(self.nodes)

    def control(self, k: int) -> Points:
        """Control points of piece ``k``: (2, 2) or (4, 2)."""
        p0, p3 = self.nodes[k], self.nodes[self.after(k)]
        if self.kinds[k] == "line":
            return np.array([p0, p3])
        a, b = math.exp(self.start_log[k]), math.exp(self.end_log[k])
        u0 = np.array([math.cos(self.start_rad[k]), math.sin(self.start_rad[k])])
        u1 = np.array([math.cos(self.end_rad[k]), math.sin(self.end_rad[k])])
        return np.array([p0, p0 + a * u0, p3 - b * u1, p3])

    def tie(self) -> None:
        """Make directions at smooth nodes agree: that of an adjoining line, else the mean of both sides."""
        for k in range(self.pieces):
            if self.kinds[k] == "line":
                d = self.nodes[self.after(k)] - self.nodes[k]
                self.start_rad[k] = self.end_rad[k] = math.atan2(d[1], d[0])
        for k in range(len(self.nodes)):
            before = (k - 1) % len(self.nodes)
            if self.free[k] or not self.joins(k):
                continue
            lines = (self.kinds[before] == "line", self.kinds[k] == "line")
            if all(lines):
                self.free[k] = True
            elif lines[0]:
                self.start_rad[k] = self.end_rad[before]
            elif lines[1]:
                self.end_rad[before] = self.start_rad[k]
            else:
                turn = (self.start_rad[k] - self.end_rad[before] + math.pi) % (2 * math.pi) - math.pi
                self.end_rad[before] += turn / 2
                self.start_rad[k] = self.end_rad[before]

    def joins(self, k: int) -> bool:
        """Tell whether a node has a piece on both sides."""
        return self.closed or 0 < k < len(self.nodes) - 1


def own_points(chain: Chain, k: int, total: int) -> NDArray[np.intp]:
    """Return the indices of the data points of a piece, both its nodes' included."""
    first, last = int(chain.places[k]), int(chain.places[chain.after(k)])
    if chain.closed and (last <= first):
        last += total
    return np.arange(first, last + 1) % total


def line_of(chain: Chain, k: int, *, at_start: bool) -> int | None:
    """Return the line piece whose direction a cubic takes at its start or end, if any."""
    node = k if at_start else chain.after(k)
    if chain.free[node] or not chain.joins(node):
        return None
    other = (k - 1) % len(chain.nodes) if at_start else chain.after(k)
    return other if other < chain.pieces and chain.kinds[other] == "line" else None


class Layout:
    """Where each unknown stands in the vector of unknowns."""

    def __init__(self, chain: Chain) -> None:
        n = len(chain.nodes)
        self.size = 2 * n
        self.start: list[int | None] = [None] * chain.pieces
        self.end: list[int | None] = [None] * chain.pieces
        self.handle: list[int | None] = [None] * chain.pieces
        for k, kind in enumerate(chain.kinds):
            if kind == "line":
                continue
            self.handle[k] = self.size
            self.size += 2
            if line_of(chain, k, at_start=True) is None:
                before = (k - 1) % n
                shared = not chain.free[k] and chain.joins(k) and before < k and self.end[before] is not None
                if shared:
                    self.start[k] = self.end[before]
                else:
                    self.start[k] = self.size
                    self.size += 1
            if line_of(chain, k, at_start=False) is None:
                after = chain.after(k)
                wraps = after == 0 and chain.closed and not chain.free[0] and self.start[0] is not None
                if wraps and (k != 0):
                    self.end[k] = self.start[0]
                else:
                    self.end[k] = self.size
                    self.size += 1
