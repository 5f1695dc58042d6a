"""The cut list as values: what is to be cut, from which traced piece and by which steps.

A list is read from TOML by :mod:`tracer.cutting.reader`, or made in code with lines left at 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from tracer.cutting.allowance import Allowance
from tracer.cutting.joining import Match
from tracer.errors import CutListError


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimStep:
    """A strip to take off."""

    edge: str
    by_mm: float
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinStep:
    """Another traced piece to join on."""

    piece: str
    edge: str
    to: str
    drop_mm: float = 0.0
    match: Match = "middle"
    mirror: bool = False
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnfoldStep:
    """The edge to unfold on, and whether to true the outline there."""

    edge: str
    true: bool = False
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitStep:
    """Where to split: between two places, or along a drawn line; ``notches`` on a cut that gets an allowance."""

    start: str = ""
    end: str = ""
    along: str = ""
    allowance_mm: float = 0.0
    notches: int = 1
    names: tuple[str, str] | None = None
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CutPiece:
    """One ``[[piece]]`` of the list. Lines are those of the file, 0 for a list made in code."""

    source: str
    name: str = ""
    count: int = 1
    pair: bool = False
    together: str = ""
    trims: tuple[TrimStep, ...] = ()
    joins: tuple[JoinStep, ...] = ()
    unfold: UnfoldStep | None = None
    split: SplitStep | None = None
    allowance: Allowance = field(default_factory=Allowance)
    allowance_line: int = 0
    on: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamSide:
    """One edge of a cut piece."""

    piece: str
    edge: str
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamPair:
    """Edges that will be sewn together; several edges on one side are sewn one after the other.

    ``ease_mm`` is how much longer the one side is meant to be than the other (None: not at all); ``turned`` walks the
    second side from its other end.
    """

    name: str
    one: tuple[SeamSide, ...]
    other: tuple[SeamSide, ...]
    ease_mm: float | None = None
    turned: bool = False
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CutList:
    """A whole list; ``file`` is the name its messages begin with."""

    pieces: tuple[CutPiece, ...]
    seams: tuple[SeamPair, ...] = ()
    file: str = "cut list"

    def problem(self, line: int, message: object) -> CutListError:
        """Return an error that names the file and the line."""
        where = f"{self.file} line {line}" if line else self.file
        return CutListError(f"{where}: {message}")
