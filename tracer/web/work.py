"""Work in progress as the page sees it: one task at a time, with its progress, cancellable."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

State = Literal["idle", "working", "done", "refused", "cancelled"]

MEMORY_BYTES = 6_000_000_000
SECONDS = 600
_LONGEST_LINE_BYTES = 64 * 1024 * 1024
"""An answer is one line; an outline in it may be longer than the 64 KiB that a stream takes by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What is being done, or was done last; ``number`` counts the tasks, so that a page misses the end of none."""

    number: int = 0
    task: str = ""
    state: State = "idle"
    words: str = ""
    share: float = 0.0
    result: dict[str, Any] | None = None
    sheet: dict[str, Any] | None = None
    """The sheet that is worked on: its picture and its size in mm."""
    seen: tuple[str, ...] = ()
    """Rough outlines of what is seen on that sheet."""
    pieces: tuple[dict[str, str], ...] = ()
    """Name, sheet and outline of every piece traced so far, to be seen while the rest is worked on."""


class Workbench:
    """Runs one worker process at a time; asked for a second task, it refuses."""

    def __init__(
        self,
        *,
        memory_bytes: int = MEMORY_BYTES,
        seconds: int = SECONDS,
        news: Callable[[], None] = lambda: None,
        warm: str = "",
    ) -> None:
        self._news = news
        self.now = Work()
        self._limits = {"memory_bytes": memory_bytes, "seconds": seconds}
        self._warm = warm
        self._getting_ready = False
        self._process: asyncio.subprocess.Process | None = None
        self._spare: asyncio.subprocess.Process | None = None

    @property
    def busy(self) -> bool:
        """Whether a task is running."""
        return self.now.state == "working"

    async def _started(self) -> asyncio.subprocess.Process:
        return await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "tracer.web.worker",
            *([self._warm] if self._warm else []),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            limit=_LONGEST_LINE_BYTES,
        )

    async def get_ready(self) -> None:
        """Have a process that has its libraries loaded, so that the next task need not wait for them."""
        if self._warm and self._spare is None and not self.busy and not self._getting_ready:
            self._getting_ready = True
            try:
                self._spare = await self._started()
            finally:
                self._getting_ready = False

    def stop(self) -> None:
        """End the running task at once, whatever it is: the server stops, and whoever waits for it is answered."""
        if self._process is not None and self._process.returncode is None:
            self.now = replace(self.now, state="cancelled", words="stopped")
            self._process.kill()

    async def close(self) -> None:
        """End whatever runs or waits."""
        for process in (self._process, self._spare):
            if process is not None and process.returncode is None:
                process.kill()
                await process.wait()

    async def run(self, request: dict[str, Any]) -> Work:
        """Do a task to its end and return how it ended."""
        self.now = Work(number=self.now.number + 1, task=request["task"], state="working", words="starting")
        self._news()
        process, self._spare = self._spare, None
        if process is None or process.returncode is not None:
            process = await self._started()
        self._process = process
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write((json.dumps(request | self._limits) + "\n").encode())
        # It stays open: the process ends when it closes, and so ends with this one, however that may end.
        ended: Work | None = None
        async for line in process.stdout:
            ended = self._hear(json.loads(line)) or ended
        process.stdin.close()
        await process.wait()
        self._process = None
        # Told only now that the process is gone: whoever hears of it may ask for the next task at once.
        if self.now.state == "working":
            words = "this file could not be read within the limits of memory and time; scan at a lower density"
            self.now = ended or replace(self.now, state="refused", words=words)
        self._news()
        return self.now

    def _hear(self, line: dict[str, Any]) -> Work | None:
        """Take in what the process says; returns how the task ends when this says so."""
        if self.now.state != "working":
            return None
        if line["kind"] == "progress":
            self.now = replace(self.now, words=line["words"], share=float(line["share"]))
        elif line["kind"] == "piece":
            known = {k: line[k] for k in ("name", "sheet", "outline")}
            self.now = replace(self.now, pieces=(*self.now.pieces, known))
        elif line["kind"] == "sheet":
            known = {k: line[k] for k in ("id", "picture", "size_mm")}
            self.now = replace(self.now, sheet=known, seen=())
        elif line["kind"] == "seen":
            self.now = replace(self.now, seen=tuple(line["outlines"]))
        elif line["kind"] == "done":
            return replace(self.now, state="done", words="done", share=1.0, result=line["result"])
        else:
            return replace(self.now, state="refused", words=line["message"])
        return None

    def cancel(self) -> bool:
        """End the running task; what it had not finished is not there. A lay keeps the best found so far."""
        if self._process is None or self._process.returncode is not None:
            return False
        if self.now.task == "lay":
            self.now = replace(self.now, words="stopping, the best so far is kept")
            self._process.send_signal(signal.SIGINT)
            return True
        self.now = replace(self.now, state="cancelled", words="stopped")
        self._process.kill()
        return True
