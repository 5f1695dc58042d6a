"""The grid of a mat, predicted from the reference that set the scale.

Where the grid of the mat lies beneath and beside a pattern is known to a fraction of a millimetre, so its lines are
told from drawn ones by their place, their direction and their weight, not by their look alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import MmPoints, PxPoints, Sheet, UnitError, parse_length_mm
from calibration.references import Reference
from tracer.ink import Ink
from tracer.search.bumps import usual
from tracer.search.graph import LineGraph

NEAR_MM = 0.7
"""Lines this close to where the grid should be may be the grid: half its line and what is left of the lens."""
END_PX, ASLANT = 2.0, 0.05
"""A line of the grid runs as the grid does: its ends lie so far off as thinning leaves them, and the lens so much."""
FEWEST_LINES = 8
"""A grid seen through tissue shows so many of its lines; fewer are drawn ones that happen to lie on it (judgement)."""
_ALONG, _BESIDE_MM = (-0.4, -0.3, -0.2, 0.2, 0.3, 0.4), 1.3
"""A grid's lines are looked at so many pitches beside its crossings, and the ground so far beside them."""
_MOST_ROWS = 30_000
_PARTS, _FINEST_MM, _FEWEST_PAIRS, _MOST_PAIRS, _THIN, _MOSTLY = (5, 4, 3, 2), 4.0, 12, 150, 0.08, 0.85
"""A mat read by its heavier lines may have so many parts to a cell, no finer than this; its thin lines stand out by so
much of what the heavier ones do, in so many of the places where the mat is bare (judgement)."""
_LEAST_CODES = 3.0
"""Differences in light smaller than this (of 255) are noise."""
HEAVIER = 1.7
"""A line so much heavier than the grid's own is drawn on top of it (common practice, no source)."""
DARKER = 1.3
"""So much darker, at least, is what is drawn on top of a line of the grid (judgement)."""
CROSSING_ARMS, LEAST_ARM = 3, 0.25
"""Arms of a crossing, less one at the grid's border (geometry), and how long they are at least, in pitches."""
LONGEST_PRINTED = 1.5
"""A line aslant crosses one of the grid after no more pitches (geometry)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lattice:
    """A square grid in the sheet's millimetres: ``turn`` (2, 2) and ``shift`` take them to steps of ``pitch_mm``.

    The mat was read by every so many of its lines (``parts``); the others lie between.
    """

    turn: NDArray[np.float64]
    shift: NDArray[np.float64]
    pitch_mm: float
    parts: int = 1

    def distance_mm(self, mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the distance of points (N, 2) to the nearest line across x and across y, shape (N, 2)."""
        at = (mm @ self.turn.T + self.shift) / self.pitch_mm
        return np.asarray(np.abs(at - np.rint(at)) * self.pitch_mm)


def mat_reference(sheet: Sheet) -> Reference | None:
    """Return the mat under the sheet, if one was found."""
    return next((r for r in (sheet.reference, *sheet.others) if r.kind == "mat"), None)


def find_lattice(sheet: Sheet) -> Lattice | None:
    """Return the mat's grid in the sheet's millimetres; None when there is no mat or it does not fit."""
    mat = mat_reference(sheet)
    if mat is None or len(mat.points_px) < 4:
        return None
    try:
        pitch = parse_length_mm(mat.size)
    except UnitError:
        return None
    here = np.asarray(sheet.to_mm(mat.points_px), dtype=np.float64)
    there = np.asarray(mat.points_mm, dtype=np.float64)
    # Rotation and shift between the two frames (Procrustes; Kabsch 1976).
    a, b = here - here.mean(axis=0), there - there.mean(axis=0)
    u, _, vt = np.linalg.svd(b.T @ a)
    turn = u @ np.diag([1.0, float(np.sign(np.linalg.det(u @ vt)))]) @ vt
    moved = here @ turn.T
    # Nodes may be counted from anywhere: the lines lie where most points are, modulo the pitch.
    phase = np.angle(np.exp(2j * np.pi * moved / pitch).mean(axis=0)) / (2 * np.pi) * pitch
    lattice = Lattice(turn=turn, shift=-phase, pitch_mm=pitch)
    return _divided(lattice, sheet, mat) if float(np.median(lattice.distance_mm(here))) < 1.0 else None


def _divided(lattice: Lattice, sheet: Sheet, mat: Reference) -> Lattice:
    """Return the lattice of all lines, where the mat was read by its heavier ones alone: half inches between inches."""
    seen = np.asarray(sheet.to_mm(mat.points_px), dtype=np.float64) @ lattice.turn.T + lattice.shift
    nodes = np.unique(np.rint(seen / lattice.pitch_mm), axis=0)
    heavy = _standing_out(lattice, sheet, nodes, 1)
    if len(heavy) < _FEWEST_PAIRS:
        return lattice
    usual = float(np.median(heavy))
    for parts in _PARTS:
        if lattice.pitch_mm / parts < _FINEST_MM:
            continue
        lines = _standing_out(lattice, sheet, nodes, parts) / usual
        if len(lines) >= _FEWEST_PAIRS and float((lines > _THIN).all(axis=1).mean()) > _MOSTLY:
            return replace(lattice, pitch_mm=lattice.pitch_mm / parts, parts=parts)
    return lattice


def _standing_out(lattice: Lattice, sheet: Sheet, nodes: NDArray[np.float64], parts: int) -> NDArray[np.float64]:
    """Return by how much lighter than both sides lines are that divide a lattice into parts, (N, 2).

    They are looked at between neighbouring crossings that were seen; one part stands for the lattice's own lines.
    """
    pitch = lattice.pitch_mm
    beside = min(_BESIDE_MM, 0.3 * pitch / parts)
    known = {(int(x), int(y)) for x, y in nodes}
    # Between the lines that run the other way, if they divide it too.
    along = (np.arange(parts) + 0.5) / parts - 0.5 if parts > 1 else np.array(_ALONG)
    out = []
    for axis in (0, 1):
        across, way = np.eye(2)[axis], np.eye(2)[1 - axis]
        pairs = np.array([n for n in nodes if (int(n[0] + across[0]), int(n[1] + across[1])) in known])
        if not len(pairs):
            continue
        pairs = pairs[:: max(1, len(pairs) // _MOST_PAIRS)]
        for k in range(1, parts) if parts > 1 else (0,):
            line = ((pairs + across * k / parts)[:, None] + along[:, None] * way) * pitch
            rows = [line.reshape(-1, 2) + shift * across for shift in (0.0, -beside, beside)]
            px = [np.asarray(sheet.to_px(MmPoints((row - lattice.shift) @ lattice.turn))) for row in rows]
            on, one, other = (
                _light_at(sheet.picture.pixels, p.astype(np.float32)).reshape(len(pairs), -1).mean(axis=1) for p in px
            )
            out.append(np.stack([on - one, on - other], axis=1))
    return np.concatenate(out) if out else np.zeros((0, 2))


def is_dark(lattice: Lattice, sheet: Sheet) -> bool:
    """Return whether the grid's lines are darker than what they are printed on: light ones leave no ink.

    Asked is the picture beside those of the grid's crossings that were seen. What runs beside light lines is drawn,
    however close to them and however exactly along them.
    """
    mat = mat_reference(sheet)
    if mat is None:
        return False
    pitch = lattice.pitch_mm
    seen = np.asarray(sheet.to_mm(mat.points_px), dtype=np.float64) @ lattice.turn.T + lattice.shift
    nodes = np.rint(seen / pitch) * pitch
    light = sheet.picture.pixels
    votes = 0
    for axis in (0, 1):
        across, along = np.eye(2)[axis], np.eye(2)[1 - axis]
        line = (nodes[:, None] + np.array(_ALONG)[:, None] * pitch * along).reshape(-1, 2)
        rows = [line + shift * across for shift in (-_BESIDE_MM, 0.0, _BESIDE_MM)]
        px = [np.asarray(sheet.to_px(MmPoints((row - lattice.shift) @ lattice.turn)), dtype=np.float32) for row in rows]
        one, on, other = (_light_at(light, points) for points in px)
        votes += int((on < np.minimum(one, other) - _LEAST_CODES).sum())
        votes -= int((on > np.maximum(one, other) + _LEAST_CODES).sum())
    return votes > 0


def _light_at(pixels: NDArray[np.uint8], points_px: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how light a picture is at points (N, 2): the mean of its channels, 0 to 255, shape (N,)."""
    parts = [
        cv2.remap(pixels, p[:, :1], p[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).reshape(len(p), -1)
        for p in np.array_split(points_px, max(1, -(-len(points_px) // _MOST_ROWS)))
    ]
    return np.asarray(np.concatenate(parts).mean(axis=1), dtype=np.float32)


def grid_edges(graph: LineGraph, ink: Ink, sheet: Sheet, lattice: Lattice) -> set[int]:
    """Return the edges of a line graph that are lines of the mat's grid."""
    along: dict[int, tuple[int, int]] = {}
    for index, edge in enumerate(graph.edges):
        if edge.bridge or len(edge.points) < 2:
            continue
        sample = edge.points[:: max(1, len(edge.points) // 24)]
        mm = np.asarray(sheet.to_mm(PxPoints(ink.to_picture(sample))), dtype=np.float64)
        away = lattice.distance_mm(mm)
        for axis in (0, 1):
            if float((away[:, axis] < NEAR_MM).mean()) < 0.85:
                continue
            ends = mm[[0, -1]] @ lattice.turn.T
            span = np.abs(ends[1] - ends[0])
            # It must run along the grid line, not merely cross it at a narrow angle.
            if span[axis] < END_PX * ink.mm_per_px + ASLANT * span[1 - axis] or edge.length * ink.mm_per_px < 2.5:
                place = float(np.median(mm @ lattice.turn[axis] + lattice.shift[axis]))
                along[index] = (axis, round(place / lattice.pitch_mm))
                break
    if len(set(along.values())) < FEWEST_LINES:
        return set()
    mass, depth = (usual(graph, list(along), quality) for quality in ("mass", "depth"))
    # A short stretch seems heavier by what it runs into, but not darker.
    heavy = {i for i in along if graph.edges[i].mass >= HEAVIER * mass and graph.edges[i].depth >= DARKER * depth}
    pitch_px = lattice.pitch_mm / ink.mm_per_px
    bare = _bare(graph, {i: along[i] for i in heavy}, LEAST_ARM * pitch_px)
    # Nothing but what is printed on the mat too runs into its bare lines: ticks, slanting lines.
    crossed = {n for i in bare for n in (graph.edges[i].start, graph.edges[i].end)}
    printed = {
        i
        for i, edge in enumerate(graph.edges)
        if (edge.start in crossed or edge.end in crossed) and edge.length < LONGEST_PRINTED * pitch_px
    }
    return (along.keys() - heavy) | bare | printed


def _bare(graph: LineGraph, heavy: dict[int, tuple[int, int]], least_px: float) -> set[int]:
    """Return which of some edges, heavier than the grid is where it is seen through tissue, are its lines beside it.

    There they cross each other, as two sides of a piece do not that meet in a corner; and go on along the same line.
    Shorter arms than ``least_px`` may be heavy by what they run into.
    """
    arms: dict[int, list[int]] = {}
    for index in heavy:
        for node in {graph.edges[index].start, graph.edges[index].end}:
            arms.setdefault(node, []).append(index)
    out: set[int] = set()
    found = [
        i
        for around in arms.values()
        if len(around) >= CROSSING_ARMS and len({heavy[i][0] for i in around if graph.edges[i].length > least_px}) == 2
        for i in around
    ]
    while found:
        index = found.pop()
        if index in out:
            continue
        out.add(index)
        edge = graph.edges[index]
        found += [i for node in (edge.start, edge.end) for i in arms[node] if heavy[i] == heavy[index]]
    return out
