"""What is printed at the border of a mat: figures at the ends of its lines, ticks between them.

Lines to quilt along, tables and plans are grids of dark lines on light too, and their number of cells is that of some
mat by chance. A mat is an instrument to measure with: its lines are counted by figures beside their ends, or divided
by ticks along the border, mostly both (common practice, no source). Nobody writes those beside lines to sew along.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.picture import MmPoints
from calibration.references.mat.grow import GridPicture, Lattice
from calibration.references.mat.profiles import measure

Array = NDArray[np.float64]

_TICK_CELLS = 0.12
"""Ticks are followed this far inwards from the border; those of half an inch are 1/8 in long and more (judgement)."""
_SIGNIFICANT, _OFF_PX = 4.0, 1.0
_FEWEST_CELLS = 6
_TICKED = 0.5
"""Share of the cells along one side of the border that have a tick in their middle."""
_FIGURE_CELLS = (0.06, 0.36)
"""Figures stand so far outside of the border, in cells."""
_BESIDE_CELLS = 0.2
_STEPS = 24
_DARK = 0.35
"""Figures are at least this part as dark as the lines."""
_COVERED = 0.35
"""Figures leave most of the ground free: three tenths of it being so much darker is the edge of something."""
_FEWEST_FIGURES, _FIGURES, _FIGURES_BETWEEN = 4, 0.15, 0.35
"""At least so many line ends have figures (every fifth), and at most this part as often is anything between two."""


def is_marked(picture: GridPicture, lattice: Lattice) -> bool:
    """Whether ticks or figures stand along any side of a lattice's border."""
    return any(
        _has_ticks(picture, lattice, axis, edge, outward) or _has_figures(picture, lattice, axis, edge, outward)
        for axis in (0, 1)
        for edge, outward in ((int(lattice.nodes[:, axis].min()), -1), (int(lattice.nodes[:, axis].max()), 1))
    )


def _cells_along(lattice: Lattice, axis: int, edge: int) -> NDArray[np.intp]:
    """Where the cells begin along whose outer side the border line is seen."""
    starts = np.rint(lattice.starts).astype(int)
    here = lattice.present.all(axis=1) & (starts[:, axis] == edge) & (lattice.ends[:, axis] == lattice.starts[:, axis])
    return np.unique(starts[here, 1 - axis])


def _at(axis: int, across: Array, along: Array) -> Array:
    """Lattice points from their coordinates across and along a border."""
    pair = (across, along) if axis == 0 else (along, across)
    return np.stack(np.broadcast_arrays(*pair), axis=-1)


def _has_ticks(picture: GridPicture, lattice: Lattice, axis: int, edge: int, outward: int) -> bool:
    cells = _cells_along(lattice, axis, edge)
    if len(cells) < _FEWEST_CELLS:
        return False
    middles = np.asarray(cells + 0.5, dtype=np.float64)
    # Halves of stretches are read: all of a tick is one half.
    starts = _at(axis, np.full(len(cells), float(edge)), middles)
    ends = _at(axis, np.full(len(cells), edge - 2.0 * outward * _TICK_CELLS), middles)
    got = measure(
        picture.light, lattice.fit.plane, starts, ends, reach_px=1.5, line_sigma_px=lattice.line_sigma_px,
        light_on_dark=lattice.light_on_dark, samples=9, step_px=0.5,
    )  # fmt: skip
    with np.errstate(invalid="ignore"):
        seen = (got.significance[:, 0] > _SIGNIFICANT) & (np.abs(got.offsets_px[:, 0]) < _OFF_PX)
    return bool(seen.mean() > _TICKED)


def _has_figures(picture: GridPicture, lattice: Lattice, axis: int, edge: int, outward: int) -> bool:
    cells = _cells_along(lattice, axis, edge)
    if len(cells) < _FEWEST_CELLS:
        return False
    aside = np.linspace(-_BESIDE_CELLS, _BESIDE_CELLS, 2 * int(_BESIDE_CELLS * _STEPS) + 1)
    away = edge + outward * np.linspace(*_FIGURE_CELLS, int(np.ptp(_FIGURE_CELLS) * _STEPS) + 1)
    rows, columns = picture.light.shape
    height = float(np.median(lattice.stretches.heights[lattice.present]))
    counts = []
    for phase in (0.0, 0.5):
        along = cells[:, None, None] + phase + aside[None, :, None]
        points = _at(axis, np.broadcast_to(away[None, None], (len(cells), len(aside), len(away))), along)
        px = np.asarray(lattice.fit.plane.to_px(MmPoints(points.reshape(-1, 2).astype(np.float64))), dtype=np.float32)
        inside = ((px >= 1) & (px < np.array([columns - 2, rows - 2]))).all(axis=1).reshape(len(cells), -1).all(axis=1)
        if inside.sum() < _FEWEST_CELLS:
            return False
        x, y = px.reshape(len(cells), -1, 2)[inside].transpose(2, 0, 1)
        light = cv2.remap(picture.light, np.ascontiguousarray(x), np.ascontiguousarray(y), cv2.INTER_LINEAR)
        ink, some, ground = np.percentile(light, (4, 30, 80), axis=1)
        dark = ground - ink
        counts.append(int(((dark > _DARK * height) & (ground - some < _COVERED * dark)).sum()))
    there, between = counts
    return there >= max(_FEWEST_FIGURES, _FIGURES * len(cells)) and between <= _FIGURES_BETWEEN * there
