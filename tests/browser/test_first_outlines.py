"""From the drop of a 12-megapixel photo of twelve pieces to their first outlines on the page, and stopping there.

Ten seconds are the aim. What is counted is computing (user and system) of the server and everything it starts. The same
work takes 9.0 to 13.7 seconds of it on one machine within half an hour, as what shares its memory and clock comes and
goes; so the limit is a ratio to small fixed work that is timed again and again meanwhile. Larger work that was timed
before and after told little: five runs in a row were 18 to 34 of that, and 42 to 50 tens of these.
"""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from fixtures import render, scenarios
from tests.browser.conftest import go, key, note, opened, page_of, shot, violations
from tests.browser.test_journey import drop, said
from tracer.path import Path as Outline
from tracer.path import subpaths_from_svg

MOST_YARDSTICKS = 560
"""See :func:`yardsticks`: ten seconds where the machine was quickest (9.0 s were 437 of them, 10.0 s 480, 11.2 s 494),
and a sixth for scatter."""
PIECES = 12
EVERY_S = 0.25
"""How often the machine is measured: it takes a tenth of one of its two processors."""
WORKING_S, STANDING_S = 0.1, 0.5
"""The page asks every 0.3 s how far the work is."""
ROUGH_SHARE = 0.015
"""Of the sheet's longer side: how near the box of a rough outline is to that of the drawn piece."""


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("photo") / "mat.jpg"
    scene = scenarios.build("mat", seed=3, pieces=PIECES, size=1.7)
    render.photo(scene, seed=3, tilt_deg=12).save(target)
    return target


def small_work_s() -> float:
    """Return the seconds of computing that a small fixed piece of work takes here and now, in one thread."""
    rng = np.random.default_rng(0)
    picture = rng.random((400, 1250), dtype=np.float32)
    start = time.thread_time()
    for _ in range(3):
        cv2.sepFilter2D(picture, -1, np.ones(25) / 25, np.ones(25) / 25)
        np.sort(picture, axis=0)
        np.linalg.solve(np.eye(8) + picture[:16, :40].reshape(10, 8, 8), np.ones((10, 8, 1)))
    return time.thread_time() - start


@contextmanager
def yardsticks() -> Iterator[list[float]]:
    """Time small work again and again while other work goes on: so fast is the machine for that just then."""
    over, times = threading.Event(), [small_work_s()]

    def measure() -> None:
        while not over.wait(EVERY_S):
            times.append(small_work_s())

    threads, thread = cv2.getNumThreads(), threading.Thread(target=measure)
    cv2.setNumThreads(1)
    thread.start()
    try:
        yield times
    finally:
        over.set()
        thread.join()
        cv2.setNumThreads(threads)


def computing_s(root: int) -> float:
    """Seconds of computing of a process, of all that it started and of all that they have waited for."""
    return sum(family_of(root).values())


def family_of(root: int) -> dict[int, float]:
    """Return the seconds of computing of a process and of each that it started, and they, by number."""
    numbers: dict[int, tuple[int, float]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        # proc(5): 4 parent, 14 to 17 user and system time of the process and of its waited-for children, in ticks.
        numbers[int(stat.parent.name)] = int(fields[1]), sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")
    family, next_ones = {}, {root}
    while next_ones:
        family |= {p: numbers[p][1] for p in next_ones if p in numbers}
        next_ones = {p for p, (parent, _) in numbers.items() if parent in next_ones}
    return family


@contextmanager
def slow_motion(server: int) -> Iterator[None]:
    """Let all that a server has started work in short turns only, so that what the page shows in between is seen."""
    over = threading.Event()

    def tell(what: signal.Signals) -> None:
        for process in family_of(server).keys() - {server}:
            with suppress(ProcessLookupError):
                os.kill(process, what)

    def turns() -> None:
        while not over.is_set():
            tell(signal.SIGSTOP)
            over.wait(STANDING_S)
            tell(signal.SIGCONT)
            time.sleep(WORKING_S)

    thread = threading.Thread(target=turns)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def server_of(job: Path) -> int:
    """Return the process that serves a job."""
    for command in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = command.read_bytes().split(b"\0")
        except OSError:
            continue
        if b"open" in words and str(job).encode() in words:
            return int(command.parent.name)
    raise AssertionError("no server runs")


def boxes(drawings: list[str]) -> np.ndarray[Any, np.dtype[np.float64]]:
    out = []
    for d in drawings:
        (path,) = (p if isinstance(p, Outline) else p.closed() for p in subpaths_from_svg(d))
        out.append([path.bounds.width, path.bounds.height])
    return np.array(out)


def test_the_first_outlines_are_seen_within_ten_seconds_and_the_work_can_be_stopped(
    browser: Any, photo: Path, axe: Path, tmp_path: Path
) -> None:
    job = tmp_path / "mat"
    with opened(job) as address, page_of(browser, address, bypass_csp=True) as page:
        server = server_of(job)
        # The page keeps a process with its libraries loaded; a person needs longer than that to find a photo.
        page.wait_for_timeout(4000)
        computed, start = computing_s(server), time.monotonic()
        with yardsticks() as times:
            drop(page, photo)
            page.wait_for_selector(".paper input:checked")
            page.click(key("trace them"))
            page.wait_for_selector(".coming .rough", timeout=120_000)
        needed, waited = computing_s(server) - computed, time.monotonic() - start
        yardstick = float(np.mean(times))
        note(
            tmp_path,
            f"first outlines: {needed:.1f} s of computing, {waited:.1f} s on the clock, {needed / yardstick:.1f} "
            f"yardsticks of {1000 * yardstick:.1f} ms",
        )
        with slow_motion(server):
            shot(page, "first-outlines", tmp_path)
            seen = page.eval_on_selector_all(".coming .rough", "all => all.map(p => p.getAttribute('d'))")
            assert needed < MOST_YARDSTICKS * yardstick
            page.add_script_tag(path=str(axe))
            assert not violations(page)
            # The traced outlines take the places of the rough ones, one after another.
            page.wait_for_selector(".coming .outline", timeout=120_000)
            shot(page, "traced-so-far", tmp_path)
            assert "Traced so far" in page.inner_text(".coming figcaption")
            page.click(key("stop work"))
            said(page, "stopped")
        page.wait_for_selector(".coming", state="hidden")
        go(page, "trace")
        assert "Nothing is traced yet" in page.inner_text("#at-trace")
    # What is seen are the pieces: each has an outline of its size, read from the true drawing.
    truth = json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))
    drawn = boxes([p["outline"] for p in truth["pieces"]])
    assert len(drawn) == PIECES
    found = boxes(seen)
    longest = max(truth["size_mm"])
    for size in drawn:
        assert min(np.abs(found - size).max(axis=1).min(), np.abs(found - size[::-1]).max(axis=1).min()) < (
            ROUGH_SHARE * longest
        )
