"""Uncertainty after the GUM (JCGM 100:2008): components, their combination and the coverage factor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special


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
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Components, largest first, and what they come to together.

    ``expanded`` uses k = 2 unless another coverage is asked of :func:`expanded_uncertainty`.
    """

    components: tuple[Component, ...]

    @property
    def combined(self) -> float:
        """Combined standard uncertainty (JCGM 100, 5.1.2, unit sensitivity coefficients)."""
        return math.sqrt(sum(c.standard_uncertainty**2 for c in self.components))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty with coverage factor k = 2."""
        return 2.0 * self.combined


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
