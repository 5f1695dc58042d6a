"""Pattern: the pieces of one or more sheets, and the pattern file.

The pattern file is JSON (schema ``tracewheel-pattern/1``, published in ``tracer/schema/``). It is written to a
temporary name and renamed: a crash leaves the old file or the new one, never half of one.
"""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from calibration.finding import Finding
from tracer.errors import JobError, PathError
from tracer.path import Path, subpaths_from_svg
from tracer.piece import CutNote, Fit, HoleFit, Made, Mark, Piece

SCHEMA = "tracewheel-pattern/1"
PATTERN_FILE = "pattern.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One source of the scale's uncertainty: name, standard uncertainty in mm per m, and the words for it."""

    name: str
    standard_uncertainty_mm_per_m: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheckLine:
    """Another reference measured with the chosen one."""

    reference: str
    difference_percent: float
    expanded_uncertainty_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRecord:
    """What the pattern file keeps of a sheet."""

    id: str
    file: str
    page: int | None
    sha256: str
    size_px: tuple[int, int]
    size_mm: tuple[float, float]
    reference: str
    reference_size: str = ""
    mm_per_px: float
    expanded_uncertainty_mm_per_m: float
    residual_rms_mm: float
    cross_checks: tuple[CrossCheckLine, ...] = ()
    budget: tuple[BudgetLine, ...] = ()
    warnings: tuple[Finding, ...] = ()
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """What was read at first and every change since; nothing is ever taken out of it.

    Parameters
    ----------
    reading : dict
        Sheets and pieces as they were traced, in the words of the pattern file.
    changes : tuple of dict
        Every change in order, the undone ones (at the end) among them.
    done : int
        How many of them are in force.
    """

    reading: dict[str, Any]
    changes: tuple[dict[str, Any], ...] = ()
    done: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """Sheets and pieces.

    ``dropped`` are pieces that a person put aside; ``history`` is there once something was changed.
    """

    sheets: tuple[SheetRecord, ...]
    pieces: tuple[Piece, ...]
    findings: tuple[Finding, ...] = ()
    dropped: tuple[Piece, ...] = ()
    history: History | None = None

    def piece(self, name_or_id: str) -> Piece:
        """Return a piece by its id or name; raises :class:`JobError` naming what there is."""
        for piece in self.pieces:
            if name_or_id in (piece.id, piece.name):
                return piece
        known = ", ".join(f"{p.id} ({p.name})" for p in self.pieces) or "none"
        raise JobError(f"there is no piece '{name_or_id}'; the pieces are: {known}")


def _mark_to_json(mark: Mark) -> dict[str, Any]:
    out: dict[str, Any] = {"kind": mark.kind}
    if mark.path is not None:
        out["path"] = mark.path.to_svg()
    if mark.at is not None:
        out["at"] = [round(float(v), 4) for v in mark.at]
    if mark.text:
        out["text"] = mark.text
    if mark.confidence != 1.0:
        out["confidence"] = round(mark.confidence, 3)
    if mark.dropped:
        out["dropped"] = True
    return out


def _finding_to_json(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "severity": finding.severity,
        "where": finding.where,
        "message": finding.message,
    }


def _made_to_json(made: Made) -> dict[str, Any]:
    out: dict[str, Any] = {"from": list(made.sources), "steps": list(made.steps), "mirrored": made.mirrored}
    if made.together:
        out["together"] = made.together
    if made.finished_mm is not None:
        out["finished_width_mm"], out["finished_height_mm"] = (round(v, 4) for v in made.finished_mm)
    return out


def _fit_to_json(fit: Fit) -> dict[str, Any]:
    return {"max_mm": round(fit.max_mm, 4), "p95_mm": round(fit.p95_mm, 4), "rms_mm": round(fit.rms_mm, 4)}


def _fit_from_json(data: dict[str, Any]) -> Fit:
    return Fit(**{k: float(data[k]) for k in ("max_mm", "p95_mm", "rms_mm")})


def piece_to_json(piece: Piece) -> dict[str, Any]:
    """Return a piece as it stands in the pattern file; ``made`` is there for cut-ready pieces only."""
    box = piece.outline.bounds
    more: dict[str, Any] = {} if piece.made is None else {"made": _made_to_json(piece.made)}
    if any(piece.extent_uncertainty):
        more["area_expanded_uncertainty_mm2"] = round(piece.extent_uncertainty[0], 3)
        more["perimeter_expanded_uncertainty_mm"] = round(piece.extent_uncertainty[1], 4)
    if piece.hole_fits:
        more["hole_fits"] = [
            _fit_to_json(h.fit) | {"expanded_uncertainty_mm": round(h.expanded_uncertainty_mm, 4)}
            for h in piece.hole_fits
        ]
    return {
        "id": piece.id,
        "name": piece.name,
        "sheet": piece.sheet,
        "outline": piece.outline.to_svg(),
        "holes": [h.to_svg() for h in piece.holes],
        "width_mm": round(box.width, 4),
        "height_mm": round(box.height, 4),
        "area_mm2": round(piece.area_mm2, 3),
        "perimeter_mm": round(piece.outline.length, 4),
        "expanded_uncertainty_mm": round(piece.expanded_uncertainty_mm, 4),
        "width_expanded_uncertainty_mm": round(piece.size_uncertainty_mm[0], 4),
        "height_expanded_uncertainty_mm": round(piece.size_uncertainty_mm[1], 4),
        "fit": _fit_to_json(piece.fit),
        "marks": [_mark_to_json(m) for m in piece.marks],
        "cut": {
            "count": piece.cut.count,
            "mirrored": piece.cut.mirrored,
            "fold": piece.cut.fold,
            "material": piece.cut.material,
            "confidence": round(piece.cut.confidence, 3),
        },
        "notes": list(piece.notes),
    } | more


def _sheet_to_json(sheet: SheetRecord) -> dict[str, Any]:
    return {
        "id": sheet.id,
        "source": {"file": sheet.file, "page": sheet.page, "sha256": sheet.sha256},
        "size_px": list(sheet.size_px),
        "size_mm": [round(v, 4) for v in sheet.size_mm],
        "calibration": {
            "reference": sheet.reference,
            "reference_size": sheet.reference_size,
            "mm_per_px": round(sheet.mm_per_px, 8),
            "expanded_uncertainty_mm_per_m": round(sheet.expanded_uncertainty_mm_per_m, 5),
            "residual_rms_mm": round(sheet.residual_rms_mm, 5),
            "cross_checks": [
                {
                    "reference": c.reference,
                    "difference_percent": round(c.difference_percent, 4),
                    "expanded_uncertainty_percent": round(c.expanded_uncertainty_percent, 4),
                }
                for c in sheet.cross_checks
            ],
            "budget": [
                {
                    "name": b.name,
                    "standard_uncertainty_mm_per_m": round(b.standard_uncertainty_mm_per_m, 5),
                    "words": b.words,
                }
                for b in sheet.budget
            ],
            "warnings": [_finding_to_json(w) for w in sheet.warnings],
        },
        "marks": [_mark_to_json(m) for m in sheet.marks],
    }


def to_json(pattern: Pattern) -> dict[str, Any]:
    """Return the pattern file's content."""
    out: dict[str, Any] = {
        "schema": SCHEMA,
        "units": "mm",
        "sheets": [_sheet_to_json(s) for s in pattern.sheets],
        "pieces": [piece_to_json(p) for p in pattern.pieces],
        "findings": [_finding_to_json(f) for f in pattern.findings],
    }
    if pattern.dropped:
        out["dropped"] = [piece_to_json(p) for p in pattern.dropped]
    if pattern.history is not None:
        history = pattern.history
        out["history"] = {"reading": history.reading, "changes": list(history.changes), "done": history.done}
    return out


def reading_to_json(pattern: Pattern) -> dict[str, Any]:
    """Return sheets and pieces alone, as the history keeps the first reading."""
    whole = to_json(pattern)
    return {key: whole[key] for key in ("sheets", "pieces")}


def _history_from_json(data: dict[str, Any]) -> History:
    changes = tuple(data["changes"])
    done = int(data["done"])
    if not 0 <= done <= len(changes):
        raise ValueError(f"history counts {done} of {len(changes)} changes")
    return History(reading=data["reading"], changes=changes, done=done)


def _mark_from_json(data: dict[str, Any]) -> Mark:
    chains = subpaths_from_svg(data["path"]) if data.get("path") else []
    at = data.get("at")
    return Mark(
        kind=data["kind"],
        path=chains[0] if chains else None,
        at=(float(at[0]), float(at[1])) if at else None,
        text=data.get("text", ""),
        confidence=float(data.get("confidence", 1.0)),
        dropped=bool(data.get("dropped", False)),
    )


def _finding_from_json(data: dict[str, Any]) -> Finding:
    return Finding(code=data["code"], severity=data["severity"], where=data.get("where", ""), message=data["message"])


def _made_from_json(data: dict[str, Any]) -> Made:
    width, height = data.get("finished_width_mm"), data.get("finished_height_mm")
    return Made(
        sources=tuple(data["from"]),
        steps=tuple(data.get("steps", [])),
        together=str(data.get("together", "")),
        mirrored=bool(data.get("mirrored", False)),
        finished_mm=None if width is None or height is None else (float(width), float(height)),
    )


def piece_from_json(data: dict[str, Any]) -> Piece:
    """Read a piece as it stands in the pattern file."""
    cut = data.get("cut", {})
    return Piece(
        id=data["id"],
        name=data["name"],
        sheet=data["sheet"],
        outline=Path.from_svg(data["outline"]),
        holes=tuple(Path.from_svg(h) for h in data.get("holes", [])),
        expanded_uncertainty_mm=float(data["expanded_uncertainty_mm"]),
        fit=_fit_from_json(data["fit"]),
        hole_fits=tuple(
            HoleFit(fit=_fit_from_json(h), expanded_uncertainty_mm=float(h["expanded_uncertainty_mm"]))
            for h in data.get("hole_fits", [])
        ),
        size_uncertainty_mm=(
            float(data.get("width_expanded_uncertainty_mm", 0.0)),
            float(data.get("height_expanded_uncertainty_mm", 0.0)),
        ),
        extent_uncertainty=(
            float(data.get("area_expanded_uncertainty_mm2", 0.0)),
            float(data.get("perimeter_expanded_uncertainty_mm", 0.0)),
        ),
        marks=tuple(_mark_from_json(m) for m in data.get("marks", [])),
        cut=CutNote(
            count=int(cut.get("count", 1)),
            mirrored=bool(cut.get("mirrored", False)),
            fold=bool(cut.get("fold", False)),
            material=str(cut.get("material", "")),
            confidence=float(cut.get("confidence", 1.0)),
        ),
        notes=tuple(data.get("notes", [])),
        made=_made_from_json(data["made"]) if "made" in data else None,
    )


def _sheet_from_json(data: dict[str, Any]) -> SheetRecord:
    source, cal = data["source"], data["calibration"]
    return SheetRecord(
        id=data["id"],
        file=source["file"],
        page=source["page"],
        sha256=source["sha256"],
        size_px=(int(data["size_px"][0]), int(data["size_px"][1])),
        size_mm=(float(data["size_mm"][0]), float(data["size_mm"][1])),
        reference=cal["reference"],
        reference_size=cal.get("reference_size", ""),
        mm_per_px=float(cal["mm_per_px"]),
        expanded_uncertainty_mm_per_m=float(cal["expanded_uncertainty_mm_per_m"]),
        residual_rms_mm=float(cal["residual_rms_mm"]),
        cross_checks=tuple(CrossCheckLine(**c) for c in cal.get("cross_checks", [])),
        budget=tuple(BudgetLine(**b) for b in cal.get("budget", [])),
        warnings=tuple(_finding_from_json(w) for w in cal.get("warnings", [])),
        marks=tuple(_mark_from_json(m) for m in data.get("marks", [])),
    )


def from_json(data: dict[str, Any]) -> Pattern:
    """Read a pattern file's content.

    Raises
    ------
    JobError
        When it is no pattern file of this schema.
    """
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        seen = data.get("schema") if isinstance(data, dict) else type(data).__name__
        raise JobError(f"this is no pattern file: its schema is '{seen}', needed is '{SCHEMA}'")
    try:
        return Pattern(
            sheets=tuple(_sheet_from_json(s) for s in data["sheets"]),
            pieces=tuple(piece_from_json(p) for p in data["pieces"]),
            findings=tuple(_finding_from_json(f) for f in data.get("findings", [])),
            dropped=tuple(piece_from_json(p) for p in data.get("dropped", [])),
            history=_history_from_json(data["history"]) if "history" in data else None,
        )
    except (KeyError, TypeError, ValueError, IndexError, PathError) as error:
        raise JobError(f"the pattern file is damaged: {type(error).__name__} at {error}") from error


def write_text_whole(path: FilePath, text: str) -> None:
    """Write a text file so that a crash leaves the old file or the new one.

    Raises
    ------
    JobError
        When the folder cannot be written to.
    """
    write_bytes_whole(path, text.encode("utf-8"))


def write_bytes_whole(path: FilePath, content: bytes) -> None:
    """Write a file so that a crash leaves the old file or the new one; raises :class:`JobError`."""
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        FilePath(temporary).chmod(0o644)
        FilePath(temporary).replace(path)
    except OSError as error:
        if temporary:
            FilePath(temporary).unlink(missing_ok=True)
        raise JobError(f"cannot write {path.name} in {path.parent}: {error.strerror}") from error


def save(pattern: Pattern, job: FilePath, *, name: str = PATTERN_FILE) -> None:
    """Write the pattern file into a job folder (which must exist)."""
    write_text_whole(job / name, json.dumps(to_json(pattern), indent=1, ensure_ascii=False) + "\n")


def load(job: FilePath, *, name: str = PATTERN_FILE) -> Pattern:
    """Read the pattern file of a job folder.

    Raises
    ------
    JobError
        When it is missing, unreadable or damaged.
    """
    path = job / name
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        command = "trace" if name == PATTERN_FILE else "cut"
        raise JobError(f"there is no {name} in {job}; make it with 'tracewheel {command}'") from None
    except (OSError, UnicodeDecodeError) as error:
        raise JobError(f"cannot read {path}: {error}") from error
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        raise JobError(f"{path} is damaged: it is no JSON (line {error.lineno})") from error
    return from_json(data)
