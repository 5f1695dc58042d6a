"""Zones of a picture that are one ground though a thin line runs between them: grain of wood, a joint, a seam.

Right beside such a line both sides have one colour, wherever along it. So a ground goes on across lines from zone to
zone, however its light changes over the picture; across the edge of a thing it does not.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

WIDEST_LINE_MM = 15.0
"""Zones with more than this between them are no neighbours: several lines of grain may run side by side (judgement; in
so little way the light of a lamp falls off by less than is compared)."""
LEAST_BESIDE_MM = 12.0
"""Zones that are neighbours for less of their way say nothing of each other (judgement)."""
_CHUNK_MM, _LEAST_OF_CHUNK = 8.0, 0.3
"""Colours are compared over stretches of a border this long (texture averages out), where so much of one is seen."""
LIGHTNESS_SHARE = 0.6
"""Lightness counts for less than colour: light falls off."""


def grown_across_lines(
    member: NDArray[np.bool_], labels: NDArray[np.int32], lab: NDArray[np.float32], mm_per_px: float, reach: float
) -> NDArray[np.bool_]:
    """Return some zones and all that go on with their colour across thin lines, from one to the next.

    Parameters
    ----------
    member : ndarray of bool, shape (N,)
        The zones to begin with; zone ``i`` has the label ``i + 1``.
    labels : ndarray of int32, shape (rows, columns)
        The zone of each pixel, 0 between them.
    lab : ndarray of float32, shape (rows, columns, 3)
        CIE Lab.
    mm_per_px : float
    reach : float
        What colours beside one line differ by at most, in units of CIE Lab.
    """
    # Every second pixel tells as much.
    pairs = _neighbours(labels[::2, ::2], lab[::2, ::2], 2 * mm_per_px, reach)
    if not len(pairs):
        return member
    count = len(member)
    graph = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0] - 1, pairs[:, 1] - 1)), shape=(count, count))
    _, group = csgraph.connected_components(graph, directed=False)
    return np.asarray(np.isin(group, np.unique(group[member])), dtype=bool)


def _neighbours(
    labels: NDArray[np.int32], lab: NDArray[np.float32], mm_per_px: float, reach: float
) -> NDArray[np.int64]:
    """Return the pairs of zones between which only a thin line runs, shape (M, 2)."""
    between = np.asarray(labels == 0, dtype=np.uint8)
    _, nearest = cv2.distanceTransformWithLabels(between, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    # Each pixel of a zone has a label of its own: where it is.
    row, column = np.nonzero(between == 0)
    place = np.zeros(int(nearest.max()) + 1, np.int64)
    place[nearest[row, column]] = row * labels.shape[1] + column
    home = place[nearest]
    zone = labels.ravel()[home]
    one, other = [], []
    for a, b in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])):
        apart = zone[a] != zone[b]
        one.append(home[a][apart])
        other.append(home[b][apart])
    first, second = np.concatenate(one), np.concatenate(other)
    wide = labels.shape[1]
    away = np.hypot(first // wide - second // wide, first % wide - second % wide) * mm_per_px
    first, second = first[away < WIDEST_LINE_MM], second[away < WIDEST_LINE_MM]
    if not len(first):
        return np.zeros((0, 2), np.int64)
    flat = labels.ravel()
    swapped = flat[first] > flat[second]
    first, second = np.where(swapped, second, first), np.where(swapped, first, second)
    difference = _calm(lab, between).reshape(-1, 3)
    return _alike(flat, first, second, difference, wide, mm_per_px, reach)


def _calm(lab: NDArray[np.float32], between: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return each pixel's colour averaged over its neighbours within zones."""
    inside = (1 - between).astype(np.float32)
    total = cv2.blur(lab * inside[:, :, None], (3, 3))
    return np.asarray(total / np.maximum(cv2.blur(inside, (3, 3)), 1e-6)[:, :, None], dtype=np.float32)


def _alike(
    flat: NDArray[np.int32],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    colour: NDArray[np.float32],
    wide: int,
    mm_per_px: float,
    reach: float,
) -> NDArray[np.int64]:
    """Return the pairs of zones whose colours agree beside the line between them, along most of it."""
    chunk = max(1, round(_CHUNK_MM / mm_per_px))
    along = wide // chunk + 1
    pair = flat[first].astype(np.int64) * (int(flat.max()) + 1) + flat[second]
    at = (pair * (len(flat) // wide // chunk + 1) + first // wide // chunk) * along + first % wide // chunk
    _, begins, own, times = np.unique(at, return_index=True, return_inverse=True, return_counts=True)
    step = (colour[first] - colour[second]) * np.array([LIGHTNESS_SHARE, 1.0, 1.0], dtype=np.float32)
    mean: NDArray[Any] = np.stack([np.bincount(own, step[:, k], len(times)) for k in range(3)], axis=1)
    differs = np.linalg.norm(mean / times[:, None], axis=1)
    seen = times > _LEAST_OF_CHUNK * chunk
    out = []
    _, begin, which = np.unique(pair[begins], return_index=True, return_inverse=True)
    pairs = np.stack([flat[first], flat[second]], axis=1)[begins[begin]]
    beside_px = np.bincount(which, times, len(pairs))
    for k in np.flatnonzero(beside_px * mm_per_px > LEAST_BESIDE_MM):
        mine = differs[(which == k) & seen]
        if len(mine) and float(np.median(mine)) < reach:
            out.append(pairs[k])
    return np.array(out, dtype=np.int64).reshape(-1, 2)
