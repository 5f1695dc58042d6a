"""A point set by hand settles on the picture's own line.

The pictures are computed here from the distance to known lines (a box filter and a Gaussian, no code of the packages),
so that the truth is exact.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf

from calibration import PlaneMap
from tracer.snap import snap_point

SETTLED_MM = 0.03
"""A third of a pixel at 300 per inch: single profiles of a noisy line, few of them."""

MM_PER_PX = 25.4 / 300
PLANE = PlaneMap.affine(np.array([[MM_PER_PX, 0, 0], [0, MM_PER_PX, 0]]))
CORNER = np.array([12.34, 9.87])
ARMS = (np.array([np.cos(0.3), np.sin(0.3)]), np.array([np.cos(1.7), np.sin(1.7)]))


def encoded(light: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Linear light as sRGB values (IEC 61966-2-1)."""
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return np.round(255 * np.clip(srgb, 0, 1)).astype(np.uint8)


def places() -> NDArray[np.float64]:
    x, y = np.meshgrid(np.arange(300), np.arange(260))
    return np.stack([x, y], axis=-1) * MM_PER_PX


def line_light(distance: NDArray[np.float64], width: float = 0.4, blur: float = 0.06) -> NDArray[np.float64]:
    """Darkness of a blurred line at a distance from its middle."""
    scale = blur * np.sqrt(2)
    return 0.5 * (erf((distance + width / 2) / scale) - erf((distance - width / 2) / scale))


def to_ray(points: NDArray[np.float64], arm: NDArray[np.float64]) -> NDArray[np.float64]:
    d = points - CORNER
    along = np.maximum(d @ arm, 0.0)
    return np.hypot(d[..., 0] - along * arm[0], d[..., 1] - along * arm[1])


def noisy(light: NDArray[np.float64]) -> NDArray[np.uint8]:
    return encoded(light + np.random.default_rng(5).normal(0, 0.01, light.shape))


def drawn_corner() -> NDArray[np.uint8]:
    dark = np.maximum(*(line_light(to_ray(places(), a)) for a in ARMS))
    return noisy(0.85 - 0.75 * dark)


@pytest.mark.parametrize("off", [(0.0, 0.0), (0.7, 0.3), (-0.6, 0.5), (0.2, -0.9)])
def test_a_corner_goes_where_the_two_drawn_lines_meet(off: tuple[float, float]) -> None:
    found = snap_point(drawn_corner(), PLANE, CORNER + off, ARMS)
    assert found is not None
    assert float(np.hypot(*(found - CORNER))) < SETTLED_MM


def test_a_smooth_point_moves_across_the_line_only() -> None:
    arm = ARMS[0]
    normal = np.array([arm[1], -arm[0]])
    distance = (places() - CORNER) @ normal
    pixels = noisy(0.85 - 0.75 * line_light(distance))
    start = CORNER + 0.8 * normal + 1.1 * arm
    found = snap_point(pixels, PLANE, start, (-arm, arm))
    assert found is not None
    assert abs(float((found - CORNER) @ normal)) < SETTLED_MM
    assert float((found - CORNER) @ arm) == pytest.approx(1.1, abs=1e-6)


def test_the_edge_of_a_cut_out_thing_is_found_too() -> None:
    arm = ARMS[1]
    normal = np.array([arm[1], -arm[0]])
    inside = 0.5 * (1 + erf((places() - CORNER) @ normal / (0.06 * np.sqrt(2))))
    found = snap_point(noisy(0.7 - 0.5 * inside), PLANE, CORNER - 0.9 * normal, (-arm, arm))
    assert found is not None
    assert abs(float((found - CORNER) @ normal)) < SETTLED_MM


def test_where_nothing_is_drawn_nothing_is_claimed() -> None:
    blank = noisy(np.full(places().shape[:2], 0.85))
    assert snap_point(blank, PLANE, CORNER, ARMS) is None
    assert snap_point(drawn_corner(), PLANE, CORNER + [0, -7.0], (-ARMS[0], ARMS[0])) is None


def test_a_line_beyond_reach_is_not_taken() -> None:
    arm = ARMS[0]
    normal = np.array([arm[1], -arm[0]])
    pixels = noisy(0.85 - 0.75 * line_light((places() - CORNER) @ normal))
    assert snap_point(pixels, PLANE, CORNER + 1.4 * normal, (-arm, arm), reach_mm=1.0) is None
