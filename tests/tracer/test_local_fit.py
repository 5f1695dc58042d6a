"""Local polynomials against SciPy's Savitzky-Golay filter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import savgol_filter

from tracer.curves.local_fit import smoothed


@pytest.mark.parametrize("ring", [True, False])
@pytest.mark.parametrize(("window", "degree"), [(5, 2), (7, 3), (27, 3), (41, 3)])
def test_values_and_slopes_are_those_of_scipy(ring: bool, window: int, degree: int) -> None:
    points = np.random.default_rng(7).normal(size=(41, 2)).cumsum(axis=0)
    place, slope = smoothed(points, window, degree, ring=ring)
    mode = "wrap" if ring else "interp"
    np.testing.assert_allclose(place, savgol_filter(points, window, degree, axis=0, mode=mode), atol=1e-9)
    np.testing.assert_allclose(slope, savgol_filter(points, window, degree, deriv=1, axis=0, mode=mode), atol=1e-9)


def test_a_cubic_is_left_as_it_is() -> None:
    t = np.linspace(-1.0, 1.0, 60)
    points = np.stack([t, t**3 - 0.5 * t], axis=1)
    place, slope = smoothed(points, 15, 3, ring=False)
    np.testing.assert_allclose(place, points, atol=1e-12)
    np.testing.assert_allclose(slope[:, 1] / slope[:, 0], 3 * t**2 - 0.5, atol=1e-10)
