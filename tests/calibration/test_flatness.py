"""A page that does not lie flat is said to be so (photos rendered with a page that bulges)."""

from __future__ import annotations

import numpy as np
import pytest

from calibration import CalibrateOptions, PxPoints, ReferenceRequest, calibrate
from calibration.camera import PlaneMap
from calibration.flatness import bow_mm
from fixtures import render, scenarios
from tests.calibration.scenes import picture_of


def test_the_bow_of_a_chain_is_its_greatest_distance_from_the_chord() -> None:
    x = np.linspace(0, 400, 81)
    chain = PxPoints(np.column_stack([x, 300 + 2.0 * (1 - ((x - 200) / 200) ** 2)]))
    plane = PlaneMap.affine(np.array([[0.5, 0, 0], [0, 0.5, 0]]))
    bow = bow_mm(plane, chain)
    assert bow.across == pytest.approx(1.0, rel=0.01)
    assert bow.smooth
    torn = PxPoints(np.asarray(chain) + np.column_stack([np.zeros(81), np.sin(x / 14)]))
    assert not bow_mm(plane, torn).smooth


@pytest.mark.parametrize(("curl_mm", "said"), [(0.0, False), (12.0, True)])
def test_a_bulging_sheet_is_warned_of_and_a_flat_one_is_not(curl_mm: float, said: bool) -> None:
    scene = scenarios.build("reference", seed=3, kind="square=50mm", paper="A3", pieces=1, ground="dark wood")
    photo = render.photo(
        scene, width_px=1400, height_px=1050, roll_deg=90, tilt_deg=3, k1=0.01, curl_mm=curl_mm, seed=3, supersample=1
    )
    request = ReferenceRequest(kind="square", size="50mm")
    sheet = calibrate(picture_of(photo), CalibrateOptions(request=request))
    assert ("page-not-flat" in [f.code for f in sheet.findings]) is said


def test_the_torn_edges_of_tissue_on_a_flat_mat_are_no_curved_page() -> None:
    scene = scenarios.build("vintage", seed=1)
    photo = render.photo(scene, width_px=1600, height_px=1200, tilt_deg=5, seed=1, supersample=1)
    sheet = calibrate(picture_of(photo), CalibrateOptions())
    assert sheet.reference.kind == "mat"
    assert "page-not-flat" not in [f.code for f in sheet.findings]
