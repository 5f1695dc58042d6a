"""The lay's record, ``lay.json`` (schema ``tracewheel-lay/1``), and reading it back."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from tracer.errors import JobError, PathError
from tracer.lay.check import shared_cuts
from tracer.lay.laid import LaidMat, Lay, Placement
from tracer.lay.surface import Fabric, Leftover, Mat
from tracer.path import Path

SCHEMA = "tracewheel-lay/1"
LAY_FILE = "lay.json"


def to_json(lay: Lay, *, answers: Sequence[str] = ()) -> dict[str, Any]:
    """Return the content of ``lay.json``."""
    first = lay.surface
    margin = lay.rules.margin_mm
    length = lay.fabric_length_mm if isinstance(first, Fabric) else first.length_mm
    surface: dict[str, Any] = {
        "kind": "mat" if isinstance(first, Mat) else "fabric",
        "width_mm": _mm(first.width_mm), "length_mm": _mm(length),
        "margin_mm": _mm(margin), "gap_mm": _mm(lay.rules.gap_mm),
        "turn": lay.rules.turn, "within_deg": lay.rules.within_deg, "folded": lay.rules.folded,
    }  # fmt: skip
    if isinstance(first, Fabric):
        surface["selvedge_mm"] = _mm(first.selvedge_mm)
    if isinstance(first, Leftover):
        surface["outline"] = first.outline.to_svg()
        surface["holes"] = [h.to_svg() for h in first.holes]
    if lay.cloth is not None and lay.cloth.repeat_mm is not None:
        surface["repeat_mm"] = [_mm(v) for v in lay.cloth.repeat_mm]
    out: dict[str, Any] = {
        "schema": SCHEMA, "units": "mm", "surface": surface,
        "mats": [_mat(lay, mat) for mat in lay.mats],
        "not_placed": [
            {"piece": m.piece.id, "name": m.piece.name, "copy": m.copy, "mirrored": m.mirrored, "why": m.why}
            for m in lay.not_placed
        ],
        "answers": list(answers),
    }  # fmt: skip
    if isinstance(first, Fabric):
        out["fabric"] = {
            "width_mm": _mm(first.width_mm), "length_mm": _mm(length),
            "by_material": [{"material": m.material, "length_mm": _mm(m.length_mm)} for m in lay.mats],
        }  # fmt: skip
    return out


def _mm(value: float) -> float:
    return round(value, 4)


def _mat(lay: Lay, mat: LaidMat) -> dict[str, Any]:
    out: dict[str, Any] = {
        "width_mm": _mm(mat.width_mm), "length_mm": _mm(mat.length_mm), "material": mat.material,
        "used_width_mm": _mm(mat.used_width_mm), "used_length_mm": _mm(mat.used_length_mm),
        "density": round(mat.density, 6), "grain": "across" if mat.grain_across else "along",
        "placements": [_placement(p) for p in mat.placements],
    }  # fmt: skip
    if mat.folded:
        out["fold"] = {"x_mm": _mm(mat.width_mm / 2)}
        if mat.single_from_mm is not None:
            out["fold"]["single_from_mm"] = _mm(mat.single_from_mm)
    if lay.rules.gap_mm == 0:
        out["shared_cuts"] = [{"between": [a, b], "length_mm": round(c, 2)} for a, b, c in shared_cuts(mat)]
    return out


def _placement(placement: Placement) -> dict[str, Any]:
    out: dict[str, Any] = {
        "piece": placement.piece.id,
        "name": placement.piece.name,
        "copy": placement.copy,
        "mirrored": placement.mirrored,
        "rotation_deg": round(placement.rotation_deg, 6) % 360.0,
        "outline": placement.outline.to_svg(),
    }
    if placement.holes:
        out["holes"] = [h.to_svg() for h in placement.holes]
    if placement.unfolded:
        out["unfolded"] = True
    if placement.group:
        out["together"] = placement.group
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedPlacement:
    """A placement as read from a record."""

    piece: str
    name: str
    copy: int
    mirrored: bool
    rotation_deg: float
    outline: Path
    holes: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedMat:
    """A mat, or a length of cloth, as read from a record."""

    width_mm: float
    length_mm: float
    placements: tuple[RecordedPlacement, ...]


def from_json(data: dict[str, Any]) -> tuple[RecordedMat, ...]:
    """Return the mats of a record.

    Raises
    ------
    JobError
        When it is no lay record of this schema, or damaged.
    """
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        seen = data.get("schema") if isinstance(data, dict) else type(data).__name__
        raise JobError(f"this is no lay: its schema is '{seen}', needed is '{SCHEMA}'")
    try:
        surface = data["surface"]
        return tuple(
            RecordedMat(
                width_mm=float(mat.get("width_mm", surface["width_mm"])),
                length_mm=float(mat.get("length_mm", surface["length_mm"])),
                placements=tuple(
                    RecordedPlacement(
                        piece=p["piece"],
                        name=p.get("name", p["piece"]),
                        copy=int(p["copy"]),
                        mirrored=bool(p["mirrored"]),
                        rotation_deg=float(p["rotation_deg"]),
                        outline=Path.from_svg(p["outline"]),
                        holes=tuple(Path.from_svg(h) for h in p.get("holes", [])),
                    )
                    for p in mat["placements"]
                ),
            )
            for mat in data["mats"]
        )
    except (KeyError, TypeError, ValueError, PathError) as error:
        raise JobError(f"the lay is damaged: {type(error).__name__} at {error}") from error


def load(job: FilePath, *, name: str = LAY_FILE) -> tuple[RecordedMat, ...]:
    """Read the lay of a job folder; raises :class:`JobError` when it is missing or damaged."""
    path = job / name
    try:
        return from_json(json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise JobError(f"there is no {name} in {job}; make it with 'tracewheel lay'") from None
    except (OSError, UnicodeDecodeError) as error:
        raise JobError(f"cannot read {path}: {error}") from error
    except json.JSONDecodeError as error:
        raise JobError(f"{path} is damaged: it is no JSON (line {error.lineno})") from error
