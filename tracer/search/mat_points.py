"""Thin points of a thing on a mat, which the search cannot tell from printed lines by their width.

By its colour a point is told from the mat, from any shadow on it and from what is printed there in the colour of the
grid's lines: diagonals, numbers, ticks (:mod:`tracer.own_colour` has the same for plain grounds).

Limit: a thing of the colour of the print keeps the points that its width gives it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.own_colour import LEAST_APART, SHARES, Colours, with_points
from tracer.profiles import Points
from tracer.search.mat_light import OnMat
from tracer.search.raster import as_mask, opened

_PRINTED = np.array([0.0, 0.3, 0.6, 1.0])
"""Shares of print in a pixel at the border of a printed line."""
_MOST_CODES, _THIN_PX, _LIT, _HEAVIEST, _PARTS = 40.0, 3.0, 0.6, 95, (0.7, 0.9, 1.1)
"""Print is so near to its colour, and its strokes are no thinner than this; it has this share of
the light of the mat around, and of the heaviest lines these parts of what they add (judgement)."""

_CODES = np.rint(np.interp(np.linspace(0, 1, 4096), SRGB_TO_LINEAR, np.arange(256))).astype(np.uint8)
"""Codes of light, in steps of a tenth of a code where it is bright and of a whole one where it is nearly dark."""


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
    mat, gain = _mat_and_print(ring, on)
    printed = mat * (1 + _PRINTED[:, None] * gain)
    shades = (printed[:, None] * SHARES[::2, None]).reshape(-1, 3)
    colours = Colours(thing=_encoded(mat * on.thing), shades=_encoded(shades))
    return colours if colours.apart >= LEAST_APART else None


def evened(picture: NDArray[np.uint8], light: NDArray[np.float32], ring: Points, on: OnMat) -> NDArray[np.uint8]:
    """Return a picture as it would be if the mat had everywhere the light it has around a thing.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns, 3)
    light : ndarray of float32, shape (rows, columns, 3)
        Linear light of the bare mat there.
    ring : ndarray, shape (N, 2)
        Closed outline of the thing, to some pixels.
    on : OnMat
    """
    mat, _ = _mat_and_print(ring, on)
    even = np.asarray(cv2.LUT(picture, SRGB_TO_LINEAR)) * (mat.astype(np.float32) / np.maximum(light, 1e-3))
    return _CODES[np.minimum(even * (len(_CODES) - 1) + 0.5, len(_CODES) - 1).astype(np.uint16)]


def printed_beside(picture: NDArray[np.uint8], on: OnMat, ring: Points, colours: Colours) -> NDArray[np.bool_]:
    """Return where a picture shows print of the mat by its colour: words and figures that touch a thing.

    Nowhere where print in some shadow has the thing's colour.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns, 3)
        Any part of the picture, evened.
    on : OnMat
    ring : ndarray, shape (N, 2)
        Closed outline of the thing, to some pixels.
    colours : Colours
        As :func:`colours_on_mat` gives them.
    """
    mat, _ = _mat_and_print(ring, on)
    # Strokes of letters are broader than most lines: as light as the heaviest of those, where blur takes none of it.
    broad = np.percentile(_middles(on), _HEAVIEST, axis=0)
    lit = SHARES[SHARES >= _LIT][::3, None]
    printed = _encoded(np.concatenate([mat * (1 + part * broad) * lit for part in _PARTS]))
    if np.linalg.norm(printed - colours.thing, axis=1).min() < LEAST_APART:
        return np.zeros(picture.shape[:2], dtype=bool)
    codes = np.ascontiguousarray(picture.reshape(-1, 3).T, dtype=np.float32)
    own = _nearest(codes, colours.thing[None])
    # What is nearer to print than to the thing lies half as far from the thing as print does, at least.
    some = np.flatnonzero(own > LEAST_APART / 2)
    ink = _nearest(codes[:, some], printed)
    near = (ink < own[some]) & (ink < _MOST_CODES)
    some, ink = some[near], ink[near]
    found = np.zeros(own.shape, dtype=bool)
    found[some] = ink < _nearest(codes[:, some], _encoded(mat * lit))
    return np.asarray(opened(as_mask(found.reshape(picture.shape[:2])), _THIN_PX) > 0)


def _nearest(codes: NDArray[np.float32], to: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return how far colours (3, N) lie from the nearest of some others (K, 3)."""
    out = np.full(codes.shape[1], np.inf, dtype=np.float32)
    for colour in to.astype(np.float32):
        off = np.square(codes[0] - colour[0])
        off += np.square(codes[1] - colour[1])
        off += np.square(codes[2] - colour[2])
        np.minimum(out, off, out=out)
    return np.asarray(np.sqrt(out), dtype=np.float32)


def _mat_and_print(ring: Points, on: OnMat) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the light of the mat around a thing, and by what share of it print is lighter."""
    at = np.rint((ring[:: max(1, len(ring) // 300)] + 0.5) / on.ground.factor - 0.5).astype(np.intp)
    rows, columns = on.ground.light.shape[:2]
    light = on.ground.light[np.clip(at[:, 1], 0, rows - 1), np.clip(at[:, 0], 0, columns - 1)]
    mat = np.median(light, axis=0).astype(np.float64)
    return mat, np.asarray(np.median(_middles(on), axis=0), dtype=np.float64)


def _middles(on: OnMat) -> NDArray[np.float32]:
    """Return by what share of the mat's light the middles of its lines are lighter, (N, 3)."""
    middle = on.look.gains[0].shape[2] // 2
    return np.concatenate([g[:, :, middle].reshape(-1, 3) for g in on.look.gains])


def _encoded(light: NDArray[np.floating]) -> NDArray[np.float64]:
    return np.asarray(np.interp(np.clip(light, 0, 1), SRGB_TO_LINEAR, np.arange(256)))
