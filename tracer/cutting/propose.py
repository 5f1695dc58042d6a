"""A cut list proposed from what was read on the pieces: how many, pairs, on the fold, from which material, allowances.

The proposal is text to be looked at and changed, not an answer: whatever was guessed says so in a comment. It is
itself a cut list that can be carried out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from calibration import UnitError, parse_length_mm
from tracer.crossing import nearest_all
from tracer.cutting.edges import Edge, edges_of, listed
from tracer.cutting.fold import STRAIGHT_MM
from tracer.cutting.shape import Shape, shape_of
from tracer.cutting.words import size
from tracer.pattern import Pattern
from tracer.piece import Mark, Piece

_SURE = 0.9
_NEAR_FOLD_MM = 15.0
_ALLOWANCE = re.compile(
    r"(?P<much>\d+(?:[ -]\d+)?(?:/\d+)?(?:\.\d+)?)\s*(?P<unit>mm|cm|inch(?:es)?|in\b|\")[^0-9]{0,12}(?:seam|allow)"
    r"|(?:seam|allow)[^0-9]{0,24}(?P<much2>\d+(?:[ -]\d+)?(?:/\d+)?(?:\.\d+)?)\s*(?P<unit2>mm|cm|inch(?:es)?|in\b|\")",
    re.IGNORECASE,
)


def quoted(text: str) -> str:
    """Return text as a TOML basic string."""
    out = []
    for character in text:
        if character in '"\\':
            out.append("\\" + character)
        elif ord(character) < 32 or ord(character) == 127:
            out.append(f"\\u{ord(character):04x}")
        else:
            out.append(character)
    return '"' + "".join(out) + '"'


def fold_edge(shape: Shape) -> tuple[str, str]:
    """Return the edge that lies on the fold, and why it was taken: a drawn fold line, or the longest straight edge."""
    straight = [e for e in edges_of(shape) if e.bulge_mm() <= STRAIGHT_MM and len(e.segments) < len(shape.labels)]
    if not straight:
        return "", ""
    drawn = [m.path for m in shape.marks if m.kind == "fold line" and m.path is not None]
    if drawn:
        points = np.concatenate([np.asarray(p.flatten(0.5)) for p in drawn])

        def away(edge: Edge) -> float:
            return float(np.median(nearest_all(edge.segments, points)[2]))

        best = min(straight, key=away)
        if away(best) <= _NEAR_FOLD_MM:
            return best.name, "a fold line is drawn along it"
    return max(straight, key=lambda e: e.length_mm).name, "the longest straight edge; no fold line was read"


def written_allowance(marks: Iterable[Mark]) -> str:
    """Return the seam allowance written on a piece or a sheet as a length for a cut list, or an empty text."""
    for match in (m for mark in marks if mark.kind == "text" for m in _ALLOWANCE.finditer(mark.text)):
        much, unit = match["much"] or match["much2"], match["unit"] or match["unit2"]
        text = much + ("in" if unit == '"' or unit.lower().startswith("in") else unit.lower())
        try:
            parse_length_mm(text)
        except UnitError:
            continue
        return text
    return ""


def _commented(text: str) -> str:
    return " ".join(text.split())


def _entry(piece: Piece, on_the_sheet: str, *, by_id: bool, taken: set[str]) -> list[str]:
    shape = shape_of(piece)
    box = piece.outline.bounds
    out = [
        f"# {_commented(piece.name)} ({piece.id}): {size(box.width, box.height)}; edges {listed(shape)}",
        "[[piece]]",
        f"from = {quoted(piece.id if by_id else piece.name)}",
    ]
    name = piece.name
    while name in taken:
        name = f"{name} ({piece.id})"
    taken.add(name)
    if name != piece.name:
        out.append(f"name = {quoted(name)}")
    unsure = f"  # read with confidence {piece.cut.confidence:.2f}: check" if piece.cut.confidence < _SURE else ""
    count = max(piece.cut.count, 2) if piece.cut.mirrored else piece.cut.count
    out.append(f"count = {max(1, count)}{unsure}")
    if piece.cut.mirrored:
        out.append(f"pair = true{unsure}")
    if piece.cut.fold:
        edge, why = fold_edge(shape)
        if edge:
            out.append(f'unfold = "{edge}"  # {why}: check')
        else:
            out.append("# read as cut on the fold, but it has no straight edge to unfold on")
    if piece.cut.material:
        out.append(f"on = {quoted(piece.cut.material)}{unsure}")
    allowance = written_allowance(piece.marks) or on_the_sheet
    if allowance:
        out.append(f"# the paper says {allowance} seam allowance; if the outline includes it and another is wanted:")
        out.append(f'# allowance = {{ includes = "{allowance}", all = "{allowance}" }}')
    return out


def propose(pattern: Pattern) -> str:
    """Return a cut list (TOML with comments) for every traced piece, from what was read on it."""
    names = [p.name for p in pattern.pieces]
    taken: set[str] = set()
    out = [
        "# A cut list proposed from what was read on the pieces. Look it over, change it, then run",
        "#   tracewheel cut JOB THIS-FILE",
        "# Each [[piece]] may also have: name, together, trim, join, unfold, split, allowance, on.",
        "",
    ]
    on_sheets = {sheet.id: written_allowance(sheet.marks) for sheet in pattern.sheets}
    for piece in pattern.pieces:
        by_id = names.count(piece.name) > 1 or any(p.id == piece.name for p in pattern.pieces) or not piece.name.strip()
        out += [*_entry(piece, on_sheets.get(piece.sheet, ""), by_id=by_id, taken=taken), ""]
    return "\n".join(out)
