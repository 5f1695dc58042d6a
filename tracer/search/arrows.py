"""Arrows found from their heads: two solid heads on one line with ink all the way between them.

An arrow drawn across words, notches and stitching lines falls to pieces in the graph of lines; its heads do not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.search.blobs import Blob
from tracer.search.graph import Points

LEAST_ARROW_MM = 10.0
"""Shortest grain line (common practice, no source)."""
_TIP_MM = 3.0
_AXIS_RAD = math.radians(14)
_INKED_SHARE = 0.93
_MOST_HEADS = 400
"""With more spots than this a sheet is no drawing with arrows, and pairs are not tried."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrow:
    """A straight arrow with a solid head at either end: tip to tip, pixels of the mask."""

    points: Points
    heads: tuple[Blob, Blob]


def find_arrows(blobs: Sequence[Blob], mask: NDArray[np.uint8], mm_per_px: float) -> list[Arrow]:
    """Return the double-headed straight arrows of a sheet, each head used once, the surest first.

    Parameters
    ----------
    blobs : sequence of Blob
    mask : ndarray of uint8
        Non-zero where there is ink.
    mm_per_px : float
    """
    heads = [b for b in blobs if not b.round]
    if len(heads) < 2 or len(heads) > _MOST_HEADS:
        return []
    middle = np.array([b.middle for b in heads])
    axis = np.array([b.axis for b in heads])
    size = np.array([b.size for b in heads])
    options: list[tuple[float, int, int]] = []
    for i in range(len(heads) - 1):
        way = middle[i + 1 :] - middle[i]
        far = np.hypot(way[:, 0], way[:, 1])
        unit = way / np.maximum(far, 1e-9)[:, None]
        like = np.minimum(size[i], size[i + 1 :]) / np.maximum(size[i], size[i + 1 :])
        along = np.minimum(np.abs(unit @ axis[i]), np.abs((unit * axis[i + 1 :]).sum(axis=1)))
        good = (along > math.cos(_AXIS_RAD)) & (like > 0.6) & (far * mm_per_px > LEAST_ARROW_MM)
        for k in np.flatnonzero(good & (far > 2 * size[i])):
            j = i + 1 + int(k)
            if not _points_outwards(heads[i], -unit[k]) or not _points_outwards(heads[j], unit[k]):
                continue
            if _inked(mask, middle[i], middle[j]) > _INKED_SHARE:
                options.append((float(far[k]), i, j))
    used: set[int] = set()
    out = []
    for _, i, j in sorted(options):
        if i in used or j in used:
            continue
        used.update((i, j))
        way = (middle[j] - middle[i]) / np.hypot(*(middle[j] - middle[i]))
        first, last = _tip(heads[i], -way, mask, mm_per_px), _tip(heads[j], way, mask, mm_per_px)
        out.append(
            Arrow(points=np.linspace(first, last, max(2, int(np.hypot(*(last - first))))), heads=(heads[i], heads[j]))
        )
    return out


def _tip(head: Blob, outwards: Points, mask: NDArray[np.uint8], mm_per_px: float) -> Points:
    """Return the tip of a head: the fine end of it was left out of the spot."""
    reach = float(((head.points - head.middle) @ outwards).max())
    steps = np.arange(reach, reach + _TIP_MM / mm_per_px, 0.5)
    way = np.rint(head.middle + steps[:, None] * outwards).astype(np.int64)
    x, y = np.clip(way[:, 0], 0, mask.shape[1] - 1), np.clip(way[:, 1], 0, mask.shape[0] - 1)
    bare = np.flatnonzero(mask[y, x] == 0)
    last = int(bare[0]) if len(bare) else 0
    return np.asarray(head.middle + steps[max(0, last - 1)] * outwards)


def _points_outwards(head: Blob, outwards: Points) -> bool:
    """Return whether a head is wider at its inner half: a triangle whose tip points outwards, no bar across a line."""
    along = (head.points - head.middle) @ outwards
    beside = np.abs((head.points - head.middle) @ np.array([-outwards[1], outwards[0]]))
    inner, outer = beside[along < 0], beside[along >= 0]
    return bool(len(inner) and len(outer) and inner.max() > 1.1 * float(np.median(outer)))


def _inked(mask: NDArray[np.uint8], first: Points, last: Points) -> float:
    """Return the share of a straight line that has ink on it, or a pixel beside it."""
    count = max(2, int(np.hypot(*(last - first))))
    line = np.linspace(first, last, count)
    way = (last - first) / np.hypot(*(last - first))
    across = np.array([-way[1], way[0]])
    hit = np.zeros(count, dtype=bool)
    for beside in (-1.5, -0.75, 0.0, 0.75, 1.5):
        at = np.rint(line + beside * across).astype(np.int64)
        x, y = np.clip(at[:, 0], 0, mask.shape[1] - 1), np.clip(at[:, 1], 0, mask.shape[0] - 1)
        hit |= mask[y, x] > 0
    return float(hit.mean())
