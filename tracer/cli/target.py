"""``tracewheel target``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracer.cli.app import app, out
from tracer.errors import FileFormatError
from tracer.files.target import target_pdf, target_svg
from tracer.job import job_folder
from tracer.pattern import write_bytes_whole


@app.command(
    "target",
    short_help="Write a calibration target to print.",
    epilog="Example: tracewheel target --paper A4 --out target.pdf",
)
def target_command(
    out_file: Annotated[Path, typer.Option("--out", help="PDF or SVG file to write.", show_default=False)],
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there already.")] = False,
) -> None:
    """Write a calibration target to print: lay it flat beside the pattern, and the picture has its scale."""
    ending = out_file.suffix.lower()
    if ending not in (".pdf", ".svg"):
        raise FileFormatError(f"a target is written as PDF or SVG; name the file like target.pdf, not {out_file.name}")
    if out_file.exists() and not force:
        raise FileFormatError(f"{out_file} is there already; add --force to replace it")
    content = target_pdf(paper) if ending == ".pdf" else target_svg(paper).encode("utf-8")
    with job_folder(out_file.parent):
        write_bytes_whole(out_file, content)
    out.print(f"written to {out_file}; print it at 100 %, then measure its line with a ruler", markup=False)
