"""From a fitted chain to a path that does not cross itself, and how far it is from its evidence."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from tracer.curves.chain import Chain, own_points
from tracer.curves.chain_fit import measure_chain
from tracer.curves.given import Given
from tracer.errors import PathError
from tracer.path import Path
from tracer.segments import evaluate

_SIMPLE_MM = 0.005
_TORN_SHARE = 0.2
"""Share of a piece's points beyond twice the tolerance from which on it is no smooth line (our own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exceeded:
    """A place at which the outline is farther from its evidence than the tolerance."""

    at: tuple[float, float]
    distance_mm: float


def settle(chain: Chain, data: Given) -> tuple[Path, set[int]]:
    """Return the chain as a path that does not cross itself, and the pieces that had to become plain polylines.

    A piece becomes one where it strays from its points or doubles back (ragged or contradictory evidence); then, while
    the path crosses itself, the pieces that wind most.
    """
    plain = {k for k, measured in enumerate(_seen_offsets(chain, data)) if _strays(chain, k, measured, data)}
    for _ in range(4):
        path = Path(tuple(s for k in range(chain.pieces) for s in _segments_of(chain, k, data, plain)))
        if _is_simple(path):
            return path, plain
        rest = sorted((k for k in range(chain.pieces) if k not in plain), key=lambda k: -_winding(chain, k))
        plain |= set(rest[: max(1, chain.pieces // 6)])
    ring = shapely.Polygon(data.points).buffer(0)
    largest = max(shapely.get_parts(ring), key=lambda part: part.area, default=None)
    if largest is None or largest.is_empty:
        raise PathError("the points enclose no area; a closed outline is needed")
    corners = shapely.get_coordinates(largest.exterior.simplify(_plain_mm(data)))[:-1]
    return Path.polygon(corners), set(range(chain.pieces))


def _is_simple(path: Path) -> bool:
    """Say whether a path encloses something and does not cross itself."""
    ring = np.asarray(path.flatten(_SIMPLE_MM))
    return len(ring) >= 3 and path.area > 0 and bool(shapely.LinearRing(ring).is_simple)


def _segments_of(chain: Chain, k: int, data: Given, plain: set[int]) -> list[NDArray[np.float64]]:
    if k not in plain:
        return [chain.control(k)]
    points = data.points[own_points(chain, k, len(data.points))].copy()
    points[0], points[-1] = chain.nodes[k], chain.nodes[chain.after(k)]
    corners = shapely.get_coordinates(shapely.LineString(points).simplify(_plain_mm(data)))
    return [np.array(pair) for pair in itertools.pairwise(corners)]


def _plain_mm(data: Given) -> float:
    """Return how closely a polyline follows its points: not closer than they are known."""
    seen = data.sigma[data.seen]
    return max(data.tolerance / 2, 2.0 * float(np.median(seen)) if len(seen) else 0.0)


def _seen_offsets(chain: Chain, data: Given) -> list[NDArray[np.float64]]:
    """Return for each piece the distances of the points that were seen, averaged over half a millimetre.

    They are shares of what is allowed.
    """
    cell = max(1, round(0.5 / data.spacing))
    measured = measure_chain(chain, data.points, data.seen.astype(np.float64), data.spacing)
    return [
        np.abs(ndimage.uniform_filter1d(off, min(cell, len(off)), mode="nearest")) / data.allowed[own]
        if len(off)
        else off
        for own, off, _ in measured
    ]


def _strays(chain: Chain, k: int, offsets: NDArray[np.float64], data: Given) -> bool:
    own = data.points[own_points(chain, k, len(data.points))]
    along = float(np.hypot(*np.diff(own, axis=0).T).sum())
    curve = evaluate(chain.control(k), np.linspace(0, 1, 65))
    around = float(np.hypot(*np.diff(curve, axis=0).T).sum())
    # A short stretch that is far off has strayed along something else; only where much is far was the edge really torn.
    far = len(offsets) > 0 and float((offsets > 2.0).mean()) > _TORN_SHARE
    return len(own) > 2 and (far or around > 1.3 * along + 1.0)


def _winding(chain: Chain, k: int) -> float:
    """Return how much longer than its chord a piece's control polygon is."""
    control = chain.control(k)
    chord = float(np.hypot(*(control[-1] - control[0])))
    return float(np.hypot(*np.diff(control, axis=0).T).sum()) / max(chord, 1e-9)


def measure_deviation(chain: Chain, path: Path, data: Given, plain: set[int]) -> tuple[float, tuple[Exceeded, ...]]:
    """Measure outline against evidence in both directions."""
    points, seen, spacing, tolerance = data.points, data.seen, data.spacing, data.tolerance
    worst, places = 0.0, []
    cell = max(1, round(0.5 / spacing))
    for piece, (own, off, _) in enumerate(measure_chain(chain, points, seen.astype(np.float64), spacing)):
        if len(own) == 0 or piece in plain:
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
