"""Long measurements, run by hand."""

from __future__ import annotations

import os


def cpu_seconds() -> float:
    """Return the processor's seconds of this process so far, and of those that it has split off and that are done."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system
