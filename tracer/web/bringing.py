"""Tasks of the worker that need the whole tracing line: tracing sheets, and a photo of cloth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from calibration import (
    CalibrateOptions,
    MmPoints,
    PointedRectangle,
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
from tracer.pipeline import TraceOptions
from tracer.report.shown import map_from_json
from tracer.web.looking import Tell, jpeg
from tracer.web.worker import say

TRACED_FILE = "traced.json"
CLOTH_PICTURE, CLOTH_FILE = "cloth.jpg", "cloth.json"
_KEPT = ("files", "pages", "reference", "tolerance", "line", "fit", "size_line", "words", "pointed")


def trace(request: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Trace files into the job: ``{"files", "job", "pages", "reference", ...}`` as on the command line.

    ``pointed`` is a rectangle set by hand: its four corners in mm of the sheet as it is now, and its size. Corrections
    made before are carried over.
    """
    job = Path(request["job"])
    relative, absolute = parse_tolerance(request["tolerance"]) if request.get("tolerance") else (None, None)
    earlier = load(job) if (job / PATTERN_FILE).exists() else None
    files = [Path(f) for f in request["files"]]
    same = earlier is not None and {s.file for s in earlier.sheets} == {f.name for f in files}
    pointed = _pointed(job, request["pointed"]) if request.get("pointed") else None

    def carry(pattern: Pattern) -> Pattern:
        return carry_over(earlier, pattern) if earlier is not None and same else pattern

    pattern = trace_files(
        files,
        job,
        calibrate_options=CalibrateOptions(
            request=parse_request(request["reference"]) if request.get("reference") else None,
            reference_tolerance_relative=relative,
            reference_tolerance_mm=absolute,
            pointed=pointed,
        ),
        trace_options=TraceOptions(
            line=request.get("line", "centre"),
            tolerance_mm=parse_length_mm(request.get("fit", "0.1mm")),
            size_line=request.get("size_line"),
            words=bool(request.get("words", True)),
        ),
        pages=request.get("pages"),
        on_progress=tell,
        keep_pictures=True,
        carry=carry,
        on_piece=lambda piece: say(kind="piece", name=piece.name, outline=piece.outline.to_svg(decimals=2)),
    )
    asked = {k: request[k] for k in _KEPT if k in request} | {"files": [f.name for f in files]}
    write_text_whole(job / TRACED_FILE, json.dumps(asked))
    return {"pieces": len(pattern.pieces), "sheets": len(pattern.sheets)}


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
