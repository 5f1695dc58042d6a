"""Measuring files again: what is in them, at which size, and how far it lies from the job's pieces.

The outlines are read by code that did not write them (svgelements for SVG, a reader of group codes for DXF, PDFium for
PDF, the whole tracing line for PNG, photos and scans). Each is matched with a piece of the job by its shape, whatever
its size; the sizes then tell by what ratio the file was scaled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from calibration import VectorPage
from tracer.path import OpenPath, Path
from tracer.piece import Piece
from tracer.truth import Agreement, coarse_rms_mm, compare

_SAME_SIZE = 0.002
"""Ratios nearer to 1 than this are the paper, the printer's feed or the reading, not a wrong setting."""

_ACCOUNTED = 0.4
"""Share of what an outline is off that may be left when it is shrunk back one way, to say that this was the reason."""

_RATIO_TOLERANCE = 0.004
_SHAPE_LIMIT = 0.02
_STRAY = 0.1
"""An outline of a piece's shape at quite another size than the rest is a small picture of it (a map of tiles)."""

_SMALLEST_MM2 = 25.0

KNOWN_RATIOS: tuple[tuple[float, str], ...] = (
    (72 / 96, "72/96: lengths meant in CSS pixels were taken for points"),
    (96 / 72, "96/72: lengths meant in points were taken for CSS pixels"),
    (96 / 90, "96/90: written for 96 per inch, read at 90"),
    (90 / 96, "90/96: written for 90 per inch, read at 96"),
    (72 / 90, "72/90: written for 72 per inch, read at 90"),
    (90 / 72, "90/72: written for 90 per inch, read at 72"),
    (25.4, "25.4: millimetres were taken for inches"),
    (1 / 25.4, "1/25.4: inches were taken for millimetres"),
    (10.0, "10: centimetres were taken for millimetres"),
    (0.1, "1/10: millimetres were taken for centimetres"),
    (72 / 25.4, "72/25.4: millimetres were taken for points the wrong way round"),
    (25.4 / 72, "25.4/72: points were taken for millimetres"),
    (96 / 25.4, "96/25.4: CSS pixels were taken for millimetres"),
    (25.4 / 96, "25.4/96: millimetres were taken for CSS pixels"),
)
"""Ratios between units that programs confuse (CSS pixel 1/96 in, point 1/72 in, both published; 90 per inch was an
older assumption of drawing programs, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundOutline:
    """A closed outline of a file, in the file's own millimetres."""

    name: str
    outline: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedPiece:
    """A piece of the job and the outline that matches it.

    ``scale`` is the outline's size over the piece's; ``agreement`` is measured without taking the scale away.
    """

    piece_id: str
    piece_name: str
    outline_name: str
    mirrored: bool
    scale: float
    agreement: Agreement


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """What a file holds against a job.

    ``ratio`` is the median scale of the matched outlines, 1.0 when nothing matched; ``ratio_words`` names it, empty
    when the file is true. ``stretch`` is given where the file is larger one way than the other: its ratios across and
    along.
    """

    pieces: tuple[CheckedPiece, ...]
    missing: tuple[str, ...]
    unmatched: tuple[str, ...]
    ratio: float
    ratio_words: str
    stretch: tuple[float, float] | None = None


def outlines_of_page(page: VectorPage) -> list[FoundOutline]:
    """Return every closed outline of a vector page that encloses more than 25 mm2, largest first."""
    found = []
    for number, path in enumerate(page.paths):
        if not path.closed or len(path.segments) < 2:
            continue
        outline = OpenPath(path.segments).closed().oriented()
        if outline.area >= _SMALLEST_MM2:
            found.append(FoundOutline(name=f"outline {number + 1}", outline=outline))
    return sorted(found, key=lambda f: -f.outline.area)


def ratio_in_words(ratio: float) -> str:
    """Return what a ratio between a file's size and the job's is called, empty when it is 1."""
    if abs(ratio - 1.0) <= _SAME_SIZE:
        return ""
    for known, words in KNOWN_RATIOS:
        if abs(ratio / known - 1.0) <= _RATIO_TOLERANCE:
            return words
    if 0.85 <= ratio < 1.0:
        return f"{100 * ratio:.1f} %: most likely 'fit to page' at printing; print at 100 %"
    if 1.0 < ratio <= 1.15:
        return f"{100 * ratio:.1f} %: most likely enlarged to fill the page at printing; print at 100 %"
    return f"{100 * ratio:.1f} %: no ratio that this tool knows"


def _features(path: Path) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Shape, whatever the size, place and turn: roundness, second moments and spread of the distances to the middle."""
    # Evenly along the line: samples that crowd where nodes crowd would make a finely traced corner weigh more.
    ring = shapely.LinearRing(path.flatten(path.length / 4e4))
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, np.arange(400) / 400, normalized=True))
    size = math.sqrt(path.area)
    centred = (points - path.centroid) / size
    spread = np.sort(np.hypot(centred[:, 0], centred[:, 1]))
    quantiles = np.interp(np.linspace(0, 1, 9), np.linspace(0, 1, len(spread)), spread)
    return np.concatenate([[path.length / size / 4], quantiles])


def check_outlines(found: Sequence[FoundOutline], pieces: Sequence[Piece]) -> CheckResult:
    """Match outlines with pieces by shape and measure each pair.

    Several copies of a piece in the file are all measured. A piece without any outline is missing.
    """
    features = {p.id: _features(p.outline) for p in pieces}
    candidates: list[tuple[FoundOutline, Sequence[Piece]]] = []
    for outline in found:
        own = _features(outline.outline)
        ranked = sorted((float(np.abs(own - features[p.id]).max()), i) for i, p in enumerate(pieces))
        if ranked and ranked[0][0] < _SHAPE_LIMIT:
            close: Sequence[Piece] = [pieces[i] for distance, i in ranked if distance < max(2 * ranked[0][0], 0.004)]
            candidates.append((outline, close))
    candidates = _outermost(candidates)
    ratio = _common_ratio(candidates)
    checked = []
    for outline, close in candidates:
        # Among pieces of like shape (squares of two sizes) the common ratio tells which one it is.
        piece = min(close, key=lambda p: abs(_scale(outline.outline, p.outline) / ratio - 1.0))
        if abs(_scale(outline.outline, piece.outline) / ratio - 1.0) < _STRAY:
            checked.append(_measured(outline, piece))
    matched = {c.piece_id for c in checked}
    named = {c.outline_name for c in checked}
    return CheckResult(
        pieces=tuple(checked),
        missing=tuple(p.name for p in pieces if p.id not in matched),
        unmatched=tuple(f.name for f in found if f.name not in named),
        ratio=ratio,
        ratio_words=ratio_in_words(ratio),
        stretch=_stretch({f.name: f.outline for f in found}, {p.id: p.outline for p in pieces}, checked),
    )


def _stretch(
    outlines: dict[str, Path], pieces: dict[str, Path], checked: Sequence[CheckedPiece]
) -> tuple[float, float] | None:
    """Ratios across and along where they differ and account for what the outlines are off; None otherwise.

    Only outlines that lie as their pieces do (or half turned, or mirrored) can tell.
    """
    told = []
    for one in checked:
        outline, piece = outlines[one.outline_name], pieces[one.piece_id]
        across, along = outline.bounds.width / piece.bounds.width, outline.bounds.height / piece.bounds.height
        if abs(across / along - 1.0) <= _SAME_SIZE:
            continue
        even = outline.transformed(np.array([[1 / across, 0.0, 0.0], [0.0, 1 / along, 0.0]]))
        if one.mirrored:
            even = even.transformed(np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])).oriented()
        scale = one.scale
        level = outline.transformed(np.array([[1 / scale, 0.0, 0.0], [0.0, 1 / scale, 0.0]]))
        if one.mirrored:
            level = level.transformed(np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])).oriented()
        if compare(even, piece).max_mm < _ACCOUNTED * compare(level, piece).max_mm:
            told.append((across, along))
    if len(told) < max(1, len(checked) / 2):
        return None
    across, along = np.median(np.array(told), axis=0)
    return float(across), float(along)


def _outermost(
    candidates: Sequence[tuple[FoundOutline, Sequence[Piece]]],
) -> list[tuple[FoundOutline, Sequence[Piece]]]:
    """Leave out what lies inside another outline and can only be the same piece: its stitching line."""
    rings = [shapely.Polygon(f.outline.flatten(0.05)).buffer(0) for f, _ in candidates]
    kept = []
    for k, (found, close) in enumerate(candidates):
        around = (
            other.covers(rings[k]) and other.area > rings[k].area
            for other, (_, same) in zip(rings, candidates, strict=True)
            if len(close) == 1 and [p.id for p in same] == [close[0].id]
        )
        if not any(around):
            kept.append((found, close))
    return kept


def _scale(outline: Path, piece: Path) -> float:
    return math.sqrt(outline.area / piece.area)


def _common_ratio(candidates: Sequence[tuple[FoundOutline, Sequence[Piece]]]) -> float:
    """The ratio that most outlines agree on, largest outlines first."""
    options = [_scale(f.outline, p.outline) for f, close in candidates for p in close]
    if not options:
        return 1.0
    votes = [sum(abs(o / r - 1.0) < 0.01 for o in options) - abs(math.log(r)) * 1e-3 for r in options]
    best = options[int(np.argmax(votes))]
    return float(np.median([o for o in options if abs(o / best - 1.0) < 0.01]))


def _measured(found: FoundOutline, piece: Piece) -> CheckedPiece:
    mirror = np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    scale = _scale(found.outline, piece.outline)
    # The sense is decided at equal size, so that a wrong scale cannot make a mirror image look better.
    alike = found.outline.transformed(np.array([[1 / scale, 0.0, 0.0], [0.0, 1 / scale, 0.0]]))
    flipped = alike.transformed(mirror).oriented()
    mirrored = coarse_rms_mm(flipped, piece.outline) < 0.5 * coarse_rms_mm(alike, piece.outline)
    measured = found.outline.transformed(mirror).oriented() if mirrored else found.outline
    return CheckedPiece(
        piece_id=piece.id,
        piece_name=piece.name,
        outline_name=found.name,
        mirrored=mirrored,
        scale=scale,
        agreement=compare(measured, piece.outline),
    )
