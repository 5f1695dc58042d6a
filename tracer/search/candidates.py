"""What was found, turned into candidates: rough outlines that know how to be read at full size, in reading order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration import PxPoints
from calibration.light import SRGB_TO_LINEAR
from tracer.candidate import Candidate, EdgeReader, RoughOutline
from tracer.search.bodies import Bodies
from tracer.search.bumps import usual
from tracer.search.drawn import LineWork
from tracer.search.edges import Thing
from tracer.search.graph import LineGraph
from tracer.search.ground import to_rgb
from tracer.search.laid import SIGMA_MM as LAID_SIGMA_MM
from tracer.search.laid import LaidLine
from tracer.search.mat_edge import EdgeOnMat
from tracer.search.mat_light import OnMat
from tracer.search.pieces import Found

LEAST_DASHES, DASH_SHARE = 8, 0.08
"""A line with so many spaces, and this share of its length in them, is dashed (common practice, no source)."""

_LETTERED = "marks as light as what lies below it look like letters: they were not taken for holes"


def reading_order(candidates: list[Candidate]) -> list[Candidate]:
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


def edge_candidate(thing: Thing, pixels: NDArray[np.uint8], bodies: Bodies) -> Candidate:
    """Turn a thing cut out into rough outlines, of itself and of its holes."""

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
            beyond_px=None if index > 0 else thing.beyond_px,
        )

    return Candidate(
        outline=rough(thing.points, 0),
        holes=tuple(rough(h, k) for k, h in enumerate(thing.holes, start=1)),
        notes=(_LETTERED,) if thing.lettered else (),
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


def drawn_candidate(
    work: LineWork, found: Found, pixels: NDArray[np.uint8], holes: list[NDArray[np.float64]]
) -> Candidate:
    """Turn a cutting line into a rough outline with its obscured stretches, and the holes drawn in it."""
    ink, graph = work.ink, work.graph
    degrees = graph.degrees()
    width = usual(graph, [s.edge for s in found.stretches], "width")
    near = max(3.0, 1.5 * width)
    spaces = _regular_spaces(graph, found)
    hidden, bridged, laid = [], [], []
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
        laid.append(np.full(count, stretch.laid))
    obscured, gap, graded = (np.concatenate(flags) for flags in (hidden, bridged, laid))
    points = found.points
    distinct = np.hypot(*(points - np.roll(points, 1, axis=0)).T) > 1e-6
    obscured, gap, graded = obscured[distinct], gap[distinct], graded[distinct]
    outline = ink.to_picture(points[distinct])
    weights, line_width_px = _line_look(pixels, outline, ~obscured, max(1.0, width * ink.factor))
    sigma_px = LAID_SIGMA_MM / ink.mm_per_px * ink.factor
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
            reader=LaidLine(points_px=np.asarray(outline)[graded], sigma_px=sigma_px) if graded.any() else None,
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
