"""Saving a changed pattern: the pattern file, and the drawing of its pieces that goes with it."""

from __future__ import annotations

from pathlib import Path

from tracer.files.svg import pieces_svg
from tracer.pattern import Pattern, save, write_text_whole


def save_changed(pattern: Pattern, job: Path) -> None:
    """Write ``pattern.json`` and ``pieces.svg``; the report stays that of the first reading.

    Raises
    ------
    JobError
        When the folder cannot be written to; the old files are then still whole.
    """
    write_text_whole(job / "pieces.svg", pieces_svg(pattern.pieces))
    save(pattern, job)
