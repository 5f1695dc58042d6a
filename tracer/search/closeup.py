"""A thing on a ground seen closely: how each pixel around it lies between the ground's colour and the thing's."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.ink import reduced
from tracer.search.bodies import DRAWN_MM, THICK_MM, Bodies
from tracer.search.graph import Points
from tracer.search.ground import DEEPEST_SHADOW, Ground, to_rgb
from tracer.search.raster import Mask, closed, filled, most_apart, opened, shrunk, to_size, weighted

_FINE_MM, _MOST_PIXELS = 0.18, 8_000_000
"""Finer pixels than these, and more of them than so many, are put together: an edge is located in the picture itself
afterwards, and the narrowest hole is ten such pixels wide."""
_MARGIN_MM = 8.0
"""So far around a thing the picture is looked at."""
_SHADOW_MM = 4.0
"""How far the shadow of a thing that lies flat may reach from its edge (judgement)."""
_LEAST_LENGTH = 0.02
"""A thing differs from its ground by so much of the ground's light, at least."""
LIKE_SHADOW = 0.6
"""A thing of whose difference from the ground a shadow may make up so much looks like a shadow."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """A thing as it is known coarsely, in a box on the view of the ground.

    ``box`` is left, top, right, bottom; ``found`` its mask as it was found, ``whole`` with all that is drawn on it, and
    ``sure`` what is surely thing. ``colour`` is linear R, G, B as a share of the ground's light, and ``axis`` by how
    much that differs from the ground's; ``shaded`` is the share of that which a shadow on bare ground may reach.
    """

    box: tuple[int, int, int, int]
    found: Mask
    whole: Mask
    sure: Mask
    colour: NDArray[np.float32]
    axis: NDArray[np.float32]
    shaded: float

    @property
    def length(self) -> float:
        """How much the colour differs from the ground's."""
        return float(np.linalg.norm(self.axis))

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the box."""
        x0, y0, x1, y1 = self.box
        return slice(y0, y1), slice(x0, x1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """The picture around a thing, at full size or, where that is more than is needed, reduced by ``step``.

    All arrays are of shape (rows, columns) or (rows, columns, 3). ``calm`` is slightly smoothed, ``light`` that of the
    ground, ``ratio`` the one divided by the other, ``mean`` the mean of its channels; ``share`` is how far a pixel is
    on the way from the ground's colour to the thing's, ``off_axis`` how far beside it; ``grey`` is what differs from
    the ground in lightness only; ``relaid`` where lines of a mat were taken away.
    ``corner_px`` is the first pixel in the picture.
    """

    step: int
    per_px: float
    corner_px: tuple[int, int]
    shown: NDArray[np.uint8]
    calm: NDArray[np.uint8]
    light: NDArray[np.float32]
    ratio: NDArray[np.float32]
    mean: NDArray[np.float32]
    share: NDArray[np.float32]
    off_axis: NDArray[np.float32]
    grey: NDArray[np.bool_]
    relaid: NDArray[np.bool_]

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows."""
        return self.share.shape[1], self.share.shape[0]

    def within(self, points: Points) -> Points:
        """Return points of the picture where they are here."""
        return np.asarray((points - self.corner_px + 0.5) / self.step - 0.5)


def place_of(bodies: Bodies, index: int) -> Place | None:
    """Return what is known of a thing coarsely; None where it is not thick, or has the ground's own colour."""
    body, corner = bodies.things[index]
    ground = bodies.ground
    scale = ground.mm_per_px
    margin = max(4, round(_MARGIN_MM / scale))
    rows, columns = ground.foreign.shape
    x0, y0 = max(0, corner[0] - margin), max(0, corner[1] - margin)
    x1, y1 = min(columns, corner[0] + body.shape[1] + margin), min(rows, corner[1] + body.shape[0] + margin)
    found = np.zeros((y1 - y0, x1 - x0), np.uint8)
    found[corner[1] - y0 : corner[1] - y0 + body.shape[0], corner[0] - x0 : corner[0] - x0 + body.shape[1]] = body
    # Whatever is drawn on it belongs to it; bare ground seen through it is found again at full size.
    whole = filled(closed(found, DRAWN_MM / scale))
    # Only what is thick is surely thing: narrow parts are followed from it.
    sure = shrunk(opened(whole, THICK_MM / scale), 2.5 / scale)
    if not sure.any():
        return None
    colour = np.median(ground.ratio[y0:y1, x0:x1][sure > 0], axis=0)
    axis = colour - 1.0
    length = float(np.linalg.norm(axis))
    if length < _LEAST_LENGTH:
        return None
    # A share that shadow on the bare ground can reach says nothing: the step decides there.
    shaded = max(0.0, float((np.full(3, DEEPEST_SHADOW) - 1.0) @ axis / length**2))
    if shaded >= LIKE_SHADOW:
        # Seen coarsely, a thing that looks like shadow has its own shadow with it: only its depth is surely it.
        deep = shrunk(whole, 2 * _SHADOW_MM / scale)
        sure = deep if deep.any() else sure
    return Place(box=(x0, y0, x1, y1), found=found, whole=whole, sure=sure, colour=colour, axis=axis, shaded=shaded)


def look_at(
    crop: NDArray[np.uint8], mm_per_px: float, ground: Ground, place: Place, relaid: Mask | None = None
) -> Look:
    """Look at the picture around a thing, compared with the ground; ``relaid`` is where lines were taken away."""
    by_size = math.ceil(math.sqrt(crop.shape[0] * crop.shape[1] / _MOST_PIXELS))
    step = max(1, by_size, math.floor(_FINE_MM / mm_per_px))
    picture = to_rgb(reduced(crop, step))
    size = (picture.shape[1], picture.shape[0])
    light = np.asarray(cv2.resize(ground.light[place.window], size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
    calm = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.8), dtype=np.uint8)
    ratio = np.asarray(cv2.LUT(calm, SRGB_TO_LINEAR) / np.maximum(light, 1e-3), dtype=np.float32)
    axis, length2 = place.axis, place.length**2
    share = np.asarray(weighted(ratio, axis / length2) - np.float32(axis.sum() / length2), dtype=np.float32)
    mean = weighted(ratio, np.full(3, 1 / 3))
    spread = most_apart(ratio, [mean, mean, mean]) / np.maximum(mean, 1e-3)
    return Look(
        step=step,
        per_px=mm_per_px * step,
        corner_px=(place.box[0] * ground.factor, place.box[1] * ground.factor),
        shown=picture,
        calm=calm,
        light=light,
        ratio=ratio,
        mean=mean,
        share=share,
        off_axis=most_apart(ratio, [1.0 + share * np.float32(a) for a in axis]),
        grey=(spread < 0.12) & (mean < 0.97),
        relaid=np.zeros(mean.shape, dtype=bool) if relaid is None else to_size(relaid, *size) > 0,
    )
