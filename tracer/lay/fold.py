"""Cloth folded double along its length, right sides together: every cut goes through both layers.

A placement gives a piece and its mirror image; a piece with a fold edge lies with that edge on the fold and comes
out whole. What is to be cut singly and is not its own mirror image is laid on the cloth opened out, beyond the
folded stretch.

Everything is recorded on the cloth opened out: the fold is the line in the middle of its width, the upper layer
lies to its right, the lower one to its left. No overlap there means none in either layer, and the gap across
the fold is kept too.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import box as rectangle

from calibration import Finding, format_inches
from tracer.lay.bodies import Body, Pose, make_body, placed_matrix
from tracer.lay.bounds import fits_alone
from tracer.lay.copies import copies_of, make_bodies, single
from tracer.lay.fold_edge import fold_edge_turn_deg, is_own_mirror, opened
from tracer.lay.laid import CopyNumbers, NotPlaced, Placement, placements_of
from tracer.lay.rules import Rules, grain_turn_deg
from tracer.lay.settle import settle
from tracer.lay.strip import Told, end_mm, lay_around, lay_strip
from tracer.path import Affine
from tracer.piece import Piece


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldedLay:
    """Placements on the opened cloth, x from the fold's middle line; ``length_mm`` without margins."""

    laid: tuple[Placement, ...]
    length_mm: float
    single_from_mm: float | None
    missing: tuple[NotPlaced, ...]
    findings: tuple[Finding, ...]
    interrupted: bool


def _lower_turn(piece: Piece, rules: Rules) -> float | None:
    """Return the turn of :func:`is_own_mirror` where the copy from the lower layer keeps its grain too, else None."""
    own = is_own_mirror(piece)
    if own is None or rules.turn == "free":
        return own
    # Turned by g above, the copy below comes to lie at own - g; that must be g again (or, with half turns, g + 180).
    period = 180.0 if rules.turn == "180" else 360.0
    off = (own - 2 * grain_turn_deg(piece, mirrored=False)) % period
    return own if min(off, period - off) < 1e-6 else None


@dataclass(frozen=True, slots=True)
class _Cut:
    """A body cut through both layers; ``own_mirror`` the turn that makes the lower copy the piece itself."""

    piece: Piece
    own_mirror: float | None
    on_fold: bool
    spare: bool


def lay_folded(
    pieces: Sequence[Piece],
    rules: Rules,
    *,
    inner_mm: float,
    half_cloth_mm: float,
    y0_mm: float,
    seconds: float,
    seed: int,
    told: Told | None = None,
) -> FoldedLay:
    """Lay pieces on folded cloth.

    Parameters
    ----------
    pieces, rules
    inner_mm : float
        From the fold to the margin (selvedges taken off).
    half_cloth_mm : float
        From the fold to the cloth's edge: x of the fold on the opened cloth.
    y0_mm : float
        Where the lay begins on the cloth.
    seconds, seed, told
        See :func:`tracer.lay.strip.lay_strip`.
    """
    where = _Where(inner_mm=inner_mm, half_cloth_mm=half_cloth_mm, y0_mm=y0_mm)
    doubles, singles, _, _ = _sorted(pieces, rules, through=False)
    both = bool(doubles and singles)
    share = seconds / 2 if both else seconds
    first = _lay_folded(pieces, rules, where, through=False, seconds=share, seed=seed, told=told)
    if not both or first.interrupted:
        return first
    # Beside the others there may be room enough to cut the single ones through both layers, with a copy to spare.
    second = _lay_folded(pieces, rules, where, through=True, seconds=share, seed=seed, told=told)
    if len(second.missing) <= len(first.missing) and second.length_mm < first.length_mm - 1e-6:
        return second
    return first


@dataclass(frozen=True, slots=True, kw_only=True)
class _Where:
    """See :func:`lay_folded`."""

    inner_mm: float
    half_cloth_mm: float
    y0_mm: float


def _lay_folded(
    pieces: Sequence[Piece], rules: Rules, where: _Where, *, through: bool, seconds: float, seed: int, told: Told | None
) -> FoldedLay:
    start = time.monotonic()
    inner_mm, half_cloth_mm, y0_mm = where.inner_mm, where.half_cloth_mm, where.y0_mm
    doubles, singles, findings, cuts = _sorted(pieces, rules, through=through)
    gap = rules.gap_mm
    keep = gap / 2
    room = [inner_mm if c.on_fold else inner_mm - keep for c in cuts]
    fits = [fits_alone(b, w, None) for b, w in zip(doubles, room, strict=True)]
    missing: list[tuple[Piece, str]] = [
        (b.members[0].piece, f"folded double the cloth has {format_inches(inner_mm)} and it needs "
         f"{format_inches(min(b.box(t).width for t in b.some_turns))}")
        for b, ok in zip(doubles, fits, strict=True) if not ok
    ]  # fmt: skip
    cuts = [c for c, ok in zip(cuts, fits, strict=True) if ok]
    doubles = [b for b, ok in zip(doubles, fits, strict=True) if ok]
    poses, interrupted = _double_poses(
        doubles, inner_mm, keep, seconds=seconds * (0.7 if singles else 0.95), seed=seed, told=told
    )
    length = end_mm(poses, doubles)
    numbers = CopyNumbers()
    laid: list[Placement] = []
    for pose in sorted(poses, key=lambda p: (p.y_mm, p.x_mm)):
        laid += _both_layers(pose.moved(0.0, y0_mm), doubles[pose.body], cuts[pose.body], numbers, half_cloth_mm)
    single_from = None
    bodies, over = _single_bodies(singles, rules, 2 * inner_mm)
    missing += over
    if bodies:
        single_from = length + (gap if doubles else 0.0)
        left = max(0.1, seconds - (time.monotonic() - start))
        found = lay_strip(bodies, [b.demand for b in bodies], 2 * inner_mm, seconds=left, seed=seed, told=told)
        interrupted = interrupted or found.interrupted
        laid += placements_of(found.poses, bodies, numbers, half_cloth_mm - inner_mm, y0_mm + single_from)
        length = single_from + found.length_mm
    lost = tuple(
        NotPlaced(piece=p, copy=numbers.next(p, mirrored=m), mirrored=m, why=why)
        for p, why in missing
        for m, n in zip((False, True), copies_of(p), strict=True)
        for _ in range(n)
    )
    return FoldedLay(
        laid=tuple(laid), length_mm=length, single_from_mm=single_from, missing=lost, findings=tuple(findings),
        interrupted=interrupted,
    )  # fmt: skip


def _sorted(
    pieces: Sequence[Piece], rules: Rules, *, through: bool
) -> tuple[list[Body], list[Piece], list[Finding], list[_Cut]]:
    """Sort the pieces into what is cut through both layers and what singly, with what a person should know.

    ``through`` cuts pieces through both layers that would be cut singly; the lower copies are to spare.
    """
    doubles: list[Body] = []
    singles: list[Piece] = []
    findings: list[Finding] = []
    cuts: list[_Cut] = []
    for piece in pieces:
        counts = copies_of(piece)
        if piece.made is not None and piece.made.together:
            singles.append(piece)
        elif piece.cut.fold:
            turn = fold_edge_turn_deg(piece)
            demand = piece.cut.count
            body = make_body(
                [(piece, False, None)], name=piece.name, turns=(turn,), demand=demand, gap_mm=rules.gap_mm, on_fold=True
            )
            doubles.append(body)
            cuts.append(_Cut(piece, None, True, False))
        elif counts.mirrored:
            doubles.append(single(piece, rules, mirrored=False, demand=counts.plain))
            cuts.append(_Cut(piece, None, False, counts.plain > counts.mirrored))
        elif piece.cut.count > 1 and (own := _lower_turn(piece, rules)) is not None:
            half = (piece.cut.count + 1) // 2
            doubles.append(single(piece, rules, mirrored=False, demand=half))
            cuts.append(_Cut(piece, own, False, piece.cut.count % 2 == 1))
        elif through:
            doubles.append(single(piece, rules, mirrored=False, demand=piece.cut.count))
            cuts.append(_Cut(piece, None, False, True))
        else:
            singles.append(piece)
    for c in cuts:
        if c.spare:
            lost = c.piece.cut.count if c.own_mirror is None and not c.piece.cut.mirrored else 1
            copies = "one copy" if lost == 1 else f"{lost} copies"
            words = f"cut through both layers, {copies} more than asked for come out"
            findings.append(Finding(code="spare-copy", severity="note", where=c.piece.name, message=words))
    if singles and doubles:
        names = ", ".join(p.name for p in singles)
        findings.append(
            Finding(
                code="single-layer", severity="note",
                message=f"cut singly, on the cloth opened out beyond the folded stretch: {names}",
            )
        )  # fmt: skip
    return doubles, singles, findings, cuts


def _single_bodies(
    pieces: Sequence[Piece], rules: Rules, width_mm: float
) -> tuple[list[Body], list[tuple[Piece, str]]]:
    bodies, over = [], []
    for body in make_bodies(pieces, rules) if pieces else []:
        if fits_alone(body, width_mm, None):
            bodies.append(body)
        else:
            across = format_inches(min(body.box(t).width for t in body.some_turns))
            over += [(m.piece, f"it is {across} across, wider than the cloth inside the margins") for m in body.members]
    return bodies, list({p.id: (p, why) for p, why in over}.values())


def _double_poses(
    bodies: Sequence[Body], inner_mm: float, keep_mm: float, *, seconds: float, seed: int, told: Told | None
) -> tuple[list[Pose], bool]:
    """Lay the bodies of both layers.

    Fold pieces along the fold, the rest beside or beyond them, whichever is shorter.
    """
    folds = [(i, b) for i, b in enumerate(bodies) if b.on_fold]
    others = [(i, b) for i, b in enumerate(bodies) if not b.on_fold]
    on_fold: list[Pose] = []
    y = 0.0
    for i, body in sorted(folds, key=lambda p: -p[1].area_mm2):
        assert body.turns is not None
        box = body.box(body.turns[0])
        for _ in range(body.demand):
            on_fold.append(Pose(body=i, turn_deg=body.turns[0], x_mm=-box.x_min, y_mm=y - box.y_min))
            y += box.height + body.gap_mm
    if folds:
        on_fold = settle(
            on_fold, bodies, width_mm=inner_mm, length_mm=None, deadline=time.monotonic() + 2.0, still_across=True
        )
    if not others:
        return on_fold, False
    demands = [b.demand for _, b in others]
    start = time.monotonic()
    # Beyond: the solver's best for the rest alone, after the fold pieces.
    share = seconds * (0.5 if folds else 0.97)
    found = lay_strip([b for _, b in others], demands, inner_mm - keep_mm, seconds=share, seed=seed, told=told)
    begin = y if folds else 0.0
    beyond = [
        *on_fold,
        *(p._replace(body=others[p.body][0]).moved(keep_mm, begin) for p in found.poses),
    ]
    if not folds or found.interrupted:
        return beyond, found.interrupted
    # Beside: around the fold pieces, piece by piece.
    length = end_mm(beyond, bodies)
    region = rectangle(keep_mm, 0.0, inner_mm, length + 1.0)
    copies = [i for i, b in others for _ in range(b.demand)]
    left = max(0.1, seconds - (time.monotonic() - start))
    poses, over, interrupted = lay_around(
        bodies, copies, region, placed=on_fold, seconds=left, seed=seed, told=told, open_ended=True
    )
    if over:
        return beyond, interrupted
    n = len(on_fold)
    beside = settle(
        [*on_fold, *poses], bodies, width_mm=inner_mm, length_mm=None, deadline=time.monotonic() + 2.0,
        frozen=frozenset(range(n)), obstacles=(rectangle(-60.0, -60.0, 0.0, length + 60.0),),
    )  # fmt: skip
    return (beside if end_mm(beside, bodies) < length - 1e-9 else beyond), interrupted


def _both_layers(pose: Pose, body: Body, cut: _Cut, numbers: CopyNumbers, fold_x: float) -> list[Placement]:
    (member,) = body.members
    matrix = placed_matrix(pose.moved(fold_x, 0.0), member)
    outline = member.piece.outline.transformed(matrix)
    turn = pose.turn_deg % 360.0
    if cut.on_fold:
        return [
            Placement(
                piece=cut.piece, copy=numbers.next(cut.piece, mirrored=False), mirrored=False, rotation_deg=turn,
                matrix=matrix, outline=opened(outline, fold_x), unfolded=True,
            )
        ]  # fmt: skip
    upper = Placement(
        piece=cut.piece, copy=numbers.next(cut.piece, mirrored=False), mirrored=False, rotation_deg=turn, matrix=matrix,
        outline=outline,
    )  # fmt: skip
    if cut.own_mirror is None and not cut.piece.cut.mirrored:
        return [upper]
    flip: Affine = np.array([[-1.0, 0.0, 2 * fold_x], [0.0, 1.0, 0.0]])
    below = np.column_stack([flip[:, :2] @ matrix[:, :2], flip[:, :2] @ matrix[:, 2] + flip[:, 2]])
    if cut.own_mirror is None:
        copy, mirrored, angle, shape = _wanted(cut, numbers), True, (-turn) % 360.0, below
    else:
        # The piece is its own mirror image: the lower copy is the piece itself, turned.
        angle = (cut.own_mirror - turn) % 360.0
        lower_pose = Pose(body=pose.body, turn_deg=angle, x_mm=fold_x - pose.x_mm, y_mm=pose.y_mm)
        copy, mirrored, shape = _wanted(cut, numbers), False, placed_matrix(lower_pose, member)
    if copy is None:
        return [upper]
    lower = Placement(
        piece=cut.piece, copy=copy, mirrored=mirrored, rotation_deg=angle, matrix=shape,
        outline=member.piece.outline.transformed(shape),
    )  # fmt: skip
    return [upper, lower]


def _wanted(cut: _Cut, numbers: CopyNumbers) -> int | None:
    """Return the number of the lower copy, None where it is one more than asked for."""
    return numbers.next_if_wanted(cut.piece, mirrored=cut.own_mirror is None)
