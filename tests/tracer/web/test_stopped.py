"""A server that is told to stop while it works: it stops soon, and leaves no trace of an error in the terminal."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import httpx
import pytest

from tests.tracer.test_pattern import a_pattern
from tracer.pattern import save

SOON_S = 10.0
"""The work that is under way would take a minute."""


@pytest.mark.usefixtures("every_processor")
def test_a_server_told_to_stop_while_it_works_stops_soon_and_quietly(tmp_path: Path) -> None:
    save(a_pattern(), tmp_path)
    command = [sys.executable, "-c", "from tracer.cli import main; main()", "open", str(tmp_path), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert server.stderr is not None
        found = re.search(r"http\S+", server.stdout.readline())
        assert found is not None
        origin = found.group().split("/?")[0]
        answers: list[int] = []
        with httpx.Client(base_url=origin, headers={"origin": origin}, timeout=60) as client:
            client.get(found.group(), follow_redirects=True).raise_for_status()
            client.post("/api/change", json={"do": "cut", "piece": "p1", "count": 30}).raise_for_status()
            asked = {"on": "fabric", "size": "450mm", "turn": "free", "seconds": "60"}
            waiting = threading.Thread(
                target=lambda: answers.append(client.post("/api/lay", json={"asked": asked}).status_code)
            )
            waiting.start()
            # Told to stop before there is any lay it has none to keep, and says so.
            while "so far" not in client.get("/api/work").json()["words"]:
                time.sleep(0.05)
            assert client.get("/api/work").json()["state"] == "working"
            start = time.monotonic()
            server.send_signal(signal.SIGINT)
            waiting.join()
            server.wait(timeout=60)
        assert time.monotonic() - start < SOON_S
        assert server.stderr.read() == ""
    assert answers == [200]
