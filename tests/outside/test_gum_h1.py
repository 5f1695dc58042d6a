"""Propagation against example H.1 of the GUM (JCGM 100:2008): calibration of an end gauge.

Published: u_c = 32 nm, effective degrees of freedom 16, U99 = 93 nm with k = 2.92. Parts: standard 25 nm (18),
comparator from 5.8 (24), 3.9 (5) and 6.7 (8), thermal 2.9 and 16.6 nm, whose degrees of freedom 50 and 2 are from
memory."""

from __future__ import annotations

import math

import pytest

from calibration import Budget, Component
from calibration.uncertainty import coverage_factor, effective_degrees_of_freedom, expanded_uncertainty


def part(name: str, standard_uncertainty: float, degrees_of_freedom: float) -> Component:
    return Component(name=name, standard_uncertainty=standard_uncertainty, degrees_of_freedom=degrees_of_freedom)


COMPARATOR = [part("repeat", 5.8, 24), part("random", 3.9, 5), part("systematic", 6.7, 8)]


def test_comparator_parts_combine_to_the_published_value() -> None:
    budget = Budget(components=tuple(COMPARATOR))
    assert budget.combined == pytest.approx(9.7, abs=0.05)
    assert math.floor(effective_degrees_of_freedom(COMPARATOR)) == 25


def test_end_gauge_combined_and_expanded_uncertainty() -> None:
    comparator = part("comparator", 9.7, effective_degrees_of_freedom(COMPARATOR))
    parts = [part("standard", 25.0, 18), comparator, part("expansion", 2.9, 50), part("temperature", 16.6, 2)]
    assert Budget(components=tuple(parts)).combined == pytest.approx(32, abs=0.5)
    freedom = effective_degrees_of_freedom(parts)
    assert math.floor(freedom) == 16
    assert coverage_factor(freedom, 0.99) == pytest.approx(2.92, abs=0.005)
    assert expanded_uncertainty(parts, 0.99) == pytest.approx(93, abs=1)
