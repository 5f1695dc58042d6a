"""Pieces made by hand for the tests of cutting: exact shapes, nothing traced."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from pathlib import Path as FilePath

import numpy as np

from tracer.cutting.shape import Shape, shape_of
from tracer.path import Path
from tracer.pattern import Pattern, SheetRecord, save
from tracer.piece import CutNote, Fit, Mark, Piece


def piece(
    outline: Path,
    *,
    name: str = "Bib",
    id: str = "p1",
    sheet: str = "s1",
    marks: Sequence[Mark] = (),
    cut: CutNote | None = None,
    holes: Sequence[Path] = (),
    uncertainty_mm: float = 0.1,
) -> Piece:
    return Piece(
        id=id,
        name=name,
        sheet=sheet,
        outline=outline,
        holes=tuple(holes),
        expanded_uncertainty_mm=uncertainty_mm,
        fit=Fit(max_mm=0.1, p95_mm=0.05, rms_mm=0.03),
        marks=tuple(marks),
        cut=cut or CutNote(),
    )


def rectangle(width: float, height: float, x: float = 0.0, y: float = 0.0) -> Path:
    return Path.polygon([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])


def shape(outline: Path, **more: object) -> Shape:
    return shape_of(piece(outline, **more))  # type: ignore[arg-type]


def arc_segments(radius: float, start_deg: float, end_deg: float, count: int, centre=(0.0, 0.0)):
    """An arc, clockwise on screen (y down, angles growing), as cubics within 2.7e-4 (step/90)^6 radii."""
    steps = np.radians(np.linspace(start_deg, end_deg, count + 1))
    k = 4 / 3 * math.tan((steps[1] - steps[0]) / 4)
    out = []
    for a, b in itertools.pairwise(steps):
        p, q = np.array([math.cos(a), math.sin(a)]), np.array([math.cos(b), math.sin(b)])
        tangent_p, tangent_q = np.array([-p[1], p[0]]), np.array([-q[1], q[0]])
        out.append(np.array([p, p + k * tangent_p, q - k * tangent_q, q]) * radius + centre)
    return out


def circle(radius: float, count: int = 12, centre=(0.0, 0.0)) -> Path:
    return Path(tuple(arc_segments(radius, 0.0, 360.0, count, centre)))


def ellipse(a: float, b: float, count: int = 12) -> Path:
    return circle(1.0, count).transformed(np.array([[a, 0, 0], [0, b, 0]], dtype=np.float64))


def half_circle(radius: float, count: int = 6) -> Path:
    """The right half; its fold is the straight edge on the left."""
    arc = arc_segments(radius, -90.0, 90.0, count)
    return Path((*arc, np.array([arc[-1][-1], arc[0][0]])))


def sheet_record(id: str = "s1", per_m: float = 0.5) -> SheetRecord:
    return SheetRecord(
        id=id,
        file="apron.png",
        page=None,
        sha256="0" * 64,
        size_px=(3000, 4000),
        size_mm=(600.0, 800.0),
        reference="square",
        mm_per_px=0.2,
        expanded_uncertainty_mm_per_m=per_m,
        residual_rms_mm=0.01,
    )


def pattern(*pieces: Piece, sheets: Sequence[SheetRecord] | None = None) -> Pattern:
    return Pattern(sheets=tuple(sheets or (sheet_record(),)), pieces=pieces)


def job(folder: FilePath, *pieces: Piece) -> FilePath:
    folder.mkdir(exist_ok=True)
    save(pattern(*pieces), folder)
    return folder
