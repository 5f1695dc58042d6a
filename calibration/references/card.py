"""A card of ID-1 size (ISO/IEC 7810): bank, library and membership cards.

85.60 x 53.98 mm, corner radius 2.88 to 3.48 mm; production limits 85.47 to 85.72 x 53.92 to 54.03 mm (from memory).
Among other rectangles it is known by its proportions and by its rounded corners, which paper does not have. Only the
straight parts of its edges are measured.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.picture import MmPoints, PxPoints
from calibration.references.quad import SMALLEST_SIDE_PX, Quad, side_lengths
from calibration.references.rectangle import RoughRectangle, contrast_weights, measure_rectangle, rough_rectangles
from calibration.references.reference import Reference, SearchPicture
from calibration.uncertainty import RECTANGULAR

Floats = NDArray[np.float64]

WIDTH_MM, HEIGHT_MM = 85.60, 53.98
"""ISO/IEC 7810, ID-1."""
CORNER_MM = (2.88, 3.48)
"""Corner radius, ISO/IEC 7810."""
THICKNESS_MM = 0.76
"""ISO/IEC 7810: the upper face lies this much nearer to a camera than the paper does."""

EDGE_MM = 0.02
"""Standard uncertainty of where each edge is seen by itself: rounded over, and next to its own shadow (judgement)."""
ROUNDED_MM = 0.02
"""Standard uncertainty of where all edges alike are seen: as far inside or outside on every side (judgement)."""

_LIMITS_MM = (85.47, 85.72)
TOLERANCE_RELATIVE = (_LIMITS_MM[1] - _LIMITS_MM[0]) / 2 / WIDTH_MM / np.sqrt(3.0)
"""Standard uncertainty of its width: production limits, rectangular (JCGM 100, 4.3.7)."""
_SEEN_RELATIVE = float(np.hypot(TOLERANCE_RELATIVE, 2 * ROUNDED_MM * 2 / (WIDTH_MM + HEIGHT_MM)))
_SEEN_KURTOSIS = RECTANGULAR * float((TOLERANCE_RELATIVE / _SEEN_RELATIVE) ** 4)

_ASPECT_MARGIN = 1.12
"""Tilt of 25 degrees shortens one direction by 10 %."""
_RADIUS_MARGIN_MM = 0.9


def _proportions_fit(pair: Floats) -> bool:
    nominal = WIDTH_MM / HEIGHT_MM
    return bool(nominal / _ASPECT_MARGIN <= pair.max() / pair.min() <= nominal * _ASPECT_MARGIN)


def _corner_radii_mm(scene: SearchPicture, quad: Quad, weights: Floats, px_per_mm: float) -> Floats:
    """Radius of each rounded corner from how far the edge stays away from where the sides meet."""
    corners = np.asarray(quad.corners_px)
    radii = np.full(4, np.nan)
    s = np.arange(-2.0, 4.0, 0.05)
    for i in range(4):
        to_next, to_last = corners[(i + 1) % 4] - corners[i], corners[i - 1] - corners[i]
        bisector = to_next / np.hypot(*to_next) + to_last / np.hypot(*to_last)
        bisector /= np.hypot(*bisector)
        # Three rays side by side: one could run along a printed line.
        side = np.array([-bisector[1], bisector[0]])
        rays = corners[i] + (s[:, None] * bisector)[:, None, :] * px_per_mm + side * np.array([-1.0, 0.0, 1.0])[:, None]
        light = np.median(scene.light(rays, weights), axis=1)
        outside, inside = float(np.median(light[s < -0.8])), float(np.median(light[s > 2.2]))
        if inside - outside < 0.3 * float(np.mean([q.contrast for q in quad.sides])):
            continue
        level = (inside + outside) / 2
        above = np.flatnonzero((light[1:] >= level) & (light[:-1] < level))
        if len(above):
            radii[i] = s[above[0] + 1] / (np.sqrt(2.0) - 1)
    return radii


def find(scene: SearchPicture, size: str | None) -> list[Reference]:
    """Find cards of ID-1 size, best first; ``size`` is not used (there is but one)."""
    return among(scene, rough_rectangles(scene))


def among(scene: SearchPicture, rectangles: Sequence[RoughRectangle]) -> list[Reference]:
    """Return the cards of ID-1 size among rough rectangles, best first."""
    nominal = WIDTH_MM / HEIGHT_MM
    found = []
    for rough in rectangles:
        lengths = side_lengths(rough.corners_px)
        pair = np.array([lengths[0] + lengths[2], lengths[1] + lengths[3]])
        if lengths.min() < SMALLEST_SIDE_PX or not _proportions_fit(pair):
            continue
        quad = measure_rectangle(scene, rough, degree=2, margin_share=0.09, shadowless=True)
        if quad is None or not scene.inside(np.asarray(quad.corners_px), margin_px=1.0).all():
            continue
        weights = contrast_weights(scene, rough, 8.0)
        lengths = side_lengths(np.asarray(quad.corners_px))
        pair = np.array([lengths[0] + lengths[2], lengths[1] + lengths[3]]) / 2
        if weights is None or not _proportions_fit(pair):
            continue
        radii = _corner_radii_mm(scene, quad, weights, float(pair.max()) / WIDTH_MM)
        low, high = CORNER_MM[0] - _RADIUS_MARGIN_MM, CORNER_MM[1] + _RADIUS_MARGIN_MM
        rounded = int(((radii > low) & (radii < high)).sum())
        if rounded < 3:
            continue
        wide = pair[0] >= pair[1]
        w, h = (WIDTH_MM, HEIGHT_MM) if wide else (HEIGHT_MM, WIDTH_MM)
        off = abs(float(pair.max() / pair.min()) / nominal - 1)
        found.append(
            Reference(
                kind="card",
                size="",
                points_px=quad.corners_px,
                points_mm=MmPoints(np.array([[0, 0], [w, 0], [w, h], [0, h]])),
                sigma_px=np.hypot(quad.sigma_px, EDGE_MM * float(pair.max()) / WIDTH_MM),
                tolerance_relative=_SEEN_RELATIVE,
                tolerance_kurtosis=_SEEN_KURTOSIS,
                outline_px=PxPoints(np.asarray(quad.corners_px)),
                score=float(np.clip(rough.cover * rounded / 4 * np.exp(-((off / 0.08) ** 2)), 0, 1)),
                straights_px=tuple(PxPoints(side.points_px) for side in quad.sides),
            )
        )
    return sorted(found, key=lambda r: -r.score)
