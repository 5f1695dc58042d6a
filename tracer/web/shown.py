"""Everything that a page shows, gathered from the job folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tracer.job import CUT_FILE, LAY_FILE
from tracer.pattern import PATTERN_FILE, Pattern, to_json

INBOX = "inbox"
THUMBS = "inbox-pages"
FILES = "files"
CHECKS = "checks.json"
_DOCUMENTS = {"report.html": "report", "cut.html": "cut report"}


def read_json(path: Path) -> Any:
    """Return what a JSON file holds, None when it is missing or damaged (it is then made anew)."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def tray(job: Path) -> list[dict[str, Any]]:
    """Return what was brought in, with small pictures of its pages."""
    out = []
    for path in sorted((job / INBOX).glob("*"), key=lambda p: p.stat().st_mtime_ns) if (job / INBOX).is_dir() else []:
        pages = read_json(job / THUMBS / f"{path.name}.json")
        if not path.name.startswith(".") and isinstance(pages, dict):
            out.append(pages)
    return out


def pattern_shown(job: Path, pattern: Pattern | None) -> dict[str, Any] | None:
    """Return the pattern without its history's bulk, but with how far it can be undone and in which words."""
    if pattern is None:
        return None
    content = to_json(pattern)
    history = content.pop("history", None)
    changes = history["changes"] if history else []
    done = history["done"] if history else 0
    read = {p["id"]: p["outline"] for p in history["reading"]["pieces"]} if history else {}
    for piece in content["pieces"]:
        piece["as_read"] = read.get(piece["id"], piece["outline"]) == piece["outline"]
    content["history"] = {
        "done": done,
        "count": len(changes),
        "last": changes[done - 1] if done else None,
        "next": changes[done] if done < len(changes) else None,
    }
    for sheet in content["sheets"]:
        sheet["picture"] = f"sheet-{sheet['id']}.jpg" if (job / f"sheet-{sheet['id']}.jpg").exists() else ""
        sheet["about"] = f"sheet-{sheet['id']}.json" if (job / f"sheet-{sheet['id']}.json").exists() else ""
        try:
            sheet["stamp"] = (job / f"sheet-{sheet['id']}.json").stat().st_mtime_ns // 1_000_000
        except OSError:
            sheet["stamp"] = 0
    return content


def files(job: Path) -> list[dict[str, Any]]:
    """Return the written files, each with its check and whether the job has changed since."""
    folder = job / FILES
    if not folder.is_dir():
        return []
    checks = read_json(folder / CHECKS)
    newest = max(_changed_at(job / n) for n in (PATTERN_FILE, CUT_FILE))
    out = []
    for path in sorted(folder.iterdir()):
        if path.name == CHECKS or path.name.startswith(".") or not path.is_file():
            continue
        since = max(newest, _changed_at(job / LAY_FILE) if path.name.startswith(("lay", "cutting")) else 0)
        out.append(
            {
                "name": path.name,
                "bytes": path.stat().st_size,
                "check": checks.get(path.name) if isinstance(checks, dict) else None,
                "outdated": since > path.stat().st_mtime_ns,
            }
        )
    return out


def _changed_at(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def state(job: Path, pattern: Pattern | None) -> dict[str, Any]:
    """Return all that every view needs, save the cut list and the lay, which are asked for by themselves."""
    return {
        "job": job.resolve().name,
        "pattern": pattern_shown(job, pattern),
        "tray": tray(job),
        "traced": read_json(job / "traced.json"),
        "cut": {"stamp": _changed_at(job / "cut-list.toml"), "made": (job / CUT_FILE).exists()},
        "lay": {"stamp": max(_changed_at(job / LAY_FILE), _changed_at(job / "lay-asked.json"))},
        "cloth": read_json(job / "cloth.json"),
        "files": files(job),
        "documents": [{"name": n, "words": w} for n, w in _DOCUMENTS.items() if (job / n).exists()],
    }
