"""Uncertainty after the GUM (JCGM 100:2008): components, their combination and the coverage factor.

What is stated is meant to hold the truth in 95.45 % of cases. A sum of many parts is Gaussian, and twice its standard
uncertainty does that; where one part that is known by its limits alone (a rectangular distribution) outweighs the
others, twice would hold the truth always, and the factor goes down to 1.65 (JCGM 100, G.1.2 and G.2.2: the factor is
that of the distribution that the parts make together). The shape is told from the excess kurtosis: fourth cumulants of
independent parts add up as their variances do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import optimize, special

COVERAGE = math.erf(math.sqrt(2.0))
"""Probability that a Gaussian error is within k = 2: 95.45 %."""
RECTANGULAR = -1.2
"""Excess kurtosis of a rectangular distribution."""
_SHARES = 41


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One source of uncertainty.

    Parameters
    ----------
    name : str
        Short stable word: ``reading``, ``reference tolerance``, ``model``, ``extrapolation``, ``resampling``.
    standard_uncertainty : float
        In the unit of the budget (mm per m for a scale).
    degrees_of_freedom : float
        ``math.inf`` for a type B evaluation taken as exact.
    words : str
        One sentence a sewist understands, with what would make it smaller.
    excess_kurtosis : float
        Shape of its distribution: 0 for a Gaussian, -1.2 for limits with nothing known between them.
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    words: str = ""
    excess_kurtosis: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Components, largest first, and what they come to together."""

    components: tuple[Component, ...]

    @property
    def combined(self) -> float:
        """Combined standard uncertainty (JCGM 100, 5.1.2, unit sensitivity coefficients)."""
        return math.sqrt(sum(c.standard_uncertainty**2 for c in self.components))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty for a coverage of 95 %."""
        fourth = sum(c.excess_kurtosis * c.standard_uncertainty**4 for c in self.components)
        return expanded_by_shape(self.combined, fourth)


def shape_factor(excess_kurtosis: float, probability: float = COVERAGE) -> float:
    """Return the coverage factor of a symmetric distribution by its excess kurtosis.

    Exact for a Gaussian, a rectangular one and the sum of both; that sum stands for all others between them. Longer
    tails than a Gaussian's are taken for a Gaussian's.
    """
    shares, factors = _factors(probability)
    return float(np.interp(math.sqrt(min(1.0, max(0.0, excess_kurtosis / RECTANGULAR))), shares, factors))


def expanded_by_shape(standard_uncertainty: float, fourth_cumulant: float) -> float:
    """Return the expanded uncertainty (95 %) of a sum of independent parts, by its second and fourth cumulants.

    Parameters
    ----------
    standard_uncertainty : float
        Of the sum, in its unit.
    fourth_cumulant : float
        Sum of the parts' excess kurtosis times the fourth power of their standard uncertainty.
    """
    if standard_uncertainty <= 0.0:
        return 0.0
    return shape_factor(fourth_cumulant / standard_uncertainty**4) * standard_uncertainty


@lru_cache(maxsize=4)
def _factors(probability: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return shares of the variance that are rectangular, and the coverage factor of each sum with a Gaussian."""
    shares = np.linspace(0.0, 1.0, _SHARES)
    normal = float(special.ndtri((1 + probability) / 2))
    factors = [normal]
    for share in shares[1:-1]:
        half, sigma = math.sqrt(3.0 * share), math.sqrt(1.0 - share)

        def missing(k: float, half: float = half, sigma: float = sigma) -> float:
            # The mean of a Gaussian's distribution function over the rectangle, in closed form.
            high, low = (k + half) / sigma, (k - half) / sigma
            below = [z * special.ndtr(z) + math.exp(-z * z / 2) / math.sqrt(2 * math.pi) for z in (high, low)]
            return float(sigma / half * (below[0] - below[1]) - 1 - probability)

        factors.append(float(optimize.brentq(missing, 0.5, 4.0)))
    factors.append(math.sqrt(3.0) * probability)
    return tuple(float(s) for s in shares), tuple(factors)


def effective_degrees_of_freedom(components: Sequence[Component]) -> float:
    """Welch-Satterthwaite formula (JCGM 100, G.4.1)."""
    total = sum(c.standard_uncertainty**2 for c in components)
    below = sum(
        c.standard_uncertainty**4 / c.degrees_of_freedom
        for c in components
        if math.isfinite(c.degrees_of_freedom) and c.standard_uncertainty > 0
    )
    return total**2 / below if below > 0 else math.inf


def coverage_factor(degrees_of_freedom: float, probability: float) -> float:
    """Two-sided coverage factor from Student's t with the degrees of freedom truncated (JCGM 100, G.4.1)."""
    if math.isinf(degrees_of_freedom):
        return float(special.ndtri((1 + probability) / 2))
    return float(special.stdtrit(max(1.0, math.floor(degrees_of_freedom)), (1 + probability) / 2))


def expanded_uncertainty(components: Sequence[Component], probability: float) -> float:
    """Expanded uncertainty for a coverage probability (JCGM 100, G.6.4)."""
    combined = math.sqrt(sum(c.standard_uncertainty**2 for c in components))
    return coverage_factor(effective_degrees_of_freedom(components), probability) * combined
