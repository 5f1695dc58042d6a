"""The coverage factor of what a few parts of different shape make together.

Source: JCGM 101:2008, 9.2, additive models (figures from memory): four rectangular inputs of standard uncertainty 1
give a 95 % interval of +/- 3.88, where k = 1.96 gives 3.92; with one of them ten times as large it is +/- 17.0 (16.9
by formula), where k = 1.96 gives 19.8. Taken by their kurtosis alone they come out good to 1.3 %.
"""

from __future__ import annotations

import numpy as np
import pytest

from calibration.uncertainty import RECTANGULAR, Budget, Component, expanded_by_shape, shape_factor


def _fourth(*standard_uncertainties: float) -> float:
    return sum(RECTANGULAR * u**4 for u in standard_uncertainties)


@pytest.mark.parametrize(
    ("parts", "published", "within"), [((1.0, 1.0, 1.0, 1.0), 3.88, 0.05), ((1.0, 1.0, 1.0, 10.0), 16.95, 0.1)]
)
def test_intervals_of_added_rectangles_are_those_of_the_guide(
    parts: tuple[float, ...], published: float, within: float
) -> None:
    combined = float(np.hypot.reduce(parts))
    factor = shape_factor(_fourth(*parts) / combined**4, 0.95)
    assert factor * combined == pytest.approx(published, abs=within)


@pytest.mark.parametrize("limits", [(0.0,), (0.3,), (1.0,), (3.0,), (30.0,), (1.0, 1.0), (3.0, 2.0), (8.0, 1.0, 0.5)])
def test_what_is_stated_holds_the_truth_as_often_as_it_says(limits: tuple[float, ...]) -> None:
    """Drawn: a Gaussian of one, and rectangles of these standard uncertainties."""
    rng = np.random.default_rng(7)
    total = rng.standard_normal(400_000)
    for u in limits:
        total += rng.uniform(-u, u, len(total)) * np.sqrt(3.0)
    stated = expanded_by_shape(float(np.sqrt(1 + np.sum(np.square(limits)))), _fourth(*limits))
    # Several rectangles are taken for one that is as flat: a few tenths of a per cent, and 0.04 % by drawing.
    assert np.mean(np.abs(total) <= stated) == pytest.approx(0.9545, abs=0.004)


def test_a_budget_of_limits_alone_stays_within_them_and_one_of_readings_is_doubled() -> None:
    limits = Component(name="reference tolerance", standard_uncertainty=1.0, excess_kurtosis=RECTANGULAR)
    reading = Component(name="reading", standard_uncertainty=1.0)
    assert 0.95 * np.sqrt(3) < Budget(components=(limits,)).expanded < np.sqrt(3)
    assert Budget(components=(reading,)).expanded == pytest.approx(2.0)
    assert 1.9 * np.sqrt(2) < Budget(components=(limits, reading)).expanded < 2.0 * np.sqrt(2)


def test_nothing_uncertain_has_no_interval_and_long_tails_are_taken_for_a_gaussian() -> None:
    assert expanded_by_shape(0.0, 0.0) == 0.0
    assert shape_factor(3.0) == pytest.approx(2.0)
