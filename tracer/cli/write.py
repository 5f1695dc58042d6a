"""``tracewheel write``."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, cast

import typer

from calibration import parse_length_mm
from tracer.cli.app import app, out, working
from tracer.files.drawing import Drawing, pieces_drawing, single_drawing
from tracer.files.dxf import DxfVersion, LayerNames
from tracer.files.hand_over import FileKind, WriteOptions, write_drawings
from tracer.files.lay_drawing import lay_drawings
from tracer.hand_over import write_cutting_sheet
from tracer.job import CUT_FILE, LAY_FILE, job_folder
from tracer.pattern import PATTERN_FILE, load


class What(StrEnum):
    """What is written."""

    pieces = "pieces"
    lay = "lay"


@app.command(
    "write",
    short_help="Write files for cutters, printers and projectors.",
    epilog="Example: tracewheel write apron --as svg,pdf --paper A4 --out files",
)
def write_command(
    job: Annotated[Path, typer.Argument(help="Job folder.", show_default=False)],
    kinds: Annotated[str, typer.Option("--as", help="Kinds of file: svg,dxf,pdf,png.")] = "svg",
    what: Annotated[
        What, typer.Option(help="The pieces (as cut, where there is a cut list), or the lay.")
    ] = What.pieces,
    out_folder: Annotated[
        Path | None, typer.Option("--out", help="Folder for the files; the job's own without it.")
    ] = None,
    paper: Annotated[
        str | None, typer.Option(help="Print-at-home tiles too, on A4, A3, Letter, Legal or Tabloid.")
    ] = None,
    overlap: Annotated[str, typer.Option(help="What neighbouring tiles share.")] = "10mm",
    projector: Annotated[bool, typer.Option("--projector", help="A PDF with thick lines for a projector too.")] = False,
    each: Annotated[bool, typer.Option("--each", help="One file a piece.")] = False,
    outlines_only: Annotated[
        bool, typer.Option("--outlines-only", help="Only cutting lines, for cutting machines.")
    ] = False,
    dxf_version: Annotated[str, typer.Option(help="R2000 (exact curves) or R12 (polylines).")] = "R2000",
    dxf_layers: Annotated[str, typer.Option(help="plain names, or numbers (ASTM D6673).")] = "plain",
    density: Annotated[float, typer.Option(help="Pixels per inch of PNG pictures.")] = 300.0,
    sheet: Annotated[bool, typer.Option("--cutting-sheet", help="A PDF that says what to cut, too.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there already.")] = False,
) -> None:
    """Write the pieces or the lay as files for cutters, printers and projectors, at true size."""
    options = WriteOptions(
        kinds=cast(tuple[FileKind, ...], tuple(k.strip().lower() for k in kinds.split(",") if k.strip())),
        paper=paper,
        projector=projector,
        outlines_only=outlines_only,
        dxf_version=cast(DxfVersion, dxf_version.upper()),
        dxf_layers=cast(LayerNames, dxf_layers.lower()),
        pixels_per_inch=density,
        overlap_mm=parse_length_mm(overlap),
    )
    drawings = _drawings(job, what, each=each)
    with job_folder(out_folder or job / "files") as folder, working() as tell:
        written = write_drawings(drawings, folder, options, replace_existing=force, on_progress=tell)
        if sheet:
            written.append(write_cutting_sheet(job, folder, paper=paper or "A4", replace_existing=force))
    for path in written:
        out.print(str(path), markup=False)


def _drawings(job: Path, what: What, *, each: bool) -> list[Drawing]:
    pattern = load(job, name=CUT_FILE if (job / CUT_FILE).exists() else PATTERN_FILE)
    if what is What.lay:
        return lay_drawings(job / LAY_FILE, pattern.pieces)
    if each:
        return [single_drawing(piece) for piece in pattern.pieces]
    return [pieces_drawing(pattern.pieces, title="pieces")]
