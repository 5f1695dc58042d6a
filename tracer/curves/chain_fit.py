"""Fitting a chain of lines and cubics to points, all together.

Gauss-Newton on the distances across the curve, with each point's foot on the curve found anew at every step; points
within reach of a corner do not count, so corners come to lie where the extended arms meet.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from tracer.curves.chain import Chain, Layout, Points, line_of
from tracer.curves.chain_points import Feet, Samples, feet_of, owned, samples_of, settle_places

_SLIDE_MM = 1.5
_HANDLE_SIGMA = 0.7
_HUBER = 3.0

Floats = NDArray[np.float64]


def fit_chain(
    chain: Chain,
    points: Points,
    weight: Floats,
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
    settle_places(chain, points, spacing_mm)
    layout = Layout(chain)
    damping, growth = 1e-4, 4.0
    diagonal = np.arange(layout.size)
    hessian, gradient, cost = normal_equations(chain, layout, points, weight)
    for _ in range(iterations):
        damped = hessian.copy()
        damped[diagonal, diagonal] *= 1 + damping
        try:
            step = np.asarray(np.linalg.solve(damped, gradient), dtype=np.float64)
        except np.linalg.LinAlgError:
            return
        before = chain.copy()
        foreseen = float(step @ gradient + damping * (step * step * np.diag(hessian)).sum())
        _apply(chain, layout, step)
        chain.tie()
        settle_places(chain, points, spacing_mm)
        next_hessian, next_gradient, next_cost = normal_equations(chain, layout, points, weight)
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


def normal_equations(chain: Chain, layout: Layout, points: Points, weight: Floats) -> tuple[Floats, Floats, float]:
    """Return matrix and right side of the normal equations at a chain, and the cost of its distances from points."""
    controls = [chain.control(k) for k in range(chain.pieces)]
    s = samples_of(chain, points, weight)
    feet = feet_of(controls, s.count, s.x, s.y, s.share)
    # Huber's loss, beyond three times the piece's own spread: a fit that is still on its way is no outlier.
    big = np.abs(feet.off) * np.sqrt(s.weight)
    first = np.concatenate([[0], np.cumsum(s.count)])
    spread = np.array([_median(big[a:b]) for a, b in itertools.pairwise(first)])
    limit = _HUBER * np.maximum(1.0, 1.4826 * spread)
    robust = s.weight * np.minimum(1.0, limit[s.piece] / np.maximum(big, 1e-12))
    cost = float((robust * feet.off**2 * (2 - robust / s.weight)).sum())
    own = own_derivatives(controls, s, feet)
    weighted = own * robust
    grams = np.array([weighted[:, a:b] @ own[:, a:b].T for a, b in itertools.pairwise(first)])
    sides = np.add.reduceat(weighted * feet.off, first[:-1], axis=1).T
    spread_out = spread_out_of(chain, layout)
    hessian = np.asarray(np.tensordot(spread_out, grams @ spread_out, axes=([0, 1], [0, 1])), dtype=np.float64)
    gradient = np.tensordot(sides, spread_out, axes=([0, 1], [0, 1]))
    for k, handle in enumerate(layout.handle):
        if handle is None:
            continue
        chord = controls[k][3] - controls[k][0]
        usual = math.log(max(math.hypot(chord[0], chord[1]), 1e-6) / 3)
        for shift, value in ((0, float(chain.start_log[k])), (1, float(chain.end_log[k]))):
            hessian[handle + shift, handle + shift] += 1 / _HANDLE_SIGMA**2
            gradient[handle + shift] -= (value - usual) / _HANDLE_SIGMA**2
            cost += ((value - usual) / _HANDLE_SIGMA) ** 2
    n = len(chain.nodes)
    diagonal = np.arange(layout.size)
    hessian[diagonal, diagonal] += np.where(diagonal < 2 * n, 1 / _SLIDE_MM**2, 1e-6)
    return hessian, gradient, cost


def _median(values: Floats) -> float:
    """Return the median of at least one value (a fraction of the cost of numpy's for so few)."""
    middle = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, middle)[middle])
    low, high = np.partition(values, (middle - 1, middle))[middle - 1 : middle + 1]
    return float(low + high) / 2


def own_derivatives(controls: list[Points], s: Samples, feet: Feet) -> Floats:
    """Return the derivatives of points across the curve by their own piece's parameters, shape (8, N).

    In order: first node x, y; last node x, y; logarithms of the two handles; the two end directions (zero for lines).
    """
    t, nx, ny = feet.t, feet.nx, feet.ny
    arms = np.zeros((len(controls), 4))
    straight = np.zeros(len(controls), bool)
    for k, control in enumerate(controls):
        if len(control) == 2:
            straight[k] = True
        else:
            arms[k, :2], arms[k, 2:] = control[1] - control[0], control[3] - control[2]
    ux, uy, vx, vy = np.repeat(arms.T, s.count, axis=1)
    rest = 1 - t
    b1, b2 = 3 * rest * rest * t, 3 * rest * t * t
    head, tail = rest**3 + b1, b2 + t**3
    on_line = np.repeat(straight, s.count)
    if on_line.any():
        head, tail = np.where(on_line, rest, head), np.where(on_line, t, tail)
    return np.stack(
        [
            head * nx,
            head * ny,
            tail * nx,
            tail * ny,
            b1 * (nx * ux + ny * uy),
            -b2 * (nx * vx + ny * vy),
            b1 * (ny * ux - nx * uy),
            -b2 * (ny * vx - nx * vy),
        ]
    )


def spread_out_of(chain: Chain, layout: Layout) -> Floats:
    """Return how each piece's own parameters follow from the unknowns, shape (pieces, 8, unknowns)."""
    out = np.zeros((chain.pieces, 8, layout.size))
    for k in range(chain.pieces):
        first, last = 2 * k, 2 * chain.after(k)
        out[k, 0, first] = out[k, 1, first + 1] = out[k, 2, last] = out[k, 3, last + 1] = 1.0
        handle = layout.handle[k]
        if handle is None:
            continue
        out[k, 4, handle] = out[k, 5, handle + 1] = 1.0
        for row, own, at_start in ((6, layout.start[k], True), (7, layout.end[k], False)):
            if own is not None:
                out[k, row, own] = 1.0
                continue
            line = line_of(chain, k, at_start=at_start)
            assert line is not None
            u, v = line, chain.after(line)
            dx, dy = chain.nodes[v] - chain.nodes[u]
            square = max(float(dx * dx + dy * dy), 1e-12)
            # The end of one may be the start of the other: what falls on the same unknown adds up.
            out[k, row, 2 * u] += dy / square
            out[k, row, 2 * u + 1] -= dx / square
            out[k, row, 2 * v] -= dy / square
            out[k, row, 2 * v + 1] += dx / square
    return out


def _apply(chain: Chain, layout: Layout, step: Floats) -> None:
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
            (float(step[handle]), layout.start[k], chain.start_log, chain.start_rad),
            (float(step[handle + 1]), layout.end[k], chain.end_log, chain.end_rad),
        ):
            along = 1 + min(max(longer, -0.6), 0.8)
            across = 0.0 if angle is None else min(max(float(step[angle]), -0.5), 0.5)
            logs[k] += 0.5 * math.log(along * along + across * across)
            radians[k] += math.atan2(across, along)


def measure_chain(
    chain: Chain, points: Points, weight: Floats, spacing_mm: float
) -> list[tuple[NDArray[np.intp], Floats, Floats]]:
    """Return for each piece the points that count (indices), their signed distances and parameters on it.

    Points within reach of a corner and points of no weight are left out.
    """
    settle_places(chain, points, spacing_mm)
    own = owned(chain, points)
    keep = own.clear & (weight[own.index] > 0)
    index, share = own.index[keep], own.share[keep]
    count = np.bincount(own.piece[keep], minlength=chain.pieces)
    controls = [chain.control(k) for k in range(chain.pieces)]
    feet = feet_of(controls, count, points[index, 0], points[index, 1], share)
    cuts = np.cumsum(count)[:-1]
    return list(zip(np.split(index, cuts), np.split(feet.off, cuts), np.split(feet.t, cuts), strict=True))
