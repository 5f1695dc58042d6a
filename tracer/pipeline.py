"""Sheet in, pieces out: the line that the commands, the page and the batches call."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration import Finding, MmPoints, PxPoints, Sheet, UnitError
from calibration.hands import share_out
from calibration.threads import one_thread
from tracer.blending import Blending, blending_of
from tracer.candidate import Candidate, RoughOutline
from tracer.captions import without_piece_references
from tracer.curves.fit import FitResult, fit_closed
from tracer.curves.leeway import Leeway
from tracer.cusps import Stroke, extend_cusps
from tracer.edge_signal import edge_signal
from tracer.errors import EngineError, TracerError
from tracer.hidden_corners import told_by_ink
from tracer.labels import TextLine, parse_label
from tracer.marks import sharpen
from tracer.measure import LineStyle, OutlineError, measure_outline
from tracer.outline import locate
from tracer.own_colour import settled
from tracer.path import Path
from tracer.pattern import BudgetLine, CrossCheckLine, Pattern, SheetRecord
from tracer.peer import trace_with_potrace
from tracer.piece import CutNote, Fit, HoleFit, Mark, Piece
from tracer.regular import regularise
from tracer.search.find import find_candidates
from tracer.stated import (
    Own,
    extent_uncertainty,
    laid,
    outline_uncertainty_mm,
    own_of,
    size_uncertainty_mm,
    stated_fit,
)
from tracer.tips import lead_tips
from tracer.told import readings_of
from tracer.vectors.find import VectorPiece, find_vector_candidates

LineSide = Literal["centre", "outer", "inner"]
Engine = Literal["own", "potrace"]
FAR_MM, FAR_TIMES = 1.0, 3.0
"""An outline that at one place may be so far from its line, and so many times beyond what is stated of it all along, is
to be looked at: it may have gone another way there (judgement)."""
_SHADE_SHARE = 0.25
"""Standard uncertainty of where an edge lies beside a shadow, as a share of how far the shadow had moved the half level
(on 41 pieces of card beside shadows of all strengths what was left was 0.1 to 0.3 of that)."""
_HIDDEN_BY_SHADE_MM = 0.1
"""The same where the thing has the colour of its mat in shade, which then hides where the thing ends (grey card on pale
mats lay 0.1 to 0.3 mm towards its shadow, measured on photos)."""
Progress = Callable[[str, float], None]
"""Called with what is being done and the share done (0..1)."""


def _ignored(*_what: object) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Who is told of what is there already while the rest is still worked on.

    Parameters
    ----------
    sheet : callable
        Called with each sheet as soon as its scale is known.
    seen : callable
        Called with a sheet and the rough closed outlines seen on it so far, (N, 2) in mm each; each call takes the
        place of the one before. What is seen may turn out to be no piece.
    piece : callable
        Called with each piece as soon as it is traced.
    """

    sheet: Callable[[Sheet], None] = _ignored
    seen: Callable[[Sheet, Sequence[MmPoints]], None] = _ignored
    piece: Callable[[Piece], None] = _ignored


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceOptions:
    """Options of :func:`trace`.

    Parameters
    ----------
    line : {'centre', 'outer', 'inner'}
        Which part of a drawn line is the outline.
    tolerance_mm : float
        The fitted curves stay this close to the measured points.
    engine : {'own', 'potrace'}
    size_line : int or None
        Which of several nested sizes to follow, 1 = smallest.
    regular : bool
        Make edges that are straight, parallel, square or symmetrical within their uncertainty exactly so.
    words : bool
        Read the words on the pieces where the reader is installed.
    """

    line: LineSide = "centre"
    tolerance_mm: float = 0.1
    engine: Engine = "own"
    size_line: int | None = None
    regular: bool = True
    words: bool = True

    def __post_init__(self) -> None:
        if self.line not in ("centre", "outer", "inner"):
            raise UnitError(f"the line '{self.line}' is not known; choose centre, outer or inner")
        if not 0.005 <= self.tolerance_mm <= 5.0:
            raise UnitError(f"a tolerance of {self.tolerance_mm:g} mm is out of reach; give one from 0.005mm to 5mm")
        if self.size_line is not None and self.size_line < 1:
            raise UnitError(f"size line {self.size_line} does not exist; 1 is the smallest size")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TracedPiece:
    """A piece with its measured error along the outline (None where the outline was given exactly) and each hole."""

    piece: Piece
    error: OutlineError | None
    hole_errors: tuple[OutlineError, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TracedSheet:
    """All that was traced on one sheet."""

    sheet: Sheet
    pieces: tuple[TracedPiece, ...]
    marks: tuple[Mark, ...]
    findings: tuple[Finding, ...]

    @property
    def record(self) -> SheetRecord:
        """What the pattern file keeps of the sheet."""
        return _record(self.sheet, self.marks, self.findings)


@one_thread
def trace(
    sheet: Sheet,
    options: TraceOptions,
    *,
    first_number: int = 1,
    on_progress: Progress | None = None,
    watch: Watch | None = None,
) -> TracedSheet:
    """Trace every piece of one sheet.

    Parameters
    ----------
    sheet : Sheet
    options : TraceOptions
    first_number : int
        Number of the first piece; ids are ``p<number>`` and stay unique over the sheets of a pattern.
    on_progress : callable, optional
    watch : Watch, optional
        Told of rough outlines and of each piece as they come.

    Returns
    -------
    TracedSheet
        Pieces in reading order. A sheet without pieces gives none and a finding that says so.
    """
    tell, watch = on_progress or _ignored, watch or Watch()
    if sheet.picture.kind == "pdf-vector" and sheet.picture.vectors is not None:
        return _trace_vectors(sheet, size_line=options.size_line, first_number=first_number)
    tell("looking for pieces", 0.0)
    sheet = without_piece_references(sheet, words=options.words)
    found = find_candidates(
        sheet,
        size_line=options.size_line,
        words=options.words,
        on_seen=lambda outlines: watch.seen(sheet, [sheet.to_mm(o) for o in outlines]),
    )
    traced: list[TracedPiece] = []
    findings = list(found.findings)
    count = len(found.candidates)
    if count:
        tell(f"tracing piece 1 of {count}", 0.0)
    blending = blending_of(found.edge_pixels, (o for c in found.candidates for o in (c.outline, *c.holes)))
    outcomes = share_out(
        lambda c: _traced_or_why_not(sheet, found.edge_pixels, c, options, blending),
        found.candidates,
        lambda c: float(len(c.outline.points_px)),
    )
    for i, outcome in enumerate(outcomes, start=1):
        tell(f"tracing piece {min(i + 1, count)} of {count}", i / count)
        number = first_number + len(traced)
        if isinstance(outcome, TracerError):
            findings.append(Finding(code="piece-not-traced", where=f"p{number}", message=str(outcome)))
            continue
        piece = replace(outcome.piece, id=f"p{number}", name=outcome.piece.name or f"Piece {number}")
        traced.append(replace(outcome, piece=piece))
        watch.piece(piece)
        findings.extend(piece_findings(piece, outcome.error.where_max if outcome.error else (0.0, 0.0), options))
    if not traced and not any(f.code.startswith(("no-piece", "piece-runs-off")) for f in findings):
        findings.append(
            Finding(
                code="no-pieces",
                where=sheet.id,
                message="no pattern piece was found on this sheet; a piece is a closed line, or a thing cut out that "
                "stands out from what it lies on",
            )
        )
    tell("traced", 1.0)
    return TracedSheet(
        sheet=sheet, pieces=tuple(traced), marks=sharpen(sheet, found.sheet_marks), findings=tuple(findings)
    )


def pattern_of(sheets: Sequence[SheetRecord], pieces: Sequence[Piece], *, findings: Sequence[Finding] = ()) -> Pattern:
    """Put traced sheets together into one pattern."""
    return Pattern(sheets=tuple(sheets), pieces=_with_distinct_names(pieces), findings=tuple(findings))


def _with_distinct_names(pieces: Sequence[Piece]) -> tuple[Piece, ...]:
    """Two pieces of one name would be confused in a cut list: the second becomes 'Name (2)'."""
    seen: dict[str, int] = {}
    out = []
    for piece in pieces:
        seen[piece.name] = seen.get(piece.name, 0) + 1
        count = seen[piece.name]
        out.append(piece if count == 1 else replace(piece, name=f"{piece.name} ({count})"))
    return tuple(out)


# -- one piece --------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Traced:
    path: Path
    error: OutlineError
    edge_mm: float
    tip_mm: float
    notes: tuple[str, ...]


_SHADE_COLOURED = (
    "the piece has the colour of its ground in shade, so that a hard shadow beside it or in a hole cannot be told from "
    "it; look at the outline where a shadow falls, or lay the piece on another colour"
)


def _trace_outline(
    sheet: Sheet, pixels: NDArray[np.uint8], rough: RoughOutline, options: TraceOptions, blending: Blending
) -> _Traced:
    rough = settled(pixels, rough, mm_per_px=sheet.mm_per_px)
    signal = edge_signal(pixels, rough, blending) if rough.kind == "edge" else None
    seen = rough if signal is None else replace(rough, colour_weights=signal.codes)
    evidence = locate(pixels, seen, line=options.line)
    if signal is not None:
        evidence = evidence.moved_in(signal.half_shift_px, run_px=signal.run_px)
    points_mm = sheet.to_mm(evidence.points_px)
    scale = sheet.plane.mm_per_px(evidence.points_px)
    usual_scale = float(np.median(scale))
    notes: tuple[str, ...] = ()
    leeway: Leeway | None = None
    hidden_mm = 0.0
    if options.engine == "potrace":
        path = trace_with_potrace(pixels, rough, line=options.line, to_mm=sheet.to_mm)
    else:
        fit = fit_closed(
            points_mm,
            np.asarray(evidence.sigma_px * scale),
            evidence.valid,
            tolerance_mm=options.tolerance_mm,
            half_width_mm=evidence.line_width_px / 2 * usual_scale,
            blur_mm=evidence.blur_px * usual_scale,
            raster_px=evidence.points_px,
        )
        path, notes, leeway = fit.path, _exceeded_words(fit, options), fit.leeway
        if options.regular:
            spread_mm = float(np.median(evidence.sigma_px)) * usual_scale
            regular = regularise(path.oriented(), uncertainty_mm=spread_mm)
            path, notes = regular.path, (*notes, *regular.notes)
        if rough.kind == "drawn" and options.line == "centre":
            stroke = Stroke(width_px=evidence.line_width_px, colour_weights=rough.colour_weights)
            path, sharp = extend_cusps(pixels, path.oriented(), stroke, to_px=sheet.to_px)
            told = told_by_ink(
                pixels,
                path,
                stroke,
                seen_px=PxPoints(np.asarray(evidence.points_px)[evidence.valid & ~evidence.told]),
                blur_px=evidence.blur_px,
                to_px=sheet.to_px,
                mm_per_px=usual_scale,
            )
            path, hidden_mm, notes = told.path, told.doubt_mm, (*notes, *sharp, *told.notes)
    path = path.oriented()
    # A drawn line that was told is not seen by itself there.
    hidden = ~evidence.valid | (evidence.told if rough.kind == "drawn" else False)
    hidden_px, tip_mm, ends_mm = np.asarray(evidence.points_px)[hidden], hidden_mm, None
    if rough.kind == "edge" and not rough.hole and options.engine == "own":
        led = lead_tips(
            pixels,
            path,
            seen.colour_weights,
            to_px=sheet.to_px,
            to_mm=sheet.to_mm,
            blur_px=evidence.blur_px,
            taken=sheet.picture.pixels,
        )
        path, notes, tip_mm, ends_mm = led.path, (*notes, *led.notes), led.doubt_mm, led.ends_mm
        if leeway is not None:
            # Where it was led, the fit's doubts are not its own any more: how surely it ends is said with it.
            leeway = leeway.at(~led.led_at(MmPoints(leeway.points_mm)))
        if len(led.hidden_mm):
            hidden_px = np.concatenate([hidden_px, np.asarray(sheet.to_px(led.hidden_mm))])
    if rough.shade_coloured and not rough.hole:
        notes = (*notes, _SHADE_COLOURED)
    if rough.beyond_px is not None:
        x, y, far_px = rough.beyond_px
        far_mm, place = far_px * usual_scale, np.asarray(sheet.to_mm(PxPoints(np.array([[x, y]]))))[0]
        tip_mm = max(tip_mm, far_mm)
        notes = (
            *notes,
            f"near ({place[0]:.0f}, {place[1]:.0f}) mm the piece's own colour goes on for {far_mm:.1f} mm beyond the "
            "outline, or something of the same colour lies there; look at it",
        )
    style = LineStyle(
        kind=rough.kind,
        line_width_px=evidence.line_width_px,
        colour_weights=seen.colour_weights,
        blur_px=evidence.blur_px,
        line=options.line,
        shift_px=0.0 if signal is None else signal.mass_shift_px,
        hole=rough.hole,
    )
    error = measure_outline(
        pixels,
        path,
        style,
        to_px=sheet.to_px,
        obscured_px=PxPoints(hidden_px),
        ends_mm=ends_mm,
        told=None if rough.kind == "drawn" else readings_of(evidence, points_mm, np.asarray(evidence.sigma_px * scale)),
    )
    if leeway is not None:
        error = error.with_leeway(MmPoints(leeway.points_mm), leeway.expanded_mm)
    error = error.with_end(tip_mm, path.length)
    own_mm = 0.0 if signal is None else float(np.hypot(signal.uncertainty_px, _SHADE_SHARE * evidence.shade_px))
    own_mm *= usual_scale
    if rough.shade_coloured and rough.reader is not None:
        own_mm = float(np.hypot(own_mm, _HIDDEN_BY_SHADE_MM))
    return _Traced(path=path, error=error, edge_mm=own_mm, tip_mm=tip_mm, notes=notes)


def _exceeded_words(fit: FitResult, options: TraceOptions) -> tuple[str, ...]:
    """Say where the tolerance could not be held, each place once."""
    words = (
        f"near ({e.at[0]:.0f}, {e.at[1]:.0f}) mm the curve is {e.distance_mm:.2f} mm from the measured points, more "
        f"than the {options.tolerance_mm:g} mm asked for"
        for e in fit.exceeded
    )
    return tuple(dict.fromkeys(words))[:3]


def _traced_or_why_not(
    sheet: Sheet, edge_pixels: NDArray[np.uint8], candidate: Candidate, options: TraceOptions, blending: Blending
) -> TracedPiece | TracerError:
    try:
        return _trace_candidate(sheet, edge_pixels, candidate, options, blending)
    except EngineError:
        raise
    except TracerError as error:
        return error


def _trace_candidate(
    sheet: Sheet, edge_pixels: NDArray[np.uint8], candidate: Candidate, options: TraceOptions, blending: Blending
) -> TracedPiece:
    """Trace a candidate; the piece has no number yet, and a name only where one was read."""
    pixels = edge_pixels if candidate.outline.kind == "edge" else sheet.picture.pixels
    outer = _trace_outline(sheet, pixels, candidate.outline, options, blending)
    inner = tuple(_trace_outline(sheet, pixels, h, options, blending) for h in candidate.holes)
    holes = tuple(h.path for h in inner)
    path, notes = outer.path, [*candidate.notes, *outer.notes]
    own, own_of_holes = own_of(outer.error, outer.edge_mm), tuple(own_of(h.error, h.edge_mm) for h in inner)
    lies, holes_lie = laid(sheet, path), tuple(laid(sheet, h) for h in holes)
    piece = Piece(
        id="",
        name=candidate.name,
        sheet=sheet.id,
        outline=path.oriented(),
        holes=holes,
        expanded_uncertainty_mm=outline_uncertainty_mm(sheet, lies, own),
        fit=stated_fit(outer.error, outer.edge_mm, outer.tip_mm),
        hole_fits=tuple(
            HoleFit(
                fit=stated_fit(h.error, h.edge_mm),
                expanded_uncertainty_mm=outline_uncertainty_mm(sheet, lie, its_own),
            )
            for h, lie, its_own in zip(inner, holes_lie, own_of_holes, strict=True)
        ),
        size_uncertainty_mm=size_uncertainty_mm(sheet, lies, own),
        extent_uncertainty=extent_uncertainty(sheet, lies, holes_lie, own, own_of_holes),
        marks=sharpen(sheet, candidate.marks),
        cut=candidate.cut,
        notes=tuple(notes),
    )
    return TracedPiece(piece=piece, error=outer.error, hole_errors=tuple(h.error for h in inner))


def piece_findings(piece: Piece, where_max: tuple[float, float], options: TraceOptions) -> list[Finding]:
    """Say when an outline is not to be trusted, all along or at one place."""
    if piece.fit.p95_mm > 2 * options.tolerance_mm:
        return [
            Finding(
                code="fit-poor",
                where=piece.id,
                message=f"the outline of {piece.name} is {piece.fit.p95_mm:.2f} mm from the line for 5 % of its way "
                f"(worst {piece.fit.max_mm:.2f} mm); look at it in the report before cutting",
            )
        ]
    if piece.fit.max_mm > max(FAR_MM, FAR_TIMES * piece.expanded_uncertainty_mm):
        x, y = where_max
        return [
            Finding(
                code="fit-far",
                where=piece.id,
                message=f"the outline of {piece.name} may be {piece.fit.max_mm:.1f} mm from its line at "
                f"({x:.0f}, {y:.0f}) mm, though 95 % of it lies within {piece.fit.p95_mm:.2f} mm: look at that place "
                "in the report before cutting",
            )
        ]
    return []


# -- vector pages -----------------------------------------------------------------------------------------------------
def _trace_vectors(sheet: Sheet, *, size_line: int | None, first_number: int) -> TracedSheet:
    vectors = sheet.picture.vectors
    assert vectors is not None
    found = find_vector_candidates(vectors, size_line=size_line)
    pieces = []
    exact = Fit(max_mm=0.0, p95_mm=0.0, rms_mm=0.0)
    for i, candidate in enumerate(found.pieces):
        number = first_number + i
        name, cut = _vector_label(candidate)
        lies = laid(sheet, candidate.outline)
        pieces.append(
            TracedPiece(
                piece=Piece(
                    id=f"p{number}",
                    name=name or f"Piece {number}",
                    sheet=sheet.id,
                    outline=candidate.outline.oriented(),
                    holes=candidate.holes,
                    expanded_uncertainty_mm=outline_uncertainty_mm(sheet, lies, Own()),
                    fit=exact,
                    size_uncertainty_mm=size_uncertainty_mm(sheet, lies, Own()),
                    extent_uncertainty=extent_uncertainty(
                        sheet, lies, [laid(sheet, h) for h in candidate.holes], Own()
                    ),
                    marks=candidate.marks,
                    cut=cut,
                    notes=candidate.notes,
                ),
                error=None,
            )
        )
    return TracedSheet(sheet=sheet, pieces=tuple(pieces), marks=found.marks, findings=tuple(found.findings))


def _vector_label(candidate: VectorPiece) -> tuple[str, CutNote]:
    """Return name and cutting note from the words that the page has inside the piece."""
    lines = [TextLine(text=m.text, at=m.at) for m in candidate.marks if m.kind == "text" and m.at is not None]
    label = parse_label(lines)
    return candidate.name or label.name, label.cut if label.says_cut else candidate.cut


# -- the sheet's record -----------------------------------------------------------------------------------------------
def _record(sheet: Sheet, marks: tuple[Mark, ...], findings: tuple[Finding, ...]) -> SheetRecord:
    picture = sheet.picture
    return SheetRecord(
        id=sheet.id,
        file=picture.source.file,
        page=picture.source.page,
        sha256=picture.source.sha256,
        size_px=(picture.width_px, picture.height_px),
        size_mm=(sheet.width_mm, sheet.height_mm),
        reference=sheet.reference.kind,
        reference_size=sheet.reference.size,
        mm_per_px=sheet.mm_per_px,
        expanded_uncertainty_mm_per_m=sheet.expanded_uncertainty_mm_per_m,
        residual_rms_mm=sheet.residual_rms_mm,
        cross_checks=tuple(
            CrossCheckLine(
                reference=f"{c.kind} {c.size}".strip(),
                difference_percent=c.difference_percent,
                expanded_uncertainty_percent=c.expanded_uncertainty_percent,
            )
            for c in sheet.cross_checks
        ),
        budget=tuple(
            BudgetLine(name=c.name, standard_uncertainty_mm_per_m=c.standard_uncertainty, words=c.words)
            for c in sheet.budget.components
        ),
        warnings=(*sheet.findings, *findings),
        marks=marks,
    )
