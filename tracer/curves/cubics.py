"""Fitting many cubic Beziers at once.

Each cubic has given ends and end directions from which it may depart a little, and two free handle lengths (Schneider,
"An algorithm for automatically fitting digitized curves", 1990, has the two lengths). The six unknowns of every cubic
are found by Levenberg-Marquardt on the distances across the curve, all cubics in one array, each with its own
damping; those that have converged drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_HANDLE_SIGMA = 0.8
"""Prior of the logarithm of a handle over a third of the arc: weak, it keeps handles from vanishing or running away."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ends:
    """Ends of many cubics: places (C, 2), directions (rad) and how far they may depart from them, arc lengths.

    ``sigma_mm`` and ``sigma_rad`` have shape (C, 2): first end, last end.
    """

    first: Floats
    last: Floats
    first_rad: Floats
    last_rad: Floats
    arc: Floats
    sigma_mm: Floats
    sigma_rad: Floats

    def pick(self, index: NDArray[np.intp]) -> Ends:
        """Return some of them."""
        return Ends(
            first=self.first[index],
            last=self.last[index],
            first_rad=self.first_rad[index],
            last_rad=self.last_rad[index],
            arc=self.arc[index],
            sigma_mm=self.sigma_mm[index],
            sigma_rad=self.sigma_rad[index],
        )


@dataclass(slots=True, eq=False)
class _State:
    off: Floats
    hessian: Floats
    gradient: Floats
    cost: Floats
    t: Floats


def fit_cubics(ends: Ends, x: Floats, y: Floats, weight: Floats, *, steps: int) -> tuple[Floats, Floats, Floats]:
    """Fit cubics to points given in order along each.

    Parameters
    ----------
    ends : Ends
        Of C cubics.
    x, y, weight : ndarray, shape (C, K)
        Points and the reciprocals of their standard uncertainties.
    steps : int
        Most Levenberg-Marquardt steps.

    Returns
    -------
    controls : ndarray, shape (C, 4, 2)
    chi_square : ndarray, shape (C,)
        Of points and priors.
    off : ndarray, shape (C, K)
        Signed distances of the points.
    """
    count, samples = x.shape
    p = np.zeros((count, 6))
    prior = np.column_stack([np.full((count, 2), _HANDLE_SIGMA), ends.sigma_rad, ends.sigma_mm])
    precision = 1 / prior**2
    share = (np.arange(samples) + 0.5) / samples
    start = np.broadcast_to(share, x.shape).copy()
    state = _evaluate(ends, p, precision, x, y, weight, start, feet=2)
    damping = np.full(count, 1e-4)
    active = np.arange(count)
    for _ in range(steps):
        if len(active) == 0:
            break
        some = ends.pick(active) if len(active) < count else ends
        hessian = state.hessian[active]
        side = np.arange(6)
        hessian[:, side, side] *= 1 + damping[active, None]
        change = np.linalg.solve(hessian, state.gradient[active][..., None])[..., 0]
        trial = _moved(p[active], np.asarray(change, dtype=np.float64))
        tried = _evaluate(some, trial, precision[active], x[active], y[active], weight[active], state.t[active], feet=1)
        better = tried.cost <= state.cost[active]
        gain = state.cost[active] - tried.cost
        good = active[better]
        p[good] = trial[better]
        state.off[good], state.cost[good], state.t[good] = tried.off[better], tried.cost[better], tried.t[better]
        state.hessian[good], state.gradient[good] = tried.hessian[better], tried.gradient[better]
        damping[active] = np.where(better, np.maximum(damping[active] / 6, 1e-7), damping[active] * 20)
        going = ~better | (gain > 0.02 + 1e-3 * tried.cost)
        active = active[going & (damping[active] < 1e3)]
    return _controls(ends, p), state.cost, state.off


def _moved(p: Floats, change: Floats) -> Floats:
    """Take a step as a first-order displacement of the handles (see :mod:`tracer.curves.chain`)."""
    out = p + change
    for handle, angle in ((0, 2), (1, 3)):
        along = 1 + np.clip(change[:, handle], -0.6, 0.8)
        across = np.clip(change[:, angle], -0.5, 0.5)
        out[:, handle] = np.clip(p[:, handle] + 0.5 * np.log(along * along + across * across), -3.0, 1.3)
        out[:, angle] = p[:, angle] + np.arctan2(across, along)
    return out


def _controls(ends: Ends, p: Floats) -> Floats:
    third = ends.arc / 3
    a, b = np.exp(p[:, 0]) * third, np.exp(p[:, 1]) * third
    start, stop = ends.first_rad + p[:, 2], ends.last_rad + p[:, 3]
    out = np.empty((len(p), 4, 2))
    out[:, 0, 0] = ends.first[:, 0] - p[:, 4] * np.sin(ends.first_rad)
    out[:, 0, 1] = ends.first[:, 1] + p[:, 4] * np.cos(ends.first_rad)
    out[:, 3, 0] = ends.last[:, 0] - p[:, 5] * np.sin(ends.last_rad)
    out[:, 3, 1] = ends.last[:, 1] + p[:, 5] * np.cos(ends.last_rad)
    out[:, 1, 0], out[:, 1, 1] = out[:, 0, 0] + a * np.cos(start), out[:, 0, 1] + a * np.sin(start)
    out[:, 2, 0], out[:, 2, 1] = out[:, 3, 0] - b * np.cos(stop), out[:, 3, 1] - b * np.sin(stop)
    return out


def _evaluate(
    ends: Ends, p: Floats, precision: Floats, x: Floats, y: Floats, weight: Floats, t: Floats, *, feet: int
) -> _State:
    controls = _controls(ends, p)
    cx, cy = controls[:, :, 0, None], controls[:, :, 1, None]
    dx, dy = np.diff(cx, axis=1), np.diff(cy, axis=1)
    for _ in range(feet):
        miss_x, miss_y, vx, vy, _ = _at(cx, cy, dx, dy, x, y, t)
        t = np.clip(t + (miss_x * vx + miss_y * vy) / np.maximum(vx * vx + vy * vy, 1e-12), 0, 1)
    miss_x, miss_y, vx, vy, basis = _at(cx, cy, dx, dy, x, y, t)
    speed = np.maximum(np.sqrt(vx * vx + vy * vy), 1e-9)
    nx, ny = -vy / speed, vx / speed
    off = miss_x * nx + miss_y * ny
    head, tail = basis[0] + basis[1], basis[2] + basis[3]
    arm0, arm1 = controls[:, 1] - controls[:, 0], controls[:, 3] - controls[:, 2]
    # One row for each parameter: rows in one piece are written and multiplied in half of the time.
    jac = np.empty((len(x), 6, x.shape[1]))
    jac[:, 0] = basis[1] * (nx * arm0[:, :1] + ny * arm0[:, 1:])
    jac[:, 1] = -basis[2] * (nx * arm1[:, :1] + ny * arm1[:, 1:])
    jac[:, 2] = basis[1] * (ny * arm0[:, :1] - nx * arm0[:, 1:])
    jac[:, 3] = -basis[2] * (ny * arm1[:, :1] - nx * arm1[:, 1:])
    jac[:, 4] = head * (ny * np.cos(ends.first_rad)[:, None] - nx * np.sin(ends.first_rad)[:, None])
    jac[:, 5] = tail * (ny * np.cos(ends.last_rad)[:, None] - nx * np.sin(ends.last_rad)[:, None])
    jac *= weight[:, None]
    hessian = jac @ jac.transpose(0, 2, 1)
    side = np.arange(6)
    hessian[:, side, side] += precision
    weighted = off * weight
    gradient = (jac @ weighted[..., None])[..., 0] - p * precision
    cost = (weighted * weighted).sum(axis=1) + (p * p * precision).sum(axis=1)
    return _State(off, hessian, gradient, cost, t)


def _at(
    cx: Floats, cy: Floats, dx: Floats, dy: Floats, x: Floats, y: Floats, t: Floats
) -> tuple[Floats, Floats, Floats, Floats, tuple[Floats, Floats, Floats, Floats]]:
    """Return what points miss their cubics by at parameters, the derivatives there, and Bernstein's polynomials."""
    s = 1 - t
    ss, st, tt = s * s, s * t, t * t
    basis = (ss * s, 3 * ss * t, 3 * st * t, tt * t)
    miss_x = x - (basis[0] * cx[:, 0] + basis[1] * cx[:, 1] + basis[2] * cx[:, 2] + basis[3] * cx[:, 3])
    miss_y = y - (basis[0] * cy[:, 0] + basis[1] * cy[:, 1] + basis[2] * cy[:, 2] + basis[3] * cy[:, 3])
    vx = 3 * (ss * dx[:, 0] + 2 * st * dx[:, 1] + tt * dx[:, 2])
    vy = 3 * (ss * dy[:, 0] + 2 * st * dy[:, 1] + tt * dy[:, 2])
    return miss_x, miss_y, vx, vy, basis
