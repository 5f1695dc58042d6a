"""Find our printed calibration target, whole or in part, at any turn and tilt.

Markers are read in the reduced picture and give a first camera; it says where every corner of the board must be; each
corner is then refined on the full picture in linear light (Foerstner and Guelch 1987, through ``cv2.cornerSubPix``:
every gradient around a saddle is square to the line from the saddle) and kept only where the four squares around it
are as they should be. Gamma would not shift a corner (it is point-symmetric), yet it would weigh its edges unequally.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import PlaneMap
from calibration.camera_fit import fit_camera
from calibration.errors import ScaleError
from calibration.light import SRGB_TO_LINEAR
from calibration.picture import MmPoints, PxPoints
from calibration.references.reference import Reference, SearchPicture
from calibration.references.target.layout import (
    COLUMNS,
    DICTIONARY,
    ROWS,
    SQUARE_MM,
    corner_points_mm,
    is_black,
    marker_corners_mm,
)

Array = NDArray[np.float64]

TOLERANCE_RELATIVE = 0.002
"""Standard uncertainty of a print made 'at actual size': half-width 0.35 % taken as rectangular; common practice, no
source. Whoever measures the check line can say better with a tolerance of their own."""
_LEAST_STEP = 12
"""Grey steps by which markers are darker than what is around them: on a mat or on cloth, less makes hundreds of squares
to look at (judgement)."""
_FEWEST_MARKERS = 2
_FEWEST_CORNERS = 6
_SIGMA_PX = 0.05
"""Reading of a saddle point in a photo with noise of one or two per cent."""
_WINDOW_OF_SQUARE = 0.11
"""Half window of the refinement: the marker begins at 13 % of the square from the corner."""
_MOST_WINDOW_PX, _LEAST_WINDOW_PX = 12, 2


def find(scene: SearchPicture, size: str | None = None) -> list[Reference]:
    """Find the printed target.

    Parameters
    ----------
    scene : SearchPicture
    size : str or None
        Has no meaning for the target: its size is known.

    Returns
    -------
    list of Reference
        One, or none.
    """
    px, mm = _markers(scene)
    if len(px) < 4 * _FEWEST_MARKERS:
        return []
    plane = _plane(scene, px, mm, 1.0)
    if plane is None:
        return []
    all_mm = np.asarray(corner_points_mm())
    light = SRGB_TO_LINEAR[scene.grey]
    points, kept = np.zeros((0, 2)), np.zeros(0, dtype=np.intp)
    for sigma in (0.3, _SIGMA_PX):
        points, kept = _corners(scene, light, plane, all_mm)
        if len(kept) < _FEWEST_CORNERS:
            return []
        refined = _plane(scene, points, all_mm[kept], sigma)
        if refined is None:
            return []
        plane = refined
    board = np.asarray([[0, 0], [COLUMNS, 0], [COLUMNS, ROWS], [0, ROWS]], dtype=np.float64) * SQUARE_MM
    return [
        Reference(
            kind="target",
            size="",
            points_px=PxPoints(points),
            points_mm=MmPoints(all_mm[kept]),
            sigma_px=np.full(len(kept), _SIGMA_PX),
            tolerance_relative=TOLERANCE_RELATIVE,
            outline_px=plane.to_px(MmPoints(board)),
            score=float(min(1.0, 0.8 + len(kept) / 100)),
        )
    ]


def _markers(scene: SearchPicture) -> tuple[Array, Array]:
    """Corners of all markers that were read (px), and where they are on the board (mm)."""
    look = cv2.aruco.DetectorParameters()
    look.adaptiveThreshConstant = _LEAST_STEP
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), look)
    known = marker_corners_mm()
    found, numbers, _ = detector.detectMarkers(scene.reduced)
    px, mm = [], []
    if numbers is not None:
        for corners, number in zip(found, np.ravel(numbers), strict=True):
            if int(number) in known:
                px.append(scene.from_reduced(np.asarray(corners, dtype=np.float64).reshape(4, 2)))
                mm.append(known[int(number)])
    if not px:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return np.vstack(px), np.vstack(mm)


def _plane(scene: SearchPicture, px: Array, mm: Array, sigma: float) -> PlaneMap | None:
    """Fit the board's plane; None when what was read does not lie on one board."""
    try:
        fit = fit_camera(
            PxPoints(px),
            MmPoints(mm),
            sigma,
            width_px=scene.picture.width_px,
            height_px=scene.picture.height_px,
            focal_px=scene.picture.focal_px,
            model="photo",
        )
    except (ScaleError, np.linalg.LinAlgError):
        return None
    if fit.inliers.mean() < 0.6 or fit.residual_rms_px > 3.0:
        return None
    return fit.plane


def _corners(
    scene: SearchPicture, light: NDArray[np.float32], plane: PlaneMap, all_mm: Array
) -> tuple[Array, NDArray[np.intp]]:
    """Refined corners that are in view and look like corners, and which ones they are."""
    predicted = np.asarray(plane.to_px(MmPoints(all_mm)))
    square_px = SQUARE_MM / plane.mm_per_px(PxPoints(predicted))
    inside = np.nonzero(scene.inside(predicted, margin_px=_MOST_WINDOW_PX + 2.0))[0]
    if len(inside) == 0:
        return np.zeros((0, 2)), inside
    window = int(np.clip(_WINDOW_OF_SQUARE * np.median(square_px[inside]), _LEAST_WINDOW_PX, _MOST_WINDOW_PX))
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    start = np.ascontiguousarray(predicted[inside], dtype=np.float32).reshape(-1, 1, 2)
    refined = cv2.cornerSubPix(light, start.copy(), (window, window), (-1, -1), criteria).reshape(-1, 2)
    moved = np.linalg.norm(refined - predicted[inside], axis=1)
    good = (moved < 0.08 * square_px[inside]) & _looks_right(scene, plane, all_mm[inside], refined - predicted[inside])
    return refined[good].astype(np.float64), inside[good]


def _looks_right(scene: SearchPicture, plane: PlaneMap, mm: Array, shift: Array) -> NDArray[np.bool_]:
    """Two squares black and two white around each corner, in the right places and clearly apart."""
    reach = 0.09 * SQUARE_MM
    signs = np.asarray([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64)
    around = mm[:, None, :] + signs * reach
    px = np.asarray(plane.to_px(MmPoints(around.reshape(-1, 2)))).reshape(around.shape) + shift[:, None, :]
    level = scene.light(px)
    column, row = np.rint(mm[:, 0] / SQUARE_MM).astype(int), np.rint(mm[:, 1] / SQUARE_MM).astype(int)
    falling = np.asarray([is_black(int(c) - 1, int(r) - 1) for c, r in zip(column, row, strict=True)])
    dark = np.where(falling[:, None], level[:, ::2], level[:, 1::2])
    bright = np.where(falling[:, None], level[:, 1::2], level[:, ::2])
    apart = bright.min(axis=1) - dark.max(axis=1)
    usual = float(np.median(apart[apart > 0])) if (apart > 0).any() else 1.0
    return np.asarray(apart > 0.35 * usual)
