"""Tasks of the worker that need the whole tracing line: tracing sheets, and a photo of cloth."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import (
    CalibrateOptions,
    MmPoints,
    Picture,
    PointedRectangle,
    Sheet,
    calibrate,
    parse_length_mm,
    parse_request,
    parse_size_mm,
    parse_tolerance,
)
from calibration.intake import read_pictures
from tracer.carried import carry_over
from tracer.errors import JobError
from tracer.job import trace_files
from tracer.lay.cloth import cloth_from_sheet
from tracer.pattern import PATTERN_FILE, Pattern, load, write_bytes_whole, write_text_whole
from tracer.piece import Piece
from tracer.pipeline import TraceOptions, Watch
from tracer.report import sheet_jpeg
from tracer.report.shown import map_from_json
from tracer.web.looking import Tell, jpeg
from tracer.web.shown import THUMBS
from tracer.web.worker import say

TRACED_FILE = "traced.json"
CLOTH_PICTURE, CLOTH_FILE = "cloth.jpg", "cloth.json"
COMING = "coming"
"""Begins the names of pictures of sheets that are being traced."""
_COMING_PX = 1600
_MOST_OF_SHEET = 0.5
"""A thing that covers more than this share of a sheet is the paper or the mat, seldom a piece (judgement)."""
_KEPT = ("files", "pages", "reference", "tolerance", "line", "fit", "size_line", "words", "own")


def trace(request: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Trace files into the job: ``{"files", "job", "pages", "reference", ...}`` as on the command line.

    ``pages`` says which pages of which file, ``{"a.pdf": "2,4-6"}``; ``own`` what gives the scale of single pictures,
    ``[{"file", "page", "reference" | "pointed"}]``, where ``pointed`` is a rectangle set by hand: its four corners in
    mm of the sheet as it is now, or in pixels of the picture, and its size. Corrections made before are carried over.
    """
    job = Path(request["job"])
    pages = request.get("pages") or {}
    if not isinstance(pages, dict):
        pages = {Path(f).name: str(pages) for f in request["files"]}
    relative, absolute = parse_tolerance(request["tolerance"]) if request.get("tolerance") else (None, None)
    earlier = load(job) if (job / PATTERN_FILE).exists() else None
    files = [Path(f) for f in request["files"]]
    same = earlier is not None and {s.file for s in earlier.sheets} == {f.name for f in files}
    owns = _owns(request.get("own", []))
    for own in owns:
        # All of them by the maps of the last tracing, before this one has maps of its own.
        if own.get("pointed"):
            _pointed(job, own["pointed"])

    def carry(pattern: Pattern) -> Pattern:
        return carry_over(earlier, pattern) if earlier is not None and same else pattern

    def options_of(picture: Picture) -> CalibrateOptions:
        own = next((o for o in owns if (o["file"], o.get("page")) == (picture.source.file, picture.source.page)), {})
        reference = own.get("reference", request.get("reference"))
        return CalibrateOptions(
            request=parse_request(reference) if reference else None,
            reference_tolerance_relative=relative,
            reference_tolerance_mm=absolute,
            pointed=_pointed(job, own["pointed"]) if own.get("pointed") else None,
        )

    pattern = trace_files(
        files,
        job,
        calibrate_options=options_of,
        trace_options=TraceOptions(
            line=request.get("line", "centre"),
            tolerance_mm=parse_length_mm(request.get("fit", "0.1mm")),
            size_line=request.get("size_line"),
            words=bool(request.get("words", True)),
        ),
        pages={f: str(pages[f.name]) for f in files if f.name in pages},
        on_progress=tell,
        keep_pictures=True,
        carry=carry,
        watch=_watch(job / THUMBS),
    )
    asked = {k: request[k] for k in _KEPT if k in request} | {"files": [f.name for f in files]}
    write_text_whole(job / TRACED_FILE, json.dumps(asked))
    return {"pieces": len(pattern.pieces), "sheets": len(pattern.sheets)}


def _owns(asked: Any) -> list[dict[str, Any]]:
    if not isinstance(asked, list) or not all(isinstance(o, dict) and "file" in o for o in asked):
        raise JobError("what gives the scale of single pictures is a list, each with its file")
    return asked


def _watch(folder: Path) -> Watch:
    """Tell the page of each sheet, of what is seen on it and of each piece, while the work goes on."""

    def sheet_known(sheet: Sheet) -> None:
        name = f"{COMING}-{sheet.id}.jpg"
        folder.mkdir(parents=True, exist_ok=True)
        write_bytes_whole(folder / name, sheet_jpeg(sheet, longest_px=_COMING_PX))
        size = [round(sheet.width_mm, 2), round(sheet.height_mm, 2)]
        say(kind="sheet", id=sheet.id, picture=f"{folder.name}/{name}", size_mm=size)

    def seen(sheet: Sheet, outlines: Sequence[MmPoints]) -> None:
        most = _MOST_OF_SHEET * sheet.width_mm * sheet.height_mm
        shown = [np.asarray(o) for o in outlines if np.prod(np.ptp(np.asarray(o), axis=0)) < most]
        say(kind="seen", outlines=[_polygon(o[:: max(1, len(o) // 150)]) for o in shown])

    def piece_known(piece: Piece) -> None:
        say(kind="piece", name=piece.name, sheet=piece.sheet, outline=piece.outline.to_svg(decimals=2))

    return Watch(sheet=sheet_known, seen=seen, piece=piece_known)


def _polygon(points: NDArray[np.float64]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"


def _pointed(job: Path, asked: dict[str, Any]) -> PointedRectangle:
    """Read a rectangle set by hand; its corners go back to the picture by the map of the last tracing."""
    width_mm, height_mm = parse_size_mm(str(asked["size"]))
    if "corners_px" in asked:
        corners_px = np.array(asked["corners_px"], dtype=np.float64)
    else:
        try:
            sheet = json.loads((job / f"sheet-{asked['sheet']}.json").read_text(encoding="utf-8"))
            plane = map_from_json(sheet["map"])
        except (OSError, ValueError, KeyError) as error:
            raise JobError("this sheet was not traced here; trace it once before a corner is moved") from error
        corners_px = np.asarray(plane.to_px(MmPoints(np.array(asked["corners"], dtype=np.float64))))
        # Kept with the job: these corners stay where they are in the picture when the map changes.
        asked["corners_px"] = np.round(corners_px, 3).tolist()
    return PointedRectangle(corners_px=corners_px, width_mm=width_mm, height_mm=height_mm)  # type: ignore[arg-type]


def cloth(request: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Make the picture of a cloth seen from straight above: ``{"file", "job", "reference"}``."""
    job, path = Path(request["job"]), Path(request["file"])
    tell("finding the scale of the cloth", 0.2)
    options = CalibrateOptions(request=parse_request(request["reference"]) if request.get("reference") else None)
    seen = cloth_from_sheet(calibrate(next(iter(read_pictures(path))), options))
    size = seen.size_mm
    assert seen.pixels is not None
    assert size is not None
    write_bytes_whole(job / CLOTH_PICTURE, jpeg(seen.pixels, quality=80))
    found = {"picture": CLOTH_PICTURE, "file": path.name, "width_mm": round(size[0], 3), "length_mm": round(size[1], 3)}
    write_text_whole(job / CLOTH_FILE, json.dumps(found))
    return found
