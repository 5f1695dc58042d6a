"""The worker's last task: writing files, and measuring each one again at once."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

from calibration import CalibrateOptions, CalibrationError
from tracer.checking import measure_file
from tracer.errors import FileFormatError, JobError, TracerError
from tracer.files.check import CheckedPiece, check_outlines
from tracer.files.drawing import Drawing, pieces_drawing, single_drawing
from tracer.files.dxf import DxfVersion, LayerNames
from tracer.files.hand_over import FileKind, WriteOptions, write_drawings
from tracer.files.lay_drawing import lay_drawings
from tracer.files.names import distinct_stems
from tracer.hand_over import CUTTING_SHEET_FILE, write_cutting_sheet
from tracer.job import CUT_FILE, LAY_FILE, job_folder
from tracer.pattern import PATTERN_FILE, load, write_text_whole
from tracer.piece import Piece

FILES_FOLDER = "files"
CHECKS_FILE = "checks.json"
WITHIN_MM = 0.5
"""Differences up to this are fine, as on the command line."""
_READ_AGAIN = (".svg", ".dxf", ".pdf")

Tell = Callable[[str, float], None]


def write(request: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Write files into the job and measure them: ``{"job", "kinds", "what", "paper", ...}``."""
    job = Path(request["job"])
    kinds = tuple(str(k) for k in request.get("kinds", []))
    paper = str(request.get("paper") or "") or None
    pattern = load(job, name=CUT_FILE if (job / CUT_FILE).exists() else PATTERN_FILE)
    with job_folder(job / FILES_FOLDER) as folder:
        written: list[Path] = []
        if kinds:
            options = WriteOptions(
                kinds=cast(tuple[FileKind, ...], kinds),
                paper=paper,
                projector=bool(request.get("projector")),
                outlines_only=bool(request.get("outlines_only")),
                dxf_version=cast(DxfVersion, str(request.get("dxf_version", "R2000"))),
                dxf_layers=cast(LayerNames, str(request.get("dxf_layers", "plain"))),
            )
            drawings = _drawings(job, request, pattern.pieces)
            written = write_drawings(
                drawings, folder, options, replace_existing=True, on_progress=lambda w, s: tell(w, 0.5 * s)
            )
        if request.get("cutting_sheet"):
            written.append(write_cutting_sheet(job, folder, paper=paper or "A4", replace_existing=True))
        if not written:
            raise FileFormatError("choose at least one kind of file")
        checks = _earlier(folder)
        for k, path in enumerate(written):
            tell(f"measuring {path.name} again", 0.5 + 0.5 * k / len(written))
            checks[path.name] = measured(path, pattern.pieces, _expected(path, job, request, pattern.pieces))
        write_text_whole(folder / CHECKS_FILE, json.dumps(checks, indent=1))
    return {"files": [p.name for p in written]}


def _drawings(job: Path, request: dict[str, Any], pieces: tuple[Piece, ...]) -> list[Drawing]:
    if request.get("what") == "lay":
        if not (job / LAY_FILE).exists():
            raise JobError("nothing is laid out yet; lay the pieces first, or write the pieces")
        return lay_drawings(job / LAY_FILE, pieces)
    if request.get("each"):
        return [single_drawing(piece) for piece in pieces]
    return [pieces_drawing(pieces, title="pieces")]


def _expected(path: Path, job: Path, request: dict[str, Any], pieces: tuple[Piece, ...]) -> dict[str, int]:
    """Return how often each piece should be in a file, by its id."""
    if request.get("what") == "lay":
        number = path.stem.removeprefix("lay-").partition("-")[0]
        mats = json.loads((job / LAY_FILE).read_text(encoding="utf-8"))["mats"]
        if number.isdigit() and 1 <= int(number) <= len(mats):
            return dict(Counter(p["piece"] for p in mats[int(number) - 1]["placements"]))
    if request.get("each"):
        stems = distinct_stems([single_drawing(p).title for p in pieces])
        return {p.id: 1 for p, stem in zip(pieces, stems, strict=True) if path.stem in (stem, f"{stem}-projector")}
    return {p.id: 1 for p in pieces}


def _earlier(folder: Path) -> dict[str, Any]:
    try:
        checks = json.loads((folder / CHECKS_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return checks if isinstance(checks, dict) else {}


def measured(path: Path, pieces: tuple[Piece, ...], expected: dict[str, int]) -> dict[str, Any]:
    """Measure one file again and say in words whether it is true.

    Of the outlines that have a piece's shape the nearest count, as many as there should be: a stitching line often has
    the shape of its piece, a little smaller.
    """
    if path.suffix not in _READ_AGAIN or "-tiles" in path.stem or path.name == CUTTING_SHEET_FILE:
        words = "not measured here; print a page and measure its test square" if "-tiles" in path.stem else ""
        if path.suffix == ".png":
            words = "a picture is not measured here; 'tracewheel check' traces it again"
        return {"state": "unmeasured", "words": words or "nothing in it to measure", "pieces": []}
    wanted = tuple(p for p in pieces if p.id in expected)
    try:
        found = measure_file(path, calibrate_options=CalibrateOptions())
        result = check_outlines(found.outlines, wanted)
    except (CalibrationError, TracerError) as error:
        return {"state": "wrong", "words": f"it could not be read again: {error}", "pieces": []}
    nearest: list[CheckedPiece] = []
    missing: list[str] = []
    for piece in wanted:
        own = sorted((c for c in result.pieces if c.piece_id == piece.id), key=lambda c: c.agreement.max_mm)
        nearest += own[: expected[piece.id]]
        if len(own) < expected[piece.id]:
            missing.append(f"{piece.name} ({len(own)} of {expected[piece.id]})")
    worst = max((c.agreement.max_mm for c in nearest), default=0.0)
    rows = [
        {"name": c.piece_name, "scale": round(c.scale, 6), "worst_mm": round(c.agreement.max_mm, 4)} for c in nearest
    ]
    if result.ratio_words:
        words = f"scaled by {result.ratio:.4f}: {result.ratio_words}"
    elif missing:
        words = f"not found in the file: {', '.join(missing)}"
    else:
        off = f"{worst:.3f} mm" if worst >= 0.0005 else "less than 0.001 mm"
        words = f"{len(rows)} outlines measured again, the farthest {off} from the job"
    wrong = bool(result.ratio_words or missing or worst > WITHIN_MM or not rows)
    return {"state": "wrong" if wrong else "true", "words": words, "pieces": rows, "worst_mm": round(worst, 4)}
