"""Measuring any file that may hold outlines: drawings by their own paths, pictures by the whole tracing line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath

import shapely

from calibration import CalibrateOptions, Finding, calibrate
from calibration.intake import read_pictures
from tracer.files.check import FoundOutline, outlines_of_page
from tracer.path import Path
from tracer.piece import Piece
from tracer.pipeline import TraceOptions, trace

_FLAT_MM = 0.01
_INSIDE_MM = 1.0
_TOUCH_MM = 0.25
"""Half the widest gap between the middles of one line found from its two sides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The closed outlines of a file and what is doubtful about its scale."""

    outlines: tuple[FoundOutline, ...]
    findings: tuple[Finding, ...]


def _put_together(pieces: Sequence[Piece]) -> list[FoundOutline]:
    """The outlines of pieces, and the outer lines of those that touch each other.

    In a print, notches and stitching lines that reach the outline divide a piece into several closed stretches; each is
    traced as a piece, and only their outer line is the one that was cut. It is a polygon within 0.01 mm of the traced
    lines, and its corners where two stretches meet are as good as the line is wide. Stretches that reach no outer line
    (the inside of the stitching line) are left out.
    """
    shapes = [
        shapely.Polygon(p.outline.flatten(_FLAT_MM), [h.flatten(_FLAT_MM) for h in p.holes]).buffer(0) for p in pieces
    ]
    fat = shapely.get_parts(shapely.union_all([s.buffer(_TOUCH_MM, join_style="mitre") for s in shapes]))
    alone = {p.id: FoundOutline(name=p.id, outline=p.outline) for p in pieces}
    together = []
    for body in fat:
        members = [p.id for p, s in zip(pieces, shapes, strict=True) if body.contains(s)]
        whole = body.buffer(-_TOUCH_MM, join_style="mitre")
        if len(members) < 2 or whole.geom_type != "Polygon":
            continue
        ring = shapely.simplify(whole.exterior, _FLAT_MM / 2)
        outline = Path.polygon([(x, y) for x, y in ring.coords[:-1]]).oriented()
        together.append(FoundOutline(name="+".join(members), outline=outline))
        for p, s in zip(pieces, shapes, strict=True):
            if p.id in members and body.buffer(-_INSIDE_MM).contains(s):
                del alone[p.id]
    return [*alone.values(), *together]


def measure_file(
    path: FilePath,
    *,
    calibrate_options: CalibrateOptions,
    pages: str | None = None,
    on_progress: Callable[[str, float], None] | None = None,
) -> Measured:
    """Measure every closed outline of a file.

    Raises
    ------
    PictureError, ScaleError
        When the file cannot be read, or a picture in it has no usable scale.
    """
    tell = on_progress or (lambda _words, _share: None)
    outlines: list[FoundOutline] = []
    findings: list[Finding] = []
    for picture in read_pictures(path, pages=pages):
        page = f"page {picture.source.page} " if picture.source.page else ""
        tell(f"measuring {page}{path.name}", 0.3)
        if picture.vectors is not None:
            found = outlines_of_page(picture.vectors)
        else:
            sheet = calibrate(picture, calibrate_options)
            findings.extend(sheet.findings)
            traced = trace(sheet, TraceOptions(regular=False, words=False))
            pieces = [p.piece for p in traced.pieces]
            found = _put_together(pieces)
        outlines += [FoundOutline(name=f"{page}{f.name}", outline=f.outline) for f in found]
    return Measured(outlines=tuple(outlines), findings=tuple(findings))
