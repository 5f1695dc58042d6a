"""The grid of a mat, predicted from the reference that set the scale.

Where the grid of the mat lies beneath and beside a pattern is known to a fraction of a millimetre, so its lines are
told from drawn ones by their place, their direction and their weight, not by their look alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import PxPoints, Sheet, UnitError, parse_length_mm
from calibration.references import Reference
from tracer.ink import Ink
from tracer.search.graph import LineGraph

NEAR_MM = 0.7
"""Lines this close to where the grid should be may be the grid: half its line and what is left of the lens."""
FEWEST_LINES = 8
"""A grid seen through tissue shows so many of its lines; fewer are drawn ones that happen to lie on it (judgement)."""
HEAVIER = 1.7
"""A line so much heavier than the grid's own is drawn on top of it (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lattice:
    """A square grid in the sheet's millimetres: ``turn`` (2, 2) and ``shift`` take them to steps of ``pitch_mm``."""

    turn: NDArray[np.float64]
    shift: NDArray[np.float64]
    pitch_mm: float

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
    return lattice if float(np.median(lattice.distance_mm(here))) < 1.0 else None


def grid_edges(graph: LineGraph, ink: Ink, sheet: Sheet, lattice: Lattice) -> set[int]:
    """Return the edges of a line graph that are lines of the mat's grid."""
    along: list[int] = []
    lines: set[tuple[int, int]] = set()
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
            # It must run along the grid line, not merely cross near one.
            if span[1 - axis] > 3.0 * span[axis] or edge.length * ink.mm_per_px < 2.5:
                along.append(index)
                lines.add(
                    (axis, round(float(np.median(mm @ lattice.turn[axis] + lattice.shift[axis]) / lattice.pitch_mm)))
                )
                break
    if len(lines) < FEWEST_LINES:
        return set()
    mass = np.array([graph.edges[i].mass for i in along])
    length = np.array([graph.edges[i].length for i in along])
    order = np.argsort(mass)
    share = np.cumsum(length[order])
    usual = float(mass[order[np.searchsorted(share, share[-1] / 2)]])
    return {i for i, m in zip(along, mass, strict=True) if m < HEAVIER * usual}
