"""What lies on the ground of a picture, seen coarsely: one mask for each thing, and the lines printed on the ground.

A thing is foreign to the ground, thick somewhere (no line, no lettering) and does not run off the picture. Its edge is
found at full size afterwards (:mod:`tracer.search.edges`).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import Points
from tracer.search.ground import Ground, read_ground, to_rgb
from tracer.search.mat_grid import GridLook, MatGrid, read_look
from tracer.search.mat_ground import read_mat_ground
from tracer.search.necks import joined_cores, with_narrow_parts
from tracer.search.raster import Mask, apart, as_mask, closed, filled, grown, opened, to_size
from tracer.search.slant_finder import find_slants

LEAST_SIDE_MM = 15.0
"""Things smaller than this are no pieces (common practice, no source)."""
THICK_MM = 9.0
"""A template is this thick somewhere; the strokes of display text are not (common practice, no source)."""
LEAST_SHEET_MM2 = 10_000.0
"""Sheets of paper are no smaller (a postcard)."""
LINE_MM = 2.4
"""Foreign marks thinner than this are lines printed on the ground (common practice, no source)."""
LONG_LINE_MM = 70.0
"""A ground is lined when some of its lines are longer than this (common practice, no source)."""
DRAWN_MM = 5.0
"""Lines and letters on a thing are narrower (common practice, no source)."""
_FACE_UP_MM = 1.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bodies:
    """What lies on the ground, seen coarsely: the ground, its printed lines and one mask with its corner a thing.

    Where the ground is a mat, ``grid`` and ``look`` tell its grid.
    """

    ground: Ground
    lines: Mask
    things: tuple[tuple[NDArray[np.bool_], tuple[int, int]], ...]
    grid: MatGrid | None = None
    look: GridLook | None = None

    def outline_px(self, index: int) -> Points:
        """Return the coarse outline of a thing in pixels of the picture."""
        body, (x, y) = self.things[index]
        contours, _ = cv2.findContours(as_mask(body), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        largest = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
        return (largest + [x, y] + 0.5) * self.ground.factor - 0.5

    def light(self, index: int) -> float:
        """Return the lightness of a thing, linear 0..1."""
        body, (x, y) = self.things[index]
        window = (slice(y, y + body.shape[0]), slice(x, x + body.shape[1]))
        own = self.ground.ratio[window][body] * self.ground.light[window][body]
        return float(np.median(own.mean(axis=1)))


def find_bodies(
    pixels: NDArray[np.uint8],
    mm_per_px: float,
    excluded: NDArray[np.uint8] | None = None,
    grid: MatGrid | None = None,
) -> Bodies:
    """Find the things that lie on the ground, coarsely.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    mm_per_px : float
    excluded : ndarray of uint8, optional
        Non-zero where a reference lies, on a grid of any size that covers the picture.
    grid : MatGrid, optional
        The grid of the mat that is the ground.
    """
    ground = None if grid is None else read_mat_ground(pixels, mm_per_px, grid)
    if ground is None:
        ground = read_ground(pixels, mm_per_px, None if grid is None else grid.outline_px)
        grid = None
    if grid is None:
        lines, things = _find_things(ground, excluded)
        return Bodies(ground=ground, lines=lines, things=things)
    # How the lines look is read beside it: both spend their time in compiled code.
    with ThreadPoolExecutor(max_workers=1) as pool:
        reading = pool.submit(_look_of, grid, to_rgb(pixels), ground)
        lines, things = _find_things(ground, excluded)
        return Bodies(ground=ground, lines=lines, things=things, grid=grid, look=reading.result())


def _look_of(grid: MatGrid, pixels: NDArray[np.uint8], ground: Ground) -> GridLook:
    look = read_look(grid, pixels, ground.light, ground.factor)
    return replace(look, slants=find_slants(grid, pixels, ground))


def _find_things(
    ground: Ground, excluded: NDArray[np.uint8] | None
) -> tuple[NDArray[np.uint8], tuple[tuple[NDArray[np.bool_], tuple[int, int]], ...]]:
    """Return the long thin lines printed on a ground, and the things that lie on it."""
    scale = ground.mm_per_px
    foreign = as_mask(ground.foreign)
    if excluded is not None:
        there = to_size(excluded, foreign.shape[1], foreign.shape[0])
        foreign[there > 0] = 0
    no_lines = opened(foreign, LINE_MM / scale)
    # Lines drawn on a thing may have the look of a shadow; closed over, they do not cut it up.
    lit = opened(no_lines & as_mask(~ground.shadow), LINE_MM / scale)
    lit = closed(lit, DRAWN_MM / scale) & no_lines
    proper = opened(lit, THICK_MM / scale)
    core = opened(no_lines, THICK_MM / scale)
    # Cores that a neck joins (the stalk of a leaf) are one thing.
    joined = joined_cores(no_lines, core, ground.ratio)
    labels = np.where(core > 0, joined, 0)
    # What is thick but has no core is a crossing of lines, a letter, a blot.
    cored = np.zeros(int(joined.max()) + 1, dtype=bool)
    cored[labels[core > 0]] = True
    cored[0] = False
    lines = _printed_lines(foreign, as_mask(cored[joined]), scale)
    things = []
    for label in np.flatnonzero(cored):
        mine = labels == label
        at_y, at_x = np.flatnonzero(mine.any(axis=1)), np.flatnonzero(mine.any(axis=0))
        x, y = int(at_x[0]), int(at_y[0])
        wide, high = int(at_x[-1]) + 1 - x, int(at_y[-1]) + 1 - y
        if max(wide, high) < LEAST_SIDE_MM / scale:
            continue
        window = (slice(y, y + high), slice(x, x + wide))
        body = mine[window]
        # Where part of it is surely no shadow, that part is the thing and the rest its shadow.
        sure = body & (proper[window] > 0)
        if sure.sum() > 0.02 * body.sum():
            body = sure
        if not _is_rag(body, foreign.shape):
            things.append(with_narrow_parts(body, (x, y), joined == label, ground.ratio))
    return lines, tuple(things)


def ground_sheets(bodies: Bodies) -> list[Points]:
    """Return the outlines of parts of the ground that end within the picture: a sheet on a mat taken for the ground.

    In pixels of the picture.
    """
    ground = bodies.ground
    scale, (rows, columns) = ground.mm_per_px, ground.foreign.shape
    ragged = closed(opened(as_mask(ground.foreign), LINE_MM / scale), LINE_MM / scale)
    labels, stats = apart(as_mask(ragged == 0), connectivity=4)
    out = []
    for label in range(1, len(stats)):
        x, y, wide, high, area = (int(v) for v in stats[label])
        inside = x > 1 and y > 1 and x + wide < columns - 1 and y + high < rows - 1
        if inside and area * scale * scale > LEAST_SHEET_MM2:
            contours, _ = cv2.findContours(as_mask(labels == label), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            largest = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
            out.append((largest + 0.5) * ground.factor - 0.5)
    return out


def _is_rag(body: NDArray[np.bool_], view: tuple[int, ...]) -> bool:
    """Return whether a body is a ring or a rag, as a ground of more than one colour leaves them; a thing is whole."""
    area = float(body.sum())
    if area < 0.5 * float(filled(as_mask(body)).sum()):
        return True
    borders, _ = cv2.findContours(as_mask(body), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    hull = float(cv2.contourArea(cv2.convexHull(np.concatenate(borders))))
    spans = body.shape[0] > 0.9 * view[0] and body.shape[1] > 0.9 * view[1]
    return area < (0.6 if spans else 0.2) * hull


def _printed_lines(foreign: NDArray[np.uint8], no_lines: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    """Return the long thin marks printed on the ground (the grid of a mat)."""
    thin = foreign & as_mask(grown(no_lines, 2 * _FACE_UP_MM / scale) == 0)
    labels, stats = apart(thin)
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    long = extent > 12.0 / scale
    long[0] = False
    if not (extent[long] > LONG_LINE_MM / scale).any():
        # A stalk, a sharp tip: no lined ground has lines as short as this only.
        return np.zeros_like(thin)
    return np.asarray(long[labels], dtype=np.uint8)
