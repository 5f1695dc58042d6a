"""Correcting by hand: every change is recorded, can be undone, and the first reading is always there.

A change is a small record, such as ``{"do": "rename", "piece": "p2", "name": "Bib"}``. The pattern that a person sees
is the first reading with the changes in force applied in order; undoing only moves the count of those in force. Marks
are named by their owner and place: ``p1.m3`` is the third mark of piece p1, ``s1.m2`` the second of sheet s1; since
nothing is ever removed, these names stay good. Points of an outline are numbered from 1, in the order of its path data.
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any, cast, get_args

import numpy as np

from tracer.errors import CorrectionError
from tracer.path import OpenPath, Path
from tracer.pattern import History, Pattern, from_json, reading_to_json
from tracer.piece import CutNote, Fit, Mark, MarkKind, Piece
from tracer.segments import Segment, line, segment_length, split_segment

Change = dict[str, Any]
"""One change: ``do`` names it, the rest are its details."""

_MARK_NAME = re.compile(r"(?P<owner>[a-z]+\d+)\.m(?P<number>\d+)")


# -- history ----------------------------------------------------------------------------------------------------------
def record(pattern: Pattern, change: Change) -> Pattern:
    """Return the pattern with one more change; changes that had been undone give way to it.

    Raises
    ------
    CorrectionError
        When the change cannot be made; the pattern is as before.
    """
    history = pattern.history or History(reading=reading_to_json(pattern))
    changed = _apply(pattern, change)
    kept = (*history.changes[: history.done], dict(change))
    return replace(changed, history=History(reading=history.reading, changes=kept, done=len(kept)))


def undo(pattern: Pattern) -> Pattern:
    """Return the pattern before the last change in force; raises :class:`CorrectionError` when there is none."""
    if pattern.history is None or pattern.history.done == 0:
        raise CorrectionError("there is nothing to undo")
    return _replayed(pattern, pattern.history.done - 1)


def redo(pattern: Pattern) -> Pattern:
    """Return the pattern with the last undone change in force again."""
    if pattern.history is None or pattern.history.done == len(pattern.history.changes):
        raise CorrectionError("there is nothing to do again")
    return _replayed(pattern, pattern.history.done + 1)


def as_read(pattern: Pattern) -> Pattern:
    """Return the pattern as it was first read; every change can be done again."""
    return pattern if pattern.history is None else _replayed(pattern, 0)


def _replayed(pattern: Pattern, done: int) -> Pattern:
    history = cast(History, pattern.history)
    start = from_json({"schema": "tracewheel-pattern/1", **history.reading})
    start = replace(start, findings=pattern.findings)
    for change in history.changes[:done]:
        start = _apply(start, change)
    return replace(start, history=History(reading=history.reading, changes=history.changes, done=done))


def describe(change: Change) -> str:
    """Return a change in plain words."""
    details = ", ".join(f"{key} {value}" for key, value in change.items() if key != "do")
    return f"{change['do']}: {details}"


# -- applying ---------------------------------------------------------------------------------------------------------
def _apply(pattern: Pattern, change: Change) -> Pattern:
    word = change.get("do")
    action = _ACTIONS.get(str(word))
    if action is None:
        near = difflib.get_close_matches(str(word), _ACTIONS, n=1)
        hint = f"did you mean {near[0]}?" if near else f"choose one of {', '.join(_ACTIONS)}"
        raise CorrectionError(f"'{word}' is no change this tool knows; {hint}")
    try:
        return action(pattern, change)
    except CorrectionError:
        raise
    except KeyError as error:
        raise CorrectionError(f"the change '{word}' needs {error}") from error
    except (TypeError, ValueError) as error:
        raise CorrectionError(f"the change '{word}' cannot be made: {error}") from error


def _piece(pattern: Pattern, name: str) -> Piece:
    for piece in pattern.pieces:
        if name in (piece.id, piece.name):
            return piece
    known = ", ".join(f"{p.id} ({p.name})" for p in pattern.pieces) or "none"
    raise CorrectionError(f"there is no piece '{name}'; the pieces are: {known}")


def _with_piece(pattern: Pattern, piece: Piece) -> Pattern:
    return replace(pattern, pieces=tuple(piece if p.id == piece.id else p for p in pattern.pieces))


def _reshaped(piece: Piece, outline: Path, note: str) -> Piece:
    if not 0 < outline.area < math.inf:
        raise CorrectionError(f"piece {piece.id} would have no area")
    return replace(piece, outline=outline.oriented(), notes=(*piece.notes, note))


def _node(piece: Piece, change: Change) -> int:
    number = int(change["point"])
    count = piece.outline.node_count
    if not 1 <= number <= count:
        raise CorrectionError(f"piece {piece.id} has points 1 to {count}, not {number}")
    return number - 1


def _rename(pattern: Pattern, change: Change) -> Pattern:
    piece = _piece(pattern, change["piece"])
    name = str(change["name"]).strip()
    if not name:
        raise CorrectionError("a name needs at least one letter")
    if any(p.name == name and p.id != piece.id for p in pattern.pieces):
        raise CorrectionError(f"there is a piece named '{name}' already")
    return _with_piece(pattern, replace(piece, name=name))


def _set_cut(pattern: Pattern, change: Change) -> Pattern:
    piece = _piece(pattern, change["piece"])
    known = ("count", "mirrored", "fold", "material")
    given = {k: v for k, v in change.items() if k in known}
    if not given:
        raise CorrectionError(f"the change 'cut' needs one of {', '.join(known)}")
    if int(given.get("count", 1)) < 1:
        raise CorrectionError("a piece is cut at least once")
    cut: CutNote = replace(piece.cut, **given, confidence=1.0)
    return _with_piece(pattern, replace(piece, cut=cut))


def _drop(pattern: Pattern, change: Change) -> Pattern:
    if "mark" in change:
        return _with_mark(pattern, change["mark"], lambda m: replace(m, dropped=True))
    piece = _piece(pattern, change["piece"])
    return replace(
        pattern, pieces=tuple(p for p in pattern.pieces if p.id != piece.id), dropped=(*pattern.dropped, piece)
    )


def _restore(pattern: Pattern, change: Change) -> Pattern:
    if "mark" in change:
        return _with_mark(pattern, change["mark"], lambda m: replace(m, dropped=False))
    name = change["piece"]
    for piece in pattern.dropped:
        if name in (piece.id, piece.name):
            rest = tuple(p for p in pattern.dropped if p.id != piece.id)
            pieces = sorted((*pattern.pieces, piece), key=lambda p: _natural(p.id))
            return replace(pattern, pieces=tuple(pieces), dropped=rest)
    known = ", ".join(p.id for p in pattern.dropped) or "none"
    raise CorrectionError(f"'{name}' was not dropped; dropped pieces: {known}")


def _set_kind(pattern: Pattern, change: Change) -> Pattern:
    kind = str(change["kind"])
    kinds = get_args(MarkKind)
    if kind not in kinds:
        near = difflib.get_close_matches(kind, kinds, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"choose one of {', '.join(kinds)}"
        raise CorrectionError(f"'{kind}' is no kind of mark; {hint}")
    return _with_mark(pattern, change["mark"], lambda m: replace(m, kind=cast(MarkKind, kind), confidence=1.0))


def _move(pattern: Pattern, change: Change) -> Pattern:
    """Move a point; the handles beside it go along, so that the curve keeps its direction there."""
    piece = _piece(pattern, change["piece"])
    i = _node(piece, change)
    to = np.array([float(v) for v in change["to"]])
    if to.shape != (2,) or not np.isfinite(to).all():
        raise CorrectionError("a point is moved to two numbers, x and y in mm")
    segments = [s.copy() for s in piece.outline.segments]
    shift = to - segments[i][0]
    segments[i][0] = to
    segments[i - 1][-1] = to
    if len(segments[i]) == 4:
        segments[i][1] += shift
    if len(segments[i - 1]) == 4:
        segments[i - 1][2] += shift
    note = f"point {i + 1} moved by hand by {float(np.hypot(*shift)):.2f} mm"
    return _with_piece(pattern, _reshaped(piece, Path(tuple(segments)), note))


def _bend(pattern: Pattern, change: Change) -> Pattern:
    """Put the two handles of the stretch after a point; a straight stretch becomes a curve."""
    piece = _piece(pattern, change["piece"])
    i = _node(piece, change)
    first, second = (np.array([float(v) for v in p]) for p in change["handles"])
    segments = list(piece.outline.segments)
    segments[i] = np.array([segments[i][0], first, second, segments[i][-1]])
    return _with_piece(
        pattern, _reshaped(piece, Path(tuple(segments)), f"the stretch after point {i + 1} was bent by hand")
    )


def _add(pattern: Pattern, change: Change) -> Pattern:
    """Add a point on the stretch after a point; the shape stays exactly as it is."""
    piece = _piece(pattern, change["piece"])
    i = _node(piece, change)
    at = float(change.get("at", 0.5))
    if not 0 < at < 1:
        raise CorrectionError("a point is added between 0 and 1 of the way to the next point")
    segments = piece.outline.segments
    halves = split_segment(segments[i], at)
    outline = Path((*segments[:i], *halves, *segments[i + 1 :]))
    return _with_piece(pattern, replace(piece, outline=outline))


def _remove(pattern: Pattern, change: Change) -> Pattern:
    """Take a point out: its two stretches become one, curved when one of them was."""
    piece = _piece(pattern, change["piece"])
    i = _node(piece, change)
    segments = piece.outline.segments
    if len(segments) <= 3:
        raise CorrectionError(f"piece {piece.id} has only {len(segments)} points; it needs them")
    before, after = segments[i - 1], segments[i]
    lengths = segment_length(before), segment_length(after)
    if min(lengths) == 0:
        # A point that lies on its neighbour: the other stretch is all there is.
        merged = after if lengths[0] == 0 else before
    elif len(before) == 2 and len(after) == 2:
        merged = np.array([before[0], after[1]])
    else:
        # Handles keep their direction and take the length of the whole stretch (a split curve is restored exactly when
        # it was split in its middle, and closely elsewhere).
        share = lengths[0] / sum(lengths)
        b1 = before[1] if len(before) == 4 else before[0] + (before[1] - before[0]) / 3
        a2 = after[2] if len(after) == 4 else after[1] + (after[0] - after[1]) / 3
        merged = np.array(
            [before[0], before[0] + (b1 - before[0]) / share, after[-1] + (a2 - after[-1]) / (1 - share), after[-1]]
        )
    rest = (*segments[: i - 1], merged, *segments[i + 1 :]) if i > 0 else (merged, *segments[1:-1])
    return _with_piece(pattern, _reshaped(piece, Path(rest), f"point {i + 1} taken out by hand"))


def _join(pattern: Pattern, change: Change) -> Pattern:
    """Join the ends of one open line, or of two, by straight stretches into the outline of a new piece."""
    marks = [_mark(pattern, name) for name in change["marks"]]
    if len(marks) not in (1, 2) or any(m.path is None for m in marks):
        raise CorrectionError("one or two marks with a line are joined")
    chains = [cast(OpenPath, m.path) for m in marks]
    if len(chains) == 2:
        first, second = chains
        end = first.segments[-1][-1]
        if np.hypot(*(second.segments[0][0] - end)) > np.hypot(*(second.segments[-1][-1] - end)):
            second = second.reversed()
        chains = [OpenPath((*first.segments, *_bridge(end, second.segments[0][0]), *second.segments))]
    outline = chains[0].closed()
    if outline.area <= 0:
        raise CorrectionError("these lines enclose nothing")
    owner = change["marks"][0].partition(".")[0]
    sheet = owner if owner.startswith("s") else _piece(pattern, owner).sheet
    numbers = [_natural(p.id)[1] for p in (*pattern.pieces, *pattern.dropped)]
    number = max(numbers, default=0) + 1
    like = next((p for p in pattern.pieces if p.sheet == sheet), None)
    piece = Piece(
        id=f"p{number}",
        name=str(change.get("name", f"Piece {number}")),
        sheet=sheet,
        outline=outline.oriented(),
        expanded_uncertainty_mm=like.expanded_uncertainty_mm if like else 0.0,
        fit=Fit(max_mm=0.0, p95_mm=0.0, rms_mm=0.0),
        notes=("joined by hand from " + " and ".join(change["marks"]) + "; not measured against the picture",),
    )
    joined = replace(pattern, pieces=(*pattern.pieces, piece))
    for name in change["marks"]:
        joined = _with_mark(joined, name, lambda m: replace(m, dropped=True))
    return joined


def _through(change: Change, before: list[Any], after: list[Any]) -> tuple[Segment, ...]:
    """Return the line through drawn points, curved through them where the change says ``smooth``."""
    drawn = [np.array([float(v) for v in p]) for p in change["points"]]
    points = [*before, *drawn, *after]
    if len(points) < 2 or any(p.shape != (2,) or not np.isfinite(p).all() for p in points):
        raise CorrectionError("a line is drawn through at least two points, each x and y in mm")
    if any(float(np.hypot(*(b - a))) < 1e-6 for a, b in itertools.pairwise(points)):
        raise CorrectionError("two drawn points lie on each other")
    if not change.get("smooth", False):
        return tuple(line(a, b) for a, b in itertools.pairwise(points))
    # Cubic through the points, each tangent along its neighbours (Catmull and Rom 1974, uniform).
    ends = [2 * points[0] - points[1], *points, 2 * points[-1] - points[-2]]
    return tuple(
        np.array([b, b + (c - a) / 6, c - (d - b) / 6, c])
        for a, b, c, d in zip(ends, ends[1:], ends[2:], ends[3:], strict=False)
    )


def _draw(pattern: Pattern, change: Change) -> Pattern:
    """Draw a line by hand: a new mark of a sheet or a piece, which can then be joined to others."""
    owner = str(change["on"])
    kind = str(change.get("kind", "internal line"))
    if kind not in get_args(MarkKind):
        raise CorrectionError(f"'{kind}' is no kind of mark; choose one of {', '.join(get_args(MarkKind))}")
    mark = Mark(kind=cast(MarkKind, kind), path=OpenPath(_through(change, [], [])))
    if not any(owner in (h.id for h in holders) for holders in (pattern.pieces, pattern.sheets)):
        raise CorrectionError(f"there is no piece or sheet '{owner}'")
    return replace(
        pattern,
        pieces=tuple(replace(p, marks=(*p.marks, mark)) if p.id == owner else p for p in pattern.pieces),
        sheets=tuple(replace(s, marks=(*s.marks, mark)) if s.id == owner else s for s in pattern.sheets),
    )


def _redraw(pattern: Pattern, change: Change) -> Pattern:
    """Draw a stretch of an outline anew: from one of its points to another, in the order of its points."""
    piece = _piece(pattern, change["piece"])
    i = _node(piece, change)
    j = _node(piece, {"point": change["until"]})
    if i == j:
        raise CorrectionError("a stretch runs from one point to another; these are the same")
    segments = piece.outline.segments
    drawn = _through(change, [segments[i][0].copy()], [segments[j][0].copy()])
    rest = segments[j:i] if j < i else (*segments[j:], *segments[:i])
    note = f"the stretch from point {i + 1} to point {j + 1} was drawn by hand; not measured against the picture"
    return _with_piece(pattern, _reshaped(piece, Path((*drawn, *rest)), note))


def _bridge(start: Any, end: Any) -> tuple[Segment, ...]:
    return () if float(np.hypot(*(end - start))) < 1e-6 else (line(start, end),)


def _follow(pattern: Pattern, change: Change) -> Pattern:
    """Take another closed line as a piece's outline; the line it had becomes a mark of the piece."""
    piece = _piece(pattern, change["piece"])
    mark = _mark(pattern, change["mark"])
    if mark.path is None or not mark.path.is_closed:
        raise CorrectionError(f"mark {change['mark']} is no closed line")
    followed = _reshaped(piece, mark.path.closed(), f"follows the line {change['mark']}, chosen by hand")
    former = Mark(kind="outline", path=OpenPath(piece.outline.segments))
    return _with_piece(pattern, replace(followed, marks=(*piece.marks, former)))


# -- marks ------------------------------------------------------------------------------------------------------------
def _owner_and_index(pattern: Pattern, name: str) -> tuple[str, int, tuple[Mark, ...]]:
    match = _MARK_NAME.fullmatch(str(name))
    if match is None:
        raise CorrectionError(f"'{name}' names no mark; marks are named like p1.m3 or s1.m2")
    owner, index = match["owner"], int(match["number"]) - 1
    holders: list[tuple[str, tuple[Mark, ...]]] = [(p.id, p.marks) for p in pattern.pieces]
    holders += [(s.id, s.marks) for s in pattern.sheets]
    for holder, marks in holders:
        if holder == owner:
            if not 0 <= index < len(marks):
                raise CorrectionError(f"{owner} has {len(marks)} marks; there is no {name}")
            return owner, index, marks
    raise CorrectionError(f"there is no piece or sheet '{owner}'")


def _mark(pattern: Pattern, name: str) -> Mark:
    _, index, marks = _owner_and_index(pattern, name)
    return marks[index]


def _with_mark(pattern: Pattern, name: str, change: Callable[[Mark], Mark]) -> Pattern:
    owner, index, marks = _owner_and_index(pattern, name)
    new = (*marks[:index], change(marks[index]), *marks[index + 1 :])
    return replace(
        pattern,
        pieces=tuple(replace(p, marks=new) if p.id == owner else p for p in pattern.pieces),
        sheets=tuple(replace(s, marks=new) if s.id == owner else s for s in pattern.sheets),
    )


def _natural(name: str) -> tuple[str, int]:
    match = re.fullmatch(r"(\D*)(\d+)", name)
    return (match[1], int(match[2])) if match else (name, 0)


_ACTIONS: dict[str, Callable[[Pattern, Change], Pattern]] = {
    "rename": _rename,
    "cut": _set_cut,
    "kind": _set_kind,
    "drop": _drop,
    "restore": _restore,
    "move": _move,
    "bend": _bend,
    "add": _add,
    "remove": _remove,
    "join": _join,
    "follow": _follow,
    "draw": _draw,
    "redraw": _redraw,
}
