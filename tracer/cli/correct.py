"""``tracewheel correct``: changes by hand, recorded and undoable."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration import parse_length_mm
from tracer.cli.app import app, out
from tracer.correct import Change, as_read, describe, record, redo, undo
from tracer.errors import CorrectionError
from tracer.pattern import Pattern, load
from tracer.refresh import save_changed

correct = typer.Typer(
    no_args_is_help=True,
    help="Change what was read: names, kinds of mark, points. Every change is recorded and can be undone.",
    epilog='Example: tracewheel correct rename apron p2 "Pocket"',
    rich_markup_mode=None,
)
app.add_typer(correct, name="correct")

Job = Annotated[Path, typer.Argument(help="Job folder.", show_default=False)]
PieceName = Annotated[str, typer.Argument(help="Id or name of a piece, like p2.", show_default=False)]
MarkName = Annotated[str, typer.Argument(help="Name of a mark, like p1.m3 or s1.m2.", show_default=False)]
Thing = Annotated[str, typer.Argument(help="A piece (p2) or a mark (p1.m3).", show_default=False)]
Point = Annotated[int, typer.Argument(help="Number of the point, from 1.", show_default=False)]


def _change(job: Path, change: Change) -> None:
    _save(job, record(load(job), change))
    out.print(describe(change), markup=False)


def _save(job: Path, pattern: Pattern) -> None:
    save_changed(pattern, job)


def _thing(name: str) -> dict[str, str]:
    return {"mark" if ".m" in name else "piece": name}


def _position(text: str) -> list[float]:
    parts = text.split(",")
    if len(parts) != 2:
        raise CorrectionError(f"cannot read the place '{text}'; write x,y in mm like 120.5,33")
    return [-parse_length_mm(p.strip()[1:], default_unit="mm") if p.strip().startswith("-") else
            parse_length_mm(p, default_unit="mm") for p in parts]  # fmt: skip


@correct.command("rename")
def rename_command(job: Job, piece: PieceName, name: Annotated[str, typer.Argument(show_default=False)]) -> None:
    """Give a piece another name."""
    _change(job, {"do": "rename", "piece": piece, "name": name})


@correct.command("cutting")
def cutting_command(
    job: Job,
    piece: PieceName,
    count: Annotated[int | None, typer.Option(min=1, help="How many are cut.")] = None,
    pair: Annotated[bool | None, typer.Option("--pair/--no-pair", help="Mirrored pairs.")] = None,
    fold: Annotated[bool | None, typer.Option("--fold/--no-fold", help="Cut on the fold.")] = None,
    material: Annotated[str | None, typer.Option(help="What it is cut from.")] = None,
) -> None:
    """Say how a piece is cut, where the words on it were misread."""
    given = {"count": count, "mirrored": pair, "fold": fold, "material": material}
    _change(job, {"do": "cut", "piece": piece, **{k: v for k, v in given.items() if v is not None}})


@correct.command("kind")
def kind_command(job: Job, mark: MarkName, kind: Annotated[str, typer.Argument(show_default=False)]) -> None:
    """Say what a mark is, like 'grain line'."""
    _change(job, {"do": "kind", "mark": mark, "kind": kind})


@correct.command("drop")
def drop_command(job: Job, thing: Thing) -> None:
    """Put a piece or a mark aside; it is kept and can be restored."""
    _change(job, {"do": "drop", **_thing(thing)})


@correct.command("restore")
def restore_command(job: Job, thing: Thing) -> None:
    """Take a dropped piece or mark back."""
    _change(job, {"do": "restore", **_thing(thing)})


@correct.command("move")
def move_command(
    job: Job, piece: PieceName, point: Point, to: Annotated[str, typer.Option(help="x,y in mm.", show_default=False)]
) -> None:
    """Move a point of an outline."""
    _change(job, {"do": "move", "piece": piece, "point": point, "to": _position(to)})


@correct.command("add")
def add_command(
    job: Job, piece: PieceName, point: Point, at: Annotated[float, typer.Option(help="Share of the way.")] = 0.5
) -> None:
    """Add a point on the stretch after a point; the shape stays as it is."""
    _change(job, {"do": "add", "piece": piece, "point": point, "at": at})


@correct.command("remove")
def remove_command(job: Job, piece: PieceName, point: Point) -> None:
    """Take a point out of an outline."""
    _change(job, {"do": "remove", "piece": piece, "point": point})


@correct.command("join")
def join_command(
    job: Job,
    marks: Annotated[list[str], typer.Argument(help="One or two open lines.", show_default=False)],
    name: Annotated[str | None, typer.Option(help="Name of the new piece.")] = None,
) -> None:
    """Join the ends of open lines into the outline of a new piece."""
    _change(job, {"do": "join", "marks": marks} | ({"name": name} if name else {}))


@correct.command("follow")
def follow_command(job: Job, piece: PieceName, mark: MarkName) -> None:
    """Let a piece follow another closed line; the one it had becomes a mark."""
    _change(job, {"do": "follow", "piece": piece, "mark": mark})


@correct.command("undo")
def undo_command(job: Job) -> None:
    """Undo the last change."""
    pattern = undo(load(job))
    _save(job, pattern)
    out.print("undone", markup=False)


@correct.command("redo")
def redo_command(job: Job) -> None:
    """Do the last undone change again."""
    _save(job, redo(load(job)))
    out.print("done again", markup=False)


@correct.command("as-read")
def as_read_command(job: Job) -> None:
    """Go back to what was read at first; redo brings the changes back one by one."""
    _save(job, as_read(load(job)))
    out.print("as it was read", markup=False)


@correct.command("log")
def log_command(job: Job) -> None:
    """List every change; undone ones are in brackets."""
    history = load(job).history
    for i, change in enumerate(history.changes if history else ()):
        words = describe(change)
        done = history is not None and i < history.done
        out.print(f"{i + 1}. {words}" if done else f"{i + 1}. ({words})", markup=False)
    if history is None:
        out.print("no changes", markup=False)
