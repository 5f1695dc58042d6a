"""Rough outlines of things that ran along the border of a shadow, laid anew where the thing's own colour ends.

The search follows the sharpest step near a thing. Where a hard shadow falls on the ground beside it, and above all in
its holes, that may be the shadow's border, up to millimetres away from the edge. A shadow takes light away and leaves
the ground's colour; so what a pixel shows is either the thing's own colour, or a share of the ground's light. Only
outlines along which what lies just inside is not the thing's colour (or what lies just outside is) are laid anew.
Nor does the search keep points of a thing that are narrower than what it closes up: it cuts them off straight. Where
the thing goes on with its own colour beyond such a cut, its thin part is given back.

Limit: where some share of the ground's light has the thing's own colour (grey card on a white lid), the two cannot be
told apart and the outline stays as the search has it; it is marked, so that the person can be told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calibration.light import SRGB_TO_LINEAR
from calibration.picture import PxPoints
from tracer.candidate import RoughOutline
from tracer.profiles import Points, closed_area, closed_normals, resample_closed, smooth_closed

Floats = NDArray[np.float64]

SHADOW_MM = 4.0
"""How far the shadow of a thing that lies flat may reach from its edge (judgement)."""
SHARES = np.linspace(0.25, 1.1, 24)
"""Shares of the ground's light that a shadow leaves (and a little more than all, for light that is not even)."""
_ASIDE_PX = (3, 4, 5)
_ASTRAY = 0.015
"""Share of an outline that may lie aside (drawn lines that cross it, dirt) before it is looked at again."""
_CUT_PX, _CUT_MM, _MOST_CUT = 10.0, 1.0, 0.1
"""Least length of a straight cut through a thin part of a thing, and the most of the outline that may be cuts."""
_END_PX, _ROUND_PX, _FLANK_PX, _TURNED = 4, 7, 16, -0.73
"""Least length of a narrow cut; how far beside it its rounded ends reach, and the flanks that must run back by each
other (the cosine of their turn: at an inner angle below 43 degrees) for it to cut off a point of the thing, and for
what goes on there to be no line that passes under it."""
_THIN_MM = 1.5
"""Half the width of the broadest part that a search may have cut off (twice what it closes up)."""
_RIM_PX, _RAG_PX2, _WHOLE = 3.0, 20.0, 0.55
"""Along its ring a thing may go on by so much anyway; the least patch of what goes on that is looked at; and the least
share of its own hull that a point fills (one whose curved sides touch: two thirds)."""
_MOST_STEPS = 5
LEAST_APART = 14.0
"""Least distance, in codes, of the thing's colour from every shade of the ground."""
_SHADE = 0.85
"""Ground with less than this share of its light lies in a shadow, with more in light that is not even (judgement)."""
_MOST_CODES, _NEAR_CODES = 60.0, 30.0
_FACTOR_MOST = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Colours:
    """Encoded colours: the thing's (3,) and shades of the ground and of what is printed on it (K, 3)."""

    thing: Floats
    shades: Floats

    @property
    def apart(self) -> float:
        """How far, in codes, the thing's colour is from every shade of the ground."""
        return float(np.linalg.norm(self.shades - self.thing, axis=1).min())

    @property
    def share(self) -> float:
        """Share of the ground's light at which it comes nearest to the thing's colour."""
        return float(SHARES[np.argmin(np.linalg.norm(self.shades - self.thing, axis=1))])

    def is_thing(self, codes: NDArray[np.floating], most_codes: float = _MOST_CODES) -> NDArray[np.bool_]:
        """Say which colours (..., 3) are nearer to the thing's than to any shade of the ground, and near enough."""
        off = codes.reshape(-1, 3).astype(np.float32) - self.thing.astype(np.float32)
        near = np.einsum("nc,nc->n", off, off) < most_codes**2
        for shade in self.shades - self.thing:
            # Beyond halfway to the shade it is nearer to that.
            near &= off @ shade.astype(np.float32) < np.float32(shade @ shade / 2)
        return np.asarray(near.reshape(codes.shape[:-1]))


def settled(pixels: NDArray[np.uint8], rough: RoughOutline, *, mm_per_px: float) -> RoughOutline:
    """Return a rough outline of an edge that lies where the thing's own colour ends.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        sRGB-encoded; a grey picture's outlines are returned as they are. Those that have a reader of their own stay
        where they are; whether the thing has the colour of its ground in shade is said of them too.
    rough : RoughOutline
    mm_per_px : float

    Returns
    -------
    RoughOutline
        The same one unless a part of it runs beside the thing and another one does so less.
    """
    if pixels.ndim == 2 or rough.kind != "edge":
        return rough
    points = _ring(rough.points_px, rough.hole)
    colours = _colours(pixels, points, rough.hole, mm_per_px)
    if colours is None:
        return rough
    if colours.apart < LEAST_APART:
        return replace(rough, shade_coloured=colours.share < _SHADE)
    if rough.reader is not None:
        return rough
    found, beyond_px = None, None
    before = _astray(pixels, points, colours)
    if before > _ASTRAY:
        found = _laid_anew(pixels, points, colours, rough.hole, mm_per_px)
        if found is not None and _astray(pixels, _ring(found, rough.hole), colours) > 0.5 * before:
            found = None
    if not rough.hole:
        start = np.asarray(rough.points_px, dtype=np.float64) if found is None else found
        grown, beyond_px = with_points(pixels, start, colours, mm_per_px)
        found = found if grown is None else grown
    if found is None:
        return rough if beyond_px is None else replace(rough, beyond_px=beyond_px)
    none = np.zeros(len(found), bool)
    anew = replace(rough, points_px=PxPoints(found), obscured=none, bridged=none.copy())
    return replace(anew, beyond_px=beyond_px)


def _ring(points_px: NDArray[np.float64], hole: bool) -> Points:
    """Return a smooth ring a pixel a point, its normals pointing away from the thing."""
    points = np.asarray(points_px, dtype=np.float64)
    if (closed_area(points) < 0) != hole:
        points = points[::-1]
    return smooth_closed(resample_closed(points, 1.0)[0], 2.5)


def _codes(pixels: NDArray[np.uint8], points: Points, normals: Points, offset_px: float) -> Floats:
    rows, columns = pixels.shape[:2]
    at = np.rint(points + normals * offset_px)
    x = np.clip(at[:, 0], 0, columns - 1).astype(np.intp)
    y = np.clip(at[:, 1], 0, rows - 1).astype(np.intp)
    return pixels[y, x].astype(np.float64)


def _colours(pixels: NDArray[np.uint8], points: Points, hole: bool, mm_per_px: float) -> Colours | None:
    """Return the colours of the thing and of its ground, away from the edge and its shadow."""
    normals = closed_normals(points, reach=4)
    deep = [_codes(pixels, points, normals, -mm / mm_per_px) for mm in (0.8, 1.6, 2.4)]
    thing = np.median(np.concatenate(deep), axis=0)
    if hole:
        inside = points[:: max(1, len(points) // 200)]
        middle = inside.mean(axis=0)
        shrunk = np.concatenate([middle + (inside - middle) * s for s in (0.2, 0.4, 0.6, 0.8)])
        seen = _codes(pixels, shrunk, np.zeros_like(shrunk), 0.0)
    else:
        seen = np.concatenate([_codes(pixels, points, normals, mm / mm_per_px) for mm in (2.0, 3.0, 4.0)])
    # Ground in the light, not in the shadow: the brighter half of what is seen.
    bright = seen.sum(axis=1)
    ground = np.median(seen[bright >= np.median(bright)], axis=0)
    light = np.interp(ground, np.arange(256), SRGB_TO_LINEAR)
    shades = np.interp(np.clip(light * SHARES[:, None], 0, 1), SRGB_TO_LINEAR, np.arange(256))
    return Colours(thing=thing, shades=shades)


def _astray(pixels: NDArray[np.uint8], points: Points, colours: Colours) -> float:
    """Return the share of a ring with another colour just inside than the thing's, or the thing's just outside."""
    normals = closed_normals(points, reach=4)

    def share_of(sign: float) -> NDArray[np.float64]:
        own = np.mean([colours.is_thing(_codes(pixels, points, normals, sign * d)) for d in _ASIDE_PX], axis=0)
        return np.asarray(ndimage.uniform_filter1d(own, 9, mode="wrap"))

    return float(((share_of(-1.0) < 0.5) | (share_of(1.0) > 0.5)).mean())


def with_points(
    pixels: NDArray[np.uint8], ring: Points, colours: Colours, mm_per_px: float
) -> tuple[Points | None, tuple[float, float, float] | None]:
    """Return a ring with the thin parts of the thing that the search cut off straight, None where there are none.

    The thing goes on with its own colour beyond the cut; what is added begins there, is nowhere broad and no rag. Also
    where and how far it goes on in another way, px.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    ring : ndarray, shape (N, 2)
    colours : Colours
    mm_per_px : float
    """
    rows, columns = pixels.shape[:2]
    given: Points | None = None
    reach = SHADOW_MM / mm_per_px
    for _ in range(_MOST_STEPS):
        points = _ring(ring, hole=False)
        normals = closed_normals(points, reach=4)
        cut = _cuts(pixels, points, normals, colours, mm_per_px)
        if not cut.any() or cut.mean() > _MOST_CUT:
            return given, None
        low = np.maximum(np.floor(points.min(axis=0) - reach).astype(int), 0)
        high = np.minimum(np.ceil(points.max(axis=0) + reach).astype(int) + 1, [columns, rows])
        window = np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]])
        inside = np.zeros(window.shape[:2], np.uint8)
        cv2.fillPoly(inside, [np.rint((points - low) * 16).astype(np.int32)], 1, shift=4)
        near = np.zeros_like(inside)
        for x, y in np.rint(points[cut] - low).astype(int):
            cv2.circle(near, (int(x), int(y)), int(reach), 1, -1)
        at = np.nonzero((near > 0) & (inside == 0))
        calm = cv2.GaussianBlur(window, (0, 0), 0.7)[at].astype(np.float64)
        starts = np.rint(points[cut] + normals[cut] * _ASIDE_PX[0] - low).astype(int)
        starts = np.clip(starts, 0, np.array(window.shape[1::-1]) - 1)
        away = np.asarray(cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5))
        # Where what goes on is no point, what is less like the thing (a mat's line under it) is left out.
        for most_codes in (_MOST_CODES, _NEAR_CODES):
            own = np.zeros_like(inside)
            own[at] = colours.is_thing(calm, most_codes)
            labels = cv2.connectedComponents(own, connectivity=4)[1]
            wanted = np.unique(labels[starts[:, 1], starts[:, 0]])
            added = np.isin(labels, wanted[wanted > 0]).astype(np.uint8)
            if not added.any():
                return given, None
            broad_mm = float(cv2.distanceTransform(added, cv2.DIST_L2, 3).max()) * mm_per_px
            if broad_mm <= _THIN_MM and not _is_rag((away > _RIM_PX) & (added > 0)):
                break
        else:
            middle = points[cut].mean(axis=0)
            return given, (float(middle[0]), float(middle[1]), float((away * added).max()))
        # A pixel of the ring's own rounding lies between both.
        body = cv2.morphologyEx(added | inside, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        contour = max(cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=cv2.contourArea)
        ring = given = contour.reshape(-1, 2).astype(np.float64) + low
    return given, None


def _is_rag(parts: NDArray[np.bool_]) -> bool:
    """Say whether what goes on beyond cuts branches or bends away, as lines under the thing do; points do not."""
    contours = cv2.findContours(parts.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    large = [c for c in contours if cv2.contourArea(c) > _RAG_PX2]
    return any(cv2.contourArea(c) < _WHOLE * cv2.contourArea(cv2.convexHull(c)) for c in large)


def _cuts(
    pixels: NDArray[np.uint8], points: Points, normals: Points, colours: Colours, mm_per_px: float
) -> NDArray[np.bool_]:
    """Return where a ring cuts through the thing: its own colour goes on outward for a long run, or round an end."""
    aside = np.stack([colours.is_thing(_codes(pixels, points, normals, d)) for d in _ASIDE_PX])
    wide = np.asarray(ndimage.uniform_filter1d(aside.mean(axis=0), 5, mode="wrap") > 0.5)
    cut = _long_runs(wide, max(_CUT_PX, _CUT_MM / mm_per_px))
    n = len(points)
    for first, length in _runs(np.asarray(aside.all(axis=0))):
        run = (first + np.arange(length)) % n
        if length < _END_PX or cut[run].any():
            continue
        before, after = first - _ROUND_PX, int(run[-1]) + _ROUND_PX
        at = np.array([before - _FLANK_PX, before, after, after + _FLANK_PX]) % n
        arriving, _, leaving = np.diff(points[at], axis=0)
        if float(arriving @ leaving) < _TURNED * float(np.hypot(*arriving) * np.hypot(*leaving)):
            cut[run] = True
    return cut


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the first point and the length of each run of a closed line that is set, none where all of it is."""
    if flags.all():
        return []
    starts = np.flatnonzero(flags & ~np.roll(flags, 1))
    return [(int(s), int(np.argmin(np.roll(flags, -int(s))))) for s in starts]


def _long_runs(flags: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    """Return the runs of a closed line that are so long."""
    out = np.full(len(flags), bool(flags.all()))
    for first, length in _runs(flags):
        if length >= least:
            out[(first + np.arange(length)) % len(flags)] = True
    return out


def _laid_anew(
    pixels: NDArray[np.uint8], points: Points, colours: Colours, hole: bool, mm_per_px: float
) -> Points | None:
    """Return the border of the thing's own colour near a ring, px; None where there is none."""
    rows, columns = pixels.shape[:2]
    reach = SHADOW_MM / mm_per_px
    low = np.maximum(np.floor(points.min(axis=0) - reach).astype(int), 0)
    high = np.minimum(np.ceil(points.max(axis=0) + reach).astype(int) + 1, [columns, rows])
    window = np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]])
    fixed = [np.rint((points - low) * 16).astype(np.int32)]
    inside = np.zeros(window.shape[:2], np.uint8)
    cv2.fillPoly(inside, fixed, 1, shift=4)
    band = np.zeros_like(inside)
    cv2.polylines(band, fixed, True, 1, thickness=max(3, int(2 * reach)), shift=4)
    at = np.nonzero(band)
    calm = cv2.GaussianBlur(window, (0, 0), 0.7)
    own = inside == (0 if hole else 1)
    own[at] = colours.is_thing(calm[at].astype(np.float64))
    ring = (~own if hole else own).astype(np.uint8)
    ring = cv2.morphologyEx(ring, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3)))
    labels = cv2.connectedComponents(ring, connectivity=4)[1]
    counts = np.bincount(labels[inside > 0], minlength=int(labels.max()) + 1)
    counts[0] = 0
    best = int(np.argmax(counts))
    if not counts[best]:
        return None
    body = ndimage.binary_fill_holes(labels == best).astype(np.uint8)
    contours = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    found = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
    if len(found) < 12 or (found <= 0).any() or (found >= np.array(window.shape[1::-1]) - 1).any():
        return None
    ratio = abs(closed_area(found)) / max(abs(closed_area(points)), 1.0)
    return found + low if 1 / _FACTOR_MOST < ratio < _FACTOR_MOST else None
