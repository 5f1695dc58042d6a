"""Thin points of a thing on a mat, which the search cannot tell from printed lines by their width.

By its colour a point is told from the mat, from any shadow on it and from what is printed there in the colour of the
grid's lines: diagonals, numbers, ticks (:mod:`tracer.own_colour` has the same for plain grounds).

Limit: a thing of the colour of the print keeps the points that its width gives it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.own_colour import LEAST_APART, SHARES, Colours, with_points
from tracer.profiles import Points
from tracer.search.mat_light import OnMat

_PRINTED = np.array([0.0, 0.3, 0.6, 1.0])
"""Shares of print in a pixel at the border of a printed line."""


def points_on_mat(ring: Points, on: OnMat, mm_per_px: float) -> tuple[Points, tuple[float, float, float] | None]:
    """Return the outline of a thing with points that were cut off it, as it is where there are none.

    Also where, and how far at least, its colour goes on in a way that is not followed (x, y, distance in px).

    Parameters
    ----------
    ring : ndarray, shape (N, 2)
        Closed outline, to a few pixels.
    on : OnMat
    mm_per_px : float
    """
    colours = colours_on_mat(ring, on)
    if colours is None:
        return ring, None
    given, beyond_px = with_points(on.pixels, ring, colours, mm_per_px)
    return ring if given is None else given, beyond_px


def colours_on_mat(ring: Points, on: OnMat) -> Colours | None:
    """Return the thing's colour and those of the lined mat around it in all shadows, encoded.

    None where print in some shadow has the thing's colour.

    Parameters
    ----------
    ring : ndarray, shape (N, 2)
        Closed outline of the thing, to some pixels.
    on : OnMat
    """
    at = np.rint((ring[:: max(1, len(ring) // 300)] + 0.5) / on.ground.factor - 0.5).astype(np.intp)
    rows, columns = on.ground.light.shape[:2]
    light = on.ground.light[np.clip(at[:, 1], 0, rows - 1), np.clip(at[:, 0], 0, columns - 1)]
    mat = np.median(light, axis=0).astype(np.float64)
    middle = on.look.gains[0].shape[2] // 2
    gain = np.median(np.concatenate([g[:, :, middle].reshape(-1, 3) for g in on.look.gains]), axis=0)
    printed = mat * (1 + _PRINTED[:, None] * gain)
    shades = (printed[:, None] * SHARES[::2, None]).reshape(-1, 3)
    colours = Colours(thing=_encoded(mat * on.thing), shades=_encoded(shades))
    return colours if colours.apart >= LEAST_APART else None


def _encoded(light: NDArray[np.floating]) -> NDArray[np.float64]:
    return np.asarray(np.interp(np.clip(light, 0, 1), SRGB_TO_LINEAR, np.arange(256)))
