"""What joins things that lie on a ground: a part of a thing (the stalk of a leaf), or a mark of the ground (grain)."""

from __future__ import annotations

from typing import Any

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
        most = np.full(len(where[0]), -np.inf, np.float32)
        for own in np.flatnonzero(first == label):
            axis = np.median(ratio[cores == own], axis=0) - 1.0
            length = max(1e-6, float(axis @ axis))
            share = weighted(necks, axis / length)[0] - np.float32(axis.sum() / length)
            beside = lengths(necks - np.float32(1.0) - share[None, :, None] * axis.astype(np.float32))[0]
            most = np.where(beside < _MOST_BESIDE * np.sqrt(length), np.maximum(most, share), most)
        parted[where] = np.where(most < _LEAST_SHARE, 0, parted[where])
    return apart(as_mask(parted), connectivity=4)[0]
