"""File names from what people call their pieces: safe on every system, distinct, and still readable."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

_LONGEST_BYTES = 80
"""Leaves room for endings and numbers below the 255 bytes that common file systems allow."""

_KEPT = re.compile(r"[^\w .()+=,&-]", re.UNICODE)
_RESERVED = {"con", "prn", "aux", "nul", *(f"com{i}" for i in range(1, 10)), *(f"lpt{i}" for i in range(1, 10))}
"""Device names that one widespread system refuses as file names, whatever the ending (from memory)."""


def file_stem(name: str) -> str:
    """Return a file name without ending for a piece's name.

    Letters and digits of any script, spaces and a few signs stay; everything else becomes a dash. Never empty, never
    with a path in it, at most 80 bytes of UTF-8.
    """
    plain = unicodedata.normalize("NFC", name)
    plain = _KEPT.sub("-", plain)
    plain = re.sub(r"\s+", " ", plain).strip(" .-")
    while len(plain.encode("utf-8")) > _LONGEST_BYTES:
        plain = plain[:-1]
    plain = plain.strip(" .-")
    if not plain:
        return "piece"
    return f"{plain}-" if plain.split(".")[0].lower() in _RESERVED else plain


def distinct_stems(names: Iterable[str]) -> list[str]:
    """Return a stem for each name, numbered where two would be the same on a system that ignores case."""
    taken: set[str] = set()
    out = []
    for name in names:
        stem = base = file_stem(name)
        number = 2
        while stem.casefold() in taken:
            stem = f"{base} ({number})"
            number += 1
        taken.add(stem.casefold())
        out.append(stem)
    return out
