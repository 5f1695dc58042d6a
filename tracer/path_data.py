"""Segments written as SVG path data, and read from it (grammar: SVG 2, section 9.3)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.errors import PathError
from tracer.segments import Segment

_TOKEN = re.compile(r"[MmLlHhVvCcSsQqTtZzAa]|[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_SEPARATOR = re.compile(r"[\s,]*")


def path_data(segments: Sequence[Segment], *, decimals: int, closed: bool) -> str:
    """Return SVG path data of segments that follow each other."""

    def num(value: float) -> str:
        text = f"{value:.{decimals}f}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        return "0" if text == "-0" else text

    def point(p: NDArray[np.float64]) -> str:
        return f"{num(p[0])} {num(p[1])}"

    parts = [f"M {point(segments[0][0])}"]
    last = len(segments) - 1
    for i, seg in enumerate(segments):
        if len(seg) == 4:
            parts.append("C " + " ".join(point(p) for p in seg[1:]))
        elif not (closed and i == last and i > 0):
            parts.append(f"L {point(seg[1])}")
    if closed:
        parts.append("Z")
    return " ".join(parts)


def _tokens(data: str) -> Iterator[str]:
    position = 0
    while True:
        position = _SEPARATOR.match(data, position).end()  # type: ignore[union-attr]
        if position == len(data):
            return
        match = _TOKEN.match(data, position)
        if match is None:
            raise PathError(f"path data cannot be read at '{data[position : position + 12]}'")
        yield match.group()
        position = match.end()


_ARGUMENTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "Z": 0}


def read_path_data(data: str) -> list[list[Segment]]:
    """Read SVG path data into the segments of its subpaths; a subpath ended by Z gets its closing line.

    Supports M, L, H, V, C, S, Q and Z, absolute and relative (grammar: SVG 2, section 9.3). Raises
    :class:`PathError` on anything else.
    """
    tokens = list(_tokens(data))
    if tokens and tokens[0] not in "Mm":
        raise PathError(f"path data begins with '{tokens[0]}'; it must begin with M")
    chains: list[list[Segment]] = []
    current: list[Segment] = []
    here = start = np.zeros(2)
    control: NDArray[np.float64] | None = None
    command, i = "", 0

    def flush() -> None:
        nonlocal current
        if current:
            chains.append(current)
        current = []

    while i < len(tokens):
        if tokens[i].isalpha():
            command = tokens[i]
            i += 1
        elif not command or command in "Zz":
            raise PathError(f"path data has a number without a command: '{tokens[i]}'")
        upper = command.upper()
        if upper not in _ARGUMENTS:
            raise PathError(f"path command '{command}' is not supported; lines and Bezier curves are")
        count = _ARGUMENTS[upper]
        try:
            args = np.array([float(a) for a in tokens[i : i + count]])
        except ValueError:
            args = np.zeros(0)
        if len(args) != count:
            raise PathError(f"path command '{command}' needs {count} numbers")
        i += count
        base = here if command.islower() else np.zeros(2)
        if upper == "Z":
            if current and np.abs(here - start).max() > 0:
                current.append(np.array([here, start]))
            flush()
            here, control = start, None
            continue
        if upper == "H":
            points = np.array([[args[0] + base[0], here[1]]])
        elif upper == "V":
            points = np.array([[here[0], args[0] + base[1]]])
        else:
            points = args.reshape(-1, 2) + base
        if upper == "M":
            flush()
            here = start = points[0]
            command, control = ("l" if command == "m" else "L"), None
            continue
        if upper in "LHV":
            current.append(np.array([here, points[0]]))
            control = None
        elif upper == "Q":
            q, end = points
            current.append(np.array([here, here + 2 / 3 * (q - here), end + 2 / 3 * (q - end), end]))
            control = None
        else:
            if upper == "S":
                first = here if control is None else 2 * here - control
                points = np.concatenate([first[None], points])
            current.append(np.concatenate([here[None], points]))
            control = points[1]
        here = points[-1]
    flush()
    return chains
