"""Words and figures printed on a mat that touch a thing, where the coarse search had taken them for a part of it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.bodies import DRAWN_MM
from tracer.search.mat_light import Words
from tracer.search.raster import Mask, apart, as_mask, grown

_WORD_MM, _BETWEEN_LETTERS = 60.0, 0.25
"""Words printed on a mat are shorter, or fall apart; and so much of what their letters span is mat (judgement)."""
_LETTER_RIM_PX = 5
"""Letters are blurred two pixels wide (picture in focus)."""


def words_beside(printed: NDArray[np.bool_], seed: Mask, per_px: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return what is printed beside a thing, also where the coarse search took it for surely thing; and what is not.

    What lies within the thing is drawn on it; so is what goes on deep into it. The latter are the words with their
    blurred rims and the mat among their letters, which had been closed over and taken for surely thing with them.
    """
    labels, stats = apart(as_mask(printed))
    deep = (cv2.distanceTransform(seed, cv2.DIST_L2, 5) > DRAWN_MM / per_px) & printed
    words, among = np.zeros_like(printed), seed == 0
    count = -1
    while int(words.sum()) > count:
        # A line of the mat may cut a letter in two: what is left of it lies beside the part that is none of the thing.
        count = int(words.sum())
        outside = np.bincount(labels[among], minlength=len(stats)) > 0
        outside[0] = False
        words = outside[labels] & ~deep
        if words.any():
            among |= _among(words, seed, per_px)
    return words, among


def told_nothing_by(
    words: NDArray[np.bool_], taken: NDArray[np.bool_], corner_px: tuple[int, int], per_px: float, step: int
) -> Words | None:
    """Return the words whose light foretells no edge, near where they were taken for the thing; None where none were.

    Elsewhere what looks like print is as often the thing's own blurred edge, or the mat unevenly lit.
    """
    if not taken.any():
        return None
    away = cv2.distanceTransform(as_mask(~taken), cv2.DIST_L2, 5)
    here = words & (away < DRAWN_MM / per_px)
    return Words(mask=grown(as_mask(here), _LETTER_RIM_PX) > 0, corner_px=corner_px, step=step)


def _among(words: NDArray[np.bool_], seed: Mask, per_px: float) -> NDArray[np.bool_]:
    """Return words beside a thing with their blurred rims, and the small parts of it that they cut off."""
    x, y, wide, high = cv2.boundingRect(as_mask(words))
    room = round(2 * DRAWN_MM / per_px)
    here = (slice(max(0, y - room), y + high + room), slice(max(0, x - room), x + wide + room))
    rims = grown(as_mask(words[here]), _LETTER_RIM_PX) > 0
    labels, stats = apart(seed[here] & as_mask(~rims))
    depth = np.zeros(len(stats), np.float32)
    np.maximum.at(depth, labels, cv2.distanceTransform(as_mask(labels > 0), cv2.DIST_L2, 5))
    lost = np.zeros(len(stats), dtype=bool)
    lost[labels[grown(as_mask(rims), 3) > 0]] = True
    lost &= depth < DRAWN_MM / 2 / per_px
    lost[0] = False
    out = np.zeros_like(words)
    out[here] = rims | lost[labels]
    return out


def is_lettering(share: NDArray[np.float32], body: Mask, per_px: float) -> bool:
    """Return whether a small body on a mat is a printed word: the mat is seen between its letters."""
    x, y, wide, high = cv2.boundingRect(body)
    if max(wide, high) * per_px > _WORD_MM:
        return False
    inside = share[y : y + high, x : x + wide][body[y : y + high, x : x + wide] > 0]
    return bool(len(inside) and (inside < 0.5).mean() > _BETWEEN_LETTERS)
