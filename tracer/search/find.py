"""The search for pieces: a calibrated sheet in, candidates and marks out.

Works in the source picture's own pixels. Drawn pieces (closed cutting lines on paper) and cut-out pieces (things
lying on a ground) are told apart by the evidence and may lie on the same sheet.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Finding, PxPoints, Sheet
from tracer.candidate import Candidate
from tracer.piece import Mark
from tracer.reading.engine import begin_reading
from tracer.reading.further import read_further
from tracer.reading.models import can_read_words
from tracer.reading.places import Region
from tracer.reading.read import read_words, without_repeats
from tracer.search.bodies import Bodies, ground_sheets
from tracer.search.candidates import drawn_candidate, edge_candidate, reading_order
from tracer.search.choose import are_nested, choose_sizes
from tracer.search.crosses import find_crosses, without_crosses
from tracer.search.dashes import dashes_in_lines, printed_dashes
from tracer.search.drawn import LineWork, lies_in
from tracer.search.edges import Thing, without_grid
from tracer.search.first_look import COVERS_ALL, FirstLook, first_look
from tracer.search.frames import OpenFrame, find_open_frame
from tracer.search.graph import Points
from tracer.search.lattice import mat_reference
from tracer.search.lettering import lettering_mask
from tracer.search.lone import read_lone_letters
from tracer.search.loops import polygon_area
from tracer.search.mark_finder import MarkFinder
from tracer.search.mark_sheet import PAPER_EDGE_MM
from tracer.search.marks import runs_parallel
from tracer.search.marks_text import TextBlock
from tracer.search.mat_table import without_table
from tracer.search.pieces import Found, find_pieces
from tracer.search.reference_objects import ReferenceObject, find_reference_objects
from tracer.search.spots import are_spots
from tracer.search.stands_out import stands_out
from tracer.search.unfound import unfound_findings
from tracer.search.words import (
    beside_labels,
    labels_of,
    lone_letters,
    nested_pieces,
    square_region,
    unread,
    without_shapes,
    word_regions,
)
from tracer.search.words_on import may_go_on

Progress = Callable[[str, float], None]

DARKEST_PAPER = 0.12
"""Linear light of the darkest paper that is drawn on, brown paper in the shade (common practice, no source)."""
_NO_WORDS = Finding(
    code="no-words",
    severity="note",
    message="there are words on the sheet but nothing to read them with; pip install 'tracewheel[words]' gives names",
)
_SPAN_SHARE = 0.9
_LEAST_READ_PX, _LEAST_CLOSER_PX = 4.5, 6.0
"""Letters smaller than this are not told apart, nor those of the second size however close by: scraps of lines and the
grain of paper are as small (judgement)."""
_MOST_CLOSER = 40
"""So many blocks of text at most are looked at again from closer by; more of them are no words (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """What the search found on a sheet: pieces in reading order, marks of the sheet in mm, and what is doubtful.

    ``edge_pixels`` is the picture in which the edges of things are to be sought: without the lines of the mat that they
    lie on.
    """

    candidates: tuple[Candidate, ...]
    edge_pixels: NDArray[np.uint8]
    sheet_marks: tuple[Mark, ...] = ()
    findings: tuple[Finding, ...] = ()


def find_candidates(
    sheet: Sheet,
    *,
    size_line: int | None = None,
    words: bool = True,
    on_progress: Progress | None = None,
    on_seen: Callable[[Sequence[PxPoints]], None] | None = None,
) -> SearchResult:
    """Find the pattern pieces of a sheet.

    Parameters
    ----------
    sheet : Sheet
    size_line : int, optional
        Which of several nested sizes to follow, 1 = smallest.
    words : bool
        Read the words on the sheet where the reader is installed.
    on_progress : callable, optional
        Called with a word for the step and the share done (0..1).
    on_seen : callable, optional
        Called with the rough outlines seen so far, in pixels of the picture, before their words are read: first with
        whatever stands out from the ground, then with what is taken for pieces.
    """
    report = on_progress or (lambda _word, _share: None)
    pixels = sheet.picture.pixels
    scale = sheet.mm_per_px
    seen = on_seen or (lambda _outlines: None)
    report("ink", 0.0)

    def coarsely(bodies: Bodies) -> None:
        if bodies.things:
            seen([PxPoints(bodies.outline_px(k)) for k in range(len(bodies.things))])
        # What reads takes a processor while it gets ready: not before the first outlines are there.
        if words:
            begin_reading()

    with first_look(sheet, bundled=None if size_line is None else True, report=report, seen=coarsely) as look:
        report("pieces", 0.7)
        ink, bodies = look.ink, look.bodies
        texts = [t for t in look.work.texts if not are_spots(t, ink.mask, ink.mm_per_px)]
        drawn, other = find_pieces(look.work, texts)
        if size_line is None and look.work.bundled and not are_nested(look.work, drawn, other):
            look = replace(look, work=look.read(False))
            drawn, other = find_pieces(look.work, texts)
        cut = _cut_out(sheet, look, drawn)
    things, papers, drawn, cut_off = cut.things, cut.papers, cut.drawn, cut.cut_off
    findings: list[Finding] = []
    frames, around = _frames_of(look.work, drawn, other, papers)
    reads = words and bool(texts) and can_read_words()
    if words and texts and not reads:
        findings.append(_NO_WORDS)
    blocks = _may_be_words(look.work, texts, papers, drawn, things) if reads else []
    # Where sizes are told apart one of two processes is done before the other: words are read meanwhile.
    with ThreadPoolExecutor(max_workers=1) as pool:
        reading = pool.submit(read_words, pixels, _regions_of(sheet, look.work, blocks, other, frames) if reads else [])
        work, drawn, other, counts = _of_one_size(look, texts, drawn, other, size_line)
        if max(counts, default=1) > 1:
            frames, around = _frames_of(work, drawn, other, papers)
        findings += _size_findings(sheet, counts, size_line) + _unseen_findings(sheet, drawn)
        seen([*(ink.to_picture(f.points) for f in drawn), *(PxPoints(t.points) for t in things)])
        lying = [*(t.points for t in things), *(ink.to_picture(p) for p in papers), *cut.beside]
        findings += unfound_findings(sheet, bodies, [*lying, *(ink.to_picture(f.points) for f in drawn)])
        crosses = find_crosses(work.graph, ink.mask, scale)
        report("words", 0.75)
        lines = reading.result()
    if reads:
        rings = [*(f.points for f in drawn), *(ink.from_picture(t.points) for t in things)]
        missed = unread(blocks, lines, ink, work.small, rings)
        closer = word_regions(missed, ink, (), work.small) + beside_labels(lines, rings, ink)
        closer = [region for region in closer if region.glyph_px >= _LEAST_CLOSER_PX]
        if 0 < len(closer) <= _MOST_CLOSER:
            lines += read_words(pixels, closer, closer=True)
            lines = without_repeats(lines)
        lines = read_further(pixels, lines, may_go_on(lines, ink, rings))
        lines += read_lone_letters(pixels, lines, work.small, rings, ink)
        lines = without_crosses(
            without_shapes(lines, work.small, ink), crosses, lambda n: ink.from_picture(np.array(n.box))
        )
    drawn += nested_pieces(work, texts, drawn, other, lines, counts)
    report("marks", 0.9)
    if not all(any(lies_in(f.points, p) for p in papers) for f in drawn):
        papers = []
    elif things:
        papers += [ink.from_picture(t.points) for t in things]
    outlines = [f.points for f in drawn] + [ink.from_picture(t.points) for t in things]
    marker = MarkFinder(sheet, work, outlines, papers, len(things))
    marker.usual_mass = float(np.median([f.mass for f in drawn])) if drawn else 0.0
    for line in (line for f in drawn if f.other_sizes for line in (f.points, *f.other_sizes)):
        # The line work has these lines too, put together in other ways than they were followed: they are no marks.
        marker.claim(np.concatenate([line, line[:1]]))
    marker.references(cut.objects)
    marker.loops(other)
    taken = {i for index in other for i, _ in work.loops[index].steps}
    if around is not None:
        marker.open_frame(around)
        taken |= set(around.edges)
    taken |= marker.tile_marks(frames)
    marker.words(lines, texts, frames)
    marker.shading()
    marker.openings([[ink.from_picture(h) for h in t.holes] for t in things])
    marker.crosses(crosses)
    marker.strokes(drawn, taken, lettering_mask(work, lines, texts, _tables(work, other)))
    candidates = [drawn_candidate(work, found, pixels, marker.pieces[k].holes) for k, found in enumerate(drawn)]
    candidates += [edge_candidate(thing, pixels, bodies) for thing in things]
    cut_off += [(float(x), float(y)) for x, y in marker.cut_off]
    findings += _cut_off_findings(sheet, cut_off)
    labels = labels_of(lines, marker, len(candidates))
    named = [
        replace(candidate, marks=tuple(marked.marks), name=label.name, cut=label.cut)
        for candidate, marked, label in zip(candidates, marker.pieces, labels, strict=True)
    ]
    report("pieces", 1.0)
    return SearchResult(
        candidates=tuple(reading_order(named)),
        edge_pixels=without_grid(pixels, things),
        sheet_marks=tuple(marker.loose),
        findings=tuple(findings),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _CutOut:
    """What lies on the ground: things cut out, sheets of paper (pixels of the ink), objects to measure with.

    ``drawn`` are the pieces that stay drawn ones; ``cut_off`` where something runs off the picture, in mm; ``beside``
    are the outlines of what else is known to lie there, in pixels of the picture.
    """

    things: list[Thing]
    papers: list[Points]
    drawn: list[Found]
    cut_off: list[tuple[float, float]]
    objects: list[ReferenceObject]
    beside: list[Points]


def _cut_out(sheet: Sheet, look: FirstLook, drawn: list[Found]) -> _CutOut:
    """Tell apart what lies on the ground."""
    ink, bodies, pixels, scale = look.ink, look.bodies, sheet.picture.pixels, sheet.mm_per_px
    papers = [ink.from_picture(p) for p in ground_sheets(bodies)] if mat_reference(sheet) is not None else []
    drawn = without_table(drawn, papers, ink, bodies, pixels)
    papers += [
        ink.from_picture(r.outline_px)
        for r in (sheet.reference, *sheet.others)
        if r.kind == "sheet" and len(r.outline_px) >= 3
    ]
    whole = [bodies.outline_px(k) for k in range(len(bodies.things))]
    coarse = [ink.from_picture(points) for points in whole]
    objects = find_reference_objects(sheet, whole)
    drawn = [f for f in drawn if not any(lies_in(f.points, coarse[o.index]) for o in objects)]
    # Where pieces are drawn on the ground it is a sheet, and what crosses the picture's border lies beside the sheet.
    on_sheet = any(not any(lies_in(f.points, body) for body in coarse) for f in drawn)
    is_paper = [_is_paper(body, bodies.light(k), drawn, ink.mm_per_px) for k, body in enumerate(coarse)]
    papers += [body for body, paper in zip(coarse, is_paper, strict=True) if paper]
    measures = {o.index for o in objects}
    sought = [not paper and k not in measures for k, paper in enumerate(is_paper)]
    things: list[Thing] = []
    cut_off: list[tuple[float, float]] = []
    beside = [whole[k] for k in measures]
    beside += [np.asarray(r.outline_px) for r in (sheet.reference, *sheet.others) if r.kind not in COVERS_ALL]
    for thing in look.edges_of(sought):
        if thing is not None and thing.runs_off:
            beside.append(thing.points)
        if thing is not None and thing.runs_off and not on_sheet and _may_be_piece(thing, pixels):
            cut_off.append(_place(sheet, thing.points))
        if thing is None or thing.runs_off:
            continue
        body = ink.from_picture(thing.points)
        if on_sheet and not stands_out(thing.points, pixels, scale):
            continue
        if not _is_paper(body, thing.light, drawn, ink.mm_per_px):
            things.append(thing)
            drawn = [f for f in drawn if not lies_in(f.points, body)]
    return _CutOut(things=things, papers=papers, drawn=drawn, cut_off=cut_off, objects=objects, beside=beside)


def _of_one_size(
    look: FirstLook, texts: Sequence[TextBlock], drawn: list[Found], other: dict[int, str], size_line: int | None
) -> tuple[LineWork, list[Found], dict[int, str], list[int]]:
    """Return the line work, the pieces, each of one size, what else was found in it, and how many sizes each has."""
    work = look.work
    if not are_nested(work, drawn, other):
        return work, drawn, other, [1] * len(drawn)
    if size_line is not None:
        drawn, counts = choose_sizes(work, drawn, other, size_line)
        return work, drawn, other, counts
    # Sizes drawn into each other run together to bands that are no spots: the lines are read for that first.
    for bundled in (True, False):
        work, pieces, rest = look.work, drawn, other
        if work.bundled != bundled:
            work = look.read(bundled)
            pieces, rest = find_pieces(work, texts)
        pieces, counts = choose_sizes(work, pieces, rest, None)
        if max(counts, default=1) > 1:
            break
    return work, pieces, rest, counts


def _may_be_words(
    work: LineWork,
    texts: Sequence[TextBlock],
    papers: Sequence[Points],
    drawn: Sequence[Found],
    things: Sequence[Thing],
) -> list[TextBlock]:
    """Return the blocks of text that are no dashes, and that may belong to a piece."""
    dashes = zip(printed_dashes(texts, work.small), dashes_in_lines(texts, work.graph), strict=True)
    legible = [t for t, is_dashes in zip(texts, dashes, strict=True) if not any(is_dashes)]
    # What is printed on a mat beside sheets and things cut out is no label of theirs.
    return on_pieces(legible, [work.ink.from_picture(t.points) for t in things], papers, drawn)


def _regions_of(
    sheet: Sheet, work: LineWork, blocks: Sequence[TextBlock], other: dict[int, str], frames: Sequence[Points]
) -> list[Region]:
    """Return where words are to be read: blocks of text, letters on frames, the caption of a test square."""
    found = word_regions(blocks, work.ink, _tables(work, other), work.small)
    regions = [r for r in found if r.glyph_px >= _LEAST_READ_PX]
    regions += lone_letters(work, blocks, frames)
    squares = (r for r in (sheet.reference, *sheet.others) if r.kind == "square")
    return regions + [square_region(r, sheet.mm_per_px) for r in squares]


def _tables(work: LineWork, other: dict[int, str]) -> list[Points]:
    return [work.loops[i].points for i, kind in other.items() if kind == "table"]


def _frames_of(
    work: LineWork, drawn: Sequence[Found], other: dict[int, str], papers: Sequence[Points]
) -> tuple[list[Points], OpenFrame | None]:
    """Return the frames around the pieces, and that of them which does not close."""
    frames = [work.loops[i].points for i, kind in other.items() if kind == "frame"]
    around = None if _is_framed(drawn, frames) else _open_frame(work, drawn, other, papers)
    return frames + ([] if around is None else [around.points]), around


def _is_framed(drawn: Sequence[Found], frames: Sequence[Points]) -> bool:
    """Return whether all pieces lie in one closed frame."""
    return any(all(lies_in(f.points, frame) for f in drawn) for frame in frames)


def _open_frame(
    work: LineWork, drawn: Sequence[Found], other: dict[int, str], papers: Sequence[Points]
) -> OpenFrame | None:
    rims = {s.edge for f in drawn for s in f.stretches} | {i for k in other for i, _ in work.loops[k].steps}
    edges = [p.astype(np.float32).reshape(-1, 1, 2) for p in papers]
    reach = PAPER_EDGE_MM / work.ink.mm_per_px

    def is_known(points: Points) -> bool:
        sample = [(float(x), float(y)) for x, y in points[:: max(1, len(points) // 30)]]
        return any(all(abs(cv2.pointPolygonTest(e, p, measureDist=True)) < reach for p in sample) for e in edges)

    return find_open_frame(work, [f.points for f in drawn], rims, is_known)


def on_pieces(
    texts: Sequence[TextBlock], things: Sequence[Points], papers: Sequence[Points], drawn: Sequence[Found]
) -> list[TextBlock]:
    """Return the blocks of text that may belong to a piece: all of them, unless all pieces lie on known sheets."""
    if not (things or papers) or not all(any(lies_in(f.points, p) for p in papers) for f in drawn):
        return list(texts)
    rings = [r.astype(np.float32).reshape(-1, 1, 2) for r in (*things, *papers)]
    return [t for t in texts if any(cv2.pointPolygonTest(r, t.centre, measureDist=False) >= 0 for r in rings)]


def _size_findings(sheet: Sheet, counts: list[int], size_line: int | None) -> list[Finding]:
    """Say when sizes were drawn into each other and none was chosen, or one that is not there."""
    most = max(counts, default=1)
    if most > 1 and size_line is None:
        message = (
            f"{most} sizes are drawn into each other; the largest was traced; choose one with --size-line 1 to {most}"
        )
        return [Finding(code="several-sizes", message=message, where=sheet.id)]
    if size_line is not None and any(1 < count < size_line for count in counts):
        fewest = min(count for count in counts if count > 1)
        message = f"size line {size_line} was not found on every piece; {fewest} sizes could be told apart on one"
        return [Finding(code="size-line-not-found", message=message, where=sheet.id)]
    return []


def _unseen_findings(sheet: Sheet, drawn: Sequence[Found]) -> list[Finding]:
    """Say where the line of a size was not seen apart from those of the others: it may be wrong there."""
    return [
        Finding(
            code="size-line-unseen",
            where=sheet.id,
            message=f"{piece.unseen_mm:.0f} mm of a size's line run too close to other sizes to be told apart; there "
            "it was laid by the grading of all sizes and may be off by some millimetres: look at the overlay",
        )
        for piece in drawn
        if piece.unseen_mm > 0
    ]


def _may_be_piece(thing: Thing, pixels: NDArray[np.uint8]) -> bool:
    """Return whether a thing that crosses the picture's border covers a part of it only: it is no table top."""
    low, high = thing.points.min(axis=0), thing.points.max(axis=0)
    spans = (high - low) > _SPAN_SHARE * np.array([pixels.shape[1], pixels.shape[0]])
    return not bool(spans.any())


def _place(sheet: Sheet, points_px: NDArray[np.float64]) -> tuple[float, float]:
    x, y = np.asarray(sheet.to_mm(PxPoints(points_px.mean(axis=0)[None])))[0]
    return float(x), float(y)


def _cut_off_findings(sheet: Sheet, places: list[tuple[float, float]]) -> list[Finding]:
    """Say where pieces are not wholly in the picture: they are left out, not closed along the border."""
    return [
        Finding(
            code="piece-runs-off",
            severity="warning",
            where=sheet.id,
            message=f"a piece near ({x:.0f}, {y:.0f}) mm runs off the picture or the paper and was left out; "
            "take the picture again with all of it in view",
        )
        for x, y in places
    ]


def _is_paper(body: NDArray[np.float64], light: float, drawn: list[Found], mm_per_px: float) -> bool:
    """Return whether a thing is a sheet with pieces drawn on it, and no piece itself.

    A stitching line drawn on a template runs parallel to its edge; pieces drawn on a sheet do not. Ink shows on light
    things only: what seems drawn on a dark one is its texture.
    """
    if light < DARKEST_PAPER:
        return False
    area = abs(polygon_area(body))
    return any(
        f.area < 0.92 * area and lies_in(f.points, body, 0.95) and not runs_parallel(f.points, body, mm_per_px)
        for f in drawn
    )
