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
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from calibration.picture import MmPoints
from tracer.carry import carry_across
from tracer.chain import Chain, fit_chain, measure_chain
from tracer.corners import Bend, find_bends
from tracer.errors import PathError
from tracer.path import Corner, OpenPath, Path
from tracer.profiles import closed_area
from tracer.stretch import Kind, divide

_SYSTEMATIC_MM = 0.002
"""Slow errors of the evidence beside its noise: interpolation and paper, floor (measured on clean synthetic scans)."""
_CELL_FLOOR = 0.045
"""Least standard uncertainty of a millimetre of line, as a share of the tolerance: a looser tolerance, fewer nodes."""
_NEAR_PX = 2.5
"""How far the rough outline may be from the line, in steps of the evidence."""
_PIECE_PRICE = {"line": 7.0, "cubic": 14.0}
_CELL_FLOOR_PX = 0.035
"""The same in steps of the evidence (a pixel): what grain and shading move an edge over millimetres (measured)."""
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
    spacing = float(np.median(np.hypot(*(np.roll(points, -1, axis=0) - points).T)))
    data = _prepared(points, sigma_mm, valid, spacing, half_width_mm, tolerance_mm, closed=True)
    if area < 0:
        data = data.reversed()
    bends = find_bends(
        data.points, data.sigma, spacing_mm=spacing, half_width_mm=half_width_mm, blur_mm=blur_mm, closed=True
    )
    chain = _chain_between(data, bends) if bends else _chain_around(data)
    _fit_until_adequate(chain, data)
    path = Path(tuple(chain.control(k) for k in range(chain.pieces)))
    first = next((k for k in range(chain.pieces) if chain.free[k]), 0)
    path = path.starting_at(first).oriented()
    deviation, exceeded = _deviation(chain, path, data)
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
    spacing = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    data = _prepared(points, sigma_mm, valid, spacing, half_width_mm, tolerance_mm, closed=False)
    bends = find_bends(
        data.points, data.sigma, spacing_mm=spacing, half_width_mm=half_width_mm, blur_mm=blur_mm, closed=False
    )
    ends = [
        Bend(index=0, point=points[0], turn_rad=0.0, reach_mm=0.0),
        *bends,
        Bend(index=len(points) - 1, point=points[-1], turn_rad=0.0, reach_mm=0.0),
    ]
    chain = _chain_between(data, ends, closed=False)
    _fit_until_adequate(chain, data)
    return OpenPath(tuple(chain.control(k) for k in range(chain.pieces)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Data:
    """Points with holes filled, and how well they are known.

    ``cell_sigma`` is the standard uncertainty of the mean place of a millimetre of line; ``trust`` the weight of each
    point relative to one that was seen.
    """

    points: NDArray[np.float64]
    sigma: NDArray[np.float64]
    seen: NDArray[np.bool_]
    trust: NDArray[np.float64]
    spacing: float
    cell_sigma: float
    tolerance: float

    @property
    def weight(self) -> NDArray[np.float64]:
        return 1 / (self.sigma**2 + _SYSTEMATIC_MM**2)

    def reversed(self) -> _Data:
        return replace(
            self, points=self.points[::-1], sigma=self.sigma[::-1], seen=self.seen[::-1], trust=self.trust[::-1]
        )


def _prepared(
    points: NDArray[np.float64],
    sigma_mm: NDArray[np.float64] | float,
    valid: NDArray[np.bool_] | None,
    spacing: float,
    half_width: float,
    tolerance: float,
    *,
    closed: bool,
) -> _Data:
    sigma = np.broadcast_to(np.asarray(sigma_mm, dtype=np.float64), len(points)).copy()
    seen = np.ones(len(points), bool) if valid is None else np.asarray(valid, dtype=bool)
    good = np.isfinite(sigma) & (sigma > 0)
    sigma[~good] = float(np.median(sigma[good])) if good.any() else 0.01
    points, sigma, seen = carry_across(
        points, sigma, seen, spacing_mm=spacing, near_mm=_NEAR_PX * spacing + half_width / 2, closed=closed
    )
    cell_sigma = _cell_sigma(points, sigma, seen, spacing, tolerance)
    usual = float(np.median(sigma[seen])) if seen.any() else float(np.median(sigma))
    trust = np.where(seen, 1.0, np.minimum(1.0, (usual / sigma) ** 2))
    return _Data(
        points=points, sigma=sigma, seen=seen, trust=trust, spacing=spacing, cell_sigma=cell_sigma, tolerance=tolerance
    )


def _cell_sigma(
    points: NDArray[np.float64], sigma: NDArray[np.float64], seen: NDArray[np.bool_], spacing: float, tolerance: float
) -> float:
    """Return the standard uncertainty of the mean place of a millimetre of line.

    At least twice what independent profiles would give (neighbours share pixels and paper), and what third differences
    of the means of neighbouring millimetres show, in which only very sharp bends remain.
    """
    noise = float(np.median(sigma[seen] if seen.any() else sigma)) * math.sqrt(spacing / 1.0)
    cell = max(1, round(1.0 / spacing))
    count = len(points) // cell
    shown = 0.0
    if count >= 12:
        means = points[: count * cell].reshape(count, cell, 2).mean(axis=1)
        whole = np.asarray(seen[: count * cell].reshape(count, cell).all(axis=1), dtype=bool)
        along = means[2:-1] - means[1:-2]
        along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
        third = means[3:] - 3 * means[2:-1] + 3 * means[1:-2] - means[:-3]
        across = np.abs(third[:, 0] * along[:, 1] - third[:, 1] * along[:, 0]) / math.sqrt(20.0)
        usable = whole[3:] & whole[2:-1] & whole[1:-2] & whole[:-3]
        if usable.sum() >= 8:
            # Texture makes for heavy tails: they count, corners (far beyond) do not.
            limit = 5 * 1.4826 * float(np.median(across[usable]))
            shown = float(np.sqrt((across[usable & (across <= limit)] ** 2).mean()))
    return max(2 * noise, 2 * shown, _CELL_FLOOR * tolerance, _CELL_FLOOR_PX * spacing)


def _chain_between(data: _Data, bends: list[Bend], *, closed: bool = True) -> Chain:
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
            cell_sigma_mm=data.cell_sigma,
            tolerance_mm=data.tolerance,
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


def _chain_around(data: _Data) -> Chain:
    """Divide an outline without corners: once from anywhere, once more from a node that turned out to be needed."""
    points, total = data.points, len(data.points)
    start = int(np.argmax(ndimage.uniform_filter1d(data.trust, min(total, 51), mode="wrap")))
    for again in (True, False):
        ring = np.roll(points, -start, axis=0)
        division = divide(
            np.vstack([ring, ring[:1]]),
            trust=np.roll(data.trust, -start)[np.arange(total + 1) % total],
            cell_sigma_mm=data.cell_sigma,
            tolerance_mm=data.tolerance,
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


def _fit_until_adequate(chain: Chain, data: _Data) -> None:
    """Fit; where a piece leaves a systematic deviation divide it, and keep that where it pays."""
    fit_chain(chain, data.points, data.weight, spacing_mm=data.spacing)
    chi, poor = _adequacy(chain, data)
    for _ in range(4):
        if not poor:
            break
        before, cost = chain.copy(), chi + _price(chain)
        for k in sorted(poor, reverse=True):
            _divide_piece(chain, k, data.points)
        fit_chain(chain, data.points, data.weight, spacing_mm=data.spacing)
        chi, poor = _adequacy(chain, data)
        if chi + _price(chain) >= cost:
            chain.restore(before)
            break
    _drop_needless_nodes(chain, data)


def _price(chain: Chain) -> float:
    return sum(_PIECE_PRICE[kind] for kind in chain.kinds)


def _adequacy(chain: Chain, data: _Data) -> tuple[float, list[int]]:
    """Return the chi-square of the millimetre means, and the pieces with a systematic deviation."""
    total, poor = 0.0, []
    seen = data.seen.astype(np.float64)
    for k, (own, off, _) in enumerate(measure_chain(chain, data.points, seen, data.spacing)):
        if len(own) < 8:
            continue
        cell = max(1, min(round(1.0 / data.spacing), len(own) // 4))
        smooth = ndimage.uniform_filter1d(off, cell, mode="nearest")[cell // 2 :: cell]
        length = len(own) * data.spacing
        chi = float((smooth**2).mean()) / data.cell_sigma**2
        # A few millimetres of misreading must not call for a node: their share is bounded.
        share = np.minimum(smooth**2 / data.cell_sigma**2, 25.0 * max(chi, 1.0))
        chi = float(share.mean())
        total += chi * length
        too_far = bool(np.sort(np.abs(smooth))[-2:].min() > 0.9 * data.tolerance)
        if length > 3.0 and ((chi * length > 30 and chi > 2.0) or too_far):
            poor.append(k)
    return total, poor


_MOST_PIECES_THINNED = 40
"""Each try fits the whole outline again. Drawn pieces have fewer; a ragged edge (a torn leaf) would take minutes."""


def _drop_needless_nodes(chain: Chain, data: _Data) -> None:
    """Take out smooth nodes between cubics one at a time where the whole then costs less."""
    if chain.pieces > _MOST_PIECES_THINNED:
        return
    tried: set[tuple[float, float]] = set()
    cost = _adequacy(chain, data)[0] + _price(chain)
    while chain.pieces > 2:
        choices = [
            k
            for k in range(len(chain.nodes))
            if not chain.free[k]
            and (chain.closed or 0 < k < len(chain.nodes) - 1)
            and chain.kinds[k - 1] == chain.kinds[k] == "cubic"
            and (round(float(chain.nodes[k, 0]), 1), round(float(chain.nodes[k, 1]), 1)) not in tried
        ]
        if not choices:
            return
        k = min(choices, key=lambda k: _kept_bend(chain, k))
        tried.add((round(float(chain.nodes[k, 0]), 1), round(float(chain.nodes[k, 1]), 1)))
        if _kept_bend(chain, k) > math.radians(100):
            return
        if not _one_piece_might_do(chain, k, data):
            continue
        before = chain.copy()
        _remove_node(chain, k, data.points)
        fit_chain(chain, data.points, data.weight, spacing_mm=data.spacing)
        now = _adequacy(chain, data)[0] + _price(chain)
        if now < cost and _deviates_within(chain, data):
            cost = now
        else:
            chain.restore(before)


def _one_piece_might_do(chain: Chain, k: int, data: _Data) -> bool:
    """Tell whether one cubic with free ends could replace the two at a node: if not that, then none that is tied."""
    total, n = len(data.points), len(chain.nodes)
    before, after = (k - 1) % n, chain.after(k)
    first, middle, last = (int(chain.places[j]) for j in (before, k, after))
    one, other = (middle - first) % total, (last - middle) % total
    own = (first + np.arange(one + other + 1)) % total
    part = replace(data, points=data.points[own], sigma=data.sigma[own], seen=data.seen[own], trust=data.trust[own])

    def chain_of(nodes: list[int], places: list[int]) -> Chain:
        pieces = [before, k][: len(nodes) - 1]
        ends = [before, k] if len(nodes) == 3 else [k]
        return Chain(
            nodes=chain.nodes[nodes].copy(),
            free=np.ones(len(nodes), bool),
            places=np.array(places, dtype=np.intp),
            kinds=["cubic"] * (len(nodes) - 1),
            start_rad=chain.start_rad[pieces].copy(),
            end_rad=chain.end_rad[ends].copy(),
            start_log=chain.start_log[pieces].copy(),
            end_log=chain.end_log[ends].copy(),
            reach=chain.reach[nodes].copy(),
            closed=False,
        )

    apart = chain_of([before, k, after], [0, one, one + other])
    together = chain_of([before, after], [0, one + other])
    together.start_log += math.log((one + other) / max(one, 1))
    together.end_log += math.log((one + other) / max(other, 1))
    fit_chain(together, part.points, part.weight, spacing_mm=data.spacing, iterations=12)
    return _adequacy(together, part)[0] < _adequacy(apart, part)[0] + _PIECE_PRICE["cubic"]


def _deviates_within(chain: Chain, data: _Data) -> bool:
    for own, off, _ in measure_chain(chain, data.points, data.seen.astype(np.float64), data.spacing):
        cell = max(1, min(round(1.0 / data.spacing), len(own)))
        if len(own) and float(np.abs(ndimage.uniform_filter1d(off, cell, mode="nearest")).max()) > data.tolerance:
            return False
    return True


def _kept_bend(chain: Chain, k: int) -> float:
    """Return how far the direction turns over the two pieces at a node (one cubic must then take it all)."""
    before = (k - 1) % chain.pieces
    turn = 0.0
    for piece in (before, k):
        d = chain.end_rad[piece] - chain.start_rad[piece]
        turn += abs((d + math.pi) % (2 * math.pi) - math.pi)
    return turn


def _remove_node(chain: Chain, k: int, points: NDArray[np.float64]) -> None:
    before = (k - 1) % chain.pieces
    start, start_log = chain.start_rad[before], chain.start_log[before]
    end, end_log = chain.end_rad[k], chain.end_log[k]
    one, other = (float(np.hypot(*np.diff(chain.control(p)[[0, -1]], axis=0)[0])) for p in (before, k))
    chain.nodes = np.delete(chain.nodes, k, axis=0)
    chain.free, chain.reach = np.delete(chain.free, k), np.delete(chain.reach, k)
    chain.places = np.delete(chain.places, k)
    chain.start_rad, chain.end_rad = np.delete(chain.start_rad, k), np.delete(chain.end_rad, k)
    chain.start_log, chain.end_log = np.delete(chain.start_log, k), np.delete(chain.end_log, k)
    del chain.kinds[k]
    merged = before if before < k else before - 1
    chain.start_rad[merged], chain.end_rad[merged] = start, end
    # Half a curve's handle becomes the whole curve's: they grow as the chord does.
    chain.start_log[merged] = start_log + math.log((one + other) / max(one, 1e-6))
    chain.end_log[merged] = end_log + math.log((one + other) / max(other, 1e-6))


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


def _deviation(chain: Chain, path: Path, data: _Data) -> tuple[float, tuple[Exceeded, ...]]:
    """Measure outline against evidence in both directions."""
    points, seen, spacing, tolerance = data.points, data.seen, data.spacing, data.tolerance
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
