"""A ruler alone in an oblique photo: its ticks run together, which tells of the tilt about its own edge."""

from __future__ import annotations

from functools import cache
from unittest import mock

import numpy as np
import pytest

from calibration import CalibrateOptions, PxPoints, ReferenceRequest, Sheet, calibrate, solve
from calibration.references import SearchPicture, ruler
from fixtures import render
from fixtures.files import Rendered
from fixtures.references import ruler as draw_ruler
from fixtures.scene import Scene, srgb
from tests.bench.scale_scenes import as_jpeg
from tests.calibration.scenes import picture_of

ACROSS_RELATIVE = 0.003
"""How far a length across the ruler may be off: 0.6 mm on 200 mm (10 mm and more without its ticks' directions)."""
PARALLEL_RAD = 0.004
"""Directions of ticks 25 px high, read to a tenth of a pixel by some forty of them."""


@cache
def oblique(azimuth_deg: float) -> Rendered:
    """Return a photo of a millimetre ruler on wood, the camera tilted by 9 degrees."""
    scene = Scene(name="ruler", width_mm=320, height_mm=240, ground=srgb(150, 108, 72))
    draw_ruler(scene, (12, 14), unit="mm", length=280)
    made = render.photo(
        scene, width_px=2800, height_px=2100, tilt_deg=9.0, azimuth_deg=azimuth_deg, supersample=1, seed=4
    )
    return as_jpeg(made)


def across(made: Rendered, sheet: Sheet) -> tuple[float, float]:
    """Return by how much a length of 180 mm at right angles to the ruler is off and what is stated of it, relative."""
    px = PxPoints(made.camera.to_px(np.array([[160.0, 50.0], [160.0, 230.0]])))

    def length(plane: object) -> float:
        mm = plane.to_mm(px)  # type: ignore[attr-defined]
        return float(np.hypot(*(mm[1] - mm[0])))

    measured = length(sheet.plane)
    spread = float(np.sqrt(np.mean([(length(p) - measured) ** 2 for p in sheet.alternatives])))
    return abs(measured / 180.0 - 1), sheet.expanded(spread, 180.0) / 180.0


OPTIONS = CalibrateOptions(request=ReferenceRequest(kind="ruler", size="mm"))


@pytest.mark.parametrize("azimuth", [0.0, 60.0, 90.0])
def test_ticks_of_a_ruler_alone_tell_how_long_what_lies_across_it_is(azimuth: float) -> None:
    made = oblique(azimuth)
    off, stated = across(made, calibrate(picture_of(made), OPTIONS))
    assert off < ACROSS_RELATIVE
    assert off < stated < 3 * ACROSS_RELATIVE


def test_without_directions_of_ticks_the_tilt_about_a_ruler_is_not_known() -> None:
    made = oblique(90.0)
    with mock.patch.object(solve, "Angle", side_effect=AssertionError), mock.patch.object(solve, "_LEAST_CHAIN", 10**6):
        _, stated = across(made, calibrate(picture_of(made), OPTIONS))
    assert stated > 0.03


def test_directions_of_ticks_are_at_right_angles_to_the_edge_in_the_world() -> None:
    made = oblique(60.0)
    found = ruler.find(SearchPicture(picture=picture_of(made)), "mm")[0]
    assert len(found.crossings_px) >= 4
    edge = made.camera.to_mm(np.asarray(found.points_px)[[0, -1]])
    along = (edge[1] - edge[0]) / np.hypot(*(edge[1] - edge[0]))
    for stroke, sigma in zip(found.crossings_px, found.crossings_sigma_rad, strict=True):
        mm = made.camera.to_mm(np.asarray(stroke))
        direction = (mm[1] - mm[0]) / np.hypot(*(mm[1] - mm[0]))
        assert abs(float(direction @ along)) < PARALLEL_RAD
        assert 0.0005 < sigma < PARALLEL_RAD
