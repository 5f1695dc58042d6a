"""SVG at true size.

The root carries its size in millimetres and a viewBox in the same millimetres, so one user unit is one millimetre in
every program that honours either (SVG 2, 8.2 and 8.6), whatever it assumes about pixels per inch.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape, quoteattr

from tracer.path import Bounds
from tracer.piece import Mark, Piece

HAIRLINE_MM = 0.1
_MARGIN_MM = 5.0


def _number(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def root(width_mm: float, height_mm: float, body: Iterable[str], *, title: str, origin: tuple[float, float]) -> str:
    """Return a whole SVG document of this size in mm with one user unit a millimetre."""
    view = f"{_number(origin[0])} {_number(origin[1])} {_number(width_mm)} {_number(height_mm)}"
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{_number(width_mm)}mm" '
        f'height="{_number(height_mm)}mm" viewBox="{view}">\n'
        f"<title>{escape(title)}</title>\n" + "\n".join(body) + "\n</svg>\n"
    )


def _mark(mark: Mark) -> str:
    kind = quoteattr(mark.kind)
    if mark.path is not None and mark.kind != "text":
        return f'<path data-kind={kind} d="{mark.path.to_svg()}"/>'
    if mark.at is None:
        return ""
    x, y = (_number(v) for v in mark.at)
    if mark.text:
        words = escape(mark.text)
        return (
            f'<text data-kind={kind} x="{x}" y="{y}" font-size="4" text-anchor="middle" fill="#333" '
            f'stroke="none" font-family="sans-serif">{words}</text>'
        )
    return f'<circle data-kind={kind} cx="{x}" cy="{y}" r="0.5"/>'


def piece_group(piece: Piece, *, with_marks: bool = True) -> str:
    """Return one piece as a group: its outline (holes in the same path), then its marks."""
    data = " ".join([piece.outline.to_svg(), *(h.to_svg() for h in piece.holes)])
    lines = [
        f"<g id={quoteattr(piece.id)}>",
        f"<title>{escape(piece.name)}</title>",
        f'<path class="outline" fill="none" fill-rule="evenodd" d="{data}"/>',
    ]
    if with_marks:
        lines += ['<g class="marks" fill="none">', *filter(None, map(_mark, piece.marks)), "</g>"]
    lines.append("</g>")
    return "\n".join(lines)


def pieces_svg(pieces: Sequence[Piece], *, title: str = "Pattern pieces", with_marks: bool = True) -> str:
    """Return all pieces where they lie on their sheets, sheets side by side, at true size."""
    groups: list[str] = []
    left = top = 0.0
    boxes: list[Bounds] = []
    for sheet in dict.fromkeys(p.sheet for p in pieces):
        here = [p for p in pieces if p.sheet == sheet]
        all_bounds = [p.outline.bounds for p in here]
        x_min = min(b.x_min for b in all_bounds)
        shift = left - x_min if boxes else 0.0
        inner = "\n".join(piece_group(p, with_marks=with_marks) for p in here)
        move = f' transform="translate({_number(shift)} 0)"' if shift else ""
        groups.append(f"<g id={quoteattr('sheet-' + sheet)}{move}>\n{inner}\n</g>")
        boxes += [Bounds(b.x_min + shift, b.y_min, b.x_max + shift, b.y_max) for b in all_bounds]
        left = max(b.x_max for b in boxes) + 4 * _MARGIN_MM
    if not boxes:
        return root(10.0, 10.0, [], title=title, origin=(0.0, 0.0))
    left = min(b.x_min for b in boxes) - _MARGIN_MM
    top = min(b.y_min for b in boxes) - _MARGIN_MM
    width = max(b.x_max for b in boxes) + _MARGIN_MM - left
    height = max(b.y_max for b in boxes) + _MARGIN_MM - top
    style = f'<g fill="none" stroke="#000" stroke-width="{HAIRLINE_MM}">'
    return root(width, height, [style, *groups, "</g>"], title=title, origin=(left, top))
