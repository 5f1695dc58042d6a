"""Our printed target: its geometry on paper, and finding it in photos and scans whose camera is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import CalibrateOptions, calibrate
from calibration.camera_fit import fit_camera
from calibration.picture import Picture, PxPoints, Source
from calibration.references.reference import SearchPicture
from calibration.references.target import find, target_layout
from fixtures import render
from fixtures.render import Rendered
from fixtures.scene import Scene, srgb

TOLERANCE_MM = 0.05
"""Over the board: saddle points read to 0.05 px are 0.02 mm here; a third of a millimetre would be a wrong corner."""
INK, PAPER = srgb(28), srgb(242)


def page(paper: str = "A4", *, lying_on: float = 0.0, hidden: NDArray[np.float64] | None = None) -> Scene:
    layout = target_layout(paper)
    scene = Scene(name="target", width_mm=layout.width_mm, height_mm=layout.height_mm, ground=srgb(120, 100, 80))

    def box(x: float, y: float, w: float, h: float) -> NDArray[np.float64]:
        return np.asarray([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]) + lying_on

    scene.fill([box(0, 0, layout.width_mm, layout.height_mm)], PAPER)
    scene.fill([box(*b) for b in layout.black_boxes_mm], INK)
    if hidden is not None:
        scene.fill([hidden + lying_on], srgb(230, 220, 200))
    return scene


def search(picture: Rendered) -> SearchPicture:
    return SearchPicture(picture=Picture(pixels=picture.pixels, source=Source(file="target.png", page=None, sha256="")))


def board_error_mm(picture: Rendered) -> NDArray[np.float64]:
    """Distances of the board's corners from the truth after the best shift and turn, through find and fit."""
    found = find(search(picture), None)
    assert len(found) == 1
    ref = found[0]
    height, width = picture.pixels.shape[:2]
    fit = fit_camera(ref.points_px, ref.points_mm, ref.sigma_px, width_px=width, height_px=height)
    x, y = np.meshgrid(np.linspace(20, 190, 9), np.linspace(15, 245, 9))
    truth = np.stack([x.ravel(), y.ravel()], axis=1)
    got = np.asarray(fit.plane.to_mm(PxPoints(picture.camera.to_px(truth))))
    a, b = got - got.mean(axis=0), truth - truth.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    assert np.linalg.det(u @ vt) > 0
    return np.asarray(np.linalg.norm(a @ (u @ vt) - b, axis=1))


@pytest.mark.parametrize(
    ("tilt_deg", "azimuth_deg", "roll_deg", "k1"), [(0, 0, 0, 0.0), (18, 70, 35, -0.1), (20, 200, 170, 0.1)]
)
def test_the_target_is_found_at_any_turn_and_tilt(
    tilt_deg: float, azimuth_deg: float, roll_deg: float, k1: float
) -> None:
    picture = render.photo(
        page(), width_px=1500, height_px=1125, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg, roll_deg=roll_deg, k1=k1
    )
    assert board_error_mm(picture).max() < TOLERANCE_MM


def test_a_scan_of_the_target_gives_the_scanners_scale() -> None:
    picture = render.scan(page("Letter"), dpi=100, rotation_deg=12, margin_mm=10)
    assert board_error_mm(picture).max() < TOLERANCE_MM


def test_the_targets_markers_are_no_test_squares() -> None:
    picture = render.photo(page(), width_px=1500, height_px=1125, tilt_deg=12)
    sheet = calibrate(search(picture).picture, CalibrateOptions())
    assert sheet.reference.kind == "target"
    assert [o.kind for o in sheet.others if o.kind == "square"] == []


def test_half_of_the_target_under_a_pattern_is_enough() -> None:
    hidden = np.asarray([[-10, 90], [190, 140], [230, 300], [-10, 300.0]])
    picture = render.photo(page(hidden=hidden), width_px=1500, height_px=1125, tilt_deg=10)
    found = find(search(picture), None)
    assert len(found) == 1
    assert 15 <= len(found[0].points_px) < 60
    # None of the corners lies under the paper.
    at = np.asarray(found[0].points_mm) + target_layout("A4").board_at_mm
    assert cv2.pointPolygonTest(hidden.astype(np.float32), (100.0, 200.0), False) > 0
    assert all(cv2.pointPolygonTest(hidden.astype(np.float32), (float(x), float(y)), False) < 0 for x, y in at)


def test_a_board_without_markers_is_not_the_target() -> None:
    scene = Scene(name="board", width_mm=210, height_mm=297, ground=PAPER)
    scene.fill(
        [
            np.asarray([[x, y], [x + 22, y], [x + 22, y + 22], [x, y + 22.0]])
            for i, x in enumerate(range(10, 180, 22))
            for j, y in enumerate(range(10, 240, 22))
            if (i + j) % 2 == 0
        ],
        INK,
    )
    assert find(search(render.photo(scene, width_px=1500, height_px=1125)), None) == []


def test_an_empty_picture_holds_no_target() -> None:
    for level in (0, 255):
        pixels = np.full((600, 800), level, dtype=np.uint8)
        scene = SearchPicture(picture=Picture(pixels=pixels, source=Source(file="x", page=None, sha256="")))
        assert find(scene, None) == []


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_everything_drawn_stays_on_the_page_with_room_for_a_printers_margin(paper: str) -> None:
    layout = target_layout(paper)
    boxes = np.asarray(layout.black_boxes_mm)
    lines = np.asarray(layout.lines_mm)
    margin = 6.0  # common practice: printers leave 4 to 6 mm unprinted
    assert boxes[:, :2].min() > margin
    assert (boxes[:, 0] + boxes[:, 2]).max() < layout.width_mm - margin
    assert max((boxes[:, 1] + boxes[:, 3]).max(), lines[:, [1, 3]].max()) < layout.height_mm - margin
    assert max(t.y_mm for t in layout.texts) < layout.height_mm - margin
    x0, _, x1, _ = layout.lines_mm[0]
    assert x1 - x0 == pytest.approx(layout.check_line_mm)


def test_an_unknown_paper_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="A4, Letter"):
        target_layout("A9")
