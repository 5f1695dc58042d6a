"""Running the command line inside the test's own process."""

from __future__ import annotations

import sys
from dataclasses import dataclass

import pytest

from tracer.cli import main


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str


def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *arguments: str) -> Ran:
    """Run ``tracewheel`` with these arguments; return its exit code and what it printed."""
    monkeypatch.setattr(sys, "argv", ["tracewheel", *arguments])
    capsys.readouterr()
    code = 0
    try:
        main()
    except SystemExit as stop:
        code = int(stop.code or 0)
    printed = capsys.readouterr()
    return Ran(code=code, out=printed.out, err=printed.err)
