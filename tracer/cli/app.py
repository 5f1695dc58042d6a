"""The ``tracewheel`` command: one module a command, and one place where errors become exit codes.

Exit codes: 0 done; 1 done but something is out of tolerance or unsure (said on stderr); 2 cannot be done (one clear
line on stderr).
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from typer.core import TyperGroup

from calibration import CalibrationError, Finding
from tracer.errors import TracerError

_COMMAND_MODULES = {
    "trace": "trace",
    "list": "listing",
    "correct": "correct",
    "cut": "cut",
    "lay": "lay",
    "write": "write",
    "check": "check",
    "target": "target",
    "open": "open_page",
    "demo": "demo",
}
"""Commands and the modules of this package that hold them, in the order of the work."""


class _InOrderOfTheWork(TyperGroup):
    """The commands in the order in which they are used, whichever module was loaded first."""

    def list_commands(self, ctx: Any) -> list[str]:
        return [name for name in _COMMAND_MODULES if name in self.commands]


app = typer.Typer(
    name="tracewheel",
    cls=_InOrderOfTheWork,
    help="Paper patterns to true-size outlines that can be cut, with a measured error.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
_FILE_WIDTH = 140
"""Columns of tables that go into a file or another program, which has no width of its own."""

out = Console(highlight=False, soft_wrap=True, width=None if sys.stdout.isatty() else _FILE_WIDTH)
err = Console(stderr=True, highlight=False, soft_wrap=True)


@contextmanager
def working() -> Iterator[Callable[[str, float], None]]:
    """Show what is being done and how far it is, on stderr while it lasts."""
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True, disable=not err.is_terminal) as progress:
        task = progress.add_task("starting", total=1.0)
        yield lambda words, share: progress.update(task, description=words, completed=share)


def show_findings(findings: Iterable[Finding]) -> bool:
    """Print findings on stderr, warnings first; return whether there was a warning."""
    ordered = sorted(findings, key=lambda f: f.severity != "warning")
    for finding in ordered:
        where = f"{finding.where}: " if finding.where else ""
        err.print(f"{finding.severity}: {where}{finding.message}", markup=False)
    return any(f.severity == "warning" for f in ordered)


@app.callback()
def root() -> None:
    """Paper patterns to true-size outlines that can be cut, with a measured error."""


def main() -> None:
    """Run the command line; a person's mistake gets one line and exit code 2, never a traceback."""
    asked = sys.argv[1] if len(sys.argv) > 1 else ""
    # Only what is asked for is loaded: every command has heavy libraries that the others do without.
    try:
        for module in [_COMMAND_MODULES[asked]] if asked in _COMMAND_MODULES else _COMMAND_MODULES.values():
            importlib.import_module(f"tracer.cli.{module}")
        app()
    except (CalibrationError, TracerError) as error:
        err.print(f"tracewheel: {error}", markup=False)
        sys.exit(2)
    except KeyboardInterrupt:
        err.print("tracewheel: stopped; nothing half-written is left behind", markup=False)
        sys.exit(130)
