"""What is written on a cut-ready piece: its own name and how it is cut, in place of what was printed on the half.

Words that told how the traced piece was to be cut ("place on fold", "cut 1 pair") are wrong on a piece that was
unfolded, joined or split, so they are taken off together with the old name; all other words stay.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from tracer.clear_place import clear_places, first_clear
from tracer.path import Path
from tracer.piece import CutNote, Mark

LINE_MM = 6.0
"""From one line of the label to the next."""

_FLAT_MM = 0.1
_LETTER_MM = 3.0
_ENOUGH = 0.8
"""Of the largest circle: the middle of a piece looks better than a place with a little more room."""
_FOLD = re.compile(r"\b(?:on|to)\s*(?:the\s*)?fold\b", re.IGNORECASE)
_TELLS_HOW = re.compile(
    r"\b(?:on|to)\s*(?:the\s*)?fold\b|\bpairs?\b|\bmirror(?:ed)?\b|\breversed?\b"
    r"|\bcut(?:\s*out)?[\s:.x]*(?:\d+|one|two|three|four|six|eight)\b|\b\d+\s*x\b(?!\s*\d)|^\s*x\s*\d+\b",
    re.IGNORECASE,
)
"""Words that say how often a piece is cut or that it lies on the fold; "fold up 2 cm" and "5 x 7 in" do not."""


def cut_words(cut: CutNote) -> str:
    """Return how a piece is cut, as it is said on it: ``cut 1 pair on the fold, lining``.

    Read again by :func:`tracer.labels.parse_label` it comes to the same.
    """
    pairs, odd = divmod(cut.count, 2)
    words = f"cut {cut.count}"
    if cut.mirrored and odd:
        words += ", every second one mirrored"
    elif cut.mirrored:
        words = f"cut {pairs} pair{'s' if pairs > 1 else ''}"
    if cut.fold:
        words += " on the fold"
    return words + (f", {cut.material}" if cut.material else "")


def without_fold_words(marks: Sequence[Mark]) -> tuple[Mark, ...]:
    """Return the marks without words that speak of a fold, for a piece that lies flat now."""
    return tuple(m for m in marks if m.kind != "text" or not _FOLD.search(m.text))


def lettered(
    marks: Sequence[Mark],
    outline: Path,
    holes: Sequence[Path],
    *,
    name: str,
    cut: CutNote,
    old_names: Sequence[str],
    old_materials: Sequence[str] = (),
) -> tuple[Mark, ...]:
    """Return the marks with the piece's own label where there is most room, the old one taken off.

    Parameters
    ----------
    marks : sequence of Mark
    outline : Path
    holes : sequence of Path
    name : str
        As cut.
    cut : CutNote
    old_names, old_materials : sequence of str
        Of the traced pieces it is made of.
    """
    gone = {w.casefold() for w in (*old_names, *old_materials) if w}
    kept = [m for m in marks if m.kind != "text" or not (m.text.casefold() in gone or _TELLS_HOW.search(m.text))]
    lines = (name, cut_words(cut))
    shell, best = _roomiest(outline, holes)
    x, y = _beside_marks(shell, best, kept, lines)
    label = [
        Mark(kind="text", at=(x, y + (k - (len(lines) - 1) / 2) * LINE_MM), text=words) for k, words in enumerate(lines)
    ]
    return (*kept, *label)


def _roomiest(outline: Path, holes: Sequence[Path]) -> tuple[BaseGeometry, tuple[float, float]]:
    """The shape, and the middle of its area where it has room, else the middle of the largest circle inside, in mm."""
    shell = shapely.Polygon(outline.flatten(_FLAT_MM), [h.flatten(_FLAT_MM) for h in holes])
    shell = shell if shell.is_valid else shell.buffer(0)
    radius = shapely.maximum_inscribed_circle(shell, tolerance=1.0)
    middle = shell.centroid
    if shell.contains(middle) and shapely.distance(middle, shell.boundary) >= _ENOUGH * radius.length:
        return shell, (float(middle.x), float(middle.y))
    x, y = radius.coords[0]
    return shell, (float(x), float(y))


def _beside_marks(
    shell: BaseGeometry, best: tuple[float, float], marks: Sequence[Mark], lines: Sequence[str]
) -> tuple[float, float]:
    """Return the place nearest to the best one where the label stands clear of what is drawn, or that one."""
    drawn = [shapely.LineString(m.path.flatten(_FLAT_MM)) for m in marks if m.path is not None and m.kind != "text"]
    if not drawn:
        return best
    size = (max(len(t) for t in lines) * _LETTER_MM, len(lines) * LINE_MM)
    return first_clear(shell, shapely.union_all(drawn), clear_places(shell, best), size) or best
