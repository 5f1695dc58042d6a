"""Lengths as people write them: ``3/8in``, ``1 1/2"``, ``25.4mm``, ``12x24in``.

One inch is exactly 25.4 mm (international inch, July 1959; NPL).
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from calibration.errors import UnitError

MM_PER_INCH = 25.4
"""Exact: the international inch of July 1959."""

_MM_PER_UNIT: dict[str, float] = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
    "''": MM_PER_INCH,
    "\u2033": MM_PER_INCH,
    "\u201d": MM_PER_INCH,
    "ft": 12 * MM_PER_INCH,
    "yd": 36 * MM_PER_INCH,
    "yard": 36 * MM_PER_INCH,
    "yards": 36 * MM_PER_INCH,
}
_GLYPHS = {"\u00bc": " 1/4", "\u00bd": " 1/2", "\u00be": " 3/4", "\u215b": " 1/8", "\u215c": " 3/8", "\u215d": " 5/8",
           "\u215e": " 7/8"}  # fmt: skip
_NUMBER = r"(?:\d+\s+\d+/\d+|\d+-\d+/\d+|\d+/\d+|\d+(?:\.\d*)?|\.\d+)"
_LENGTH = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>[a-z\"'\u2033\u201d]*)\s*", re.IGNORECASE)
_GOOD = '3/8in, 1 1/2", 25.4mm or 2.54cm'

_LEAST_SHOWN = 0.01
"""Smaller uncertainties are shown as this."""


def _number(text: str) -> float:
    whole, _, rest = text.replace("-", " ").partition(" ")
    parts = [whole, rest.strip()] if rest else [whole]
    return float(sum(Fraction(p) for p in parts))


def parse_length_mm(text: str | float, *, default_unit: str | None = None) -> float:
    """Read one length.

    Parameters
    ----------
    text : str or float
        Such as ``"3/8in"``, ``'1 1/2"'``, ``"25.4 mm"``. A bare number is millimetres when given as a number, and
        needs ``default_unit`` when given as text.
    default_unit : str, optional
        Unit for text without one.

    Returns
    -------
    float
        Millimetres, finite and not negative.

    Raises
    ------
    UnitError
        With an example of a good length.
    """
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        if not math.isfinite(text) or text < 0:
            raise UnitError(f"the length {text} is not a size; write it like {_GOOD}")
        return float(text)
    spelled = str(text)
    for glyph, plain in _GLYPHS.items():
        spelled = spelled.replace(glyph, plain)
    match = _LENGTH.fullmatch(spelled.replace(",", ".").replace("\u2044", "/"))
    if match is None:
        raise UnitError(f"cannot read the length '{text}'; write it like {_GOOD}")
    unit = match["unit"].lower() or default_unit
    if unit is None:
        raise UnitError(f"the length '{text}' has no unit; write it like {_GOOD}")
    if unit not in _MM_PER_UNIT:
        raise UnitError(f"cannot read the unit '{match['unit']}' in '{text}'; write it like {_GOOD}")
    try:
        value_mm = _number(match["number"]) * _MM_PER_UNIT[unit]
    except ZeroDivisionError:
        raise UnitError(f"cannot read the length '{text}'; write it like {_GOOD}") from None
    if not math.isfinite(value_mm):
        raise UnitError(f"the length '{text}' is not a size; write it like {_GOOD}")
    return value_mm


def parse_size_mm(text: str) -> tuple[float, float]:
    """Read a size of two lengths, ``12x24in`` or ``210 mm x 297 mm``: width and height in millimetres.

    A unit on the second length serves for both. Raises :class:`UnitError`.
    """
    parts = re.split(r"\s*[x\u00d7*]\s*", text.strip(), flags=re.IGNORECASE)
    if len(parts) != 2:
        raise UnitError(f"cannot read the size '{text}'; write it like 12x24in or 210x297mm")
    second = _LENGTH.fullmatch(parts[1])
    unit = second["unit"].lower() if second is not None and second["unit"] else None
    try:
        width, height = (parse_length_mm(part, default_unit=unit) for part in parts)
    except UnitError:
        raise UnitError(f"cannot read the size '{text}'; write it like 12x24in or 210x297mm") from None
    if width <= 0 or height <= 0:
        raise UnitError(f"the size '{text}' has no area; write it like 12x24in or 210x297mm")
    return width, height


def format_inches(value_mm: float, *, denominator: int = 32) -> str:
    """Return a length in inches to the nearest 1/denominator, such as ``11 1/2 in``."""
    steps = round(abs(value_mm) / MM_PER_INCH * denominator)
    whole, part = divmod(steps, denominator)
    sign = "-" if value_mm < 0 and steps else ""
    if part == 0:
        return f"{sign}{whole} in"
    fraction = Fraction(part, denominator)
    lead = f"{whole} " if whole else ""
    return f"{sign}{lead}{fraction.numerator}/{fraction.denominator} in"


def format_uncertainty(value: float) -> str:
    """Return an uncertainty with two decimals, which never pretend that there is none; in the value's own unit."""
    return f"{max(value, _LEAST_SHOWN):.2f}"
