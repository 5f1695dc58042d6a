"""The line fit against the NIST Statistical Reference Dataset Norris.

Certified values: NIST StRD, linear regression, Norris (36 points, lower difficulty); the data file ships inside SciPy.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from calibration.references.line_fit import fit_polynomial, fit_robust

INTERCEPT, INTERCEPT_SD = -0.262323073774029, 0.232818234301152
SLOPE, SLOPE_SD = 1.00211681802045, 0.429796848199937e-03
RESIDUAL_SD = 0.884796396144373
DIGITS = 5e-13
"""Relative: the certified values have 15 digits; one part in 2e12 is what double precision keeps of them here."""


def norris() -> tuple[np.ndarray, np.ndarray]:
    file = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not file.is_file():
        pytest.skip("this SciPy was installed without its test data (Norris.dat)")
    rows = [line.split() for line in file.read_text().splitlines() if re.fullmatch(r"\s*[-\d.]+\s+[-\d.]+\s*", line)]
    y, x = np.array(rows, dtype=np.float64).T
    return x, y


def test_line_fit_gives_the_certified_digits_of_norris() -> None:
    x, y = norris()
    assert len(x) == 36
    fit = fit_polynomial(x, y)
    assert fit.coefficients[0] == pytest.approx(INTERCEPT, rel=DIGITS * 100)  # a difference of numbers of order 500
    assert fit.coefficients[1] == pytest.approx(SLOPE, rel=DIGITS)
    assert fit.standard_deviations[0] == pytest.approx(INTERCEPT_SD, rel=DIGITS)
    assert fit.standard_deviations[1] == pytest.approx(SLOPE_SD, rel=DIGITS)
    assert fit.residual_sd == pytest.approx(RESIDUAL_SD, rel=DIGITS)


def test_robust_fit_of_norris_stays_within_its_uncertainty_with_a_fifth_of_the_points_spoiled() -> None:
    x, y = norris()
    y = y.copy()
    y[::5] += 60.0
    coefficients, kept, _ = fit_robust(x / 1000.0, y, 1)
    assert not kept[::5].any()
    assert coefficients[1] / 1000.0 == pytest.approx(SLOPE, abs=4 * SLOPE_SD)
