"""Masks: the quick way to open one against OpenCV's own."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tracer.search.raster import apart, blurred, disc, opened


def made_up(rng: np.random.Generator) -> NDArray[np.uint8]:
    """Return a mask of some discs and lines, up to its border."""
    rows, columns = (int(n) for n in rng.integers(1, 120, 2))
    mask = np.zeros((rows, columns), np.uint8)
    for _ in range(rng.integers(0, 5)):
        cv2.circle(mask, (int(rng.integers(columns)), int(rng.integers(rows))), int(rng.integers(1, 25)), 1, -1)
    for _ in range(3):
        one, other = ((int(x), int(y)) for x, y in rng.integers(0, [columns, rows], (2, 2)))
        cv2.line(mask, one, other, 1, int(rng.integers(1, 9)))
    return mask


@pytest.mark.parametrize("diameter_px", [1, 3, 5, 6.2, 9, 13, 21, 31])
def test_what_is_thinner_than_a_disc_is_taken_away_as_opencv_does_it(diameter_px: float) -> None:
    rng = np.random.default_rng(31)
    left = 0
    for trial in range(60):
        mask = made_up(rng) if trial % 5 else (rng.random((70, 90)) < 0.97).astype(np.uint8)
        expected = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(diameter_px))
        assert (opened(mask, diameter_px) == expected).all()
        left += int(expected.any())
    assert left > 5


def test_a_bare_mask_has_the_parts_that_opencv_finds_in_it() -> None:
    bare = np.zeros((5, 7), np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(bare)
    assert (apart(bare)[0] == labels).all()
    assert (apart(bare)[1] == stats).all()


@pytest.mark.parametrize("connectivity", [4, 8])
def test_parts_are_numbered_and_measured_as_opencv_does_it(connectivity: int) -> None:
    rng = np.random.default_rng(7)
    for _ in range(20):
        mask = made_up(rng)
        mask[rng.random(mask.shape) < 0.2] = 0
        _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=connectivity)
        mine = apart(mask, connectivity=connectivity)
        assert (mine[0] == labels).all()
        assert (mine[1] == stats).all()


@pytest.mark.parametrize("connectivity", [4, 8])
def test_parts_of_a_large_sheet_with_little_on_it_are_measured_as_opencv_does_it(connectivity: int) -> None:
    rng = np.random.default_rng(8)
    mask = (rng.random((900, 700)) < 0.05).astype(np.uint8)
    for x, y in rng.integers(0, 700, (30, 2)):
        cv2.line(mask, (int(x), int(y)), (int(y), int(x)), 255, 2)
    # One run ends at the right border, the next begins at the left one.
    mask[20, -5:] = mask[21, :5] = mask[0] = 1
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=connectivity)
    mine = apart(mask, connectivity=connectivity)
    assert (mine[0] == labels).all()
    assert (mine[1] == stats).all()


@pytest.mark.parametrize("coarse_sigma", [4.0, 5.0])
@pytest.mark.parametrize("sigma", [3.0, 12.0, 31.0])
def test_a_wide_blur_is_much_as_on_fine_pixels(sigma: float, coarse_sigma: float) -> None:
    step = np.zeros((211, 307), np.float32)
    step[:, 140:] = 1.0
    off = blurred(step, sigma, coarse_sigma) - cv2.GaussianBlur(step, (0, 0), sigma)
    assert np.abs(off).max() < 0.01
