"""Independent pieces of work done by two processes at once.

Most of the work here is many small steps of NumPy and SciPy, and threads of Python take those in turn: the outlines of
one photo took 1.5 s in one thread and 1.9 s in two (measured). So a second process is split off the first, which costs
some milliseconds: it has all that was read and found so far, takes half of the work and hands back what came of it.

Limits: only where a process can be split off safely, which is Linux; elsewhere everything is done by the one process,
with the same results. Threads do not live on in the second process, so OpenCV does without its own there.
"""

from __future__ import annotations

import ctypes
import os
import pickle
import signal
import struct
import sys
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection, Pipe
from typing import Any, NoReturn, TypeVar

import cv2

T = TypeVar("T")
R = TypeVar("R")

_NUMBER = struct.Struct("<I")
_MOST_ITEMS = 4096
"""What the system keeps for certain of what nobody has read yet: 4 bytes an item, 16 KiB."""
_SILENT_S = 60.0
"""A second process that says nothing for so long after the first is done is given up (judgement)."""

_PR_SET_PDEATHSIG = 1
"""prctl(2): a signal to get when the thread that split this process off ends."""

_splitting = threading.Lock()


def share_out(work: Callable[[T], R], items: Sequence[T], cost: Callable[[T], float] | None = None) -> Iterator[R]:
    """Yield ``work(item)`` for every item, in the items' order, each as soon as it and those before it are done.

    Where ``cost`` says how long items take, in any unit, the longest are begun first, so that both end at about the
    same time. Whatever the second process cannot do, or does not answer for, the first does itself: an error in
    ``work`` comes up here as it would without sharing. ``work`` must depend on nothing that another piece of work
    changes, and its results must be such as can be pickled.
    """
    with begun(work, items, cost) as results:
        yield from results


@contextmanager
def begun(
    work: Callable[[T], R], items: Sequence[T], cost: Callable[[T], float] | None = None
) -> Iterator[Iterator[R]]:
    """Have the second process begin on some work at once; the first joins in when it asks for the results.

    Meanwhile the first may do something else. Otherwise as :func:`share_out`.
    """
    items = list(items)
    order = range(len(items)) if cost is None else sorted(range(len(items)), key=lambda i: -cost(items[i]))
    if not 2 <= len(items) <= _MOST_ITEMS or not _can_split() or not _splitting.acquire(blocking=False):
        yield map(work, items)
        return
    try:
        second = _Second(work, items, order)
    except OSError:
        _splitting.release()
        yield map(work, items)
        return
    try:
        yield _in_order(second, work, items)
    finally:
        second.end()
        _splitting.release()


def _in_order(second: _Second, work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
    own: dict[int, R] = {}
    failed: dict[int, Exception] = {}
    shown = 0
    for index in second.turns():
        try:
            own[index] = work(items[index])
        except Exception as error:  # noqa: BLE001 - comes up when it is this item's turn
            failed[index] = error
        while shown in own or second.has(shown):
            yield own.pop(shown) if shown in own else second.take(shown)
            shown += 1
        if shown in failed:
            raise failed[shown]
    for index in range(shown, len(items)):
        if index in failed:
            raise failed[index]
        if index in own:
            yield own.pop(index)
        elif second.wait(index):
            yield second.take(index)
        else:
            yield work(items[index])


def _can_split() -> bool:
    return sys.platform == "linux" and len(os.sched_getaffinity(0)) > 1


class _Second:
    """The second process; both take the number of the next item from the same pipe."""

    def __init__(self, work: Callable[[T], R], items: Sequence[T], order: Iterable[int]) -> None:
        self._turns, turns_in = os.pipe()
        os.write(turns_in, b"".join(_NUMBER.pack(i) for i in order))
        os.close(turns_in)
        answers, results = Pipe(duplex=False)
        try:
            with warnings.catch_warnings():
                # That threads do not live on in it is what this module is about.
                warnings.simplefilter("ignore", DeprecationWarning)
                self._process = os.fork()
        except OSError:
            os.close(self._turns)
            answers.close()
            results.close()
            raise
        if not self._process:
            answers.close()
            _work_off(self._turns, results, work, items)
        results.close()
        self._answers = answers
        self._done: dict[int, Any] = {}
        self._news, self._ended = threading.Condition(), False
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def turns(self) -> Iterator[int]:
        """Yield the numbers of the items that fall to this process."""
        return _turns(self._turns)

    def has(self, index: int) -> bool:
        return index in self._done

    def take(self, index: int) -> Any:
        return self._done.pop(index)

    def wait(self, index: int) -> bool:
        """Wait for an item; False when it will not come."""
        with self._news:
            count = -1
            while index not in self._done and not self._ended and count != len(self._done):
                count = len(self._done)
                self._news.wait(_SILENT_S)
        return index in self._done

    def end(self) -> None:
        os.close(self._turns)
        with suppress(ProcessLookupError):
            os.kill(self._process, signal.SIGKILL)
        os.waitpid(self._process, 0)
        self._listener.join()
        self._answers.close()

    def _listen(self) -> None:
        with suppress(EOFError, OSError, pickle.UnpicklingError):
            while True:
                index, result = pickle.loads(self._answers.recv_bytes())
                with self._news:
                    self._done[index] = result
                    self._news.notify()
        with self._news:
            self._ended = True
            self._news.notify()


def _turns(pipe: int) -> Iterator[int]:
    while number := os.read(pipe, _NUMBER.size):
        yield _NUMBER.unpack(number)[0]


def _work_off(pipe: int, results: Connection, work: Callable[[T], R], items: Sequence[T]) -> NoReturn:
    """Do what falls to the second process, and end it without anything that is the first one's to do."""
    try:
        # It ends with the first process however that ends: whoever waits for that one's output would wait for this one.
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        # Ctrl-C is for the first process, which then ends this one.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        cv2.setNumThreads(0)
        for index in _turns(pipe):
            try:
                answer = pickle.dumps((index, work(items[index])))
            except Exception:  # noqa: BLE001 - not answered for: the first process meets the same failure itself
                continue
            results.send_bytes(answer)
    finally:
        os._exit(0)
