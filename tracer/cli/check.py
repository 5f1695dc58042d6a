"""``tracewheel check``."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from calibration import CalibrateOptions, format_inches, parse_length_mm, parse_request
from tracer.checking import Measured, measure_file
from tracer.cli.app import app, err, out, show_findings, working
from tracer.files.check import CheckResult, check_outlines
from tracer.files.lay_drawing import lay_of
from tracer.job import CUT_FILE, LAY_FILE
from tracer.pattern import PATTERN_FILE, load


@app.command(
    "check",
    short_help="Measure what was written, printed or cut again.",
    epilog="Example: tracewheel check apron/files/pieces.pdf --against apron",
)
def check_command(
    file: Annotated[Path, typer.Argument(help="SVG, DXF, PDF or PNG file, or a photo or scan.", show_default=False)],
    against: Annotated[Path | None, typer.Option(help="Job folder to compare with.")] = None,
    reference: Annotated[
        str | None, typer.Option(help="What gives the scale in a photo or scan, like square=1in or ruler.")
    ] = None,
    pages: Annotated[str | None, typer.Option(help="Pages of a PDF, like 2,4-6.")] = None,
    within: Annotated[str, typer.Option(help="Differences up to this are fine.")] = "0.5mm",
) -> None:
    """Measure a written, printed or cut result again and compare it with the job."""
    limit_mm = parse_length_mm(within)
    options = CalibrateOptions(request=parse_request(reference) if reference else None)
    with working() as tell:
        measured = measure_file(file, calibrate_options=options, pages=pages, on_progress=tell)
    if against is None:
        _show_sizes(measured)
        raise typer.Exit(1 if show_findings(measured.findings) else 0)
    lists = [name for name in (CUT_FILE, PATTERN_FILE) if (against / name).exists()]
    patterns = [load(against, name=name) for name in lists or [PATTERN_FILE]]
    with working() as tell:
        tell("comparing", 0.5)
        results = [check_outlines(measured.outlines, pattern.pieces) for pattern in patterns]
    # The pieces as cut, unless the file holds the traced ones.
    best = max(range(len(results)), key=lambda k: (_likeness(results[k]), -k))
    result = results[best]
    _show_comparison(result)
    if best > 0 and result.pieces:
        err.print("note: compared with the pieces as traced, which the file holds; not as cut", markup=False)
    warned = show_findings(measured.findings)
    lay = lay_of(against / LAY_FILE, Counter(c.piece_id for c in result.pieces)) if result.missing else None
    if lay is not None:
        out.print(f"it holds every copy of lay {lay}")
    if _complain(result, limit_mm, all_pieces=lay is None) or warned:
        raise typer.Exit(1)
    out.print("the file is true")


def _likeness(result: CheckResult) -> tuple[int, float]:
    """How many pieces were found, and how well the worst of them agrees."""
    found = len({c.piece_id for c in result.pieces})
    return found, -round(max((c.agreement.max_mm for c in result.pieces), default=0.0), 2)


def _show_sizes(measured: Measured) -> None:
    table = Table(box=None, pad_edge=False, header_style="")
    for heading in ("outline", "width mm", "height mm", "area cm\N{SUPERSCRIPT TWO}", "width", "height"):
        table.add_column(heading)
    for found in measured.outlines:
        box = found.outline.bounds
        table.add_row(
            found.name.replace("[", "\\["),
            f"{box.width:.3f}",
            f"{box.height:.3f}",
            f"{found.outline.area / 100:.2f}",
            format_inches(box.width),
            format_inches(box.height),
        )
    out.print(table if measured.outlines else "no closed outline was found")


def _show_comparison(result: CheckResult) -> None:
    table = Table(box=None, pad_edge=False, header_style="")
    for heading in ("piece", "outline", "size %", "95 % within mm", "largest difference mm", ""):
        table.add_column(heading)
    for checked in sorted(result.pieces, key=lambda c: -c.agreement.max_mm):
        table.add_row(
            checked.piece_name.replace("[", "\\["),
            checked.outline_name.replace("[", "\\["),
            f"{100 * checked.scale:.3f}",
            f"{checked.agreement.p95_mm:.3f}",
            f"{checked.agreement.max_mm:.3f}",
            "mirrored" if checked.mirrored else "",
        )
    out.print(table if result.pieces else "no outline of the file has the shape of a piece")


def _complain(result: CheckResult, limit_mm: float, *, all_pieces: bool) -> bool:
    wrong = False
    if result.stretch is not None:
        across, along = result.stretch
        words = f"{100 * across:.2f} % across, {100 * along:.2f} % along"
        err.print(
            f"warning: the file is stretched, {words}: the paper's feed, or not printed in proportion", markup=False
        )
        wrong = True
    elif result.ratio_words:
        err.print(f"warning: the file is scaled by {result.ratio:.4f}, that is {result.ratio_words}", markup=False)
        wrong = True
    off = [c for c in result.pieces if c.agreement.max_mm > limit_mm]
    if off and not wrong:
        names = ", ".join(f"{c.piece_name} ({c.agreement.max_mm:.2f} mm)" for c in off)
        err.print(f"warning: farther from the job than {limit_mm:g} mm: {names}", markup=False)
        wrong = True
    if result.missing and all_pieces:
        err.print(f"warning: not in the file: {', '.join(result.missing)}", markup=False)
        wrong = True
    return wrong
