"""The worker's task of laying: everything, or the rest of it around what a person pinned."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry import box as rectangle

from calibration import Finding
from tracer.errors import LayError
from tracer.lay.bodies import Body, copies_to_lay
from tracer.lay.check import solid_of
from tracer.lay.copies import by_material, make_bodies
from tracer.lay.laid import CopyNumbers, LaidMat, Lay, LayOptions, NotPlaced, Placement, placements_of
from tracer.lay.plan import plan_lay
from tracer.lay.record import LAY_FILE
from tracer.lay.rules import Rules
from tracer.lay.strip import end_mm, lay_around
from tracer.lay.surface import Fabric, Leftover, Mat, Surface
from tracer.piece import Piece
from tracer.web.table import (
    Tell,
    asked_of,
    laid_mat,
    pieces_of,
    placed,
    recorded,
    rules_of,
    save_lay,
    surface_of,
)

_MOST_MATS = 40


def lay(request: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Lay the pieces, or the rest of them around what is pinned: ``{"job", "asked", "rest"}``."""
    job, asked = Path(request["job"]), dict(request["asked"])
    surface, rules, pieces = surface_of(asked), rules_of(asked), pieces_of(job)
    seconds = min(300.0, max(1.0, float(asked.get("seconds") or 10.0)))
    options = LayOptions(seconds=seconds, seed=int(asked.get("seed") or 1))
    pins = asked_of(job).get("pinned", []) if request.get("rest") else []
    if pins:
        planned, pinned = _rest(job, pieces, surface, rules, options, pins, tell)
    else:
        most = int(asked["mats"]) if asked.get("mats") else None
        planned, pinned = plan_lay(pieces, surface, rules, options, most_mats=most, progress=tell), []
    wrong = save_lay(job, planned, asked, pinned)
    return {"mats": len(planned.mats), "left": len(planned.not_placed), "wrong": len(wrong)}


def _rest(
    job: Path, pieces: Sequence[Piece], surface: Surface, rules: Rules, options: LayOptions, pins: Sequence[Any],
    tell: Tell,
) -> tuple[Lay, list[dict[str, Any]]]:  # fmt: skip
    """Lay everything that is not pinned around what is."""
    if rules.folded:
        raise LayError("on folded cloth nothing is pinned; unpin everything or open the fold")
    _, mats = recorded(job, pieces)
    names = {(p["piece"], p["copy"]) for p in pins}
    data = json.loads((job / LAY_FILE).read_text(encoding="utf-8"))
    known, numbers = {p.id: p for p in pieces}, CopyNumbers()
    laid: list[LaidMat] = []
    missing: list[NotPlaced] = []
    pinned: list[dict[str, Any]] = []
    interrupted = False
    for material, members in by_material(pieces).items():
        fixed: list[list[Placement]] = []
        across: list[bool] = []
        for rows, head in zip(mats, data["mats"], strict=True):
            if head["material"] != material:
                continue
            here = []
            for r in rows:
                if (r["piece"], r["copy"]) in names:
                    piece = known[r["piece"]]
                    copy = numbers.next(piece, mirrored=r["mirrored"])
                    here.append(
                        placed(
                            piece, copy=copy, mirrored=r["mirrored"], rotation_deg=r["rotation_deg"], dx_mm=r["dx"],
                            dy_mm=r["dy"],
                        )
                    )  # fmt: skip
                    pinned.append({"piece": piece.id, "copy": copy})
            if here:
                fixed.append(here)
                across.append(head["grain"] == "across")
        bodies = make_bodies(members, rules)
        left = _without_pinned(bodies, [p for f in fixed for p in f])
        n = 0
        while left or n < len(fixed):
            on = fixed[n] if n < len(fixed) else []
            turned = [_turned(b) for b in bodies] if n < len(across) and across[n] else bodies
            region, size = _region(surface, rules, on, bodies)
            poses, rest, stopped = lay_around(
                turned, left, region, seconds=options.seconds / 2, seed=options.seed,
                told=_told(tell, material), open_ended=isinstance(surface, Fabric),
            )  # fmt: skip
            interrupted |= stopped
            new = placements_of(poses, turned, numbers, 0.0, 0.0)
            if not new and not on:
                break
            length = size[1]
            if isinstance(surface, Fabric):
                ends = [p.outline.bounds.y_max for p in on] + ([end_mm(poses, turned)] if poses else [])
                length = max(ends) + rules.margin_mm
            head = {"width_mm": size[0], "length_mm": length, "material": material}
            head["grain"] = "across" if n < len(across) and across[n] else "along"
            laid.append(laid_mat(surface, rules, (*on, *new), head))
            left = tuple(rest)
            n += 1
            if n >= _MOST_MATS or not isinstance(surface, Mat):
                break
        for i in left:
            for m in bodies[i].members:
                copy = numbers.next(m.piece, mirrored=m.mirrored)
                why = "no room for it was found beside what is pinned"
                missing.append(NotPlaced(piece=m.piece, copy=copy, mirrored=m.mirrored, why=why))
    note = Finding(code="lay-around-pins", severity="note", message=f"left in place, since pinned: {len(pinned)}")
    return (
        Lay(
            surface=surface, rules=rules, mats=tuple(laid), not_placed=tuple(missing), findings=(note,),
            interrupted=interrupted,
        ),
        pinned,
    )  # fmt: skip


def _told(tell: Tell, material: str) -> Tell:
    return lambda words, share: tell(f"{material}: {words}" if material else words, share)


def _turned(body: Body) -> Body:
    """The body for a mat on which the grain runs across."""
    return body if body.turns is None else replace(body, turns=tuple((t + 90.0) % 360.0 for t in body.turns))


def _without_pinned(bodies: Sequence[Body], fixed: Sequence[Placement]) -> tuple[int, ...]:
    counts = {(p.piece.id, p.mirrored): 0 for p in fixed}
    for p in fixed:
        counts[p.piece.id, p.mirrored] += 1
    left = []
    for i in copies_to_lay(bodies):
        keys = [(m.piece.id, m.mirrored) for m in bodies[i].members]
        done = [counts.get(k, 0) > 0 for k in keys]
        if any(done) and not all(done):
            raise LayError(f"'{bodies[i].name}' keeps its arrangement; pin all of it or nothing of it")
        if all(done):
            for k in keys:
                counts[k] -= 1
            continue
        left.append(i)
    return tuple(left)


def _region(
    surface: Surface, rules: Rules, fixed: Sequence[Placement], bodies: Sequence[Body]
) -> tuple[Any, tuple[float, float]]:
    margin = rules.margin_mm
    if isinstance(surface, Leftover):
        raise LayError("on a leftover nothing is pinned yet; unpin everything and lay again")
    if isinstance(surface, Fabric):
        side = surface.selvedge_mm + margin
        reach = sum(b.demand * (min(b.box(t).height for t in b.some_turns) + rules.gap_mm) for b in bodies)
        reach += max((p.outline.bounds.y_max for p in fixed), default=0.0)
        size = (surface.width_mm, margin + reach + 1.0)
    else:
        side, size = margin, (surface.width_mm, surface.length_mm)
    region: Any = rectangle(side, margin, size[0] - side, size[1] - margin)
    if fixed:
        around = [solid_of(p.outline).buffer(rules.gap_mm + 1e-3, quad_segs=32) for p in fixed]
        region = region.difference(shapely.union_all(around))
    return region, size
