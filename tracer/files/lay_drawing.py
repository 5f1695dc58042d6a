"""A lay as drawings to be written: one a mat or length of fabric, at true size.

The lay file holds outlines; what is drawn inside the pieces (notches, stitching and grain lines) is taken from the
pieces themselves, laid as their outlines are. A lay whose outlines are no longer those of the pieces is refused.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from tracer.errors import JobError, PathError
from tracer.files.drawing import Drawing, DrawnPiece, drawn_piece, fitting_text
from tracer.path import Bounds, Path, rotation_matrix, subpaths_from_svg
from tracer.piece import Piece

LAY_SCHEMA = "tracewheel-lay/1"
_SAME_MM = 0.02


def lay_drawings(path: FilePath, pieces: Sequence[Piece] = ()) -> list[Drawing]:
    """Read a lay file into one drawing a mat; the frame is the whole mat, or the fabric used.

    Parameters
    ----------
    path : pathlib.Path
    pieces : sequence of Piece
        The pieces that were laid, for what is drawn inside them; outlines only without.

    Raises
    ------
    JobError
        When the file is missing or damaged, or is of other pieces.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise JobError(f"there is no {path.name} in {path.parent}; make it with 'tracewheel lay'") from None
    except (OSError, ValueError) as error:
        raise JobError(f"cannot read {path}: {error}") from error
    if not isinstance(data, dict) or data.get("schema") != LAY_SCHEMA:
        raise JobError(f"{path} is no lay file")
    try:
        by_id = {p.id: p for p in pieces}
        return [_mat(data, index, mat, by_id) for index, mat in enumerate(data["mats"])]
    except (KeyError, TypeError, ValueError, PathError) as error:
        raise JobError(f"{path} is damaged: {type(error).__name__} at {error}") from error


def lay_of(path: FilePath, found: Counter[str]) -> int | None:
    """Return the number (from 1) of the lay that holds exactly these copies, by their pieces' ids; None without one."""
    try:
        mats = json.loads(path.read_text(encoding="utf-8"))["mats"]
        held = [Counter(str(p["piece"]) for p in mat["placements"]) for mat in mats]
    except (OSError, ValueError, KeyError, TypeError):
        # No lay, or none that can be read: then the file is not one of its drawings.
        return None
    return next((number for number, copies in enumerate(held, start=1) if copies == found), None)


def _mat(data: dict[str, Any], index: int, mat: dict[str, Any], by_id: dict[str, Piece]) -> Drawing:
    surface = data["surface"]
    # Mats may differ in size, and each material takes its own length of cloth.
    width = float(mat.get("width_mm", surface["width_mm"]))
    length = float(mat.get("length_mm", surface["length_mm"]) or mat["used_length_mm"])
    pieces = []
    for number, placed in enumerate(mat["placements"]):
        paths = " ".join([placed["outline"], *placed.get("holes", [])])
        outline, *holes = [chain.closed() for chain in subpaths_from_svg(paths)]
        name = f"{placed.get('name', placed['piece'])} {placed['copy']}" + (" mirrored" if placed["mirrored"] else "")
        inside = _inside(placed, outline, by_id) if by_id else None
        pieces.append(
            DrawnPiece(
                id=f"m{index + 1}-{number + 1}",
                name=name,
                outline=outline,
                holes=tuple(holes),
                lines=inside.lines if inside else (),
                texts=(fitting_text(name, outline.centroid, outline),),
            )
        )
    frame = Bounds(0.0, 0.0, width, length)
    return Drawing(title=f"lay-{index + 1}", pieces=tuple(pieces), frame=frame)


def _inside(placed: dict[str, Any], outline: Path, by_id: dict[str, Piece]) -> DrawnPiece | None:
    """The piece as it is placed, with its marks; None for a half that was laid whole on a fold."""
    piece = by_id.get(str(placed["piece"]))
    if piece is not None:
        turn = rotation_matrix(float(placed["rotation_deg"]))
        if placed["mirrored"]:
            turn = np.column_stack([turn[:, :2] @ np.diag([-1.0, 1.0]), turn[:, 2]])
        laid = drawn_piece(piece).transformed(turn)
        here, there = laid.outline.bounds, outline.bounds
        laid = laid.moved(there.x_min - here.x_min, there.y_min - here.y_min)
        if abs(here.width - there.width) < _SAME_MM and abs(here.height - there.height) < _SAME_MM:
            return laid
        if piece.cut.fold:
            return None
    name = placed.get("name", placed["piece"])
    raise JobError(f"the lay is not of the pieces as they are now ('{name}' differs); run 'tracewheel lay' again")
