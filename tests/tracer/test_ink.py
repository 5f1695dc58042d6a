"""Ink on paper, beside things on which a camera's noise looks as large."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.ink import find_ink


@pytest.mark.parametrize("table", [12, 24, 40])
def test_the_noise_of_a_dark_table_beside_the_paper_is_no_ink(table):
    rng = np.random.default_rng(table)
    picture = np.full((900, 900, 3), float(table))
    picture[100:800, 100:800] = (232, 228, 214)
    picture[300:303, 200:700] = 90
    picture[500:502, 200:700] = (190, 180, 168)
    picture += rng.normal(0, 3.0, picture.shape)
    mask = find_ink(np.clip(picture, 0, 255).round().astype(np.uint8), 0.12).mask > 0
    beside = np.ones(mask.shape, dtype=bool)
    beside[85:815, 85:815] = False
    assert mask[beside].mean() < 0.003
    assert mask[301, 210:690].mean() > 0.99
    assert mask[500:502, 210:690].any(axis=0).mean() > 0.95


def test_a_faint_line_on_calm_paper_is_ink_beside_grain_that_is_as_light():
    rng = np.random.default_rng(3)
    picture = np.full((1200, 1200), 170.0)
    picture[:, 400:] += rng.normal(0, 25.0, (1200, 800))
    picture += rng.normal(0, 1.0, picture.shape)
    picture[400:403, 60:300] *= 0.86
    mask = find_ink(np.clip(picture, 0, 255).round().astype(np.uint8), 0.12).mask > 0
    assert mask[400:403, 70:290].any(axis=0).mean() > 0.99
    assert mask[:, 500:].mean() < 0.02
