"""Find a gridded cutting mat.

How many References come back says how sure the pitch is: one when it is known; two or more, with the same points and
different sizes and each with a score of at most one half, when the grid was found and its pitch could be either. A
caller must then let another reference or the person decide, and refuse otherwise.

Limits: the mat is flat and its lines are straight and evenly spaced (pitch errors of single lines go into the
residuals). What lies on the mat is nearer to the camera than the grid: 1 mm at a distance of 830 mm makes it look
0.12 % larger; nothing in the picture tells, so it belongs into the uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera_fit import CameraFit
from calibration.light import SRGB_TO_LINEAR
from calibration.picture import MmPoints, PxPoints
from calibration.references.mat.border import is_marked
from calibration.references.mat.counted import figures_every
from calibration.references.mat.grow import (
    GridPicture,
    Lattice,
    fit_lattice,
    grow,
    line_width,
    settle,
    supported,
)
from calibration.references.mat.pitch import WORDS, Shape, divided_by, evidence, heavier_every, leads_clearly, plausible
from calibration.references.mat.ridges import find_ridges
from calibration.references.mat.seeds import Seed, find_seeds
from calibration.references.reference import Reference, SearchPicture
from calibration.units import parse_length_mm
from calibration.warp_fit import smoothly_off

Array = NDArray[np.float64]

TOLERANCE_RELATIVE = 0.0003
"""Standard uncertainty of a printed mat's pitch: half-width 0.05 % (half a millimetre on 36 in), taken as rectangular;
common practice, no source."""
_FEWEST_NODES = 30
_FEWEST_LINES = 5
_SURE_NODES = 80
_SEEDS_TRIED = 6
_STEP_OF_LINE = 0.5
"""Across a line of a mat the ground's light changes by a few hundredths of the line's height (measured)."""
_FEW, _DRAWN = 4, 0.5
"""A line is there that is seen at most of the places at which its neighbours are; of fewer places nothing is told."""
_AT_ONCE = 16384
_CREDIBLE_CHI2 = 12.0
"""A true lattice fits its own reading errors within a factor of three; one that slipped a cell does not."""
_UNEVEN_CELLS = 0.02
"""Root mean square, in cells: mats lifted by 2 mm in waves leave 0.005 (rendered); a mat that misses by more is not
flat enough to be measured on."""


def find(scene: SearchPicture, size: str | None = None) -> list[Reference]:
    """Find the grid of a cutting mat.

    Parameters
    ----------
    scene : SearchPicture
    size : str or None
        Pitch of the heavier (or only) lines as a person writes it: ``1in``, ``1/2in``, ``10mm``.

    Returns
    -------
    list of Reference
        Empty when there is no grid, or none of a mat; one when the pitch is known; several with score <= 0.5 when it
        is ambiguous.
    """
    if not size:
        return look(scene)[0]
    seen = _seen(scene)
    if seen is None:
        return []
    picture, lattice = seen
    cell = _asked_pitch(parse_length_mm(size), _shape(picture, lattice))
    return [_reference(scene, lattice, cell, size, _quality(lattice))]


def look(scene: SearchPicture) -> tuple[list[Reference], bool, bool]:
    """Return what :func:`find` does where no size is said, whether there is a grid of light lines, and of a mat's.

    Light lines may be a mat's, whatever their pitch; dark ones are where ticks or figures stand along their border.
    """
    seen = _seen(scene)
    if seen is None or not has_lines(*seen):
        return [], False, False
    picture, lattice = seen
    shape, quality = _shape(picture, lattice), _quality(lattice)
    possible = plausible(shape)
    score = quality if len(possible) == 1 else min(0.5, quality / 2)
    found = [_reference(scene, lattice, cell, _words(cell, shape), score) for cell in possible]
    return found, lattice.light_on_dark, shape.marked or shape.figures_every is not None


def _seen(scene: SearchPicture) -> tuple[GridPicture, Lattice] | None:
    seeds = find_all_seeds(scene)
    if not seeds:
        return None
    light = np.asarray(cv2.LUT(scene.grey, SRGB_TO_LINEAR), dtype=np.float32)
    picture = GridPicture(light=light, focal_px=scene.picture.focal_px)
    lattice = find_lattice(scene, picture, seeds)
    return None if lattice is None else (picture, lattice)


def has_lines(picture: GridPicture, lattice: Lattice) -> bool:
    """Whether the lattice runs on lines, with the same ground on both sides, and not on edges.

    Checked cloth and tiles of two colours are lattices of edges: there the light changes from one side to the other.
    """
    both = lattice.present.all(axis=1)
    start, end = (
        np.asarray(lattice.fit.plane.to_px(MmPoints(ends[both].astype(np.float64))))
        for ends in (lattice.starts, lattice.ends)
    )
    run = end - start
    aside = np.stack([-run[:, 1], run[:, 0]], axis=1) / np.maximum(np.hypot(*run.T), 1.0)[:, None]
    aside *= max(4.0 * lattice.line_sigma_px, 3.0)
    points = start[:, None] + np.linspace(0.2, 0.8, 13)[:, None] * run[:, None]

    def light(at: Array) -> Array:
        x, y = np.moveaxis(at.astype(np.float32), -1, 0)
        # remap makes pictures of less than 32768 rows.
        parts = [
            cv2.remap(picture.light, x[i : i + _AT_ONCE], y[i : i + _AT_ONCE], cv2.INTER_LINEAR)
            for i in range(0, len(x), _AT_ONCE)
        ]
        return np.asarray(np.median(np.concatenate(parts), axis=1), dtype=np.float64)

    one, other = light(points + aside[:, None]), light(points - aside[:, None])
    height = np.abs(light(points) - (one + other) / 2)
    return bool(np.median(np.abs(one - other)) < _STEP_OF_LINE * np.median(height))


def find_all_seeds(scene: SearchPicture) -> list[Seed]:
    """Return small pieces of a grid, light on dark or dark on light, the best first."""
    seeds: list[Seed] = []
    for ridges in find_ridges(scene.reduced):
        seeds.extend(find_seeds(ridges))
    return sorted(seeds, key=lambda s: -s.score)


def find_lattice(scene: SearchPicture, picture: GridPicture, seeds: Sequence[Seed]) -> Lattice | None:
    """Return the grid in lattice units, or None."""
    best: Lattice | None = None
    most = 0
    for seed in seeds[:_SEEDS_TRIED]:
        points = scene.from_reduced(seed.points)
        seen = line_width(picture, seed.nodes, points, light_on_dark=seed.light_on_dark, read_px=float(scene.reduction))
        if seen is None:
            continue
        width, start = seen
        grown = grow(picture, seed.nodes, points, light_on_dark=seed.light_on_dark, line_sigma_px=width, start=start)
        if grown is None or not _credible(grown[0]):
            continue
        held = int(supported(grown[1]).sum())
        if held <= 1.3 * most:
            continue
        lattice = settle(picture, grown[0], grown[1], light_on_dark=seed.light_on_dark, line_sigma_px=width)
        lattice = None if lattice is None else _trimmed(picture, _coarsened(picture, lattice))
        # One with two and a half lines to a cell holds as many nodes, and nothing is left of it; the next may be right.
        if lattice is None:
            continue
        best, most = lattice, held
        if most >= _SURE_NODES and held > 0.7 * len(grown[1]):
            break
    return best


def _credible(fit: CameraFit) -> bool:
    """Whether a lattice fits its own reading errors, or misses by no more than a mat that does not lie quite flat."""
    if fit.reduced_chi2 <= _CREDIBLE_CHI2:
        return True
    return fit.residual_rms_mm < _UNEVEN_CELLS and smoothly_off(fit, _CREDIBLE_CHI2)


def _coarsened(picture: GridPicture, lattice: Lattice) -> Lattice:
    """Undo a lattice twice (or more) too fine: one whose in-between lines are not there.

    A line that is not there is missing beside lines that are: ticks along a border make nodes between, whole lines do
    not.
    """
    # All at once: with ticks for the eighths of an inch nothing is missing beside every second line but lines as well.
    for every in (10, 8, 5, 4, 3, 2):
        phases = [_missing_between(lattice, axis, every) for axis in (0, 1)]
        if phases[0] is None or phases[1] is None:
            continue
        on = ((lattice.nodes % every) == phases).all(axis=1)
        nodes = (lattice.nodes[on] - phases) // every
        if len(nodes) < _FEWEST_NODES // 2:
            continue
        fit = fit_lattice(picture, nodes, lattice.points_px[on], lattice.sigma_px[on])
        again = settle(picture, fit, nodes, light_on_dark=lattice.light_on_dark, line_sigma_px=lattice.line_sigma_px)
        return lattice if again is None else _coarsened(picture, again)
    return lattice


def _missing_between(lattice: Lattice, axis: int, every: int) -> int | None:
    """Return the phase of the lines that are there, if the others are missing wherever their neighbours are seen."""
    across = lattice.starts[:, axis] == lattice.ends[:, axis]
    where = np.rint(lattice.starts[across]).astype(int)
    present = lattice.present[across].all(axis=1)
    if present.sum() < 12:
        return None
    line, place = where[:, axis] - where[:, axis].min(), where[:, 1 - axis] - where[:, 1 - axis].min()
    table = np.zeros((line.max() + 1 + 2 * every, place.max() + 1), dtype=bool)
    table[line + every, place] = present
    # Seen: the line's neighbours one period away on both sides are there, at the same place along it.
    best = None
    for phase in range(every):
        there = table[every:-every]
        numbers = np.arange(len(there)) + int(where[:, axis].min())
        mine = numbers % every == phase
        if mine.sum() < 2 or there[mine].sum() < 8:
            continue
        between = []
        for step in range(1, every):
            before, after = (
                np.roll(table, step, axis=0)[every:-every],
                np.roll(table, step - every, axis=0)[every:-every],
            )
            fits = (numbers - step) % every == phase
            between.append(there[fits][(before & after)[fits]])
        # One of several lines between may be there and few of all: then every second of them is a line of the mat.
        drawn = any(len(seen) >= _FEW and seen.mean() > _DRAWN for seen in between)
        asked = np.concatenate(between)
        if len(asked) >= 8 and asked.mean() < 0.3 and not drawn:
            best = phase
    return best


def _trimmed(picture: GridPicture, lattice: Lattice) -> Lattice | None:
    """Leave out wrong nodes and outer lines that hardly any node bears out."""
    kept = lattice.fit.inliers.copy()
    kept[kept] = supported(lattice.nodes[kept])
    while kept.sum() >= _FEWEST_NODES:
        low, high = lattice.nodes[kept].min(axis=0), lattice.nodes[kept].max(axis=0)
        dropped = False
        for axis in (0, 1):
            across = int(high[1 - axis] - low[1 - axis]) + 1
            for edge in (low[axis], high[axis]):
                here = kept & (lattice.nodes[:, axis] == edge)
                if here.sum() < max(2, 0.05 * across):
                    kept &= ~here
                    dropped = True
        if not dropped:
            break
    nodes = lattice.nodes[kept]
    if len(nodes) < _FEWEST_NODES or min(len(np.unique(nodes[:, a])) for a in (0, 1)) < _FEWEST_LINES:
        return None
    return Lattice(
        nodes=nodes,
        points_px=lattice.points_px[kept],
        sigma_px=lattice.sigma_px[kept],
        fit=fit_lattice(picture, nodes, lattice.points_px[kept], lattice.sigma_px[kept], lattice.fit),
        starts=lattice.starts,
        ends=lattice.ends,
        stretches=lattice.stretches,
        present=lattice.present,
        light_on_dark=lattice.light_on_dark,
        line_sigma_px=lattice.line_sigma_px,
    )


def _key(a: tuple[int, ...], b: tuple[int, ...]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """A stretch by its two nodes, as it is listed: the lower index first."""
    return (a, b) if a < b else (b, a)


def _closed(picture: GridPicture, lattice: Lattice, axis: int) -> bool:
    """Whether lines across both borders of one direction end there, with room in the picture for more."""
    nodes = {(int(i), int(j)) for i, j in lattice.nodes}
    low, high = lattice.nodes[:, axis].min(), lattice.nodes[:, axis].max()
    # Only stretches that touch a border line, across it.
    touching = np.isin(np.rint(lattice.starts[:, axis]), (low - 1, low, high - 1, high)) & (
        lattice.starts[:, axis] != lattice.ends[:, axis]
    )
    halves = {
        _key(tuple(np.rint(s).astype(int).tolist()), tuple(np.rint(e).astype(int).tolist())): int(p.sum())
        for s, e, p in zip(lattice.starts[touching], lattice.ends[touching], lattice.present[touching], strict=True)
    }
    rows, columns = picture.light.shape
    for edge, outward in ((low, -1), (high, 1)):
        ends_here = goes_on = 0
        for node in nodes:
            if node[axis] != edge:
                continue
            step = (outward, 0) if axis == 0 else (0, outward)
            beyond, within = (node[0] + step[0], node[1] + step[1]), (node[0] - step[0], node[1] - step[1])
            point = lattice.fit.plane.to_px(MmPoints(np.asarray([beyond], dtype=np.float64)))[0]
            if not (12 < point[0] < columns - 13 and 12 < point[1] < rows - 13):
                continue
            # Both halves: a figure printed at the end of a line may look like the beginning of a further cell.
            if halves.get(_key(node, beyond), 0) == 2:
                goes_on += 1
            elif halves.get(_key(node, within), 0) > 0:
                ends_here += 1
        if ends_here < 3 or goes_on > 0.4 * ends_here:
            return False
    return True


def _shape(picture: GridPicture, lattice: Lattice) -> Shape:
    extent = np.ptp(lattice.nodes, axis=0)
    distance = None
    if picture.focal_px is not None:
        # The plane's depth in the middle, in cells: focal length times cells per pixel.
        middle = np.median(lattice.points_px, axis=0, keepdims=True)
        distance = float(lattice.fit.plane.focal_px * lattice.fit.plane.mm_per_px(PxPoints(middle))[0])
    shape = Shape(
        cells=(int(extent[0]), int(extent[1])),
        closed=(_closed(picture, lattice, 0), _closed(picture, lattice, 1)),
        heavier_every=heavier_every(lattice),
        divided_by=divided_by(picture, lattice, np.random.default_rng(0)),
        distance_cells=distance,
        light_on_dark=lattice.light_on_dark,
        marked=lattice.light_on_dark or is_marked(picture, lattice),
    )
    return shape if leads_clearly(shape) else replace(shape, figures_every=figures_every(picture, lattice))


def _asked_pitch(asked_mm: float, shape: Shape) -> float:
    """Pitch of the lattice's cells when the person named the pitch of the heavier (or only) lines."""
    if shape.divided_by > 1:
        # The lattice runs on the heavier lines; the person may mean those or the fine ones between.
        weighed = evidence(shape)
        options = (asked_mm, asked_mm * shape.divided_by)
        return max(options, key=lambda cell: max((v for c, v in weighed.items() if abs(c - cell) < 0.01), default=-9.0))
    if shape.heavier_every > 1:
        weighed = evidence(shape)
        options = (asked_mm / shape.heavier_every, asked_mm)
        return max(options, key=lambda cell: max((v for c, v in weighed.items() if abs(c - cell) < 0.01), default=-9.0))
    return asked_mm


def _words(cell_mm: float, shape: Shape) -> str:
    for fine, words in WORDS.items():
        if abs(fine - cell_mm) < 1e-6:
            return words
    inches = Fraction(cell_mm / 25.4).limit_denominator(16)
    return f"{inches}in" if abs(float(inches) * 25.4 - cell_mm) < 1e-6 else f"{cell_mm:g}mm"


def _quality(lattice: Lattice) -> float:
    """Score 0..1: a mat shows many nodes on many lines that agree with one plane."""
    lines = min(len(np.unique(lattice.nodes[:, a])) for a in (0, 1))
    return float(0.97 * min(1.0, len(lattice.nodes) / _SURE_NODES) * min(1.0, lines / 8))


def _reference(scene: SearchPicture, lattice: Lattice, cell_mm: float, size: str, score: float) -> Reference:
    low, high = lattice.nodes.min(axis=0), lattice.nodes.max(axis=0)
    corners = np.asarray([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]], dtype=np.float64)
    edge = np.linspace(0, 1, 9)[:-1, None]
    ring = np.vstack([a + (b - a) * edge for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    outline = np.asarray(lattice.fit.plane.to_px(MmPoints(ring)))
    outline = np.clip(outline, -0.5, [scene.picture.width_px - 0.5, scene.picture.height_px - 0.5])
    # Read errors are a little correlated along a line; the fit's own scatter is the honest figure.
    sigma = lattice.sigma_px * np.sqrt(max(1.0, lattice.fit.reduced_chi2))
    return Reference(
        kind="mat",
        size=size,
        points_px=PxPoints(lattice.points_px),
        points_mm=MmPoints((lattice.nodes - low) * cell_mm),
        sigma_px=sigma,
        tolerance_relative=TOLERANCE_RELATIVE,
        outline_px=PxPoints(cv2.convexHull(outline.astype(np.float32)).reshape(-1, 2).astype(np.float64)),
        score=score,
    )
