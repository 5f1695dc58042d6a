"""Crosses drawn with two bars, also where a dash of another line runs over them or ends on them.

A cross is told by its bars alone: of one length, square to each other, each through the middle of the other, and free
at all four ends.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.labels import TextLine
from tracer.search.graph import LineGraph, Points

LEAST_ARM_MM, LONGEST_ARM_MM = 0.75, 4.0
"""How far a cross goes out from its middle (common practice, no source)."""
_UNLIKE, _ASIDE = 0.2, 0.2
_THIN_SHARE, _THIN_ARMS = 0.35, 2
_LOOK_SHARE = 0.75
_STEP_RAD = np.radians(1.0)
_BEYOND_MM, _BESIDE_RAD, _FREE_ENDS = 0.6, np.radians(20), 2
"""A line goes on so far beyond an arm, off it by so much; two arms of a cross at least end there (one bar may lie on
another line)."""
_LETTERS, _MEETING = 2, 3
_LEAST_OF_BOX = 0.4


def find_crosses(graph: LineGraph, mask: NDArray[np.uint8], mm_per_px: float) -> list[Points]:
    """Return the crosses whose bars meet at nodes of the graph.

    Parameters
    ----------
    graph : LineGraph
    mask : ndarray of uint8
        All the ink.
    mm_per_px : float

    Returns
    -------
    list of ndarray, shape (4, 2)
        The ends of each cross in order around it, pixels of the mask.
    """
    degrees = graph.degrees()
    found: list[Points] = []
    for node, at in enumerate(graph.nodes):
        if degrees[node] < _MEETING:
            continue
        middle = np.array(at)
        if any(float(np.hypot(*(c.mean(axis=0) - middle))) * mm_per_px < 2.0 * LEAST_ARM_MM for c in found):
            continue
        cross = _cross_at(middle, mask, mm_per_px)
        if cross is not None:
            found.append(cross)
    return found


def _cross_at(middle: Points, mask: NDArray[np.uint8], mm_per_px: float) -> Points | None:
    angles = np.arange(0.0, np.pi / 2, _STEP_RAD)
    ways = np.stack([angles + k * np.pi / 2 for k in range(4)], axis=1)
    # Most nodes have no four arms at all, which a short look tells.
    least = LEAST_ARM_MM / mm_per_px
    if _runs(middle, ways.ravel(), mask, least + 1.0).reshape(ways.shape).min(axis=1).max() < least:
        return None
    arms = _runs(middle, ways.ravel(), mask, LONGEST_ARM_MM / mm_per_px + 2.0).reshape(ways.shape)
    best = int(np.argmax(arms.min(axis=1)))
    # Several ways along a bar are as long as each other: that in their middle is its own.
    alike = np.flatnonzero(arms.min(axis=1) > arms.min(axis=1)[best] - 1.0)
    near = alike[np.abs(alike - best) * _STEP_RAD < np.radians(15)]
    best = int(near[len(near) // 2])
    runs, out = arms[best] * mm_per_px, ways[best]
    if runs.min() < LEAST_ARM_MM or runs.max() > LONGEST_ARM_MM:
        return None
    bars = runs[:2] + runs[2:]
    if abs(bars[0] - bars[1]) > _UNLIKE * bars.max():
        return None
    if (np.abs(runs[:2] - runs[2:]) > _ASIDE * bars).any():
        return None
    way = np.stack([np.cos(out), np.sin(out)], axis=1)
    places = middle + _LOOK_SHARE * arms[best][:, None] * way
    sides = np.array([_runs(p, a + np.array([-np.pi / 2, np.pi / 2]), mask, LONGEST_ARM_MM / mm_per_px)
                      for p, a in zip(places, out, strict=True)])  # fmt: skip
    thin = sides.sum(axis=1) < _THIN_SHARE * arms[best]
    if thin.sum() < _THIN_ARMS or _free_ends(middle, arms[best], out, mask, mm_per_px) < _FREE_ENDS:
        return None
    # The middle of each arm's own line, where nothing else lies on it.
    beside = np.where(thin, (sides[:, 1] - sides[:, 0]) / 2, 0.0) / _LOOK_SHARE
    across = np.stack([-np.sin(out), np.cos(out)], axis=1)
    return np.asarray(middle + arms[best][:, None] * way + beside[:, None] * across)


def _free_ends(
    middle: Points, arms: NDArray[np.float64], ways: NDArray[np.float64], mask: NDArray[np.uint8], mm_per_px: float
) -> int:
    """Return how many arms end: lines that cross a little off the square leave their arms and go on beside them."""
    around = np.arange(-_BESIDE_RAD, _BESIDE_RAD + 0.01, 0.5 * _STEP_RAD)
    beyond = (arms + _BEYOND_MM / mm_per_px)[:, None]
    angles = ways[:, None] + around
    x = np.clip(np.rint(middle[0] + beyond * np.cos(angles)).astype(np.int64), 0, mask.shape[1] - 1)
    y = np.clip(np.rint(middle[1] + beyond * np.sin(angles)).astype(np.int64), 0, mask.shape[0] - 1)
    return int((mask[y, x] == 0).all(axis=1).sum())


def _runs(start: Points, ways: NDArray[np.float64], mask: NDArray[np.uint8], reach: float) -> NDArray[np.float64]:
    """Return how far ink goes on from a point in some directions (radians), pixels."""
    steps = np.arange(0.0, reach, 0.5)
    x = np.rint(start[0] + np.cos(ways)[:, None] * steps).astype(np.int64)
    y = np.rint(start[1] + np.sin(ways)[:, None] * steps).astype(np.int64)
    inside = (x >= 0) & (y >= 0) & (x < mask.shape[1]) & (y < mask.shape[0])
    high, wide = mask.shape
    bare = (mask[np.clip(y, 0, high - 1), np.clip(x, 0, wide - 1)] == 0) | ~inside
    bare[:, :3] = False
    first = np.where(bare.any(axis=1), bare.argmax(axis=1), len(steps))
    return np.asarray(first * 0.5)


def without_crosses(
    lines: Sequence[TextLine], crosses: Sequence[Points], ring_of: Callable[[TextLine], Points]
) -> list[TextLine]:
    """Leave out single letters that were read where a cross stands.

    Parameters
    ----------
    lines : sequence of TextLine
    crosses : sequence of ndarray, shape (4, 2)
    ring_of : callable
        Returns the four corners of a line's box, in the pixels of the crosses.
    """
    out = []
    for line in lines:
        ring = ring_of(line) if line.box and len(line.text.strip()) <= _LETTERS else np.zeros((0, 2))
        if len(ring) < 4:
            out.append(line)
            continue
        box = ring.astype(np.float32).reshape(-1, 1, 2)
        side = float(np.hypot(*np.diff(ring, axis=0).T).min())
        held = any(
            cv2.pointPolygonTest(box, tuple(float(v) for v in c.mean(axis=0)), measureDist=False) > 0
            and float(np.hypot(*(c[0] - c[2]))) > _LEAST_OF_BOX * side
            for c in crosses
        )
        if not held:
            out.append(line)
    return out
