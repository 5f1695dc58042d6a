"""The comparison with a known drawing: planted errors are found, wherever they are."""

from __future__ import annotations

import numpy as np
import pytest

from tracer import path as paths
from tracer import segments
from tracer.path import Path
from tracer.truth import compare

SAMPLING_MM = 0.02  # points 0.1 mm apart on curves of radius over 20 mm miss less than 0.0001 mm; the rest is the fit


def a_drawing() -> Path:
    return Path(
        (
            np.array([[0, 0], [60, -10], [120, 10], [180, 0.0]]),
            np.array([[180, 0], [200, 120.0]]),
            np.array([[200, 120], [120, 180], [60, 100], [20, 150.0]]),
            np.array([[20, 150], [0, 0.0]]),
        )
    )


def test_a_shifted_and_turned_copy_agrees_exactly() -> None:
    drawing = a_drawing()
    moved = drawing.transformed(paths.rotation_matrix(23.0)).translated(300, -40)
    result = compare(moved, drawing)
    assert result.max_mm < 1e-3
    assert result.scale_percent == pytest.approx(0, abs=1e-3)


def test_a_wrong_scale_is_shown_and_not_fitted_away() -> None:
    drawing = a_drawing()
    larger = drawing.transformed(np.array([[1.01, 0, 0], [0, 1.01, 0]]))
    result = compare(larger, drawing)
    assert result.scale_percent == pytest.approx(1.0, abs=0.05)
    assert result.p95_mm > 0.5


@pytest.mark.parametrize("index", [0, 1, 2, 3])
def test_a_planted_bump_is_found_in_every_segment(index: int) -> None:
    drawing = a_drawing()
    first, second = segments.split_segment(drawing.segments[index], 0.48)
    bump_mm = 0.8
    d = segments.end_direction(first)
    tip = first[-1] + bump_mm * np.array([d[1], -d[0]])
    cut1, _ = segments.split_segment(first, 0.97)
    _, cut2 = segments.split_segment(second, 0.03)
    bumped = Path(
        (
            *drawing.segments[:index],
            cut1,
            np.array([cut1[-1], tip]),
            np.array([tip, cut2[0]]),
            cut2,
            *drawing.segments[index + 1 :],
        )
    )
    assert compare(bumped, drawing).max_mm == pytest.approx(bump_mm, abs=0.05)
    assert compare(drawing, bumped).max_mm == pytest.approx(bump_mm, abs=0.05)


def test_a_missing_corner_is_found_both_ways() -> None:
    drawing = Path.polygon([(0, 0), (100, 0), (100, 100), (0, 100)])
    clipped = Path.polygon([(0, 0), (97, 0), (100, 3), (100, 100), (0, 100)])
    depth_mm = 3 / np.sqrt(2)
    assert compare(clipped, drawing).max_mm == pytest.approx(depth_mm, abs=0.05 + SAMPLING_MM)
    assert compare(drawing, clipped).max_mm == pytest.approx(depth_mm, abs=0.05 + SAMPLING_MM)
