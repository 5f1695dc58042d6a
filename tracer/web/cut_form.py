"""The cut list as a form: kept as the same TOML file that the command line reads, one entry a piece.

The page sends one entry at a time together with the entry it had before: when another page has changed that entry
meanwhile, nothing is overwritten and the page is told.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from tracer.cutting.edges import edges_of, sides
from tracer.cutting.make import CutResult, MadePiece, make_cut
from tracer.cutting.propose import propose
from tracer.cutting.reader import PIECE_KEYS, read_cut_list
from tracer.cutting.shape import Shape, shape_of
from tracer.errors import CutListError, JobError
from tracer.files.svg import pieces_svg
from tracer.job import CUT_FILE
from tracer.pattern import PATTERN_FILE, Pattern, save, write_text_whole
from tracer.report.cut_pages import cut_report
from tracer.web.loaded import loaded

LIST_FILE = "cut-list.toml"
_DRAWN = ("stitching line", "fold line", "grain line", "notch", "circle", "dot", "cross", "dart", "internal line")
_BARE = set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")


class ListChangedError(JobError):
    """Another page has changed the entry meanwhile."""


def entries(job: Path, pattern: Pattern) -> list[dict[str, Any]]:
    """Return the entries of the job's cut list; what was read on the pieces where there is no list yet."""
    path = job / LIST_FILE
    text = path.read_text(encoding="utf-8") if path.exists() else propose(pattern)
    try:
        found = tomllib.loads(text).get("piece", [])
    except tomllib.TOMLDecodeError as error:
        raise CutListError(f"{LIST_FILE}: this is no TOML: {error}") from error
    return _by_their_names_now([dict(e) for e in found if isinstance(e, dict)], pattern)


def _by_their_names_now(found: list[dict[str, Any]], pattern: Pattern) -> list[dict[str, Any]]:
    """Return the entries with pieces that were renamed since under the names that they have now."""
    now = {p.id: p.name for p in pattern.pieces}
    known = {*now, *now.values()}
    former: dict[str, set[str]] = {}
    if pattern.history is not None:
        for piece in pattern.history.reading["pieces"]:
            former.setdefault(piece["name"], set()).add(piece["id"])
        for change in pattern.history.changes:
            if change["do"] == "rename":
                word = change["piece"]
                former.setdefault(str(change["name"]).strip(), set()).update(
                    {word} if word in now else former.get(word, set())
                )

    def name_of(word: Any) -> Any:
        owners = former.get(word, set()) & set(now) if isinstance(word, str) and word not in known else set()
        return now[owners.pop()] if len(owners) == 1 else word

    def renamed(entry: dict[str, Any]) -> dict[str, Any]:
        out = entry | ({"from": name_of(entry["from"])} if "from" in entry else {})
        joins = entry.get("join")
        if isinstance(joins, dict) and "piece" in joins:
            out["join"] = joins | {"piece": name_of(joins["piece"])}
        elif isinstance(joins, list):
            out["join"] = [
                j | {"piece": name_of(j["piece"])} if isinstance(j, dict) and "piece" in j else j for j in joins
            ]
        return out

    return [renamed(e) for e in found]


def changed(current: list[dict[str, Any]], change: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the list with one entry changed: ``{"at", "was", "entry"}``.

    ``entry`` null takes it out, ``was`` null puts a new one in.

    Raises
    ------
    ListChangedError
        When the entry is no longer what the page believes it to be.
    """
    at, was, entry = int(change["at"]), change.get("was"), change.get("entry")
    out = list(current)
    if was is None:
        if entry is not None:
            out.insert(min(max(at, 0), len(out)), _clean(entry))
        return out
    if not 0 <= at < len(out) or out[at] != was:
        raise ListChangedError("this entry was changed on another page meanwhile; it is shown as it is now")
    if entry is None:
        del out[at]
    else:
        out[at] = _clean(entry)
    return out


def _clean(entry: Any) -> dict[str, Any]:
    if not isinstance(entry, dict):
        raise CutListError("an entry of the cut list is a table")
    return {k: v for k, v in entry.items() if k in PIECE_KEYS and v not in ("", None, [], {}, False)}


def to_toml(found: list[dict[str, Any]]) -> str:
    """Return the entries as TOML, one ``[[piece]]`` each."""
    parts = ["# Cut list, kept by the page; 'tracewheel cut' reads it too.\n"]
    for entry in found:
        lines = ["[[piece]]", *(f"{_key(k)} = {_value(v)}" for k, v in entry.items())]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def _key(name: str) -> str:
    return name if name and set(name) <= _BARE else _value(name)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(str(k))} = {_value(v)}" for k, v in value.items()) + " }"
    text = "".join(c if ord(c) >= 32 and ord(c) != 127 else " " for c in str(value))
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


# -- what the page is shown -------------------------------------------------------------------------------------------
def shown(job: Path, found: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    """Return the entries, the edges of every traced piece, and the pieces as they would be cut, or why not."""
    pattern = loaded(job)
    own = entries(job, pattern) if found is None else found
    out: dict[str, Any] = {"entries": own, "kept": (job / LIST_FILE).exists(), "error": "", "made": []}
    out["edges"] = {p.id: _edges(shape_of(p)) for p in pattern.pieces}
    out["pieces"] = [{"id": p.id, "name": p.name} for p in pattern.pieces]
    if not own:
        return out
    try:
        result = make_cut(pattern, read_cut_list(to_toml(own), file="cut list"))
    except CutListError as error:
        out["error"] = str(error)
        return out
    out["made"] = [_made(m) for m in result.made]
    out["seams"] = [line for s in result.seams for line in s.lines()]
    out["findings"] = [f"{f.where}: {f.message}" if f.where else f.message for f in result.pattern.findings]
    return out


def keep(job: Path, change: dict[str, Any]) -> dict[str, Any]:
    """Change one entry; a list that can be carried out is kept, and the pieces as cut with it.

    Returns
    -------
    dict
        As :func:`shown`; where ``error`` says something nothing was kept. Tried (``"try": true``), nothing is kept
        either, and only ``made`` of that entry and ``error`` are returned.
    """
    pattern = loaded(job)
    wanted = changed(entries(job, pattern), change)
    if change.get("try"):
        return _tried(pattern, change.get("entry"))
    if wanted:
        try:
            result = make_cut(pattern, read_cut_list(to_toml(wanted), file="cut list"))
        except CutListError as error:
            return shown(job, wanted) | {"error": str(error)}
        _write(job, result, wanted)
    else:
        (job / LIST_FILE).unlink(missing_ok=True)
        (job / CUT_FILE).unlink(missing_ok=True)
    return shown(job)


def _tried(pattern: Pattern, entry: Any) -> dict[str, Any]:
    """Return what one entry would make, or why it cannot."""
    try:
        result = make_cut(pattern, read_cut_list(to_toml([_clean(entry)]), file="cut list"))
    except CutListError as error:
        return {"error": str(error), "made": []}
    return {"error": "", "made": [_made(m) for m in result.made]}


def refresh(job: Path) -> None:
    """Cut again after the traced pieces changed; a list that no longer fits leaves the old pieces and is shown."""
    if not (job / LIST_FILE).exists():
        return
    pattern = loaded(job)
    own = entries(job, pattern)
    try:
        _write(job, make_cut(pattern, read_cut_list(to_toml(own), file="cut list")), own)
    except CutListError:
        # The form shows the reason; the pieces as cut before stay until the list is mended.
        return


def mend(job: Path) -> None:
    """Cut again where the list or the traced pieces are newer than what was cut: a server was ended in between."""
    found = {n: (job / n).stat().st_mtime_ns for n in (LIST_FILE, PATTERN_FILE, CUT_FILE) if (job / n).exists()}
    if LIST_FILE in found and PATTERN_FILE in found:
        newest = max(found[LIST_FILE], found[PATTERN_FILE])
        if newest > found.get(CUT_FILE, 0):
            refresh(job)


def _write(job: Path, result: CutResult, own: list[dict[str, Any]]) -> None:
    # The list first and the pieces last: what ends this in between leaves pieces older than their list (see mend).
    write_text_whole(job / LIST_FILE, to_toml(own))
    write_text_whole(job / "cut.svg", pieces_svg(result.pattern.pieces, title="Pieces as cut"))
    write_text_whole(job / "cut.html", cut_report(result))
    save(result.pattern, job, name=CUT_FILE)


def _edges(shape: Shape) -> list[dict[str, Any]]:
    by_side: dict[str, list[str]] = {}
    for side, name in sides(shape).items():
        by_side.setdefault(name, []).append(side)
    return [
        {"name": e.name, "sides": by_side.get(e.name, []), "d": e.path.to_svg(decimals=3), "length_mm": e.length_mm}
        for e in edges_of(shape)
    ]


def _box(shape: Shape) -> dict[str, float]:
    box = shape.outline.bounds
    return {"width_mm": round(box.width, 3), "height_mm": round(box.height, 3)}


def _made(made: MadePiece) -> dict[str, Any]:
    piece = made.piece
    return {
        "id": piece.id,
        "name": piece.name,
        "source": piece.made.sources[0] if piece.made is not None else "",
        "d": " ".join(p.to_svg(decimals=3) for p in (piece.outline, *piece.holes)),
        "traced": made.traced.outline.to_svg(decimals=3),
        "finished": made.finished.outline.to_svg(decimals=3),
        "finished_size": _box(made.finished),
        "width_mm": round(piece.outline.bounds.width, 3),
        "height_mm": round(piece.outline.bounds.height, 3),
        "plus_minus_mm": round(piece.expanded_uncertainty_mm, 4),
        "count": piece.cut.count,
        "pair": piece.cut.mirrored,
        "material": piece.cut.material,
        "steps": [s.words for s in made.stages],
        "facts": [f.words for f in made.facts],
        "marks": [
            m.path.to_svg(decimals=2) for m in piece.marks if m.path is not None and not m.dropped and m.kind in _DRAWN
        ],
    }
