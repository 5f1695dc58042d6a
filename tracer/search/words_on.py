"""Where a line of words may go on that was read: ink as dense as lettering stands right before or behind it.

Letters that hang together with an arrow, a seam or the line of a mat are no glyphs of their own, so that the place that
was read may have ended before them.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.ink import Ink
from tracer.labels import TextLine
from tracer.search.drawn import lies_in
from tracer.search.graph import Points

_FROM, _TO = 0.05, 0.9
"""So far beyond its box a line is looked at, in its heights: a space and a figure."""
_MIDDLE = 0.25
"""And so far above and below its middle."""
_LEAST_SHARE = 0.35
"""Over a stroke's width or two lettering covers half of its place, a line that passes by a fifth (judgement)."""
_STEPS, _WINDOW = 24, 5


def may_go_on(lines: Sequence[TextLine], ink: Ink, pieces: Sequence[Points]) -> list[tuple[bool, bool]]:
    """Return for each line on a piece whether something may go on before its beginning and behind its end.

    ``pieces`` are their outlines, shape (N, 2), pixels of the ink's mask.
    """
    boxes = [np.array(line.box) for line in lines]
    out = []
    for k, (line, box) in enumerate(zip(lines, boxes, strict=True)):
        at = ink.from_picture(np.array([line.at]))
        if len(box) != 4 or not any(lies_in(at, piece) for piece in pieces):
            out.append((False, False))
            continue
        along = (box[1] - box[0]) / max(float(np.hypot(*(box[1] - box[0]))), 1e-9) * line.height
        others = [b for n, b in enumerate(boxes) if n != k and len(b) == 4]
        out.append((_is_dense(box[0], box[3], -along, others, ink), _is_dense(box[1], box[2], along, others, ink)))
    return out


def _is_dense(
    top: NDArray[np.float64],
    bottom: NDArray[np.float64],
    along: NDArray[np.float64],
    others: Sequence[NDArray[np.float64]],
    ink: Ink,
) -> bool:
    """Return whether ink stands beyond an end, which goes from ``top`` to ``bottom``, and no other words do."""
    across = np.linspace(0.5 - _MIDDLE, 0.5 + _MIDDLE, _STEPS)[:, None, None]
    away = np.linspace(_FROM, _TO, _STEPS)[None, :, None]
    places = top + across * (bottom - top) + away * along
    x, y = places.mean(axis=(0, 1)).tolist()
    if any(cv2.pointPolygonTest(box.astype(np.float32), (x, y), measureDist=False) >= 0 for box in others):
        return False
    at = np.rint(ink.from_picture(places.reshape(-1, 2))).astype(np.intp)
    rows, columns = ink.mask.shape
    within = (at >= 0).all(axis=1) & (at < [columns, rows]).all(axis=1)
    if not within.all():
        return False
    share = (ink.mask[at[:, 1], at[:, 0]] > 0).reshape(_STEPS, _STEPS).mean(axis=0)
    return bool(np.convolve(share, np.full(_WINDOW, 1 / _WINDOW), mode="valid").max() > _LEAST_SHARE)
