"""``tracewheel trace``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration import CalibrateOptions, parse_length_mm, parse_request, parse_tolerance
from tracer.cli.app import app, out, show_findings, working
from tracer.cli.listing import show_pattern
from tracer.job import all_findings, trace_files
from tracer.pipeline import Engine, LineSide, TraceOptions


@app.command(
    "trace",
    short_help="Trace every piece of pictures and PDF pages at true size.",
    epilog="Example: tracewheel trace apron.jpg --out apron --reference square=50mm",
)
def trace_command(
    inputs: Annotated[
        list[Path], typer.Argument(help="Pictures (JPEG, PNG, TIFF, HEIC) or PDF files.", show_default=False)
    ],
    out_folder: Annotated[Path, typer.Option("--out", help="Job folder to write.", show_default=False)],
    pages: Annotated[str | None, typer.Option(help="Pages of a PDF, like 2,4-6.")] = None,
    reference: Annotated[
        str | None,
        typer.Option(
            help="What gives the scale: square=1in, square=50mm, ruler, mat=1in, card, sheet=A4, target, dpi=300. "
            "Without it every kind is looked for and the best one is used."
        ),
    ] = None,
    reference_tolerance: Annotated[
        str | None, typer.Option(help="How exact the reference itself is, like 0.1mm or 0.1%.")
    ] = None,
    line: Annotated[LineSide, typer.Option(help="Which part of a drawn line is the outline.")] = "centre",
    tolerance: Annotated[str, typer.Option(help="The curves stay this close to the line.")] = "0.1mm",
    size_line: Annotated[int | None, typer.Option(help="Which of several nested sizes, 1 = smallest.")] = None,
    engine: Annotated[Engine, typer.Option(help="Who traces: this tool, or potrace where it is installed.")] = "own",
    as_drawn: Annotated[
        bool, typer.Option("--as-drawn", help="Leave nearly straight, square or symmetrical edges as they are.")
    ] = False,
    words: Annotated[bool, typer.Option("--words/--no-words", help="Read the words on the pieces.")] = True,
) -> None:
    """Trace every pattern piece of pictures and PDF pages at true size."""
    relative, absolute_mm = parse_tolerance(reference_tolerance) if reference_tolerance else (None, None)
    calibrate_options = CalibrateOptions(
        request=parse_request(reference) if reference else None,
        reference_tolerance_relative=relative,
        reference_tolerance_mm=absolute_mm,
    )
    trace_options = TraceOptions(
        line=line,
        tolerance_mm=parse_length_mm(tolerance),
        engine=engine,
        size_line=size_line,
        regular=not as_drawn,
        words=words,
    )
    with working() as tell:
        pattern = trace_files(
            inputs,
            out_folder,
            calibrate_options=calibrate_options,
            trace_options=trace_options,
            pages=pages,
            on_progress=tell,
        )
    show_pattern(pattern)
    out.print(f"written to {out_folder}: pattern.json, pieces.svg, report.html and the overlays", markup=False)
    if show_findings(all_findings(pattern)):
        raise typer.Exit(1)
