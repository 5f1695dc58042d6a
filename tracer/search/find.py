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
from calibration.hands import share_out
from calibration.light import SRGB_TO_LINEAR
from tracer.candidate import Candidate, EdgeReader, RoughOutline
from tracer.ink import Ink, find_ink
from tracer.labels import TextLine
from tracer.piece import Mark
from tracer.reading.models import can_read_words
from tracer.reading.read import read_words, without_repeats
from tracer.search.choose import choose_sizes
from tracer.search.crosses import find_crosses, without_crosses
from tracer.search.drawn import LineWork, lies_in, read_line_work
from tracer.search.edges import Bodies, Thing, find_bodies, find_edge, ground_sheets, without_grid
from tracer.search.frames import OpenFrame, find_open_frame
from tracer.search.graph import LineGraph, Points
from tracer.search.ground import to_rgb
from tracer.search.lattice import find_lattice, grid_edges, mat_reference
from tracer.search.lettering import lettering_mask
from tracer.search.loops import polygon_area
from tracer.search.mark_finder import MarkFinder
from tracer.search.mark_sheet import PAPER_EDGE_MM
from tracer.search.marks import runs_parallel
from tracer.search.marks_text import TextBlock
from tracer.search.mat_edge import EdgeOnMat
from tracer.search.mat_grid import find_grid
from tracer.search.mat_ink import without_mat_print
from tracer.search.mat_light import OnMat
from tracer.search.pieces import Found, find_pieces, usual
from tracer.search.spots import are_spots
from tracer.search.stands_out import stands_out
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

Progress = Callable[[str, float], None]

DARKEST_PAPER = 0.12
"""Linear light of the darkest paper that is drawn on, brown paper in the shade (common practice, no source)."""
LEAST_DASHES, DASH_SHARE = 8, 0.08
"""A line with so many spaces, and this share of its length in them, is dashed (common practice, no source)."""
_NO_WORDS = Finding(
    code="no-words",
    severity="note",
    message="there are words on the sheet but nothing to read them with; pip install 'tracewheel[words]' gives names",
)
_SPAN_SHARE = 0.9
_MOST_CLOSER = 40
"""So many blocks of text at most are looked at again from closer by; more of them are no words (judgement)."""
_DOUBTFUL_PX, _MOST_IN_RUN = 0.2, 40
"""Neighbouring places of an edge that may be off by so much are off together, over so many (judgement)."""
_COVERS_ALL = ("mat", "sheet", "density", "page", "target")


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
    report("ink", 0.0)
    ink = find_ink(pixels, scale)
    excluded = _reference_mask(sheet, ink)
    mat = mat_reference(sheet)
    grid = find_grid(sheet)
    lattice = find_lattice(sheet)
    foreign = None if lattice is None else lambda graph: grid_edges(graph, ink, sheet, lattice)

    def line_work(*, bundled: bool) -> LineWork:
        return read_line_work(
            ink,
            excluded,
            foreign,
            lambda points: np.asarray(sheet.to_mm(ink.to_picture(points)), dtype=np.float64) / ink.mm_per_px,
            bundled=bundled,
        )

    seen = on_seen or (lambda _outlines: None)
    report("lines", 0.3)
    # Lines and things cut out are found side by side: both spend their time in compiled code. On a mat, what lies on it
    # tells what is printed on it; there the things come first.
    with ThreadPoolExecutor(max_workers=2) as pool:
        finding = pool.submit(find_bodies, pixels, scale, excluded, grid)
        if grid is not None:
            ink = without_mat_print(ink, finding.result())
        reading = pool.submit(line_work, bundled=size_line is not None)
        bodies = finding.result()
        if bodies.things:
            seen([PxPoints(bodies.outline_px(k)) for k in range(len(bodies.things))])
        work = reading.result()
    report("pieces", 0.7)
    texts = [t for t in work.texts if not are_spots(t, ink.mask, ink.mm_per_px)]
    drawn, other = find_pieces(work, texts)
    things: list[Thing] = []
    cut_off: list[tuple[float, float]] = []
    papers = [ink.from_picture(p) for p in ground_sheets(bodies)] if mat is not None else []
    papers += [
        ink.from_picture(r.outline_px)
        for r in (sheet.reference, *sheet.others)
        if r.kind == "sheet" and len(r.outline_px) >= 3
    ]
    coarse = [ink.from_picture(bodies.outline_px(k)) for k in range(len(bodies.things))]
    # Where pieces are drawn on the ground it is a sheet, and what crosses the picture's border lies beside the sheet.
    on_sheet = any(not any(lies_in(f.points, body) for body in coarse) for f in drawn)
    sought = [not _is_paper(body, bodies.light(k), drawn, ink.mm_per_px) for k, body in enumerate(coarse)]
    papers += [body for body, is_thing in zip(coarse, sought, strict=True) if not is_thing]
    for thing in share_out(lambda k: find_edge(pixels, scale, bodies, k), [k for k, s in enumerate(sought) if s]):
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
    findings: list[Finding] = []
    drawn, counts = choose_sizes(work, drawn, other, size_line)
    if size_line is None and max(counts, default=1) > 1:
        # Sizes drawn into each other run together to bands that are no spots: the lines are read again for it.
        work = line_work(bundled=True)
        drawn, other = find_pieces(work, texts)
        drawn, counts = choose_sizes(work, drawn, other, size_line)
    findings += _size_findings(sheet, counts, size_line)
    seen([*(ink.to_picture(f.points) for f in drawn), *(PxPoints(t.points) for t in things)])
    lines: list[TextLine] = []
    frames = [work.loops[i].points for i, kind in other.items() if kind == "frame"]
    tables = [work.loops[i].points for i, kind in other.items() if kind == "table"]
    around = None if _is_framed(drawn, frames) else _open_frame(work, drawn, other, papers)
    frames += [] if around is None else [around.points]
    crosses = find_crosses(work.graph, ink.mask, scale)
    if words and texts:
        if can_read_words():
            report("words", 0.75)
            # What a mat has printed on it beside things cut out is no label of theirs.
            legible = _on_pieces(texts, [ink.from_picture(t.points) for t in things], papers, drawn)
            regions = word_regions(legible, ink, tables, work.small) + lone_letters(work, legible, frames)
            regions += [square_region(r, scale) for r in (sheet.reference, *sheet.others) if r.kind == "square"]
            lines = read_words(pixels, regions)
            rings = [*(f.points for f in drawn), *(ink.from_picture(t.points) for t in things)]
            missed = unread(legible, lines, ink, work.small, rings)
            closer = word_regions(missed, ink, (), work.small) + beside_labels(lines, rings, ink)
            if 0 < len(closer) <= _MOST_CLOSER:
                lines += read_words(pixels, closer, closer=True)
                lines = without_repeats(lines)
            lines = without_crosses(
                without_shapes(lines, work.small, ink), crosses, lambda n: ink.from_picture(np.array(n.box))
            )
        else:
            findings.append(_NO_WORDS)
    drawn += nested_pieces(work, texts, drawn, other, lines)
    report("marks", 0.9)
    if not all(any(lies_in(f.points, p) for p in papers) for f in drawn):
        papers = []
    elif things:
        papers += [ink.from_picture(t.points) for t in things]
    outlines = [f.points for f in drawn] + [ink.from_picture(t.points) for t in things]
    marker = MarkFinder(sheet, work, outlines, papers, len(things))
    marker.usual_mass = float(np.median([f.mass for f in drawn])) if drawn else 0.0
    marker.references()
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
    marker.strokes(drawn, taken, lettering_mask(work, lines, texts, tables))
    candidates = [_drawn_candidate(work, found, pixels, marker.pieces[k].holes) for k, found in enumerate(drawn)]
    candidates += [_edge_candidate(thing, pixels, bodies) for thing in things]
    cut_off += [(float(x), float(y)) for x, y in marker.cut_off]
    findings += _cut_off_findings(sheet, cut_off)
    labels = labels_of(lines, marker, len(candidates))
    named = [
        replace(candidate, marks=tuple(marked.marks), name=label.name, cut=label.cut)
        for candidate, marked, label in zip(candidates, marker.pieces, labels, strict=True)
    ]
    report("pieces", 1.0)
    return SearchResult(
        candidates=tuple(_reading_order(named)),
        edge_pixels=without_grid(pixels, things),
        sheet_marks=tuple(marker.loose),
        findings=tuple(findings),
    )


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


def _on_pieces(
    texts: Sequence[TextBlock], things: Sequence[Points], papers: Sequence[Points], drawn: Sequence[Found]
) -> list[TextBlock]:
    """Return the blocks of text that may belong to a piece: all of them, unless there are only things cut out."""
    if not things or drawn:
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


def _reference_mask(sheet: Sheet, ink: Ink) -> NDArray[np.uint8]:
    mask = np.zeros(ink.mask.shape, dtype=np.uint8)
    for reference in (sheet.reference, *sheet.others):
        if reference.kind in _COVERS_ALL or len(reference.outline_px) < 3:
            continue
        _fill(mask, ink.from_picture(reference.outline_px), margin_px=1.0 / ink.mm_per_px)
    return mask


def _fill(mask: NDArray[np.uint8], polygon: NDArray[np.float64], *, margin_px: float) -> None:
    """Mark a polygon and a margin around it."""
    corners = np.rint(polygon).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(mask, [corners], 255)
    cv2.polylines(mask, [corners], isClosed=True, color=255, thickness=max(1, round(2 * margin_px)))


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


def _reading_order(candidates: list[Candidate]) -> list[Candidate]:
    """Order top to bottom in bands, left to right in each."""
    boxes = [(c.outline.points_px.min(axis=0), c.outline.points_px.max(axis=0)) for c in candidates]
    left = sorted(range(len(candidates)), key=lambda i: float(boxes[i][0][1]))
    order: list[int] = []
    while left:
        first = left[0]
        top, bottom = float(boxes[first][0][1]), float(boxes[first][1][1])
        limit = top + 0.5 * (bottom - top)
        band = [i for i in left if float(boxes[i][0][1]) < limit]
        order += sorted(band, key=lambda i: float(boxes[i][0][0]))
        left = [i for i in left if i not in band]
    return [candidates[i] for i in order]


def _edge_candidate(thing: Thing, pixels: NDArray[np.uint8], bodies: Bodies) -> Candidate:
    def rough(points: NDArray[np.float64], index: int) -> RoughOutline:
        return RoughOutline(
            points_px=PxPoints(points),
            kind="edge",
            line_width_px=0.0,
            colour_weights=thing.weights,
            obscured=np.zeros(len(points), dtype=bool),
            bridged=np.zeros(len(points), dtype=bool),
            reader=_reader(thing, pixels, bodies, index),
            hole=index > 0,
        )

    return Candidate(
        outline=rough(thing.points, 0), holes=tuple(rough(h, k) for k, h in enumerate(thing.holes, start=1))
    )


def _reader(thing: Thing, pixels: NDArray[np.uint8], bodies: Bodies, index: int) -> EdgeReader | None:
    """Return what reads the outline (0) or a hole of a thing beside a mat's lines."""
    line = thing.lines[index] if thing.lines else None
    if line is None or thing.colour is None or bodies.grid is None or bodies.look is None:
        return None
    on = OnMat(
        pixels=to_rgb(pixels),
        grid=bodies.grid,
        look=bodies.look,
        ground=bodies.ground,
        thing=thing.colour,
        hole=index > 0,
    )
    return EdgeOnMat(line=line, on=on)


def _drawn_candidate(
    work: LineWork, found: Found, pixels: NDArray[np.uint8], holes: list[NDArray[np.float64]]
) -> Candidate:
    """Turn a cutting line into a rough outline with its obscured stretches, and the holes drawn in it."""
    ink, graph = work.ink, work.graph
    degrees = graph.degrees()
    width = usual(graph, [s.edge for s in found.stretches], "width")
    near = max(3.0, 1.5 * width)
    spaces = _regular_spaces(graph, found)
    hidden, bridged = [], []
    for stretch in found.stretches:
        edge, count = graph.edges[stretch.edge], len(stretch.points)
        along = np.arange(count)
        mask = np.full(count, stretch.given_back or edge.bridge)
        for node in (edge.start, edge.end):
            if degrees[node] > 2:
                far = np.hypot(*(stretch.points - graph.nodes[node]).T)
                mask |= (far < near) & ((along < 3 * near) | (along > count - 3 * near))
        hidden.append(mask)
        bridged.append(np.full(count, edge.bridge and not edge.hidden and stretch.edge not in spaces))
    obscured, gap = np.concatenate(hidden), np.concatenate(bridged)
    points = found.points
    distinct = np.hypot(*(points - np.roll(points, 1, axis=0)).T) > 1e-6
    obscured, gap = obscured[distinct], gap[distinct]
    outline = ink.to_picture(points[distinct])
    weights, line_width_px = _line_look(pixels, outline, ~obscured, max(1.0, width * ink.factor))
    notes = ["the cutting line is dashed"] if spaces else []
    gaps: list[float] = []
    under: list[float] = []
    for stretch in found.stretches:
        edge = graph.edges[stretch.edge]
        if edge.bridge and stretch.edge not in spaces:
            (under if edge.hidden else gaps).append(edge.length * ink.mm_per_px)
    if gaps:
        places = "1 place" if len(gaps) == 1 else f"{len(gaps)} places"
        notes.append(f"the line is broken in {places} (up to {max(gaps):.1f} mm); it was carried across")
    if under:
        notes.append(f"the line runs under lettering for {sum(under):.0f} mm; it was carried across")
    return Candidate(
        outline=RoughOutline(
            points_px=outline,
            kind="drawn",
            line_width_px=line_width_px,
            colour_weights=weights,
            obscured=obscured,
            bridged=gap,
        ),
        holes=tuple(
            RoughOutline(
                points_px=ink.to_picture(ring),
                kind="drawn",
                line_width_px=line_width_px,
                colour_weights=weights,
                obscured=np.zeros(len(ring), dtype=bool),
                bridged=np.zeros(len(ring), dtype=bool),
            )
            for ring in holes
        ),
        notes=tuple(notes),
    )


def _regular_spaces(graph: LineGraph, found: Found) -> set[int]:
    """Return the bridges that are the spaces of a dashed cutting line: many, and of about one length."""
    bridges = [s.edge for s in found.stretches if graph.edges[s.edge].bridge and not graph.edges[s.edge].hidden]
    dashes = [graph.edges[s.edge].length for s in found.stretches if not graph.edges[s.edge].bridge]
    total = sum(dashes) + sum(graph.edges[i].length for i in bridges)
    if len(bridges) < LEAST_DASHES or sum(graph.edges[i].length for i in bridges) < DASH_SHARE * total:
        return set()
    usual_space = float(np.median([graph.edges[i].length for i in bridges]))
    return {i for i in bridges if graph.edges[i].length < 2.2 * usual_space}


def _line_look(
    pixels: NDArray[np.uint8], points: PxPoints, clear: NDArray[np.bool_], width_px: float
) -> tuple[NDArray[np.float64], float]:
    """Return a line's colour weights and its width between half levels, from profiles across it.

    The weights on linear R, G, B are the direction from the line's colour to its ground's, so that the line is as
    dark as can be. Profiles are lined up on their darkest point before the middle one (median) is taken.
    """
    at = np.flatnonzero(clear) if clear.sum() > 20 else np.arange(len(points))
    at = at[:: max(1, len(at) // 300)]
    tangent = points[(at + 4) % len(points)] - points[at - 4]
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-9)[:, None]
    reach = 2.0 * width_px + 3.0
    offsets = np.linspace(-reach, reach, 2 * int(4 * reach) + 1)
    where = points[at][:, None, :] + offsets[None, :, None] * normal[:, None, :]
    profiles = _sample_linear(pixels, where)
    grey = profiles.mean(axis=2)
    middle = len(offsets) // 2
    core = np.abs(offsets) <= 0.75 * width_px + 1.5
    lowest = np.flatnonzero(core)[np.argmin(grey[:, core], axis=1)]
    # The darkest sample of a broad flat line may be anywhere in it: line up on the middle of what is dark.
    floor, roof = grey[np.arange(len(at)), lowest], np.median(grey, axis=1)
    dark = (grey < ((floor + roof) / 2)[:, None]) & core[None, :]
    centre = (dark * np.arange(len(offsets))).sum(axis=1) / np.maximum(dark.sum(axis=1), 1)
    shift = np.rint(np.where(dark.any(axis=1), centre, lowest)).astype(int) - middle
    index = np.clip(np.arange(len(offsets))[None, :] + shift[:, None], 0, len(offsets) - 1)
    level = np.median(np.take_along_axis(profiles, index[:, :, None], axis=1), axis=0)
    side = np.median(level[np.abs(offsets) > 0.8 * reach], axis=0)
    difference = np.maximum(side - level[middle], 0.0)
    total = float(difference.sum())
    weights = difference / total if total > 1e-6 else np.full(3, 1 / 3)
    signal = level @ weights
    half = (float(side @ weights) + float(signal[middle])) / 2
    right = int(np.argmax(signal[middle:] > half))
    left = int(np.argmax(signal[middle::-1] > half))
    measured = (right + left - 1) * float(offsets[1] - offsets[0]) if right and left else width_px
    return weights, max(1.0, measured)


def _sample_linear(pixels: NDArray[np.uint8], where: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return linear RGB by bilinear reading at points of shape (..., 2)."""
    x = np.clip(where[..., 0], 0, pixels.shape[1] - 1.001)
    y = np.clip(where[..., 1], 0, pixels.shape[0] - 1.001)
    x0, y0 = x.astype(np.int64), y.astype(np.int64)
    fx, fy = (x - x0)[..., None], (y - y0)[..., None]
    x1, y1 = np.minimum(x0 + 1, pixels.shape[1] - 1), np.minimum(y0 + 1, pixels.shape[0] - 1)

    def read(rows: NDArray[np.int64], columns: NDArray[np.int64]) -> NDArray[np.float64]:
        value = SRGB_TO_LINEAR[pixels[rows, columns]].astype(np.float64)
        return np.repeat(value[..., None], 3, axis=-1) if pixels.ndim == 2 else value

    top = read(y0, x0) * (1 - fx) + read(y0, x1) * fx
    bottom = read(y1, x0) * (1 - fx) + read(y1, x1) * fx
    return np.asarray(top * (1 - fy) + bottom * fy)
