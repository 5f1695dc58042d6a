"""Which of the large closed lines on a vector page are pieces, and what the others are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.finding import Finding
from calibration.picture import DrawnText, VectorPage
from calibration.units import format_inches
from tracer.path import OpenPath
from tracer.piece import Mark, MarkKind
from tracer.vectors.lines import VectorLine
from tracer.vectors.nesting import choose_sizes, nest
from tracer.vectors.shapes import (
    Shape,
    is_nominal_square_mm,
    is_size_only,
    lengths_in,
    speaks_of_cutting,
    speaks_of_test,
    texts_inside,
    texts_near,
)

_FRAME_SHARE = 0.8
_CAPTION_REACH_MM = 12.0
_SIZE_TOLERANCE = 0.005
_GLYPH_MAX_MM = 80.0
_SWATCH_MAX_MM = 60.0
_UNLABELLED_MAX_MM = 60.0
_TEXT_BOX_SHARE = 0.25
_LEAST_PATCH_MM = 18.0
"""Patches are no narrower, table rows are (common practice, no source)."""
_TOUCH_MM = 0.3
_SENTENCE_WORDS = 120
_SKETCH_MAX_MM = 120.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sorted:
    """Pieces, shapes inside them (each with its piece), other sizes of them, tables, marks of the page, findings."""

    pieces: tuple[Shape, ...]
    tables: tuple[Shape, ...]
    other_sizes: tuple[tuple[Shape, Shape], ...]
    inner: tuple[tuple[Shape, Shape], ...]
    marks: tuple[Mark, ...]
    findings: tuple[Finding, ...]


def sort_shapes(
    shapes: Sequence[Shape], open_lines: Sequence[VectorLine], page: VectorPage, *, size_line: int | None = None
) -> Sorted:
    """Sort large closed lines; the open lines tell tables from other rectangles.

    Each rule takes away what it knows; what no rule knows and lies in no other is a piece.
    """
    left = _without_doubles(shapes)
    marks: list[Mark] = []
    findings: list[Finding] = []

    def take(kind: MarkKind, taken: Sequence[Shape]) -> None:
        nonlocal left
        ids = {id(s) for s in taken}
        left = [s for s in left if id(s) not in ids]
        marks.extend(Mark(kind=kind, path=OpenPath(s.path.segments)) for s in taken)

    take("frame", [s for s in left if _is_frame(s, page)])
    take("text", _letters(left))
    squares, contradictions = _test_squares(left, page.texts)
    findings += contradictions
    take("test square", squares)
    tables = [*_cells(left, page.texts), *(s for s in left if _is_ruled(s, open_lines, page.texts))]
    take("table", tables)
    take("frame", [s for s in left if _is_text_box(s, page.texts) or _frames_pieces(s, left)])
    take("unknown", _swatches(left, page.texts))
    sketches = _sketches(left, page)
    if sketches:
        few = len(sketches) == 1
        taken = "drawing on this page of instructions is" if few else "drawings on this page of instructions are"
        kind = "an illustration, not as a piece" if few else "illustrations, not as pieces"
        message = f"{len(sketches)} small closed {taken} taken as {kind}"
        findings.append(Finding(code="drawings-passed-over", severity="note", message=message))
    take("unknown", sketches)
    choice = choose_sizes(left, size_line)
    findings += choice.findings
    pieces, inner = nest(choice.chosen, page.texts)
    unlabelled = _unlabelled(pieces, page.texts)
    marks.extend(Mark(kind="unknown", path=OpenPath(s.path.segments)) for s in unlabelled)
    gone = {id(s) for s in unlabelled}
    return Sorted(
        pieces=tuple(s for s in pieces if id(s) not in gone),
        inner=tuple((s, o) for s, o in inner if id(o) not in gone),
        other_sizes=tuple(choice.others),
        tables=tuple(tables),
        marks=tuple(marks),
        findings=tuple(findings),
    )


def _without_doubles(shapes: Sequence[Shape]) -> list[Shape]:
    """Keep one of each set of coinciding outlines, the stroked one before the filled one."""
    ordered = sorted(shapes, key=lambda s: (s.line.box[0], s.line.stroke_rgb is None))
    kept: list[Shape] = []
    for shape in sorted(ordered, key=lambda s: s.line.stroke_rgb is None):
        if not any(shape.same_outline(other) for other in kept):
            kept.append(shape)
    return kept


# -- frames, boxes and tables -----------------------------------------------------------------------------------------
def _is_frame(shape: Shape, page: VectorPage) -> bool:
    """Whether it is the border of the page or of a tile: upright, and most of the page both ways."""
    x0, y0, x1, y1 = shape.line.box
    wide, high = (x1 - x0) / page.width_mm, (y1 - y0) / page.height_mm
    return shape.is_upright_rectangle and wide >= _FRAME_SHARE and high >= _FRAME_SHARE


def _frames_pieces(shape: Shape, others: Sequence[Shape]) -> bool:
    """Whether an upright rectangle is drawn around two or more separate things as large as pieces."""
    if not shape.is_upright_rectangle:
        return False
    inside = [s for s in others if s is not shape and shape.holds(s) and s.area_mm2 > 0.02 * shape.area_mm2]
    outermost = [s for s in inside if not any(o is not s and o.holds(s) for o in inside)]
    return len(outermost) >= 2


def _is_text_box(shape: Shape, texts: Sequence[DrawnText]) -> bool:
    """Whether an upright box is filled with words."""
    x0, y0, x1, y1 = shape.line.box
    if not shape.is_upright_rectangle:
        return False
    inside = texts_inside(shape, texts)
    words = sum(len(t.text.split()) for t in inside)
    covered = sum((t.box_mm[2] - t.box_mm[0]) * (t.box_mm[3] - t.box_mm[1]) for t in inside)
    return (words >= 25 and not speaks_of_cutting(inside)) or covered > _TEXT_BOX_SHARE * (x1 - x0) * (y1 - y0)


def _cells(shapes: Sequence[Shape], texts: Sequence[DrawnText]) -> list[Shape]:
    """Return upright rectangles that share sides with others, and those around them: tables and grids.

    Patches of a block drawn side by side look the same; their words to cut tell them apart.
    """
    boxes = [s for s in shapes if s.is_upright_rectangle]
    touching: list[Shape] = []
    for shape in boxes:
        neighbours = sum(1 for other in boxes if other is not shape and _share_side(shape.line.box, other.line.box))
        x0, y0, x1, y1 = shape.line.box
        low = min(x1 - x0, y1 - y0) < _LEAST_PATCH_MM
        if neighbours >= 1 and (low or not speaks_of_cutting(texts_inside(shape, texts))):
            touching.append(shape)
    if len(touching) < 3:
        return []
    around = [
        s for s in boxes if s not in touching and sum(c.area_mm2 for c in touching if s.holds(c)) > 0.5 * s.area_mm2
    ]
    return [*touching, *around]


def _is_ruled(shape: Shape, open_lines: Sequence[VectorLine], texts: Sequence[DrawnText]) -> bool:
    """Whether an upright rectangle is ruled from side to side both ways, or three times one way: a table, a grid.

    A block of patches is ruled too; its words to cut tell it from a table, unless its rows are too narrow for patches.
    """
    if not shape.is_upright_rectangle:
        return False
    x0, y0, x1, y1 = shape.line.box
    across = down = 0
    for line in open_lines:
        a0, b0, a1, b1 = line.box
        if a0 < x0 - _TOUCH_MM or a1 > x1 + _TOUCH_MM or b0 < y0 - _TOUCH_MM or b1 > y1 + _TOUCH_MM:
            continue
        across += b1 - b0 <= _TOUCH_MM and a1 - a0 >= x1 - x0 - 2 * _TOUCH_MM
        down += a1 - a0 <= _TOUCH_MM and b1 - b0 >= y1 - y0 - 2 * _TOUCH_MM
    if not ((across >= 1 and down >= 1) or max(across, down) >= 3):
        return False
    row_mm = min((y1 - y0) / (across + 1), (x1 - x0) / (down + 1))
    return row_mm < _LEAST_PATCH_MM or not speaks_of_cutting(texts_inside(shape, texts))


def _share_side(a: Sequence[float], b: Sequence[float]) -> bool:
    for axis in (0, 1):
        along = min(a[2 + axis], b[2 + axis]) - max(a[axis], b[axis])
        other = 1 - axis
        meets = min(abs(a[2 + other] - b[other]), abs(b[2 + other] - a[other])) <= _TOUCH_MM
        if meets and along > 0.5 * min(a[2 + axis] - a[axis], b[2 + axis] - b[axis]):
            return True
    return False


# -- test squares -----------------------------------------------------------------------------------------------------
def _test_squares(shapes: Sequence[Shape], texts: Sequence[DrawnText]) -> tuple[list[Shape], list[Finding]]:
    """Return squares that are there to be measured, and findings where their caption says another size."""
    squares, findings = [], []
    for shape in shapes:
        if shape.sides_mm is None or shape.sides_mm[1] > 160.0:
            continue
        inside = texts_inside(shape, texts)
        near = texts_near(shape, texts, _CAPTION_REACH_MM)
        captions = [t for t in near if speaks_of_test(t.text)]
        sizes = [t for t in inside if is_size_only(t.text)]
        if speaks_of_cutting(inside):
            continue
        said = bool(captions) and (shape.is_square or bool(lengths_in(" ".join(t.text for t in near))))
        bare = shape.is_square and len(sizes) == len(inside) and is_nominal_square_mm(shape.sides_mm[1])
        lone = not any(s is not shape and (shape.holds(s) or s.holds(shape)) for s in shapes)
        if said or (shape.is_square and sizes and len(sizes) == len(inside)) or (bare and lone):
            squares.append(shape)
            finding = _contradiction(shape, [*captions, *sizes] or near)
            if finding is not None:
                findings.append(finding)
    return squares, findings


def _contradiction(shape: Shape, captions: Sequence[DrawnText]) -> Finding | None:
    assert shape.sides_mm is not None
    stated = lengths_in(" ".join(t.text for t in captions))
    if not stated:
        return None
    # A caption in two units rounds one of them (1 in, 2.5 cm): the nearest of all counts.
    off = min(abs(side / size - 1) for side in shape.sides_mm for size in stated)
    if off <= _SIZE_TOLERANCE:
        return None
    side = shape.sides_mm[1]
    nearest = min(stated, key=lambda size: abs(side / size - 1))
    return Finding(
        code="square-contradicts-page",
        message=f"the test square is said to be {nearest:.1f} mm ({format_inches(nearest)}) and is drawn {side:.2f} mm "
        f"wide, {100 * (side / nearest - 1):+.1f} %: the page may have been scaled when the file was made; the page's "
        "own size is used, measure a print of it before cutting",
    )


# -- letters, swatches, sketches --------------------------------------------------------------------------------------
def _letters(shapes: Sequence[Shape]) -> list[Shape]:
    """Return letters drawn as filled areas: without stroke, and in a row with two others of like height and colour."""
    filled = [s for s in shapes if s.line.stroke_rgb is None and s.line.extent_mm[1] <= _GLYPH_MAX_MM]
    found = []
    for shape in filled:
        x0, y0, x1, y1 = shape.line.box
        height = y1 - y0
        row = []
        for other in filled:
            if other is shape or other.line.fill_rgb != shape.line.fill_rgb:
                continue
            ox0, oy0, ox1, oy1 = other.line.box
            overlap = min(y1, oy1) - max(y0, oy0)
            gap = max(ox0 - x1, x0 - ox1)
            alike = 0.5 < (oy1 - oy0) / height < 2.0
            if alike and overlap > 0.6 * min(height, oy1 - oy0) and gap < 0.6 * height:
                row.append(other)
        if len(row) >= 2:
            found.append(shape)
    return found


def _swatches(shapes: Sequence[Shape], texts: Sequence[DrawnText]) -> list[Shape]:
    """Return small filled areas without words beside drawn outlines: colour samples, emblems."""
    if not any(s.line.stroke_rgb is not None for s in shapes):
        return []
    return [
        s
        for s in shapes
        if s.line.stroke_rgb is None and s.line.extent_mm[1] <= _SWATCH_MAX_MM and not texts_inside(s, texts)
    ]


def _sketches(shapes: Sequence[Shape], page: VectorPage) -> list[Shape]:
    """Return small drawings without words of their own on a page that is mostly sentences."""
    words = sum(len(t.text.split()) for t in page.texts)
    if words < _SENTENCE_WORDS:
        return []
    return [s for s in shapes if s.line.extent_mm[1] <= _SKETCH_MAX_MM and not texts_inside(s, page.texts)]


def _unlabelled(pieces: Sequence[Shape], texts: Sequence[DrawnText]) -> list[Shape]:
    """Return small shapes without their words in or beside them where the larger ones have them: diagrams, emblems."""
    large = [s for s in pieces if s.line.extent_mm[1] > _UNLABELLED_MAX_MM]
    labelled = [s for s in large if texts_inside(s, texts)]
    if not labelled or len(labelled) < len(large):
        return []
    # Where every large piece says how often it is cut, so does every small one; an emblem holds a word at most.
    told = all(speaks_of_cutting(texts_inside(s, texts)) for s in large)
    elsewhere = {id(t) for s in large for t in texts_inside(s, texts)}
    out = []
    for shape in pieces:
        near = [t for t in texts_near(shape, texts, _CAPTION_REACH_MM) if id(t) not in elsewhere]
        near += texts_inside(shape, texts)
        if shape.line.extent_mm[1] <= _UNLABELLED_MAX_MM and not (speaks_of_cutting(near) if told else near):
            out.append(shape)
    return out
