"""The cutting sheet: what to cut, how often, from what, how large it must come out, and how much cloth to buy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from reportlab.pdfbase.pdfmetrics import stringWidth

from calibration import format_inches, format_uncertainty
from tracer.files.pdf import PdfPages
from tracer.files.tiles import PAPERS_MM
from tracer.path import OpenPath
from tracer.piece import Piece

_EDGE_MM = 15.0
_ROW_MM = 44.0
_PICTURE_MM = 36.0
_LINE_MM = 4.6
_WORDS_MM = 2.4
_HEADING_MM = 3.6
_FONT = "Helvetica"

CAUTIONS = (
    "Measure one printed or cut piece with a ruler before you cut good cloth.",
    "Blades: cut away from yourself, keep fingers off the ruler's edge, close rotary cutters after every cut.",
    "Cutting machines: follow the maker's instructions; keep hands away while the blade or laser moves.",
    "Clothes and toys for children: mind cords, small parts and openings; the rules of your country hold.",
)
"""Usual cautions (common practice, no source); local rules and the makers' instructions come first."""


def cutting_sheet(
    pieces: Sequence[Piece], *, answers: Sequence[str] = (), paper: str = "A4", title: str = "Cutting sheet"
) -> bytes:
    """Return the cutting sheet as a PDF.

    Parameters
    ----------
    pieces : sequence of Piece
        As they are cut.
    answers : sequence of str
        What the lay says of mats and cloth.
    paper : str
        One of the papers that tiles know.
    title : str
    """
    width, height = PAPERS_MM[paper]
    pages = PdfPages(title=title)
    rows_on_a_page = int((height - 2 * _EDGE_MM - 3 * _LINE_MM) // _ROW_MM)
    for first in range(0, max(1, len(pieces)), rows_on_a_page):
        pages.begin(width, height)
        _left(pages, title, _EDGE_MM, _EDGE_MM, _HEADING_MM)
        for row, piece in enumerate(pieces[first : first + rows_on_a_page]):
            _piece_row(pages, piece, _EDGE_MM + 2.5 * _LINE_MM + row * _ROW_MM, width)
        pages.end()
    _last_page(pages, answers, width, height)
    return pages.close()


def cutting_lines(piece: Piece) -> list[str]:
    """Return what the sheet says of a piece, a line each."""
    box = piece.outline.bounds
    cut = f"cut {piece.cut.count}"
    if piece.cut.mirrored:
        cut += ", as mirrored pairs"
    if piece.cut.fold:
        cut += ", on the fold"
    lines = [
        cut + (f", from {piece.cut.material}" if piece.cut.material else ""),
        f"width {_size(box.width, piece.size_uncertainty_mm[0])}",
        f"height {_size(box.height, piece.size_uncertainty_mm[1])}",
        f"outline good to {format_uncertainty(piece.expanded_uncertainty_mm)} mm (about 95 %)",
    ]
    if piece.made is not None:
        if piece.made.finished_mm is not None:
            w, h = piece.made.finished_mm
            lines.append(f"finished {w:.2f} x {h:.2f} mm ({format_inches(w)} x {format_inches(h)})")
        lines += [_allowance(s) for s in piece.made.steps if s.startswith("allowance")]
    return lines


def _allowance(step: str) -> str:
    """The step without the sizes, which stand above it."""
    return "; ".join(p for p in step.split("; ") if not p.startswith(("finished", "curves")))


def _size(value_mm: float, uncertainty_mm: float) -> str:
    return f"{value_mm:.2f} \N{PLUS-MINUS SIGN} {max(0.01, uncertainty_mm):.2f} mm ({format_inches(value_mm)})"


def _piece_row(pages: PdfPages, piece: Piece, top_mm: float, page_width_mm: float) -> None:
    box = piece.outline.bounds
    scale = _PICTURE_MM / max(box.width, box.height)
    matrix = np.array([[scale, 0.0, _EDGE_MM - scale * box.x_min], [0.0, scale, top_mm + 3.0 - scale * box.y_min]])
    outlines = (piece.outline, *piece.holes)
    pages.stroke((p.transformed(matrix) for p in outlines), width_mm=0.3)
    drawn = [m for m in piece.marks if m.path is not None and not m.dropped and m.kind != "text"]
    inner = [m.path.transformed(matrix) for m in drawn if m.path is not None]
    pages.stroke(inner, width_mm=0.1)
    left = _EDGE_MM + _PICTURE_MM + 8.0
    room = page_width_mm - _EDGE_MM - left
    y = top_mm + 5.0
    for line in _wrapped(piece.name, room, _HEADING_MM)[:2]:
        _left(pages, line, left, y, _HEADING_MM)
        y += _LINE_MM * 1.2
    for text in cutting_lines(piece):
        for line in _wrapped(text, room, _WORDS_MM)[:2]:
            _left(pages, line, left, y, _WORDS_MM)
            y += _LINE_MM
    rule_mm = top_mm + _ROW_MM - 2.0
    pages.stroke([OpenPath.polyline([(_EDGE_MM, rule_mm), (page_width_mm - _EDGE_MM, rule_mm)])], width_mm=0.1)


def _last_page(pages: PdfPages, answers: Sequence[str], width: float, height: float) -> None:
    pages.begin(width, height)
    room = width - 2 * _EDGE_MM
    y = _EDGE_MM
    sections = [("Mats and cloth", answers or ("not laid out yet",)), ("Before you cut", CAUTIONS)]
    for heading, texts in sections:
        _left(pages, heading, _EDGE_MM, y, _HEADING_MM)
        y += 2 * _LINE_MM
        for text in texts:
            for line in _wrapped(text, room, _WORDS_MM):
                if y > height - _EDGE_MM:
                    pages.end()
                    pages.begin(width, height)
                    y = _EDGE_MM
                _left(pages, line, _EDGE_MM, y, _WORDS_MM)
                y += _LINE_MM
        y += 2 * _LINE_MM
    pages.end()


def _plain(text: str) -> str:
    return " ".join(text.split()).encode("cp1252", errors="replace").decode("cp1252")


def _left(pages: PdfPages, text: str, x_mm: float, y_mm: float, height_mm: float) -> None:
    pages.canvas.setFont(_FONT, height_mm * 1.4)
    pages.canvas.drawString(x_mm, pages.up(y_mm + height_mm), _plain(text))


def _wrapped(text: str, room_mm: float, height_mm: float) -> list[str]:
    """Break text into lines that fit; a word that is too long by itself is broken too."""
    lines = [""]
    for word in _plain(text).split(" "):
        while stringWidth(word, _FONT, height_mm * 1.4) > room_mm:
            keep = len(word)
            while stringWidth(word[:keep], _FONT, height_mm * 1.4) > room_mm:
                keep -= 1
            lines += [word[:keep], ""]
            word = word[keep:]
        longer = f"{lines[-1]} {word}".strip()
        if stringWidth(longer, _FONT, height_mm * 1.4) <= room_mm:
            lines[-1] = longer
        else:
            lines.append(word)
    return [line for line in lines if line]
