"""Whether a closed line is drawn, or the texture of what things lie on: grain of wood, weave, the pile of felt.

A pen leaves a line that is darker than the paper beside it nearly everywhere along it, and the paper beside it is not
darker than the paper beside that. Where the darkest places of a texture were joined to a loop, places beside the loop
are as dark again and again.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import Points

_PLACES, _STEP_PX = 400, 0.5
_BESIDE = ((2.0, 4.0), (3.0, 6.0), (4.0, 8.0))
"""How far beside a line it is looked for again: line widths, and pixels more. Of these places the calmest tells, since
another line may lie in any of them."""
_USUAL, _SELDOM = 20.0, 80.0
"""Four fifths of a drawn line are darker, by much, than four fifths of what lies beside it (per cent)."""
_BY_MUCH = 4.0
"""By how much (judgement: 17 and more times on 50 drawn lines, worn ink on yellowed tissue among them, less than 3
times on 24 loops of wood grain)."""
_HALF, _BY_FAR = 50.0, 12.0
"""Sizes drawn into each other lie beside each other for much of their way, but half of it is bare paper on one side
(judgement: over 100 times on three sheets of dashed sizes, at most 5.3 times on 24 further loops of wood grain)."""
_THIRD, _BY_FARTHEST = 30.0, 50.0
"""Where a loop runs through the midst of many sizes' dashes a third of its places have bare paper beside them; none has
so bare in grain (judgement: over 100 times on such a sheet, at most 26 times on 93 loops of wood grain)."""
_PIECE_WIDTHS = 55.0
"""Sizes drawn into each other are pieces, of whose lines more than so many times their width is seen; of broad grain
less is (judgement: hundreds, and 30 to 48 on three loops)."""
_FEWEST = 20
_CALM = 1.0
"""One level of darkness, of 255, is what rounding leaves on the calmest paper."""


def is_drawn(stretches: Sequence[Points], dark: NDArray[np.uint8], width_px: float) -> bool:
    """Return whether stretches of a line are darker than what lies beside them, nearly everywhere.

    Parameters
    ----------
    stretches : sequence of ndarray, shape (N, 2)
        Chains of points about a pixel apart, along what is seen of the line (none of its gaps).
    dark : ndarray of uint8
        How dark each pixel is against its ground (:class:`tracer.ink.Ink`).
    width_px : float
        Usual width of the line.
    """
    width = max(1.0, width_px)
    ways = [_ways(s, round(1.5 * width)) for s in stretches if len(s) > 2]
    if sum(len(w) for w in ways) < _FEWEST:
        return True
    at, normal = np.concatenate([s for s in stretches if len(s) > 2]), np.concatenate(ways)
    some = np.unique(np.linspace(0, len(at) - 1, _PLACES).astype(np.int64))
    depth = _depths(dark, at[some], normal[some], width)
    middle = depth.shape[1] // 2
    reach = round((width / 2 + 1.0) / _STEP_PX)

    def darkest(away_px: float) -> NDArray[np.float32]:
        place = middle + round(away_px / _STEP_PX)
        return np.asarray(depth[:, place - reach : place + reach + 1].max(axis=1))

    line = float(np.percentile(darkest(0.0), _USUAL))
    beside = [darkest(side * (widths * width + more)) for widths, more in _BESIDE for side in (-1.0, 1.0)]
    least = np.percentile(beside, (_SELDOM, _HALF, _THIRD), axis=1).min(axis=1)
    times = (_BY_MUCH, _BY_FAR, _BY_FARTHEST) if len(at) > _PIECE_WIDTHS * width else (_BY_MUCH,)
    return any(line > by * max(float(dark_beside), _CALM) for by, dark_beside in zip(times, least, strict=False))


def _ways(chain: Points, reach: int) -> NDArray[np.float64]:
    """Return the normal of a chain at each of its points."""
    place = np.arange(len(chain))
    reach = max(2, reach)
    along = chain[np.minimum(place + reach, len(chain) - 1)] - chain[np.maximum(place - reach, 0)]
    along = along / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    return np.column_stack([-along[:, 1], along[:, 0]])


def _depths(dark: NDArray[np.uint8], at: Points, normal: NDArray[np.float64], width_px: float) -> NDArray[np.float32]:
    """Return how much darker than both sides a line of some width would be, at places across a line.

    Shape (N, offsets); offsets are ``_STEP_PX`` apart, the middle one on the line.
    """
    apart = width_px + 2.0
    widths, more = _BESIDE[-1]
    reach = widths * width_px + more + width_px / 2 + 2.0 + apart + width_px
    offsets = np.arange(-np.ceil(reach / _STEP_PX), np.ceil(reach / _STEP_PX) + 1) * _STEP_PX
    where = (at[:, None] + offsets[None, :, None] * normal[:, None]).astype(np.float32)
    seen = cv2.remap(dark, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    calm = cv2.blur(seen.astype(np.float32), (max(1, round(width_px / 2 / _STEP_PX)), 1))
    shift = round(apart / _STEP_PX)
    sides = (np.roll(calm, shift, axis=1) + np.roll(calm, -shift, axis=1)) / 2
    return np.asarray(calm - sides, dtype=np.float32)
