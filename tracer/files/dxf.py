"""DXF, R2000 and R12, in millimetres.

R2000 keeps curves as degree-3 splines that are exactly the outline's Bezier curves. R12 knows no splines: its outlines
are polylines within a stated deviation. y is flipped here, once: DXF has y up.
"""

from __future__ import annotations

import io
import logging
from collections.abc import Sequence
from typing import Literal

import numpy as np
from ezdxf import units
from ezdxf.document import Drawing as DxfDocument
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new
from ezdxf.layouts.layout import Modelspace
from numpy.typing import NDArray

from tracer.files.drawing import Drawing, DrawnPiece, Layer
from tracer.path import OpenPath, Path
from tracer.segments import Segment

DxfVersion = Literal["R2000", "R12"]
LayerNames = Literal["plain", "numbers"]

DEVIATION_MM = 0.01
"""Greatest distance of a polyline from its curve; well under what any cutter holds (common practice, no source)."""

_NUMBERS: dict[Layer, str] = {
    "outline": "1",
    "notches": "4",
    "fold": "6",
    "grain": "7",
    "internal": "8",
    "stitching": "14",
    "text": "15",
    "other": "8",
}
"""Layer numbers of ASTM D6673 (withdrawn 2019), from secondary sources; 15 for annotation is disputed between them."""

_HOLES_BY_NUMBER = "11"
"""Internal cut-outs; disputed between sources."""


def _layer(layer: Layer, names: LayerNames) -> str:
    return _NUMBERS[layer] if names == "numbers" else layer.upper()


def _flip(points: NDArray[np.float64], height_mm: float) -> NDArray[np.float64]:
    return np.stack([points[:, 0], height_mm - points[:, 1]], axis=1)


def _as_cubic(segment: Segment) -> NDArray[np.float64]:
    if len(segment) == 4:
        return np.asarray(segment)
    a, b = segment
    return np.array([a, a + (b - a) / 3, a + (b - a) * 2 / 3, b])


def _add_spline(space: Modelspace, segments: Sequence[Segment], height_mm: float, layer: str) -> None:
    """One spline of degree 3 with triple inner knots: piecewise Bezier, point for point the same curve."""
    control = [_as_cubic(segments[0])[:1], *(_as_cubic(s)[1:] for s in segments)]
    points = _flip(np.concatenate(control), height_mm)
    inner = [float(k) for k in range(1, len(segments)) for _ in range(3)]
    knots = [0.0] * 4 + inner + [float(len(segments))] * 4
    spline = space.add_open_spline([(x, y, 0.0) for x, y in points], degree=3, dxfattribs={"layer": layer})
    spline.knots = knots


def _add_line(
    space: Modelspace, line: Path | OpenPath, height_mm: float, layer: str, *, splines: bool, deviation_mm: float
) -> None:
    closed = isinstance(line, Path) or line.is_closed
    if splines and any(len(s) == 4 for s in line.segments):
        _add_spline(space, line.segments, height_mm, layer)
        return
    points = _flip(np.asarray(line.flatten(deviation_mm)), height_mm)
    if closed and np.abs(points[0] - points[-1]).max() < 1e-9:
        points = points[:-1]
    attributes = {"layer": layer}
    if splines:
        space.add_lwpolyline([tuple(p) for p in points], close=closed, dxfattribs=attributes)
    else:
        space.add_polyline2d([tuple(p) for p in points], close=closed, dxfattribs=attributes)


def _add_piece(
    space: Modelspace, piece: DrawnPiece, height_mm: float, *, names: LayerNames, splines: bool, deviation_mm: float
) -> None:
    hole_layer = _HOLES_BY_NUMBER if names == "numbers" else _layer("outline", names)
    outlines: list[tuple[Path | OpenPath, str]] = [(piece.outline, _layer("outline", names))]
    outlines += [(h, hole_layer) for h in piece.holes]
    lines: list[tuple[Path | OpenPath, str]] = [(line, _layer(kind, names)) for kind, line in piece.lines]
    for line, layer in (*outlines, *lines):
        _add_line(space, line, height_mm, layer, splines=splines, deviation_mm=deviation_mm)
    for text in piece.texts:
        entity = space.add_text(
            " ".join(text.words.split()), height=text.height_mm, dxfattribs={"layer": _layer("text", names)}
        )
        entity.set_placement((text.at[0], height_mm - text.at[1]), align=TextEntityAlignment.MIDDLE_CENTER)


def dxf_document(
    drawing: Drawing,
    *,
    version: DxfVersion = "R2000",
    layer_names: LayerNames = "plain",
    deviation_mm: float = DEVIATION_MM,
    outlines_only: bool = False,
) -> bytes:
    """Return a drawing as a DXF file.

    Parameters
    ----------
    drawing : Drawing
    version : {'R2000', 'R12'}
    layer_names : {'plain', 'numbers'}
        Layers named by what is on them, or by the numbers of ASTM D6673.
    deviation_mm : float
        Greatest distance between a curve and the polyline written for it (guaranteed); R2000 curves are exact.
    outlines_only : bool
    """
    placed = drawing.at_origin()
    height = placed.frame.height
    library = logging.getLogger("ezdxf")
    level = library.level
    # It warns that R12 has no word for units, which is known and said in the guide.
    library.setLevel(logging.ERROR)
    try:
        document: DxfDocument = new(version, setup=False, units=0 if version == "R12" else units.MM)
    finally:
        library.setLevel(level)
    if version != "R12":
        # R12 has no header variable for units; its numbers are millimetres all the same.
        document.header["$INSUNITS"] = units.MM
        document.header["$MEASUREMENT"] = 1
    used: dict[str, None] = {}
    for layer in _NUMBERS:
        used[_layer(layer, layer_names)] = None
    if layer_names == "numbers":
        used[_HOLES_BY_NUMBER] = None
    for name in used:
        document.layers.add(name)
    for piece in placed.pieces:
        bare = DrawnPiece(id=piece.id, name=piece.name, outline=piece.outline, holes=piece.holes)
        _add_piece(
            document.modelspace(),
            bare if outlines_only else piece,
            height,
            names=layer_names,
            splines=version != "R12",
            deviation_mm=deviation_mm,
        )
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode(document.output_encoding, errors="dxfreplace")
