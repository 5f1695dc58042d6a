"""Narrow parts of things that lie on a ground (a stalk, a strap, a point), told from marks of the ground by colour.

A neck may join things to one (the stalk of a leaf), or be grain that runs from one to the next.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.raster import apart, as_mask, lengths, weighted

_LEAST_SHARE = 0.5
"""A part of a thing is nearer to the thing's colour than to the ground's."""
_MOST_BESIDE = 0.4
"""And lies between the two: beside the way from one to the other by less than this share of it (judgement: parts of
things measured 0.01 to 0.05, a light streak of wood beside blue and green card 0.8)."""


def joined_cores(foreign: NDArray[np.uint8], core: NDArray[np.uint8], ratio: NDArray[np.float32]) -> NDArray[np.int32]:
    """Label what is foreign so that cores joined by a neck of a thing's colour are one, and others apart.

    Grain of wood that runs from one thing to the next is foreign too, but has little of either's colour.

    Parameters
    ----------
    foreign, core : ndarray of uint8, shape (rows, columns)
        Non-zero where a thing may be, and where it is thick.
    ratio : ndarray of float32, shape (rows, columns, 3)
        The view divided by the ground, linear RGB.
    """
    joined, _ = apart(foreign, connectivity=4)
    cores, stats = apart(core, connectivity=4)
    first = np.zeros(len(stats), np.int64)
    first[cores[core > 0]] = joined[core > 0]
    held = np.bincount(first[1:], minlength=int(joined.max()) + 1)
    crowded = np.flatnonzero(held > 1)
    if not len(crowded):
        return joined
    parted: NDArray[Any] = foreign.copy()
    for label in crowded:
        where = np.nonzero((joined == label) & (core == 0))
        necks = ratio[where][None]
        own = np.zeros(len(where[0]), dtype=bool)
        for index in np.flatnonzero(first == label):
            x, y, wide, high = stats[index, :4]
            window = (slice(y, y + high), slice(x, x + wide))
            own |= _alike(necks, np.median(ratio[window][cores[window] == index], axis=0))[0]
        parted[where] = np.where(own, parted[where], 0)
    return apart(as_mask(parted), connectivity=4)[0]


def with_narrow_parts(
    body: NDArray[np.bool_], corner: tuple[int, int], foreign: NDArray[np.bool_], ratio: NDArray[np.float32]
) -> tuple[NDArray[np.bool_], tuple[int, int]]:
    """Return a body and its corner with the parts of its colour that are too narrow to be told by themselves.

    A strap or a long point is part of the thing however far it goes on; its shadow and a streak of the ground are not.

    Parameters
    ----------
    body : ndarray of bool
        Where the thing is thick, from ``corner`` (x, y) of the view on.
    foreign : ndarray of bool, shape (rows, columns)
        Of the view: what hangs together with it and differs from the ground.
    ratio : ndarray of float32, shape (rows, columns, 3)
        The view divided by the ground, linear RGB.
    """
    x, y, wide, high = cv2.boundingRect(as_mask(foreign))
    at_x, at_y = corner[0] - x, corner[1] - y
    window = (slice(y, y + high), slice(x, x + wide))
    thick = np.zeros((high, wide), dtype=bool)
    thick[at_y : at_y + body.shape[0], at_x : at_x + body.shape[1]] = body
    colours, own = ratio[window], thick.copy()
    beside = foreign[window] & ~thick
    own[beside] = _alike(colours[beside][None], np.median(colours[thick], axis=0))[0]
    labels, stats = apart(as_mask(own), connectivity=4)
    is_kept = np.zeros(len(stats), dtype=bool)
    is_kept[labels[thick]] = True
    kept = is_kept[labels]
    x0, y0, wide, high = cv2.boundingRect(as_mask(kept))
    return kept[y0 : y0 + high, x0 : x0 + wide], (x + x0, y + y0)


def _alike(ratio: NDArray[np.float32], thing: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Return which colours (rows, columns, 3) are rather a thing's (3,) than the ground's, both divided by the ground.

    Linear RGB.
    """
    axis = np.asarray(thing - 1.0)
    length = max(1e-6, float(axis @ axis))
    share = weighted(ratio, axis / length) - np.float32(axis.sum() / length)
    beside = lengths(ratio - np.float32(1.0) - share[:, :, None] * axis.astype(np.float32))
    return np.asarray((share >= _LEAST_SHARE) & (beside < _MOST_BESIDE * np.sqrt(length)))
