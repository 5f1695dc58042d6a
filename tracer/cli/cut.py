"""``tracewheel cut``: cut-ready pieces from a cut list."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration import format_uncertainty
from tracer.cli.app import app, out, show_findings
from tracer.cutting.make import CutResult, make_cut
from tracer.cutting.propose import propose as proposed_list
from tracer.cutting.reader import read_cut_list
from tracer.cutting.words import size
from tracer.errors import CutListError
from tracer.files.svg import pieces_svg
from tracer.job import CUT_FILE
from tracer.pattern import load, save, write_text_whole
from tracer.report.cut_pages import cut_report

CAUTION = (
    "Mind the blade: close or cover a rotary cutter whenever you put it down, cut away from your fingers, "
    "and keep cutters and scissors from children."
)


def _show(result: CutResult) -> None:
    for made in result.made:
        piece = made.piece
        box = piece.outline.bounds
        many = f"cut {piece.cut.count}" + (", every second one mirrored" if piece.cut.mirrored else "")
        plus_minus = format_uncertainty(max(piece.size_uncertainty_mm))
        line = f"{piece.name}: {many}; {size(box.width, box.height)} +/- {plus_minus} mm"
        if piece.made is not None and piece.made.finished_mm is not None:
            line += f"; finished {size(*piece.made.finished_mm)}"
        out.print(line + (f"; from {piece.cut.material}" if piece.cut.material else ""), markup=False)
        for stage in made.stages:
            out.print(f"  {stage.words}", markup=False)
        for fact in made.facts:
            out.print(f"  {fact.words}", markup=False)
    for seam in result.seams:
        for line in seam.lines():
            out.print(line, markup=False)


def _propose(job: Path, to: Path | None) -> None:
    text = proposed_list(load(job))
    if to is None:
        out.print(text, markup=False, end="")
        return
    if to.exists():
        raise CutListError(f"{to} is there already; name a new file for the proposal")
    write_text_whole(to, text)
    out.print(f"wrote {to}; look it over, then: tracewheel cut {job} {to}", markup=False)


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise CutListError(f"there is no file {path}; write one, or start from: tracewheel cut JOB --propose") from None
    except (OSError, UnicodeDecodeError) as error:
        raise CutListError(f"cannot read {path}: {error}") from error


@app.command(short_help="Make cut-ready pieces: pairs, folds, joins, allowances.")
def cut(
    job: Annotated[Path, typer.Argument(help="Job folder made by 'tracewheel trace'.")],
    cut_list: Annotated[
        Path | None, typer.Argument(help="The cut list (TOML); with --propose, the file to write.")
    ] = None,
    propose: Annotated[bool, typer.Option("--propose", help="Propose a cut list from what was read.")] = False,
    check: Annotated[bool, typer.Option("--check", help="Only check the list; write nothing.")] = False,
) -> None:
    """Make cut-ready pieces: copies, pairs, unfolded halves, joined panels, seam allowance.

    Writes cut.json, cut.svg (true size) and cut.html into the job folder. The traced pieces are never changed: take a
    line out of the list and cut again to undo it.

    Example: tracewheel cut JOB --propose list.toml, then tracewheel cut JOB list.toml
    """
    if propose:
        _propose(job, cut_list)
        return
    if cut_list is None:
        raise CutListError("name a cut list, or have one proposed: tracewheel cut JOB --propose")
    pattern = load(job)
    result = make_cut(pattern, read_cut_list(_read(cut_list), file=cut_list.name))
    if not check:
        save(result.pattern, job, name=CUT_FILE)
        write_text_whole(job / "cut.svg", pieces_svg(result.pattern.pieces, title="Pieces as cut"))
        write_text_whole(job / "cut.html", cut_report(result))
    _show(result)
    warned = show_findings(result.pattern.findings)
    if check:
        out.print("checked; nothing was written", markup=False)
    else:
        out.print(f"wrote cut.json, cut.svg and cut.html in {job}", markup=False)
        out.print(CAUTION, markup=False)
    if warned:
        raise typer.Exit(1)
