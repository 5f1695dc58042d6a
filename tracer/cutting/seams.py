"""Edges that will be sewn together: their lengths compared along the stitching line, and their notches walked along.

Both sides are walked from their top (or left) ends, so that a side seam of a front and one of a back start at the
same end; ``turned`` walks the second from its other end. The uncertainty of a length is taken as the square root of
two times the piece's expanded uncertainty (both ends lie within it independently), pieces as independent.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from calibration import Finding, format_uncertainty
from tracer.cutting.cutlist import SeamPair, SeamSide
from tracer.cutting.edges import Edge, find_edges
from tracer.cutting.joining import NOTCH_TOLERANCE_MM, edge_notches
from tracer.cutting.shape import Shape
from tracer.cutting.words import both, counted
from tracer.errors import CutListError

SEAM_TOLERANCE_MM = 25.4 / 16
"""1/16 in, home sewing (from memory)."""

_ALIKE_MM = 0.01

Finder = Callable[[SeamSide], tuple[Shape, float]]
"""Gives for a side of a seam the stitching line of its piece and the piece's expanded uncertainty."""

Problem = Callable[[int, object], CutListError]
"""Makes an error of a line of the list and what was wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Walked:
    """One side of a seam: its words, length and notches along it (mm), and the length's expanded uncertainty."""

    words: str
    length_mm: float
    notches_mm: tuple[float, ...]
    expanded_uncertainty_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamCheck:
    """A seam checked: ``difference_mm`` is how much longer the first side is."""

    name: str
    one: Walked
    other: Walked
    ease_mm: float | None
    findings: tuple[Finding, ...]

    @property
    def difference_mm(self) -> float:
        """Length of the first side less that of the second."""
        return self.one.length_mm - self.other.length_mm

    def lines(self) -> list[str]:
        """Return the check in words, for people."""
        difference = self.difference_mm
        verdict = (
            "the same length"
            if abs(difference) < 0.005
            else (f"{self.one.words if difference > 0 else self.other.words} is {both(abs(difference))} longer")
        )
        if self.ease_mm is not None:
            verdict += f"; planned is {both(self.ease_mm)} to be eased"
        out = [f"{self.name}: {verdict}"]
        for side in (self.one, self.other):
            out.append(
                f"  {side.words}: {both(side.length_mm)} +/- {format_uncertainty(side.expanded_uncertainty_mm)} mm"
            )
        for n, (a, b) in enumerate(zip(self.one.notches_mm, self.other.notches_mm, strict=False), start=1):
            out.append(f"  notch {n}: at {a:.2f} and {b:.2f} mm, {both(abs(a - b))} apart")
        return out


def _one_of(edges: Sequence[Edge], word: str) -> Edge:
    """The edge meant: an unfolded piece has an edge and its mirror image under one name, either will do."""
    if max(e.length_mm for e in edges) - min(e.length_mm for e in edges) > _ALIKE_MM:
        raise CutListError(f"the edge '{word}' is in {len(edges)} different stretches here; name it by its side")
    return edges[0]


def _walk(sides: Sequence[SeamSide], find: Finder, problem: Problem, *, backwards: bool) -> Walked:
    length, notches, variance, words = 0.0, [], 0.0, []
    for side in sides:
        try:
            shape, uncertainty = find(side)
            edge = _one_of(find_edges(shape, side.edge), side.edge)
        except CutListError as error:
            raise problem(side.line, error) from error
        own = edge_notches(shape, edge)
        if backwards:
            own = sorted(edge.length_mm - n for n in own)
        notches += [length + n for n in own]
        length += edge.length_mm
        variance += 2 * uncertainty**2
        words.append(f"{side.piece} {side.edge}")
    return Walked(
        words=" + ".join(words),
        length_mm=length,
        notches_mm=tuple(notches),
        expanded_uncertainty_mm=math.sqrt(variance),
    )


def check_seam(pair: SeamPair, find: Finder, problem: Problem) -> SeamCheck:
    """Compare the two sides of a seam.

    Raises
    ------
    CutListError
        When a piece or edge is not there.
    """
    one = _walk(pair.one, find, problem, backwards=False)
    other = _walk(pair.other, find, problem, backwards=pair.turned)
    difference = one.length_mm - other.length_mm
    meant = pair.ease_mm or 0.0
    findings = []
    off = abs(abs(difference) - meant)
    if off > SEAM_TOLERANCE_MM:
        planned = f", planned is {both(meant)}" if pair.ease_mm is not None else ""
        message = (
            f"{one.words} and {other.words} differ by {both(abs(difference))} "
            f"({one.length_mm:.2f} and {other.length_mm:.2f} mm){planned}"
        )
        findings.append(Finding(code="seam-differs", message=message, where=pair.name))
    if len(one.notches_mm) != len(other.notches_mm):
        here = counted(len(one.notches_mm), "notch", "notches")
        message = f"{here} on {one.words}, {len(other.notches_mm)} on {other.words}"
        findings.append(Finding(code="notches-differ", message=message, where=pair.name))
    else:
        for n, (a, b) in enumerate(zip(one.notches_mm, other.notches_mm, strict=True), start=1):
            # Planned ease may lie anywhere along the seam, so it widens what a notch may be off.
            if abs(a - b) > NOTCH_TOLERANCE_MM + meant:
                message = f"notch {n} is {both(abs(a - b))} off its partner ({a:.2f} and {b:.2f} mm along)"
                findings.append(Finding(code="notches-differ", message=message, where=pair.name))
    return SeamCheck(name=pair.name, one=one, other=other, ease_mm=pair.ease_mm, findings=tuple(findings))
