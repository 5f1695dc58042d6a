"""Who reads: the process that was got ready for it, or this one where there is none."""

from __future__ import annotations

import atexit
import itertools
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Lock, Thread
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from tracer.reading import models
from tracer.reading.service import FIND, HEADER, READ

T = TypeVar("T")
R = TypeVar("R")

_CLOSING_S = 5.0


class _GoneError(Exception):
    """The process has ended, or could not answer."""


class _Process:
    """The reader in a process of its own; see :mod:`tracer.reading.service`."""

    def __init__(self) -> None:
        package = str(Path(__file__).parents[2])
        paths = [package, *filter(None, [os.environ.get("PYTHONPATH")])]
        # In a session of its own it gets no Ctrl-C. It ends when its input does, also when this process is killed.
        self._child = subprocess.Popen(
            [sys.executable, "-P", "-m", "tracer.reading.service"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(paths)},
        )
        self._numbers = itertools.count()
        self._asked: dict[int, Future[dict[str, Any]]] = {}
        self._writing, self._gone = Lock(), False
        self._listener = Thread(target=self._listen, daemon=True)
        self._listener.start()

    def ask(self, task: int, picture: NDArray[np.uint8]) -> dict[str, Any]:
        """Return the answer; several threads may ask at once."""
        assert self._child.stdin is not None
        answer: Future[dict[str, Any]] = Future()
        try:
            with self._writing:
                if self._gone:
                    raise _GoneError
                number = next(self._numbers)
                self._asked[number] = answer
                self._child.stdin.write(HEADER.pack(number, task, *picture.shape[:2]))
                self._child.stdin.write(np.ascontiguousarray(picture).tobytes())
                self._child.stdin.flush()
        except OSError:
            raise _GoneError from None
        said = answer.result()
        if "failed" in said:
            raise _GoneError(said["failed"])
        return said

    def close(self) -> None:
        """End the process."""
        self._child.terminate()
        try:
            self._child.wait(_CLOSING_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
        self._listener.join(_CLOSING_S)
        for pipe in (self._child.stdin, self._child.stdout):
            try:
                if pipe is not None:
                    pipe.close()
            except OSError:
                pass  # what was still to be written has nobody left to read it

    def _listen(self) -> None:
        assert self._child.stdout is not None
        for line in self._child.stdout:
            said = json.loads(line)
            self._asked.pop(int(said["number"])).set_result(said)
        with self._writing:
            self._gone = True
            for answer in self._asked.values():
                answer.set_exception(_GoneError())


class _Reader:
    """The process that reads, begun when it is asked for or at the first question."""

    def __init__(self, process: _Process | None) -> None:
        self._process, self._failed, self._beginning = process, False, Lock()

    def begin(self) -> _Process | None:
        """Begin the process unless it is there; None where none can be begun."""
        with self._beginning:
            if self._process is None and not self._failed:
                try:
                    self._process = _Process()
                except OSError:
                    self._failed = True
            return self._process

    def ask(self, task: int, picture: NDArray[np.uint8]) -> dict[str, Any]:
        """Return the answer; several threads may ask at once."""
        process = self.begin()
        if process is None:
            raise _GoneError
        return process.ask(task, picture)

    def close(self) -> None:
        """End the process if there is one."""
        if self._process is not None:
            self._process.close()


_ready: list[_Reader] = []
"""The processes that read; the last one got ready is asked."""
_early: list[_Process] = []
"""Processes that were begun before anybody had asked for words."""


def begin_early() -> None:
    """Begin the process that reads while everything else is still being loaded; :func:`getting_ready` takes it over."""
    if models.can_read_words():
        with suppress(OSError):
            _early.append(_Process())


@atexit.register
def _end_early() -> None:
    while _early:
        _early.pop().close()


@contextmanager
def getting_ready(*, wanted: bool) -> Iterator[None]:
    """Have words read by a process of its own within, begun by :func:`begin_reading` or by the first question."""
    if not wanted or not models.can_read_words():
        yield
        return
    reader = _Reader(_early.pop() if _early else None)
    _ready.append(reader)
    try:
        yield
    finally:
        _ready.remove(reader)
        reader.close()


def begin_reading() -> None:
    """Begin the process that reads, which takes over a second: its words are wanted before long."""
    if _ready:
        _ready[-1].begin()


def find_lines(page: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the corners of the lines on a page in its pixels, shape (N, 4, 2)."""
    if _ready:
        try:
            return np.asarray(_ready[-1].ask(FIND, page)["boxes"], dtype=np.float64).reshape(-1, 4, 2)
        except _GoneError:
            pass
    return models.find_lines(page)


def read_line(crop: NDArray[np.uint8]) -> tuple[str, float]:
    """Return what a level line says and how sure that is, 0..1; several threads may ask at once."""
    if _ready:
        try:
            said = _ready[-1].ask(READ, crop)
            return str(said["text"]), float(said["score"])
        except _GoneError:
            pass
    return models.read_line(crop)


def processors() -> int:
    """Return how many pieces of work can go on at once."""
    return os.cpu_count() or 1


def side_by_side(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Do something for each item on all processors; the results in the items' order."""
    with ThreadPoolExecutor(max_workers=processors()) as pool:
        return list(pool.map(work, items))
