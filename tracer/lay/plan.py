"""A whole lay: pieces and a surface in, every placement out."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from shapely.geometry import box as rectangle

from calibration import MM_PER_INCH, Finding, format_inches
from tracer.errors import LayError
from tracer.lay.bodies import Body, Pose, copies_to_lay
from tracer.lay.bounds import fits_alone
from tracer.lay.check import check_lay
from tracer.lay.cloth import Cloth
from tracer.lay.copies import by_material, make_bodies
from tracer.lay.fold import lay_folded
from tracer.lay.fussy import Match, Pin, lay_with_print
from tracer.lay.laid import CopyNumbers, LaidMat, Lay, LayOptions, NotPlaced, missing_of, placements_of
from tracer.lay.mats import BASES, MatSizes, lay_on_mats
from tracer.lay.rules import Rules, grain_turn_deg, has_grain
from tracer.lay.shapes import Solid
from tracer.lay.strip import end_mm, lay_around, lay_strip
from tracer.lay.surface import READY_MATS_IN, Fabric, Leftover, Mat, Surface, usable_leftover, usable_rectangle
from tracer.piece import Piece

Progress = Callable[[str, float], None]
"""Called with what is being done, in plain words, and the share of the time that is gone (0..1)."""

_LEAST_S = 0.05


def plan_lay(
    pieces: Sequence[Piece],
    surface: Surface,
    rules: Rules,
    options: LayOptions,
    *,
    more_mats: Sequence[Mat] = (),
    most_mats: int | None = None,
    cloth: Cloth | None = None,
    pins: Sequence[Pin] = (),
    matches: Sequence[Match] = (),
    progress: Progress | None = None,
) -> Lay:
    """Plan a lay.

    Parameters
    ----------
    pieces : sequence of Piece
        Each in as many copies as its cut note says, mirrored in pairs, by material, groups together.
    surface : Mat or Fabric or Leftover
    rules : Rules
    options : LayOptions
    more_mats : sequence of Mat
        Further mats in the order they are used after ``surface``; the last size serves again and again.
    most_mats : int, optional
        How many mats there are.
    cloth, pins, matches
        The print, pieces pinned to motifs, and seams across which the print runs on.
    progress : callable, optional

    Returns
    -------
    Lay
        Interrupted by Ctrl-C it holds the best lay found until then.

    Raises
    ------
    LayError
        When there is nothing to lay, the margin eats the surface, or no piece fits.
    """
    if not pieces:
        raise LayError("there is no piece to lay; trace one first or see the cut list")
    if (pins or matches or cloth) and rules.folded:
        raise LayError("a print is placed on single cloth; leave out the fold or the print")
    _all_named([*pins, *matches], pieces)
    materials = by_material(pieces)
    findings = _first_findings(pieces, rules, surface)
    done: list[_Done] = []
    start = time.monotonic()
    for n, (material, members) in enumerate(materials.items()):
        left = (options.seconds - (time.monotonic() - start)) / (len(materials) - n)
        stopped = any(d.interrupted for d in done)
        job = _Job(
            pieces=members,
            material=material,
            surface=surface,
            rules=rules,
            options=options,
            progress=progress,
            seconds=_LEAST_S if stopped else max(left, _LEAST_S),
            mats=(*([surface] if isinstance(surface, Mat) else []), *more_mats),
            most_mats=most_mats,
            cloth=cloth,
            pins=_named(pins, members),
            matches=_named(matches, members),
        )
        done.append(_lay_one(job))
    missing = tuple(m for d in done for m in d.missing)
    mats = tuple(m for d in done for m in d.mats)
    if not any(m.placements for m in mats):
        raise LayError(f"no piece fits: '{missing[0].piece.name}' was not laid, {missing[0].why}")
    interrupted = any(d.interrupted for d in done)
    findings += [f for d in done for f in d.findings]
    if interrupted:
        words = "the search was stopped early; this is the best lay so far"
        findings.append(Finding(code="lay-interrupted", severity="note", message=words))
    for item in {(m.piece.id, m.why): m for m in missing}.values():
        count = sum(m.piece.id == item.piece.id for m in missing)
        words = f"{count} of {item.piece.cut.count} not laid: {item.why}"
        findings.append(Finding(code="not-placed", where=item.piece.name, message=words))
    lay = Lay(
        surface=surface, rules=rules, mats=mats, not_placed=missing, findings=tuple(findings),
        least_mats={m: d.least_mats for m, d in zip(materials, done, strict=True) if d.least_mats is not None},
        interrupted=interrupted, cloth=cloth,
    )  # fmt: skip
    _must_be_right(lay, pieces)
    return lay


def _must_be_right(lay: Lay, pieces: Sequence[Piece]) -> None:
    """Reject a lay that the checker finds wrong: nobody cuts by it."""
    wrong = check_lay(lay, pieces)
    if wrong:
        first = wrong[0]
        raise LayError(
            f"the lay found is not right ({first.kind}: {' and '.join(first.who)}, {first.by_mm:.3f} mm) and was "
            "thrown away; try another --seed, and please report it"
        )


_Asked = TypeVar("_Asked", Pin, Match)


def _named(asked: Sequence[_Asked], pieces: Sequence[Piece]) -> tuple[_Asked, ...]:
    names = {n for p in pieces for n in (p.id, p.name)}
    return tuple(a for a in asked if a.piece in names)


def _all_named(asked: Sequence[Pin | Match], pieces: Sequence[Piece]) -> None:
    names = {n for p in pieces for n in (p.id, p.name)}
    for a in asked:
        if a.piece not in names:
            known = ", ".join(p.name for p in pieces)
            raise LayError(f"there is no piece '{a.piece}' to lay on the print; the pieces are: {known}")


def _first_findings(pieces: Sequence[Piece], rules: Rules, surface: Surface) -> list[Finding]:
    findings = []
    without = [p.name for p in pieces if not has_grain(p)]
    if without and rules.turn != "free" and not isinstance(surface, Mat):
        names = ", ".join(without[:5]) + (f" and {len(without) - 5} more" if len(without) > 5 else "")
        words = f"no grain line is drawn on {names}; the grain is taken to run up and down the sheet"
        findings.append(Finding(code="grain-assumed", severity="note", message=words))
    for word, turns in _grains_together(pieces).items():
        if rules.turn != "free" and len(turns) > 1:
            words = "it keeps its arrangement, so not all of it lies along its own grain line"
            findings.append(Finding(code="grain-given-up", where=word, message=words))
    for piece in pieces:
        if piece.cut.fold and not rules.folded:
            words = "it is cut on the fold but laid as half a piece; unfold it in the cut list, or lay on folded cloth"
            findings.append(Finding(code="fold-not-opened", where=piece.name, message=words))
    return findings


def _grains_together(pieces: Sequence[Piece]) -> dict[str, set[float]]:
    """Return for each arrangement that is kept the turns that its members' grains ask for, to 0.1 degree."""
    out: dict[str, set[float]] = {}
    for piece in pieces:
        word = piece.made.together if piece.made is not None else ""
        if word:
            flips = (False, True) if piece.cut.mirrored and piece.cut.count > 1 else (False,)
            turns = {round(grain_turn_deg(piece, mirrored=flip) % 180.0, 1) % 180.0 for flip in flips}
            out.setdefault(word, set()).update(turns)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    mats: tuple[LaidMat, ...]
    missing: tuple[NotPlaced, ...] = ()
    findings: tuple[Finding, ...] = ()
    interrupted: bool = False
    least_mats: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """The pieces of one material, and all that is asked."""

    pieces: Sequence[Piece]
    material: str
    surface: Surface
    rules: Rules
    options: LayOptions
    seconds: float
    mats: tuple[Mat, ...]
    most_mats: int | None
    cloth: Cloth | None
    pins: tuple[Pin, ...]
    matches: tuple[Match, ...]
    progress: Progress | None

    def told(self, text: str, share: float) -> None:
        """Pass progress on."""
        if self.progress is not None:
            self.progress(f"{self.material}: {text}" if self.material else text, share)


def _lay_one(job: _Job) -> _Done:
    if job.pins or job.matches:
        return _over_print(job)
    if isinstance(job.surface, Mat):
        return _on_mats(job)
    if isinstance(job.surface, Leftover):
        return _on_leftover(job, job.surface)
    return _on_folded(job, job.surface) if job.rules.folded else _on_cloth(job, job.surface)


def _on_mats(job: _Job) -> _Done:
    margin = job.rules.margin_mm
    inside = tuple(usable_rectangle(m.width_mm, m.length_mm, margin, words=m.words) for m in job.mats)
    bodies = make_bodies(job.pieces, job.rules)
    sizes = MatSizes(sizes=inside, most=job.most_mats)
    found = lay_on_mats(bodies, sizes, seconds=job.seconds, seed=job.options.seed, told=job.told)
    numbers = CopyNumbers()
    laid = []
    for mat in found.mats:
        size = job.mats[inside.index((mat.width_mm, mat.length_mm))]
        laid.append(
            LaidMat(
                width_mm=size.width_mm, length_mm=size.length_mm, material=job.material,
                inside=(margin, margin, size.width_mm - margin, size.length_mm - margin),
                placements=placements_of(mat.poses, bodies, numbers, margin, margin),
                grain_across=any(_is_across(p, bodies[p.body]) for p in mat.poses),
            )
        )  # fmt: skip
    why = [_why_not_on_mats(bodies[i], inside, job) for i in found.left]
    return _Done(
        mats=tuple(laid), missing=missing_of(found.left, bodies, numbers, why), interrupted=found.interrupted,
        least_mats=found.least,
    )  # fmt: skip


def _is_across(pose: Pose, body: Body) -> bool:
    return body.turns is not None and not any(abs((t - pose.turn_deg + 180) % 360 - 180) < 1e-9 for t in body.turns)


def _why_not_on_mats(body: Body, inside: Sequence[tuple[float, float]], job: _Job) -> str:
    if any(fits_alone(body, *size, base_degs=BASES) for size in inside):
        return f"there are only {job.most_mats} mats" if job.most_mats is not None else "no place for it was found"
    box = min((body.box(t) for t in body.some_turns), key=lambda b: (round(b.width * b.height, 3), b.width))
    width, length = max(inside, key=lambda s: s[0] * s[1])
    margin = job.rules.margin_mm
    ready = (Mat(width_mm=w * MM_PER_INCH, length_mm=h * MM_PER_INCH) for w, h in READY_MATS_IN)
    larger = [
        mat.words
        for mat in ready
        if min(mat.width_mm, mat.length_mm) > 2 * margin
        and fits_alone(body, mat.width_mm - 2 * margin, mat.length_mm - 2 * margin, base_degs=BASES)
    ]
    return (
        f"it is {format_inches(box.width)} x {format_inches(box.height)} and the {job.mats[-1].words} has "
        f"{format_inches(width)} x {format_inches(length)} inside its margin; it needs "
        f"{f'at least a {larger[0]}' if larger else 'a larger mat'} or less margin"
    )


def _across(fabric: Fabric, margin_mm: float) -> tuple[float, float]:
    x0 = fabric.selvedge_mm + margin_mm
    width = fabric.width_mm - 2 * x0
    if width <= 1e-6:
        raise LayError(
            f"a margin of {format_inches(margin_mm)} ({margin_mm:g} mm) and selvedges of "
            f"{format_inches(fabric.selvedge_mm)} on both sides leave nothing of the {fabric.words}; give less"
        )
    return x0, width


def _on_cloth(job: _Job, fabric: Fabric) -> _Done:
    margin = job.rules.margin_mm
    x0, width = _across(fabric, margin)
    every = make_bodies(job.pieces, job.rules)
    fitting = [b for b in every if fits_alone(b, width, None)]
    numbers = CopyNumbers()
    over = [i for i, b in enumerate(every) if b not in fitting for _ in range(b.demand)]
    why = [
        f"it is {format_inches(min(every[i].box(t).width for t in every[i].some_turns))} across and the "
        f"{fabric.words} has {format_inches(width)} to lay on"
        for i in over
    ]
    if not fitting:
        return _Done(mats=(), missing=missing_of(over, every, numbers, why))
    found = lay_strip(
        fitting,
        [b.demand for b in fitting],
        width,
        seconds=job.seconds,
        seed=job.options.seed,
        early=job.options.early,
        told=job.told,
    )
    mat = LaidMat(
        width_mm=fabric.width_mm,
        length_mm=found.length_mm + 2 * margin,
        material=job.material,
        inside=(x0, margin, fabric.width_mm - x0, margin + found.length_mm),
        placements=placements_of(found.poses, fitting, numbers, x0, margin),
        least_length_mm=found.least_mm + 2 * margin,
    )
    return _Done(mats=(mat,), missing=missing_of(over, every, numbers, why), interrupted=found.interrupted)


def _on_leftover(job: _Job, leftover: Leftover) -> _Done:
    region = usable_leftover(leftover, job.rules.margin_mm)
    bodies = make_bodies(job.pieces, job.rules)
    poses, left, interrupted = lay_around(
        bodies, copies_to_lay(bodies), region, seconds=job.seconds, seed=job.options.seed, told=job.told
    )
    why = [f"no room for it was found on the {leftover.words}"] * len(left)
    return _on_given(job, leftover, bodies, poses, left, why, interrupted=interrupted)


def _on_given(
    job: _Job, surface: Mat | Leftover, bodies: Sequence[Body], poses: Sequence[Pose], left: Sequence[int],
    why: Sequence[str], *, interrupted: bool,
) -> _Done:  # fmt: skip
    margin, numbers = job.rules.margin_mm, CopyNumbers()
    mat = LaidMat(
        width_mm=surface.width_mm, length_mm=surface.length_mm, material=job.material,
        inside=(margin, margin, surface.width_mm - margin, surface.length_mm - margin),
        placements=placements_of(poses, bodies, numbers, 0.0, 0.0),
    )  # fmt: skip
    return _Done(mats=(mat,), missing=missing_of(left, bodies, numbers, why), interrupted=interrupted)


def _on_folded(job: _Job, fabric: Fabric) -> _Done:
    margin = job.rules.margin_mm
    inner = fabric.width_mm / 2 - fabric.selvedge_mm - margin
    if inner <= job.rules.gap_mm:
        raise LayError(f"folded double, the {fabric.words} leaves nothing inside margin and selvedge; give less")
    found = lay_folded(
        job.pieces, job.rules, inner_mm=inner, half_cloth_mm=fabric.width_mm / 2, y0_mm=margin, seconds=job.seconds,
        seed=job.options.seed, told=job.told,
    )  # fmt: skip
    x0 = fabric.selvedge_mm + margin
    mat = LaidMat(
        width_mm=fabric.width_mm, length_mm=found.length_mm + 2 * margin, material=job.material, folded=True,
        inside=(x0, margin, fabric.width_mm - x0, margin + found.length_mm), placements=found.laid,
        single_from_mm=None if found.single_from_mm is None else found.single_from_mm + margin,
    )  # fmt: skip
    return _Done(mats=(mat,), missing=found.missing, findings=found.findings, interrupted=found.interrupted)


def _over_print(job: _Job) -> _Done:
    bodies = make_bodies(job.pieces, job.rules)
    margin, surface = job.rules.margin_mm, job.surface
    region: Solid
    if isinstance(surface, Leftover):
        region = usable_leftover(surface, margin)
    elif isinstance(surface, Mat):
        inside = usable_rectangle(surface.width_mm, surface.length_mm, margin, words=surface.words)
        region = rectangle(margin, margin, margin + inside[0], margin + inside[1])
    else:
        x0, width = _across(surface, margin)
        repeat = job.cloth.repeat_mm[1] if job.cloth is not None and job.cloth.repeat_mm is not None else 0.0
        lengths = [b.demand * (min(b.box(t).height for t in b.some_turns) + job.rules.gap_mm + repeat) for b in bodies]
        reach = sum(lengths) + max((p.at_mm[1] for p in job.pins), default=0.0)
        region = rectangle(x0, margin, x0 + width, margin + reach + 1.0)
    found = lay_with_print(
        bodies, region, job.cloth, job.pins, job.matches, seconds=job.seconds, seed=job.options.seed, told=job.told,
        open_ended=isinstance(surface, Fabric),
    )  # fmt: skip
    asked = {p.piece for p in job.pins} | {m.piece for m in job.matches}
    why = [
        "there is no room for it where the print asks for it"
        if any({m.piece.id, m.piece.name} & asked for m in bodies[i].members)
        else f"no room for it was found on the {surface.words}"
        for i in found.left
    ]
    if not isinstance(surface, Fabric):
        return _on_given(job, surface, bodies, found.poses, found.left, why, interrupted=found.interrupted)
    length, numbers = max(end_mm(found.poses, bodies) - margin, 0.0), CopyNumbers()
    mat = LaidMat(
        width_mm=surface.width_mm, length_mm=length + 2 * margin, material=job.material,
        inside=(x0, margin, surface.width_mm - x0, margin + length),
        placements=placements_of(found.poses, bodies, numbers, 0.0, 0.0),
    )  # fmt: skip
    missing = missing_of(found.left, bodies, numbers, why)
    return _Done(mats=(mat,), missing=missing, interrupted=found.interrupted)
