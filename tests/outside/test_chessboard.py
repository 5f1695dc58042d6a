"""A real lens and a real plane.

Source: the 13 chessboard photos of OpenCV's sample data (Debian package opencv-doc 4.6.0, Apache-2.0 and BSD-3-Clause)
with their published calibration ``left_intrinsics.yml``: 9x6 inner corners, pitch 25 mm, f = 535.916 px, mean
reprojection error 0.39259 px over all views.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.camera_fit import CameraFit, fit_camera
from calibration.picture import MmPoints, PxPoints
from calibration.references.mat.grow import GRID_PRIORS
from calibration.warp_fit import with_warp
from tests.outside.data import outside_folder

PITCH_MM = 25.0
GOAL_MM = 0.16
"""Plane residual after the lens correction: what a full calibration of these views leaves at worst."""
PUBLISHED_REPROJECTION_PX = 0.39259
PUBLISHED_FOCAL_PX = 535.916


def _corners() -> dict[str, PxPoints]:
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-3)
    out = {}
    for path in sorted(outside_folder("chessboard").glob("left*.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        found, corners = cv2.findChessboardCorners(grey, (9, 6))
        assert found, path.name
        out[path.name] = PxPoints(
            cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), criteria).reshape(-1, 2).astype(float)
        )
    return out


def _board() -> MmPoints:
    columns, rows = np.meshgrid(np.arange(9.0), np.arange(6.0))
    return MmPoints(np.stack([columns, rows], axis=-1).reshape(-1, 2) * PITCH_MM)


@pytest.fixture(scope="module")
def fits() -> dict[str, CameraFit]:
    board = _board()
    return {name: fit_camera(corners, board, 0.1, width_px=640, height_px=480) for name, corners in _corners().items()}


def test_every_view_lies_on_its_plane_once_the_lens_is_undone(fits: dict[str, CameraFit]) -> None:
    assert len(fits) == 13
    assert max(f.residual_rms_mm for f in fits.values()) <= GOAL_MM
    assert all(f.inliers.all() for f in fits.values()), "no corner may be dropped to reach the figure"


def test_without_the_lens_the_same_corners_miss_the_plane_by_half_a_millimetre_and_more() -> None:
    board = _board()
    for corners in _corners().values():
        homography, _ = cv2.findHomography(corners, board)
        q = np.column_stack([corners, np.ones(len(corners))]) @ homography.T
        rms = np.sqrt(((q[:, :2] / q[:, 2:] - board) ** 2).sum(axis=1).mean())
        assert 0.5 < rms < 1.1


def test_the_reprojection_error_is_below_the_published_one(fits: dict[str, CameraFit]) -> None:
    assert np.mean([f.residual_rms_px for f in fits.values()]) < PUBLISHED_REPROJECTION_PX


def test_single_views_agree_on_the_published_focal_length(fits: dict[str, CameraFit]) -> None:
    """No finer claim: a printed board is not flat and errors of corners are correlated, so sigmas are too small."""
    ratios = np.asarray([f.plane.focal_px / PUBLISHED_FOCAL_PX for f in fits.values()])
    assert abs(np.median(ratios) - 1) < 0.02
    assert np.abs(ratios - 1).max() < 0.08


def test_a_warp_of_the_board_makes_no_corner_worse_that_it_was_not_told_of() -> None:
    """The board is card on a table or in a hand; where a view's corners ask for a warp, corners left out gain too."""
    board, corner = _board(), np.arange(54)
    fold = (corner // 9 + 2 * (corner % 9)) % 6
    without, left = [], []
    for corners in _corners().values():
        for out in (fold == 0, fold == 3):
            fit = fit_camera(PxPoints(corners[~out]), MmPoints(board[~out]), 0.1, width_px=640, height_px=480)
            warped = with_warp(fit, (640, 480))
            without.append(np.asarray(fit.plane.to_mm(PxPoints(corners[out]))) - board[out])
            plane = fit.plane if warped is None else warped.plane
            left.append(np.asarray(plane.to_mm(PxPoints(corners[out]))) - board[out])
    rms = [[float(np.sqrt((miss**2).sum(axis=1).mean())) for miss in misses] for misses in (without, left)]
    assert all(after <= 1.02 * before for before, after in zip(*rms, strict=True))


def test_where_a_view_asks_for_a_warp_its_corners_lie_closer_to_the_plane(fits: dict[str, CameraFit]) -> None:
    for name, fit in fits.items():
        warped = with_warp(fit, (640, 480))
        assert warped is None or warped.residual_rms_mm < 0.85 * fit.residual_rms_mm, name
        assert warped is None or name == "left04.jpg", "the other boards are as flat as their corners can tell"


def _published_lens() -> np.ndarray:
    file = cv2.FileStorage(str(outside_folder("chessboard") / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    return np.asarray(file.getNode("distortion_coefficients").mat().ravel())


def _straight_lines(corners: PxPoints) -> list[PxPoints]:
    """Rows and columns of the board."""
    grid = np.asarray(corners).reshape(6, 9, 2)
    return [PxPoints(row) for row in grid] + [PxPoints(grid[:, k]) for k in range(9)]


def test_straight_lines_of_squares_tell_the_published_lens(fits: dict[str, CameraFit]) -> None:
    """Of one square alone the size is told: what the lens does most of the way to the corner comes from the lines.

    It is compared with the published lens and with that of the fit to all 54 corners, which knows their places.
    """
    published = _published_lens()
    first_square = [0, 1, 10, 9]
    radius = 250.0 / PUBLISHED_FOCAL_PX
    powers = np.array([radius**2, radius**4, radius**6])
    off, apart, sigmas = [], [], []
    for name, corners in _corners().items():
        fit = fit_camera(
            PxPoints(corners[first_square]), MmPoints(_board()[first_square]), 0.1, width_px=640, height_px=480,
            focal_px=PUBLISHED_FOCAL_PX, straights_px=_straight_lines(corners), straight_sigma_px=0.1,
            priors=GRID_PRIORS,
        )  # fmt: skip
        lens = [fit.names.index(k) for k in ("k1", "k2", "k3")]
        moved = float(powers @ fit.parameters[lens])
        sigmas.append(float(np.sqrt(powers @ fit.covariance[np.ix_(lens, lens)] @ powers)))
        whole = fits[name]
        # The whole fit has a focal length of its own: the same pixel lies at another radius there.
        scaled = powers * (PUBLISHED_FOCAL_PX / whole.plane.focal_px) ** np.array([2, 4, 6])
        apart.append(moved - float(scaled @ whole.parameters[lens]))
        off.append(moved - float(powers @ published[[0, 1, 4]]))
    assert np.median(sigmas) < 0.005, "of 0.057, which the lens moves points there, relative to their distance"
    assert np.sqrt(np.mean(np.square(np.divide(apart, sigmas)))) < 1.3
    assert np.abs(np.divide(apart, sigmas)).max() < 2.5
    assert np.abs(np.divide(off, sigmas)).max() < 3.0
