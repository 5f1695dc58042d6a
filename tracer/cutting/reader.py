"""A cut list read from TOML: every failure is one line that names the line of the file and what is allowed.

Everything that can be known without the pieces is checked here; :mod:`tracer.cutting.make` checks the rest while it
carries the list out. The published form is ``tracer/schema/cut-list.schema.json``; tests hold the two together.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from typing import Any, get_args

from calibration import UnitError, parse_length_mm
from tracer.cutting.allowance import Allowance, EdgeAllowance
from tracer.cutting.corners import CORNER_STYLES, CornerStyle
from tracer.cutting.cutlist import (
    CutList,
    CutPiece,
    JoinStep,
    SeamPair,
    SeamSide,
    SplitStep,
    TrimStep,
    UnfoldStep,
)
from tracer.cutting.edges import nearest_word
from tracer.cutting.joining import Match
from tracer.cutting.toml_lines import KeyPath, line_of, toml_lines
from tracer.errors import CutListError

MOST_COPIES = 10_000
MATCHES: tuple[Match, ...] = get_args(Match)

TOP_KEYS = ("piece", "seam")
PIECE_KEYS = (
    "from", "name", "count", "pair", "together", "trim", "join", "unfold", "split", "allowance", "on",
)  # fmt: skip
TRIM_KEYS = ("edge", "by")
JOIN_KEYS = ("piece", "edge", "to", "drop", "match", "mirror")
UNFOLD_KEYS = ("edge", "true")
SPLIT_KEYS = ("from", "to", "along", "allowance", "notches", "names")
ALLOWANCE_KEYS = ("all", "edges", "holes", "corners", "includes")
EDGE_ALLOWANCE_KEYS = ("width", "corners")
INCLUDES_KEYS = ("all", "edges", "holes")
SEAM_KEYS = ("name", "one", "other", "ease", "turned")
SEAM_SIDE_KEYS = ("piece", "edge")


class _Reader:
    """Reads values of one file; every failure names its line."""

    def __init__(self, file: str, lines: dict[KeyPath, int]) -> None:
        self.file = file
        self.lines = lines

    def line(self, path: KeyPath) -> int:
        return line_of(self.lines, path)

    def fail(self, path: KeyPath, message: object) -> CutListError:
        return CutListError(f"{self.file} line {self.line(path)}: {message}")

    def table(self, path: KeyPath, value: Any, allowed: tuple[str, ...], needed: Iterable[str] = ()) -> dict[str, Any]:
        name = _spoken(path)
        if not isinstance(value, dict):
            raise self.fail(path, f"{name} is a table with {_listed(allowed)}, not {_kind(value)}")
        for key in value:
            if key not in allowed:
                raise self.fail(
                    (*path, key), f"{name} has no '{key}'; allowed are {_listed(allowed)}{nearest_word(key, allowed)}"
                )
        for key in needed:
            if key not in value:
                raise self.fail(path, f"{name} needs '{key}'; allowed are {_listed(allowed)}")
        return value

    def many(self, path: KeyPath, value: Any) -> list[tuple[KeyPath, Any]]:
        if isinstance(value, list):
            return [((*path, k), v) for k, v in enumerate(value)]
        return [(path, value)]

    def text(self, path: KeyPath, value: Any) -> str:
        if not isinstance(value, str) or not value.strip():
            raise self.fail(path, f"{_spoken(path)} is a word in quotes, not {_kind(value)}")
        return value.strip()

    def edge(self, path: KeyPath, value: Any) -> str:
        if isinstance(value, int) and not isinstance(value, bool):
            value = str(value)
        if not isinstance(value, str) or not value.strip():
            raise self.fail(
                path, f"{_spoken(path)} is an edge: left, right, top, bottom or its number, not {_kind(value)}"
            )
        return value.strip()

    def flag(self, path: KeyPath, value: Any) -> bool:
        if not isinstance(value, bool):
            raise self.fail(path, f"{_spoken(path)} is true or false, not {_kind(value)}")
        return value

    def count(self, path: KeyPath, value: Any) -> int:
        return self.whole(path, value, 1, MOST_COPIES)

    def whole(self, path: KeyPath, value: Any, least: int, most: int) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise self.fail(path, f"{_spoken(path)} is a whole number from {least} to {most}, not {_kind(value)}")
        return value

    def length(self, path: KeyPath, value: Any, *, positive: bool = False) -> float:
        negative = (isinstance(value, str) and value.strip().startswith(("-", "\u2212"))) or (
            isinstance(value, (int, float)) and not isinstance(value, bool) and value < 0
        )
        if negative:
            raise self.fail(path, f"{_spoken(path)} cannot be negative ({value}); write it like '3/8in' or '10mm'")
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise self.fail(path, f"{_spoken(path)} is a length like '3/8in' or '10mm', not {_kind(value)}")
        try:
            length = parse_length_mm(value)
        except UnitError as error:
            raise self.fail(path, f"{_spoken(path)}: {error}") from error
        if positive and length == 0:
            raise self.fail(path, f"{_spoken(path)} must be more than 0; write it like '3/8in' or '10mm'")
        return length

    def choice(self, path: KeyPath, value: Any, allowed: tuple[str, ...]) -> str:
        if not isinstance(value, str) or value not in allowed:
            near = nearest_word(str(value), allowed)
            raise self.fail(path, f"{_spoken(path)} is one of {_listed(allowed)}, not {_kind(value)}{near}")
        return value

    # -- the parts of a list ----------------------------------------------------------------------------------------
    def piece(self, path: KeyPath, value: Any) -> CutPiece:
        table = self.table(path, value, PIECE_KEYS, ["from"])
        source = self.text((*path, "from"), table["from"])
        pair = self.flag((*path, "pair"), table.get("pair", False))
        count = self.count((*path, "count"), table.get("count", 2 if pair else 1))
        return CutPiece(
            source=source,
            name=self.text((*path, "name"), table["name"]) if "name" in table else "",
            count=count,
            pair=pair,
            together=self.text((*path, "together"), table["together"]) if "together" in table else "",
            trims=tuple(self.trim(p, v) for p, v in self.many((*path, "trim"), table.get("trim", []))),
            joins=tuple(self.join(p, v) for p, v in self.many((*path, "join"), table.get("join", []))),
            unfold=self.unfold((*path, "unfold"), table["unfold"]) if "unfold" in table else None,
            split=self.split((*path, "split"), table["split"]) if "split" in table else None,
            allowance=self.allowance((*path, "allowance"), table.get("allowance", {})),
            allowance_line=self.line((*path, "allowance")),
            on=self.text((*path, "on"), table["on"]) if "on" in table else "",
            line=self.line((*path, "from")),
        )

    def trim(self, path: KeyPath, value: Any) -> TrimStep:
        table = self.table(path, value, TRIM_KEYS, TRIM_KEYS)
        return TrimStep(
            edge=self.edge((*path, "edge"), table["edge"]),
            by_mm=self.length((*path, "by"), table["by"], positive=True),
            line=self.line((*path, "edge")),
        )

    def join(self, path: KeyPath, value: Any) -> JoinStep:
        table = self.table(path, value, JOIN_KEYS, ["piece", "edge", "to"])
        match = self.choice((*path, "match"), table.get("match", "middle"), MATCHES)
        return JoinStep(
            piece=self.text((*path, "piece"), table["piece"]),
            edge=self.edge((*path, "edge"), table["edge"]),
            to=self.edge((*path, "to"), table["to"]),
            drop_mm=self.length((*path, "drop"), table.get("drop", 0)),
            match=next(m for m in MATCHES if m == match),
            mirror=self.flag((*path, "mirror"), table.get("mirror", False)),
            line=self.line((*path, "piece")),
        )

    def unfold(self, path: KeyPath, value: Any) -> UnfoldStep:
        if not isinstance(value, dict):
            return UnfoldStep(edge=self.edge(path, value), line=self.line(path))
        table = self.table(path, value, UNFOLD_KEYS, ["edge"])
        return UnfoldStep(
            edge=self.edge((*path, "edge"), table["edge"]),
            true=self.flag((*path, "true"), table.get("true", False)),
            line=self.line((*path, "edge")),
        )

    def split(self, path: KeyPath, value: Any) -> SplitStep:
        table = self.table(path, value, SPLIT_KEYS)
        if ("along" in table) == ("from" in table) or ("from" in table) != ("to" in table):
            raise self.fail(path, "split needs either 'from' and 'to', or 'along'")
        names = None
        if "names" in table:
            given = table["names"]
            if not isinstance(given, list) or len(given) != 2:
                raise self.fail((*path, "names"), 'names are two words, like ["upper", "lower"]')
            first, second = (self.text((*path, "names", k), v) for k, v in enumerate(given))
            names = (first, second)
        return SplitStep(
            start=self.text((*path, "from"), table["from"]) if "from" in table else "",
            end=self.text((*path, "to"), table["to"]) if "to" in table else "",
            along=self.text((*path, "along"), table["along"]) if "along" in table else "",
            allowance_mm=self.length((*path, "allowance"), table.get("allowance", 0)),
            notches=self.whole((*path, "notches"), table.get("notches", 1), 0, 20),
            names=names,
            line=self.line(path),
        )

    def allowance(self, path: KeyPath, value: Any) -> Allowance:
        if not isinstance(value, dict):
            return Allowance(all_mm=self.length(path, value))
        table = self.table(path, value, ALLOWANCE_KEYS)
        edges: dict[str, EdgeAllowance] = {}
        for key, width in self.edge_table((*path, "edges"), table.get("edges", {})).items():
            edges[key] = self.edge_allowance((*path, "edges", key), width)
        includes = table.get("includes", 0)
        includes_edges: dict[str, float] = {}
        included_holes = 0.0
        if isinstance(includes, dict):
            inner = self.table((*path, "includes"), includes, INCLUDES_KEYS)
            for key, width in self.edge_table((*path, "includes", "edges"), inner.get("edges", {})).items():
                includes_edges[key] = self.length((*path, "includes", "edges", key), width)
            included = self.length((*path, "includes", "all"), inner.get("all", 0))
            included_holes = self.length((*path, "includes", "holes"), inner.get("holes", 0))
        else:
            included = self.length((*path, "includes"), includes)
        return Allowance(
            all_mm=self.length((*path, "all"), table.get("all", 0)),
            edges=edges,
            corners=self.corners((*path, "corners"), table.get("corners", "mitred")),
            includes_mm=included,
            includes_edges=includes_edges,
            holes_mm=self.length((*path, "holes"), table.get("holes", 0)),
            includes_holes_mm=included_holes,
        )

    def edge_table(self, path: KeyPath, value: Any) -> Mapping[str, Any]:
        if not isinstance(value, dict):
            raise self.fail(path, f"{_spoken(path)} is a table of edges and widths, not {_kind(value)}")
        return value

    def edge_allowance(self, path: KeyPath, value: Any) -> EdgeAllowance:
        if not isinstance(value, dict):
            return EdgeAllowance(width_mm=self.length(path, value))
        table = self.table(path, value, EDGE_ALLOWANCE_KEYS, ["width"])
        return EdgeAllowance(
            width_mm=self.length((*path, "width"), table["width"]),
            corners=self.corners((*path, "corners"), table["corners"]) if "corners" in table else None,
        )

    def corners(self, path: KeyPath, value: Any) -> CornerStyle:
        chosen = self.choice(path, value, CORNER_STYLES)
        return next(s for s in CORNER_STYLES if s == chosen)

    def seam(self, path: KeyPath, value: Any) -> SeamPair:
        table = self.table(path, value, SEAM_KEYS, ["one", "other"])
        sides = []
        for key in ("one", "other"):
            sides.append(tuple(self.seam_side(p, v) for p, v in self.many((*path, key), table[key])))
            if not sides[-1]:
                raise self.fail((*path, key), f"'{key}' needs at least one edge")
        return SeamPair(
            name=self.text((*path, "name"), table["name"]) if "name" in table else f"seam {int(path[1]) + 1}",
            one=sides[0],
            other=sides[1],
            ease_mm=self.length((*path, "ease"), table["ease"]) if "ease" in table else None,
            turned=self.flag((*path, "turned"), table.get("turned", False)),
            line=self.line(path),
        )

    def seam_side(self, path: KeyPath, value: Any) -> SeamSide:
        table = self.table(path, value, SEAM_SIDE_KEYS, SEAM_SIDE_KEYS)
        return SeamSide(
            piece=self.text((*path, "piece"), table["piece"]),
            edge=self.edge((*path, "edge"), table["edge"]),
            line=self.line((*path, "piece")),
        )


def _spoken(path: KeyPath) -> str:
    words = [str(p) for p in path if not isinstance(p, int)]
    return f"'{words[-1]}'" if words else "the list"


def _listed(allowed: Iterable[str]) -> str:
    return ", ".join(allowed)


def _kind(value: Any) -> str:
    if isinstance(value, str):
        return f"'{value}'"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return str(value)
    return "a list" if isinstance(value, list) else "a table" if isinstance(value, dict) else f"'{value}'"


def read_cut_list(text: str, *, file: str = "cut list") -> CutList:
    """Read a cut list.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        Name of the file, for messages.

    Raises
    ------
    CutListError
        One line that names the line of the file, what was wrong and what is allowed.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CutListError(f"{file}: this is no TOML: {error}") from error
    reader = _Reader(file, toml_lines(text))
    reader.table((), data, TOP_KEYS)
    found: dict[str, list[tuple[KeyPath, Any]]] = {}
    for key in TOP_KEYS:
        value = data.get(key, [])
        if not isinstance(value, list):
            raise reader.fail((key,), f"write each {key} under its own [[{key}]]")
        found[key] = [((key, k), v) for k, v in enumerate(value)]
    if not found["piece"]:
        raise CutListError(f"{file}: the list holds no [[piece]]; write one for each piece to cut")
    return CutList(
        pieces=tuple(reader.piece(p, v) for p, v in found["piece"]),
        seams=tuple(reader.seam(p, v) for p, v in found["seam"]),
        file=file,
    )
