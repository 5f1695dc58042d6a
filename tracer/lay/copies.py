"""From pieces to bodies: how many of each, which of them mirrored, which stay together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from shapely.geometry import Polygon

from tracer.errors import LayError
from tracer.lay.bodies import Body, make_body
from tracer.lay.rules import Rules, grain_turn_deg
from tracer.path import Affine, mirror_matrix
from tracer.piece import Piece

_EDGE_SHARE = 0.35
_UPRIGHT = 0.02


class Copies(NamedTuple):
    """How many copies of a piece are laid as drawn and how many flipped."""

    plain: int
    mirrored: int


def copies_of(piece: Piece) -> Copies:
    """Return the copies a piece is cut in; in pairs every second one is the mirror image."""
    count = piece.cut.count
    if count < 1:
        raise LayError(f"the piece '{piece.name}' is to be cut {count} times; it must be at least once")
    mirrored = count // 2 if piece.cut.mirrored else 0
    return Copies(count - mirrored, mirrored)


def by_material(pieces: Sequence[Piece]) -> dict[str, list[Piece]]:
    """Return the pieces sorted by what they are cut from, in the order of first mention."""
    out: dict[str, list[Piece]] = {}
    for piece in pieces:
        out.setdefault(piece.cut.material, []).append(piece)
    return out


def make_bodies(pieces: Sequence[Piece], rules: Rules) -> list[Body]:
    """Return what is laid: one body for each piece as drawn and one for its mirror image, and one for each group.

    Raises
    ------
    LayError
        For a piece that cannot be laid, or a group that has no arrangement to keep.
    """
    bodies: list[Body] = []
    groups: dict[str, list[Piece]] = {}
    for piece in pieces:
        word = piece.made.together if piece.made is not None else ""
        if word:
            groups.setdefault(word, []).append(piece)
            continue
        counts = copies_of(piece)
        for mirrored, demand in ((False, counts.plain), (True, counts.mirrored)):
            if demand:
                bodies.append(single(piece, rules, mirrored=mirrored, demand=demand))
    for word, members in groups.items():
        bodies += _group_bodies(word, members, rules)
    return bodies


def single(piece: Piece, rules: Rules, *, mirrored: bool, demand: int) -> Body:
    """Return the body of one piece."""
    return make_body(
        [(piece, mirrored, None)],
        name=piece.name,
        turns=rules.turns(grain_turn_deg(piece, mirrored=mirrored)),
        demand=demand,
        gap_mm=rules.gap_mm,
        open_holes=rules.use_holes,
    )


def _group_bodies(word: str, members: Sequence[Piece], rules: Rules) -> list[Body]:
    if len(members) == 1:
        return _edge_to_edge(word, members[0], rules)
    counts = {copies_of(p) for p in members}
    if len(counts) > 1:
        raise LayError(f"the pieces kept together as '{word}' are not cut equally often; give them the same count")
    if len({p.sheet for p in members}) > 1:
        raise LayError(
            f"the pieces kept together as '{word}' lie on different sheets; only one sheet gives an arrangement"
        )
    shapes = [Polygon(p.outline.flatten(0.01)) for p in members]
    for i, a in enumerate(shapes):
        for j in range(i):
            if a.buffer(-0.005).intersects(shapes[j].buffer(-0.005)):
                raise LayError(
                    f"'{members[j].name}' and '{members[i].name}', kept together as '{word}', overlap as drawn; "
                    "they have no arrangement to keep"
                )
    (count,) = counts
    bodies = []
    for mirrored, demand in ((False, count.plain), (True, count.mirrored)):
        if demand:
            flip: Affine = np.array([[-1.0 if mirrored else 1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
            bodies.append(
                make_body(
                    [(p, mirrored, flip) for p in members],
                    name=word,
                    turns=rules.turns(grain_turn_deg(members[0], mirrored=mirrored)),
                    demand=demand,
                    gap_mm=rules.gap_mm,
                    open_holes=rules.use_holes,
                )
            )
    return bodies


def _edge_to_edge(word: str, piece: Piece, rules: Rules) -> list[Body]:
    """Return two copies that meet at the longest upright straight edge, as often as there are two; a rest alone."""
    counts = copies_of(piece)
    identity: Affine = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    pairs = counts.mirrored or counts.plain // 2
    if not pairs:
        return [single(piece, rules, mirrored=False, demand=counts.plain)]
    box = piece.outline.bounds
    side = meeting_edge_x_mm(piece)
    if counts.mirrored:
        second = mirror_matrix((side, 0.0), (0.0, 1.0))
    else:
        # Alike copies stand side by side, their boxes touching.
        second = np.array([[1.0, 0.0, box.width if side >= box.x_max - 1e-9 else -box.width], [0.0, 1.0, 0.0]])
    bodies = [
        make_body(
            [(piece, False, identity), (piece, bool(counts.mirrored), second)],
            name=word, turns=rules.turns(grain_turn_deg(piece, mirrored=False)), demand=pairs, gap_mm=rules.gap_mm,
 open_holes=rules.use_holes,
        )
    ]  # fmt: skip
    rest = piece.cut.count - 2 * pairs
    if rest:
        bodies.append(single(piece, rules, mirrored=False, demand=rest))
    return bodies


def meeting_edge_x_mm(piece: Piece) -> float:
    """Return x of the upright edge at which a piece meets its mirror image: the longest straight one on either side.

    Where no straight upright edge of a third of the height lies at a side, the right side of the box.
    """
    box = piece.outline.bounds
    length = {box.x_min: 0.0, box.x_max: 0.0}
    for segment in piece.outline.segments:
        dx, dy = np.abs(segment[-1] - segment[0])
        if len(segment) != 2 or dy <= 0 or dx > _UPRIGHT * dy:
            continue
        for side in length:
            if np.abs(segment[:, 0] - side).max() <= max(0.05, _UPRIGHT * dy):
                length[side] += float(dy)
    left, right = length[box.x_min], length[box.x_max]
    return box.x_min if left > right and left >= _EDGE_SHARE * box.height else box.x_max
