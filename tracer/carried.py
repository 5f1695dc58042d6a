"""Corrections carried over to a new tracing of the same sheets.

When the scale was set anew, everything is traced again. Names, kinds, what was dropped and how often a piece is cut are
carried over by where the pieces lie; points that were moved are carried over in proportion to the sheet. A change that
no longer makes sense, because the outline now has other points, is named in a finding and not made.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration import Finding
from tracer.correct import Change, as_read, describe, record
from tracer.errors import CorrectionError
from tracer.pattern import Pattern
from tracer.piece import Piece

_NEAR = 0.02
"""Middles nearer than this share of the sheet are the same piece's (judgement)."""
_BY_POINT = ("move", "bend", "add", "remove", "redraw")


def carry_over(earlier: Pattern, new: Pattern) -> Pattern:
    """Return the new pattern with the changes in force in the earlier one made again.

    Returns
    -------
    Pattern
        Its findings name every change that could not be made.
    """
    if earlier.history is None or earlier.history.done == 0:
        return new
    was = read = as_read(earlier)
    pieces = _same_pieces(read, new)
    out = new
    lost: list[Finding] = []
    for change in earlier.history.changes[: earlier.history.done]:
        before = was
        was = record(was, change)
        try:
            after = record(out, _translated(change, before, read, new, pieces))
        except CorrectionError as error:
            words = f"a change made by hand was not carried over ({describe(change)}): {error}"
            lost.append(Finding(code="change-not-kept", message=words))
            continue
        # A piece joined by hand is new in both; they are the same piece.
        pieces |= dict(zip(_new_ids(before, was), _new_ids(out, after), strict=True))
        out = after
    return replace(out, findings=(*out.findings, *lost))


def _new_ids(before: Pattern, after: Pattern) -> list[str]:
    known = {p.id for p in (*before.pieces, *before.dropped)}
    return [p.id for p in (*after.pieces, *after.dropped) if p.id not in known]


def _middle(piece: Piece, pattern: Pattern) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    size = next((s.size_mm for s in pattern.sheets if s.id == piece.sheet), (1.0, 1.0))
    return np.asarray(np.array(piece.outline.centroid) / np.array(size))


def _same_pieces(read: Pattern, new: Pattern) -> dict[str, str]:
    out: dict[str, str] = {}
    for piece in read.pieces:
        alike = [p for p in new.pieces if p.sheet == piece.sheet and p.id not in out.values()]
        if not alike:
            continue
        here = _middle(piece, read)
        best = min(alike, key=lambda p: float(np.abs(_middle(p, new) - here).max()))
        if float(np.abs(_middle(best, new) - here).max()) < _NEAR:
            out[piece.id] = best.id
    return out


def _translated(change: Change, was: Pattern, read: Pattern, new: Pattern, pieces: dict[str, str]) -> Change:
    """Return a change of the earlier pattern, as it ``was`` just before it, in the words of the new one."""
    out = dict(change)
    old_id = ""
    if "piece" in change:
        called = str(change["piece"])
        old_id = next((p.id for p in (*was.pieces, *was.dropped) if called in (p.id, p.name)), called)
        if old_id not in pieces:
            raise CorrectionError(f"there is no piece where {change['piece']} was")
        out["piece"] = pieces[old_id]
    for key in ("mark", "on"):
        if key in change:
            out[key] = _owner(str(change[key]), pieces)
    if "marks" in change:
        out["marks"] = [_owner(str(m), pieces) for m in change["marks"]]
    for key in ("mark", "marks"):
        for name in [change[key]] if key == "mark" and key in change else change.get(key, []):
            _must_be_alike(str(name), read, new, pieces)
    before = next((p for p in read.pieces if p.id == old_id), None)
    if change.get("do") in _BY_POINT and before is not None:
        after = next((p for p in new.pieces if p.id == out["piece"]), None)
        if after is None or before.outline.node_count != after.outline.node_count:
            raise CorrectionError("its outline now has other points")
    scale = _scale(before.sheet if before else new.sheets[0].id, read, new)
    if "to" in change:
        out["to"] = [round(float(v) * s, 4) for v, s in zip(change["to"], scale, strict=True)]
    for key in ("handles", "points"):
        if key in change:
            out[key] = [[round(float(v) * s, 4) for v, s in zip(p, scale, strict=True)] for p in change[key]]
    return out


def _owner(name: str, pieces: dict[str, str]) -> str:
    owner, dot, rest = name.partition(".")
    if owner.startswith("s"):
        return name
    if owner not in pieces:
        raise CorrectionError(f"there is no piece where {owner} was")
    return pieces[owner] + dot + rest


def _must_be_alike(name: str, read: Pattern, new: Pattern, pieces: dict[str, str]) -> None:
    """A mark is named by its place in a list: the list must be as long as it was, or it is another mark."""
    owner = name.partition(".")[0]
    here, there = (
        {p.id: len(p.marks) for p in pattern.pieces} | {s.id: len(s.marks) for s in pattern.sheets}
        for pattern in (read, new)
    )
    if owner in here and here[owner] != there.get(pieces.get(owner, owner)):
        raise CorrectionError("other marks were read there this time")


def _scale(sheet: str, read: Pattern, new: Pattern) -> tuple[float, float]:
    a = next((s.size_mm for s in read.sheets if s.id == sheet), None)
    b = next((s.size_mm for s in new.sheets if s.id == sheet), None)
    return (1.0, 1.0) if a is None or b is None else (b[0] / a[0], b[1] / a[1])
