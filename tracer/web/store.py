"""The job as the pages see it: changed by one at a time, on disk before anybody is told, and then told to all."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from tracer.correct import Change, record, redo, undo
from tracer.errors import JobError
from tracer.job import CUT_FILE, LAY_FILE
from tracer.pattern import PATTERN_FILE, Pattern
from tracer.refresh import save_changed
from tracer.web.loaded import loaded

_WATCHED = (
    PATTERN_FILE, CUT_FILE, LAY_FILE, "cut-list.toml", "lay-asked.json", "cloth.json", "traced.json", "inbox-pages",
    "files/checks.json",
)  # fmt: skip

_T = TypeVar("_T")


class JobStore:
    """Reads and changes one job folder.

    ``revision`` grows with every change, whoever made it: another page, or a command in a terminal. ``after_change``
    is called with the job folder once a changed pattern is on disk, to bring up to date what hangs on it.
    """

    def __init__(self, job: Path, *, after_change: Callable[[Path], None] = lambda _job: None) -> None:
        self.job = job
        self.revision = 1
        self._after_change = after_change
        self._lock = asyncio.Lock()
        self._news = asyncio.Condition()
        self._seen = self._stamps()
        self._closing = False

    def close(self) -> None:
        """Let every page that waits for news go: the server stops."""
        self._closing = True

    def _stamps(self) -> tuple[tuple[int, int], ...]:
        stamps = []
        for name in _WATCHED:
            try:
                status = (self.job / name).stat()
                stamps.append((status.st_mtime_ns, status.st_size))
            except OSError:
                stamps.append((0, 0))
        return tuple(stamps)

    def pattern(self) -> Pattern | None:
        """Return the pattern on disk, None when nothing was traced yet; raises :class:`JobError` when it is damaged."""
        return loaded(self.job) if (self.job / PATTERN_FILE).exists() else None

    async def look(self) -> int:
        """Return the revision, after a look at the folder."""
        stamps = self._stamps()
        if stamps != self._seen:
            self._seen = stamps
            await self.tell()
        return self.revision

    async def tell(self) -> None:
        """Let every page know that something is new."""
        self._seen = self._stamps()
        self.revision += 1
        async with self._news:
            self._news.notify_all()

    async def wait(self, since: int, seconds: float) -> int:
        """Return the revision as soon as it is another than ``since``, or after so many seconds.

        Another, not a greater one: a page that outlived a restart of the server knows a revision of the one before.
        """
        for _ in range(max(1, int(seconds / 0.5))):
            if self._closing or await self.look() != since:
                break
            try:
                async with asyncio.timeout(0.5), self._news:
                    await self._news.wait_for(lambda: self.revision != since)
            except TimeoutError:
                continue
        return self.revision

    async def change(self, change: Change) -> Pattern:
        """Record one change; a second page's change comes after it, on what it left."""
        return await self._changed(lambda pattern: record(pattern, change))

    async def undo(self) -> Pattern:
        """Undo the last change."""
        return await self._changed(undo)

    async def redo(self) -> Pattern:
        """Do the last undone change again."""
        return await self._changed(redo)

    async def do(self, action: Callable[[], _T], *, told: bool = True) -> _T:
        """Do something to the job while nobody else does, and tell it."""
        async with self._lock:
            try:
                return await asyncio.to_thread(action)
            finally:
                if told:
                    await self.tell()

    async def _changed(self, action: Callable[[Pattern], Pattern]) -> Pattern:
        def work() -> Pattern:
            pattern = self.pattern()
            if pattern is None:
                raise JobError("nothing was traced yet; bring in a picture first")
            changed = action(pattern)
            save_changed(changed, self.job)
            self._after_change(self.job)
            return changed

        return await self.do(work)
