"""How far a fitted outline may lie aside of where it was laid, for all that its points tell.

The inverse of the normal equations of a fit by least squares is the covariance of its unknowns, and any place on the
fit has its uncertainty from them (JCGM 100:2008, H.3). So an outline is known well wherever many points hold it, as
along a straight side, however badly a few of them are read; and badly where few hold a curve, or where such curves are
led on to a corner.

Limits: asked is how far the lines and cubics of a chain may lie aside, not whether others would have done as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.chain import Chain, Layout, Points
from tracer.curves.chain_fit import normal_equations, own_derivatives, spread_out_of
from tracer.curves.chain_points import Feet, Samples
from tracer.curves.given import Given
from tracer.segments import derivative, evaluate

_APART_MM, _FEWEST = 1.0, 9
"""Distance of the places, and how many each piece has at least."""
_SHARP_RAD = np.radians(60.0)
_TURNS_BACK, _OVER = 0.5, 0.15
"""A cubic that goes by so much more slowly there than elsewhere is looked at over so much of it (judgement)."""
_EXPANDED = 3.0
"""The worst of some twenty places that stray each by itself lies within so many standard uncertainties at 95 %: sides,
bends and corners of an outline are about as many (of a normal distribution; their number is judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leeway:
    """Places along an outline, mm, shape (N, 2), and how far the line may lie aside there, mm, shape (N,).

    It lies within at all places at once in 95 % of outlines.
    """

    points_mm: Points
    expanded_mm: NDArray[np.float64]

    def at(self, which: NDArray[np.bool_]) -> Leeway:
        """Return some of the places only."""
        return Leeway(points_mm=self.points_mm[which], expanded_mm=self.expanded_mm[which])


def leeway_of(chain: Chain, data: Given) -> Leeway:
    """Return how far the line may lie aside of a chain that was fitted to points."""
    layout = Layout(chain)
    hessian = normal_equations(chain, layout, data.points, data.weight)[0]
    covariance = np.linalg.pinv(hessian, hermitian=True)
    spread_out = spread_out_of(chain, layout)
    sharp = chain.free & (np.abs(_turns(chain)) > _SHARP_RAD)
    points, variances = [], []
    for k in range(chain.pieces):
        control = chain.control(k)
        length = float(np.hypot(*np.diff(control, axis=0).T).sum())
        t = np.linspace(0, 1, max(_FEWEST, int(np.ceil(length / _APART_MM)) + 1))
        at = evaluate(control, t)
        way = _going(control, t)
        across = np.stack([-way[:, 1], way[:, 0]]) / np.maximum(np.hypot(*way.T), 1e-12)
        samples = Samples(np.array([len(t)]), np.zeros(len(t), dtype=np.intp), at[:, 0], at[:, 1], np.ones(len(t)), t)
        own = own_derivatives([control], samples, Feet(t, np.zeros(len(t)), across[0], across[1]))
        by_unknown = own.T @ spread_out[k]
        variance = ((by_unknown @ covariance) * by_unknown).sum(axis=1)
        # A sharp corner may lie aside in any direction; one that hardly turns is none if it slides along the line. The
        # points within its reach, rounded as they are, show that the line turns there.
        if sharp[k]:
            free = np.linalg.eigvalsh(covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2])[-1]
            variance[0] = max(variance[0], min(free, (chain.reach[k] / _EXPANDED) ** 2))
        points.append(at)
        variances.append(variance)
    sigma = np.sqrt(np.maximum(np.concatenate(variances), 0.0))
    return Leeway(points_mm=np.concatenate(points), expanded_mm=_EXPANDED * sigma)


def _going(control: Points, t: NDArray[np.float64]) -> Points:
    """Return the direction of a curve at parameters, over some way where it all but turns back on itself.

    Its tangent swings round there, and what lies across that would be what lies along the curve.
    """
    way = derivative(control, t)
    speed = np.hypot(*way.T)
    over = evaluate(control, np.minimum(t + _OVER, 1.0)) - evaluate(control, np.maximum(t - _OVER, 0.0))
    slow = (speed < _TURNS_BACK * float(np.median(speed))) & (t > 0) & (t < 1)
    return np.where(slow[:, None], over, way)


def _turns(chain: Chain) -> NDArray[np.float64]:
    """Return by how much the direction turns at each node, rad; at the ends of an open chain nothing is said."""
    out = np.zeros(len(chain.nodes))
    for k in range(len(chain.nodes)):
        if chain.joins(k):
            turn = chain.start_rad[k] - chain.end_rad[k - 1]
            out[k] = (turn + np.pi) % (2 * np.pi) - np.pi
    return out
