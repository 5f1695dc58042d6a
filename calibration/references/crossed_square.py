"""Printed test squares that other lines run across.

A line across a square divides its inside, so that no outline of the square is left; but its corners are still corners
of the parts. Three corners that are a square's, with dark lines between them, are enough to look closer.

Lines of a pattern make such figures by chance too: these are looked at only where a person says that there is a square.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration.references.quad import RoughQuad, clockwise_from_top_left, side_lengths
from calibration.references.reference import SearchPicture

Floats = NDArray[np.float64]

_LEAST_SIDE_PX = 10.0
"""A corner's two sides are seen over so many pixels of the reduced copy, before something runs across."""
_SIMPLIFIED_PX = 1.5
_CUT_OFF_PX = 8.0
_RIGHT_ANGLE = 0.35
"""Cosine of the angle at a corner, at most: 70 to 110 degrees, as tilt makes them."""
_ALONG = 0.985
"""Cosine between a corner's side and the way to the next corner, at least: 10 degrees, for sides of a few pixels."""
_LONGEST_RATIO = 1.4
_MOST_PARTS, _MOST_CORNERS, _MOST_SQUARES = 600, 400, 16
"""More parts are a grid's."""
_TOGETHER_PX = 12.0
"""Corners of parts on both sides of a line lie nearer to each other, in pixels of the reduced copy."""
_DARK = 0.9
_NEAR_CORNER = 0.12
"""The fourth corner of a tilted square lies so near, in sides, to where the other three put it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Corners:
    """Corners (N, 2) of the reduced copy and the directions of their two sides, each (N, 2)."""

    at: Floats
    one: Floats
    other: Floats


def _corners_of_parts(mask: NDArray[np.uint8]) -> _Corners:
    """Return the right angles of all light parts that are enclosed by dark lines, those of the longest sides first."""
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    found: list[tuple[float, Floats, Floats, Floats]] = []
    holes = [
        contour
        for contour, links in zip(contours, [] if tree is None else tree.reshape(-1, 4), strict=True)
        if links[3] >= 0 and len(contour) >= 4 * _LEAST_SIDE_PX
    ]
    for contour in holes if len(holes) <= _MOST_PARTS else ():
        points = cv2.approxPolyDP(contour, _SIMPLIFIED_PX, True).reshape(-1, 2).astype(np.float64)
        found += _right_angles(points)
    found.sort(key=lambda f: -f[0])
    at, one, other = (np.array([f[k] for f in found]).reshape(-1, 2) for k in (1, 2, 3))
    if len(at) > 1:
        # Where lines cross or meet, as all over grids, corners of several parts lie together.
        apart, _ = cKDTree(at).query(at, k=2)
        alone = np.asarray(apart)[:, 1] > _TOGETHER_PX
        at, one, other = (v[alone][:_MOST_CORNERS] for v in (at, one, other))
    return _Corners(at=at, one=one, other=other)


def _right_angles(points: Floats) -> list[tuple[float, Floats, Floats, Floats]]:
    """Return shorter side, place and both directions of each right angle of a closed polygon (N, 2).

    Sides are lengthened to where they meet: a corner may be cut off by a few pixels, and a side may have a dent.
    """
    ends = np.roll(points, -1, axis=0)
    around = np.sign(float((points[:, 0] * ends[:, 1] - points[:, 1] * ends[:, 0]).sum()))
    long = np.hypot(*(ends - points).T) >= _LEAST_SIDE_PX
    starts, ends = points[long], ends[long]
    found = []
    for i in range(len(starts)):
        a, b, c, d = starts[i - 1], ends[i - 1], starts[i], ends[i]
        before, after = a - b, d - c
        lengths = float(np.hypot(*before)), float(np.hypot(*after))
        one, other = before / lengths[0], after / lengths[1]
        if np.hypot(*(c - b)) > _CUT_OFF_PX or abs(float(one @ other)) > _RIGHT_ANGLE:
            continue
        if around * (other[0] * one[1] - other[1] * one[0]) < 0:
            continue  # around the corner of something else
        way = np.linalg.solve(np.array([one, -other]).T, c - b)
        found.append((min(lengths), b + way[0] * one, one, other))
    return found


def _facing(corners: _Corners, i: int, direction: Floats, across: Floats) -> NDArray[np.intp]:
    """Return the corners that end one side of corner ``i``: one of their sides leads back, one goes as ``across``."""
    way = corners.at - corners.at[i]
    far = np.hypot(*way.T)
    way = way / np.maximum(far, 1e-9)[:, None]
    ahead = (far > 1.5 * _LEAST_SIDE_PX) & (way @ direction > _ALONG)

    def ends(back: Floats, aside: Floats) -> NDArray[np.bool_]:
        return np.asarray(((back * -way).sum(axis=1) > _ALONG) & (aside @ across > 1.0 - _RIGHT_ANGLE))

    return np.nonzero(ahead & (ends(corners.one, corners.other) | ends(corners.other, corners.one)))[0]


def _are_dark(mask: NDArray[np.uint8], corners: Floats) -> bool:
    """Whether each side is dark almost all along, give or take as much as tilt moves a fourth corner."""
    t = np.linspace(0.03, 0.97, 80)[:, None]
    reach = max(2, round(0.02 * float(side_lengths(corners).mean())))
    steps = np.arange(-reach, reach + 1)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
        aside = np.array([-along[1], along[0]])
        at = np.rint((a + t * (b - a))[:, None] + steps[:, None] * aside).astype(int)
        x, y = np.clip(at[..., 0], 0, mask.shape[1] - 1), np.clip(at[..., 1], 0, mask.shape[0] - 1)
        if (mask[y, x] > 0).any(axis=1).mean() < _DARK:
            return False
    return True


def _way_on(corners: _Corners, n: int, before: Floats) -> Floats:
    """Return that direction of a corner's two sides which does not lead back to the corner before."""
    back = before - corners.at[n]
    ways: Floats = np.stack([corners.one[n], corners.other[n]])
    way: Floats = ways[int(np.argmin(ways @ back))]
    return way


def _fourth_corners(corners: _Corners, i: int, j: int, k: int) -> list[Floats]:
    """Return where the corner across from ``i`` may be: one that is seen, or where its neighbours' other sides meet."""
    a, b, d = (corners.at[n] for n in (i, j, k))
    flat = b + d - a
    near = np.hypot(*(corners.at - flat).T)
    side = float(np.hypot(*(b - a)))
    out = [corners.at[int(near.argmin())]] if near.min() < _NEAR_CORNER * side else []
    way, other = _way_on(corners, j, a), _way_on(corners, k, a)
    cross = float(way[0] * other[1] - way[1] * other[0])
    if abs(cross) > _RIGHT_ANGLE:
        meet = b + way * float((d - b)[0] * other[1] - (d - b)[1] * other[0]) / cross
        if np.hypot(*(meet - flat)) < _NEAR_CORNER * side:
            out.append(meet)
    return [*out, flat]


def rough_crossed_squares(scene: SearchPicture, mask: NDArray[np.uint8]) -> list[RoughQuad]:
    """Find squares by three or four of their corners in a mask of dark lines of the reduced copy."""
    corners = _corners_of_parts(mask)
    found: list[Floats] = []
    for i in range(len(corners.at)):
        one, other = corners.one[i], corners.other[i]
        across = _facing(corners, i, other, one)
        for j in _facing(corners, i, one, other):
            for k in across:
                a, b, d = corners.at[i], corners.at[j], corners.at[k]
                sides = np.hypot(*(b - a)), np.hypot(*(d - a))
                if max(sides) > _LONGEST_RATIO * min(sides):
                    continue
                for c in _fourth_corners(corners, i, int(j), int(k)):
                    quad = clockwise_from_top_left(np.array([a, b, c, d]))
                    known = any(np.abs(before - quad).max() < 0.06 * min(sides) for before in found)
                    if not known and _are_dark(mask, quad):
                        found.append(quad)
                        break
    rough = [RoughQuad(corners_px=np.asarray(scene.from_reduced(q)), hole=True) for q in found]
    return sorted(rough, key=lambda r: -r.side_px)[:_MOST_SQUARES]
