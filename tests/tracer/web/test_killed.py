"""The server killed at any moment: at most the change in flight is lost, and the job opens again.

SIGKILL cannot be caught (POSIX.1-2017, signal.h), so nothing is tidied up when it comes.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import httpx

from tests.tracer.test_pattern import a_pattern
from tests.tracer.web.server import TOKEN
from tracer.pattern import load, save

KILLS = 50
LONGEST_S = 0.15
"""A few edits long, so that kills fall on every part of one."""


def test_fifty_kills_during_edits_lose_at_most_the_change_in_flight(tmp_path: Path) -> None:
    save(a_pattern(), tmp_path)
    chance = random.Random(8)
    root = Path(__file__).parents[3]
    answered: list[int] = []
    sent: list[int] = []
    killed_in_flight = 0
    with subprocess.Popen(
        [sys.executable, "-m", "tests.tracer.web.nursery"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=root,
    ) as nursery:  # fmt: skip
        assert nursery.stdin is not None
        assert nursery.stdout is not None
        for _ in range(KILLS):
            nursery.stdin.write(f"{tmp_path}\n")
            nursery.stdin.flush()
            pid, port = (int(v) for v in nursery.stdout.readline().split())
            origin = f"http://127.0.0.1:{port}"
            with httpx.Client(base_url=origin, headers={"origin": origin}, timeout=20) as client:
                client.get("/", params={"token": TOKEN}, follow_redirects=True).raise_for_status()
                # The job opens again, with all that was answered and at most one change more.
                kept = [c["count"] for c in _changes(tmp_path)]
                assert kept[: len(answered)] == answered
                assert kept in (answered, [*answered, *sent[len(answered) :]])
                answered = list(kept)
                sent = list(kept)
                killer = threading.Timer(chance.uniform(0.0, LONGEST_S), os.kill, (pid, signal.SIGKILL))
                killer.start()
                try:
                    while True:
                        number = len(sent) + 1
                        sent.append(number)
                        client.post(
                            "/api/change", json={"do": "cut", "piece": "p1", "count": number}
                        ).raise_for_status()
                        answered.append(number)
                except httpx.TransportError:
                    killed_in_flight += 1
                killer.join()
            _wait_gone(pid)
        nursery.stdin.close()
    assert killed_in_flight == KILLS
    kept = [c["count"] for c in _changes(tmp_path)]
    assert kept in (answered, sent)
    assert len(answered) >= KILLS / 5


def _changes(job: Path) -> list[dict[str, int]]:
    history = load(job).history
    return [] if history is None else list(history.changes[: history.done])


def _wait_gone(pid: int) -> None:
    for _ in range(500):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return
        time.sleep(0.01)
    raise AssertionError(f"process {pid} is still there")
