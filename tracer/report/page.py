"""The report as one self-contained HTML page: no outside request, readable on paper too."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from importlib import resources

from calibration import Finding, format_inches, format_uncertainty
from tracer.pattern import Pattern, SheetRecord
from tracer.piece import Piece
from tracer.report.figure import ERROR_COLOURS, ERROR_STEPS_MM, SheetFigure


def _size(value_mm: float, uncertainty_mm: float) -> str:
    return (
        f"{value_mm:.2f} \N{PLUS-MINUS SIGN} {format_uncertainty(uncertainty_mm)} mm"
        f'<br><span class="inches">{format_inches(value_mm)}</span>'
    )


def _area(piece: Piece) -> str:
    plus_minus = (
        f" \N{PLUS-MINUS SIGN} {format_uncertainty(piece.extent_uncertainty[0] / 100)}"
        if piece.extent_uncertainty[0]
        else ""
    )
    return f"{piece.area_mm2 / 100:.2f}{plus_minus} cm\N{SUPERSCRIPT TWO}"


def _cut_words(piece: Piece) -> str:
    words = f"cut {piece.cut.count}"
    if piece.cut.mirrored:
        words += " (mirrored pairs)"
    if piece.cut.fold:
        words += " on the fold"
    if piece.cut.material:
        words += f", {piece.cut.material}"
    return words


def _thumbnail(piece: Piece) -> str:
    b = piece.outline.bounds
    pad = 0.04 * max(b.width, b.height)
    data = " ".join(p.to_svg(decimals=2) for p in (piece.outline, *piece.holes))
    return (
        f'<svg class="thumb" aria-hidden="true" viewBox="{b.x_min - pad:.1f} {b.y_min - pad:.1f} '
        f'{b.width + 2 * pad:.1f} {b.height + 2 * pad:.1f}"><path d="{data}"/></svg>'
    )


def _piece_row(piece: Piece) -> str:
    error = (
        "exact (drawn in the file)"
        if piece.fit.max_mm == 0.0
        else f"95 % within {piece.fit.p95_mm:.3f} mm<br>worst {piece.fit.max_mm:.3f} mm"
    )
    if piece.hole_fits:
        p95, worst = (max(getattr(h.fit, name) for h in piece.hole_fits) for name in ("p95_mm", "max_mm"))
        error += f"<br>holes: 95 % within {p95:.3f} mm<br>worst {worst:.3f} mm"
    notes = "".join(f"<li>{escape(n)}</li>" for n in piece.notes)
    return (
        f"<tr><td>{_thumbnail(piece)}</td><td><b>{escape(piece.name)}</b><br><span class=id>{escape(piece.id)}, "
        f"sheet {escape(piece.sheet)}</span></td><td>{_size(piece.outline.bounds.width, piece.size_uncertainty_mm[0])}"
        f"</td><td>{_size(piece.outline.bounds.height, piece.size_uncertainty_mm[1])}</td>"
        f"<td>{_area(piece)}</td><td>{error}</td>"
        f"<td>\N{PLUS-MINUS SIGN} {format_uncertainty(piece.expanded_uncertainty_mm)} mm</td>"
        f"<td>{escape(_cut_words(piece))}{f'<ul>{notes}</ul>' if notes else ''}</td></tr>"
    )


def _findings(findings: Sequence[Finding]) -> str:
    if not findings:
        return '<p class="fine">Nothing to warn about.</p>'
    rows = "".join(
        f'<li class="{f.severity}"><b>{"Look at this" if f.severity == "warning" else "Note"}</b> '
        f"{escape(f.where + ': ' if f.where else '')}{escape(f.message)}</li>"
        for f in findings
    )
    return f'<ul class="findings">{rows}</ul>'


def _legend() -> str:
    limits = ["0", *(f"{s:g}" for s in ERROR_STEPS_MM)]
    cells = "".join(
        f'<span><i style="background:{colour}"></i>{low}\N{EN DASH}{limits[i + 1]} mm</span>'
        if i + 1 < len(limits)
        else f'<span><i style="background:{colour}"></i>over {low} mm</span>'
        for i, (colour, low) in enumerate(zip(ERROR_COLOURS, limits, strict=True))
    )
    return (
        f'<div class="legend" aria-label="colours of the error">Distance between the outline and the line found again '
        f'in the picture: {cells}<span><i class="carried"></i>carried across (line not visible)</span></div>'
    )


def _calibration(sheet: SheetRecord) -> str:
    scale = (
        f"<p>Scale from <b>{escape((sheet.reference + ' ' + sheet.reference_size).strip())}</b>: "
        f"{sheet.mm_per_px:.5f} mm per pixel, {sheet.expanded_uncertainty_mm_per_m:.2f} mm per metre uncertain "
        f"(that is \N{PLUS-MINUS SIGN} {sheet.expanded_uncertainty_mm_per_m * 0.3:.2f} mm on a piece 30 cm long; "
        f"coverage factor 2, about 95 %).</p>"
    )
    rows = "".join(
        f"<tr><td>{escape(line.name)}</td><td>{2 * line.standard_uncertainty_mm_per_m:.3f}</td>"
        f"<td>{escape(line.words)}</td></tr>"
        for line in sheet.budget
    )
    budget = (
        "<table><caption>Where the scale's uncertainty comes from, largest part first</caption><thead><tr>"
        "<th scope=col>part</th><th scope=col>\N{PLUS-MINUS SIGN} mm per m</th><th scope=col>in words</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
        if rows
        else ""
    )
    checks = "".join(
        f"<li>{escape(c.reference)} measures {c.difference_percent:+.3f} % against it "
        f"(\N{PLUS-MINUS SIGN} {c.expanded_uncertainty_percent:.3f} %)</li>"
        for c in sheet.cross_checks
    )
    return scale + budget + (f"<p>Other references in the picture:</p><ul>{checks}</ul>" if checks else "")


def _sheet_section(sheet: SheetRecord, figure: SheetFigure | None, pieces: Sequence[Piece]) -> str:
    picture = f"<figure>{figure.svg}</figure>{_legend() if figure.profiles else ''}" if figure else ""
    profiles = ""
    if figure:
        profiles = "".join(
            f"<div><h4>{escape(p.name)} ({escape(p.id)})</h4>{figure.profiles[p.id]}</div>"
            for p in pieces
            if p.id in figure.profiles
        )
    heading = figure.heading if figure else sheet.file
    return (
        f"<section><h2>Sheet {escape(sheet.id)}: {escape(heading)}</h2>{picture}"
        f"<h3>To know about this sheet</h3>{_findings(sheet.warnings)}<h3>Scale</h3>{_calibration(sheet)}"
        + (
            f"<h3>Error along each outline</h3><p>Once around, beginning at the outline's first point.</p>"
            f'<div class="profiles">{profiles}</div>'
            if profiles
            else ""
        )
        + "</section>"
    )


def report_html(pattern: Pattern, figures: Sequence[SheetFigure], *, extra: str = "") -> str:
    """Return the whole page.

    Parameters
    ----------
    pattern : Pattern
    figures : sequence of SheetFigure
        One a sheet; a sheet without one is described in words only.
    extra : str
        A ready HTML section put before the sheets (for example a comparison with a known drawing).
    """
    style = resources.files("tracer.report").joinpath("style.css").read_text(encoding="utf-8")
    by_sheet = {f.sheet_id: f for f in figures}
    rows = "".join(_piece_row(p) for p in pattern.pieces)
    table = (
        "<table class=pieces><caption>Pieces</caption><thead><tr><th scope=col>drawing</th><th scope=col>name</th>"
        "<th scope=col>width</th><th scope=col>height</th><th scope=col>area</th>"
        "<th scope=col>outline against the picture</th><th scope=col>outline lies within</th>"
        f"<th scope=col>cutting</th></tr></thead><tbody>{rows}</tbody></table>"
        if rows
        else "<p>No piece was found.</p>"
    )
    sections = "".join(
        _sheet_section(s, by_sheet.get(s.id), [p for p in pattern.pieces if p.sheet == s.id]) for s in pattern.sheets
    )
    count = len(pattern.pieces)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>Tracing report</title><style>{style}</style></head><body><header><h1>Tracing report</h1>"
        f"<p>{count} piece{'' if count == 1 else 's'} on {len(pattern.sheets)} "
        f"sheet{'' if len(pattern.sheets) == 1 else 's'}. Sizes are in millimetres with their expanded uncertainty "
        "(about 95 %); inches to the nearest 1/32. Before you cut good fabric, measure one long piece with a "
        "ruler.</p></header>"
        f"<main>{table}{_findings(pattern.findings) if pattern.findings else ''}{extra}{sections}</main>"
        "</body></html>\n"
    )
