"""The demo: the whole line on a sheet that comes with the tool, against its known drawing.

The sheet is invented: a workshop apron drawn by us, rendered as a flatbed scan (see ``fixtures/`` in the source tree).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from importlib import resources
from pathlib import Path as FilePath

from calibration import CalibrateOptions, parse_request
from tracer.job import trace_files
from tracer.path import Path
from tracer.pattern import Pattern, write_bytes_whole
from tracer.pipeline import TraceOptions
from tracer.truth import Agreement, compare

SCAN_FILE = "apron-scan.jpg"
_TRUTH_FILE = "apron-truth.json"
_REFERENCE = "square=50mm"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoPiece:
    """A drawn piece, the traced one that matches it (None when it was missed) and how far they lie apart."""

    name: str
    traced_id: str | None
    agreement: Agreement | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoResult:
    """The traced pattern, its pieces against the drawing, and the ids of pieces that are none."""

    pattern: Pattern
    pieces: tuple[DemoPiece, ...]
    invented: tuple[str, ...]


def run_demo(folder: FilePath, *, on_progress: Callable[[str, float], None] | None = None) -> DemoResult:
    """Trace the shipped sheet into ``folder`` and compare every piece with its drawing.

    Raises
    ------
    JobError
        When the folder cannot be written to.
    """
    shipped = resources.files("tracer.demo")
    truth = json.loads(shipped.joinpath(_TRUTH_FILE).read_text(encoding="utf-8"))
    with resources.as_file(shipped.joinpath(SCAN_FILE)) as scan:
        pattern = trace_files(
            [scan],
            folder,
            calibrate_options=CalibrateOptions(request=parse_request(_REFERENCE)),
            trace_options=TraceOptions(),
            on_progress=on_progress,
            before_report=lambda traced: comparison_html(compare_with_truth(traced, truth)),
        )
        write_bytes_whole(folder / SCAN_FILE, scan.read_bytes())
    return compare_with_truth(pattern, truth)


def compare_with_truth(pattern: Pattern, truth: dict[str, list[dict[str, str]]]) -> DemoResult:
    """Match traced pieces with drawn ones by size and shape; each is used once."""
    free = {p.id: p for p in pattern.pieces}
    rows = []
    for drawn in truth["pieces"]:
        outline = Path.from_svg(drawn["outline"])
        alike = [p for p in free.values() if abs(p.outline.area / outline.area - 1) < 0.05]
        ranked = sorted(((compare(p.outline, outline), p.id) for p in alike), key=lambda pair: pair[0].rms_mm)
        if ranked and ranked[0][0].rms_mm < 2.0:
            agreement, piece_id = ranked[0]
            del free[piece_id]
            rows.append(DemoPiece(name=drawn["name"], traced_id=piece_id, agreement=agreement))
        else:
            rows.append(DemoPiece(name=drawn["name"], traced_id=None, agreement=None))
    return DemoResult(pattern=pattern, pieces=tuple(rows), invented=tuple(free))


def comparison_html(result: DemoResult) -> str:
    """Return the report's section that holds the traced pieces against the drawing."""
    rows = "".join(
        f"<tr><td>{escape(p.name)}</td><td>{escape(p.traced_id or 'missed')}</td>"
        + (
            f"<td>{p.agreement.p95_mm:.3f}</td><td>{p.agreement.max_mm:.3f}</td><td>{p.agreement.scale_percent:+.3f}</td>"
            if p.agreement is not None
            else "<td></td><td></td><td></td>"
        )
        + "</tr>"
        for p in result.pieces
    )
    return (
        "<section><h2>Against the known drawing</h2><p>This sheet was drawn by us, so the truth is known exactly. "
        "Distances are taken both ways between the traced outline and the drawing, after the best shift and turn.</p>"
        "<table><thead><tr><th scope=col>drawn piece</th><th scope=col>traced as</th><th scope=col>95 % within, mm</th>"
        "<th scope=col>worst, mm</th><th scope=col>size, % off</th></tr></thead>"
        f"<tbody>{rows}</tbody></table></section>"
    )
