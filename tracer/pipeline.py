"""Sheet in, pieces out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from calibration import Sheet, UnitError
from tracer.pattern import Pattern

LineSide = Literal["centre", "outer", "inner"]
Engine = Literal["own", "potrace"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceOptions:
    """Options of :func:`trace`.

    Parameters
    ----------
    line : {'centre', 'outer', 'inner'}
        Which part of a drawn line is the outline.
    tolerance_mm : float
        The fitted curves stay this close to the measured points.
    engine : {'own', 'potrace'}
    size_line : int or None
        Which of several nested sizes to follow, 1 = smallest.
    regular : bool
        Make edges that are straight, parallel, square or symmetrical within their uncertainty exactly so.
    words : bool
        Read the words on the pieces where the reader is installed.
    """

    line: LineSide = "centre"
    tolerance_mm: float = 0.1
    engine: Engine = "own"
    size_line: int | None = None
    regular: bool = True
    words: bool = True

    def __post_init__(self) -> None:
        if not 0.005 <= self.tolerance_mm <= 5.0:
            raise UnitError(f"a tolerance of {self.tolerance_mm} mm is out of reach; give one from 0.005mm to 5mm")


def trace(sheet: Sheet, options: TraceOptions) -> Pattern:
    """Trace every piece of one sheet."""
    raise NotImplementedError
