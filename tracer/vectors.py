"""Pieces on a vector page, exactly: from the page's own lines and curves, nothing re-fitted."""

from __future__ import annotations

from dataclasses import dataclass, field

from calibration.finding import Finding
from calibration.picture import VectorPage
from tracer.path import OpenPath, Path
from tracer.piece import CutNote, Mark


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


def find_vector_candidates(page: VectorPage) -> VectorFinding:
    """Find the pieces of a vector page."""
    pieces = [
        VectorPiece(outline=OpenPath(p.segments).closed().oriented())
        for p in page.paths
        if p.closed and p.segments
    ]
    return VectorFinding(pieces=tuple(p for p in pieces if p.outline.area > 400.0))
