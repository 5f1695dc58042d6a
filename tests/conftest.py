"""Tests that run side by side keep out of each other's way."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest


def pytest_configure() -> None:
    """Give each of pytest-xdist's processes a processor of its own, before anything counts them.

    All of them have work at once: what each shares out further to a second process and to threads only comes between.
    """
    worker = os.environ.get("PYTEST_XDIST_WORKER", "")
    if worker and hasattr(os, "sched_setaffinity"):
        processors = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(0, {processors[int(worker.removeprefix("gw")) % len(processors)]})


@pytest.fixture
def every_processor() -> Iterator[None]:
    """Let a test use all of the machine's processors."""
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    own = os.sched_getaffinity(0)
    os.sched_setaffinity(0, range(os.cpu_count() or 1))
    yield
    os.sched_setaffinity(0, own)
