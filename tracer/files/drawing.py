"""What is written, whatever the format: outlines and marks in millimetres, by layer.

Every writer takes a :class:`Drawing`; none of them knows about patterns or lays. x right, y down, as everywhere;
writers whose format has y up flip once, at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tracer.crossing import line_crossings
from tracer.path import Bounds, OpenPath, Path
from tracer.piece import Mark, MarkKind, Piece
from tracer.segments import start_direction

Layer = Literal["outline", "stitching", "fold", "grain", "notches", "internal", "text", "other"]
LAYERS: tuple[Layer, ...] = ("outline", "stitching", "fold", "grain", "notches", "internal", "text", "other")

DASHES_MM: dict[Layer, tuple[float, ...]] = {"stitching": (4.0, 2.0), "fold": (8.0, 2.0, 2.0, 2.0)}
"""Dash, gap, ... of lines that are not cut along; all others are drawn through (common practice, no source)."""

_LAYER_OF_KIND: dict[MarkKind, Layer] = {
    "stitching line": "stitching",
    "fold line": "fold",
    "grain line": "grain",
    "notch": "notches",
    "circle": "internal",
    "dot": "internal",
    "cross": "internal",
    "dart": "internal",
    "internal line": "internal",
    "text": "text",
}
_BOX_POINTS = 5
_DOT_RADIUS_MM = 0.5
_HEAD_MM = 4.0
_TEXT_HEIGHT_MM = 4.0
_SMALLEST_TEXT_MM = 1.5
_LONGEST_WORDS = 60
_LINE_STEP = 1.6
"""Of lines under each other, to the height of a capital: descenders and a little air (common practice, no source)."""
_LETTER_WIDTH = 0.75
"""Of a letter with its space, to the height of a capital, in a plain sans serif (measured on Helvetica's widths)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnText:
    """Words centred on a place, with the height of a capital letter in mm."""

    words: str
    at: tuple[float, float]
    height_mm: float = _TEXT_HEIGHT_MM


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnPiece:
    """One piece: outline, holes, and its inside lines and words by layer."""

    id: str
    name: str
    outline: Path
    holes: tuple[Path, ...] = ()
    lines: tuple[tuple[Layer, OpenPath], ...] = ()
    texts: tuple[DrawnText, ...] = ()

    def moved(self, dx_mm: float, dy_mm: float) -> DrawnPiece:
        """Return the piece at another place."""
        return self.transformed(np.array([[1.0, 0.0, dx_mm], [0.0, 1.0, dy_mm]]))

    def transformed(self, matrix: np.ndarray) -> DrawnPiece:
        """Return the piece under an affine map of shape (2, 3); words stay level, and are set apart where they meet."""
        places = [matrix[:, :2] @ np.array(t.at) + matrix[:, 2] for t in self.texts]
        moved = [replace(t, at=(float(p[0]), float(p[1]))) for t, p in zip(self.texts, places, strict=True)]
        return DrawnPiece(
            id=self.id,
            name=self.name,
            outline=self.outline.transformed(matrix),
            holes=tuple(h.transformed(matrix) for h in self.holes),
            lines=tuple((layer, line.transformed(matrix)) for layer, line in self.lines),
            texts=tuple(set_apart(moved)),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """Everything on one page or mat.

    ``frame`` is the page in the drawing's own millimetres; for pieces alone it is their box with a margin.
    """

    title: str
    pieces: tuple[DrawnPiece, ...]
    frame: Bounds

    def at_origin(self) -> Drawing:
        """Return the drawing moved so that its frame begins at (0, 0)."""
        if self.frame.x_min == 0 and self.frame.y_min == 0:
            return self
        moved = tuple(p.moved(-self.frame.x_min, -self.frame.y_min) for p in self.pieces)
        return Drawing(title=self.title, pieces=moved, frame=Bounds(0.0, 0.0, self.frame.width, self.frame.height))


def _mark_lines(mark: Mark) -> Iterable[tuple[Layer, OpenPath]]:
    layer = _LAYER_OF_KIND.get(mark.kind, "other")
    if mark.kind == "grain line" and mark.path is not None:
        yield from (("grain", line) for line in (mark.path, *_arrow_heads(mark.path)))
    elif mark.path is not None and layer != "text":
        yield layer, mark.path
    elif mark.at is not None and layer != "text":
        x, y = mark.at
        r = _DOT_RADIUS_MM
        yield layer, OpenPath.polyline([(x - r, y), (x + r, y)])
        yield layer, OpenPath.polyline([(x, y - r), (x, y + r)])


def _arrow_heads(line: OpenPath) -> Iterable[OpenPath]:
    """Open heads at both ends, as grain lines have them (common practice, no source)."""
    size = min(_HEAD_MM, line.length / 5)
    for segments in (line.segments, line.reversed().segments):
        tip, back = segments[0][0], start_direction(segments[0])
        aside = np.array([-back[1], back[0]])
        sides = [tip + size * (back + k * aside) for k in (0.4, -0.4)]
        yield OpenPath.polyline([sides[0], tip, sides[1]])


def fitting_text(words: str, at: tuple[float, float], outline: Path) -> DrawnText:
    """Return words centred on a place, as small as they must be to stay in the outline; a long name is cut short."""
    shown = words if len(words) <= _LONGEST_WORDS else f"{words[: _LONGEST_WORDS - 1]}\N{HORIZONTAL ELLIPSIS}"
    return DrawnText(words=shown, at=at, height_mm=_fitting_height_mm(shown, at, outline))


def _fitting_height_mm(words: str, at: tuple[float, float], outline: Path) -> float:
    """The height at which level words centred on a place stay inside the outline, where there is room for that."""
    crossings = [x for _, _, x in line_crossings(outline.segments, np.array(at), np.array([1.0, 0.0]))]
    room = 2 * min((abs(x) for x in crossings), default=0.0)
    fitting = 0.9 * room / (_LETTER_WIDTH * max(len(words), 1))
    return float(min(_TEXT_HEIGHT_MM, max(_SMALLEST_TEXT_MM, fitting)))


def _meet(a: DrawnText, b: DrawnText) -> bool:
    """Return whether two level texts would be written over each other."""
    wide = _LETTER_WIDTH * (len(a.words) * a.height_mm + len(b.words) * b.height_mm) / 2
    high = _LINE_STEP * (a.height_mm + b.height_mm) / 2
    return abs(a.at[0] - b.at[0]) < wide and abs(a.at[1] - b.at[1]) < 0.99 * high


def set_apart(texts: Sequence[DrawnText]) -> list[DrawnText]:
    """Return level texts, those that would be written over each other one under the other, in the order given.

    Words that stand sideways on a piece lie side by side there; written level they would cover each other.
    """
    groups = [[k] for k in range(len(texts))]
    placed = list(texts)
    while True:
        meeting = next(
            (
                (m, n)
                for m in range(len(groups))
                for n in range(m)
                if any(_meet(placed[i], placed[j]) for i in groups[m] for j in groups[n])
            ),
            None,
        )
        if meeting is None:
            return placed
        m, n = meeting
        groups[n] = sorted([*groups[n], *groups.pop(m)])
        for k, text in zip(groups[n], _stacked([texts[k] for k in groups[n]]), strict=True):
            placed[k] = text


def _stacked(texts: Sequence[DrawnText]) -> list[DrawnText]:
    """Return texts one under the other about the middle of where they were."""
    x, y = np.mean([t.at for t in texts], axis=0)
    steps = _LINE_STEP * np.array([t.height_mm for t in texts])
    below = y - steps.sum() / 2 + np.cumsum(steps) - steps / 2
    return [replace(t, at=(float(x), float(v))) for t, v in zip(texts, below, strict=True)]


def _read_downwards(marks: Sequence[Mark]) -> list[Mark]:
    """Return texts in the order in which they are read, whichever way they stand: along what is down for most.

    The box of words that were read begins where they begin and goes around with the writing.
    """
    boxes = [np.asarray(m.path.flatten(0.1)) for m in marks if m.path is not None]
    ways = [b[3] - b[0] for b in boxes if len(b) == _BOX_POINTS]
    down = sum((way / max(float(np.hypot(*way)), 1e-9) for way in ways), np.array([0.0, 1e-3]))
    return sorted(marks, key=lambda m: float(np.asarray(m.at) @ down))


def drawn_piece(piece: Piece, *, with_marks: bool = True) -> DrawnPiece:
    """Return a piece ready to be written; dropped marks are left out."""
    marks: Sequence[Mark] = [m for m in piece.marks if not m.dropped] if with_marks else []
    words = _read_downwards([m for m in marks if m.kind == "text" and m.at is not None and m.text])
    texts = set_apart([fitting_text(m.text, m.at, piece.outline) for m in words if m.at is not None])
    # Where words were moved there may be less room.
    texts = [fitting_text(t.words, t.at, piece.outline) for t in texts]
    return DrawnPiece(
        id=piece.id,
        name=piece.name,
        outline=piece.outline,
        holes=piece.holes,
        lines=tuple(line for m in marks for line in _mark_lines(m)),
        texts=tuple(set_apart(texts)),
    )


def union_bounds(boxes: Iterable[Bounds]) -> Bounds:
    """Return the box around boxes; (0, 0, 1, 1) around none."""
    listed = list(boxes)
    if not listed:
        return Bounds(0.0, 0.0, 1.0, 1.0)
    return Bounds(
        min(b.x_min for b in listed),
        min(b.y_min for b in listed),
        max(b.x_max for b in listed),
        max(b.y_max for b in listed),
    )


def _extent(piece: DrawnPiece) -> Bounds:
    """Box around a piece with its marks (notches may stick out) and the middles of its words."""
    boxes = [piece.outline.bounds]
    for _, line in piece.lines:
        points = np.asarray(line.flatten(0.1))
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        boxes.append(Bounds(float(x0), float(y0), float(x1), float(y1)))
    return union_bounds(boxes)


def pieces_drawing(
    pieces: Sequence[Piece], *, title: str = "Pattern pieces", margin_mm: float = 5.0, with_marks: bool = True
) -> Drawing:
    """Return the pieces where they lie on their sheets, the sheets side by side."""
    placed: list[DrawnPiece] = []
    boxes: list[Bounds] = []
    for sheet in dict.fromkeys(p.sheet for p in pieces):
        here = [drawn_piece(p, with_marks=with_marks) for p in pieces if p.sheet == sheet]
        box = union_bounds(_extent(p) for p in here)
        shift = max(b.x_max for b in boxes) + 4 * margin_mm - box.x_min if boxes else 0.0
        placed += [p.moved(shift, 0.0) if shift else p for p in here]
        boxes.append(Bounds(box.x_min + shift, box.y_min, box.x_max + shift, box.y_max))
    whole = union_bounds(boxes)
    frame = Bounds(whole.x_min - margin_mm, whole.y_min - margin_mm, whole.x_max + margin_mm, whole.y_max + margin_mm)
    return Drawing(title=title, pieces=tuple(placed), frame=frame)


def single_drawing(piece: Piece, *, margin_mm: float = 5.0, with_marks: bool = True) -> Drawing:
    """Return one piece alone, its box beginning at (0, 0) with a margin."""
    drawn = drawn_piece(piece, with_marks=with_marks)
    box = _extent(drawn)
    moved = drawn.moved(margin_mm - box.x_min, margin_mm - box.y_min)
    frame = Bounds(0.0, 0.0, box.width + 2 * margin_mm, box.height + 2 * margin_mm)
    return Drawing(title=piece.name, pieces=(moved,), frame=frame)
