"""A job folder: pictures in; pattern file, true-size pieces, report and overlays out."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from calibration import (
    CalibrateOptions,
    Finding,
    Picture,
    PxPoints,
    ReferenceRequest,
    ScaleError,
    Sheet,
    calibrate,
    look_through,
)
from calibration.hands import share_out
from calibration.intake import read_pictures
from tracer.captions import caption_size, checked_by_captions, held_against_caption, rather_than_density
from tracer.errors import JobError
from tracer.files.svg import pieces_svg
from tracer.pattern import PATTERN_FILE, Pattern, SheetRecord, save, write_bytes_whole, write_text_whole
from tracer.piece import Piece
from tracer.pipeline import TraceOptions, Watch, pattern_of, trace
from tracer.reading.engine import getting_ready
from tracer.report import SheetFigure, overlay_jpeg, report_html, sheet_figure, sheet_jpeg
from tracer.report.shown import shown_sheet

EARLIER_FILE = "pattern-earlier.json"
CUT_FILE = "cut.json"
LAY_FILE = "lay.json"
Progress = Callable[[str, float], None]


@dataclass(slots=True)
class _Gathered:
    """What has been traced so far; small, since the pixels of finished sheets are let go."""

    sheets: list[SheetRecord] = field(default_factory=list)
    pieces: list[Piece] = field(default_factory=list)
    figures: list[SheetFigure] = field(default_factory=list)
    overlays: list[tuple[str, bytes]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


@contextmanager
def job_folder(folder: Path, *, keep: bool = False) -> Iterator[Path]:
    """Make sure that a folder can be written to before the work begins.

    A folder made in vain goes away again unless it is to be kept.

    Raises
    ------
    JobError
        When it cannot be made or written to.
    """
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, probe = tempfile.mkstemp(dir=folder, prefix=".probe.")
        os.close(handle)
        Path(probe).unlink()
    except OSError as error:
        raise JobError(f"cannot write to the folder {folder}: {error.strerror}; choose another with --out") from error
    try:
        yield folder
    finally:
        if made and not keep and not any(folder.iterdir()):
            folder.rmdir()


def trace_files(
    inputs: Sequence[Path],
    folder: Path,
    *,
    calibrate_options: CalibrateOptions | Callable[[Picture], CalibrateOptions],
    trace_options: TraceOptions,
    pages: str | Mapping[Path, str] | None = None,
    on_progress: Progress | None = None,
    before_report: Callable[[Pattern], str] | None = None,
    keep_pictures: bool = False,
    carry: Callable[[Pattern], Pattern] | None = None,
    watch: Watch | None = None,
) -> Pattern:
    """Trace pictures and PDF pages into a job folder.

    Parameters
    ----------
    inputs : sequence of pathlib.Path
    folder : pathlib.Path
        Made when missing. An earlier pattern file in it is kept as ``pattern-earlier.json``.
    calibrate_options : CalibrateOptions or callable
        For all pictures, or asked for each.
    trace_options : TraceOptions
    pages : str or mapping of path to str, optional
        Pages of PDF files, like ``2,4-6``: of all of them, or of each by itself.
    on_progress : callable, optional
        Called with words and a share 0..1 within the present sheet.
    before_report : callable, optional
        Given the pattern, returns a ready HTML section for the report.
    keep_pictures : bool
        Also write each sheet as seen from straight above (``sheet-s1.jpg``) and what is known about it
        (``sheet-s1.json``: references, residuals, error along the outlines), for the page to show.
    carry : callable, optional
        Given the new pattern, returns it with what is to be carried over from an earlier tracing; before saving.
    watch : Watch, optional
        Told of sheets, rough outlines and pieces as they come.

    Returns
    -------
    Pattern
        As saved. Sheets without a usable scale are in its findings when others have one.

    Raises
    ------
    PictureError, ScaleError, JobError
        When nothing could be done. Interrupted, the sheets finished so far are saved before KeyboardInterrupt goes on.
    """
    tell = on_progress or (lambda _words, _share: None)
    gathered = _Gathered()
    refused: list[ScaleError] = []
    with job_folder(folder), getting_ready(wanted=trace_options.words):
        try:
            for picture in _pictures(inputs, pages, tell):
                try:
                    _trace_picture(
                        picture,
                        gathered,
                        calibrate_options
                        if isinstance(calibrate_options, CalibrateOptions)
                        else calibrate_options(picture),
                        trace_options,
                        tell,
                        keep_pictures=keep_pictures,
                        watch=watch or Watch(),
                    )
                except ScaleError as error:
                    refused.append(error)
                    gathered.findings.append(Finding(code="no-scale", where=_where(picture), message=str(error)))
        except KeyboardInterrupt:
            if gathered.sheets:
                gathered.findings.append(
                    Finding(code="stopped-early", message="the work was stopped; later sheets are not in this job")
                )
                _write(gathered, folder)
            raise
        if refused and not gathered.sheets:
            raise refused[0]
        return _write(gathered, folder, before_report, carry)


def _where(picture: Picture) -> str:
    page = f" page {picture.source.page}" if picture.source.page else ""
    return f"{picture.source.file}{page}"


def _pictures(inputs: Sequence[Path], pages: str | Mapping[Path, str] | None, tell: Progress) -> Iterator[Picture]:
    for path in inputs:
        tell(f"reading {path.name}", 0.0)
        yield from read_pictures(path, pages=pages.get(path) if isinstance(pages, Mapping) else pages)


def _trace_picture(
    picture: Picture,
    gathered: _Gathered,
    calibrate_options: CalibrateOptions,
    trace_options: TraceOptions,
    tell: Progress,
    *,
    keep_pictures: bool,
    watch: Watch,
) -> None:
    sheet_id = f"s{len(gathered.sheets) + 1}"
    where = _where(picture)
    tell(f"{where}: finding the scale", 0.05)
    sheet = _calibrated(picture, calibrate_options, sheet_id, read=trace_options.words)
    watch.sheet(sheet)
    traced = trace(
        sheet,
        trace_options,
        first_number=len(gathered.pieces) + 1,
        on_progress=lambda words, share: tell(f"{where}: {words}", 0.2 + 0.7 * share),
        watch=watch,
    )
    tell(f"{where}: drawing the report", 0.95)
    gathered.sheets.append(traced.record)
    gathered.pieces.extend(p.piece for p in traced.pieces)
    files: dict[str, Callable[[], bytes]] = {f"overlay-{sheet_id}.jpg": partial(overlay_jpeg, traced)}
    if keep_pictures:
        files[f"sheet-{sheet_id}.jpg"] = partial(sheet_jpeg, sheet)
        files[f"sheet-{sheet_id}.json"] = lambda: json.dumps(shown_sheet(traced)).encode("ascii")
    makers: list[Callable[[], SheetFigure | bytes]] = [partial(sheet_figure, traced), *files.values()]
    figure, *contents = share_out(_made, makers)
    assert isinstance(figure, SheetFigure)
    gathered.figures.append(figure)
    for name, content in zip(files, contents, strict=True):
        assert isinstance(content, bytes)
        gathered.overlays.append((name, content))


def _made(make: Callable[[], SheetFigure | bytes]) -> SheetFigure | bytes:
    return make()


def _calibrated(picture: Picture, options: CalibrateOptions, sheet_id: str, *, read: bool) -> Sheet:
    """Find the scale; where a printed square is all there is and nobody said its size, read it from its caption.

    So it is where a stated density is all else there is and the caption contradicts it. Where the size is known
    otherwise, what the caption says is held against that, and what captions of further squares say against the scale.
    """
    looked = look_through(picture, options)

    def by_caption(square_px: PxPoints, size: str) -> Sheet:
        named = replace(options, request=ReferenceRequest(kind="square", size=size), square_px=square_px)
        sheet = calibrate(picture, named, sheet_id=sheet_id, looked=looked)
        note = Finding(
            code="size-read",
            severity="note",
            where=sheet_id,
            message=f"the printed square says that it is {size}; if that was misread, give --reference square=SIZE",
        )
        return checked_by_captions(replace(sheet, findings=(*sheet.findings, note)))

    try:
        sheet = calibrate(picture, options, sheet_id=sheet_id, looked=looked)
    except ScaleError as error:
        for corners_px in error.unsized_px if read else ():
            size = caption_size(picture.pixels, PxPoints(corners_px))
            if size is not None:
                return by_caption(PxPoints(corners_px), size)
        raise
    if not read:
        return sheet
    captioned = rather_than_density(sheet) if options.request is None and options.pointed is None else None
    return held_against_caption(checked_by_captions(sheet)) if captioned is None else by_caption(*captioned)


def _write(
    gathered: _Gathered,
    folder: Path,
    before_report: Callable[[Pattern], str] | None = None,
    carry: Callable[[Pattern], Pattern] | None = None,
) -> Pattern:
    pattern = pattern_of(gathered.sheets, gathered.pieces, findings=gathered.findings)
    if carry is not None:
        pattern = carry(pattern)
    earlier = folder / PATTERN_FILE
    if earlier.exists():
        write_bytes_whole(folder / EARLIER_FILE, earlier.read_bytes())
    for name, jpeg in gathered.overlays:
        write_bytes_whole(folder / name, jpeg)
    write_text_whole(folder / "pieces.svg", pieces_svg(pattern.pieces))
    write_text_whole(
        folder / "report.html",
        report_html(pattern, gathered.figures, extra=before_report(pattern) if before_report else ""),
    )
    # Last, so that a pattern file always has its report beside it.
    save(pattern, folder)
    return pattern


def all_findings(pattern: Pattern) -> tuple[Finding, ...]:
    """Findings of the whole pattern and of each sheet, in order; of several sheets, each says which it is about."""
    if len(pattern.sheets) == 1:
        return (*pattern.findings, *pattern.sheets[0].warnings)
    return (*pattern.findings, *(replace(f, where=f.where or s.id) for s in pattern.sheets for f in s.warnings))
