"""Work shared out between two processes comes out as if one had done it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
import pytest

from calibration.hands import begun, share_out

split = pytest.mark.skipif(
    sys.platform != "linux" or (os.cpu_count() or 1) < 2, reason="a second process is split off on Linux only"
)
pytestmark = pytest.mark.usefixtures("every_processor")


def _slow_square(number: int) -> tuple[int, int]:
    time.sleep(0.02)
    return number * number, os.getpid()


def test_results_come_in_the_order_of_the_items() -> None:
    assert [r[0] for r in share_out(_slow_square, range(30))] == [n * n for n in range(30)]


@split
def test_two_processes_take_part_and_the_second_is_gone_afterwards() -> None:
    workers = {r[1] for r in share_out(_slow_square, range(30))}
    assert len(workers) == 2
    (second,) = workers - {os.getpid()}
    with pytest.raises(ProcessLookupError):
        os.kill(second, 0)


def test_large_results_are_handed_over_whole() -> None:
    pictures = [np.full((1000, 1000), n, np.uint8) for n in range(8)]
    doubled = share_out(lambda p: p * 2, pictures)
    assert all(np.array_equal(d, 2 * p) for d, p in zip(doubled, pictures, strict=True))


def test_an_error_comes_up_at_its_place() -> None:
    def work(number: int) -> int:
        time.sleep(0.01)
        if number == 7:
            raise ValueError("seven")
        return number

    results = share_out(work, range(12))
    assert [next(results) for _ in range(7)] == list(range(7))
    with pytest.raises(ValueError, match="seven"):
        next(results)


def test_what_cannot_be_handed_over_is_done_here() -> None:
    makers = list(share_out(lambda n: lambda: n, range(6)))
    assert [m() for m in makers] == list(range(6))


def _unless_second(first: int, act: Callable[[], object]) -> Callable[[int], int]:
    def work(number: int) -> int:
        time.sleep(0.01)
        if os.getpid() != first and number > 3:
            act()
        return number

    return work


@split
def test_nothing_is_lost_when_the_second_process_dies() -> None:
    work = _unless_second(os.getpid(), lambda: os.kill(os.getpid(), signal.SIGKILL))
    assert list(share_out(work, range(20))) == list(range(20))


@split
def test_nothing_is_lost_when_the_second_process_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("calibration.hands._SILENT_S", 0.3)
    work = _unless_second(os.getpid(), lambda: time.sleep(3600))
    assert list(share_out(work, range(20))) == list(range(20))


@split
def test_work_within_work_is_not_split_again() -> None:
    def inner(number: int) -> int:
        time.sleep(0.01)
        return os.getpid() + 0 * number

    def outer(number: int) -> int:
        time.sleep(0.02 * number)
        return len(set(share_out(inner, range(6))))

    assert list(share_out(outer, range(4))) == [1] * 4


@split
def test_stopping_early_ends_the_second_process() -> None:
    results = share_out(_slow_square, range(200))
    seen = {next(results)[1] for _ in range(10)} - {os.getpid()}
    results.close()
    for second in seen:
        with pytest.raises(ProcessLookupError):
            os.kill(second, 0)
    assert seen


@split
def test_the_longest_are_begun_first_and_come_in_the_order_of_the_items() -> None:
    begun_at = list(share_out(lambda n: (n, time.perf_counter(), time.sleep(0.02 * n)), range(1, 9), float))
    assert [b[0] for b in begun_at] == list(range(1, 9))
    order = [n for n, _, _ in sorted(begun_at, key=lambda b: b[1])]
    assert set(order[:2]) == {7, 8}
    assert set(order[-2:]) == {1, 2}


@split
def test_the_second_process_begins_while_the_first_does_something_else() -> None:
    with begun(_slow_square, range(4)) as results:
        time.sleep(0.3)
        done = list(results)
    assert [r[0] for r in done] == [0, 1, 4, 9]
    assert {r[1] for r in done} & {os.getpid()} == set()


@split
def test_work_that_nobody_asks_for_ends_with_the_first() -> None:
    reader, writer = os.pipe()

    def told(number: int) -> int:
        os.write(writer, b"%d " % os.getpid())
        time.sleep(0.3)
        return number

    with begun(told, range(100)):
        second = int(os.read(reader, 20).split()[0])
    os.close(reader)
    os.close(writer)
    assert second != os.getpid()
    with pytest.raises(ProcessLookupError):
        os.kill(second, 0)


_KILLED = """
import os, sys, time
from calibration.hands import share_out

def work(number):
    if os.getpid() != first:
        os.write(1, b"second\\n")
    time.sleep(0.3)
    return bytes(10_000_000)

first = os.getpid()
list(share_out(work, range(1000)))
"""


@split
def test_the_second_process_ends_when_the_first_is_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", _KILLED], stdout=subprocess.PIPE) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == b"second\n"
        first.kill()
        # Their output ends only when both are gone.
        first.communicate(timeout=10)
