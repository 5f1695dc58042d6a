"""Lines of words read further than they were found: a letter at their end may hang together with a drawn line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from unicodedata import combining, normalize

import numpy as np
from numpy.typing import NDArray

from tracer.labels import TextLine
from tracer.reading.engine import read_line, side_by_side
from tracer.reading.places import Box, crop

REACH = 1.2
"""A line is read further by so many of its heights: a space and a figure, or a letter and a half."""
_MOST_LETTERS = 3
_LEAST_SURE = 0.85
"""A reading less sure than this is none that a drawn line was not taken for a letter in (judgement)."""
_STROKES = frozenset("lIi1|!/\\'`.,:;-_~")
"""What a drawn line that passes by is read as."""
_SIGNS = "\"'.,:;- "
"""What may stand at the end of a line that was cut off, and not in the whole one."""


def read_further(
    pixels: NDArray[np.uint8], lines: Sequence[TextLine], ends: Sequence[tuple[bool, bool]]
) -> list[TextLine]:
    """Return the lines, those read further of which more letters come, and as surely.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    lines : sequence of TextLine
        As :func:`tracer.reading.read.read_words` returns them.
    ends : sequence of tuple of bool
        For each line, whether something may go on before its beginning and behind its end.
    """
    out = list(lines)
    asked = [(k, True) for k, (before, _) in enumerate(ends) if before]
    asked += [(k, False) for k, (_, behind) in enumerate(ends) if behind]
    longer = [_longer(lines[k], at_start=at_start) for k, at_start in asked]
    read = side_by_side(lambda line: read_line(crop(pixels, _box_of(line))), longer)
    for (k, at_start), line, (reading, sure) in zip(asked, longer, read, strict=True):
        text = _with_more(out[k].text, reading, at_start=at_start)
        if text and sure >= _LEAST_SURE:
            out[k] = replace(line, text=text, confidence=min(sure, out[k].confidence))
    return out


def _longer(line: TextLine, *, at_start: bool) -> TextLine:
    box = np.array(line.box, dtype=np.float64)
    along = box[1] - box[0]
    more = along / max(float(np.hypot(*along)), 1e-9) * REACH * line.height
    if at_start:
        box[[0, 3]] -= more
    else:
        box[[1, 2]] += more
    x, y = box.mean(axis=0)
    return replace(line, box=tuple((float(u), float(v)) for u, v in box), at=(float(x), float(y)))


def _box_of(line: TextLine) -> Box:
    box = np.array(line.box, dtype=np.float64)
    along = (box[1] - box[0] + box[2] - box[3]) / 2
    u, v = box.mean(axis=0)
    return Box(
        u=float(u),
        v=float(v),
        long=float(np.hypot(*along)) / 2,
        high=line.height / 2,
        turn_rad=float(np.arctan2(along[1], along[0])),
    )


def _with_more(text: str, reading: str, *, at_start: bool) -> str:
    """Return a reading that is the text with some letters or figures more at its beginning or end; else nothing.

    These lose the accents that the tip of an arrow above them is read as.
    """
    letters = "".join((text.lstrip(_SIGNS) if at_start else text.rstrip(_SIGNS)).split())
    known = r"\s*".join(map(re.escape, letters))
    found = re.fullmatch(
        rf"(?P<more>.+?)(?P<known>{known})" if at_start else rf"(?P<known>{known})(?P<more>.+)", reading
    )
    if not letters or found is None:
        return ""
    more = "".join(found["more"].split())
    told = any(c.isalnum() and c not in _STROKES for c in more)
    if not told or len(more) > _MOST_LETTERS or more[0 if at_start else -1] in _STROKES:
        return ""
    plain = "".join(c for c in normalize("NFD", found["more"]) if not combining(c))
    return plain + found["known"] if at_start else found["known"] + plain
