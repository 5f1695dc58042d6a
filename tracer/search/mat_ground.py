"""The ground of a picture with a mat: the mat's own colour, read between the lines of its grid.

Beside crossings of lines that are seen lies the mat itself, whatever covers the rest of it and however much: so its
colour is known, and neither the table nor a large sheet of paper can be taken for the ground.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.ground import (
    CLASS_REACH,
    LEAST_DIFFERENCE,
    NOISE_FACTOR,
    Ground,
    View,
    compared,
    grow_class,
    spread_light,
    view_of,
)
from tracer.search.mat_grid import MatGrid
from tracer.search.raster import Window, as_mask, lengths

Floats = NDArray[np.float64]

LINE_HALF_MM = 0.5
"""Half the width of the heavier lines of a mat (common practice, no source)."""
_MOST_CROSSINGS = 700
_SEEDS = 60
_REACH = 3.0 * CLASS_REACH
"""How far the colour of a small place of the mat may be from the smooth surface through all, CIE Lab."""
_TERMS = 6


def read_mat_ground(pixels: NDArray[np.uint8], mm_per_px: float, grid: MatGrid) -> Ground | None:
    """Return the ground that a mat is; None where too few of its crossings are seen.

    Parameters
    ----------
    pixels : ndarray of uint8
    mm_per_px : float
    grid : MatGrid
    """
    view = view_of(pixels, mm_per_px)
    rows, columns = view.lab.shape[:2]
    surface = _surface(view, grid)
    if surface is None:
        return None
    scale, factor = view.mm_per_px, view.factor
    places = grid.places(Window(x=0, y=0, columns=columns, rows=rows, step=factor))
    off_line = np.abs(places[:, :, :2] - np.rint(places[:, :, :2]))
    away = np.minimum(off_line[:, :, 0], off_line[:, :, 1]) * np.float32(grid.lattice.pitch_mm)
    # A pixel of the view and the median over three have something of a line up to one and a half away.
    on_line = away < LINE_HALF_MM + 1.5 * scale
    inside = np.zeros((rows, columns), np.uint8)
    corners = np.rint((grid.outline_px + 0.5) / factor - 0.5).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(inside, [corners], 1)
    off = lengths(view.lab - surface)
    mat = (off < _REACH) & (inside > 0) & ~on_line
    light = spread_light(view.linear, mat, scale)
    distance, ratio, shadow = compared(view, light)
    calm = distance[mat]
    typical = float(np.median(calm)) if len(calm) else 1.0
    foreign = (distance > max(LEAST_DIFFERENCE, NOISE_FACTOR * typical)) & (inside > 0)
    # Whether a line of the grid is covered is told by what lies on both sides of it.
    side = 2 * int(np.ceil(LINE_HALF_MM / scale + 1.5)) + 3
    known = as_mask(~on_line & (inside > 0)).astype(np.float32)
    beside = cv2.boxFilter(known, -1, (side, side), normalize=False)
    covered = cv2.boxFilter(known * foreign, -1, (side, side), normalize=False)
    foreign = np.where(on_line, (covered > 0.5 * beside) & (inside > 0), foreign)
    return Ground(
        factor=factor, mm_per_px=scale, light=light, ratio=ratio, foreign=np.asarray(foreign, dtype=bool), shadow=shadow
    )


def _surface(view: View, grid: MatGrid) -> NDArray[np.float32] | None:
    """Return the colour that the mat has everywhere, CIE Lab: a smooth surface through what is seen in its cells."""
    rows, columns = view.lab.shape[:2]
    flanks = (grid.flanks_px + 0.5) / view.factor - 0.5
    seen = ((flanks >= 1) & (flanks < [columns - 2, rows - 2])).all(axis=(1, 2))
    flanks = flanks[seen]
    if len(flanks) < 12:
        return None
    flanks = flanks[:: max(1, len(flanks) // _MOST_CROSSINGS)]
    calm = cv2.blur(view.lab, (3, 3))
    x, y = np.rint(flanks).astype(np.intp).transpose(2, 0, 1)
    # The middle one of the four: one or two of them may be covered.
    colour = np.median(calm[y, x], axis=1).astype(np.float64)
    place = flanks.mean(axis=1) / [columns, rows] * 2 - 1
    ones = np.ones(len(colour))
    alike = (np.linalg.norm(colour[:, None] - colour[None], axis=2) < _REACH).sum(axis=1)
    best = np.zeros(len(colour), dtype=bool)
    for seed in np.argsort(-alike)[:: max(1, len(alike) // _SEEDS)][:3]:
        member = grow_class(int(seed), ones, place, colour, reach=_REACH)
        if member.sum() > best.sum():
            best = member
    if best.sum() < 12:
        return None
    terms = _terms(place[best])
    hold = np.diag([0.0, 0.02, 0.02, 0.1, 0.1, 0.1]) * 0.2
    normal = terms.T @ terms / best.sum() + hold + 1e-9 * np.eye(_TERMS)
    solution = np.linalg.solve(normal, terms.T @ colour[best] / best.sum())
    return _spread(solution, rows, columns)


def _spread(solution: Floats, rows: int, columns: int) -> NDArray[np.float32]:
    """Return a surface of the terms of :func:`_terms` everywhere, shape (rows, columns, 3).

    Along each row it is a polynomial of the place across, with coefficients that are polynomials of the place down.
    """
    across, down = np.arange(columns) / columns * 2 - 1, (np.arange(rows) / rows * 2 - 1)[:, None]
    one, x, y, xx, xy, yy = solution
    along = np.stack([one + y * down + yy * down**2, x + xy * down, np.broadcast_to(xx, (rows, 3))], axis=2)
    powers = np.stack([np.ones(columns), across, across**2]).astype(np.float32)
    return np.ascontiguousarray((along.astype(np.float32) @ powers).transpose(0, 2, 1))


def _terms(place: Floats) -> Floats:
    x, y = place[:, 0], place[:, 1]
    return np.stack([np.ones(len(place)), x, y, x**2, x * y, y**2], axis=1)
