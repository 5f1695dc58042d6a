"""Pieces on a vector page, exactly: from the page's own lines and curves, nothing re-fitted.

The outline of a drawn piece is the centre of its stroke, which is the path itself. What is no piece is kept as a mark
of its own kind. A piece that runs off the page is reported, never closed silently.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.finding import Finding
from calibration.picture import DrawnText, VectorPage
from tracer.path import OpenPath, Path
from tracer.piece import CutNote, Mark, MarkKind
from tracer.vectors.faces import find_webs
from tracer.vectors.gaps import join_by_style
from tracer.vectors.lines import JOIN_MM, VectorLine, join_ends, visible_lines
from tracer.vectors.marks import owners_of, small_marks
from tracer.vectors.shapes import Shape, in_reading_order, inset_mm, texts_inside
from tracer.vectors.sorting import Sorted, sort_shapes

_SMALLEST_SIDE_MM = 10.0
_SMALLEST_AREA_MM2 = 150.0
_SMALLEST_HOLE_MM = 2.0
_LAST_GAP_MM = 1.0
_OFF_PAGE_MM = 0.2
_OUTLINE_MIN_MM = 40.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VectorPiece:
    """A piece as the page draws it: exact outline and holes in millimetres, and its marks."""

    outline: Path
    holes: tuple[Path, ...] = ()
    marks: tuple[Mark, ...] = ()
    name: str = ""
    cut: CutNote = field(default_factory=CutNote)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VectorFinding:
    """What was found on a vector page: pieces, marks that belong to no piece, and what is doubtful."""

    pieces: tuple[VectorPiece, ...]
    marks: tuple[Mark, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(slots=True, eq=False)
class _Making:
    """A piece while its holes and marks are being gathered."""

    shape: Shape
    holes: list[Path] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def find_vector_candidates(page: VectorPage, *, size_line: int | None = None) -> VectorFinding:
    """Find the pieces of a vector page.

    Parameters
    ----------
    page : VectorPage
        Paths and texts in millimetres, y down.
    size_line : int, optional
        Which of several sizes drawn over one another, 1 for the smallest; the largest by default.

    Returns
    -------
    VectorFinding
        Pieces in reading order. Outlines are the page's own segments; only ends that meet within 0.05 mm are moved,
        by at most half their distance. Holes are inner subpaths of a filled shape, and closed lines drawn just like
        the outline where other solid lines on the page are drawn in another width or colour. Any other closed line
        inside a piece is a mark, since cutting along a placement line cannot be undone.
    """
    lines = visible_lines(page.paths)
    loops, open_lines = _loops(lines, page.texts)
    on_page, off_page, open_lines = _split_off_page(loops, open_lines, page)
    large, small = [], []
    for line in on_page:
        shape = Shape.of(line) if line.extent_mm[0] >= _SMALLEST_SIDE_MM else None
        if shape is not None and shape.area_mm2 >= _SMALLEST_AREA_MM2:
            large.append(shape)
        else:
            small.append(line)
    found = sort_shapes(large, open_lines, page, size_line=size_line)
    pieces = [_Making(shape=shape) for shape in found.pieces]
    _note_bridges(pieces)
    page_marks = list(found.marks)
    styles_differ = _styles_differ([*on_page, *open_lines], pieces)
    small = _place_holes(small, pieces, styles_differ=styles_differ)
    _place_inner(found, pieces, styles_differ=styles_differ)
    outlines = [making.shape for making in pieces]
    for owner, mark in small_marks([*small, *open_lines], outlines, page, found.tables):
        (page_marks if owner is None else pieces[owner].marks).append(mark)
    _place_texts(page.texts, pieces, page_marks)
    page_marks.extend(_outline_mark(line) for line in off_page)
    findings = [*found.findings, *_off_page_findings(off_page, page)]
    if not pieces and not off_page:
        findings.append(_nothing_found(page))
    ordered = sorted(pieces, key=lambda m: _reading_key(m.shape, pieces))
    return VectorFinding(
        pieces=tuple(
            VectorPiece(
                outline=m.shape.path.oriented(),
                holes=tuple(h.oriented() for h in m.holes),
                marks=tuple(m.marks),
                notes=tuple(m.notes),
            )
            for m in ordered
        ),
        marks=tuple(page_marks),
        findings=tuple(findings),
    )


# -- loops ------------------------------------------------------------------------------------------------------------
def _loops(lines: Sequence[VectorLine], texts: Sequence[DrawnText]) -> tuple[list[VectorLine], list[VectorLine]]:
    """Return closed loops and what stays open, joined by style first and across styles then."""
    loops, open_lines = _closed_and_open(join_by_style(lines))
    by_style: dict[object, list[VectorLine]] = {}
    for line in open_lines:
        by_style.setdefault(line.style, []).append(line)
    left: list[VectorLine] = []
    for group in by_style.values():
        more, rest = _web_loops(group, texts)
        loops += more
        left += rest
    if len(by_style) > 1:
        more, left = _closed_and_open(join_ends(left, JOIN_MM))
        loops += more
        more, left = _web_loops(left, texts)
        loops += more
    still_open = []
    for line in left:
        closed = _closed_over_small_gap(line)
        if closed is None:
            still_open.append(line)
        else:
            loops.append(closed)
    return loops, still_open


def _closed_and_open(lines: Sequence[VectorLine]) -> tuple[list[VectorLine], list[VectorLine]]:
    return [line for line in lines if line.closed], [line for line in lines if not line.closed]


def _web_loops(lines: Sequence[VectorLine], texts: Sequence[DrawnText]) -> tuple[list[VectorLine], list[VectorLine]]:
    """Return the loops of lines that meet in threes and more.

    The loop around a web is the outline, and lines across it are inside lines of the piece; unless at least two of its
    faces have words of their own: then neighbours share an edge, and each face is a piece.
    """
    webs, left = find_webs(lines, JOIN_MM)
    loops: list[VectorLine] = []
    for web in webs:
        large = [face for face in web.faces if face.extent_mm[0] >= _SMALLEST_SIDE_MM]
        named = [face for face in large if texts_inside(Shape.of(face), texts)]
        if len(named) >= 2 and len(named) == len(large):
            loops += web.faces
        else:
            loops += web.outer
            left = [*left, *web.inner]
    return loops, left


def _closed_over_small_gap(line: VectorLine) -> VectorLine | None:
    first, last = line.segments[0][0], line.segments[-1][-1]
    gap = float(np.hypot(*(first - last)))
    if gap > _LAST_GAP_MM or line.extent_mm[0] < _SMALLEST_SIDE_MM:
        return None
    return replace(line, segments=(*line.segments, np.array([last, first])), closed=True, bridged=True)


def _note_bridges(pieces: Sequence[_Making]) -> None:
    for making in pieces:
        if making.shape.line.bridged:
            making.notes.append("gaps in its line (dashes, or a last gap under 1 mm) were bridged with straight lines")


# -- off the page -----------------------------------------------------------------------------------------------------
def _limits(line: VectorLine, page: VectorPage) -> tuple[float, float, float, float]:
    clip = line.clip_mm or (0.0, 0.0, page.width_mm, page.height_mm)
    return max(clip[0], 0.0), max(clip[1], 0.0), min(clip[2], page.width_mm), min(clip[3], page.height_mm)


def _split_off_page(
    loops: Sequence[VectorLine], open_lines: Sequence[VectorLine], page: VectorPage
) -> tuple[list[VectorLine], list[VectorLine], list[VectorLine]]:
    """Return loops on the page, outlines that run off it, and open lines on it; what is wholly outside is dropped."""
    inside: list[VectorLine] = []
    off: list[VectorLine] = []
    still_open: list[VectorLine] = []
    for line in [*loops, *open_lines]:
        x0, y0, x1, y1 = line.box
        left, top, right, bottom = _limits(line, page)
        if x1 < left or x0 > right or y1 < top or y0 > bottom:
            continue
        over = max(left - x0, top - y0, x1 - right, y1 - bottom)
        covers = x0 <= left and y0 <= top and x1 >= right and y1 >= bottom
        if line.closed and over > _OFF_PAGE_MM and not covers:
            # The box is of control points; the curve itself may still stay on the page.
            box = line.to_path().bounds
            over = max(left - box.x_min, top - box.y_min, box.x_max - right, box.y_max - bottom)
        if line.closed:
            (off if over > _OFF_PAGE_MM and not covers else inside).append(line)
        elif _ends_at_edge(line, (left, top, right, bottom)):
            off.append(line)
        else:
            still_open.append(line)
    small_off = [line for line in off if line.extent_mm[1] < _OUTLINE_MIN_MM or line.extent_mm[0] < _SMALLEST_SIDE_MM]
    keep_off = [line for line in off if line not in small_off]
    return inside, keep_off, [*still_open, *(line for line in small_off if not line.closed)]


def _ends_at_edge(line: VectorLine, limits: tuple[float, float, float, float]) -> bool:
    """Whether both ends of a bent open line lie on or beyond the edge of what is shown."""
    left, top, right, bottom = limits
    for x, y in (line.segments[0][0], line.segments[-1][-1]):
        if min(x - left, y - top, right - x, bottom - y) > _OFF_PAGE_MM:
            return False
    return line.extent_mm[0] >= _SMALLEST_SIDE_MM


def _off_page_findings(off_page: Sequence[VectorLine], page: VectorPage) -> list[Finding]:
    if not off_page:
        return []
    edges = set()
    for line in off_page:
        x0, y0, x1, y1 = line.box
        left, top, right, bottom = _limits(line, page)
        beyond = {"left": x0 <= left, "top": y0 <= top, "right": x1 >= right, "bottom": y1 >= bottom}
        edges |= {edge for edge, is_beyond in beyond.items() if is_beyond}
    where = ", ".join(edge for edge in ("left", "right", "top", "bottom") if edge in edges)
    many = "a piece runs" if len(off_page) == 1 else f"{len(off_page)} outlines run"
    return [
        Finding(
            code="piece-runs-off-page",
            message=f"{many} off the page ({where} edge): only part of it is on this page, so it is not traced; give a "
            "PDF with the whole sheet on one page, or put the tiles together first",
        )
    ]


# -- inside the pieces ------------------------------------------------------------------------------------------------
def _styles_differ(lines: Sequence[VectorLine], pieces: Sequence[_Making]) -> bool:
    """Whether the page draws other solid lines in another width or colour: then its line styles mean something."""
    outlines = {(making.shape.line.stroke_rgb, round(making.shape.line.width_mm, 2)) for making in pieces}
    return any(
        line.stroke_rgb is not None and not line.dash_mm and (line.stroke_rgb, round(line.width_mm, 2)) not in outlines
        for line in lines
    )


def _is_hole(line: VectorLine, outer: VectorLine, *, styles_differ: bool) -> bool:
    if line.object_index == outer.object_index and outer.fill_rgb is not None:
        return True
    return styles_differ and line.stroke_rgb is not None and not line.dash_mm and line.style == outer.style


def _add_hole(making: _Making, path: Path) -> None:
    making.holes.append(path)
    said = "closed lines inside that are drawn like its outline are taken as cut-outs"
    if said not in making.notes:
        making.notes.append(said)


def _place_holes(small: Sequence[VectorLine], pieces: Sequence[_Making], styles_differ: bool) -> list[VectorLine]:
    """Give small holes to their pieces and return the other small closed lines."""
    left = []
    for line, owner in zip(small, owners_of(small, [making.shape for making in pieces]), strict=True):
        making = pieces[owner] if owner is not None else None
        if making is None or line.extent_mm[0] < _SMALLEST_HOLE_MM:
            left.append(line)
            continue
        inside = bool(making.shape.holds_points(line.points).all())
        if inside and _is_hole(line, making.shape.line, styles_differ=styles_differ):
            _add_hole(making, line.to_path())
        else:
            left.append(line)
    return left


def _place_inner(found: Sorted, pieces: Sequence[_Making], *, styles_differ: bool) -> None:
    """Hand the shapes inside pieces to them: holes, stitching lines, circles, other closed lines, other sizes."""
    by_shape = {id(making.shape): making for making in pieces}
    for shape, outer in found.inner:
        making = by_shape[id(outer)]
        parallel = inset_mm(outer, shape) is not None
        if not parallel and _is_hole(shape.line, outer.line, styles_differ=styles_differ):
            _add_hole(making, shape.path)
            continue
        kind: MarkKind = "internal line"
        if parallel:
            kind = "stitching line"
        elif shape.is_circle and shape.line.extent_mm[1] <= 30.0:
            kind = "circle"
        making.marks.append(Mark(kind=kind, path=OpenPath(shape.path.segments)))
    for shape, chosen in found.other_sizes:
        if id(chosen) in by_shape:
            by_shape[id(chosen)].marks.append(Mark(kind="outline", path=OpenPath(shape.path.segments)))


def _place_texts(texts: Sequence[DrawnText], pieces: Sequence[_Making], page_marks: list[Mark]) -> None:
    """Give each text to the smallest piece that holds its middle, in reading order."""
    taken: set[int] = set()
    for making in sorted(pieces, key=lambda m: m.shape.area_mm2):
        own = [t for t in texts_inside(making.shape, texts) if id(t) not in taken]
        taken.update(id(t) for t in own)
        making.marks.extend(_text_mark(t) for t in in_reading_order(own))
    page_marks.extend(_text_mark(t) for t in texts if id(t) not in taken)


def _text_mark(text: DrawnText) -> Mark:
    x0, y0, x1, y1 = text.box_mm
    return Mark(kind="text", at=((x0 + x1) / 2, (y0 + y1) / 2), text=text.text)


def _outline_mark(line: VectorLine) -> Mark:
    return Mark(kind="outline", path=line.to_open())


# -- findings and order -----------------------------------------------------------------------------------------------
def _nothing_found(page: VectorPage) -> Finding:
    words = sum(len(t.text.split()) for t in page.texts)
    what = f"only words on it ({words})" if words and not page.paths else "no closed outline that could be a piece"
    if not words and not page.paths:
        what = "nothing on it"
    return Finding(
        code="no-pieces-on-page",
        severity="note",
        message=f"this page has {what}, so no piece is traced from it; choose the pages with the pieces with --pages",
    )


def _reading_key(shape: Shape, pieces: Sequence[_Making]) -> tuple[int, float]:
    """Rows from the top, each from the left; a row is as high as half the median piece."""
    heights = [m.shape.line.box[3] - m.shape.line.box[1] for m in pieces]
    row = max(float(np.median(heights)) / 2, 1.0)
    return round(shape.line.box[1] / row), shape.line.box[0]
