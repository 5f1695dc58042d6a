"""A lay as drawings to be written: one a mat or length of fabric, at true size."""

from __future__ import annotations

import json
from pathlib import Path as FilePath
from typing import Any

from tracer.errors import JobError, PathError
from tracer.files.drawing import Drawing, DrawnPiece, DrawnText
from tracer.path import Bounds, subpaths_from_svg

LAY_SCHEMA = "tracewheel-lay/1"


def lay_drawings(path: FilePath) -> list[Drawing]:
    """Read a lay file into one drawing a mat; the frame is the whole mat, or the fabric used.

    Raises
    ------
    JobError
        When the file is missing or damaged.
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
        return [_mat(data, index, mat) for index, mat in enumerate(data["mats"])]
    except (KeyError, TypeError, ValueError, PathError) as error:
        raise JobError(f"{path} is damaged: {type(error).__name__} at {error}") from error


def _mat(data: dict[str, Any], index: int, mat: dict[str, Any]) -> Drawing:
    surface = data["surface"]
    # Mats may differ in size, and each material takes its own length of cloth.
    width = float(mat.get("width_mm", surface["width_mm"]))
    length = float(mat.get("length_mm", surface["length_mm"]) or mat["used_length_mm"])
    pieces = []
    for number, placed in enumerate(mat["placements"]):
        paths = " ".join([placed["outline"], *placed.get("holes", [])])
        outline, *holes = [chain.closed() for chain in subpaths_from_svg(paths)]
        name = f"{placed.get('name', placed['piece'])} {placed['copy']}" + (" mirrored" if placed["mirrored"] else "")
        pieces.append(
            DrawnPiece(
                id=f"m{index + 1}-{number + 1}",
                name=name,
                outline=outline,
                holes=tuple(holes),
                texts=(DrawnText(words=name, at=outline.centroid),),
            )
        )
    frame = Bounds(0.0, 0.0, width, length)
    return Drawing(title=f"lay-{index + 1}", pieces=tuple(pieces), frame=frame)
