"""One task after the other on the workbench, each in a process of its own."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tests.tracer.test_pattern import a_pattern
from tracer.pattern import save
from tracer.web.work import Work, Workbench


def _ended(work: Callable[[], Coroutine[Any, Any, Any]]) -> Any:
    """Run to its end in a thread of its own: another test's event loop may still be running in this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(lambda: asyncio.run(work())).result()


def test_a_task_asked_for_as_soon_as_the_one_before_is_told_done_is_done_too(tmp_path: Path) -> None:
    save(a_pattern(), tmp_path)
    asked = {"task": "write", "job": str(tmp_path), "kinds": ["svg"]}
    ends: list[Work] = []

    async def work() -> None:
        bench = Workbench()

        async def impatient() -> Work:
            while bench.now.state != "done":
                await asyncio.sleep(0.001)
            assert not bench.busy
            return await bench.run(asked)

        ends.extend(await asyncio.gather(bench.run(asked), impatient()))
        await bench.close()

    _ended(work)
    assert [e.state for e in ends] == ["done", "done"]
    assert [e.number for e in ends] == [1, 2]


def test_a_task_that_dies_without_a_word_is_told_as_refused(tmp_path: Path) -> None:
    async def work() -> Work:
        bench = Workbench(memory_bytes=40_000_000)
        return await bench.run({"task": "write", "job": str(tmp_path), "kinds": ["svg"]})

    assert _ended(work).state == "refused"
