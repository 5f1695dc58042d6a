"""Flat rectangles lying on a ground: sheets of paper and cards, light or dark, of any colour.

Their outline is sought at many levels of lightness and colour, since nothing is known of either, and each side is
then followed at full resolution, bowed as the lens may show it. Contrast is read in the mix of red, green and blue in
which the rectangle differs most from what it lies on.

Limits: a side of which more than four tenths are hidden, or a rectangle that runs out of the picture, is not found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.picture import PxPoints
from calibration.references.edges import FIRST_LOOK_PROFILES, MAX_PROFILES, Side, measure_side
from calibration.references.quad import Quad, clockwise_from_top_left, inner_angles_deg, side_lengths
from calibration.references.reference import SearchPicture, lies_within

Floats = NDArray[np.float64]

_SEARCH_LONGEST_PX = 1100
_LIGHTNESS_LEVELS = 14
_COLOUR_LEVELS = 7
_LEAST_COLOUR_RANGE = 10
_LEAST_SIDE_SHARE = 0.045
"""Shortest side looked for, as a share of the picture's longest: a card in a photo of a sheet 1.2 m wide
(judgement)."""
_ALONG = (0.08, 0.92)
_BINS = 40
_LEAST_COVER = 0.6
_WIDE, _NEAR = (8, 21), (4, 7)
"""How much smaller the copy is in which the light around a place is sought, and how many of its pixels are around."""
_ENLARGED = 10.0
_WIDE_CODES = (-4.0, -2.0, -1.0, 0.4, 0.7, 1.1, 1.6, 2.3, 3.3, 4.8, 7.0)
_NEAR_CODES = (-1.4, -1.0, -0.7, -0.4, -0.2, 0.0, 0.2, 0.4, 0.7, 1.1)
"""Codes of lightness by which a thing may differ from what it lies on and not be seen by the levels above."""
_MOST_CANDIDATES = 24
_LONGEST_PROPORTION = 2.0
_SHADOWLESS_CONTRAST = 0.06
_LEAST_DIFFERENCE = 0.02
_FAINT_DIFFERENCE, _LEAST_FAINT_DIFFERENCE = 0.09, 0.006
"""Sums over red, green and blue. What differs less than the first is read in the luminance, which JPEG keeps better
than colours; the second is half a code of white in each."""
_ALIKE = 0.6
"""A thing and its ground are looked at as about as light as each other from this share on (judgement)."""
_PLAIN_CONTRAST = 0.3
"""With more difference in luminance a shadow hardly matters, and colour, which JPEG keeps at half the resolution and
mixes with it unevenly, costs more than it brings (1 px on a blue card, measured)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughRectangle:
    """Four sides good to a pixel or two of the search copy, full-resolution pixels.

    ``guides[i]`` runs from corner i to corner i + 1; ``cover`` is the share of the outline that was really seen.
    """

    corners_px: Floats
    guides: tuple[Side, Side, Side, Side]
    cover: float


def _search_copies(scene: SearchPicture, *, faint: bool) -> tuple[list[tuple[NDArray[np.uint8], list[int]]], float]:
    """Channels to threshold with the levels for each, and full-resolution pixels per pixel of them."""
    pixels = scene.picture.pixels
    longest = max(pixels.shape[:2])
    factor = max(1.0, longest / _SEARCH_LONGEST_PX)
    size = (max(1, round(pixels.shape[1] / factor)), max(1, round(pixels.shape[0] / factor)))
    # First by a whole number, which takes a tenth of the time; what is cut off is less than a pixel of the copy.
    whole = int(factor)
    rows, columns = (side // whole for side in pixels.shape[:2])
    halfway = cv2.resize(pixels[: rows * whole, : columns * whole], (columns, rows), interpolation=cv2.INTER_AREA)
    small = cv2.resize(halfway, size, interpolation=cv2.INTER_AREA) if factor > 1 else pixels
    if small.ndim == 2:
        channels = [small]
    else:
        channels = list(cv2.split(cv2.cvtColor(small, cv2.COLOR_RGB2LAB)))
    lightness = np.asarray(channels[0], dtype=np.uint8)
    if faint:
        return [(_against_the_paper(lightness, *_NEAR), _levels_of(_NEAR_CODES))], pixels.shape[1] / size[0]
    out = []
    for i, channel in enumerate(channels):
        calm = np.asarray(cv2.medianBlur(channel, 5), dtype=np.uint8)
        out.append((calm, _levels(calm, _LIGHTNESS_LEVELS if i == 0 else _COLOUR_LEVELS)))
    out.append((_against_the_paper(lightness, *_WIDE), _levels_of(_WIDE_CODES)))
    return out, pixels.shape[1] / size[0]


def _against_the_paper(lightness: NDArray[np.uint8], coarse: int, around_px: int) -> NDArray[np.uint8]:
    """Lightness off that of what lies around, much enlarged: a white card on paper stands out by a few codes only.

    What lies around is the median of ``around_px`` pixels each way of a copy ``coarse`` times smaller, so that neither
    a shadow nor the lens's darker corners matter, however strong. A smaller thing stands out whole, a larger one as a
    rim along its edge; both have the same outline.
    """
    small = cv2.resize(lightness, None, fx=1 / coarse, fy=1 / coarse, interpolation=cv2.INTER_AREA)
    around = cv2.GaussianBlur(cv2.medianBlur(small, around_px).astype(np.float32), (0, 0), 2.0)
    size = (lightness.shape[1], lightness.shape[0])
    calm = cv2.GaussianBlur(lightness.astype(np.float32), (0, 0), 1.2)
    even = calm - cv2.resize(around, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(128.0 + _ENLARGED * even, 0, 255).astype(np.uint8))


def _levels_of(codes: tuple[float, ...]) -> list[int]:
    return [round(128.0 + _ENLARGED * code) for code in codes]


def _levels(channel: NDArray[np.uint8], count: int) -> list[int]:
    low, high = np.percentile(channel, (0.3, 99.7))
    if high - low < (_LEAST_COLOUR_RANGE if count == _COLOUR_LEVELS else 12):
        return []
    return sorted({round(v) for v in np.linspace(low, high, count + 2)[1:-1]})


def _four_rough_corners(contour: NDArray[np.int32]) -> Floats | None:
    hull = cv2.convexHull(contour)
    length = cv2.arcLength(hull, True)
    for share in (0.02, 0.03, 0.045, 0.06):
        simple = cv2.approxPolyDP(hull, share * length, True)
        if len(simple) == 4:
            return np.asarray(simple.reshape(4, 2), dtype=np.float64)
        if len(simple) < 4:
            return None
    return np.asarray(cv2.boxPoints(cv2.minAreaRect(hull)), dtype=np.float64)


def _side_from_contour(contour: Floats, start: Floats, end: Floats, tolerance: float) -> tuple[Side, float] | None:
    """Fit a bowed side to the contour points near the chord; also the share of the chord that has points."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    across = np.array([-along[1], along[0]])
    d = contour - start
    t, y = d @ along / length, d @ across
    near = (t > _ALONG[0]) & (t < _ALONG[1]) & (np.abs(y) < tolerance)
    if near.sum() < 8:
        return None
    t, y = t[near], y[near]
    if _cover(t) < _LEAST_COVER:
        # What is kept of it below covers no more.
        return None
    powers = np.vander(t, 3, increasing=True)
    miss = np.abs(y)
    for band in (tolerance, 0.5 * tolerance, 2.0, 2.0):
        kept = miss <= max(band, 2.0)
        if kept.sum() < 8:
            return None
        some = powers[kept]
        # Along the chord from 0 to 1 the normal equations are well conditioned.
        try:
            coefficients = np.linalg.solve(some.T @ some, some.T @ y[kept])
        except np.linalg.LinAlgError:
            return None
        miss = np.abs(y - powers @ coefficients)
    kept = miss <= 2.0
    cover = _cover(t[kept])
    side = Side(
        origin=start,
        along=along,
        across=across,
        length_px=length,
        coefficients=coefficients,
        covariance=np.eye(3),
        points_px=contour[near][kept],
        scatter_px=1.0,
        width_px=0.0,
        contrast=0.0,
        blur_px=0.0,
        share=min(1.0, cover),
        kind="step",
    )
    return side, min(1.0, cover)


def _cover(t: Floats) -> float:
    """Return the share of a chord that has points."""
    seen = np.bincount((t * _BINS).astype(np.intp), minlength=_BINS) > 0
    return int(seen.sum()) / (_BINS * (_ALONG[1] - _ALONG[0]))


def _rectangle_at(corners: Floats, contour: NDArray[np.int32], size: tuple[int, int]) -> RoughRectangle | None:
    """Fit the sides between rough corners of a contour."""
    points = contour.reshape(-1, 2).astype(np.float64)
    # What lies on the picture's rim is where the picture ends, not the rectangle.
    rim = (points < 2).any(axis=1) | (points > np.array(size) - 3).any(axis=1)
    points = points[~rim]
    sides: list[Side] = []
    for _ in range(2):
        lengths = side_lengths(corners)
        if lengths.min() < 12 or np.abs(inner_angles_deg(corners) - 90).max() > 25:
            return None
        sides = []
        for i in range(4):
            fit = _side_from_contour(points, corners[i], corners[(i + 1) % 4], max(3.0, 0.04 * lengths[i]))
            if fit is None or fit[1] < _LEAST_COVER:
                return None
            sides.append(fit[0])
        try:
            corners = np.asarray(Quad(sides=(sides[0], sides[1], sides[2], sides[3])).corners_px)
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(corners).all():
            return None
    lengths = side_lengths(corners)
    pair = np.array([lengths[0] + lengths[2], lengths[1] + lengths[3]])
    if pair.max() > _LONGEST_PROPORTION * pair.min():
        return None
    if max(lengths[0] / lengths[2], lengths[2] / lengths[0], lengths[1] / lengths[3], lengths[3] / lengths[1]) > 1.5:
        return None
    return RoughRectangle(
        corners_px=corners,
        guides=(sides[0], sides[1], sides[2], sides[3]),
        cover=float(np.mean([s.share for s in sides])),
    )


def _enlarged(rough: RoughRectangle, factor: float) -> RoughRectangle:
    """Bring a rectangle from the search copy to full resolution (pixel centres at whole numbers in both)."""

    def enlarge(p: Floats) -> Floats:
        return (p + 0.5) * factor - 0.5

    guides = tuple(
        Side(
            origin=enlarge(g.origin),
            along=g.along,
            across=g.across,
            length_px=g.length_px * factor,
            coefficients=g.coefficients * factor,
            covariance=g.covariance * factor**2,
            points_px=enlarge(g.points_px),
            scatter_px=g.scatter_px * factor,
            width_px=0.0,
            contrast=0.0,
            blur_px=0.0,
            share=g.share,
            kind="step",
        )
        for g in rough.guides
    )
    return RoughRectangle(
        corners_px=enlarge(rough.corners_px), guides=(guides[0], guides[1], guides[2], guides[3]), cover=rough.cover
    )


def rough_rectangles(
    scene: SearchPicture, taken_px: Sequence[PxPoints] = (), *, faint: bool = False
) -> list[RoughRectangle]:
    """Find rectangles on a ground, best seen first.

    None is looked for inside the outlines ``taken_px`` of what is known already, only around them. ``faint`` looks
    closer, and only for such as are about as light as their ground where the light changes within them: a shadow that
    lies across a white card.
    """
    copies, factor = _search_copies(scene, faint=faint)
    taken = [PxPoints((np.asarray(outline) + 0.5) / factor - 0.5) for outline in taken_px]
    found: list[RoughRectangle] = []
    for channel, levels in copies:
        size = (channel.shape[1], channel.shape[0])
        least = _LEAST_SIDE_SHARE * max(size)
        for level in levels:
            mask = cv2.threshold(channel, level, 255, cv2.THRESH_BINARY)[1]
            contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
            for contour in contours:
                if len(contour) < 2 * least:
                    continue
                x, y, w, h = cv2.boundingRect(contour)
                if max(w, h) < least or max(w, h) > 3 * min(w, h):
                    continue
                if taken and all(lies_within(np.array(at), taken) for at in ((x, y), (x + w, y + h))):
                    continue
                points = np.asarray(contour, dtype=np.int32)
                corners = _four_rough_corners(points)
                if corners is None:
                    continue
                corners, within = clockwise_from_top_left(corners), max(3.0, 0.02 * w)
                same = _same_of(found, corners, within)
                if same is not None and found[same].cover >= 1.0:
                    # Its sides are seen all along already.
                    continue
                rough = _rectangle_at(corners, points, size)
                if rough is None:
                    continue
                same = _same_of(found, rough.corners_px, within)
                if same is None:
                    found.append(rough)
                elif rough.cover > found[same].cover:
                    found[same] = rough
    found.sort(key=lambda r: -r.cover)
    return [_enlarged(r, factor) for r in found[:_MOST_CANDIDATES]]


def _same_of(found: Sequence[RoughRectangle], corners: Floats, within: float) -> int | None:
    """Return which one of those found has about these corners."""
    return next((k for k, other in enumerate(found) if np.abs(other.corners_px - corners).max() < within), None)


def _own_and_ground(scene: SearchPicture, rough: RoughRectangle, apart_px: float) -> tuple[Floats, Floats]:
    """Return linear red, green, blue on a rectangle and beside it, each shape (3,)."""
    places = np.zeros((2, 4, 60, 2))
    for i, guide in enumerate(rough.guides):
        inward = rough.corners_px[(i + 2) % 4] - rough.corners_px[(i + 1) % 4]
        aside = apart_px * inward / np.hypot(*inward)
        line = guide.at(np.linspace(0.15, 0.85, 60) * guide.length_px)
        places[:, i] = line + aside, line - aside
    light = np.stack([scene.light(places, mix) for mix in np.eye(3)], axis=-1)
    inside, outside = np.median(light, axis=2).mean(axis=1)
    return inside, outside


def contrast_weights(
    scene: SearchPicture, rough: RoughRectangle, apart_px: float, *, shadowless: bool = False, faint: bool = False
) -> Floats | None:
    """Return weights on linear red, green, blue in which the rectangle differs most from its ground; None if nowhere.

    The sum of their sizes is 1 and the rectangle is the brighter side. ``shadowless`` takes a mix in which the ground
    is black however it is lit, where the colours allow it: a shadow beside the edge is then not seen at all. ``faint``
    accepts differences of half a code too.
    """
    own, ground = _own_and_ground(scene, rough, apart_px)
    difference = own - ground
    if scene.picture.pixels.ndim == 2:
        difference = np.array([0.0, difference[1], 0.0])
    elif shadowless and abs(float(scene.luminance_weights @ difference)) < _PLAIN_CONTRAST:
        apart = own - float(own @ ground) / max(float(ground @ ground), 1e-9) * ground
        unlit = apart / max(float(np.abs(apart).sum()), 1e-9)
        if float(unlit @ own) > _SHADOWLESS_CONTRAST:
            return np.asarray(unlit)
    total = float(np.abs(difference).sum())
    if faint and total < _FAINT_DIFFERENCE:
        brighter = float(scene.luminance_weights @ difference)
        return None if total < _LEAST_FAINT_DIFFERENCE else np.asarray(np.sign(brighter) * scene.luminance_weights)
    return None if total < _LEAST_DIFFERENCE else np.asarray(difference / total)


def measure_rectangle(
    scene: SearchPicture,
    rough: RoughRectangle,
    *,
    degree: int,
    margin_share: float,
    shadowless: bool = False,
    faint: bool = False,
) -> Quad | None:
    """Measure the four sides of a rough rectangle as steps at full resolution.

    Parameters
    ----------
    degree : int
        Highest degree of the sides' bow.
    margin_share : float
        Stretch left out at both ends of each side, as a share of it (rounded corners).
    shadowless, faint : bool
        See :func:`contrast_weights`.
    """
    factor = max(1.0, max(scene.picture.width_px, scene.picture.height_px) / _SEARCH_LONGEST_PX)
    weights = contrast_weights(scene, rough, 2.0 * factor + 3.0, shadowless=shadowless, faint=faint)
    if weights is None:
        return None
    if faint:
        own, ground = (float(scene.luminance_weights @ mix) for mix in _own_and_ground(scene, rough, 8.0))
        faint = min(own, ground) > _ALIKE * max(own, ground)
    corners, guides = rough.corners_px, list(rough.guides)
    quad: Quad | None = None
    for reach, most in (
        (2.0 * factor + 5.0, FIRST_LOOK_PROFILES),
        (7.0, FIRST_LOOK_PROFILES),
        (7.0, MAX_PROFILES),
    ):
        sides = []
        for i in range(4):
            a, b = corners[i], corners[(i + 1) % 4]
            margin = margin_share * float(np.hypot(*(b - a))) + 3.0
            side = measure_side(
                scene,
                a,
                b,
                kind="brink",
                reach_px=reach,
                margin_px=margin,
                degree=degree,
                weights=weights,
                guide=guides[i],
                most=most,
                faint=faint,
            )
            if side is None or side.share < 0.4:
                return None
            sides.append(side)
        guides = sides
        quad = Quad(sides=(sides[0], sides[1], sides[2], sides[3]))
        try:
            corners = np.asarray(quad.corners_px)
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(corners).all():
            return None
    return quad
