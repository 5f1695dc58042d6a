"""A chain of lines and cubics fitted to points all together.

Unknowns are the nodes, the end directions and the handle lengths. Where the outline is smooth the pieces on both sides
share one direction, and next to a line it is the line's own: tangent continuity holds by construction, not by penalty.
Gauss-Newton on the distances across the curve, with each point's foot on the curve found anew at every step; points
within reach of a corner do not count, so corners come to lie where the extended arms meet.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tracer.stretch import Kind

Points = NDArray[np.float64]

_MOST_SAMPLES = 120
"""Points of a piece are averaged to at most so many: the mean of a 120th of a right angle lies 7e-6
radii inside it."""
_SLIDE_MM = 1.5
_HANDLE_SIGMA = 0.7
_HUBER = 3.0


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
        return copy.deepcopy(self)

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
            if self.free[k] or not self._joins(k):
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

    def _joins(self, k: int) -> bool:
        return self.closed or 0 < k < len(self.nodes) - 1


def own_points(chain: Chain, k: int, total: int) -> NDArray[np.intp]:
    """Return the indices of the data points of a piece, both its nodes' included."""
    first, last = int(chain.places[k]), int(chain.places[chain.after(k)])
    if chain.closed and (last <= first):
        last += total
    return np.arange(first, last + 1) % total


def _samples(
    chain: Chain, k: int, points: Points, weight: NDArray[np.float64]
) -> tuple[Points, NDArray[np.float64], NDArray[np.float64]]:
    """Return block means of a piece's points that count, their weights, and their places along it (0..1)."""
    own = own_points(chain, k, len(points))
    share = np.linspace(0, 1, len(own))
    p, w = points[own], weight[own]
    counts = np.ones(len(own), bool)
    for node in (k, chain.after(k)):
        if chain.reach[node] > 0:
            counts &= ((p - chain.nodes[node]) ** 2).sum(axis=1) > chain.reach[node] ** 2
    if counts.sum() < 2:
        counts[:] = True
        w = w * 1e-3
    p, w, share = p[counts], w[counts], share[counts]
    block = max(1, len(p) // _MOST_SAMPLES)
    if block > 1:
        edges = np.arange(0, len(p), block)
        total = np.add.reduceat(w, edges)
        p = np.add.reduceat(p * w[:, None], edges) / total[:, None]
        share = np.add.reduceat(share * w, edges) / total
        w = total
    return p, w, share


def _feet(
    control: Points, p: Points, t: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], Points]:
    """Return parameters of the feet of points on a piece, distances to its left (signed), and unit normals."""
    if len(control) == 2:
        d = control[1] - control[0]
        length = max(float(np.hypot(*d)), 1e-9)
        t = (p - control[0]) @ d / length**2
        normal = np.array([-d[1], d[0]]) / length
        return t, (p - control[0]) @ normal, np.broadcast_to(normal, p.shape)
    c0, c1, c2, c3 = control
    for _ in range(3):
        s = 1 - t
        t_, s_ = t[:, None], s[:, None]
        point = s_**3 * c0 + 3 * s_ * s_ * t_ * c1 + 3 * s_ * t_ * t_ * c2 + t_**3 * c3
        d1 = 3 * (s_ * s_ * (c1 - c0) + 2 * s_ * t_ * (c2 - c1) + t_ * t_ * (c3 - c2))
        d2 = 6 * (s_ * (c2 - 2 * c1 + c0) + t_ * (c3 - 2 * c2 + c1))
        miss = p - point
        slope = (d1 * d1).sum(axis=1)
        full = slope - (miss * d2).sum(axis=1)
        t = np.clip(t + (miss * d1).sum(axis=1) / np.maximum(full, 0.3 * slope + 1e-12), -0.02, 1.02)
    s_, t_ = 1 - t[:, None], t[:, None]
    point = s_**3 * c0 + 3 * s_ * s_ * t_ * c1 + 3 * s_ * t_ * t_ * c2 + t_**3 * c3
    d1 = 3 * (s_ * s_ * (c1 - c0) + 2 * s_ * t_ * (c2 - c1) + t_ * t_ * (c3 - c2))
    length = np.maximum(np.hypot(d1[:, 0], d1[:, 1]), 1e-9)
    normal = np.stack([-d1[:, 1], d1[:, 0]], axis=1) / length[:, None]
    return t, ((p - point) * normal).sum(axis=1), normal


def _line_of(chain: Chain, k: int, *, at_start: bool) -> int | None:
    """Return the line piece whose direction a cubic takes at its start or end, if any."""
    node = k if at_start else chain.after(k)
    if chain.free[node] or not chain._joins(node):
        return None
    other = (k - 1) % len(chain.nodes) if at_start else chain.after(k)
    return other if other < chain.pieces and chain.kinds[other] == "line" else None


class _Layout:
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
            if _line_of(chain, k, at_start=True) is None:
                before = (k - 1) % n
                shared = not chain.free[k] and chain._joins(k) and before < k and self.end[before] is not None
                if shared:
                    self.start[k] = self.end[before]
                else:
                    self.start[k] = self.size
                    self.size += 1
            if _line_of(chain, k, at_start=False) is None:
                after = chain.after(k)
                wraps = after == 0 and chain.closed and not chain.free[0] and self.start[0] is not None
                if wraps and (k != 0):
                    self.end[k] = self.start[0]
                else:
                    self.end[k] = self.size
                    self.size += 1


def fit_chain(
    chain: Chain,
    points: Points,
    weight: NDArray[np.float64],
    *,
    spacing_mm: float,
    iterations: int = 30,
) -> None:
    """Fit a chain in place (Levenberg-Marquardt with the damping rule of Nielsen 1999).

    Parameters
    ----------
    points : ndarray, shape (N, 2)
    weight : ndarray, shape (N,)
        Inverse variance of each point across the line; tiny where it is not to be believed.
    """
    chain.tie()
    _settle_places(chain, points, spacing_mm)
    layout = _Layout(chain)
    damping, growth = 1e-4, 4.0
    hessian, gradient, cost = _normal_equations(chain, layout, points, weight)
    for _ in range(iterations):
        damped = hessian.copy()
        damped[np.diag_indices(layout.size)] *= 1 + damping
        try:
            step = np.asarray(np.linalg.solve(damped, gradient), dtype=np.float64)
        except np.linalg.LinAlgError:
            return
        before = chain.copy()
        foreseen = float(step @ gradient + damping * (step * step * np.diag(hessian)).sum())
        _apply(chain, layout, step)
        chain.tie()
        _settle_places(chain, points, spacing_mm)
        next_hessian, next_gradient, next_cost = _normal_equations(chain, layout, points, weight)
        gain = cost - next_cost
        if gain < 0:
            chain.restore(before)
            damping *= growth
            growth *= 2
            if damping > 1e3:
                return
            continue
        hessian, gradient, cost = next_hessian, next_gradient, next_cost
        ratio = gain / max(foreseen, 1e-12)
        damping, growth = max(damping * max(0.1, 1 - (2 * ratio - 1) ** 3), 1e-7), 4.0
        if gain < 2e-4 * cost + 0.05:
            return


def _settle_places(chain: Chain, points: Points, spacing: float) -> None:
    """Find the data point nearest to each node again, not far from where it was."""
    total = len(points)
    window = np.arange(-round(4.0 / spacing), round(4.0 / spacing) + 1)
    for k, node in enumerate(chain.nodes):
        if not chain.closed and k in (0, len(chain.nodes) - 1):
            continue
        near = chain.places[k] + window
        near = near % total if chain.closed else near[(near >= 0) & (near < total)]
        chain.places[k] = near[np.argmin(((points[near] - node) ** 2).sum(axis=1))]


def _normal_equations(
    chain: Chain, layout: _Layout, points: Points, weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    n = len(chain.nodes)
    hessian, gradient, cost = np.zeros((layout.size, layout.size)), np.zeros(layout.size), 0.0
    for k in range(chain.pieces):
        p, w, share = _samples(chain, k, points, weight)
        control = chain.control(k)
        t, off, normal = _feet(control, p, share)
        # Huber's loss, beyond three times the piece's own spread: a fit that is still on its way is no outlier.
        big = np.abs(off) * np.sqrt(w)
        limit = _HUBER * max(1.0, 1.4826 * float(np.median(big)))
        robust = w * np.minimum(1.0, limit / np.maximum(big, 1e-12))
        cost += float((robust * off**2 * (2 - robust / w)).sum())
        index, columns = _columns(chain, layout, k, control, t, normal)
        jac = np.stack(columns, axis=1)
        unique, inverse = np.unique(np.array(index), return_inverse=True)
        local = np.zeros((len(p), len(unique)))
        np.add.at(local.T, inverse, jac.T)
        hessian[np.ix_(unique, unique)] += (local * robust[:, None]).T @ local
        gradient[unique] += local.T @ (robust * off)
        handle = layout.handle[k]
        if handle is not None:
            usual = math.log(max(float(np.hypot(*(control[3] - control[0]))), 1e-6) / 3)
            for shift, value in ((0, chain.start_log[k]), (1, chain.end_log[k])):
                hessian[handle + shift, handle + shift] += 1 / _HANDLE_SIGMA**2
                gradient[handle + shift] -= (value - usual) / _HANDLE_SIGMA**2
                cost += ((value - usual) / _HANDLE_SIGMA) ** 2
    diagonal = np.arange(2 * n)
    hessian[diagonal, diagonal] += 1 / _SLIDE_MM**2
    rest = np.arange(2 * n, layout.size)
    hessian[rest, rest] += 1e-6
    return hessian, gradient, cost


def _columns(
    chain: Chain, layout: _Layout, k: int, control: Points, t: NDArray[np.float64], normal: Points
) -> tuple[list[int], list[NDArray[np.float64]]]:
    """Return the unknowns a piece depends on and the derivative of its points across the curve by each."""
    first, last = 2 * k, 2 * chain.after(k)
    if len(control) == 2:
        s = 1 - t
        return (
            [first, first + 1, last, last + 1],
            [s * normal[:, 0], s * normal[:, 1], t * normal[:, 0], t * normal[:, 1]],
        )
    s = 1 - t
    b1, b2 = 3 * s * s * t, 3 * s * t * t
    head, tail = s**3 + b1, b2 + t**3
    arm0, arm1 = control[1] - control[0], control[3] - control[2]
    index = [first, first + 1, last, last + 1]
    columns = [head * normal[:, 0], head * normal[:, 1], tail * normal[:, 0], tail * normal[:, 1]]
    handle = layout.handle[k]
    assert handle is not None
    index += [handle, handle + 1]
    columns += [b1 * (normal @ arm0), -b2 * (normal @ arm1)]
    turn0 = b1 * (normal @ np.array([-arm0[1], arm0[0]]))
    turn1 = -b2 * (normal @ np.array([-arm1[1], arm1[0]]))
    for turn, own, at_start in ((turn0, layout.start[k], True), (turn1, layout.end[k], False)):
        if own is not None:
            index.append(own)
            columns.append(turn)
            continue
        line = _line_of(chain, k, at_start=at_start)
        assert line is not None
        u, v = line, chain.after(line)
        d = chain.nodes[v] - chain.nodes[u]
        square = max(float(d @ d), 1e-12)
        index += [2 * u, 2 * u + 1, 2 * v, 2 * v + 1]
        columns += [turn * d[1] / square, -turn * d[0] / square, -turn * d[1] / square, turn * d[0] / square]
    return index, columns


def _apply(chain: Chain, layout: _Layout, step: NDArray[np.float64]) -> None:
    """Take a step.

    A cubic is linear in its control points, and next to linear in nothing else: handles move by the step's first-order
    displacement, and lengths and directions are read off them afterwards. (Stepping in logarithm and angle has a cross
    term that stalls the fit of long flat curves.)
    """
    n = len(chain.nodes)
    chain.nodes += np.clip(step[: 2 * n], -1.0, 1.0).reshape(n, 2)
    for k in range(chain.pieces):
        handle = layout.handle[k]
        if handle is None:
            continue
        for longer, angle, logs, radians in (
            (step[handle], layout.start[k], chain.start_log, chain.start_rad),
            (step[handle + 1], layout.end[k], chain.end_log, chain.end_rad),
        ):
            along = 1 + float(np.clip(longer, -0.6, 0.8))
            across = 0.0 if angle is None else float(np.clip(step[angle], -0.5, 0.5))
            logs[k] += 0.5 * math.log(along * along + across * across)
            radians[k] += math.atan2(across, along)


def measure_chain(
    chain: Chain, points: Points, weight: NDArray[np.float64], spacing_mm: float
) -> list[tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]]:
    """Return for each piece the points that count (indices), their signed distances and parameters on it.

    Points within reach of a corner and points of no weight are left out.
    """
    _settle_places(chain, points, spacing_mm)
    believed = weight > 0
    out = []
    for k in range(chain.pieces):
        own = own_points(chain, k, len(points))
        share = np.linspace(0, 1, len(own))
        counts = believed[own]
        for node in (k, chain.after(k)):
            if chain.reach[node] > 0:
                counts &= ((points[own] - chain.nodes[node]) ** 2).sum(axis=1) > chain.reach[node] ** 2
        own, share = own[counts], share[counts]
        t, off, _ = _feet(chain.control(k), points[own], share)
        out.append((own, off, t))
    return out
