"""Where the print falls: pieces pinned to motifs, and seams across which the print runs on.

A pin says that a point of a piece lies on a point of the print (at any of its repeats). A match says that two
mirrored copies are cut so that, sewn together at one side, the print continues over the seam: the second copy lies
where it would lie if the two were still one, or a whole number of repeats from there.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tracer.errors import LayError
from tracer.lay.bodies import Body, Pose
from tracer.lay.cloth import Cloth
from tracer.lay.fill import first_exact
from tracer.lay.shapes import Solid
from tracer.lay.strip import Told, lay_around
from tracer.path import rotation_matrix

Side = Literal["left", "right"]
SIDES: tuple[Side, ...] = ("left", "right")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """A point of a piece on a point of the print.

    Parameters
    ----------
    piece : str
        Name or id; every copy of it is pinned.
    at_mm : tuple of float
        The point of the print, millimetres from the cloth's origin.
    point_mm : tuple of float or None
        The point of the piece, millimetres from the top-left corner of its box as it is cut (a mirrored copy: of the
        mirrored box); None for the middle of its box.
    """

    piece: str
    at_mm: tuple[float, float]
    point_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A seam over which the print runs on: the side of the piece (as drawn) at which its two mirrored copies are sewn.

    ``allowance_mm`` lies between that side's edge and the stitching line.
    """

    piece: str
    side: Side
    allowance_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.side not in SIDES:
            raise LayError(f"the side '{self.side}' is not known; choose left or right")
        if self.allowance_mm < 0:
            raise LayError("a seam allowance is 0 or more, e.g. 3/8in")


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintLay:
    """Poses over a print; ``bodies`` may be more than were given, as pinned ones are taken apart."""

    bodies: tuple[Body, ...]
    poses: tuple[Pose, ...]
    left: tuple[int, ...]
    interrupted: bool


def lay_with_print(
    bodies: Sequence[Body],
    region: Solid,
    cloth: Cloth | None,
    pins: Sequence[Pin],
    matches: Sequence[Match],
    *,
    seconds: float,
    seed: int,
    told: Told | None = None,
    open_ended: bool = False,
) -> PrintLay:
    """Lay pinned and matched bodies first, then the rest around them.

    Each goes to the first place from the top at which the print is right.

    Raises
    ------
    LayError
        For a pin or match of an unknown piece, a match without a repeat or without a mirrored pair.
    """
    start = time.monotonic()
    every = list(bodies)
    _known(every, [p.piece for p in pins] + [m.piece for m in matches])
    placed: list[Pose] = []
    left: list[int] = []
    rest = [b.demand for b in every]
    matched = {m.piece: m for m in matches}
    pinned = {p.piece: p for p in pins}
    low, high = (region.bounds[0], region.bounds[1]), (region.bounds[2], region.bounds[3])
    for i, body in enumerate(every):
        names = {n for m in body.members for n in (m.piece.id, m.piece.name)}
        pin = next((pinned[n] for n in names if n in pinned), None)
        match = next((matched[n] for n in names if n in matched), None)
        if match is not None and not any(m.mirrored for m in body.members):
            partner = _partner(i, every)
            _match_pairs(i, partner, every, match, pin, cloth, region, placed, left)
            rest[i] = rest[partner] = 0
        elif pin is not None and match is None:
            where = _pin_places(body, pin, cloth, low, high)
            for _ in range(body.demand):
                pose = first_exact(body, i, where, region, placed, every)
                left.append(i) if pose is None else placed.append(pose)
            rest[i] = 0
    copies = [i for i, n in enumerate(rest) for _ in range(n)]
    if not copies:
        return PrintLay(bodies=tuple(every), poses=tuple(placed), left=tuple(left), interrupted=False)
    seconds = max(0.1, seconds - (time.monotonic() - start))
    poses, over, interrupted = lay_around(
        every, copies, region, placed=placed, seconds=seconds, seed=seed, told=told, open_ended=open_ended
    )
    return PrintLay(bodies=tuple(every), poses=(*placed, *poses), left=(*left, *over), interrupted=interrupted)


def _known(bodies: Sequence[Body], names: Sequence[str]) -> None:
    known = {n for b in bodies for m in b.members for n in (m.piece.id, m.piece.name)}
    for name in names:
        if name not in known:
            raise LayError(
                f"there is no piece '{name}' to lay on the print; the pieces are: {', '.join(sorted(known))}"
            )


def _partner(i: int, bodies: Sequence[Body]) -> int:
    mine = bodies[i].members[0].piece.id
    for j, other in enumerate(bodies):
        if len(other.members) == 1 and other.members[0].piece.id == mine and other.members[0].mirrored:
            return j
    raise LayError(f"'{bodies[i].name}' is no mirrored pair; only a pair can be matched across a seam")


def _turns(body: Body) -> tuple[float, ...]:
    return body.some_turns if body.turns is not None else (0.0, 180.0, 90.0, 270.0)


def _point_in_body(body: Body, point_mm: tuple[float, float] | None) -> tuple[float, float]:
    if point_mm is None:
        return 0.0, 0.0
    box = body.box(0.0)
    return box.x_min + point_mm[0], box.y_min + point_mm[1]


def _pin_places(
    body: Body, pin: Pin, cloth: Cloth | None, low: tuple[float, float], high: tuple[float, float]
) -> list[tuple[float, float, float]]:
    x, y = _point_in_body(body, pin.point_mm)
    origin = (0.0, 0.0) if cloth is None else cloth.origin_mm
    at = (pin.at_mm[0] + origin[0], pin.at_mm[1] + origin[1])
    targets = [at] if cloth is None else cloth.same_places(at, low, high)
    places = []
    for tx, ty in targets:
        for turn in _turns(body):
            spun = rotation_matrix(turn)[:, :2] @ (x, y)
            places.append((turn, tx - float(spun[0]), ty - float(spun[1])))
    return places


def _match_pairs(
    i: int,
    j: int,
    bodies: Sequence[Body],
    match: Match,
    pin: Pin | None,
    cloth: Cloth | None,
    region: Solid,
    placed: list[Pose],
    left: list[int],
) -> None:
    if cloth is None or cloth.repeat_mm is None:
        raise LayError("to match a print across a seam its repeat is needed, e.g. 60x80mm")
    if any(t % 180 != 0 for b in (bodies[i], bodies[j]) for t in (b.turns or (0.0,))):
        raise LayError(f"'{bodies[i].name}' leans from its grain; a print can be matched only with upright pieces")
    low, high = (region.bounds[0], region.bounds[1]), (region.bounds[2], region.bounds[3])
    dx, dy = cloth.repeat_mm
    for n in range(max(bodies[i].demand, bodies[j].demand)):
        # Both copies the same way up: the print has a right way up across the seam as everywhere else.
        if pin is not None:
            firsts = [p for p in _pin_places(bodies[i], pin, cloth, low, high) if p[0] == 0.0]
        else:
            box = bodies[i].box(0.0)
            xs = np.arange(low[0] - box.x_min, high[0] - box.x_max + 1e-9, max(5.0, dx / 12))
            ys = np.arange(low[1] - box.y_min, high[1] - box.y_max + 1e-9, max(5.0, dy / 12))
            firsts = [(0.0, float(x), float(y)) for y in ys for x in xs]
        if n >= bodies[j].demand:
            pose = first_exact(bodies[i], i, firsts, region, placed, bodies)
            left.append(i) if pose is None else placed.append(pose)
            continue
        pair = _first_pair(i, j, bodies, firsts, match, cloth, region, placed)
        if pair is None:
            left += [i, j]
        else:
            placed += pair


def sewn_place(first: Pose, body: Body, other: Body, match: Match) -> tuple[float, float]:
    """Return where the mirrored copy's origin would lie were it still sewn to the first (both unturned)."""
    a, b = body.box(0.0), other.box(0.0)
    x, y = first.x_mm, first.y_mm
    if match.side == "right":
        return x + a.x_max - 2 * match.allowance_mm - b.x_min, y
    return x + a.x_min + 2 * match.allowance_mm - b.x_max, y


def _first_pair(
    i: int,
    j: int,
    bodies: Sequence[Body],
    firsts: Sequence[tuple[float, float, float]],
    match: Match,
    cloth: Cloth,
    region: Solid,
    placed: Sequence[Pose],
) -> list[Pose] | None:
    low, high = (region.bounds[0], region.bounds[1]), (region.bounds[2], region.bounds[3])
    for turn, x, y in firsts:
        first = first_exact(bodies[i], i, [(turn, x, y)], region, placed, bodies)
        if first is None:
            continue
        sewn = sewn_place(first, bodies[i], bodies[j], match)
        places = [(0.0, px, py) for px, py in cloth.same_places(sewn, low, high)]
        second = first_exact(bodies[j], j, places, region, [*placed, first], bodies)
        if second is not None:
            return [first, second]
    return None
