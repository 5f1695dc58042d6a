"""The command line: commands parse, call, and show."""

from __future__ import annotations

import sys
from threading import Thread


def main() -> None:
    """Run the command line; stopping it while it still loads leaves no traceback either."""
    try:
        early = _begun_early() if sys.argv[1:2] == ["trace"] and "--help" not in sys.argv else None
        from tracer.cli.app import main as run

        if early is not None:
            early.join()
        run()
    except KeyboardInterrupt:
        sys.exit(130)


def _begun_early() -> Thread:
    """Begin what takes long and needs nothing of the rest while that is being loaded."""
    if "--no-words" not in sys.argv:
        from tracer.reading.engine import begin_early

        begin_early()
    thread = Thread(target=ready_colours, daemon=True)
    thread.start()
    return thread


def ready_colours() -> None:
    """Have OpenCV make its tables of CIE Lab, which takes 0.1 s once."""
    import cv2
    import numpy as np

    cv2.cvtColor(np.zeros((1, 1, 3), np.uint8), cv2.COLOR_RGB2LAB)


__all__ = ["main", "ready_colours"]
