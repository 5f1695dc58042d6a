"""Files that need more than a drawing: what a job holds, put together for the person who cuts."""

from __future__ import annotations

import json
from pathlib import Path

from tracer.errors import FileFormatError
from tracer.files.cutting_sheet import cutting_sheet
from tracer.job import CUT_FILE, LAY_FILE
from tracer.pattern import PATTERN_FILE, load, write_bytes_whole

CUTTING_SHEET_FILE = "cutting-sheet.pdf"


def write_cutting_sheet(job: Path, folder: Path, *, paper: str = "A4", replace_existing: bool = False) -> Path:
    """Write the cutting sheet of a job: its pieces as cut, and what its lay says, where there is one.

    Raises
    ------
    JobError
        When the job cannot be read or the folder not written to.
    FileFormatError
        When there is a cutting sheet already and it may not be replaced.
    """
    target = folder / CUTTING_SHEET_FILE
    if target.exists() and not replace_existing:
        raise FileFormatError(f"{target.name} is there already in {folder}; add --force to replace, or choose --out")
    pattern = load(job, name=CUT_FILE if (job / CUT_FILE).exists() else PATTERN_FILE)
    write_bytes_whole(target, cutting_sheet(pattern.pieces, answers=_answers(job / LAY_FILE), paper=paper))
    return target


def _answers(lay: Path) -> list[str]:
    try:
        return [str(a) for a in json.loads(lay.read_text(encoding="utf-8")).get("answers", [])]
    except (OSError, ValueError, AttributeError):
        # No lay, or none that can be read: the sheet says that nothing is laid out yet.
        return []
