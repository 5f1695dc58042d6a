"""Shapes inside and over one another on a vector page: sizes of one piece, lines inside it, pieces inside pieces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.finding import Finding
from calibration.picture import DrawnText
from tracer.vectors.shapes import Shape, inset_mm, speaks_of_cutting, texts_inside

_SAME_PIECE_OVERLAP = 0.6
_MANY = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SizeChoice:
    """Shapes to go on with; the other sizes, each with the chosen one; findings."""

    chosen: list[Shape]
    others: list[tuple[Shape, Shape]]
    findings: list[Finding]


def choose_sizes(shapes: Sequence[Shape], size_line: int | None) -> SizeChoice:
    """Choose one of several sizes of a piece drawn over one another.

    Outlines that overlap by more than 60 % of what they cover together are sizes of one piece when two of them cross,
    or when there are four or more; two or three that lie in one another are a cutting line and its inner lines.

    Parameters
    ----------
    shapes : sequence of Shape
    size_line : int or None
        1 for the smallest by area; None takes the largest, which can still be cut down, and says so.
    """
    chosen: list[Shape] = []
    others: list[tuple[Shape, Shape]] = []
    counts: list[int] = []
    for family in _families(shapes):
        if not _are_sizes(family):
            chosen += family
            continue
        ordered = sorted(family, key=lambda s: s.area_mm2)
        one = ordered[min(size_line or len(ordered), len(ordered)) - 1]
        chosen.append(one)
        others += [(s, one) for s in ordered if s is not one]
        counts.append(len(ordered))
    findings = []
    if counts and size_line is None:
        which = "1 piece is" if len(counts) == 1 else f"{len(counts)} pieces are"
        findings.append(
            Finding(
                code="nested-sizes",
                message=f"{which} drawn in up to {max(counts)} sizes over one another; the largest is traced, choose "
                f"another with --size-line 1 to {max(counts)}",
            )
        )
    elif counts and size_line is not None and size_line > min(counts):
        findings.append(
            Finding(
                code="size-line-missing",
                message=f"size line {size_line} was asked for and a piece is drawn in {min(counts)} sizes only; its "
                "largest is traced",
            )
        )
    return SizeChoice(chosen=chosen, others=others, findings=findings)


def _overlap(a: Shape, b: Shape) -> float:
    """Return the area of both over the area of either."""
    ax0, ay0, ax1, ay1 = a.line.box
    bx0, by0, bx1, by1 = b.line.box
    wide, high = min(ax1, bx1) - max(ax0, bx0), min(ay1, by1) - max(ay0, by0)
    if wide <= 0 or high <= 0 or wide * high < 0.5 * _SAME_PIECE_OVERLAP * max(a.area_mm2, b.area_mm2):
        return 0.0
    common = float(a.polygon.intersection(b.polygon).area)
    return common / max(a.area_mm2 + b.area_mm2 - common, 1e-9)


def _families(shapes: Sequence[Shape]) -> list[list[Shape]]:
    parent = list(range(len(shapes)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    for i, a in enumerate(shapes):
        for j in range(i):
            if root(i) != root(j) and _overlap(a, shapes[j]) > _SAME_PIECE_OVERLAP:
                parent[root(i)] = root(j)
    families: dict[int, list[Shape]] = {}
    for i, shape in enumerate(shapes):
        families.setdefault(root(i), []).append(shape)
    return list(families.values())


def _are_sizes(family: Sequence[Shape]) -> bool:
    if len(family) < 2:
        return False
    if len(family) >= _MANY:
        return True
    return any(
        not a.holds(b) and not b.holds(a) and _overlap(a, b) > _SAME_PIECE_OVERLAP
        for i, a in enumerate(family)
        for b in family[:i]
    )


def nest(shapes: Sequence[Shape], texts: Sequence[DrawnText]) -> tuple[list[Shape], list[tuple[Shape, Shape]]]:
    """Return pieces, and shapes inside them with the piece they are in.

    A shape inside another is a piece of its own only when its own words tell to cut it.
    """
    ordered = sorted(shapes, key=lambda s: -s.area_mm2)
    pieces: list[Shape] = []
    inner: list[tuple[Shape, Shape]] = []
    for shape in ordered:
        outer = next((p for p in reversed(pieces) if p.holds(shape)), None)
        if outer is None or (inset_mm(outer, shape) is None and speaks_of_cutting(texts_inside(shape, texts))):
            pieces.append(shape)
        else:
            inner.append((shape, outer))
    return pieces, inner
