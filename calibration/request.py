"""What a person asks of the scale, read from the words of the command line."""

from __future__ import annotations

import difflib
import math
import re
from typing import cast

from calibration.errors import UnitError
from calibration.references.reference import ReferenceKind, ReferenceRequest
from calibration.units import parse_length_mm

_WORDS = ("square", "ruler", "mat", "card", "sheet", "target", "dpi")
_NEEDS_SIZE = {"dpi": "dpi=300"}
_LENGTH_KINDS = ("square", "mat")


def parse_request(text: str) -> ReferenceRequest:
    """Read ``KIND[=SIZE]``: ``square=1in``, ``mat=10mm``, ``card``, ``sheet=A4``, ``dpi=300``.

    Raises
    ------
    UnitError
        With the allowed words, the nearest one, or an example of a good size.
    """
    word, _, size = text.strip().partition("=")
    word, size = word.strip().lower(), size.strip()
    if word not in _WORDS:
        near = difflib.get_close_matches(word, _WORDS, n=1)
        hint = f"did you mean {near[0]}?" if near else f"choose one of {', '.join(_WORDS)}"
        raise UnitError(f"'{text}' is no reference this tool knows; {hint}")
    if word in _LENGTH_KINDS and size and parse_length_mm(size) <= 0:
        raise UnitError(f"a {word} of size {size} cannot be measured; write it like {word}=1in or {word}=10mm")
    if word == "dpi":
        try:
            density = float(size)
        except ValueError:
            density = math.nan
        if not (math.isfinite(density) and 10 <= density <= 20000):
            raise UnitError(f"'{text}' is no density; write pixels per inch like dpi=300")
        return ReferenceRequest(kind="density", size=size)
    return ReferenceRequest(kind=cast(ReferenceKind, word), size=size)


def parse_tolerance(text: str) -> tuple[float | None, float | None]:
    """Read a reference's tolerance: ``0.1%`` or ``0.1mm``.

    Returns
    -------
    tuple
        (relative as a fraction, absolute in mm); one of them is None.
    """
    percent = re.fullmatch(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*%\s*", text)
    if percent is not None:
        relative = float(percent[1]) / 100.0
        if not 0 < relative < 0.5:
            raise UnitError(f"a reference tolerance of {text} is out of reach; write it like 0.1% or 0.1mm")
        return relative, None
    try:
        absolute_mm = parse_length_mm(text)
    except UnitError:
        raise UnitError(f"cannot read the reference tolerance '{text}'; write it like 0.1% or 0.1mm") from None
    if absolute_mm <= 0:
        raise UnitError(f"a reference tolerance of {text} is out of reach; write it like 0.1% or 0.1mm")
    return None, absolute_mm
