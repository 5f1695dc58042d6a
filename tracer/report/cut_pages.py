"""The cut report: every cut-ready piece with each of its steps before and after, and the seams that were checked.

Self-contained HTML; :func:`cut_section` is the fragment for one piece, to stand in another page as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from importlib import resources

import numpy as np

from calibration import format_inches, format_uncertainty
from tracer.cutting.copies import mirrored_piece
from tracer.cutting.make import CutResult, MadePiece
from tracer.cutting.seams import SeamCheck
from tracer.cutting.shape import Shape
from tracer.cutting.words import both, size
from tracer.piece import Mark, Piece

_PICTURE_PX = 260.0
_PAD = 0.06
_STYLE = """
.steps { display: flex; flex-wrap: wrap; gap: 1rem 1.6rem; align-items: flex-end; margin: .4rem 0 1.2rem; }
.steps figure { margin: 0; } .steps figcaption { font-size: .85rem; color: var(--soft); }
.steps .arrow { align-self: center; font-size: 1.6rem; color: var(--thread); }
svg.step path { fill: none; stroke: var(--ink); stroke-width: 1.4; vector-effect: non-scaling-stroke; }
svg.step .piece { fill: color-mix(in srgb, var(--thread) 9%, transparent); fill-rule: evenodd; }
svg.step .before { stroke: var(--care); stroke-width: 1; stroke-dasharray: 3 3; }
svg.step .mark { stroke: var(--thread); stroke-width: 1; }
svg.step text { fill: var(--soft); stroke: none; font-family: sans-serif; }
svg.step .stitching { stroke-dasharray: 6 3; }
.seam { white-space: pre-wrap; font-variant-numeric: tabular-nums; }
.mind { border: 1px solid var(--care); padding: .5rem .9rem; }
"""
CAUTIONS = (
    "Before you cut: print or draw one piece first and lay a ruler on it. Close a rotary cutter whenever you put it "
    "down, cut away from your hand along a ruler that cannot slip, keep shears and pins out of children's reach, and "
    "take pins out of the way of the blade."
)


def _mark(mark: Mark) -> str:
    kind = "mark stitching" if mark.kind == "stitching line" else "mark"
    if mark.kind == "text":
        return ""
    if mark.path is not None:
        return f'<path class="{kind}" d="{mark.path.to_svg(decimals=2)}"/>'
    if mark.at is not None:
        x, y = mark.at
        return f'<path class="{kind}" d="M {x - 2:.2f} {y:.2f} H {x + 2:.2f} M {x:.2f} {y - 2:.2f} V {y + 2:.2f}"/>'
    return ""


def _words(mark: Mark, height_mm: float) -> str:
    """Words centred on their place, as large in every picture."""
    assert mark.at is not None
    place = f'x="{mark.at[0]:.2f}" y="{mark.at[1] + 0.35 * height_mm:.2f}" font-size="{height_mm:.2f}"'
    return f'<text {place} text-anchor="middle">{escape(mark.text)}</text>'


def _outline(shape: Shape | Piece, kind: str) -> str:
    data = " ".join(p.to_svg(decimals=2) for p in (shape.outline, *shape.holes))
    return f'<path class="{kind}" d="{data}"/>'


def _picture(shapes: Sequence[Shape | Piece], ghosts: Sequence[Shape], words: str) -> str:
    """Shapes with their marks, and dashed what they were before."""
    boxes = np.array([s.outline.bounds for s in (*shapes, *ghosts)])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    width, height = np.maximum(high - low, 1.0)
    pad = _PAD * max(width, height)
    scale = _PICTURE_PX / (max(width, height) + 2 * pad)
    view = f"{low[0] - pad:.2f} {low[1] - pad:.2f} {width + 2 * pad:.2f} {height + 2 * pad:.2f}"
    body = "".join(_outline(g, "before") for g in ghosts)
    for shape in shapes:
        body += _outline(shape, "piece") + "".join(_mark(m) for m in shape.marks)
        body += "".join(_words(m, 11 / scale) for m in shape.marks if m.kind == "text" and m.at is not None)
    return (
        f'<figure><svg class="step" role="img" aria-label="{escape(words)}" viewBox="{view}" '
        f'width="{(width + 2 * pad) * scale:.0f}" height="{(height + 2 * pad) * scale:.0f}">{body}</svg>'
        f"<figcaption>{escape(words)}</figcaption></figure>"
    )


def _sizes(shapes: Sequence[Shape]) -> str:
    return "; ".join(size(s.outline.bounds.width, s.outline.bounds.height) for s in shapes)


def cut_section(made: MadePiece) -> str:
    """Return the section of one cut-ready piece: its figures, then each step before and after."""
    piece = made.piece
    box = piece.outline.bounds
    many = f"cut {piece.cut.count}" + (" (every second one mirrored)" if piece.cut.mirrored else "")
    if piece.cut.fold:
        many += " on the fold"
    if piece.cut.material:
        many += f" from {piece.cut.material}"
    finished = ""
    if piece.made is not None and piece.made.finished_mm is not None:
        finished = f"; finished {size(*piece.made.finished_mm)}"
    plus_minus = "\N{PLUS-MINUS SIGN}"
    sides = " and ".join(format_uncertainty(u) for u in piece.size_uncertainty_mm)
    parts = [
        f'<section id="{escape(piece.id)}"><h2>{escape(piece.name)}</h2>',
        f"<p><b>{escape(many)}</b>. Cut size {size(box.width, box.height)} ({plus_minus} "
        f"{sides} mm){finished}; outline "
        f"{plus_minus} {format_uncertainty(piece.expanded_uncertainty_mm)} mm (about 95 %).</p>",
    ]
    if piece.cut.mirrored:
        pair = [_picture([piece], [], "as drawn"), _picture([mirrored_piece(piece)], [], "mirror image")]
        parts.append(f'<div class="steps">{"".join(pair)}</div>')
    for stage in made.stages:
        before = _picture(stage.before, [], f"before: {_sizes(stage.before)}")
        # A joined piece's second part lies elsewhere before it is laid on; only the first shows where it was.
        after = _picture(stage.after, stage.before[:1], f"after: {_sizes(stage.after)}")
        parts.append(
            f'<h4>{escape(stage.words)}</h4><div class="steps">{before}'
            f'<span class="arrow" aria-hidden="true">\N{RIGHTWARDS ARROW}</span>{after}</div>'
        )
    if not made.stages and not piece.cut.mirrored:
        parts.append(f'<div class="steps">{_picture([piece], [], "cut as traced")}</div>')
    if made.facts:
        parts.append("<ul>" + "".join(f"<li>{escape(f.words)}</li>" for f in made.facts) + "</ul>")
    if made.findings:
        rows = "".join(f'<li class="{f.severity}">{escape(f.message)}</li>' for f in made.findings)
        parts.append(f'<ul class="findings">{rows}</ul>')
    return "".join([*parts, "</section>"])


def seams_section(seams: Sequence[SeamCheck]) -> str:
    """Return the table of the seams that were compared; empty without any."""
    if not seams:
        return ""
    rows = "".join(
        f"<tr><td>{escape(s.name)}</td><td>{escape(s.one.words)}<br>{both(s.one.length_mm)}</td>"
        f"<td>{escape(s.other.words)}<br>{both(s.other.length_mm)}</td>"
        f"<td>{s.difference_mm:+.2f} mm<br>{format_inches(s.difference_mm)}</td>"
        f"<td>{'<br>'.join(escape(line.strip()) for line in s.lines()[3:]) or 'none'}</td></tr>"
        for s in seams
    )
    return (
        "<section><h2>Seams</h2><table><caption>Lengths along the stitching line</caption><thead><tr>"
        "<th scope=col>seam</th><th scope=col>one side</th><th scope=col>other side</th><th scope=col>difference</th>"
        f"<th scope=col>notches</th></tr></thead><tbody>{rows}</tbody></table></section>"
    )


def cut_report(result: CutResult) -> str:
    """Return the whole page."""
    style = resources.files("tracer.report").joinpath("style.css").read_text(encoding="utf-8")
    count = sum(m.piece.cut.count for m in result.made)
    seam_notes = "".join(
        f'<li class="{f.severity}">{escape(s.name)}: {escape(f.message)}</li>' for s in result.seams for f in s.findings
    )
    notes = f'<ul class="findings">{seam_notes}</ul>' if seam_notes else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>Cut report</title><style>{style}{_STYLE}</style></head><body><header><h1>Cut report</h1>"
        f"<p>{count} to cut. The traced pieces are unchanged: take a line out of the cut list and cut again to undo "
        f'it.</p><p class="mind">{escape(CAUTIONS)}</p></header>'
        f"<main>{''.join(map(cut_section, result.made))}{seams_section(result.seams)}{notes}</main></body></html>\n"
    )
