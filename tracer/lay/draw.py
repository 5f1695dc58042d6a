"""The drawing of a lay as SVG: true size, rulers along the edges, every piece with its name, its grain and its size.

Everything is told by line and word, nothing by colour alone: it reads the same in black and white. Inches run along
the top and the left edge, centimetres along the bottom and the right. Folded cloth is drawn as it lies, fold to the
left.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from calibration import MM_PER_INCH, format_inches
from tracer.lay.draw_cloth import cloth_defs, cloth_under
from tracer.lay.draw_words import GLYPH, place_words
from tracer.lay.laid import LaidMat, Lay, Placement
from tracer.lay.surface import Fabric, Leftover
from tracer.path import Affine

_STYLE = (
    "text{font-family:sans-serif;fill:#000}"
    ".edge{fill:none;stroke:#000}.thin{fill:none;stroke:#000}.piece{stroke:#000;stroke-linejoin:round}"
)


class _Scale:
    """Sizes of lines and letters, from the size of the whole drawing so that a printout can be read."""

    def __init__(self, width_mm: float, length_mm: float) -> None:
        self.letter = min(12.0, max(3.2, math.sqrt(width_mm * length_mm) / 75))
        self.line = self.letter / 12
        self.room = self.letter * 5.5


def draw_mat(lay: Lay, number: int) -> str:
    """Return the SVG text of one mat (or length of cloth) of a lay; ``number`` counts from 1."""
    mat = lay.mats[number - 1]
    views = _views(mat)
    scale = _Scale(mat.width_mm, max(mat.length_mm, mat.width_mm / 4))
    title = _title(lay, mat, number)
    width = max(v.width for v in views) + 2 * scale.room
    width = max(width, (max(len(t) for t in title) * scale.letter * GLYPH) + 2 * scale.room)
    head = scale.letter * (1.7 * len(title) + 1)
    parts: list[str] = []
    y = head
    for view in views:
        parts.append(f'<g transform="translate({scale.room:.3f} {y + scale.room:.3f})">')
        parts += view.draw(lay, mat, scale)
        parts.append("</g>")
        y += view.length + 2 * scale.room
    notes = [n for v in views for n in v.notes]
    for k, note in enumerate(notes):
        parts.append(_text(scale.room, y + scale.letter * (1 + 1.5 * k), note, scale.letter))
    height = y + scale.letter * (1.5 * len(notes) + 1)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{height:.3f}mm" '
        f'viewBox="0 0 {width:.3f} {height:.3f}">',
        f"<title>{escape(title[0])}</title>",
        f"<style>{_STYLE}</style>",
        "<defs>",
        f'<pattern id="mirrored" width="{3 * scale.letter:.2f}" height="{scale.letter:.2f}" '
        'patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<path d="M0 0H{3 * scale.letter:.2f}" stroke="#000" stroke-width="{scale.line / 2:.3f}" '
        'stroke-opacity="0.7"/></pattern>',
        *cloth_defs(lay),
        "</defs>",
        f'<rect width="{width:.3f}" height="{height:.3f}" fill="#fff"/>',
        *(
            _text(scale.room, scale.letter * 1.7 * (k + 1), t, scale.letter * (1.25 if k == 0 else 1))
            for k, t in enumerate(title)
        ),
        *parts,
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _title(lay: Lay, mat: LaidMat, number: int) -> list[str]:
    kind = "Cloth" if isinstance(lay.surface, Fabric) else "Leftover" if isinstance(lay.surface, Leftover) else "Mat"
    size = (
        f"{format_inches(mat.width_mm)} x {format_inches(mat.length_mm)} ({mat.width_mm:.1f} x {mat.length_mm:.1f} mm)"
    )
    first = f"{kind} {number} of {len(lay.mats)}" + (f", {mat.material}" if mat.material else "") + f": {size}"
    second = f"margin {format_inches(lay.rules.margin_mm)}, gap {lay.rules.gap_mm:g} mm, true size"
    if isinstance(lay.surface, Fabric) and lay.surface.selvedge_mm:
        second += f", selvedge {format_inches(lay.surface.selvedge_mm)} on each side"
    if any(p.back_of_paper for v in _views(mat) for p in v.placements):
        second += "; hatched = mirrored"
    return [first, second]


class _View:
    """A stretch of the surface that is drawn in one: x from ``x0``, y from ``y0``."""

    def __init__(
        self, x0: float, y0: float, width: float, length: float, placements: Sequence[Placement], kind: str
    ) -> None:
        self.x0, self.y0, self.width, self.length = x0, y0, width, length
        self.placements, self.kind = placements, kind
        self.notes: list[str] = []
        self.below: dict[int, Placement] = {}

    def draw(self, lay: Lay, mat: LaidMat, scale: _Scale) -> list[str]:
        """Return the elements of the view, its top-left corner at the origin."""
        out = []
        if lay.cloth is not None:
            out.append(
                f'<clipPath id="all-{self.kind[0]}"><rect width="{self.width:.3f}" '
                f'height="{self.length:.3f}"/></clipPath>'
            )
            out.append(f'<g clip-path="url(#all-{self.kind[0]})">')
            out += [*cloth_under(lay, self.x0, self.y0, self.width, self.length), "</g>"]
        out += _surface(lay, mat, self, scale)
        out += _rulers(self.width, self.length, scale)
        clip = ""
        if self.kind == "folded":
            out.append(
                f'<clipPath id="folded"><rect x="0" y="{-scale.room:.2f}" width="{self.width + scale.room:.2f}" '
                f'height="{self.length + 2 * scale.room:.2f}"/></clipPath>'
            )
            clip = ' clip-path="url(#folded)"'
        for n, placement in enumerate(self.placements, start=1):
            out.append(f"<g{clip}>")
            out += _piece(lay, placement, n, self, scale)
            out.append("</g>")
        return out


def _views(mat: LaidMat) -> list[_View]:
    if not mat.folded:
        return [_View(0.0, 0.0, mat.width_mm, mat.length_mm, mat.placements, "flat")]
    fold = mat.width_mm / 2
    split = mat.length_mm if mat.single_from_mm is None else mat.single_from_mm
    upper = [
        p for p in mat.placements
        if p.outline.bounds.y_min < split - 1e-6 and (p.unfolded or p.outline.bounds.x_min > fold - 1e-6)
    ]  # fmt: skip
    single = [p for p in mat.placements if p.outline.bounds.y_min >= split - 1e-6]
    views = []
    if upper:
        view = _View(fold, 0.0, fold, split, upper, "folded")
        for n, p in enumerate(upper, start=1):
            for q in mat.placements:
                a, b = p.outline.bounds, q.outline.bounds
                opposite = abs(a.x_min + b.x_max - 2 * fold) < 1e-6 and abs(a.y_min - b.y_min) < 1e-6
                if opposite and p.piece is q.piece and p is not q:
                    view.below[n] = q
        views.append(view)
    if single:
        views.append(_View(0.0, split, mat.width_mm, mat.length_mm - split, single, "opened out"))
    return views


def _surface(lay: Lay, mat: LaidMat, view: _View, scale: _Scale) -> list[str]:
    out = []
    if isinstance(lay.surface, Leftover):
        data = " ".join(p.to_svg() for p in (lay.surface.outline, *lay.surface.holes))
        out.append(f'<path class="edge" d="{data}" stroke-width="{2 * scale.line:.3f}"/>')
    else:
        out.append(
            f'<rect class="edge" width="{view.width:.3f}" height="{view.length:.3f}" '
            f'stroke-width="{2 * scale.line:.3f}"/>'
        )
        x0, y0, x1, y1 = mat.inside
        left, right = max(x0 - view.x0, 0.0), x1 - view.x0
        top, bottom = max(y0 - view.y0, 0.0), min(y1 - view.y0, view.length)
        out.append(
            f'<rect class="thin" x="{left:.3f}" y="{top:.3f}" width="{right - left:.3f}" height="{bottom - top:.3f}" '
            f'stroke-width="{scale.line:.3f}" stroke-dasharray="{2 * scale.letter:.2f} {scale.letter:.2f}"/>'
        )
    if view.kind == "folded":
        out.append(
            f'<path d="M0 0V{view.length:.3f}" stroke="#000" stroke-width="{4 * scale.line:.3f}" '
            f'stroke-dasharray="{scale.letter:.2f} {scale.letter / 2:.2f}"/>'
        )
        out.append(_text(-1.9 * scale.letter, view.length / 2, "FOLD", 1.2 * scale.letter, turn=-90, middle=True))
    elif view.kind == "opened out":
        out.append(_text(0.0, -3.2 * scale.letter, "opened out, cut singly:", scale.letter))
    if lay.rules.turn != "free":
        out += _grain_of_surface(view, scale, across=mat.grain_across)
    return out


def _grain_of_surface(view: _View, scale: _Scale, *, across: bool) -> list[str]:
    size = 4 * scale.letter
    if across:
        x, y = view.width - size - 4 * scale.letter, -3.6 * scale.letter
        return [
            _arrow(x, y, x + size, y, scale),
            _text(x - 0.5 * scale.letter, y + 0.3 * scale.letter, "grain", scale.letter, end=True),
        ]
    x, y = view.width + 3.6 * scale.letter, 0.0
    return [
        _arrow(x, y, x, y + size, scale),
        _text(x + 0.35 * scale.letter, y + size + 2.2 * scale.letter, "grain", scale.letter, turn=-90, middle=True),
    ]


def _arrow(x0: float, y0: float, x1: float, y1: float, scale: _Scale) -> str:
    a = math.atan2(y1 - y0, x1 - x0)
    h = 0.8 * scale.letter
    heads = []
    for x, y, back in ((x1, y1, a + math.pi), (x0, y0, a)):
        tips = [(x + h * math.cos(back + t), y + h * math.sin(back + t)) for t in (-0.4, 0.4)]
        heads.append(f"M{tips[0][0]:.3f} {tips[0][1]:.3f}L{x:.3f} {y:.3f}L{tips[1][0]:.3f} {tips[1][1]:.3f}")
    return (
        f'<path class="thin" d="M{x0:.3f} {y0:.3f}L{x1:.3f} {y1:.3f}{"".join(heads)}" stroke-width="{scale.line:.3f}"/>'
    )


def _rulers(width: float, length: float, scale: _Scale) -> list[str]:
    out = []
    for unit, sub, every, near in (
        (MM_PER_INCH, 4, _every(width, MM_PER_INCH, scale), True),
        (10.0, 2, _every(width, 10.0, scale), False),
    ):
        for size, upright in ((width, False), (length, True)):
            for k in range(math.floor(size / unit * sub + 1e-6) + 1):
                at = k * unit / sub
                whole = k % sub == 0
                tick = scale.letter * (1.0 if whole and (k // sub) % every == 0 else 0.6 if whole else 0.35)
                if sub * scale.letter > unit and not whole:
                    continue
                edge = 0.0 if near else (width if upright else length)
                sign = -1.0 if near else 1.0
                line = (
                    f"M{edge:.3f} {at:.3f}h{sign * tick:.3f}" if upright else f"M{at:.3f} {edge:.3f}v{sign * tick:.3f}"
                )
                out.append(f'<path class="thin" d="{line}" stroke-width="{scale.line / 1.5:.3f}"/>')
                if whole and (k // sub) % every == 0:
                    word = f"{k // sub}" + ((" in" if near else " cm") if k == 0 else "")
                    out.append(_ruler_word(word, at, edge, sign, scale, upright=upright))
    return out


def _ruler_word(word: str, at: float, edge: float, sign: float, scale: _Scale, *, upright: bool) -> str:
    small = 0.85 * scale.letter
    if upright:
        x = edge + sign * 1.2 * scale.letter
        return _text(x, at + 0.35 * small, word, small, end=sign < 0)
    y = edge + sign * 1.2 * scale.letter + (small * 0.8 if sign > 0 else 0.0)
    return _text(at, y, word, small, middle=True)


def _every(size: float, unit: float, scale: _Scale) -> int:
    wanted = 3.2 * scale.letter / unit
    return next(n for n in (1, 2, 5, 10, 20, 50, 100, 1000) if n >= wanted or n == 1000)


def _piece(lay: Lay, placement: Placement, n: int, view: _View, scale: _Scale) -> list[str]:
    outline = placement.outline.translated(-view.x0, -view.y0)
    holes = [h.translated(-view.x0, -view.y0) for h in placement.holes]
    data = " ".join(p.to_svg(decimals=3) for p in (outline, *holes))
    fill = "none" if lay.cloth is not None else "#fff"
    ident = f"{view.kind[0]}{n}"
    out = []
    if lay.cloth is not None:
        out.append(f'<clipPath id="cut-{ident}"><path d="{data}" clip-rule="evenodd"/></clipPath>')
        out.append(f'<g clip-path="url(#cut-{ident})">')
        out += cloth_under(lay, view.x0, view.y0, view.width, view.length, full=True)
        out.append("</g>")
    else:
        out.append(f'<path d="{data}" fill="{fill}" fill-rule="evenodd"/>')
    if placement.back_of_paper:
        out.append(f'<path d="{data}" fill="url(#mirrored)" fill-rule="evenodd"/>')
    out.append(
        f'<path class="piece" d="{data}" fill="none" fill-rule="evenodd" stroke-width="{1.5 * scale.line:.3f}"/>'
    )
    out += _marks(placement, view, scale)
    out += _words(placement, n, view, scale)
    return out


_SHOWN = ("stitching line", "internal line", "dart", "notch", "fold line", "circle", "dot", "cross")


def _drawn_at(placement: Placement, view: _View) -> Affine:
    """Return the map of shape (2, 3) from the piece to the drawing."""
    return np.column_stack([placement.matrix[:, :2], placement.matrix[:, 2] - (view.x0, view.y0)])


def _marks(placement: Placement, view: _View, scale: _Scale) -> list[str]:
    out = []
    move = _drawn_at(placement, view)
    for mark in placement.piece.marks:
        if mark.kind == "grain line" and mark.path is not None:
            a, b = (move[:, :2] @ p + move[:, 2] for p in (mark.path.segments[0][0], mark.path.segments[-1][-1]))
            out.append(_arrow(float(a[0]), float(a[1]), float(b[0]), float(b[1]), scale))
        elif mark.kind in _SHOWN and mark.path is not None:
            path = mark.path.transformed(move)
            dash = (
                f' stroke-dasharray="{scale.letter:.2f} {scale.letter / 2:.2f}"'
                if mark.kind == "stitching line"
                else ""
            )
            out.append(f'<path class="thin" d="{path.to_svg(decimals=3)}" stroke-width="{scale.line:.3f}"{dash}/>')
    return out


def _words(placement: Placement, n: int, view: _View, scale: _Scale) -> list[str]:
    piece = placement.piece
    box = piece.outline.bounds
    name = piece.name if piece.cut.count == 1 else f"{piece.name} {placement.copy}"
    below = view.below.get(n)
    if below is not None:
        name += f" + {below.copy}{' mirrored' if below.back_of_paper else ''}"
    lines = [name]
    if placement.back_of_paper:
        lines.append("mirrored")
    if placement.unfolded:
        lines.append("on fold")
    size = " x ".join(format_inches(v, denominator=16).removesuffix(" in") for v in (box.width, box.height))
    lines.append(f"{size} in")
    lines.append(f"{box.width:.1f} x {box.height:.1f} mm")
    shape: BaseGeometry = Polygon(placement.outline.translated(-view.x0, -view.y0).flatten(0.5))
    if placement.holes:
        shape = shape.difference(
            shapely.union_all([Polygon(h.translated(-view.x0, -view.y0).flatten(0.5)) for h in placement.holes])
        )
    if view.kind == "folded":
        shape = shape.intersection(shapely.box(0, -1e6, 1e6, 1e6))
    solid = max(shapely.get_parts(shape.buffer(0)), key=lambda part: float(part.area))
    lines_on_it = [
        shapely.LineString(mark.path.transformed(_drawn_at(placement, view)).flatten(0.5))
        for mark in piece.marks
        if mark.path is not None and (mark.kind in _SHOWN or mark.kind == "grain line")
    ]
    centre, letter, turn, radius = place_words(lines, solid, lines_on_it, scale.letter)
    if letter < 0.45 * scale.letter:
        view.notes.append(f"{n}: " + ", ".join(lines))
        lines, letter, turn = [str(n)], min(scale.letter, max(radius, 0.5)), 0.0
    halo = f' stroke="#fff" stroke-width="{0.3 * letter:.3f}" stroke-linejoin="round" paint-order="stroke"'
    out = [f'<g transform="translate({centre[0]:.3f} {centre[1]:.3f}) rotate({turn:.3f})"{halo}>']
    top = -(len(lines) - 1) * 1.25 * letter / 2 + 0.35 * letter
    for k, line in enumerate(lines):
        out.append(_text(0.0, top + 1.25 * letter * k, line, letter * (1.0 if k else 1.1), middle=True))
    out.append("</g>")
    return out


def _text(
    x: float, y: float, words: str, size: float, *, middle: bool = False, end: bool = False, turn: float = 0.0
) -> str:
    anchor = ' text-anchor="middle"' if middle else ' text-anchor="end"' if end else ""
    spin = f' transform="rotate({turn:g} {x:.3f} {y:.3f})"' if turn else ""
    return f'<text x="{x:.3f}" y="{y:.3f}" font-size="{size:.3f}"{anchor}{spin}>{escape(words)}</text>'
