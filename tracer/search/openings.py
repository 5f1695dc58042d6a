"""Holes in things that lie on a ground, told from what only looks like one: a dash, a shadow, lettering."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import Points
from tracer.search.raster import apart, as_mask, opened

LEAST_HOLE_MM2 = 3.0
"""Holes smaller than this are dirt or a gleam (common practice, no source)."""
LEAST_OPEN_MM, LEAST_SLIT_MM, _SLIT = 0.9, 2.0, 1.6
"""Holes narrower than the first, and slits (longer than wide by the third) narrower than the second, are drawn dashes
more often than holes (our own choice)."""
_WIDE_HOLE_MM = 6.0
"""From this width on a hole's inside is seen apart from its edge (judgement)."""
LEAST_STEP = 0.35
"""At the edge of a thing so much of its difference from the ground comes within a millimetre (half of it, and a shadow
that hides some)."""


def is_open(share: NDArray[np.float32], ring: Points, per_px: float) -> bool:
    """Return whether a hole is one, and no dash.

    A dash drawn in the ground's own grey is as dark in its middle as a hole, and blurred as broad as one, but less
    light is missing in it for its length.
    """
    inside = inside_mask(ring, share.shape)
    missing = float((1.0 - np.clip(share[inside], 0.0, 1.0)).sum()) * per_px * per_px
    short, long = sorted(cv2.minAreaRect(ring.astype(np.float32))[1])
    wide_mm = missing / max(float(long) * per_px, 1e-6)
    return wide_mm > (LEAST_SLIT_MM if long > _SLIT * short else LEAST_OPEN_MM)


def is_sharp(share: NDArray[np.float32], ring: Points, per_px: float) -> bool:
    """Return whether a hole has an edge, where it is wide enough to tell that: a shadow on the thing has none."""
    wide = min(cv2.minAreaRect(ring.astype(np.float32))[1]) * per_px
    return wide < _WIDE_HOLE_MM or step_across(share, ring, per_px) > LEAST_STEP


def step_across(share: NDArray[np.float32], outline: Points, per_px: float) -> float:
    """Return how much of the difference between a thing and its ground lies within a millimetre of its outline.

    Where light falls off over a sheet the border of what is darker is no edge: the light changes over centimetres.
    """
    calm = cv2.GaussianBlur(share, (0, 0), max(0.8, 0.25 / per_px))
    ahead = max(3, round(2.0 / per_px))
    at = np.arange(0, len(outline), max(1, len(outline) // 600))
    way = outline[(at + ahead) % len(outline)] - outline[at - ahead]
    normal = np.stack([-way[:, 1], way[:, 0]], axis=1) / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    reach = max(2.0, 1.0 / per_px)
    sides = []
    for sign in (-1.0, 1.0):
        where = np.rint(outline[at] + sign * reach * normal).astype(np.int64)
        x, y = np.clip(where[:, 0], 0, calm.shape[1] - 1), np.clip(where[:, 1], 0, calm.shape[0] - 1)
        sides.append(calm[y, x])
    return float(np.median(np.abs(sides[1] - sides[0])))


def hole_seeds(bare: NDArray[np.bool_], seed: NDArray[np.uint8], per_px: float) -> NDArray[np.bool_]:
    """Return the patches of bare ground seen through a thing; lines drawn on it are thinner than a hole."""
    inside = opened(as_mask(bare & (seed > 0)), 2.0 / per_px)
    labels, stats = apart(inside, connectivity=4)
    large = stats[:, cv2.CC_STAT_AREA] * per_px * per_px > 0.4 * LEAST_HOLE_MM2
    large[0] = False
    return np.asarray(large[labels], dtype=bool)


def inside_mask(points: Points, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return which pixels lie within a closed line, the line itself not."""
    mask = np.zeros(shape, np.uint8)
    cv2.drawContours(mask, [np.rint(points).astype(np.int32).reshape(-1, 1, 2)], -1, 1, cv2.FILLED)
    cv2.drawContours(mask, [np.rint(points).astype(np.int32).reshape(-1, 1, 2)], -1, 0, 2)
    return mask > 0
