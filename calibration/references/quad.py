"""Four-sided figures: found roughly on the reduced copy, then measured side by side at full resolution.

Corners always run clockwise on screen, starting with the one nearest to the picture's top left. A figure is either
*drawn* (four dark strokes on a lighter ground) or *solid* (a dark or light area with four straight edges).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.picture import PxPoints
from calibration.references.edges import (
    FIRST_LOOK_PROFILES,
    MAX_PROFILES,
    PHASE_PX,
    EdgeKind,
    Side,
    intersect,
    measure_side,
)
from calibration.references.reference import SearchPicture

Floats = NDArray[np.float64]

SMALLEST_SIDE_PX = 80.0
"""A side shorter than this cannot be read to 0.1 %: 0.05 px at both ends is 0.13 % of it."""

_USUAL_FOCAL_DIAGONALS = 0.65
"""Focal length over the picture's diagonal where the picture does not state it: 28 mm on 35 mm film, as phones have."""
_LOCAL_PX = 41
_DARKER_BY = 9
_LEAST_REDUCED_PX = 16.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughQuad:
    """Four corners in full-resolution pixels, good to a few pixels of the reduced copy."""

    corners_px: Floats
    hole: bool

    @property
    def side_px(self) -> float:
        """Mean length of the sides."""
        return float(side_lengths(self.corners_px).mean())


@dataclass(frozen=True, kw_only=True, eq=False)
class Quad:
    """Four measured sides: ``sides[i]`` runs from corner i to corner i + 1."""

    sides: tuple[Side, Side, Side, Side]

    @cached_property
    def _meets(self) -> tuple[tuple[Floats, float], ...]:
        return tuple(intersect(self.sides[i - 1], self.sides[i]) for i in range(4))

    @property
    def corners_px(self) -> PxPoints:
        """Corners, shape (4, 2): where the fitted sides meet."""
        return PxPoints(np.array([point for point, _ in self._meets]))

    @property
    def sigma_px(self) -> Floats:
        """Standard uncertainty of each corner along each axis, shape (4,)."""
        return np.hypot([sigma for _, sigma in self._meets], PHASE_PX)

    @property
    def side_px(self) -> float:
        """Mean length of the sides."""
        return float(side_lengths(self.corners_px).mean())

    @property
    def width_px(self) -> float:
        """Mean stroke width; 0 for a solid figure."""
        return float(np.mean([side.width_px for side in self.sides]))

    @property
    def share(self) -> float:
        """Part of the profiles that show the side where the fit has it, for the worst side."""
        return min(side.share for side in self.sides)


def side_lengths(corners: Floats) -> Floats:
    """Lengths of the four sides, shape (4,)."""
    return np.asarray(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T))


def clockwise_from_top_left(corners: Floats) -> Floats:
    """Order corners clockwise on screen, the first nearest to the picture's top left."""
    centre = corners.mean(axis=0)
    angle = np.arctan2(corners[:, 1] - centre[1], corners[:, 0] - centre[0])
    ordered = corners[np.argsort(angle)]
    return np.asarray(np.roll(ordered, -int(np.argmin(ordered.sum(axis=1))), axis=0))


def inner_angles_deg(corners: Floats) -> Floats:
    """Inner angles at the four corners."""
    before = np.roll(corners, 1, axis=0) - corners
    after = np.roll(corners, -1, axis=0) - corners
    cosine = (before * after).sum(axis=1) / np.maximum(np.hypot(*before.T) * np.hypot(*after.T), 1e-9)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def proportion(scene: SearchPicture, corners_px: Floats) -> float:
    """Return longer over shorter side of a rectangle as it lies in the world.

    How far its sides run together tells the tilt, where the focal length is about known (Zhang 2000: the two columns
    of the homography have one length behind the camera), and with it how much one direction is shortened: as seen, 17
    degrees of tilt change the proportion by up to 20 % in a corner of the picture.
    """
    picture = scene.picture
    focal_px = picture.focal_px or _USUAL_FOCAL_DIAGONALS * float(np.hypot(picture.width_px, picture.height_px))
    centre = np.array([picture.width_px - 1, picture.height_px - 1]) / 2
    unit = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]], dtype=np.float32)
    h = cv2.getPerspectiveTransform(unit, ((corners_px - centre) / focal_px).astype(np.float32))
    one, other = np.hypot(np.hypot(h[0, :2], h[1, :2]), h[2, :2])
    return float(max(one, other) / max(min(one, other), 1e-9))


def _four_corners(contour: NDArray[Any]) -> Floats | None:
    for points in (contour, cv2.convexHull(contour)):
        length = cv2.arcLength(points, True)
        for share in (0.02, 0.035, 0.05):
            simple = cv2.approxPolyDP(points, share * length, True)
            if len(simple) == 4 and cv2.isContourConvex(simple):
                area, full = abs(cv2.contourArea(simple)), abs(cv2.contourArea(points))
                own = abs(cv2.contourArea(contour))
                if area > 0 and 0.9 < full / area < 1.12 and own / area > 0.85:
                    return np.asarray(simple.reshape(4, 2), dtype=np.float64)
    return None


def dark_mask(scene: SearchPicture) -> NDArray[np.uint8]:
    """Pixels of the reduced copy that are darker than their surroundings, 255 or 0."""
    return np.asarray(
        cv2.adaptiveThreshold(
            scene.reduced, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, _LOCAL_PX, _DARKER_BY
        ),
        dtype=np.uint8,
    )


def rough_quads(scene: SearchPicture, mask: NDArray[np.uint8], *, longest_ratio: float) -> list[RoughQuad]:
    """Find four-sided contours in a mask of the reduced copy.

    Parameters
    ----------
    longest_ratio : float
        Greatest ratio of the longest to the shortest side.
    """
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if tree is None:
        return []
    found = []
    for contour, links in zip(contours, tree.reshape(-1, 4), strict=True):
        if len(contour) < 3 * _LEAST_REDUCED_PX:
            continue
        _, _, w, h = cv2.boundingRect(contour)
        if min(w, h) < _LEAST_REDUCED_PX or max(w, h) > 2.2 * longest_ratio * min(w, h):
            continue
        corners = _four_corners(contour)
        if corners is None:
            continue
        lengths = side_lengths(corners)
        if lengths.min() < _LEAST_REDUCED_PX or lengths.max() > longest_ratio * lengths.min():
            continue
        if np.abs(inner_angles_deg(corners) - 90).max() > 20:
            continue
        full = scene.from_reduced(clockwise_from_top_left(corners))
        found.append(RoughQuad(corners_px=np.asarray(full), hole=bool(links[3] >= 0)))
    return found


def measure_quad(
    scene: SearchPicture,
    corners_px: Floats,
    *,
    kind: EdgeKind,
    reach_px: float,
    margin_px: float,
    degree: int = 1,
    fine_reach_px: float | None = None,
    weights: Floats | None = None,
) -> Quad | None:
    """Measure the four sides around rough corners: a wide look first, then a close one around what it found.

    Returns None when a side cannot be seen or the figure falls apart.
    """
    corners = np.asarray(corners_px, dtype=np.float64)
    before: list[Side] = []
    quad: Quad | None = None
    # Two close looks: the first trues up the corners, so that the second leaves out just the right stretch at each.
    for look in range(3):
        sides: list[Side] = []
        reach = reach_px
        for i in range(4):
            guide = None
            if look:
                reach = fine_reach_px if fine_reach_px is not None else max(4.0, 1.5 * before[i].width_px + 3.0)
                guide = before[i]
            side = measure_side(
                scene,
                corners[i],
                corners[(i + 1) % 4],
                kind=kind,
                reach_px=reach,
                margin_px=margin_px + (reach if look == 0 else 0.0),
                degree=degree if look else 1,
                weights=weights,
                guide=guide,
                most=MAX_PROFILES if look == 2 else FIRST_LOOK_PROFILES,
            )
            if side is None:
                return None
            sides.append(side)
        before = sides
        quad = Quad(sides=(sides[0], sides[1], sides[2], sides[3]))
        try:
            corners = np.asarray(quad.corners_px)
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(corners).all() or np.abs(inner_angles_deg(corners) - 90).max() > 30:
            return None
    return quad
