"""``tracewheel demo``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from tracer.cli.app import app, out, show_findings, working
from tracer.cli.listing import show_pattern
from tracer.demo_run import run_demo
from tracer.job import all_findings


@app.command(
    "demo",
    short_help="Trace an example and compare it with its known drawing.",
    epilog="Example: tracewheel demo apron-demo",
)
def demo_command(
    folder: Annotated[Path, typer.Argument(help="Folder for the demo's job.", show_default=False)],
) -> None:
    """Trace a sheet that comes with the tool and hold it against its known drawing."""
    with working() as tell:
        result = run_demo(folder, on_progress=tell)
    show_pattern(result.pattern)
    table = Table(box=None, pad_edge=False, header_style="")
    for heading in ("drawn piece", "traced as", "95 % within mm", "worst mm", "size % off"):
        table.add_column(heading)
    for piece in result.pieces:
        if piece.agreement is None:
            table.add_row(piece.name, "missed", "", "", "")
        else:
            a = piece.agreement
            table.add_row(piece.name, piece.traced_id, f"{a.p95_mm:.3f}", f"{a.max_mm:.3f}", f"{a.scale_percent:+.3f}")
    out.print()
    out.print("Against the known drawing, both ways, after the best shift and turn:")
    out.print(table)
    out.print(f"Open {folder / 'report.html'} in a browser to see the outlines over the scan.", markup=False)
    show_findings(all_findings(result.pattern))
    if result.invented or any(p.agreement is None for p in result.pieces):
        raise typer.Exit(1)
