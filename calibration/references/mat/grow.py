"""From a piece of lattice to every node of the grid that can be seen.

The nodes found so far give a camera (plane and lens, priors where they say nothing yet); the camera says where the
next nodes are and how surely; lines are looked for there and nowhere else, as far away as the prediction can be
trusted. So the grid grows over gaps of any size once enough of it is known, and indices cannot slip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera_fit import CameraFit, fit_camera
from calibration.camera_model import Priors
from calibration.camera_solve import ROUGH_CHI2
from calibration.errors import ScaleError
from calibration.picture import MmPoints, PxPoints
from calibration.references.mat.profiles import Stretches, joined, measure

Array = NDArray[np.float64]

GRID_PRIORS = Priors(k1_sigma=0.08, k2_sigma=0.08, k3_sigma=0.05)
"""A grid is a lens chart: let it speak."""
_ROUNDS = 14
_GROWING_SAMPLES = 10
_FEWEST_SAMPLES, _MOST_SAMPLES = 9, 32
_FAIR = 6.0
_AGREE_PX = 0.5
_FAINTEST = 0.12
_FEWEST_NODES = 9
_SHARPEST_SIGMA_PX = 0.35
_REACH_SIGMAS = 4.0
_REACH_FLOOR_PX = 1.2
_REACH_OF_PITCH = 0.36
_TRUSTED_OF_PITCH = 0.15
"""A node is looked for where its predicted place is known to this share of the pitch (one standard deviation)."""
_STRAYED, _LEAST_TRUST = 20.0, 0.04
"""A fit so many times worse than the one before took something else for crossings: that share is halved then, twice
at most (judgement)."""
_FLOOR_SIGMA_PX = 0.03
"""No printed line is known better than this: resampling, fibres and print raster."""
_MOST_FITTED = 250
_MANY_NODES, _HOPELESS_CHI2 = 60, 50.0
"""So few nodes that miss by so much are chance: crossings of a mat's lines fit within a few, of lifted ones there are
many before they miss (measured)."""
_SCATTERED = 1.2
"""Pixels of the reduced copy that most crossings of a seed may be off: true ones are within 0.6 (measured)."""
_AHEAD = 20
_REACHES_PX = (2.0, 5.0, 1e9)
_WIDTHS_PX = (0.9, 1.3, 2.0, 3.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Lattice:
    """A grown grid.

    Parameters
    ----------
    nodes : ndarray of int, shape (N, 2)
        Indices (column, row).
    points_px, sigma_px : ndarray
        Measured nodes, shape (N, 2), and their standard uncertainty, shape (N,).
    fit : CameraFit
        Pixels to lattice units.
    starts, ends : ndarray, shape (E, 2)
        All stretches that were looked at in the last round, with ``stretches`` and ``present``.
    light_on_dark : bool
    line_sigma_px : float
    """

    nodes: NDArray[np.intp]
    points_px: Array
    sigma_px: Array
    fit: CameraFit
    starts: Array
    ends: Array
    stretches: Stretches
    present: NDArray[np.bool_]
    light_on_dark: bool
    line_sigma_px: float


@dataclass(frozen=True, kw_only=True, eq=False)
class GridPicture:
    """What growing needs of a picture: linear light at full resolution, and the focal length where it is stated."""

    light: NDArray[np.float32]
    focal_px: float | None


def fit_lattice(
    picture: GridPicture,
    nodes: NDArray[np.intp],
    points: Array,
    sigma: Array,
    start: CameraFit | None = None,
    *,
    settled_chi2: float = 0.02,
) -> CameraFit:
    """Fit plane and lens in lattice units."""
    rows, columns = picture.light.shape
    return fit_camera(
        PxPoints(points),
        MmPoints(nodes.astype(np.float64)),
        sigma,
        width_px=columns,
        height_px=rows,
        focal_px=picture.focal_px,
        model="photo",
        priors=GRID_PRIORS,
        start=start,
        settled_chi2=settled_chi2,
    )


def _candidates(picture: GridPicture, fit: CameraFit, nodes: NDArray[np.intp]) -> tuple[NDArray[np.intp], Array]:
    """Nodes worth looking for, with the standard uncertainty of their predicted place."""
    low, high = nodes.min(axis=0) - _AHEAD, nodes.max(axis=0) + _AHEAD
    i, j = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    all_nodes = np.stack([i.ravel(), j.ravel()], axis=1)
    lattice = all_nodes.astype(np.float64)
    # Beyond the horizon of a tilted plane the map turns over: keep to what lies in front of the camera.
    h = np.linalg.inv(fit.plane.homography)
    depth = lattice @ h[2, :2] + h[2, 2]
    all_nodes, lattice = all_nodes[depth > 0.2 * np.median(depth)], lattice[depth > 0.2 * np.median(depth)]
    points = fit.plane.to_px(MmPoints(lattice))
    rows, columns = picture.light.shape
    inside = (points > -20).all(axis=1) & (points[:, 0] < columns + 20) & (points[:, 1] < rows + 20)
    back = np.full(len(points), np.inf)
    back[inside] = np.abs(fit.plane.to_mm(PxPoints(points[inside])) - lattice[inside]).max(axis=1)
    inside &= back < 1e-3  # a lens polynomial may fold over outside the seen region
    all_nodes, points = all_nodes[inside], points[inside]
    if len(all_nodes) == 0:
        return all_nodes, np.zeros(0)
    return all_nodes, fit.position_sigma_px(MmPoints(all_nodes.astype(np.float64)))


def _stretches_between(nodes: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """All pairs of neighbouring candidate nodes, as indices into ``nodes``: along columns first, then along rows."""
    low = nodes.min(axis=0)
    size = nodes.max(axis=0) - low + 2
    table = np.full((size[0] + 1, size[1] + 1), -1, dtype=np.intp)
    table[nodes[:, 0] - low[0], nodes[:, 1] - low[1]] = np.arange(len(nodes))
    starts, ends = [], []
    for step in ((1, 0), (0, 1)):
        other = table[nodes[:, 0] - low[0] + step[0], nodes[:, 1] - low[1] + step[1]]
        has = other >= 0
        starts.append(np.nonzero(has)[0])
        ends.append(other[has])
    return np.concatenate(starts), np.concatenate(ends)


def _nodes_from(
    nodes: NDArray[np.intp],
    starts: NDArray[np.intp],
    ends: NDArray[np.intp],
    stretches: Stretches,
    accepted: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], Array, Array]:
    """Shift of each node from its predicted place: where its two lines, each read beside the node, cross."""
    count = len(nodes)
    horizontal = nodes[starts, 1] == nodes[ends, 1]
    lines = []
    for family in (horizontal, ~horizontal):
        weight, total, normal = np.zeros(count), np.zeros(count), np.zeros((count, 2))
        for half, at in ((0, starts), (1, ends)):
            use = accepted[:, half] & family
            w = 1 / (stretches.sigmas_px[use, half] ** 2 + _FLOOR_SIGMA_PX**2)
            np.add.at(weight, at[use], w)
            np.add.at(total, at[use], w * stretches.offsets_px[use, half])
            np.add.at(normal, at[use], w[:, None] * stretches.normals[use, half])
        safe = np.maximum(weight, 1e-12)
        lines.append((weight > 0, total / safe, normal / safe[:, None], 1 / np.sqrt(safe)))
    (seen1, d1, n1, s1), (seen2, d2, n2, s2) = lines
    det = n1[:, 0] * n2[:, 1] - n1[:, 1] * n2[:, 0]
    good = seen1 & seen2 & (np.abs(det) > 0.4)
    det = np.where(good, det, 1.0)
    shift = np.stack([(d1 * n2[:, 1] - d2 * n1[:, 1]) / det, (n1[:, 0] * d2 - n2[:, 0] * d1) / det], axis=1)
    return good, shift, np.sqrt((s1**2 + s2**2) / 2)


def _thinned(count: int) -> NDArray[np.intp]:
    return np.unique(np.linspace(0, count - 1, min(count, _MOST_FITTED)).astype(np.intp))


def _accept(
    nodes: NDArray[np.intp], starts: NDArray[np.intp], ends: NDArray[np.intp], stretches: Stretches, limit: Array
) -> NDArray[np.bool_]:
    """Halves that are lines of the grid: clear, sharp, near where they should be, and never alone.

    A half stretch counts only where its line goes on: in the other half of the stretch, or beyond the node. One clear
    half by itself is texture, an edge of paper or a letter more often than a line.
    """
    offsets, sigmas = stretches.offsets_px, stretches.sigmas_px
    with np.errstate(invalid="ignore"):
        fair = (sigmas < _SHARPEST_SIGMA_PX) & (np.abs(offsets) < limit[:, None]) & (stretches.significance > _FAIR)
    if fair.any():
        # Faint lines under tissue keep a tenth of the light; what is fainter is texture.
        fair &= np.nan_to_num(stretches.heights) > _FAINTEST * np.median(stretches.heights[fair])

    def alike(i: NDArray[np.intp], a: int, j: NDArray[np.intp], b: int) -> NDArray[np.bool_]:
        gap = np.abs(offsets[i, a] - offsets[j, b])
        near = gap < 3 * np.hypot(sigmas[i, a], sigmas[j, b]) + _AGREE_PX
        return np.asarray(fair[i, a] & fair[j, b] & near)

    everyone = np.arange(len(starts))
    accepted = np.zeros_like(fair)
    with np.errstate(invalid="ignore"):
        accepted |= alike(everyone, 0, everyone, 1)[:, None]
        level = nodes[starts, 1] == nodes[ends, 1]
        for family in (level, ~level):
            beginning = np.full(len(nodes), -1)
            beginning[starts[family]] = everyone[family]
            here = everyone[family & (beginning[ends] >= 0)]
            beyond = beginning[ends[here]]
            on = alike(here, 1, beyond, 0)
            accepted[here[on], 1] = True
            accepted[beyond[on], 0] = True
    return accepted


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """One look at a set of candidate nodes."""

    nodes: NDArray[np.intp]
    points_px: Array
    sigma_px: Array
    starts: Array
    ends: Array
    stretches: Stretches
    present: NDArray[np.bool_]


def look(
    picture: GridPicture,
    fit: CameraFit,
    nodes: NDArray[np.intp],
    predicted_px: Array,
    *,
    line_sigma_px: float,
    light_on_dark: bool,
    samples: int,
    step_px: float,
) -> Look:
    """Look for the lines between candidate nodes, each within what its prediction allows."""
    lattice = nodes.astype(np.float64)
    starts, ends = _stretches_between(nodes)
    points = fit.plane.to_px(MmPoints(lattice))
    pitch = np.linalg.norm(points[ends] - points[starts], axis=1)
    limit = np.clip(
        _REACH_SIGMAS * np.maximum(predicted_px[starts], predicted_px[ends]) + _REACH_FLOOR_PX,
        None,
        _REACH_OF_PITCH * pitch,
    )
    # Well predicted lines are looked for in a narrow band only: it is quicker, and less else is in it.
    band = np.digitize(limit, _REACHES_PX[:-1])
    parts = [
        (
            np.nonzero(band == b)[0],
            measure(
                picture.light,
                fit.plane,
                lattice[starts[band == b]],
                lattice[ends[band == b]],
                reach_px=float(np.quantile(limit[band == b], 0.98)),
                line_sigma_px=line_sigma_px,
                light_on_dark=light_on_dark,
                samples=samples,
                step_px=step_px,
            ),
        )
        for b in np.unique(band)
    ]
    stretches = joined(parts, len(starts))
    accepted = _accept(nodes, starts, ends, stretches, limit)
    good, shift, sigma = _nodes_from(nodes, starts, ends, stretches, accepted)
    return Look(
        nodes=nodes[good],
        points_px=points[good] + shift[good],
        sigma_px=sigma[good],
        starts=lattice[starts],
        ends=lattice[ends],
        stretches=stretches,
        present=accepted,
    )


def line_width(
    picture: GridPicture, nodes: NDArray[np.intp], points: Array, *, light_on_dark: bool, read_px: float = 1.0
) -> tuple[float, CameraFit] | None:
    """Return the standard deviation of the lines' profile that fits a seed best, and a camera to begin from.

    None where no line is seen, or the crossings, read on pixels of size ``read_px``, are no plane's.
    """
    try:
        fit = fit_lattice(picture, nodes, points, np.full(len(nodes), 1.0), settled_chi2=ROUGH_CHI2)
    except (ScaleError, np.linalg.LinAlgError):
        return None
    starts, ends = _stretches_between(nodes)
    if len(starts) < 6 or fit.reduced_chi2 > (_SCATTERED * read_px) ** 2:
        return None
    some = np.unique(np.linspace(0, len(starts) - 1, min(60, len(starts))).astype(np.intp))
    starts, ends = starts[some], ends[some]
    points = fit.plane.to_px(MmPoints(nodes.astype(np.float64)))
    pitch = float(np.median(np.linalg.norm(points[ends] - points[starts], axis=1)))
    clear = []
    for sigma in _WIDTHS_PX:
        got = measure(
            picture.light,
            fit.plane,
            nodes[starts].astype(np.float64),
            nodes[ends].astype(np.float64),
            reach_px=min(6.0, 0.2 * pitch),
            line_sigma_px=sigma,
            light_on_dark=light_on_dark,
            samples=_GROWING_SAMPLES,
            step_px=0.5,
        )
        known = np.isfinite(got.significance)
        clear.append(float(np.median(got.significance[known])) if known.sum() >= 6 else 0.0)
    best = int(np.argmax(clear))
    return (_WIDTHS_PX[best], fit) if clear[best] > _FAIR else None


def supported(nodes: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Return which nodes have at least two of their four neighbours among the nodes.

    A lattice may have been started twice, three or five times too fine: the step that supports most nodes counts.
    """
    keys = {(int(i), int(j)) for i, j in nodes}
    best = np.zeros(len(nodes), dtype=bool)
    for step in (1, 2, 3, 5):
        around = ((step, 0), (-step, 0), (0, step), (0, -step))
        held = np.asarray([sum((i + a, j + b) in keys for a, b in around) >= 2 for i, j in nodes.tolist()], dtype=bool)
        if held.sum() > 1.5 * best.sum():
            best = held
    return best


class _Book:
    """Nodes by index: what was found where, and how sure the prediction was when a node was last looked for."""

    def __init__(self, nodes: NDArray[np.intp], points: Array) -> None:
        self.found = {(int(i), int(j)): (p, 1.0) for (i, j), p in zip(nodes, points, strict=True)}
        self.looked: dict[tuple[int, int], float] = {}

    def arrays(self) -> tuple[NDArray[np.intp], Array, Array]:
        nodes = np.asarray(list(self.found), dtype=np.intp).reshape(-1, 2)
        points = np.asarray([v[0] for v in self.found.values()]).reshape(-1, 2)
        return nodes, points, np.asarray([v[1] for v in self.found.values()])

    def wanted(self, candidates: NDArray[np.intp], predicted: Array) -> NDArray[np.bool_]:
        """Candidates worth a look, with their neighbours: never looked for, or now much better predicted."""
        keys = [(int(i), int(j)) for i, j in candidates]
        new = {
            k
            for k, s in zip(keys, predicted, strict=True)
            if s < 0.5 * self.looked.get(k, np.inf) and k not in self.found
        }
        around = {(i + a, j + b) for i, j in new for a, b in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1))}
        return np.asarray([k in around for k in keys], dtype=bool)


@dataclass(frozen=True, slots=True, eq=False)
class _Before:
    """What was known before the last look: nodes found, what was looked for, the camera, and the pitch in pixels."""

    found: dict[tuple[int, int], tuple[Array, float]]
    looked: dict[tuple[int, int], float]
    fit: CameraFit
    nodes: NDArray[np.intp]
    spacing: float

    @property
    def chi2(self) -> float:
        return self.fit.reduced_chi2


def grow(
    picture: GridPicture,
    nodes: NDArray[np.intp],
    points: Array,
    *,
    light_on_dark: bool,
    line_sigma_px: float = 1.2,
    start: CameraFit | None = None,
) -> tuple[CameraFit, NDArray[np.intp]] | None:
    """Grow a lattice from a seed's nodes (full-resolution pixels), beginning from a camera where there is one.

    Returns the camera in lattice units and the nodes found, or None where the picture does not bear the seed out.
    """
    book = _Book(nodes, points)
    result: tuple[CameraFit, NDArray[np.intp]] | None = None
    before: _Before | None = None
    fit, trust = start, _TRUSTED_OF_PITCH
    for turn in range(_ROUNDS):
        nodes, points, sigma = book.arrays()
        order = np.argsort(sigma, kind="stable")
        keep = order[_thinned(len(nodes))]
        try:
            fit = fit_lattice(picture, nodes[keep], points[keep], sigma[keep], fit, settled_chi2=ROUGH_CHI2)
        except (ScaleError, np.linalg.LinAlgError):
            return result
        if turn > 0 and len(nodes) < _MANY_NODES and fit.reduced_chi2 > _HOPELESS_CHI2:
            return None
        if before is not None and trust > _LEAST_TRUST and fit.reduced_chi2 > _STRAYED * max(1.0, before.chi2):
            # What was taken for crossings far from those known was something else: not so far at once.
            trust /= 2
            book.found, book.looked, fit = dict(before.found), dict(before.looked), before.fit
            nodes, spacing = before.nodes, before.spacing
        else:
            if turn > 0:
                result = (fit, nodes)
            good = (
                np.linalg.norm(fit.plane.to_px(MmPoints(nodes.astype(np.float64))) - points, axis=1)
                < _REACH_FLOOR_PX + 4 * sigma
            )
            if turn == 0:
                book.found.clear()  # a seed's crossings are rough: they are measured anew
            elif not good.all():
                for k in nodes[~good]:
                    del book.found[(int(k[0]), int(k[1]))]
            nodes = nodes[good] if good.sum() >= 6 else nodes
            spacing = float(np.median(1 / np.maximum(fit.plane.mm_per_px(PxPoints(points[keep])), 1e-9)))
            before = _Before(dict(book.found), dict(book.looked), fit, nodes, spacing)
        candidates, predicted = _candidates(picture, fit, nodes)
        trusted = predicted < trust * spacing
        candidates, predicted = candidates[trusted], predicted[trusted]
        wanted = book.wanted(candidates, predicted)
        candidates, predicted = candidates[wanted], predicted[wanted]
        if len(candidates) < 4:
            break
        seen = look(
            picture,
            fit,
            candidates,
            predicted,
            line_sigma_px=line_sigma_px,
            light_on_dark=light_on_dark,
            samples=_GROWING_SAMPLES,
            step_px=1.0,
        )
        book.looked.update({(int(i), int(j)): float(s) for (i, j), s in zip(candidates, predicted, strict=True)})
        book.found.update(
            {
                (int(i), int(j)): (p, float(s))
                for (i, j), p, s in zip(seen.nodes, seen.points_px, seen.sigma_px, strict=True)
            }
        )
        if len(book.found) < _FEWEST_NODES or np.ptp(np.asarray(list(book.found)), axis=0).min() < 2:
            return result
    return result


def settle(
    picture: GridPicture, fit: CameraFit, nodes: NDArray[np.intp], *, light_on_dark: bool, line_sigma_px: float = 1.2
) -> Lattice | None:
    """Measure every node of a grown lattice once more, finely and near its place, and fit the last time.

    None where hardly any node is left.
    """
    low, high = nodes.min(axis=0) - 1, nodes.max(axis=0) + 1
    candidates, predicted = _candidates(picture, fit, nodes)
    kept = ((candidates >= low) & (candidates <= high)).all(axis=1)
    samples = int(np.clip(_MOST_SAMPLES * np.sqrt(600 / max(1, kept.sum())), _FEWEST_SAMPLES, _MOST_SAMPLES))
    seen = look(
        picture,
        fit,
        candidates[kept],
        np.minimum(predicted[kept], 0.5),
        line_sigma_px=line_sigma_px,
        light_on_dark=light_on_dark,
        samples=samples,
        step_px=0.5,
    )
    if len(seen.nodes) < _FEWEST_NODES or np.ptp(seen.nodes, axis=0).min() < 2:
        return None
    last = fit_lattice(picture, seen.nodes, seen.points_px, seen.sigma_px, fit)
    return Lattice(
        nodes=seen.nodes,
        points_px=seen.points_px,
        sigma_px=seen.sigma_px,
        fit=last,
        starts=seen.starts,
        ends=seen.ends,
        stretches=seen.stretches,
        present=seen.present,
        light_on_dark=light_on_dark,
        line_sigma_px=line_sigma_px,
    )
