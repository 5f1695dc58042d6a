"""The command line: commands parse, call, and show."""

from __future__ import annotations

from tracer.cli.app import main

__all__ = ["main"]
