"""The calibration target as a page to print."""

from __future__ import annotations

from xml.sax.saxutils import escape

from calibration.references.target.layout import PAPERS_MM, TargetLayout, target_layout
from tracer.errors import FileFormatError
from tracer.files.pdf import PdfPages
from tracer.path import OpenPath


def layout_for(paper: str) -> TargetLayout:
    """Return the target's layout; raises :class:`FileFormatError` for a paper that it is not made for."""
    try:
        return target_layout(paper)
    except ValueError:
        raise FileFormatError(
            f"there is no target for the paper '{paper}'; choose one of {', '.join(PAPERS_MM)}"
        ) from None


def target_pdf(paper: str) -> bytes:
    """Return the target as a PDF page of exactly the paper's size."""
    layout = layout_for(paper)
    pages = PdfPages(title="Calibration target")
    pages.begin(layout.width_mm, layout.height_mm)
    pages.canvas.setFillColorRGB(0, 0, 0)
    for x, y, width, height in layout.black_boxes_mm:
        pages.canvas.rect(x, pages.up(y + height), width, height, stroke=0, fill=1)
    lines = [OpenPath.polyline([(x0, y0), (x1, y1)]) for x0, y0, x1, y1 in layout.lines_mm]
    pages.stroke(lines, width_mm=layout.line_width_mm)
    for text in layout.texts:
        pages.words(text.text, (text.x_mm, text.y_mm), text.height_mm)
    pages.end()
    return pages.close()


def target_svg(paper: str) -> str:
    """Return the target as an SVG document in millimetres."""
    layout = layout_for(paper)
    boxes = "".join(f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}"/>' for x, y, w, h in layout.black_boxes_mm)
    lines = "".join(f'<path d="M {x0:g} {y0:g} L {x1:g} {y1:g}"/>' for x0, y0, x1, y1 in layout.lines_mm)
    words = "".join(
        f'<text x="{t.x_mm:g}" y="{t.y_mm + t.height_mm / 2:g}" font-size="{1.4 * t.height_mm:g}">'
        f"{escape(t.text)}</text>"
        for t in layout.texts
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{layout.width_mm:g}mm" height="{layout.height_mm:g}mm" '
        f'viewBox="0 0 {layout.width_mm:g} {layout.height_mm:g}">\n<title>Calibration target</title>\n'
        f'<g fill="#000" shape-rendering="geometricPrecision">{boxes}</g>\n'
        f'<g fill="none" stroke="#000" stroke-width="{layout.line_width_mm:g}">{lines}</g>\n'
        f'<g font-family="sans-serif" text-anchor="middle">{words}</g>\n</svg>\n'
    )
