"""What is lettering, and what only lies in the box around a word: lines that run through it, rings beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.labels import TextLine
from tracer.piece import MarkKind
from tracer.search.drawn import LineWork
from tracer.search.graph import Points
from tracer.search.marks_text import TextBlock
from tracer.search.strokes import Stroke, end_heading

IN_WORDS = 0.7
"""What lies in the boxes of words with more than this share is lettering."""
SURE = 0.7
"""What the reader is less sure of may be anything."""
STOP_SHARE = 0.35
"""A full stop is smaller than this share of its row's height (typography)."""
LEAST_WORD = 4
"""So many glyphs together are a word, read or not (common practice, no source)."""
_ROUND_LETTERS, _LETTERS_OFF = frozenset("bdgopqBDOQ0689@%&"), 1.0
"""Letters and figures with a round part, and how many letters off a place in a line is (their widths differ)."""
_BOWLED_LETTERS, _BOWL_SHARE = _ROUND_LETTERS | frozenset("PRae4A"), 0.5
"""Those with a smaller ring in them, which is no higher than this share of their row (typography)."""
_FILLED_LETTERS = _ROUND_LETTERS | frozenset("aces")
"""Small letters in a heavy face that are a round spot once their openings have filled up."""
_FIRST_SHARE = 0.6
"""The middle of the first letter of a line is no farther from its beginning than this share of its height."""
OFF_ROW = 0.25
"""The letter o stands no farther from the middle of its row than this share of the row's height (typography)."""


def covered(points: Points, mask: NDArray[np.uint8]) -> float:
    """Return which share of some points lies where a mask is set."""
    x = np.clip(np.rint(points[:, 0]).astype(np.int64), 0, mask.shape[1] - 1)
    y = np.clip(np.rint(points[:, 1]).astype(np.int64), 0, mask.shape[0] - 1)
    return float((mask[y, x] > 0).mean())


def lettering_mask(
    work: LineWork, lines: Sequence[TextLine], texts: Sequence[TextBlock], tables: Sequence[Points]
) -> NDArray[np.uint8]:
    """Return a mask of where text stands: the boxes as read, the glyphs, and tables as a whole."""
    mask = np.zeros(work.ink.mask.shape, dtype=np.uint8)
    for table in tables:
        cv2.fillPoly(mask, [np.rint(table).astype(np.int32).reshape(-1, 1, 2)], 1)
    for line in lines:
        ring = work.ink.from_picture(np.array(line.box))
        cv2.fillPoly(mask, [np.rint(ring).astype(np.int32).reshape(-1, 1, 2)], 1)
    read = mask.copy() if lines else None
    for block in texts:
        margin = int(0.25 * block.height)
        for x, y, wide, high in block.glyphs:
            # What the reader made nothing of may be anything, such as a circle just beside a word.
            if read is not None and not read[y : y + high, x : x + wide].mean() > 0.5:
                continue
            cv2.rectangle(
                mask,
                (int(x) - margin, int(y) - margin),
                (int(x + wide) + margin, int(y + high) + margin),
                1,
                cv2.FILLED,
            )
    return mask


def out_of_words(stroke: Stroke, lettering: NDArray[np.uint8], mm_per_px: float) -> Stroke:
    """Return what of a stroke is no lettering: nothing, or the stroke less the letters that it runs into at its ends.

    A line that goes on straight into the box of a word is a line still.
    """
    x = np.clip(np.rint(stroke.points[:, 0]).astype(np.int64), 0, lettering.shape[1] - 1)
    y = np.clip(np.rint(stroke.points[:, 1]).astype(np.int64), 0, lettering.shape[0] - 1)
    inside = lettering[y, x] > 0
    share = float(inside.mean())
    if share > IN_WORDS:
        return replace(stroke, points=stroke.points[:1])
    if share == 0.0 or stroke.closed:
        return stroke
    points = stroke.points
    free = np.flatnonzero(~inside)
    begin, end = int(free[0]), int(free[-1]) + 1
    reach = 4.0 / mm_per_px
    if begin and not _goes_straight(
        points[:begin][::-1], end_heading(points[begin:], first=True, reach_px=reach), mm_per_px
    ):
        points, end = points[begin:], end - begin
    if end < len(points) and not _goes_straight(
        points[end:], end_heading(points[:end], first=False, reach_px=reach), mm_per_px
    ):
        points = points[:end]
    return stroke if len(points) == len(stroke.points) else replace(stroke, points=points)


def _goes_straight(points: Points, heading: Points, mm_per_px: float) -> bool:
    """Return whether points go on from the first one in a direction, straying no more than a line drawn by hand."""
    aside = (points - points[0]) @ np.array([-heading[1], heading[0]])
    ahead = (points - points[0]) @ heading
    return bool(np.abs(aside).max() * mm_per_px < 0.7 and ahead[-1] > 0.9 * ahead.max() - 2.0)


def _may_be_letter(text: str, box: Points, middle: Points, letters: frozenset[str]) -> bool:
    """Return whether about where a ring or spot stands in a line of text one of some letters was read."""
    text = text.strip()
    if not text:
        return False
    along, high = box[1] - box[0], float(np.hypot(*(box[2] - box[1])))
    long = max(float(np.hypot(*along)), 1e-9)
    at = float((middle - box[0]) @ along) / long
    # What stands first or last in a line is its first or last letter, or none.
    if at < _FIRST_SHARE * high:
        return text[0] in letters
    if at > long - _FIRST_SHARE * high:
        return text[-1] in letters
    place = at / long * len(text) - 0.5
    near = [letter for k, letter in enumerate(text) if abs(k - place) <= _LETTERS_OFF + 0.1 * len(text)]
    return any(letter in letters for letter in near)


def boxes_around(
    point: Points, lettered: Sequence[tuple[TextLine, Points]]
) -> list[tuple[TextLine, Points, float, float]]:
    """Return the words whose boxes hold a point, the boxes, their rows' height and how far from its middle, pixels."""
    out = []
    for line, box in lettered:
        if cv2.pointPolygonTest(
            box.astype(np.float32).reshape(-1, 1, 2), (float(point[0]), float(point[1])), measureDist=False
        ) < 0:  # fmt: skip
            continue
        sides = np.diff(box[:3], axis=0)
        across = sides[int(np.argmin(np.hypot(*sides.T)))]
        high = float(np.hypot(*across))
        off = abs(float((point - box[:4].mean(axis=0)) @ across)) / max(high, 1e-9)
        out.append((line, box, high, off))
    return out


def is_beside_words(kind: MarkKind, middle: Points, size: float, lettered: Sequence[tuple[TextLine, Points]]) -> bool:
    """Return whether a dot, a circle or a cross in the box of a word is a mark and no letter or full stop.

    The reader takes marks that stand close to a word into its box, and makes little of them.

    Parameters
    ----------
    kind : str
    middle : ndarray, shape (2,)
    size : float
        Its larger side, pixels.
    lettered : sequence
        Words with their boxes, five corners each.
    """
    around = boxes_around(middle, lettered)
    if not around:
        return False
    for line, box, high, off in around:
        if off > OFF_ROW * high or (kind != "circle" and line.confidence < SURE):
            continue
        ringed = _ROUND_LETTERS if size > _BOWL_SHARE * high else _BOWLED_LETTERS
        if (
            (kind == "circle" and _may_be_letter(line.text, box, middle, ringed))
            or (kind == "dot" and (size < STOP_SHARE * high or _may_be_letter(line.text, box, middle, _FILLED_LETTERS)))
            or (kind == "cross" and "+" not in line.text)
        ):
            return False
    return True


def is_letter(loop: Points, texts: Sequence[TextBlock]) -> bool:
    """Return whether a ring is one of at least four glyphs that stand together, and no larger than they are."""
    (x, y), size = loop.mean(axis=0), float(np.ptp(loop, axis=0).max())
    for block in texts:
        if len(block.glyphs) < LEAST_WORD or size > block.height:
            continue
        left, top, wide, high = block.glyphs[:, :4].T
        if ((x > left) & (x < left + wide) & (y > top) & (y < top + high)).any():
            return True
    return False


def is_crossed(loop: Points, chains: Sequence[Points]) -> bool:
    """Return whether one of some chains runs through the middle of a round loop."""
    middle, size = loop.mean(axis=0), float(np.ptp(loop, axis=0).max())
    return any(float(np.hypot(*(chain - middle).T).min()) < 0.2 * size for chain in chains)
