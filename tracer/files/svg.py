"""SVG at true size.

The root carries its size in millimetres and a viewBox in the same millimetres, so one user unit is one millimetre in
every program that honours either (SVG 2, 8.2 and 8.6), whatever it assumes about pixels per inch. One path a piece, its
holes in the same path; no transforms, no pictures, no styles that a simple reader would miss.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

from tracer.files.drawing import DASHES_MM, LAYERS, Drawing, DrawnPiece, pieces_drawing
from tracer.piece import Piece

HAIRLINE_MM = 0.1
"""Pen width: thin enough for a cutting line, thick enough to be seen on paper (common practice, no source)."""

_CAP_TO_FONT_SIZE = 1.4
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _number(value: float) -> str:
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _words(text: str) -> str:
    """Return text as XML character data; characters that XML 1.0 has no way to write (2.2) are left out."""
    return escape(_NOT_XML.sub("", text))


def _piece(piece: DrawnPiece, *, outlines_only: bool) -> str:
    data = " ".join([piece.outline.to_svg(), *(h.to_svg() for h in piece.holes)])
    plain_id = re.sub(r"[^A-Za-z0-9_.-]", "-", piece.id)
    outline = f'<path id="{plain_id}" class="outline" fill-rule="evenodd" d="{data}"/>'
    if outlines_only:
        return outline
    lines = [f'<g id="{plain_id}-group">', f"<title>{_words(piece.name)}</title>", outline]
    for layer in LAYERS:
        paths = [line.to_svg() for kind, line in piece.lines if kind == layer]
        if paths:
            drawn = "".join(f'<path d="{d}"/>' for d in paths)
            dashes = " ".join(map(_number, DASHES_MM.get(layer, ())))
            dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
            lines.append(f'<g id="{plain_id}-{layer}" class="{layer}"{dashed}>{drawn}</g>')
    if piece.texts:
        lines.append(
            f'<g id="{plain_id}-text" class="text" fill="#000" stroke="none" font-family="sans-serif" '
            'text-anchor="middle">'
        )
        lines += [
            f'<text x="{_number(t.at[0])}" y="{_number(t.at[1] + t.height_mm / 2)}" '
            f'font-size="{_number(t.height_mm * _CAP_TO_FONT_SIZE)}">{_words(t.words)}</text>'
            for t in piece.texts
        ]
        lines.append("</g>")
    return "\n".join([*lines, "</g>"])


def svg_document(drawing: Drawing, *, outlines_only: bool = False) -> str:
    """Return a drawing as an SVG document; ``outlines_only`` is for cutting machines."""
    frame = drawing.frame
    view = " ".join(map(_number, (frame.x_min, frame.y_min, frame.width, frame.height)))
    body = "\n".join(_piece(p, outlines_only=outlines_only) for p in drawing.pieces)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{_number(frame.width)}mm" '
        f'height="{_number(frame.height)}mm" viewBox={quoteattr(view)}>\n'
        f"<title>{_words(drawing.title)}</title>\n"
        f'<g fill="none" stroke="#000" stroke-width="{HAIRLINE_MM}">\n{body}\n</g>\n</svg>\n'
    )


def pieces_svg(pieces: Sequence[Piece], *, title: str = "Pattern pieces") -> str:
    """Return all pieces where they lie on their sheets, the sheets side by side, at true size."""
    return svg_document(pieces_drawing(pieces, title=title))
