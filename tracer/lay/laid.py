"""What a planned lay consists of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from calibration import Finding
from tracer.errors import LayError
from tracer.lay.bodies import Body, Pose, placed_matrix
from tracer.lay.cloth import Cloth
from tracer.lay.rules import Rules
from tracer.lay.surface import Fabric, Surface
from tracer.path import Affine, Path
from tracer.piece import Piece


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placement:
    """One copy of a piece where it lies.

    Parameters
    ----------
    piece : Piece
    copy : int
        1, 2, ...; in pairs the even ones are mirrored.
    mirrored : bool
        The outline is flipped left to right before it is turned.
    rotation_deg : float
        Clockwise on screen, in 0..360.
    matrix : ndarray
        From the piece's own millimetres to the surface's.
    outline : Path
        The true outline on the surface.
    unfolded : bool
        The piece lies with its fold edge on the fold; ``outline`` is the whole of it, opened out.
    group : str
        The same for copies that are kept in their own arrangement; empty for one that lies by itself.
    """

    piece: Piece
    copy: int
    mirrored: bool
    rotation_deg: float
    matrix: Affine
    outline: Path
    unfolded: bool = False
    group: str = ""

    @property
    def holes(self) -> tuple[Path, ...]:
        """The holes on the surface; of an unfolded piece, those of both halves."""
        here = tuple(h.transformed(self.matrix) for h in self.piece.holes)
        if not self.unfolded:
            return here
        box = self.outline.bounds
        middle = box.x_min + box.x_max
        flip = np.array([[-1.0, 0.0, middle], [0.0, 1.0, 0.0]])
        return (*here, *(h.transformed(flip) for h in here))

    @property
    def area_mm2(self) -> float:
        """Area of the outline less its holes."""
        return self.outline.area - sum(h.area for h in self.holes)

    @property
    def back_of_paper(self) -> bool:
        """Whether the copy is the mirror image of what was traced."""
        already = self.piece.made is not None and self.piece.made.mirrored
        return self.mirrored != already


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaidMat:
    """One mat, one length of cloth, or one leftover with what lies on it.

    ``inside`` is the rectangle (x0, y0, x1, y1) inside margins and selvedges; ``least_length_mm`` (cloth only) a length
    that no lay of these pieces under these rules can go below; ``single_from_mm`` where folded cloth is laid open.
    """

    width_mm: float
    length_mm: float
    inside: tuple[float, float, float, float]
    placements: tuple[Placement, ...]
    material: str = ""
    grain_across: bool = False
    folded: bool = False
    single_from_mm: float | None = None
    least_length_mm: float | None = None

    @property
    def used_width_mm(self) -> float:
        """Extent of the pieces across."""
        boxes = [p.outline.bounds for p in self.placements]
        return max(b.x_max for b in boxes) - min(b.x_min for b in boxes) if boxes else 0.0

    @property
    def used_length_mm(self) -> float:
        """Extent of the pieces along."""
        boxes = [p.outline.bounds for p in self.placements]
        return max(b.y_max for b in boxes) - min(b.y_min for b in boxes) if boxes else 0.0

    @property
    def pieces_area_mm2(self) -> float:
        """Area of all pieces on it."""
        return sum(p.area_mm2 for p in self.placements)

    @property
    def density(self) -> float:
        """Area of the pieces over the rectangle they use (used width x used length), 0..1."""
        used = self.used_width_mm * self.used_length_mm
        return self.pieces_area_mm2 / used if used > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LayOptions:
    """Time budget in seconds, and the seed; ``early`` lets the search end when it no longer gets better."""

    seconds: float = 20.0
    seed: int = 1
    early: bool = True

    def __post_init__(self) -> None:
        if not 0.0 < self.seconds <= 86400:
            raise LayError(f"a time of {self.seconds:g} s cannot be kept; give seconds, e.g. 20")
        if not 0 <= self.seed < 2**32:
            raise LayError(f"the seed {self.seed} is not from 0 to 4294967295")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NotPlaced:
    """A copy that lies nowhere, and why."""

    piece: Piece
    copy: int
    mirrored: bool
    why: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Lay:
    """A planned lay.

    ``least_mats`` is a number of mats that no lay can go below, for each material; ``cloth`` the print under the
    pieces.
    """

    surface: Surface
    rules: Rules
    mats: tuple[LaidMat, ...]
    not_placed: tuple[NotPlaced, ...]
    findings: tuple[Finding, ...]
    least_mats: dict[str, int] = field(default_factory=dict)
    interrupted: bool = False
    cloth: Cloth | None = None

    @property
    def fabric_length_mm(self) -> float:
        """Length of cloth used in all, without shrinkage; 0 on mats and leftovers."""
        return sum(m.length_mm for m in self.mats) if isinstance(self.surface, Fabric) else 0.0


class CopyNumbers:
    """Numbers the copies of each piece over all mats: mirrored ones 2, 4, ..., the others what is left, in order."""

    def __init__(self) -> None:
        self._taken: dict[str, set[int]] = {}
        self._groups: dict[str, int] = {}

    def next_group(self, name: str) -> int:
        """Return how often a group has been laid, this time included."""
        self._groups[name] = self._groups.get(name, 0) + 1
        return self._groups[name]

    def next(self, piece: Piece, *, mirrored: bool) -> int:
        """Return the next free number for a copy."""
        taken = self._taken.setdefault(piece.id, set())
        paired = piece.cut.mirrored
        number = 2 if paired and mirrored else 1
        while number in taken:
            number += 2 if paired else 1
        taken.add(number)
        return number

    def next_if_wanted(self, piece: Piece, *, mirrored: bool) -> int | None:
        """Return the next free number, None when the piece is not wanted that often."""
        number = self.next(piece, mirrored=mirrored)
        if number <= piece.cut.count:
            return number
        self._taken[piece.id].discard(number)
        return None


def placements_of(
    poses: Sequence[Pose], bodies: Sequence[Body], numbers: CopyNumbers, dx_mm: float, dy_mm: float
) -> tuple[Placement, ...]:
    """Return the placements of poses, moved by (dx, dy)."""
    out = []
    for pose in poses:
        moved = pose.moved(dx_mm, dy_mm)
        name = bodies[pose.body].name
        group = f"{name} {numbers.next_group(name)}" if len(bodies[pose.body].members) > 1 else ""
        for member in bodies[pose.body].members:
            matrix = placed_matrix(moved, member)
            out.append(
                Placement(
                    piece=member.piece,
                    copy=numbers.next(member.piece, mirrored=member.mirrored),
                    mirrored=member.mirrored,
                    rotation_deg=pose.turn_deg % 360.0,
                    matrix=matrix,
                    outline=member.piece.outline.transformed(matrix),
                    group=group,
                )
            )
    return tuple(out)


def missing_of(
    left: Sequence[int], bodies: Sequence[Body], numbers: CopyNumbers, why: Sequence[str]
) -> tuple[NotPlaced, ...]:
    """Return the copies that lie nowhere, each with its reason."""
    return tuple(
        NotPlaced(piece=m.piece, copy=numbers.next(m.piece, mirrored=m.mirrored), mirrored=m.mirrored, why=reason)
        for i, reason in zip(left, why, strict=True)
        for m in bodies[i].members
    )
