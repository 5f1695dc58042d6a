"""A small square alone in a wide photo: what straight lines drawn beside it tell of the lens, and curves do not."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from calibration import CalibrateOptions, PxPoints, ReferenceRequest, Sheet, calibrate
from fixtures import render
from fixtures.files import Rendered
from fixtures.geometry import polyline
from fixtures.references import square
from tests.bench.scale_scenes import as_jpeg
from tests.calibration.scenes import INK, errors_mm, grid, paper_scene, picture_of

K1 = 0.018
AREA_MM = (0.0, 0.0, 400.0, 280.0)
OPTIONS = CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm"))


def side(a: tuple[float, float], b: tuple[float, float], bow_mm: float) -> np.ndarray:
    t = np.linspace(-1, 1, 33)[:, None]
    p, q = np.array(a), np.array(b)
    across = np.array([-(q - p)[1], (q - p)[0]]) / np.hypot(*(q - p))
    return np.asarray((p + q) / 2 + (q - p) / 2 * t + bow_mm * (1 - t**2) * across)


@cache
def photographed(bows_mm: tuple[float, ...], curl_mm: float = 0.0) -> Rendered:
    """Return a photo of a square and frames around and beside it, whose sides bow in turn by so much."""
    scene = paper_scene(400.0, 280.0)
    square(scene, (180.0, 115.0), "50mm")
    k = 0
    for x, y, w, h in ((15, 15, 150, 100), (235, 20, 150, 80), (20, 160, 140, 105), (250, 140, 130, 120)):
        corners = [(x, y), (x + w, y + 1.0), (x + w - 1.5, y + h), (x, y + h)]  # ruled by hand, not quite square
        for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
            scene.stroke(polyline(side(a, b, bows_mm[k % len(bows_mm)])), 0.5, INK)
            k += 1
    made = render.photo(
        scene,
        width_px=1400,
        height_px=1050,
        tilt_deg=3.0,
        azimuth_deg=50.0,
        roll_deg=2.0,
        k1=K1,
        curl_mm=curl_mm,
        seed=5,
    )
    return as_jpeg(made)


def told(sheet: Sheet) -> list[str]:
    return [f.message for f in sheet.findings if f.code == "lens-by-lines"]


def test_straight_lines_tell_the_lens_and_it_is_said() -> None:
    made = photographed((0.0,))
    sheet = calibrate(picture_of(made), OPTIONS)
    (message,) = told(sheet)
    assert "straight lines on the sheet" in message
    lens = next(c for c in sheet.budget.components if c.name == "lens")
    assert "straight lines on the sheet" in lens.words
    assert lens.standard_uncertainty < 1.5, "without them it is 7 mm per m"
    off = errors_mm(made, sheet, AREA_MM)
    assert off.max() < 0.5, "without them it is 2 mm"
    stated = 2.0 * sheet.shape_uncertainty_mm(sheet.to_mm(PxPoints(made.camera.to_px(grid(AREA_MM)))))
    assert off.max() < stated.max() < 0.8, "without them 2.5 mm are stated"
    assert (off < stated).mean() > 0.9


@pytest.mark.parametrize("bows_mm", [(2.0, -4.0, 3.0, 6.0, -1.5), (0.6, -0.4, 0.3, -0.7, 0.9, -0.2, 0.5)])
def test_curved_lines_leave_the_lens_unknown_and_nothing_is_said(bows_mm: tuple[float, ...]) -> None:
    sheet = calibrate(picture_of(photographed(bows_mm)), OPTIONS)
    assert told(sheet) == []
    lens = next(c for c in sheet.budget.components if c.name == "lens")
    assert lens.standard_uncertainty > 4.0
    assert "straight lines on the sheet" not in lens.words


def test_lines_on_paper_that_curls_tell_no_lens_and_that_is_said() -> None:
    made = photographed((0.0,), 1.5)
    sheet = calibrate(picture_of(made), OPTIONS)
    assert told(sheet) == []
    (message,) = [f.message for f in sheet.findings if f.code == "page-not-flat"]
    assert "bend differently by the way they run" in message
    off = errors_mm(made, sheet, AREA_MM)
    stated = 2.0 * sheet.shape_uncertainty_mm(sheet.to_mm(PxPoints(made.camera.to_px(grid(AREA_MM)))))
    assert (off < stated).mean() > 0.9
