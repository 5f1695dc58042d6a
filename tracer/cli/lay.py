"""``tracewheel lay``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from calibration import CalibrateOptions, calibrate, parse_length_mm, parse_request, read_pictures
from tracer.cli.app import app, out, show_findings, working
from tracer.errors import LayError
from tracer.job import CUT_FILE
from tracer.lay.advice import advise
from tracer.lay.answers import answers
from tracer.lay.asked import parse_match, parse_pin, parse_point_mm, parse_repeat_mm, parse_share, read_leftover
from tracer.lay.cloth import Cloth, cloth_from_sheet
from tracer.lay.draw import draw_mat
from tracer.lay.laid import LayOptions
from tracer.lay.plan import plan_lay
from tracer.lay.record import LAY_FILE, to_json
from tracer.lay.rules import DEFAULT_MARGIN_MM, Rules, Turn
from tracer.lay.surface import Leftover, Mat, Surface, parse_fabric, parse_mat
from tracer.pattern import PATTERN_FILE, load, write_text_whole
from tracer.piece import Piece

_PLAN_SHARE = 0.75


@app.command(
    "lay",
    short_help="Lay the pieces on mats or cloth; say how much is needed.",
    epilog="Examples: tracewheel lay apron --mat 12x24in;  tracewheel lay apron --fabric 44in --fold;  "
    "tracewheel lay apron --leftover scraps:p1 --turn none",
)
def lay_command(
    job: Annotated[Path, typer.Argument(help="Job folder.", show_default=False)],
    mat: Annotated[
        list[str] | None,
        typer.Option(
            help="A mat's size like 12x24in. Give it again for further mats; the last serves again and again."
        ),
    ] = None,
    fabric: Annotated[
        str | None, typer.Option(help="Width of cloth bought by length, from edge to edge: 44in.")
    ] = None,
    leftover: Annotated[
        str | None,
        typer.Option(help="A leftover: a size, or a job folder (FOLDER or FOLDER:PIECE) with its traced outline."),
    ] = None,
    mats: Annotated[
        int | None, typer.Option(min=1, help="How many mats there are; without it as many as needed.")
    ] = None,
    margin: Annotated[
        str | None, typer.Option(help="Kept free along every edge: 1in on mats, 0 on cloth unless given.")
    ] = None,
    gap: Annotated[str, typer.Option(help="Kept free between pieces; 0mm lets them share a cut line.")] = "2mm",
    turn: Annotated[
        Turn, typer.Option(help="Turns: 180 (along the grain), none (nap, one-way print), free (no grain).")
    ] = "180",
    within: Annotated[float, typer.Option(help="Degrees by which a piece may lean from its grain.")] = 0.0,
    selvedge: Annotated[str, typer.Option(help="Not used on either side of the cloth.")] = "0mm",
    fold: Annotated[bool, typer.Option("--fold", help="The cloth is folded double along its length.")] = False,
    shrinkage: Annotated[str, typer.Option(help="Added to what to buy, like 5%.")] = "0%",
    holes: Annotated[bool, typer.Option("--holes", help="Small pieces may lie in the holes of larger ones.")] = False,
    material: Annotated[str | None, typer.Option(help="Lay only what is cut from this material.")] = None,
    cloth: Annotated[
        Path | None, typer.Option(help="A photo of the print, its scale found like that of a sheet.")
    ] = None,
    cloth_reference: Annotated[str | None, typer.Option(help="What gives that photo its scale, like ruler.")] = None,
    repeat: Annotated[str | None, typer.Option(help="The print's repeat, width x length: 60x80mm.")] = None,
    origin: Annotated[
        str | None,
        typer.Option(help="Where the print begins on the cloth; a leftover's own photo lies as it was traced."),
    ] = None,
    pin: Annotated[
        list[str] | None,
        typer.Option(help="A piece on a motif: 'Pocket=30,45mm' sets its middle on that point of the print."),
    ] = None,
    match: Annotated[
        list[str] | None, typer.Option(help="The print runs on over a seam of a mirrored pair: 'Front=right,3/8in'.")
    ] = None,
    seconds: Annotated[float, typer.Option(help="Time to search; Ctrl-C keeps the best so far.")] = 20.0,
    seed: Annotated[int, typer.Option(help="The same seed searches in the same order.")] = 1,
    advice: Annotated[bool, typer.Option("--advice/--no-advice", help="Say what else would serve or save.")] = True,
) -> None:
    """Lay the pieces on mats, on cloth or on a leftover, and say whether they fit and how much to buy."""
    LayOptions(seconds=seconds, seed=seed)
    pins, matches = [parse_pin(p) for p in pin or ()], [parse_match(m) for m in match or ()]
    if (pins or matches) and not (cloth or repeat):
        raise LayError("a pin or match says where on the print: give --repeat or --cloth with it")
    surface, more = _surface(mat, fabric, leftover, selvedge)
    rules = Rules(
        margin_mm=parse_length_mm(margin)
        if margin is not None
        else DEFAULT_MARGIN_MM
        if isinstance(surface, Mat)
        else 0.0,
        gap_mm=parse_length_mm(gap),
        turn=turn,
        within_deg=within,
        folded=fold and fabric is not None,
        use_holes=holes,
        shrinkage=parse_share(shrinkage),
    )
    if fold and fabric is None:
        raise LayError("only cloth by length is folded; give --fabric with its width")
    pieces = _pieces(job, material)
    printed = _cloth(cloth, cloth_reference, repeat, _origin_mm(origin, surface, photo=cloth is not None))
    share = _PLAN_SHARE if advice else 1.0
    with working() as tell:
        lay = plan_lay(
            pieces,
            surface,
            rules,
            LayOptions(seconds=seconds * share, seed=seed),
            more_mats=more,
            most_mats=mats,
            cloth=printed,
            pins=pins,
            matches=matches,
            progress=tell,
        )
        further = None
        if advice and not lay.interrupted:
            tell("looking for what would serve or save", share)
            further = advise(lay, pieces, LayOptions(seconds=seconds * (1 - share), seed=seed))
    lines = answers(lay, further)
    drawings = {f"lay-{n}.svg": draw_mat(lay, n) for n in range(1, len(lay.mats) + 1)}
    for name, text in drawings.items():
        write_text_whole(job / name, text)
    write_text_whole(job / LAY_FILE, json.dumps(to_json(lay, answers=lines), indent=1, ensure_ascii=False) + "\n")
    for old in job.glob("lay-*.svg"):
        if old.name not in drawings:
            old.unlink()
    for line in lines:
        out.print(line, markup=False)
    out.print(f"written to {job}: {LAY_FILE}, {', '.join(drawings)}", markup=False)
    if show_findings(lay.findings):
        raise typer.Exit(1)


def _surface(
    mats: list[str] | None, fabric: str | None, leftover: str | None, selvedge: str
) -> tuple[Surface, tuple[Mat, ...]]:
    if sum(bool(given) for given in (mats, fabric, leftover)) != 1:
        raise LayError("say what to lay on, one of --mat 12x24in, --fabric 44in, --leftover 20x30cm")
    if mats:
        first, *more = (parse_mat(m) for m in mats)
        return first, tuple(more)
    if fabric:
        return parse_fabric(fabric, selvedge=selvedge), ()
    return read_leftover(leftover or ""), ()


def _pieces(job: Path, material: str | None) -> tuple[Piece, ...]:
    pieces = load(job, name=CUT_FILE if (job / CUT_FILE).exists() else PATTERN_FILE).pieces
    if material is None:
        return pieces
    chosen = tuple(p for p in pieces if p.cut.material.casefold() == material.casefold())
    if not chosen:
        known = ", ".join(dict.fromkeys(p.cut.material or "(none)" for p in pieces))
        raise LayError(f"nothing is cut from '{material}'; the materials are: {known}")
    return chosen


def _origin_mm(origin: str | None, surface: Surface, *, photo: bool) -> tuple[float, float]:
    if origin is not None:
        return parse_point_mm(origin)
    if photo and isinstance(surface, Leftover):
        return -surface.from_mm[0], -surface.from_mm[1]
    return 0.0, 0.0


def _cloth(
    photo: Path | None, reference: str | None, repeat: str | None, origin_mm: tuple[float, float]
) -> Cloth | None:
    repeat_mm = parse_repeat_mm(repeat) if repeat else None
    if photo is None:
        return None if repeat_mm is None else Cloth(repeat_mm=repeat_mm, origin_mm=origin_mm)
    options = CalibrateOptions(request=parse_request(reference) if reference else None)
    sheet = calibrate(next(iter(read_pictures(photo))), options)
    return cloth_from_sheet(sheet, repeat_mm=repeat_mm, origin_mm=origin_mm)
