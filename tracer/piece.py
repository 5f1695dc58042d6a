"""Pieces and marks: what a traced sheet consists of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from tracer.path import OpenPath, Path

MarkKind = Literal[
    "stitching line", "fold line", "grain line", "notch", "circle", "dot", "cross", "dart", "internal line", "text",
    "table", "frame", "test square", "tile mark", "reference", "mat grid", "outline", "unknown",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something drawn on the sheet that is no piece.

    Parameters
    ----------
    kind : str
        One of :data:`MarkKind`.
    path : OpenPath or None
        Its line in mm (closed marks have coinciding ends); None for a mark that is a point.
    at : tuple of float or None
        Its position in mm, for points and text (centre of the text's box).
    text : str
        Words read from it, or empty.
    confidence : float
        0..1, how sure the kind (for text: the reading) is.
    dropped : bool
        Put aside by a person: kept, but in no drawing and no file.
    """

    kind: MarkKind
    path: OpenPath | None = None
    at: tuple[float, float] | None = None
    text: str = ""
    confidence: float = 1.0
    dropped: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Distance between an outline and the line or edge found again in the picture, in mm.

    Measured, and added to it how far the line may be from where the picture shows it, or where it was not seen.
    """

    max_mm: float
    p95_mm: float
    rms_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HoleFit:
    """What is known of a hole's edge: its distance from the picture, and its expanded uncertainty (95 %) in mm."""

    fit: Fit
    expanded_uncertainty_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CutNote:
    """What the sheet says about cutting a piece.

    ``count`` copies; ``mirrored`` when they are pairs; ``fold`` when it is cut on the fold; ``material`` as read, or
    empty; ``confidence`` of the reading, 1.0 where nothing was read and the defaults stand.
    """

    count: int = 1
    mirrored: bool = False
    fold: bool = False
    material: str = ""
    confidence: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """How a cut-ready piece came from traced ones; a traced piece has none.

    Parameters
    ----------
    sources : tuple of str
        Ids of the traced pieces it is made of.
    steps : tuple of str
        What was done, in order, each in plain words that begin with the operation.
    together : str
        Pieces and copies with the same word keep their arrangement in the lay; empty for none.
    mirrored : bool
        Whether this outline is the mirror image of the traced piece (the back of the paper).
    finished_mm : tuple of float or None
        Width and height inside the stitching line, where an allowance is known.
    """

    sources: tuple[str, ...]
    steps: tuple[str, ...] = ()
    together: str = ""
    mirrored: bool = False
    finished_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One pattern piece, in millimetres on its sheet.

    Parameters
    ----------
    id : str
        ``p1``, ``p2``, ... unique in the pattern.
    name : str
        As read or given; ``Piece 1`` when nothing was read.
    sheet : str
        Id of its sheet.
    outline : Path
        Closed, simple, positively oriented.
    holes : tuple of Path
    hole_fits : tuple of HoleFit
        One for each hole, in their order, where they were measured; else empty.
    expanded_uncertainty_mm : float
        95 %; bounds where the outline lies relative to the piece's best-fit position, the scale's share included.
    fit : Fit
        Measured against the picture.
    size_uncertainty_mm : tuple of float
        Expanded uncertainty (95 %) of its width and of its height.
    extent_uncertainty : tuple of float
        Expanded uncertainty (95 %) of its area (mm2) and of its outline's perimeter (mm); 0 where none is stated.
    marks : tuple of Mark
        What lies inside the piece or on its outline.
    cut : CutNote
    notes : tuple of str
        What was done to it or is doubtful, in plain words (for example a bridged gap).
    made : Made or None
        For a cut-ready piece, where it came from.
    """

    id: str
    name: str
    sheet: str
    outline: Path
    holes: tuple[Path, ...] = ()
    hole_fits: tuple[HoleFit, ...] = ()
    expanded_uncertainty_mm: float
    fit: Fit
    size_uncertainty_mm: tuple[float, float] = (0.0, 0.0)
    extent_uncertainty: tuple[float, float] = (0.0, 0.0)
    marks: tuple[Mark, ...] = ()
    cut: CutNote = field(default_factory=CutNote)
    notes: tuple[str, ...] = ()
    made: Made | None = None

    @property
    def area_mm2(self) -> float:
        """Area of the outline less its holes."""
        return self.outline.area - sum(h.area for h in self.holes)
