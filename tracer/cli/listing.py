"""``tracewheel list``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from calibration import format_inches, format_uncertainty
from tracer.cli.app import app, out, show_findings
from tracer.job import CUT_FILE, all_findings
from tracer.pattern import Pattern, load
from tracer.piece import Piece

_HEADINGS = (
    "id",
    "name",
    "width mm",
    "height mm",
    "inches",
    "area cm\N{SUPERSCRIPT TWO}",
    "outline \N{PLUS-MINUS SIGN}mm",
    "worst fit mm",
    "cut",
)


def _size(value_mm: float, uncertainty_mm: float) -> str:
    return f"{value_mm:.2f} \N{PLUS-MINUS SIGN}{format_uncertainty(uncertainty_mm)}"


def _edge_uncertainty(piece: Piece) -> str:
    """Say how sure the lengths of edges are: as sure as the piece's width and height, whichever is worse."""
    box = piece.outline.bounds
    sides = ((box.width, piece.size_uncertainty_mm[0]), (box.height, piece.size_uncertainty_mm[1]))
    share = max((uncertainty / side for side, uncertainty in sides if side > 0), default=0.0)
    return f"\N{PLUS-MINUS SIGN}{100 * share:.2f} %, at least {format_uncertainty(0.0)} mm"


def _hole_words(piece: Piece) -> str:
    """Say how many holes there are and how well the worst of them is known."""
    worst = max(h.fit.max_mm for h in piece.hole_fits)
    most = max(h.expanded_uncertainty_mm for h in piece.hole_fits)
    return f"{len(piece.hole_fits)}, worst fit {worst:.3f} mm, \N{PLUS-MINUS SIGN}{format_uncertainty(most)} mm"


def _cut(piece: Piece) -> str:
    words = [f"cut {piece.cut.count}"]
    if piece.cut.mirrored:
        words.append("pair")
    if piece.cut.fold:
        words.append("on fold")
    if piece.cut.material:
        words.append(piece.cut.material)
    return " ".join(words)


def show_pattern(pattern: Pattern) -> None:
    """Print the sheets' scale and the pieces' sizes."""
    for sheet in pattern.sheets:
        page = f" page {sheet.page}" if sheet.page else ""
        out.print(
            f"sheet {sheet.id} ({sheet.file}{page}): scale from {sheet.reference} {sheet.reference_size}".rstrip()
            + f", \N{PLUS-MINUS SIGN}{sheet.expanded_uncertainty_mm_per_m:.2f} mm per m",
            markup=False,
        )
    show_pieces(pattern)


def show_pieces(pattern: Pattern) -> None:
    """Print the pieces' sizes."""
    if not pattern.pieces:
        out.print("no pieces")
        return
    table = Table(box=None, pad_edge=False, header_style="")
    for heading in _HEADINGS:
        table.add_column(heading, overflow="fold", no_wrap=heading not in ("name", "cut"))
    for piece in pattern.pieces:
        box = piece.outline.bounds
        table.add_row(
            piece.id,
            escape(piece.name),
            _size(box.width, piece.size_uncertainty_mm[0]),
            _size(box.height, piece.size_uncertainty_mm[1]),
            f"{format_inches(box.width)} x {format_inches(box.height)}",
            f"{piece.area_mm2 / 100:.2f}",
            format_uncertainty(piece.expanded_uncertainty_mm),
            f"{piece.fit.max_mm:.3f}",
            escape(_cut(piece)),
        )
    out.print(table)


@app.command(
    "list",
    short_help="List the pieces of a job with their sizes, edges and warnings.",
    epilog="Example: tracewheel list apron",
)
def list_command(job: Annotated[Path, typer.Argument(help="Job folder.", show_default=False)]) -> None:
    """List the pieces of a job, as traced and as cut: sizes with their plus-or-minus, edges, and warnings."""
    pattern = load(job)
    show_pattern(pattern)
    for piece in pattern.pieces:
        from tracer.cutting.edges import edge_lengths  # not loaded for the table that ends a trace

        out.print(f"edges of {piece.id}: {edge_lengths(piece)}; each {_edge_uncertainty(piece)}", markup=False)
        if piece.hole_fits:
            out.print(f"holes of {piece.id}: {_hole_words(piece)}", markup=False)
    show_findings(all_findings(pattern))
    if (job / CUT_FILE).exists():
        cut = load(job, name=CUT_FILE)
        out.print("\nas cut:")
        show_pieces(cut)
        for piece in cut.pieces:
            if piece.made is not None and piece.made.finished_mm is not None:
                from tracer.cutting.words import size  # not loaded for the table that ends a trace

                out.print(f"{piece.id} finished {size(*piece.made.finished_mm)}", markup=False)
        show_findings(cut.findings)
