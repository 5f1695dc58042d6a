"""From evidence to curves: corners, straight lines and cubic Beziers, as few as the evidence allows.

Steps: corners are found where smooth arms meet (:mod:`tracer.corners`); each stretch between them is divided into
lines and cubics by least description length (:mod:`tracer.stretch`); all unknowns are then fitted together
(:mod:`tracer.chain`); pieces that still leave a systematic deviation are divided and the fit repeated; the deviation
is measured at the end.

The deviation is that of the evidence averaged over half a millimetre of line (single profiles scatter), away from the
immediate neighbourhood of corners, where evidence is rounded by blur and by the line's width and the arms are extended.
It is measured on dense samples, points to curve and curve to points: not a rigorous bound between the samples.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from calibration.picture import MmPoints
from tracer.chain import Chain, fit_chain, measure_chain
from tracer.corners import Bend, find_bends
from tracer.errors import PathError
from tracer.path import Corner, OpenPath, Path
from tracer.profiles import closed_area
from tracer.stretch import Division, Kind, divide

_SYSTEMATIC_MM = 0.002
"""Slow errors of the evidence beside its noise: interpolation and paper, floor (measured on clean synthetic scans)."""
_CELL_FLOOR = 0.045
"""Least standard uncertainty of a millimetre of line, as a share of the tolerance: a looser tolerance, fewer nodes."""
_UNBELIEVED = 1e-4
"""Weight of points that were carried across an obstacle, against 1 for what was seen."""
_LEAST_POINTS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Exceeded:
    """A place at which the outline is farther from its evidence than the tolerance."""

    at: tuple[float, float]
    distance_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitResult:
    """A closed outline.

    Parameters
    ----------
    path : Path
        Positively oriented; starts at a corner if it has one.
    corners : tuple of Corner
        Inner angle sharper than 150 degrees.
    deviation_max_mm : float
        Largest measured deviation between outline and evidence (see the module).
    exceeded : tuple of Exceeded
        Where it is more than the tolerance; empty when the tolerance holds everywhere.
    """

    path: Path
    corners: tuple[Corner, ...]
    deviation_max_mm: float
    exceeded: tuple[Exceeded, ...]


def fit_closed(
    points_mm: MmPoints,
    sigma_mm: NDArray[np.float64] | float,
    valid: NDArray[np.bool_] | None = None,
    *,
    tolerance_mm: float = 0.1,
    half_width_mm: float = 0.0,
    blur_mm: float = 0.07,
) -> FitResult:
    """Fit a closed outline with lines and cubics.

    Parameters
    ----------
    points_mm : MmPoints
        Closed, evenly spaced within a factor of two, shape (N, 2), N >= 12.
    sigma_mm : ndarray, shape (N,), or float
        Standard uncertainty of the points across the outline.
    valid : ndarray of bool, shape (N,), or None
        False where a point was carried across an obstacle; it hardly counts. None for all valid.
    tolerance_mm : float
        The largest deviation allowed (measured, see the module); where it cannot be held the result says so.
    half_width_mm, blur_mm : float
        Half the drawn line's width (0 for an edge) and the blur's standard deviation; they round the corners.

    Returns
    -------
    FitResult

    Raises
    ------
    PathError
        Fewer than 12 points, or points that enclose nothing.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or len(points) < _LEAST_POINTS or not np.isfinite(points).all():
        raise PathError(
            f"an outline of {len(points)} points cannot be fitted; {_LEAST_POINTS} finite points are needed"
        )
    area = closed_area(points)
    if abs(area) < 1e-6:
        raise PathError("the points enclose no area; a closed outline is needed")
    sigma, seen = _prepared(points, sigma_mm, valid)
    if area < 0:
        points, sigma, seen = points[::-1], sigma[::-1], seen[::-1]
    spacing = float(np.median(np.hypot(*(np.roll(points, -1, axis=0) - points).T)))
    bends = find_bends(
        points, sigma, seen, spacing_mm=spacing, half_width_mm=half_width_mm, blur_mm=blur_mm, closed=True
    )
    cell_sigma = _cell_sigma(sigma, seen, spacing, tolerance_mm)
    if bends:
        chain = _chain_between(points, bends, cell_sigma, tolerance_mm, spacing)
    else:
        chain = _chain_around(points, cell_sigma, tolerance_mm, spacing)
    weight = np.where(seen, 1.0, _UNBELIEVED) / (sigma**2 + _SYSTEMATIC_MM**2)
    _fit_until_adequate(chain, points, weight, cell_sigma, tolerance_mm, spacing)
    path = Path(tuple(chain.control(k) for k in range(chain.pieces)))
    first = next((k for k in range(chain.pieces) if chain.free[k]), 0)
    path = path.starting_at(first).oriented()
    deviation, exceeded = _deviation(chain, path, points, seen, spacing, tolerance_mm)
    return FitResult(path=path, corners=path.corners, deviation_max_mm=deviation, exceeded=exceeded)


def fit_open(
    points_mm: MmPoints,
    sigma_mm: NDArray[np.float64] | float,
    valid: NDArray[np.bool_] | None = None,
    *,
    tolerance_mm: float = 0.1,
    half_width_mm: float = 0.0,
    blur_mm: float = 0.07,
) -> OpenPath:
    """Fit an open line (a stitching line, a grain line) with lines and cubics; parameters as for :func:`fit_closed`.

    Fewer than 12 points give the straight line between the ends. Raises :class:`PathError` for fewer than two.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or len(points) < 2 or not np.isfinite(points).all():
        raise PathError(f"a line of {len(points)} points cannot be fitted; two finite points are needed")
    if len(points) < _LEAST_POINTS:
        return OpenPath.polyline(points[[0, -1]])
    sigma, seen = _prepared(points, sigma_mm, valid)
    spacing = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    bends = find_bends(
        points, sigma, seen, spacing_mm=spacing, half_width_mm=half_width_mm, blur_mm=blur_mm, closed=False
    )
    ends = [
        Bend(index=0, point=points[0], turn_rad=0.0, reach_mm=0.0),
        *bends,
        Bend(index=len(points) - 1, point=points[-1], turn_rad=0.0, reach_mm=0.0),
    ]
    cell_sigma = _cell_sigma(sigma, seen, spacing, tolerance_mm)
    chain = _chain_between(points, ends, cell_sigma, tolerance_mm, spacing, closed=False)
    weight = np.where(seen, 1.0, _UNBELIEVED) / (sigma**2 + _SYSTEMATIC_MM**2)
    _fit_until_adequate(chain, points, weight, cell_sigma, tolerance_mm, spacing)
    return OpenPath(tuple(chain.control(k) for k in range(chain.pieces)))


def _prepared(
    points: NDArray[np.float64], sigma_mm: NDArray[np.float64] | float, valid: NDArray[np.bool_] | None
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    sigma = np.broadcast_to(np.asarray(sigma_mm, dtype=np.float64), len(points)).copy()
    seen = np.ones(len(points), bool) if valid is None else np.asarray(valid, dtype=bool)
    good = np.isfinite(sigma) & (sigma > 0)
    sigma[~good] = float(np.median(sigma[good])) if good.any() else 0.01
    return sigma, seen


def _cell_sigma(sigma: NDArray[np.float64], seen: NDArray[np.bool_], spacing: float, tolerance: float) -> float:
    """Return the standard uncertainty of the mean place of a millimetre of line."""
    noise = float(np.median(sigma[seen] if seen.any() else sigma)) * math.sqrt(spacing / 1.0)
    # Neighbouring profiles share pixels and paper: twice the uncertainty of independent ones.
    return max(2 * noise, _CELL_FLOOR * tolerance)


def _chain_between(
    points: NDArray[np.float64],
    bends: list[Bend],
    cell_sigma: float,
    tolerance: float,
    spacing: float,
    *,
    closed: bool = True,
) -> Chain:
    nodes: list[NDArray[np.float64]] = []
    places: list[int] = []
    free: list[bool] = []
    reach: list[float] = []
    kinds: list[Kind] = []
    total = len(points)
    pairs = list(zip(bends, bends[1:] + bends[:1], strict=True)) if closed else list(itertools.pairwise(bends))
    for one, other in pairs:
        last = other.index if other.index > one.index else other.index + total
        index = np.arange(one.index, last + 1) % total
        p = points[index]
        clear = (np.hypot(*(p - one.point).T) > one.reach_mm) & (np.hypot(*(p - other.point).T) > other.reach_mm)
        clear[[0, -1]] = False
        inner = np.nonzero(clear)[0]
        stretch = np.vstack([one.point[None], p[inner], other.point[None]])
        bent = (one.reach_mm > 0 or closed, other.reach_mm > 0 or closed)
        division = divide(stretch, cell_sigma_mm=cell_sigma, tolerance_mm=tolerance, spacing_mm=spacing, bent_ends=bent)
        where = np.concatenate([[0], inner, [len(index) - 1]])
        for number, (place, kind) in enumerate(zip(division.places[:-1], division.kinds, strict=True)):
            nodes.append(stretch[place])
            places.append(int(index[where[place]]))
            free.append(number == 0)
            reach.append(one.reach_mm if number == 0 else 0.0)
            kinds.append(kind)
    if not closed:
        nodes.append(bends[-1].point)
        places.append(bends[-1].index)
        free.append(True)
        reach.append(bends[-1].reach_mm)
    return _seeded(points, np.array(nodes), places, free, reach, kinds, closed=closed)


def _chain_around(points: NDArray[np.float64], cell_sigma: float, tolerance: float, spacing: float) -> Chain:
    """Divide an outline without corners: once from anywhere, once more from a node that turned out to be needed."""
    start, total = 0, len(points)
    division = Division(places=(0, total), kinds=("line",))
    for _ in range(2):
        ring = np.roll(points, -start, axis=0)
        division = divide(
            np.vstack([ring, ring[:1]]),
            cell_sigma_mm=cell_sigma,
            tolerance_mm=tolerance,
            spacing_mm=spacing,
            bent_ends=(False, False),
            ring=True,
        )
        origin = start
        start = (start + division.places[len(division.places) // 2]) % total
    places = [(origin + p) % total for p in division.places[:-1]]
    nodes = points[places]
    return _seeded(points, nodes, places, [False] * len(places), [0.0] * len(places), list(division.kinds), closed=True)


def _seeded(
    points: NDArray[np.float64],
    nodes: NDArray[np.float64],
    places: list[int],
    free: list[bool],
    reach: list[float],
    kinds: list[Kind],
    *,
    closed: bool,
) -> Chain:
    """Return a chain with directions and handles read off the points."""
    count, total = len(kinds), len(points)
    chain = Chain(
        nodes=nodes.astype(np.float64).copy(),
        free=np.array(free),
        places=np.array(places, dtype=np.intp),
        kinds=list(kinds),
        start_rad=np.zeros(count),
        end_rad=np.zeros(count),
        start_log=np.zeros(count),
        end_log=np.zeros(count),
        reach=np.array(reach),
        closed=closed,
    )
    for k in range(count):
        seed_piece(chain, k, points, total)
    return chain


def seed_piece(chain: Chain, k: int, points: NDArray[np.float64], total: int) -> None:
    """Set directions and handles of a piece from the points along it."""
    first, last = int(chain.places[k]), int(chain.places[chain.after(k)])
    if chain.closed and last <= first:
        last += total
    own = points[np.arange(first, last + 1) % total].copy()
    own[0], own[-1] = chain.nodes[k], chain.nodes[chain.after(k)]
    length = float(np.hypot(*np.diff(own, axis=0).T).sum())
    chain.start_log[k] = chain.end_log[k] = math.log(max(length / 3, 1e-3))
    # Directions of the parabola through the ends and the points at an eighth and seven eighths.
    for at_start in (True, False):
        side = own if at_start else own[::-1]
        near = side[max(1, len(side) // 8)]
        far = side[max(1, len(side) // 4)]
        one, two = near - side[0], far - side[0]
        direction = 4 * one - two if len(side) >= 8 else side[-1] - side[0]
        if not at_start:
            direction = -direction
        angle = math.atan2(direction[1], direction[0])
        if at_start:
            chain.start_rad[k] = angle
        else:
            chain.end_rad[k] = angle


def _fit_until_adequate(
    chain: Chain,
    points: NDArray[np.float64],
    weight: NDArray[np.float64],
    cell_sigma: float,
    tolerance: float,
    spacing: float,
) -> None:
    """Fit; where a piece leaves a systematic deviation divide it and fit again."""
    fit_chain(chain, points, weight, spacing_mm=spacing)
    for _ in range(4):
        poor = []
        for k, measured in enumerate(measure_chain(chain, points, weight, spacing)):
            own, off, _ = measured
            if len(own) < 8:
                continue
            cell = max(1, min(round(1.0 / spacing), len(own) // 4))
            smooth = ndimage.uniform_filter1d(off, cell, mode="nearest")[cell // 2 :: cell]
            chi = float((smooth**2).mean()) / cell_sigma**2
            length = len(own) * spacing
            if (chi * length > 30 and chi > 2.5 and length > 3.0) or np.abs(smooth).max() > 0.9 * tolerance:
                poor.append(k)
        if not poor:
            return
        for k in sorted(poor, reverse=True):
            _divide_piece(chain, k, points)
        fit_chain(chain, points, weight, spacing_mm=spacing)


def _divide_piece(chain: Chain, k: int, points: NDArray[np.float64]) -> None:
    """Turn a line into a cubic; cut a cubic in the middle of its points."""
    if chain.kinds[k] == "line":
        chain.kinds[k] = "cubic"
        seed_piece(chain, k, points, len(points))
        return
    total = len(points)
    first, last = int(chain.places[k]), int(chain.places[chain.after(k)])
    if chain.closed and last <= first:
        last += total
    if last - first < 16:
        return
    middle = ((first + last) // 2) % total
    control = chain.control(k)
    mid = (control[0] + 3 * control[1] + 3 * control[2] + control[3]) / 8
    ahead = control[3] + control[2] - control[1] - control[0]
    angle = math.atan2(ahead[1], ahead[0])
    chain.nodes = np.insert(chain.nodes, k + 1, mid, axis=0)
    chain.free = np.insert(chain.free, k + 1, False)
    chain.reach = np.insert(chain.reach, k + 1, 0.0)
    chain.places = np.insert(chain.places, k + 1, middle)
    chain.kinds.insert(k + 1, "cubic")
    half = math.log(0.5)
    handle = math.log(max(float(np.hypot(*ahead)) / 8, 1e-3))
    start, end = chain.start_log[k], chain.end_log[k]
    chain.start_rad = np.insert(chain.start_rad, k + 1, angle)
    chain.end_rad = np.insert(chain.end_rad, k, angle)
    chain.start_log = np.insert(chain.start_log, k + 1, handle)
    chain.end_log = np.insert(chain.end_log, k, handle)
    chain.start_log[k], chain.end_log[k + 1] = start + half, end + half


def _deviation(
    chain: Chain, path: Path, points: NDArray[np.float64], seen: NDArray[np.bool_], spacing: float, tolerance: float
) -> tuple[float, tuple[Exceeded, ...]]:
    """Measure outline against evidence in both directions."""
    worst, places = 0.0, []
    cell = max(1, round(0.5 / spacing))
    for own, off, _ in measure_chain(chain, points, seen.astype(np.float64), spacing):
        if len(own) == 0:
            continue
        smooth = np.abs(ndimage.uniform_filter1d(off, min(cell, len(off)), mode="nearest"))
        k = int(np.argmax(smooth))
        worst = max(worst, float(smooth[k]))
        if smooth[k] > tolerance:
            places.append(
                Exceeded(at=(float(points[own[k], 0]), float(points[own[k], 1])), distance_mm=float(smooth[k]))
            )
    smooth_points = ndimage.uniform_filter1d(points, cell, axis=0, mode="wrap")
    samples = np.asarray(path.sample(max(0.4, 4 * spacing))[0])
    clear = np.ones(len(samples), bool)
    for node, reach in zip(chain.nodes, chain.reach, strict=True):
        if reach > 0:
            clear &= np.hypot(*(samples - node).T) > 1.5 * reach + spacing * cell
    samples = samples[clear]
    if len(samples):
        near = cKDTree(smooth_points).query(samples)[1]
        visible = seen[near]
        a, c = smooth_points[(near - 1) % len(points)], smooth_points[(near + 1) % len(points)]
        along = c - a
        length = np.maximum(np.hypot(*along.T), 1e-9)
        rel = samples - smooth_points[near]
        distance = np.abs(along[:, 0] * rel[:, 1] - along[:, 1] * rel[:, 0]) / length
        beyond = np.maximum(np.abs((along * rel).sum(axis=1)) / length - length, 0)
        distance = np.where(visible, np.hypot(distance, beyond), 0.0)
        k = int(np.argmax(distance))
        worst = max(worst, float(distance[k]))
        if distance[k] > tolerance:
            places.append(Exceeded(at=(float(samples[k, 0]), float(samples[k, 1])), distance_mm=float(distance[k])))
    return worst, tuple(places)
