"""From evidence to curves: corners, straight lines and cubic Beziers, as few as the evidence allows.

Steps: corners are found where smooth arms meet (:mod:`tracer.curves.corners`); each stretch between them is divided
into lines and cubics by least description length (:mod:`tracer.curves.stretch`); all unknowns are then fitted
together (:mod:`tracer.curves.chain`); pieces that still leave a systematic deviation are divided and the fit
repeated; the deviation is measured at the end. The deviation is that of the evidence averaged over half a millimetre
of line (single profiles scatter), away from the immediate neighbourhood of corners, where evidence is rounded by blur
and by the line's width and the arms are extended. It is measured on dense samples, points to curve and curve to
points: not a rigorous bound between the samples.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calibration.picture import MmPoints, PxPoints
from tracer.curves.adequate import fit_until_adequate
from tracer.curves.chain import Chain
from tracer.curves.corners import Bend, find_bends, with_sharp_points
from tracer.curves.given import Given, prepare
from tracer.curves.leeway import Leeway, leeway_of
from tracer.curves.settle import Exceeded, measure_deviation, settle
from tracer.curves.stretch import Kind, divide
from tracer.errors import PathError
from tracer.path import Corner, OpenPath, Path
from tracer.profiles import closed_area

_LEAST_POINTS = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitResult:
    """A closed outline.

    Parameters
    ----------
    path : Path
        Positively oriented, not crossing itself; starts at a corner if it has one. Where no smooth curve stays near the
        evidence (a torn edge), it is the evidence's own polyline within half the tolerance.
    corners : tuple of Corner
        Inner angle sharper than 150 degrees.
    deviation_max_mm : float
        Largest measured deviation between outline and evidence (see the module).
    exceeded : tuple of Exceeded
        Where it is more than the tolerance; empty when the tolerance holds everywhere.
    leeway : Leeway
        How far the line may lie aside of the outline for all that the points tell.
    """

    path: Path
    corners: tuple[Corner, ...]
    deviation_max_mm: float
    exceeded: tuple[Exceeded, ...]
    leeway: Leeway


def fit_closed(
    points_mm: MmPoints,
    sigma_mm: NDArray[np.float64] | float,
    valid: NDArray[np.bool_] | None = None,
    *,
    tolerance_mm: float = 0.1,
    half_width_mm: float = 0.0,
    blur_mm: float = 0.07,
    raster_px: PxPoints | None = None,
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
    raster_px : PxPoints or None
        The same points in the picture that they were read from, shape (N, 2), if it is known: along its rows and
        columns errors last (:mod:`tracer.curves.raster`).

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
    spacing = float(np.median(np.hypot(*(np.roll(points, -1, axis=0) - points).T)))
    data = prepare(points, sigma_mm, valid, spacing, half_width_mm, tolerance_mm, closed=True, raster_px=raster_px)
    if area < 0:
        data = data.reversed()
    bends = find_bends(
        data.points,
        data.sigma,
        data.seen,
        data.scatter,
        spacing_mm=spacing,
        half_width_mm=half_width_mm,
        blur_mm=blur_mm,
    )
    bends = with_sharp_points(
        bends, data.points, data.sigma, data.seen, data.sharp, half_width_mm=half_width_mm, blur_mm=blur_mm
    )
    chain = _chain_between(data, bends) if bends else _chain_around(data)
    fit_until_adequate(chain, data)
    leeway = leeway_of(chain, data)
    path, plain = settle(chain, data)
    path = path.oriented()
    path = path.starting_at(path.corners[0].node) if path.corners else path
    deviation, exceeded = measure_deviation(chain, path, data, plain)
    return FitResult(path=path, corners=path.corners, deviation_max_mm=deviation, exceeded=exceeded, leeway=leeway)


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
    spacing = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    data = prepare(points, sigma_mm, valid, spacing, half_width_mm, tolerance_mm, closed=False)
    bends = find_bends(
        data.points,
        data.sigma,
        data.seen,
        data.scatter,
        spacing_mm=spacing,
        half_width_mm=half_width_mm,
        blur_mm=blur_mm,
        closed=False,
    )
    ends = [
        Bend(index=0, point=points[0], turn_rad=0.0, reach_mm=0.0),
        *bends,
        Bend(index=len(points) - 1, point=points[-1], turn_rad=0.0, reach_mm=0.0),
    ]
    chain = _chain_between(data, ends, closed=False)
    fit_until_adequate(chain, data)
    return OpenPath(tuple(chain.control(k) for k in range(chain.pieces)))


def _chain_between(data: Given, bends: list[Bend], *, closed: bool = True) -> Chain:
    points = data.points
    nodes: list[NDArray[np.float64]] = []
    places: list[int] = []
    free: list[bool] = []
    reach: list[float] = []
    kinds: list[Kind] = []
    controls: list[NDArray[np.float64]] = []
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
        where = np.concatenate([[0], inner, [len(index) - 1]])
        division = divide(
            stretch,
            trust=data.trust[index[where]],
            scatter_mm=data.scatter[index[where]],
            own=data.own[index[where]],
            cell_sigma_mm=data.cell_sigma,
            allowed_mm=data.allowed[index[where]],
            spacing_mm=data.spacing,
            bent_ends=bent,
        )
        for number, (place, kind) in enumerate(zip(division.places[:-1], division.kinds, strict=True)):
            nodes.append(stretch[place])
            places.append(int(index[where[place]]))
            free.append(number == 0)
            reach.append(one.reach_mm if number == 0 else 0.0)
            kinds.append(kind)
        controls += division.controls
    if not closed:
        nodes.append(bends[-1].point)
        places.append(bends[-1].index)
        free.append(True)
        reach.append(bends[-1].reach_mm)
    return _seeded(np.array(nodes), places, free, reach, kinds, controls, closed=closed)


def _chain_around(data: Given) -> Chain:
    """Divide an outline without corners: once from anywhere, once more from a node that turned out to be needed."""
    points, total = data.points, len(data.points)
    start = int(np.argmax(ndimage.uniform_filter1d(data.trust, min(total, 51), mode="wrap")))
    for again in (True, False):
        ring = np.roll(points, -start, axis=0)
        division = divide(
            np.vstack([ring, ring[:1]]),
            trust=np.roll(data.trust, -start)[np.arange(total + 1) % total],
            scatter_mm=np.roll(data.scatter, -start)[np.arange(total + 1) % total],
            own=np.roll(data.own, -start)[np.arange(total + 1) % total],
            cell_sigma_mm=data.cell_sigma,
            allowed_mm=np.roll(data.allowed, -start)[np.arange(total + 1) % total],
            spacing_mm=data.spacing,
            bent_ends=(False, False),
            ring=True,
        )
        if again:
            start = (start + division.places[len(division.places) // 2]) % total
    places = [(start + p) % total for p in division.places[:-1]]
    count = len(places)
    return _seeded(
        points[places],
        places,
        [False] * count,
        [0.0] * count,
        list(division.kinds),
        list(division.controls),
        closed=True,
    )


def _seeded(
    nodes: NDArray[np.float64],
    places: list[int],
    free: list[bool],
    reach: list[float],
    kinds: list[Kind],
    controls: list[NDArray[np.float64]],
    *,
    closed: bool,
) -> Chain:
    """Return a chain with directions and handles from control points."""
    ends = np.array([[c[1] - c[0], c[-1] - c[-2]] for c in controls])
    radians, logs = (
        np.arctan2(ends[..., 1], ends[..., 0]),
        np.log(np.maximum(np.hypot(ends[..., 0], ends[..., 1]), 1e-4)),
    )
    return Chain(
        nodes=nodes.astype(np.float64).copy(),
        free=np.array(free),
        places=np.array(places, dtype=np.intp),
        kinds=list(kinds),
        start_rad=radians[:, 0].copy(),
        end_rad=radians[:, 1].copy(),
        start_log=logs[:, 0].copy(),
        end_log=logs[:, 1].copy(),
        reach=np.array(reach),
        closed=closed,
    )
