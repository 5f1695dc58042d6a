"""The lay as the page has it: placements moved by hand, and judged by the same checker as planned ones.

A placement is told to the page as what is done to the piece's own outline: flipped left to right where mirrored, turned
clockwise, then moved by (dx, dy). What was asked for and what is pinned is kept in ``lay-asked.json`` beside the lay.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np

from calibration import parse_length_mm
from tracer.errors import JobError, LayError
from tracer.job import CUT_FILE
from tracer.lay.answers import answers
from tracer.lay.asked import parse_share, read_leftover
from tracer.lay.check import Violation, check_lay
from tracer.lay.draw import draw_mat
from tracer.lay.laid import LaidMat, Lay, NotPlaced, Placement
from tracer.lay.record import LAY_FILE, to_json
from tracer.lay.rules import Rules, Turn
from tracer.lay.surface import Fabric, Surface, parse_fabric, parse_mat
from tracer.path import Affine, rotation_matrix
from tracer.pattern import PATTERN_FILE, write_text_whole
from tracer.piece import Piece
from tracer.web.loaded import loaded

ASKED_FILE = "lay-asked.json"
_STEP = ("piece", "copy", "dx", "dy", "rotation_deg", "mirrored", "group")

Tell = Callable[[str, float], None]


# -- what is asked ----------------------------------------------------------------------------------------------------
def surface_of(asked: dict[str, Any]) -> Surface:
    """Read what is laid on; raises :class:`LayError`."""
    kind, size = str(asked.get("on", "mat")), str(asked.get("size", "")).strip()
    if kind == "fabric":
        return parse_fabric(size, selvedge=str(asked.get("selvedge") or "0mm"))
    if kind == "leftover":
        if "/" in size or "\\" in size or ":" in size:
            raise LayError("give the leftover's size here, like 20x30cm")
        return read_leftover(size)
    return parse_mat(size)


def rules_of(asked: dict[str, Any]) -> Rules:
    """Read the rules; raises :class:`LayError` or a unit error."""
    return Rules(
        margin_mm=parse_length_mm(str(asked.get("margin") or "0mm")),
        gap_mm=parse_length_mm(str(asked.get("gap") or "0mm")),
        turn=cast(Turn, str(asked.get("turn", "180"))),
        within_deg=float(asked.get("within") or 0.0),
        folded=bool(asked.get("fold")) and asked.get("on") == "fabric",
        use_holes=bool(asked.get("holes")),
        shrinkage=parse_share(str(asked.get("shrinkage") or "0%")),
    )


def pieces_of(job: Path) -> tuple[Piece, ...]:
    """Return what is laid: the pieces as cut, or as traced where nothing is cut-ready yet."""
    return loaded(job, name=CUT_FILE if (job / CUT_FILE).exists() else PATTERN_FILE).pieces


def asked_of(job: Path) -> dict[str, Any]:
    """Return what was asked of the lay, an empty dict when nothing was."""
    try:
        data = json.loads((job / ASKED_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return data if isinstance(data, dict) else {}


# -- placements as the page has them ----------------------------------------------------------------------------------
def matrix_of(mirrored: bool, rotation_deg: float, dx_mm: float, dy_mm: float) -> Affine:
    """Return the map from a piece's own millimetres to the surface's."""
    turn = rotation_matrix(rotation_deg)[:, :2]
    flip = np.diag([-1.0 if mirrored else 1.0, 1.0])
    return np.column_stack([turn @ flip, [dx_mm, dy_mm]])


def placed(piece: Piece, *, copy: int, mirrored: bool, rotation_deg: float, dx_mm: float, dy_mm: float) -> Placement:
    """Return a placement made by hand."""
    matrix = matrix_of(mirrored, rotation_deg, dx_mm, dy_mm)
    return Placement(
        piece=piece,
        copy=copy,
        mirrored=mirrored,
        rotation_deg=rotation_deg % 360.0,
        matrix=matrix,
        outline=piece.outline.transformed(matrix),
    )


def recorded(job: Path, pieces: Sequence[Piece]) -> tuple[dict[str, Any], list[list[dict[str, Any]]]]:
    """Return the record and, mat by mat, each placement with its shift (dx, dy)."""
    try:
        data = json.loads((job / LAY_FILE).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise JobError("nothing is laid out yet") from None
    except (OSError, ValueError) as error:
        raise JobError(f"the lay cannot be read: {error}") from error
    known = {p.id: p for p in pieces}
    mats = []
    for mat in data["mats"]:
        rows = []
        for p in mat["placements"]:
            piece = known.get(p["piece"])
            if piece is None:
                raise LayError("the pieces have changed since they were laid; lay them again")
            own = placed(
                piece, copy=p["copy"], mirrored=p["mirrored"], rotation_deg=p["rotation_deg"], dx_mm=0.0, dy_mm=0.0
            )
            first = p["outline"].split()
            start = np.array([float(first[1]), float(first[2])])
            shift = start - own.outline.segments[0][0]
            rows.append(
                {k: p[k] for k in ("piece", "name", "copy", "mirrored", "rotation_deg")}
                | {"dx": round(float(shift[0]), 4), "dy": round(float(shift[1]), 4)}
                | {"group": p.get("together", ""), "unfolded": bool(p.get("unfolded"))}
            )
        mats.append(rows)
    return data, mats


def is_stale(job: Path) -> bool:
    """Return whether pieces have changed since they were laid; False where nothing is laid."""
    shapes = asked_of(job).get("shapes", {})
    if not shapes or not (job / LAY_FILE).exists():
        return False
    try:
        now = {p.id: p.outline.to_svg() for p in pieces_of(job)}
    except JobError:
        return True
    return any(now.get(piece_id) != d for piece_id, d in shapes.items())


def table(job: Path) -> dict[str, Any] | None:
    """Return all that the page shows of the lay, None when there is none."""
    if not (job / LAY_FILE).exists():
        return None
    pieces = pieces_of(job)
    asked = asked_of(job)
    try:
        data, mats = recorded(job, pieces)
        for piece_id, d in asked.get("shapes", {}).items():
            if not any(p.id == piece_id and p.outline.to_svg() == d for p in pieces):
                raise LayError("the pieces have changed since they were laid; lay them again")
    except (LayError, KeyError, IndexError, ValueError) as error:
        return {"stale": str(error), "mats": [], "shapes": {}, "answers": [], "wrong": [], "pinned": []}
    pinned = {(p["piece"], p["copy"]) for p in asked.get("pinned", [])}
    for rows in mats:
        for row in rows:
            row["pinned"] = (row["piece"], row["copy"]) in pinned
    shapes = {
        p.id: {
            "d": " ".join(path.to_svg(decimals=3) for path in (p.outline, *p.holes)),
            "grain": next((m.path.to_svg() for m in p.marks if m.kind == "grain line" and m.path is not None), ""),
            "middle": [round(v, 3) for v in p.outline.centroid],
        }
        for p in pieces
    }
    heads = [
        {k: m[k] for k in ("width_mm", "length_mm", "material", "density", "grain")} | {"fold": m.get("fold")}
        for m in data["mats"]
    ]
    return {
        "surface": data["surface"],
        "mats": [head | {"placements": rows} for head, rows in zip(heads, mats, strict=True)],
        "not_placed": data["not_placed"],
        "answers": data["answers"],
        "shapes": shapes,
        "wrong": asked.get("wrong", []),
        "movable": not data["surface"].get("folded"),
        "steps": {"done": asked.get("done", 0), "count": len(asked.get("steps", []))},
        "drawings": [f"lay-{n}.svg" for n in range(1, len(mats) + 1)],
    }


def lay_by_hand(job: Path, asked: dict[str, Any], mats: list[list[dict[str, Any]]], heads: Sequence[Any]) -> Lay:
    """Return the lay with every piece where the page says; cloth is as long as what lies on it needs."""
    surface, rules, pieces = surface_of(asked), rules_of(asked), pieces_of(job)
    known = {p.id: p for p in pieces}
    laid = []
    for rows, head in zip(mats, heads, strict=True):
        placements = tuple(
            replace(
                placed(
                    known[r["piece"]], copy=int(r["copy"]), mirrored=bool(r["mirrored"]),
                    rotation_deg=float(r["rotation_deg"]), dx_mm=float(r["dx"]), dy_mm=float(r["dy"]),
                ),
                group=str(r.get("group", "")),
            )
            for r in rows
        )  # fmt: skip
        laid.append(laid_mat(surface, rules, placements, head))
    seen = {(p.piece.id, p.copy) for m in laid for p in m.placements}
    missing = tuple(
        NotPlaced(piece=p, copy=k, mirrored=p.cut.mirrored and k % 2 == 0, why="it was not laid")
        for p in pieces
        for k in range(1, p.cut.count + 1)
        if (p.id, k) not in seen
    )
    return Lay(surface=surface, rules=rules, mats=tuple(laid), not_placed=missing, findings=())


def laid_mat(surface: Surface, rules: Rules, placements: tuple[Placement, ...], head: Any) -> LaidMat:
    """Return a mat with what lies on it; ``head`` is its size, material and grain as in the record."""
    margin = rules.margin_mm
    width, length = float(head["width_mm"]), float(head["length_mm"])
    side = margin
    if isinstance(surface, Fabric):
        side += surface.selvedge_mm
        length = max((p.outline.bounds.y_max for p in placements), default=0.0) + margin
    return LaidMat(
        width_mm=width,
        length_mm=length,
        inside=(side, margin, width - side, length - margin),
        placements=placements,
        material=str(head.get("material", "")),
        grain_across=head.get("grain") == "across",
    )


_WORDS = {
    "overlap": "{0} and {1} overlap, {2} deep",
    "gap": "{0} and {1} are closer than the gap, by {2}",
    "outside": "{0} lies over the edge, by {2}",
    "margin": "{0} lies in the margin, by {2}",
    "turn": "{0} lies off its grain, by {3:.1f} degrees",
    "mirror": "{0}, copy {1}, lies the wrong side up",
}


def in_words(violation: Violation) -> dict[str, Any]:
    """Return what is wrong as a sentence, with whom it concerns."""
    who = [*violation.who, ""]
    words = _WORDS.get(violation.kind, "{0}: wrong " + violation.kind)
    text = words.format(who[0], who[1], f"{violation.by_mm:.1f} mm", violation.by_mm)
    return {"kind": violation.kind, "who": list(violation.who), "mat": violation.mat, "words": text}


def save_lay(job: Path, lay: Lay, asked: dict[str, Any], pinned: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Write the lay, its drawings and what was asked; return what is wrong with it."""
    pieces = pieces_of(job)
    wrong = [in_words(v) for v in check_lay(lay, pieces)]
    for n in range(1, len(lay.mats) + 1):
        write_text_whole(job / f"lay-{n}.svg", draw_mat(lay, n))
    kept = {k: v for k, v in asked.items() if k not in ("wrong", "pinned", "shapes")}
    shapes = {p.id: p.outline.to_svg() for p in pieces}
    about = kept | {"pinned": list(pinned), "wrong": wrong, "shapes": shapes}
    write_text_whole(job / ASKED_FILE, json.dumps(about))
    lines = [f"Look again: {w['words']}." for w in wrong] + answers(lay)
    lines += [f"{f.where}: {f.message}" if f.where else f.message for f in lay.findings]
    write_text_whole(job / LAY_FILE, json.dumps(to_json(lay, answers=lines), indent=1, ensure_ascii=False) + "\n")
    for old in job.glob("lay-*.svg"):
        if old.stem.partition("-")[2].isdigit() and int(old.stem.partition("-")[2]) > len(lay.mats):
            old.unlink()
    return wrong


def moved(job: Path, change: dict[str, Any], *, done: int | None = None) -> dict[str, Any]:
    """Move, turn, mirror or pin one placement of the lay; returns what is wrong then.

    ``{"piece", "copy", "mat", "dx", "dy", "rotation_deg", "mirrored", "pinned", "keep"}``: what is left out stays as it
    is. Without ``keep`` nothing is written. What is kept can be taken back (:func:`stepped`); ``done`` is given when
    this is such a step itself: how many steps are in force then.
    """
    asked, pieces = asked_of(job), pieces_of(job)
    data, mats = recorded(job, pieces)
    if data["surface"].get("folded"):
        raise LayError("on folded cloth pieces are not moved by hand; open the fold and lay them again")
    who = (str(change["piece"]), int(change["copy"]))
    found = [(m, k) for m, rows in enumerate(mats) for k, r in enumerate(rows) if (r["piece"], r["copy"]) == who]
    if not found:
        raise LayError("this piece is not on the table")
    row = mats[found[0][0]].pop(found[0][1])
    pinned = [p for p in asked.get("pinned", []) if (p["piece"], p["copy"]) != who]
    was_pinned = len(pinned) < len(asked.get("pinned", []))
    before = {k: row[k] for k in _STEP} | {"mat": found[0][0], "pinned": was_pinned}
    row |= {k: float(change[k]) for k in ("dx", "dy", "rotation_deg") if k in change}
    if "mirrored" in change:
        row["mirrored"] = bool(change["mirrored"])
    # A piece pulled out of an arrangement is no longer part of it.
    row["group"] = str(change.get("group", ""))
    target = int(change.get("mat", found[0][0]))
    if not 0 <= target < len(mats):
        raise LayError("there is no such mat")
    mats[target].append(row)
    is_pinned = bool(change.get("pinned", was_pinned))
    if is_pinned:
        pinned.append({"piece": who[0], "copy": who[1]})
    lay = lay_by_hand(job, asked, mats, data["mats"])
    if not change.get("keep"):
        return {"wrong": [in_words(v) for v in check_lay(lay, pieces)]}
    if done is None:
        after = {k: row[k] for k in _STEP} | {"mat": target, "pinned": is_pinned}
        steps = [*asked.get("steps", [])[: asked.get("done", 0)], {"before": before, "after": after}]
        asked |= {"steps": steps, "done": len(steps)}
    else:
        asked["done"] = done
    return {"wrong": save_lay(job, lay, asked, pinned)}


def stepped(job: Path, *, back: bool) -> dict[str, Any]:
    """Take the last kept move of a lay back, or do it again.

    Raises
    ------
    LayError
        When there is none.
    """
    asked = asked_of(job)
    steps, done = asked.get("steps", []), int(asked.get("done", 0))
    if (back and done == 0) or (not back and done == len(steps)):
        raise LayError("there is nothing to take back" if back else "there is nothing to do again")
    state = steps[done - 1]["before"] if back else steps[done]["after"]
    return moved(job, state | {"keep": True}, done=done - 1 if back else done + 1)
