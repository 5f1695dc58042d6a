"""Means over as much of a line as its readings agree on."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.lasting import each_arm, lasting_mean, scatter_of_reading

SPACING_MM = 0.1
NOISE_MM = 0.03


def _of(error: np.ndarray, arms: np.ndarray | None = None, valid: np.ndarray | None = None) -> np.ndarray:
    n = len(error)
    return lasting_mean(
        error,
        np.full(n, NOISE_MM),
        np.ones(n, bool) if valid is None else valid,
        np.zeros(n, np.intp) if arms is None else arms,
        SPACING_MM,
    )[0]


def test_scatter_is_taken_off_farther_than_a_millimetre_would() -> None:
    noise = np.random.default_rng(3).normal(0, NOISE_MM, 4000)
    over_a_millimetre = NOISE_MM / np.sqrt(10)
    assert np.std(_of(noise)) < 0.55 * over_a_millimetre


@pytest.mark.parametrize("long_mm", [2.0, 5.0, 20.0])
def test_what_stands_out_of_the_scatter_keeps_its_height_however_short(long_mm: float) -> None:
    n, noise = 4000, np.random.default_rng(4).normal(0, NOISE_MM, 4000)
    place = np.arange(n)
    bump = np.where(np.abs(place - 2000) < long_mm / SPACING_MM / 2, 0.1, 0.0)
    found = _of(noise + bump)
    assert found[2000] == pytest.approx(0.1, abs=0.03)
    assert np.abs(found[np.abs(place - 2000) > (long_mm / 2 + 8.0) / SPACING_MM]).max() < 0.03


def test_no_mean_reaches_across_a_corner() -> None:
    arms = np.repeat([0, 1, 2, 0], 300).astype(np.intp)
    error = np.where(arms == 1, 1.0, np.where(arms == 2, -1.0, 0.2))
    assert _of(error, arms) == pytest.approx(error)
    first = each_arm(arms)[0]
    assert list(first[:2]) == [900, 901]
    assert list(first[-2:]) == [298, 299]


def test_where_nothing_counts_the_means_are_carried_on() -> None:
    error, valid = np.linspace(0, 1, 500), np.ones(500, bool)
    valid[200:300], error[200:300] = False, 50.0
    arms = np.repeat([0, 1], 250).astype(np.intp)
    found = _of(error, arms, valid)
    assert found.max() < 1.01
    assert found[225] == pytest.approx(found[199], abs=0.02)


def test_surer_readings_count_more() -> None:
    rng = np.random.default_rng(5)
    sigma = np.where(np.arange(2000) % 2 == 0, 0.01, 0.5)
    error = rng.normal(0, sigma)
    arms = np.zeros(2000, np.intp)
    found, doubt = lasting_mean(error, sigma, np.ones(2000, bool), arms, SPACING_MM)
    assert np.std(found) < 0.006
    assert np.std(found) < 2.0 * np.median(doubt)


def test_what_doubtful_readings_agree_on_is_not_outweighed_by_sure_ones_beside_them() -> None:
    """Two millimetres of an edge along a line of a mat, each reading much less sure: all say 0.4 mm."""
    place = np.arange(2000)
    doubtful = np.abs(place - 1000) < 10
    sigma = np.where(doubtful, 0.5, 0.06)
    error = np.where(doubtful, 0.4, 0.0) + np.random.default_rng(8).normal(0, 0.03, 2000)
    arms = np.zeros(2000, np.intp)
    found = lasting_mean(error, sigma, np.ones(2000, bool), arms, SPACING_MM)[0]
    assert np.abs(found).max() > 0.3
    # What they do not agree on is none.
    noise = np.random.default_rng(9).normal(0, sigma)
    assert np.abs(lasting_mean(noise, sigma, np.ones(2000, bool), arms, SPACING_MM)[0]).max() < 0.1


def test_the_scatter_of_readings_is_told_beside_an_error_that_lasts() -> None:
    rng = np.random.default_rng(6)
    swing = 0.3 * np.sin(np.arange(5000) / 5000 * 2 * np.pi)
    noise = rng.normal(0, NOISE_MM, 5000)
    assert scatter_of_reading(swing + noise, np.ones(5000, bool), SPACING_MM) == pytest.approx(NOISE_MM, rel=0.2)
    assert scatter_of_reading(noise[:8], np.ones(8, bool), SPACING_MM) == 0.0
