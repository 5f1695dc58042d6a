"""A card of ID-1 size (ISO/IEC 7810): bank, library and membership cards.

85.60 x 53.98 mm, corner radius 2.88 to 3.48 mm; production limits 85.47 to 85.72 x 53.92 to 54.03 mm (from memory).
Among other rectangles it is known by its proportions and by its rounded corners, which paper does not have. Only the
straight parts of its edges are measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera_fit import MAX_CHAIN, ModelName, fit_camera
from calibration.camera_model import Priors
from calibration.picture import MmPoints, PxPoints
from calibration.references.modelled_edge import ModelledSides, modelled_sides
from calibration.references.quad import SMALLEST_SIDE_PX, Quad, proportion, side_lengths
from calibration.references.rectangle import RoughRectangle, contrast_weights, measure_rectangle, rough_rectangles
from calibration.references.reference import STRAIGHT_SIGMA_PX, Reference, SearchPicture

Floats = NDArray[np.float64]

WIDTH_MM, HEIGHT_MM = 85.60, 53.98
"""ISO/IEC 7810, ID-1."""
CORNER_MM = (2.88, 3.48)
"""Corner radius, ISO/IEC 7810."""
THICKNESS_MM = 0.76
"""ISO/IEC 7810: the upper face lies this much nearer to a camera than the paper does."""

MODELLED_EDGE_MM, EDGE_MM = 0.01, 0.02
"""Standard uncertainty of where each edge is seen by itself: rounded over; where its own shadow was not taken out, also
next to that (judgement)."""
FAINT_EDGE_MM, _FAINT_CONTRAST = 0.05, 0.1
"""The same of a card about as light as the paper, where the shade that reaches beyond its lit sides is as strong as the
step itself (0.02 to 0.07 mm on rendered cards at 4 to 6 px a millimetre, measured)."""
ROUNDED_MM = 0.02
"""Standard uncertainty of where all edges alike are seen: as far inside or outside on every side (judgement)."""
_READ_ALIKE_PX = 0.1
"""The same of what comes with the picture, where a card hardly differs from its ground (judgement; where it does, see
:mod:`calibration.references.modelled_edge`)."""

STRAIGHT_MM = 0.01
"""Standard uncertainty of the bow of an edge of the card (judgement)."""

_LIMITS_MM = (85.47, 85.72)
TOLERANCE_RELATIVE = (_LIMITS_MM[1] - _LIMITS_MM[0]) / 2 / WIDTH_MM / np.sqrt(3.0)
"""Standard uncertainty of its width: production limits, rectangular (JCGM 100, 4.3.7)."""

_ROUGHLY, _CLOSELY = 1.2, 1.08
"""Factors by which the proportion seen may differ, before and after the sides are measured. 25 degrees of tilt with a
strong lens (|k1| = 0.12) mostly stay within the second (simulated); a playing card, 88 x 63 mm (from memory), is off by
1.135."""
_VERY_CLOSELY = 1.02
"""The same where one corner is not seen to be round: a side that follows a shadow's edge or a line beside the card's
makes such a corner, and the proportion wrong by 3 to 5 % (measured)."""
_MODELS: tuple[ModelName, ...] = ("scan", "photo")
_ANY_LENS = Priors(k1_sigma=0.05, k2_sigma=0.01)
_MOST_MISFIT = 30.0
"""Chi-square. Simulated cards come to 8 at most at 22 degrees of tilt and |k1| = 0.1; calling cards and bridge
cards to 40 and more at 4 degrees, to 6 to 300 at 20 degrees."""
_RADIUS_MARGIN_MM = 0.6
_ONE_SIZE = 1.15
"""Things of one size look this much larger at the near side of a tilted picture, or less (judgement)."""
_MANY, _ONE_COLOUR = 3, 14.0
"""Who lays a card down lays one or two of their own, printed differently; labels and tags are cut alike. Codes that
differ by less are one colour in uneven light (judgement)."""
_LABELS = (
    "{count} things of a card's shape were found, {what}, as labels and tags are cut too: if they are cards of ID-1 "
    "size (85.6 x 54 mm), say it, like --reference card"
)
_SAME_SHARE = 0.01
_MOST_OF_PICTURE = 0.8
"""A card longer than this share of the picture leaves no room for a pattern beside it: what is so large is a mat or a
sheet."""
_RAYS, _RAY_STEP_MM, _SLOPE_MM = 11, 0.05, 0.4


def _proportions_fit(scene: SearchPicture, corners_px: Floats, within: float) -> bool:
    off = proportion(scene, corners_px) / (WIDTH_MM / HEIGHT_MM)
    return 1 / within <= off <= within


def _corner_radii_mm(scene: SearchPicture, quad: Quad, weights: Floats) -> Floats:
    """Radius of each rounded corner from how far the edge stays away from where the sides meet; NaN where unseen.

    The corner is looked at in the card's own plane, so that tilt does not squeeze it. All rays side by side along the
    bisector are put together as an arc of the middle radius would have them meet the edge: a card that differs from
    the paper by a code or two shows its corner in their mean, and a printed line crosses only some of them.
    """
    corners = np.asarray(quad.corners_px)
    wide, high = _size_mm(quad)
    flat = np.array([[0, 0], [wide, 0], [wide, high], [0, high]])
    to_px = cv2.getPerspectiveTransform(flat.astype(np.float32), corners.astype(np.float32))
    middle = float(np.mean(CORNER_MM))
    beside = np.linspace(-1.0, 1.0, _RAYS)
    meets = np.sqrt(2.0) * middle - np.sqrt(middle**2 - beside**2)
    reach = round(_SLOPE_MM / _RAY_STEP_MM)
    s = np.arange(-2.0 - _SLOPE_MM, 2.0 + _SLOPE_MM, _RAY_STEP_MM)
    least = 0.3 * float(np.mean([side.contrast for side in quad.sides]))
    radii = np.full(4, np.nan)
    for i in range(4):
        bisector = np.sign(np.array([wide, high]) / 2 - flat[i]) / np.sqrt(2.0)
        aside = np.array([-bisector[1], bisector[0]])
        places = flat[i] + (meets[:, None] + s)[:, :, None] * bisector + (beside[:, None] * aside)[:, None, :]
        rays = cv2.perspectiveTransform(places.reshape(1, -1, 2), to_px).reshape(places.shape)
        light = scene.light(rays, weights)
        if float(np.median(light[:, s > 0.8]) - np.median(light[:, s < -0.8])) < least:
            continue
        # The steepest place: a shadow makes it darker beside the edge than farther away.
        total = np.cumsum(np.mean(light, axis=0))
        slope = total[2 * reach :] - 2 * total[reach:-reach] + total[: -2 * reach]
        k = int(np.clip(np.argmax(slope), 1, len(slope) - 2))
        bend = slope[k - 1] - 2 * slope[k] + slope[k + 1]
        part = 0.5 * (slope[k - 1] - slope[k + 1]) / bend if bend < 0 else 0.0
        radii[i] = middle + (s[reach + k] + (0.5 + float(np.clip(part, -1, 1))) * _RAY_STEP_MM) / (np.sqrt(2.0) - 1)
    return radii


def _size_mm(quad: Quad) -> tuple[float, float]:
    """Width and height of a card as it lies: its longer side along the first side of the figure or along the second."""
    lengths = side_lengths(np.asarray(quad.corners_px))
    return (WIDTH_MM, HEIGHT_MM) if lengths[0] + lengths[2] >= lengths[1] + lengths[3] else (HEIGHT_MM, WIDTH_MM)


def _edges_seen(quad: Quad, modelled: ModelledSides | None) -> tuple[float, float]:
    """Return the standard uncertainties of each edge by itself, mm, and of what all have alike by the picture, px."""
    if modelled is not None:
        return (MODELLED_EDGE_MM if modelled.told_from_shade else EDGE_MM), modelled.alike_px
    faint = min(side.contrast for side in quad.sides) < _FAINT_CONTRAST
    return (FAINT_EDGE_MM if faint else EDGE_MM), _READ_ALIKE_PX


def _straight_sigma_px(modelled: ModelledSides | None, px_per_mm: float) -> float:
    """Return how far single points of the sides may lie off straight lines, for all together to tell the lens honestly.

    What counts is the bow: that of the reading, and that of the card's own edge. Points with independent errors, evenly
    along a side, leave a bow (from the middle to the ends) of 3.35 times their error over the root of their number.
    """
    if modelled is None:
        return STRAIGHT_SIGMA_PX
    bows = [float(np.sqrt(side.covariance[2, 2])) / 4 for side in modelled.quad.sides]
    points = float(np.mean([min(len(side.points_px), MAX_CHAIN) for side in modelled.quad.sides]))
    bow_px = float(np.hypot(np.sqrt(np.mean(np.square(bows))), STRAIGHT_MM * px_per_mm))
    return float(bow_px * np.sqrt(points) / 3.35)


def could_be_seen_so(scene: SearchPicture, card: Reference) -> bool:
    """Whether a scanner or some likely camera shows a card as this one is seen.

    Four corners fix a plane; that they are those of a card must follow from what is seen besides. Tilt that makes a
    card look shorter also makes its sides run together, and a lens that does so also bows them. A calling card of
    85 x 55 mm or a playing card is seen like that by no camera that is likely, or by none at all. Much is allowed of
    lenses here, since the sides tell of them.
    """
    return any(_misfit(scene, card, model) < _MOST_MISFIT for model in _MODELS)


def _misfit(scene: SearchPicture, card: Reference, model: ModelName) -> float:
    """Return chi-square of a card's corners, and of what they say of the camera or scanner."""
    fit = fit_camera(
        card.points_px,
        card.points_mm,
        np.hypot(card.sigma_px, card.edges_px),
        width_px=scene.picture.width_px,
        height_px=scene.picture.height_px,
        focal_px=scene.picture.focal_px,
        straights_px=card.straights_px,
        straight_sigma_px=card.straight_sigma_px,
        model=model,
        priors=_ANY_LENS,
    )
    off = fit.data.in_sigmas(fit.camera.project(fit.parameters, fit.data.mm, fit.data.groups) - fit.data.px)
    return float((off**2).sum() + (fit.camera.prior_residuals(fit.parameters) ** 2).sum())


def find(scene: SearchPicture, size: str | None) -> list[Reference]:
    """Find cards of ID-1 size, best first; ``size`` is not used (there is but one)."""
    return among(scene, rough_rectangles(scene))


def among(scene: SearchPicture, rectangles: Sequence[RoughRectangle]) -> list[Reference]:
    """Return the cards of ID-1 size among rough rectangles, best first."""
    found: list[Reference] = []
    most = _MOST_OF_PICTURE * max(scene.picture.width_px, scene.picture.height_px)
    for rough in rectangles:
        sides = side_lengths(rough.corners_px)
        if sides.min() < SMALLEST_SIDE_PX or sides.max() > most:
            continue
        if not _proportions_fit(scene, rough.corners_px, _ROUGHLY):
            continue
        quad = measure_rectangle(scene, rough, degree=2, margin_share=0.09, shadowless=True, faint=True)
        weights = contrast_weights(scene, rough, 8.0, faint=True)
        if quad is None or weights is None:
            continue
        corners = np.asarray(quad.corners_px)
        if not scene.inside(corners, margin_px=1.0).all() or not _proportions_fit(scene, corners, _CLOSELY):
            continue
        if any(np.abs(np.asarray(f.points_px) - corners).max() < _SAME_SHARE * quad.side_px for f in found):
            continue
        modelled = modelled_sides(scene.picture.pixels, quad)
        if modelled is not None:
            quad, corners = modelled.quad, np.asarray(modelled.quad.corners_px)
        radii = _corner_radii_mm(scene, quad, weights)
        low, high = CORNER_MM[0] - _RADIUS_MARGIN_MM, CORNER_MM[1] + _RADIUS_MARGIN_MM
        rounded = int(((radii > low) & (radii < high)).sum())
        if rounded < 3 or (rounded < 4 and not _proportions_fit(scene, corners, _VERY_CLOSELY)):
            continue
        w, h = _size_mm(quad)
        px_per_mm = float(side_lengths(corners).sum()) / (2 * (WIDTH_MM + HEIGHT_MM))
        edge_mm, alike_px = _edges_seen(quad, modelled)
        off = abs(proportion(scene, corners) / (WIDTH_MM / HEIGHT_MM) - 1)
        seen = Reference(
            kind="card",
            size="",
            points_px=quad.corners_px,
            points_mm=MmPoints(np.array([[0, 0], [w, 0], [w, h], [0, h]])),
            sigma_px=np.hypot(quad.sigma_px, edge_mm * px_per_mm),
            tolerance_relative=float(TOLERANCE_RELATIVE),
            outline_px=PxPoints(corners),
            score=float(np.clip(rough.cover * rounded / 4 * np.exp(-((off / 0.05) ** 2)), 0, 1)),
            edges_px=float(np.hypot(ROUNDED_MM * px_per_mm, alike_px)),
            straight_sigma_px=_straight_sigma_px(modelled, px_per_mm),
            straights_px=tuple(PxPoints(side.points_px) for side in quad.sides),
        )
        if could_be_seen_so(scene, seen):
            found.append(seen)
    return _doubted(scene, sorted(found, key=lambda r: -r.score))


def _doubted(scene: SearchPicture, cards: list[Reference]) -> list[Reference]:
    """Doubt cards that are cut alike from one material, many of one size, and such of different sizes."""
    if len(cards) < 2:
        return cards
    sizes = np.array([np.sqrt(cv2.contourArea(np.asarray(c.points_px, dtype=np.float32))) for c in cards])
    colours = np.array([_colour(scene, c) for c in cards])
    apart = np.abs(colours[:, None] - colours[None]).max(axis=2) + np.where(np.eye(len(cards)) > 0, 255.0, 0.0)
    one_size = sizes.max() < _ONE_SIZE * sizes.min()
    if one_size and len(cards) < _MANY and apart.min() > _ONE_COLOUR:
        return cards
    what = "all of one size" if one_size else "not all of one size"
    return [replace(c, doubt=_LABELS.format(count=len(cards), what=what)) for c in cards]


def _colour(scene: SearchPicture, card: Reference) -> Floats:
    """Return the middle of a card's codes, red, green and blue."""
    corners = np.asarray(card.points_px)
    across = np.linspace(0.1, 0.9, 33)
    u, v = (side.reshape(-1, 1) for side in np.meshgrid(across, across))
    at = (1 - u) * (1 - v) * corners[0] + u * (1 - v) * corners[1] + u * v * corners[2] + (1 - u) * v * corners[3]
    x, y = np.rint(at).astype(int).T
    codes = scene.picture.pixels[y, x].reshape(len(x), -1)
    return np.asarray(np.median(codes, axis=0) * np.ones(3), dtype=np.float64)
