"""Where arms touch, from how they close in on each other, against arcs and parabolas written down."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.touching import touching

RADIUS_PX = 490.0
"""Arcs of 60 mm in a photo of 0.12 mm a pixel."""


def arcs(near_px: float, far_px: float, *, wider_px: float = 0.0) -> np.ndarray:
    """Two arcs that touch at 0, seen from one distance of there to another."""
    at = np.arange(-far_px, -near_px, 0.5)
    return np.column_stack([at, 2 * (RADIUS_PX - np.sqrt(RADIUS_PX**2 - at**2)) + wider_px])


def test_arcs_touch_where_they_do() -> None:
    found = touching(arcs(45.0, 120.0))
    assert found is not None
    assert found.place == pytest.approx(0.0, abs=0.05)
    assert found.growth == pytest.approx(1 / RADIUS_PX, rel=0.01)


@pytest.mark.parametrize("wider_px", [0.4, -0.4, 0.2])
def test_edges_that_all_lie_off_alike_are_told_by_arms_that_are_seen_far_apart(wider_px: float) -> None:
    """Over twenty pixels only, as much moves the place by four and more."""
    found = touching(arcs(45.0, 120.0, wider_px=wider_px))
    assert found is not None
    assert abs(found.place) < 2.0 * found.doubt < 4.0
    short = touching(arcs(45.0, 66.0, wider_px=wider_px))
    assert short is not None
    assert abs(found.place) < 0.8 * abs(short.place) < 2.0 * short.doubt


def test_arms_that_meet_at_an_angle_before_they_would_touch_are_no_touching_ones() -> None:
    at = np.arange(-90.0, -23.0, 0.5)
    assert touching(np.column_stack([at, 0.15 * np.abs(at) + at**2 / RADIUS_PX])) is None


def test_arms_that_go_apart_otherwise_farther_back_are_looked_at_as_far_as_they_close_in_like_arcs() -> None:
    seen = arcs(45.0, 120.0)
    bent = seen[:, 0] < -100.0
    seen[bent, 1] += 0.3 * np.abs(seen[bent, 0] + 100.0)
    found = touching(seen)
    assert found is not None
    assert found.place == pytest.approx(0.0, abs=0.2)
