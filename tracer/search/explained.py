"""Which of two readings of each size's line explains the ink of a bundle better."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import Points
from tracer.search.pulls import Ink

_COARSE, _LINE, _BAND_MM = 2, 1.35, 3.0
"""Ink is counted at so many pixels; a line takes so many widths of it; ink farther from all lines is another thing."""
_BARE, _BETTER_MM = 0.3, 20.0
"""Bare paper under a line counts so much of ink without a line (spaces are bare); gains smaller than this are none."""


def better_lines(
    old: Sequence[Points],
    new: Sequence[Points],
    ink: Ink,
    white_mm: Callable[[Points], float],
    beside: Sequence[Points] = (),
) -> list[bool]:
    """Return for each line whether its new reading is taken: all together leave least ink and paper unexplained.

    What the lines ``beside`` run over is explained already.
    """
    coarse = cv2.resize(ink.mask, None, fx=1 / _COARSE, fy=1 / _COARSE, interpolation=cv2.INTER_NEAREST)
    width = max(1, round(_LINE * ink.width_mm / ink.mm_per_px / _COARSE))
    both = [[_drawn(p, coarse.shape, width) for p in side] for side in (old, new)]
    near = np.max([d for side in both for d in side], axis=0)
    reach = 2 * int(_BAND_MM / ink.mm_per_px / _COARSE / 2) + 1
    for points in beside:
        coarse = np.where(_drawn(points, coarse.shape, width) > 0, 0, coarse)
    there = (coarse > 0) & (cv2.dilate(near, np.ones((reach, reach), np.uint8)) > 0)
    cover = [[d[there].astype(np.int16) for d in side] for side in both]
    bare = [[white_mm(p) for p in side] for side in (old, new)]
    unit = (_COARSE * ink.mm_per_px) ** 2 / ink.width_mm
    best: tuple[float, list[int]] | None = None
    # Traced lines cover more of the edges of packed ink, whosever it is: small gains of theirs are none.
    for start in (1, 0):
        chosen = [start] * len(old)
        total = np.sum(cover[start], axis=0)
        price = float((total == 0).sum()) * unit + _BARE * sum(bare[start])
        for _ in range(3):
            for k, s in enumerate(chosen):
                other = total - cover[s][k] + cover[1 - s][k]
                rest = sum(bare[c][n] for n, c in enumerate(chosen) if n != k) + bare[1 - s][k]
                cost = float((other == 0).sum()) * unit + _BARE * rest
                if cost < price - _BETTER_MM:
                    price, total, chosen[k] = cost, other, 1 - s
        if best is None or price < best[0] - _BETTER_MM:
            best = (price, chosen)
    assert best is not None
    return [bool(c) for c in best[1]]


def _drawn(points: Points, shape: tuple[int, ...], width: int) -> NDArray[np.uint8]:
    out: NDArray[np.uint8] = np.zeros(shape, np.uint8)
    place = np.rint(np.clip(points, -1e6, 1e6) / _COARSE * 8).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(out, [place], isClosed=True, color=1, thickness=width, lineType=cv2.LINE_8, shift=3)
    return out
