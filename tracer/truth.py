"""A traced outline against a known drawing.

Used by the demo, where the drawing is known exactly. The distance is taken densely both ways, from the traced outline
to the drawing and back, after the best shift and turn (no scaling: a wrong scale must show).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.path import Path

_SPACING_MM = 0.1
_ROUNDS = 30
_COARSE_POINTS = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Distance between a traced outline and its drawing, mm; estimated on points 0.1 mm apart.

    ``scale_percent`` is how much larger the traced outline is than the drawing, fitted apart from the distances.
    """

    p95_mm: float
    max_mm: float
    rms_mm: float
    scale_percent: float


def _resampled(path: Path) -> NDArray[np.float64]:
    return np.asarray(path.sample(_SPACING_MM)[0])


def _to_polyline(points: NDArray[np.float64], line: NDArray[np.float64], tree: cKDTree) -> NDArray[np.float64]:
    """Nearest points on the closed polyline ``line`` (by its nearest vertex's two neighbouring stretches)."""
    nearest = tree.query(points)[1]
    best = np.full(len(points), np.inf)
    foot = np.empty_like(points)
    for step in (-1, 0):
        a = line[(nearest + step) % len(line)]
        b = line[(nearest + step + 1) % len(line)]
        d = b - a
        t = np.clip(((points - a) * d).sum(axis=1) / np.maximum((d**2).sum(axis=1), 1e-18), 0.0, 1.0)
        candidate = a + t[:, None] * d
        distance = np.hypot(*(candidate - points).T)
        closer = distance < best
        best[closer], foot[closer] = distance[closer], candidate[closer]
    return foot


def _align(
    moving: NDArray[np.float64], line: NDArray[np.float64], tree: cKDTree, *, with_scale: bool
) -> tuple[NDArray[np.float64], float]:
    """Move points onto a closed polyline by least squares of the distances across it; return them and the scale.

    Gauss-Newton on point-to-line distances (Chen and Medioni 1992): sliding along the line costs nothing, so that a
    scale is not hidden by points that find a nearer neighbour further along.
    """
    tangents = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
    normals = np.stack([tangents[:, 1], -tangents[:, 0]], axis=1) / np.hypot(*tangents.T)[:, None]
    total_scale = 1.0
    for _ in range(_ROUNDS):
        foot = _to_polyline(moving, line, tree)
        n = normals[tree.query(foot)[1]]
        centre = moving.mean(axis=0)
        p = moving - centre
        columns = [n[:, 0], n[:, 1], n[:, 1] * p[:, 0] - n[:, 0] * p[:, 1]]
        if with_scale:
            columns.append((n * p).sum(axis=1))
        step, *_ = np.linalg.lstsq(np.stack(columns, axis=1), ((foot - moving) * n).sum(axis=1), rcond=None)
        c, s = np.cos(step[2]), np.sin(step[2])
        scale = 1.0 + step[3] if with_scale else 1.0
        new = centre + step[:2] + scale * p @ np.array([[c, s], [-s, c]])
        total_scale *= scale
        moved_mm = float(np.abs(new - moving).max())
        moving = new
        if moved_mm < 1e-6:
            break
    return moving, total_scale


def _starts(moving: NDArray[np.float64], fixed: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """First guesses of the turn: the principal axes of both, either way round, and none at all."""

    def axis(points: NDArray[np.float64]) -> float:
        _, vectors = np.linalg.eigh(np.cov(points.T))
        return float(np.arctan2(vectors[1, 1], vectors[0, 1]))

    turn = axis(fixed) - axis(moving)
    angles = [0.0, turn, turn + np.pi]
    return [np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) for a in angles]


def coarse_rms_mm(traced: Path, drawn: Path) -> float:
    """Return about how far an outline lies from a drawing (root mean square of some hundred points, best fit)."""
    return _coarse_place(traced, drawn)[2]


def _coarse_place(traced: Path, drawn: Path) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return the turn (applied from the right) and shift that bring a coarse outline onto the drawing, and its rms."""
    a, b = (np.asarray(p.sample(max(_SPACING_MM, p.length / _COARSE_POINTS))[0]) for p in (traced, drawn))
    tree = cKDTree(b)
    best: tuple[float, NDArray[np.float64]] | None = None
    for rotation in _starts(a, b):
        start = a @ rotation
        moved, _ = _align(start - start.mean(axis=0) + b.mean(axis=0), b, tree, with_scale=False)
        rms = float(np.sqrt(np.mean((_to_polyline(moved, b, tree) - moved) ** 2) * 2))
        if best is None or rms < best[0]:
            best = (rms, moved)
    assert best is not None
    # The rigid motion that took the points there (Kabsch 1976).
    rms, moved = best
    u, _, vt = np.linalg.svd((a - a.mean(axis=0)).T @ (moved - moved.mean(axis=0)))
    rotation = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return rotation, moved.mean(axis=0) - a.mean(axis=0) @ rotation, rms


def compare(traced: Path, drawn: Path) -> Agreement:
    """Measure how far a traced outline lies from the drawing."""
    # Where it lies is found on some hundred points; how far it lies is then measured densely.
    rotation, shift, _ = _coarse_place(traced, drawn)
    a, b = _resampled(traced), _resampled(drawn)
    tree_b = cKDTree(b)
    moved, _ = _align(a @ rotation + shift, b, tree_b, with_scale=False)
    _, scale = _align(moved, b, tree_b, with_scale=True)
    there = np.hypot(*(_to_polyline(moved, b, tree_b) - moved).T)
    back = np.hypot(*(_to_polyline(b, moved, cKDTree(moved)) - b).T)
    both = np.concatenate([there, back])
    return Agreement(
        p95_mm=float(np.percentile(both, 95)),
        max_mm=float(both.max()),
        rms_mm=float(np.sqrt(np.mean(both**2))),
        scale_percent=(1.0 / scale - 1.0) * 100.0,
    )
