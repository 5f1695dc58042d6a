"""PDF at true size: one page, tiles to print at home, and a projector page.

The page's own unit is 1/72 in (ISO 32000-1, 8.3.2.3); a page larger than 14 400 units, 200 in, takes a larger unit
through ``UserUnit`` (ISO 32000-1, table 30). Layers are optional content groups (ISO 32000-1, 8.11). reportlab draws;
pypdf adds what reportlab has no word for.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pypdf import PdfReader, PdfWriter
from pypdf.generic import ArrayObject, DictionaryObject, FloatObject, NameObject, PdfObject, TextStringObject
from reportlab.pdfgen.canvas import Canvas

from calibration import MM_PER_INCH
from tracer.files.drawing import DASHES_MM, LAYERS, Drawing, DrawnPiece, Layer
from tracer.path import OpenPath, Path
from tracer.segments import Segment

POINTS_PER_MM = 72.0 / MM_PER_INCH
_LARGEST_PT = 14400.0
_HAIRLINE_MM = 0.2
_PROJECTOR_LINE_MM = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PdfStyle:
    """How lines look: pen width in mm, and whether only outlines are drawn."""

    line_mm: float = _HAIRLINE_MM
    outlines_only: bool = False


PROJECTOR = PdfStyle(line_mm=_PROJECTOR_LINE_MM)
"""Thick lines that can be seen on cloth, no fill."""


class PdfPages:
    """Pages being made, in millimetres with y down; closes into bytes."""

    def __init__(self, *, title: str) -> None:
        self._stream = io.BytesIO()
        self._canvas = Canvas(self._stream, pageCompression=1, invariant=1)
        self._canvas.setTitle(title)
        self._canvas.setCreator("Tracewheel")
        self._units: list[float] = []
        self._sizes: list[tuple[float, float]] = []
        self._layers_used: dict[Layer, None] = {}
        self._height_mm = 0.0

    @property
    def canvas(self) -> Canvas:
        """The reportlab canvas of the page begun last: millimetres, y up, origin at the bottom-left corner."""
        return self._canvas

    def begin(self, width_mm: float, height_mm: float) -> None:
        """Begin a page of this size."""
        width_pt, height_pt = width_mm * POINTS_PER_MM, height_mm * POINTS_PER_MM
        unit = max(1, math.ceil(max(width_pt, height_pt) / _LARGEST_PT))
        self._units.append(float(unit))
        self._sizes.append((width_pt / unit, height_pt / unit))
        self._height_mm = height_mm
        self._canvas.setPageSize((width_pt / unit, height_pt / unit))
        self._canvas.saveState()
        self._canvas.scale(POINTS_PER_MM / unit, POINTS_PER_MM / unit)

    def end(self) -> None:
        """Finish the page."""
        self._canvas.restoreState()
        self._canvas.showPage()

    def up(self, y_mm: float) -> float:
        """Return a y-down coordinate of the page as y up."""
        return self._height_mm - y_mm

    def stroke(
        self,
        lines: Iterable[Path | OpenPath],
        *,
        width_mm: float,
        layer: Layer | None = None,
        dashes_mm: Sequence[float] = (),
    ) -> None:
        """Stroke lines given in the page's millimetres, y down; ``dashes_mm`` are dash, gap, and so on."""
        shape = self._canvas.beginPath()
        empty = True
        for line in lines:
            empty = False
            closed = isinstance(line, Path) or line.is_closed
            self._chain(shape, line.segments, closed=closed)
        if empty:
            return
        self._open_layer(layer)
        self._canvas.setLineWidth(width_mm)
        self._canvas.setLineJoin(1)
        self._canvas.setDash(list(dashes_mm))
        self._canvas.drawPath(shape, stroke=1, fill=0)
        self._close_layer(layer)

    def words(self, text: str, at: tuple[float, float], height_mm: float, *, layer: Layer | None = None) -> None:
        """Write words centred on a place given y down; letters that the standard fonts lack become '?'."""
        plain = text.encode("cp1252", errors="replace").decode("cp1252")
        self._open_layer(layer)
        self._canvas.setFont("Helvetica", height_mm * 1.4)
        self._canvas.drawCentredString(at[0], self.up(at[1]) - height_mm / 2, plain)
        self._close_layer(layer)

    def _chain(self, shape: object, segments: Sequence[Segment], *, closed: bool) -> None:
        move, line, curve, close = (getattr(shape, n) for n in ("moveTo", "lineTo", "curveTo", "close"))
        move(segments[0][0][0], self.up(segments[0][0][1]))
        for index, segment in enumerate(segments):
            if len(segment) == 4:
                curve(*(v for p in segment[1:] for v in (p[0], self.up(p[1]))))
            elif not (closed and index == len(segments) - 1 and index > 0):
                line(segment[1][0], self.up(segment[1][1]))
        if closed:
            close()

    def _open_layer(self, layer: Layer | None) -> None:
        if layer is not None:
            self._layers_used[layer] = None
            self._operator(f"/OC /{layer} BDC")

    def _close_layer(self, layer: Layer | None) -> None:
        if layer is not None:
            self._operator("EMC")

    def _operator(self, code: str) -> None:
        # reportlab has no call for marked content; its list of operators is where its own calls write too.
        getattr(self._canvas, "_code").append(code)  # noqa: B009

    def close(self) -> bytes:
        """Return the finished file."""
        self._canvas.save()
        writer = PdfWriter(clone_from=PdfReader(io.BytesIO(self._stream.getvalue())))
        layers = [name for name in LAYERS if name in self._layers_used]
        groups: dict[Layer, PdfObject] = {
            name: writer._add_object(
                DictionaryObject({NameObject("/Type"): NameObject("/OCG"), NameObject("/Name"): TextStringObject(name)})
            )
            for name in layers
        }
        for page, unit, (width_pt, height_pt) in zip(writer.pages, self._units, self._sizes, strict=True):
            box = ArrayObject([FloatObject(0), FloatObject(0), _exact(width_pt), _exact(height_pt)])
            for name in ("/MediaBox", "/CropBox", "/TrimBox"):
                page[NameObject(name)] = box
            if unit != 1.0:
                page[NameObject("/UserUnit")] = FloatObject(unit)
            resources = page["/Resources"].get_object()
            assert isinstance(resources, DictionaryObject)
            resources[NameObject("/Properties")] = DictionaryObject(
                {NameObject(f"/{name}"): group for name, group in groups.items()}
            )
        listed = ArrayObject(list(groups.values()))
        writer.root_object[NameObject("/OCProperties")] = DictionaryObject(
            {
                NameObject("/OCGs"): listed,
                NameObject("/D"): DictionaryObject(
                    {
                        NameObject("/ON"): listed,
                        NameObject("/Order"): listed,
                        NameObject("/Name"): TextStringObject("Layers"),
                    }
                ),
            }
        )
        # Optional content came with PDF 1.5, UserUnit with 1.6.
        writer.pdf_header = "%PDF-1.6"
        finished = io.BytesIO()
        writer.write(finished)
        return finished.getvalue()


def _exact(value_pt: float) -> FloatObject:
    return FloatObject(f"{value_pt:.5f}")


def draw_piece(pages: PdfPages, piece: DrawnPiece, style: PdfStyle) -> None:
    """Draw a piece given in the page's millimetres, y down."""
    pages.stroke((piece.outline, *piece.holes), width_mm=style.line_mm, layer="outline")
    if style.outlines_only:
        return
    for layer in LAYERS:
        lines = [line for kind, line in piece.lines if kind == layer]
        pages.stroke(lines, width_mm=style.line_mm, layer=layer, dashes_mm=DASHES_MM.get(layer, ()))
    for text in piece.texts:
        pages.words(text.words, text.at, text.height_mm, layer="text")


def pdf_page(drawing: Drawing, *, style: PdfStyle | None = None) -> bytes:
    """Return a drawing on one page of exactly its own size."""
    placed = drawing.at_origin()
    pages = PdfPages(title=drawing.title)
    pages.begin(placed.frame.width, placed.frame.height)
    for piece in placed.pieces:
        draw_piece(pages, piece, style or PdfStyle())
    pages.end()
    return pages.close()
