"""What is drawn on a PDF page: paths, text and images, in millimetres.

Default user space is 1/72 in (ISO 32000-1, 8.3.2.3); a page's ``UserUnit`` multiplies it (table 30). Page boxes,
``Rotate``, the matrices of nested form XObjects (8.10.1) and of each object are applied; y runs down from the top-left
corner of the visible page. Curves stay the cubic Bezier curves that they are in the file.

Limits: PDFium holds coordinates in single precision, so a point of a sheet 1 m long is good to about 1e-4 mm. Shadings
and glyph shapes are not paths. A clip path is kept as its bounding box.
"""

from __future__ import annotations

import ctypes
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
from numpy.typing import NDArray

from calibration.errors import PictureError
from calibration.picture import DrawnPath, DrawnText, VectorPage
from calibration.units import MM_PER_INCH

MM_PER_POINT = MM_PER_INCH / 72.0
"""One unit of default user space, ISO 32000-1, 8.3.2.3."""

Matrix = NDArray[np.float64]
"""Shape (3, 3), acting on column vectors (x, y, 1)."""

Box = tuple[float, float, float, float]

_MAX_FORM_DEPTH = 24
_TEXT_GAP_HEIGHTS = 1.5
_TEXT_TURN_RAD = 0.1
_COINCIDE_MM = 1e-4


class PlacedImage(NamedTuple):
    """An image on a page: its PDFium object, the matrix from the unit square to millimetres, and its size."""

    raw: Any
    to_mm: Matrix
    size_px: tuple[int, int]

    @property
    def area_mm2(self) -> float:
        """Area that it covers."""
        return abs(float(np.linalg.det(self.to_mm[:2, :2])))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PageContent:
    """Everything found on a page.

    ``visible_text`` says whether any text is painted (scans often carry their recognised words invisibly).
    """

    vectors: VectorPage
    images: tuple[PlacedImage, ...]
    visible_text: bool


@dataclass(slots=True, eq=False)
class _Collected:
    max_segments: int
    hidden_layers: frozenset[str]
    paths: list[DrawnPath] = field(default_factory=list)
    images: list[PlacedImage] = field(default_factory=list)
    visible_text: bool = False
    objects: int = 0
    segments: int = 0


def page_matrix(page: pypdfium2.PdfPage, user_unit: float) -> tuple[Matrix, float, float]:
    """Return the matrix from default user space to millimetres, and the page's width and height in millimetres.

    PDFium's bounding box is the crop box within the media box, both inherited as the standard says (7.7.3.4).
    """
    left, bottom, right, top = page.get_bbox()
    rows = {
        0: [[1, 0, -left], [0, -1, top]],
        90: [[0, 1, -bottom], [1, 0, -left]],
        180: [[-1, 0, right], [0, 1, -bottom]],
        270: [[0, -1, top], [-1, 0, right]],
    }
    turn = page.get_rotation() % 360
    unit_mm = MM_PER_POINT * user_unit
    matrix = np.array([*rows.get(turn, rows[0]), [0, 0, 1]], dtype=np.float64)
    matrix[:2] *= unit_mm
    width, height = (right - left) * unit_mm, (top - bottom) * unit_mm
    return (matrix, height, width) if turn in (90, 270) else (matrix, width, height)


def read_page(
    page: pypdfium2.PdfPage, *, user_unit: float, hidden_layers: frozenset[str], max_segments: int
) -> PageContent:
    """Collect what a page draws.

    Parameters
    ----------
    page : PdfPage
    user_unit : float
        The page's ``UserUnit`` (PDFium does not read it).
    hidden_layers : frozenset of str
        Names of optional content groups that are switched off; what is marked as theirs is left out.
    max_segments : int
        A page that draws more is refused.

    Raises
    ------
    PictureError
        When the page draws more than ``max_segments`` segments.
    """
    to_mm, width_mm, height_mm = page_matrix(page, user_unit)
    found = _Collected(max_segments=max_segments, hidden_layers=hidden_layers)
    count = pdfium.FPDFPage_CountObjects(page)
    _walk(lambda i: pdfium.FPDFPage_GetObject(page, i), count, to_mm, found, page=page, depth=0)
    texts = tuple(_read_texts(page, to_mm))
    return PageContent(
        vectors=VectorPage(width_mm=width_mm, height_mm=height_mm, paths=tuple(found.paths), texts=texts),
        images=tuple(found.images),
        visible_text=found.visible_text,
    )


def _object_matrix(raw: Any) -> Matrix:
    m = pdfium.FS_MATRIX()
    pdfium.FPDFPageObj_GetMatrix(raw, m)
    return np.array([[m.a, m.c, m.e], [m.b, m.d, m.f], [0.0, 0.0, 1.0]])


def _walk(
    get: Callable[[int], Any], count: int, to_mm: Matrix, found: _Collected, *, page: pypdfium2.PdfPage, depth: int
) -> None:
    for index in range(count):
        raw = get(index)
        if found.hidden_layers and _is_hidden(raw, found.hidden_layers):
            continue
        kind = pdfium.FPDFPageObj_GetType(raw)
        if kind == pdfium.FPDF_PAGEOBJ_PATH:
            _read_path(raw, to_mm, found)
        elif kind == pdfium.FPDF_PAGEOBJ_FORM:
            if depth < _MAX_FORM_DEPTH:
                inner = pdfium.FPDFFormObj_CountObjects(raw)
                _walk(
                    lambda i, form=raw: pdfium.FPDFFormObj_GetObject(form, i),  # type: ignore[misc]
                    inner,
                    to_mm @ _object_matrix(raw),
                    found,
                    page=page,
                    depth=depth + 1,
                )
        elif kind == pdfium.FPDF_PAGEOBJ_IMAGE:
            width, height = ctypes.c_uint(), ctypes.c_uint()
            if pdfium.FPDFImageObj_GetImagePixelSize(raw, width, height) and width.value and height.value:
                found.images.append(PlacedImage(raw, to_mm @ _object_matrix(raw), (width.value, height.value)))
        elif kind == pdfium.FPDF_PAGEOBJ_TEXT:
            # Mode 3 is invisible text (ISO 32000-1, table 106).
            mode = pdfium.FPDFTextObj_GetTextRenderMode(raw)
            found.visible_text |= mode != pdfium.FPDF_TEXTRENDERMODE_INVISIBLE


# -- paths ------------------------------------------------------------------------------------------------------------
def _colour(raw: Any, read: Callable[..., int]) -> tuple[int, int, int] | None:
    """Return a colour, None when it is fully transparent; patterns and the like count as black."""
    r, g, b, a = (ctypes.c_uint() for _ in range(4))
    if not read(raw, r, g, b, a):
        return (0, 0, 0)
    return None if a.value == 0 else (r.value, g.value, b.value)


def _read_path(raw: Any, to_mm: Matrix, found: _Collected) -> None:
    fill_mode, stroke = ctypes.c_int(), ctypes.c_int()
    pdfium.FPDFPath_GetDrawMode(raw, fill_mode, stroke)
    stroke_rgb = _colour(raw, pdfium.FPDFPageObj_GetStrokeColor) if stroke.value else None
    fill_rgb = _colour(raw, pdfium.FPDFPageObj_GetFillColor) if fill_mode.value else None
    if stroke_rgb is None and fill_rgb is None:
        return
    count = pdfium.FPDFPath_CountSegments(raw)
    found.segments += max(count, 0)
    if found.segments > found.max_segments:
        raise PictureError(
            f"the page draws more than {found.max_segments} lines and curves; print it to a picture and trace that"
        )
    matrix = to_mm @ _object_matrix(raw)
    grown = math.sqrt(abs(float(np.linalg.det(matrix[:2, :2]))))
    width_mm = 0.0
    dash_mm: tuple[float, ...] = ()
    if stroke_rgb is not None:
        width = ctypes.c_float()
        pdfium.FPDFPageObj_GetStrokeWidth(raw, width)
        width_mm, dash_mm = width.value * grown, _dash(raw, grown)
    clip_mm = _clip_box(raw, to_mm)
    number = found.objects
    found.objects += 1
    for segments, closed in _subpaths(raw, count, matrix, filled_only=stroke_rgb is None):
        found.paths.append(
            DrawnPath(
                segments=segments,
                closed=closed,
                stroke_rgb=stroke_rgb,
                fill_rgb=fill_rgb,
                stroke_width_mm=width_mm,
                dash_mm=dash_mm,
                object_index=number,
                clip_mm=clip_mm,
            )
        )


def _dash(raw: Any, grown: float) -> tuple[float, ...]:
    count = pdfium.FPDFPageObj_GetDashCount(raw)
    if count <= 0:
        return ()
    values = (ctypes.c_float * count)()
    pdfium.FPDFPageObj_GetDashArray(raw, values, count)
    dash = tuple(value * grown for value in values)
    # All gaps zero paints a solid line.
    return dash if any(v > 0 for v in dash[1::2]) or (len(dash) % 2 and dash[0] > 0) else ()


def _points(count: int, get: Callable[[int], Any]) -> tuple[NDArray[np.float64], list[int], list[bool]]:
    """Read points, types and closing flags of a path's or clip path's segments."""
    x, y = ctypes.c_float(), ctypes.c_float()
    x_ref, y_ref = ctypes.byref(x), ctypes.byref(y)
    point, type_of, closes = (
        pdfium.FPDFPathSegment_GetPoint,
        pdfium.FPDFPathSegment_GetType,
        pdfium.FPDFPathSegment_GetClose,
    )
    coordinates: list[float] = []
    types, closing = [], []
    for index in range(count):
        segment = get(index)
        point(segment, x_ref, y_ref)
        coordinates += (x.value, y.value)
        types.append(type_of(segment))
        closing.append(bool(closes(segment)))
    return np.array(coordinates, dtype=np.float64).reshape(-1, 2), types, closing


def _subpaths(
    raw: Any, count: int, matrix: Matrix, *, filled_only: bool
) -> Iterator[tuple[tuple[NDArray[np.float64], ...], bool]]:
    points, types, closing = _points(count, lambda i: pdfium.FPDFPath_GetPathSegment(raw, i))
    if not np.isfinite(points).all():
        return
    points = points @ matrix[:2, :2].T + matrix[:2, 2]
    points.setflags(write=False)
    current: list[NDArray[np.float64]] = []
    start = 0
    index = 0

    def finish(*, close: bool) -> Iterator[tuple[tuple[NDArray[np.float64], ...], bool]]:
        if not current:
            return
        first, last = current[0][0], current[-1][-1]
        meets = float(np.abs(first - last).max()) <= _COINCIDE_MM
        # Filling closes every open subpath (ISO 32000-1, 8.5.3.3.1).
        if (close or filled_only) and not meets:
            current.append(np.array([last, first]))
            meets = True
        yield tuple(current), meets

    while index < count:
        kind = types[index]
        if kind == pdfium.FPDF_SEGMENT_MOVETO:
            yield from finish(close=False)
            current = []
            start = index
            index += 1
            continue
        if kind == pdfium.FPDF_SEGMENT_BEZIERTO and index + 2 < count:
            current.append(points[index - 1 : index + 3])
            index += 3
        else:
            if (points[index - 1] != points[index]).any():
                current.append(points[index - 1 : index + 1])
            index += 1
        if closing[index - 1]:
            yield from finish(close=True)
            current = []
            # After closepath the current point is the subpath's start (8.5.2.1).
            if index < count and types[index] != pdfium.FPDF_SEGMENT_MOVETO:
                points = points.copy()
                points[index - 1] = points[start]
    yield from finish(close=False)


def _clip_box(raw: Any, to_mm: Matrix) -> Box | None:
    """Return the bounding box in millimetres of an object's clip path, None where nothing is clipped."""
    clip = pdfium.FPDFPageObj_GetClipPath(raw)
    number = pdfium.FPDFClipPath_CountPaths(clip) if clip else 0
    box: Box | None = None
    for k in range(max(number, 0)):
        count = pdfium.FPDFClipPath_CountPathSegments(clip, k)
        if count <= 0:
            continue
        points, _, _ = _points(count, lambda i, k=k: pdfium.FPDFClipPath_GetPathSegment(clip, k, i))  # type: ignore[misc]
        points = points @ to_mm[:2, :2].T + to_mm[:2, 2]
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        if box is not None:
            x0, y0, x1, y1 = max(x0, box[0]), max(y0, box[1]), min(x1, box[2]), min(y1, box[3])
        box = (float(x0), float(y0), float(x1), float(y1))
    return box


def _is_hidden(raw: Any, hidden: frozenset[str]) -> bool:
    """Whether an object is marked as part of a switched-off layer (ISO 32000-1, 8.11.3.2: /OC marked content)."""
    for k in range(max(pdfium.FPDFPageObj_CountMarks(raw), 0)):
        mark = pdfium.FPDFPageObj_GetMark(raw, k)
        length = ctypes.c_ulong()
        buffer = (ctypes.c_ushort * 256)()
        if pdfium.FPDFPageObjMark_GetName(mark, buffer, ctypes.sizeof(buffer), length):
            name = bytes(buffer)[: length.value].decode("utf-16-le", "replace").rstrip("\0")
            if name != "OC":
                continue
            if (
                pdfium.FPDFPageObjMark_GetParamStringValue(mark, b"Name", buffer, ctypes.sizeof(buffer), length)
                and bytes(buffer)[: length.value].decode("utf-16-le", "replace").rstrip("\0") in hidden
            ):
                return True
    return False


# -- text -------------------------------------------------------------------------------------------------------------
def _read_texts(page: pypdfium2.PdfPage, to_mm: Matrix) -> Iterator[DrawnText]:
    """Yield runs of text in reading order; a run ends at a line end, a turn or a wide gap."""
    textpage = page.get_textpage()
    try:
        count = textpage.count_chars()
        words: list[str] = []
        boxes: list[Box] = []
        angle = 0.0
        for i in range(count):
            code = pdfium.FPDFText_GetUnicode(textpage, i)
            character = chr(code) if 0 < code <= 0x10FFFF and not 0xD800 <= code < 0xE000 else ""
            if character in ("\r", "\n"):
                yield from _run(words, boxes, to_mm)
                words, boxes = [], []
                continue
            if not character.strip():
                if words:
                    words.append(" ")
                continue
            box = textpage.get_charbox(i)
            here = pdfium.FPDFText_GetCharAngle(textpage, i)
            if boxes and (abs(here - angle) > _TEXT_TURN_RAD or _gap(boxes[-1], box) > _TEXT_GAP_HEIGHTS):
                yield from _run(words, boxes, to_mm)
                words, boxes = [], []
            words.append(character)
            boxes.append(box)
            angle = here
        yield from _run(words, boxes, to_mm)
    finally:
        textpage.close()


def _gap(before: Box, after: Box) -> float:
    """Distance between two character boxes, in heights of the larger one."""
    dx = max(after[0] - before[2], before[0] - after[2], 0.0)
    dy = max(after[1] - before[3], before[1] - after[3], 0.0)
    size = max(before[3] - before[1], after[3] - after[1], before[2] - before[0], after[2] - after[0], 1e-6)
    return math.hypot(dx, dy) / size


def _run(words: list[str], boxes: list[Box], to_mm: Matrix) -> Iterator[DrawnText]:
    text = " ".join("".join(words).split())
    if not text or not boxes:
        return
    all_boxes = np.array(boxes)
    corners = np.array([all_boxes[:, :2].min(axis=0), all_boxes[:, 2:].max(axis=0)])
    corners = corners @ to_mm[:2, :2].T + to_mm[:2, 2]
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    yield DrawnText(text=text, box_mm=(float(x0), float(y0), float(x1), float(y1)))
