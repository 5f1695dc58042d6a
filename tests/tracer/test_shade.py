"""Edges beside a soft shadow, against profiles whose edge is known by construction (integrals of a Gaussian)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from tracer.shade import shade_shift

OFFSETS = np.arange(-5.0, 5.01, 0.5)
CLOSE_PX = 0.08
"""The part that is left alone as not told from noise (0.06 px), and a little."""


def profiles(edge_px: float, step: float, ramp: float, blur_px: float, noise: float = 0.003) -> np.ndarray:
    """A level, a blurred step at ``edge_px`` and beyond it a level that changes evenly, 400 times with noise."""
    t = (OFFSETS - edge_px) / blur_px
    bell = np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi)
    one = 0.2 + step * special.ndtr(t) + ramp * blur_px * (t * special.ndtr(t) + bell)
    return one + np.random.default_rng(5).normal(0, noise, (400, len(OFFSETS)))


@pytest.mark.parametrize("ramp", [-0.02, 0.03, 0.05])
@pytest.mark.parametrize("blur_px", [0.7, 1.0, 1.4])
def test_an_edge_beside_a_shadow_that_fades_is_found_where_the_thing_ends(ramp: float, blur_px: float) -> None:
    read = np.full(400, 0.4)
    shift = shade_shift(profiles(0.0, 0.3, ramp, blur_px), OFFSETS, read, np.ones(400, bool))
    assert np.abs(read + shift).max() < CLOSE_PX


def test_a_clean_edge_stays_where_it_was_read() -> None:
    shift = shade_shift(profiles(0.0, 0.3, 0.0, 0.8), OFFSETS, np.zeros(400), np.ones(400, bool))
    assert np.abs(shift).max() < 0.01


def test_edges_that_cannot_be_believed_move_nothing() -> None:
    assert not shade_shift(profiles(0.5, 0.3, 0.0, 0.8), OFFSETS, np.zeros(400), np.zeros(400, bool)).any()


def test_a_shadow_along_a_whole_side_is_told_from_noise_much_earlier_than_one_in_a_place() -> None:
    """By 0.09 px, hardly more than is told from noise in one place."""
    away = np.full(400, 0.09)
    seen = profiles(0.0, 0.3, 0.03, 0.8)
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    round_px = 64 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    # Along the rows of the picture what sampling does is everywhere the same, and does not average out.
    row_px = np.stack([np.arange(400.0), np.full(400, 20.0)], axis=1)
    left = {
        way: abs(float(np.median((away + shade_shift(seen, OFFSETS, away, np.ones(400, bool), at_px=at))[100:300])))
        for way, at in (("round", round_px), ("row", row_px), ("unknown", None))
    }
    assert left["round"] < 0.035
    assert left["row"] == pytest.approx(left["unknown"])
    assert left["row"] > 0.045
