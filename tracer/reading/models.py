"""The reader's two models: one finds lines on a page, one reads a line.

Each page and each line is worked on by one processor, and several of them side by side: with several processors on one
line more is lost in waiting for each other than is won (measured: 1.8 times the processor time).
"""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

LINE_PX = 48
"""Height of a line as the reader takes it (PP-OCR recognition models, input 3 x 48 x width)."""
_LEAST_LINE_PX = 160
"""Length to which the reader pads shorter lines; twice as much is its own habit, costs 1.6 times as much on the words
of patterns and reads them no better (measured on 110 lines)."""
LEAST_PAGE_PX = 320
"""Shorter side to which the finder enlarges smaller pages: an empty margin costs as much as words do."""

_LOADING = Lock()
"""Held while a model is set up, so that it is set up once."""


def can_read_words() -> bool:
    """Return whether the reader is installed."""
    return all(importlib.util.find_spec(name) is not None for name in ("rapidocr", "onnxruntime"))


@lru_cache(maxsize=2)
def _reader_once(_task: str) -> Any:
    from rapidocr import RapidOCR

    params = {
        "Global.log_level": "critical",
        "Det.limit_side_len": LEAST_PAGE_PX,
        "Rec.rec_img_shape": [3, LINE_PX, _LEAST_LINE_PX],
        "EngineConfig.onnxruntime.intra_op_num_threads": 1,
    }
    return RapidOCR(params=params)


def _reader(task: str) -> Any:
    """Return the reader for finding or reading lines: one of its own for each, as it keeps what it was asked to do."""
    with _LOADING:
        return _reader_once(task)


def warm() -> None:
    """Load both models: each is loaded with the first thing it is given."""
    find_lines(np.full((LEAST_PAGE_PX, LEAST_PAGE_PX, 3), 255, dtype=np.uint8))
    read_line(np.full((LINE_PX, LINE_PX, 3), 255, dtype=np.uint8))


def find_lines(page: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the corners of the lines on a page in its pixels, shape (N, 4, 2)."""
    found = _reader("find")(page, use_det=True, use_cls=False, use_rec=False)
    return np.zeros((0, 4, 2)) if found.boxes is None else np.asarray(found.boxes, dtype=np.float64)


def read_line(crop: NDArray[np.uint8]) -> tuple[str, float]:
    """Return what a level line says and how sure that is, 0..1; several threads may ask at once."""
    read = _reader("read")(crop, use_det=False, use_cls=False, use_rec=True)
    if not read.txts:
        return "", 0.0
    return str(read.txts[0]), float(read.scores[0])
