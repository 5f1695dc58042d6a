"""SVG files as vector pages, in millimetres.

The size on the root and its viewBox give the scale (SVG 2, 8.2); lengths without a unit are CSS pixels, 1/96 in (CSS
Values 4, 6.2). svgelements reads the file and applies its transforms. Arcs become cubics (to 1e-6 of their radius).
Of texts the words, the place and about the size are read; pictures, scripts and styles from outside are not.
"""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import svgelements
from numpy.typing import NDArray

from calibration.errors import PictureError
from calibration.picture import DrawnPath, DrawnText, VectorPage
from calibration.units import MM_PER_INCH

_PER_INCH = 96.0
_MM = MM_PER_INCH / _PER_INCH
_CLOSE_MM = 1e-6
_SVGELEMENTS_INCH_PER_MM = 0.0393701
_ARC_PIECES_PER_QUARTER = 2
_LETTER = 0.55
_CAPITAL = 0.7

Rgb = tuple[int, int, int]


def read_svg(path: Path) -> VectorPage:
    """Read the shapes of an SVG file.

    Raises
    ------
    PictureError
        When it is no readable SVG, or defines entities of its own (which are never expanded).
    """
    content = path.read_bytes()
    if b"<!ENTITY" in content:
        raise PictureError(f"{path.name} defines entities of its own; save it as plain SVG")
    try:
        document = svgelements.SVG.parse(str(path), reify=True, ppi=_PER_INCH)
        exact = _exact_unit(document)
        drawn = [d for i, shape in enumerate(document.elements()) for d in _shape(shape, i, exact)]
        texts = tuple(t for element in document.elements() for t in _text(element, exact))
    except (ElementTree.ParseError, ValueError, TypeError, AttributeError, ZeroDivisionError) as error:
        raise PictureError(f"{path.name} is no readable SVG ({error}); save it again as plain SVG") from error
    width, height = (float(v or 0.0) * _MM * exact for v in (document.width, document.height))
    if not (width > 0 and height > 0):
        raise PictureError(f"{path.name} has no size; give the drawing a width and height in mm")
    return VectorPage(width_mm=width, height_mm=height, paths=tuple(drawn), texts=texts)


def _exact_unit(document: svgelements.SVG) -> float:
    """Undo svgelements' rounded millimetre: it takes 1 mm for 0.0393701 in, 0.5 parts in a million too much."""
    width = str(document.values.get("attributes", {}).get("width", ""))
    return 1.0 / (MM_PER_INCH * _SVGELEMENTS_INCH_PER_MM) if width.strip().endswith(("mm", "cm")) else 1.0


def _shape(shape: object, index: int, exact: float) -> Iterator[DrawnPath]:
    if not isinstance(shape, svgelements.Shape):
        return
    if shape.values.get("display") == "none" or shape.values.get("visibility") == "hidden":
        return
    stroke, fill = _rgb(shape.stroke), _rgb(shape.fill)
    width = float(shape.stroke_width or 0.0) * _MM if stroke is not None else 0.0
    path = abs(svgelements.Path(shape))
    for subpath in path.as_subpaths():
        segments = tuple(s * exact for s in _segments(svgelements.Path(subpath)))
        if not segments:
            continue
        closed = bool(np.abs(segments[0][0] - segments[-1][-1]).max() < _CLOSE_MM)
        yield DrawnPath(
            segments=segments,
            closed=closed,
            stroke_rgb=stroke,
            fill_rgb=fill,
            stroke_width_mm=width,
            object_index=index,
        )


def _text(element: object, exact: float) -> Iterator[DrawnText]:
    """The words of a text element; its box is estimated from its size (letters are about 0.55 of it wide)."""
    if not isinstance(element, svgelements.Text) or not (element.text or "").strip():
        return
    if element.values.get("display") == "none" or element.values.get("visibility") == "hidden":
        return
    x, y = _point(element.transform.point_in_matrix_space((float(element.x or 0.0), float(element.y or 0.0))))
    size = float(element.font_size or 12.0) * abs(float(element.transform.determinant)) ** 0.5 * _MM
    words = " ".join(element.text.split())
    width = _LETTER * size * len(words)
    left = x - {"middle": 0.5, "end": 1.0}.get(str(element.anchor), 0.0) * width
    box = (left, y - _CAPITAL * size, left + width, y)
    yield DrawnText(text=words, box_mm=(box[0] * exact, box[1] * exact, box[2] * exact, box[3] * exact))


def _rgb(colour: object) -> Rgb | None:
    if not isinstance(colour, svgelements.Color) or colour.value is None or colour.alpha == 0:
        return None
    return int(colour.red), int(colour.green), int(colour.blue)


def _point(point: svgelements.Point) -> tuple[float, float]:
    return float(point.x) * _MM, float(point.y) * _MM


def _segments(path: svgelements.Path) -> Iterator[NDArray[np.float64]]:
    for segment in path:
        if isinstance(segment, svgelements.Move):
            continue
        if isinstance(segment, svgelements.CubicBezier):
            points = [segment.start, segment.control1, segment.control2, segment.end]
        elif isinstance(segment, svgelements.QuadraticBezier):
            a, q, b = (np.array(_point(p)) for p in (segment.start, segment.control, segment.end))
            yield np.array([a, a + 2 / 3 * (q - a), b + 2 / 3 * (q - b), b])
            continue
        elif isinstance(segment, svgelements.Arc):
            count = max(1, int(np.ceil(abs(segment.sweep) / (np.pi / 2) * _ARC_PIECES_PER_QUARTER)))
            for curve in segment.as_cubic_curves(count):
                yield np.array([_point(p) for p in (curve.start, curve.control1, curve.control2, curve.end)])
            continue
        else:
            points = [segment.start, segment.end]
        if any(p is None for p in points):
            continue
        array = np.array([_point(p) for p in points])
        if np.abs(array - array[0]).max() > _CLOSE_MM:
            yield array
