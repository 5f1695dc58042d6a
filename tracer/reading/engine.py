"""The reader itself: one that finds lines on a page, one that reads a line.

Each page and each line is worked on by one processor, and several of them side by side: with several processors on one
line more is lost in waiting for each other than is won (measured: 1.8 times the processor time).
"""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import lru_cache
from threading import Lock, Thread
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")
R = TypeVar("R")

_LEAST_LINE_PX = 160
"""Length to which the reader pads shorter lines; twice as much is its own habit, costs 1.6 times as much on the words
of patterns and reads them no better (measured on 110 lines)."""
LEAST_PAGE_PX = 320
"""Shorter side to which the finder enlarges smaller pages: an empty margin costs as much as words do."""

LINE_PX = 48
"""Height of a line as the reader takes it (PP-OCR recognition models, input 3 x 48 x width)."""

_LOADING = Lock()
"""Held while the reader is set up, so that it is set up once."""


def can_read_words() -> bool:
    """Return whether the reader is installed."""
    return all(importlib.util.find_spec(name) is not None for name in ("rapidocr", "onnxruntime"))


@contextmanager
def getting_ready(*, wanted: bool) -> Iterator[None]:
    """Load the reader in the background while the scale is looked for: its models take over a second.

    It is waited for at the end: a process must not end while compiled code is being set up in another thread.
    """
    loading = Thread(target=_warm, daemon=True) if wanted and can_read_words() else None
    if loading is not None:
        loading.start()
    try:
        yield
    finally:
        if loading is not None:
            loading.join()


def _warm() -> None:
    # The models themselves are loaded with the first page and the first line.
    find_lines(np.full((LEAST_PAGE_PX, LEAST_PAGE_PX, 3), 255, dtype=np.uint8))
    read_line(np.full((LINE_PX, LINE_PX, 3), 255, dtype=np.uint8))


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


def processors() -> int:
    """Return how many pieces of work can go on at once."""
    return os.cpu_count() or 1


def side_by_side(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Do something for each item on all processors; the results in the items' order."""
    with ThreadPoolExecutor(max_workers=processors()) as pool:
        return list(pool.map(work, items))
