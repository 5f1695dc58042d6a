"""Where cut-ready pieces lie in the file: as on their sheet, moved aside only where they would lie over each other.

A piece that is cut twice from one tracing, or that grew by its allowance, may cover another; it is then moved, with all
pieces that keep together with it, to a row below the sheet. Nothing is turned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from tracer.cutting.copies import transformed_mark
from tracer.cutting.shape import flat_polygon
from tracer.path import Affine
from tracer.piece import Piece

GAP_MM = 10.0
ROW_MM = 1500.0

_OVER_MM2 = 0.01


def moved_piece(piece: Piece, shift: Affine) -> Piece:
    """Return a piece under a shift, everything on it with it."""
    return replace(
        piece,
        outline=piece.outline.transformed(shift),
        holes=tuple(h.transformed(shift) for h in piece.holes),
        marks=tuple(transformed_mark(m, shift) for m in piece.marks),
    )


def _units(pieces: Sequence[Piece]) -> list[list[int]]:
    """Indices of pieces that move as one: those of one sheet with the same word for keeping together."""
    by_word: dict[tuple[str, str], list[int]] = {}
    units: list[list[int]] = []
    for k, piece in enumerate(pieces):
        word = piece.made.together if piece.made is not None else ""
        if word and (piece.sheet, word) in by_word:
            by_word[piece.sheet, word].append(k)
            continue
        units.append([k])
        if word:
            by_word[piece.sheet, word] = units[-1]
    return units


def arranged(pieces: Sequence[Piece]) -> tuple[Piece, ...]:
    """Return the pieces so that none of different units on one sheet lies over another."""
    out = list(pieces)
    placed: dict[str, list[shapely.Polygon]] = {}
    waiting: dict[str, list[list[int]]] = {}
    for unit in _units(pieces):
        sheet = pieces[unit[0]].sheet
        shapes = [flat_polygon(pieces[k].outline.segments, 0.05) for k in unit]
        here = placed.setdefault(sheet, [])
        if any(a.intersection(b).area > _OVER_MM2 for a in shapes for b in here):
            waiting.setdefault(sheet, []).append(unit)
        else:
            here += shapes
    for sheet, units in waiting.items():
        left, _, _, bottom = shapely.total_bounds(placed[sheet])
        x, y, row = left, bottom + GAP_MM, 0.0
        for unit in units:
            x0, y0, x1, y1 = shapely.total_bounds([shapely.box(*pieces[k].outline.bounds) for k in unit])
            if x > left and x + (x1 - x0) > left + ROW_MM:
                x, y, row = left, y + row + GAP_MM, 0.0
            shift = np.array([[1.0, 0.0, x - x0], [0.0, 1.0, y - y0]])
            for k in unit:
                out[k] = moved_piece(pieces[k], shift)
            x, row = x + (x1 - x0) + GAP_MM, max(row, y1 - y0)
    return tuple(out)
