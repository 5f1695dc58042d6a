"""Light between pixels, against the kernel as it is published (Keys 1981, equation 15 with a = -1/2)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.light import LUMINANCE_WEIGHTS, SRGB_TO_LINEAR
from calibration.picture import Picture, Source
from calibration.references import SearchPicture


def keys(distance: NDArray[np.float64]) -> NDArray[np.float64]:
    s = np.abs(distance)
    near, far = 1.5 * s**3 - 2.5 * s**2 + 1, -0.5 * s**3 + 2.5 * s**2 - 4 * s + 2
    return np.where(s < 1, near, np.where(s < 2, far, 0.0))


def convolved(light: NDArray[np.float64], x: float, y: float) -> float:
    """All pixels of a picture, each by its distance; beyond the edge its outermost pixels are repeated."""
    wide = np.pad(light, 8, mode="edge")
    rows, columns = (np.arange(n, dtype=np.float64) - 8 for n in wide.shape)
    return float(keys(rows - y) @ wide @ keys(columns - x))


@pytest.mark.parametrize("close", [True, False], ids=["close together", "scattered"])
@pytest.mark.parametrize("coloured", [True, False], ids=["colours", "grey"])
def test_light_between_pixels_follows_the_published_kernel(close: bool, coloured: bool) -> None:
    rng = np.random.default_rng(5)
    codes = rng.integers(0, 256, (160, 210, 3) if coloured else (160, 210)).astype(np.uint8)
    scene = SearchPicture(picture=Picture(pixels=codes, source=Source(file="made-up.png", page=None, sha256="")))
    shares = np.asarray(LUMINANCE_WEIGHTS, dtype=np.float64)
    low, high = ([60.0, 70.0], [90.0, 95.0]) if close else ([-4.0, -4.0], [213.0, 163.0])
    points = rng.uniform(low, high, (400, 2)) if close else rng.uniform(low, high, (60, 2))
    seen = scene.light(points, shares)
    light = SRGB_TO_LINEAR.astype(np.float64)[codes]
    light = light @ shares if coloured else light * shares.sum()
    assert seen == pytest.approx([convolved(light, x, y) for x, y in points], abs=2e-6)


def test_no_points_have_no_light() -> None:
    scene = SearchPicture(
        picture=Picture(pixels=np.zeros((9, 9), np.uint8), source=Source(file="made-up.png", page=None, sha256=""))
    )
    assert scene.light(np.zeros((0, 2))).shape == (0,)
