"""What a person asks of a lay, read from words: pins, matches, points, shares, leftovers."""

from __future__ import annotations

import re
from pathlib import Path as FilePath

from calibration import UnitError, parse_length_mm, parse_size_mm
from tracer.errors import LayError
from tracer.lay.fussy import Match, Pin, Side
from tracer.lay.surface import Leftover
from tracer.path import Path
from tracer.pattern import load

_GOOD_PIN = "'Pocket=30,45mm', or 'Pocket@20,10mm=30,45mm' for a point 20 mm from its left and 10 mm from its top"
_GOOD_MATCH = "'Front=right' or 'Front=right,3/8in'"


def parse_point_mm(text: str) -> tuple[float, float]:
    """Read a point such as ``30,45mm`` or ``1in, 2in``.

    A unit on the second serves for both. Raises :class:`LayError`.
    """
    parts = text.split(",")
    unit = re.search(r"[a-zA-Z\"]+\s*$", text)
    try:
        if len(parts) != 2:
            raise UnitError("two lengths are needed")
        x, y = (parse_length_mm(p, default_unit=unit.group().strip() if unit else None) for p in parts)
    except UnitError as error:
        raise LayError(f"cannot read the point '{text}' ({error}); write it like 30,45mm") from error
    return x, y


def parse_pin(text: str) -> Pin:
    """Read a pin such as ``Pocket=30,45mm`` or ``Pocket@20,10mm=30,45mm``; raises :class:`LayError`."""
    name, equals, at = text.rpartition("=")
    name, _, point = name.partition("@")
    if not equals or not name.strip():
        raise LayError(f"cannot read the pin '{text}'; write it like {_GOOD_PIN}")
    return Pin(piece=name.strip(), at_mm=parse_point_mm(at), point_mm=parse_point_mm(point) if point else None)


def parse_match(text: str) -> Match:
    """Read a match such as ``Front=right`` or ``Front=right,3/8in``; raises :class:`LayError`."""
    name, equals, rest = text.rpartition("=")
    side, _, allowance = rest.partition(",")
    word = side.strip().lower()
    if not equals or not name.strip() or word not in ("left", "right"):
        raise LayError(f"cannot read the match '{text}'; write it like {_GOOD_MATCH}")
    sides: dict[str, Side] = {"left": "left", "right": "right"}
    try:
        allowance_mm = parse_length_mm(allowance) if allowance.strip() else 0.0
    except UnitError as error:
        raise LayError(f"cannot read the match '{text}' ({error}); write it like {_GOOD_MATCH}") from error
    return Match(piece=name.strip(), side=sides[word], allowance_mm=allowance_mm)


def parse_share(text: str) -> float:
    """Read a share such as ``5%`` or ``5`` (percent); raises :class:`LayError`."""
    try:
        return float(text.strip().removesuffix("%").strip().replace(",", ".")) / 100.0
    except ValueError as error:
        raise LayError(f"cannot read the share '{text}'; write it like 5%") from error


def parse_repeat_mm(text: str) -> tuple[float, float]:
    """Read a print's repeat such as ``60x80mm``; raises :class:`LayError`."""
    try:
        return parse_size_mm(text)
    except UnitError as error:
        raise LayError(f"cannot read the repeat: {error}") from error


def read_leftover(text: str) -> Leftover:
    """Read a leftover: a size such as ``20x30cm``, a job folder, or ``FOLDER:PIECE`` for one of its pieces.

    Raises
    ------
    LayError
        When it is neither; :class:`tracer.errors.JobError` for a job that cannot be read.
    """
    folder, _, piece = text.rpartition(":")
    if FilePath(text).is_dir():
        folder, piece = text, ""
    if folder and FilePath(folder).is_dir():
        pattern = load(FilePath(folder))
        if not pattern.pieces:
            raise LayError(f"nothing is traced in {folder}; trace the leftover's edge first")
        chosen = pattern.piece(piece) if piece else max(pattern.pieces, key=lambda p: p.area_mm2)
        return Leftover(outline=chosen.outline, holes=chosen.holes, name=f"leftover '{chosen.name}'")
    try:
        width_mm, length_mm = parse_size_mm(text)
    except UnitError as error:
        raise LayError(
            f"the leftover '{text}' is no job folder and no size; write it like 20x30cm or FOLDER"
        ) from error
    corners = [(0.0, 0.0), (width_mm, 0.0), (width_mm, length_mm), (0.0, length_mm)]
    return Leftover(outline=Path.polygon(corners))
