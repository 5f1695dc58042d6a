"""Measuring any file that may hold outlines: drawings by their own paths, pictures by the whole tracing line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path as FilePath

from calibration import CalibrateOptions, Finding, calibrate
from calibration.intake import read_pictures
from tracer.files.check import FoundOutline, outlines_of_page
from tracer.pipeline import TraceOptions, trace


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The closed outlines of a file and what is doubtful about its scale."""

    outlines: tuple[FoundOutline, ...]
    findings: tuple[Finding, ...]


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
            found = [FoundOutline(name=p.piece.id, outline=p.piece.outline) for p in traced.pieces]
        outlines += [FoundOutline(name=f"{page}{f.name}", outline=f.outline) for f in found]
    return Measured(outlines=tuple(outlines), findings=tuple(findings))
