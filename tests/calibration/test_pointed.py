"""A rectangle of known size that a person pointed at sets the scale; truth comes from the rendered sheet's own map."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration import CalibrateOptions, Picture, PointedRectangle, PxPoints, ScaleError, calibrate
from calibration.intake import read_pictures

POINTING_PX = 0.5
"""How far a corner set under the magnifier may be off."""


@pytest.fixture(scope="module")
def half_scan(tmp_path_factory: pytest.TempPathFactory) -> Picture:
    """The demo scan at half its density, without a word about it."""
    content = resources.files("tracer.demo").joinpath("apron-scan.jpg").read_bytes()
    pixels = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_GRAYSCALE)
    path: Path = tmp_path_factory.mktemp("half") / "half.png"
    cv2.imwrite(str(path), cv2.resize(pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    return replace(next(iter(read_pictures(path))), density=None)


def truth() -> tuple[PxPoints, float]:
    """Corners of the drawn 50 mm square in the half-size scan, and its mm per pixel."""
    data = json.loads(resources.files("tracer.demo").joinpath("apron-truth.json").read_text(encoding="utf-8"))
    square = next(r for r in data["references"] if r["kind"] == "square")
    matrix = np.array(data["picture"]["mm_to_normalised"])
    mm = np.array(square["corners_mm"])
    px = mm @ matrix[:2, :2].T + matrix[:2, 2]
    return PxPoints((px + 0.5) / 2 - 0.5), 2 * data["picture"]["mm_per_px_middle"]


@pytest.mark.parametrize("off", [0.0, POINTING_PX])
def test_the_scale_follows_the_corners_and_the_doubt_covers_the_pointing(half_scan: Picture, off: float) -> None:
    corners, mm_per_px = truth()
    outward = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * off
    pointed = PointedRectangle(corners_px=PxPoints(corners + outward), width_mm=50.0, height_mm=50.0)
    sheet = calibrate(half_scan, CalibrateOptions(pointed=pointed))
    wrong_mm_per_m = 1000 * abs(sheet.mm_per_px / mm_per_px - 1)
    side_px = 50.0 / mm_per_px
    assert wrong_mm_per_m == pytest.approx(1000 * 2 * off / side_px, abs=0.5)
    assert sheet.expanded_uncertainty_mm_per_m < 10.0
    if off == 0.0:
        assert wrong_mm_per_m < sheet.expanded_uncertainty_mm_per_m


def test_a_wrong_size_goes_into_everything(half_scan: Picture) -> None:
    corners, mm_per_px = truth()
    pointed = PointedRectangle(corners_px=corners, width_mm=25.4, height_mm=25.4)
    assert calibrate(half_scan, CalibrateOptions(pointed=pointed)).mm_per_px == pytest.approx(
        mm_per_px * 25.4 / 50,
        rel=3e-3,  # the sheet of paper behind it lends its right angles only
    )


@pytest.mark.parametrize(("width", "height"), [(0.0, 50.0), (50.0, -1.0), (float("nan"), 50.0), (1e6, 50.0)])
def test_a_rectangle_without_a_size_is_refused(width: float, height: float) -> None:
    with pytest.raises(ScaleError, match="size"):
        PointedRectangle(corners_px=PxPoints(np.eye(4)[:, :2] * 100), width_mm=width, height_mm=height)


def test_corners_that_are_none_are_refused() -> None:
    with pytest.raises(ScaleError, match="four corners"):
        PointedRectangle(corners_px=PxPoints(np.zeros((3, 2))), width_mm=50, height_mm=50)
