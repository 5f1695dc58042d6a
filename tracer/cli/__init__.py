"""The command line: commands parse, call, and show."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line; stopping it while it still loads leaves no traceback either."""
    try:
        if sys.argv[1:2] == ["trace"] and not {"--no-words", "--help"} & set(sys.argv):
            from tracer.reading.engine import begin_early

            begin_early()
        from tracer.cli.app import main as run

        run()
    except KeyboardInterrupt:
        sys.exit(130)


__all__ = ["main"]
