"""Gentle regularity: what is straight, round, square, parallel or symmetrical within its uncertainty is made so.

Drawings are regular and measurements are not. Each change here is tried on its own, measured densely against the
outline before it, and kept only when no point moves by more than the limit (twice the outline's standard uncertainty).
Every change that is kept is said in plain words, unless it moves nothing by as much as a thousandth of a millimetre.
Nothing is forced: an edge that is off parallel by more than its uncertainty stays as it was found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.path import Affine, Path, mirror_matrix
from tracer.segments import Segment

Points = NDArray[np.float64]

_MOST_MM = 0.05
"""No regularity is worth moving an outline by more than this (half of the usual tolerance; our own choice)."""
_LEAST_MM = 0.008
"""Below this a move shows in no reference (a fifth of the line of the finest pen; our own choice)."""
_TOLD_MM = 0.001
"""A move smaller than the last digit of any figure that is given is no change to speak of."""
_SMOOTH_DEG = 3.0
_SAMPLE_MM = 0.5
_FINE_SAMPLES, _COARSE_SAMPLES = 800, 50


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Regular:
    """The outline after regularising, and what was done, in plain words."""

    path: Path
    notes: tuple[str, ...]


def regularise(path: Path, *, uncertainty_mm: float) -> Regular:
    """Make an outline regular where its uncertainty allows it.

    Parameters
    ----------
    path : Path
        Positively oriented.
    uncertainty_mm : float
        Standard uncertainty of the outline across itself.

    Returns
    -------
    Regular
        The path unchanged and no notes where nothing was within reach; no note of moves under 0.001 mm. No point moves
        by more than ``max(2 * uncertainty_mm, 0.008)`` a step (0.05 mm at most), measured on samples half a millimetre
        apart.
    """
    limit = min(max(2 * uncertainty_mm, _LEAST_MM), _MOST_MM)
    notes = []
    for step in (_straighten, _round, _align, _mirror):
        change = step(path, limit)
        if change is None:
            continue
        moved = largest_move_mm(path, change[0])
        if moved <= limit and len(change[0].corners) == len(path.corners):
            path = change[0]
            if moved >= _TOLD_MM:
                notes.append(f"{change[1]} (moved by at most {moved:.3f} mm)")
    return Regular(path=path, notes=tuple(notes))


def largest_move_mm(one: Path, other: Path) -> float:
    """Return the largest distance between two outlines, on dense samples of both (estimated, not a bound)."""
    worst = 0.0
    for a, b in ((one, other), (other, one)):
        samples = np.asarray(a.sample(_SAMPLE_MM)[0])
        ring = np.asarray(b.sample(_SAMPLE_MM / 4)[0])
        near = cKDTree(ring).query(samples)[1]
        distance = np.full(len(samples), np.inf)
        for first in (near - 1, near):
            p, q = ring[first % len(ring)], ring[(first + 1) % len(ring)]
            d = q - p
            t = np.clip(((samples - p) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-18), 0, 1)
            distance = np.minimum(distance, np.hypot(*(samples - p - t[:, None] * d).T))
        worst = max(worst, float(distance.max()))
    return worst


Change = tuple[Path, str] | None


def _turn_deg(before: Segment, after: Segment) -> float:
    u, v = before[-1] - before[-2], after[1] - after[0]
    return abs(math.degrees(math.atan2(float(u[0] * v[1] - u[1] * v[0]), float(u @ v))))


def _straighten(path: Path, limit: float) -> Change:
    """Cubics that are straight become lines, and lines in one line become one."""
    segments: list[Segment] = []
    changed = 0
    for seg in path.segments:
        if len(seg) == 4 and _bow(seg) <= limit:
            segments.append(seg[[0, 3]])
            changed += 1
        else:
            segments.append(seg)
    merged = True
    while merged and len(segments) > 3:
        merged = False
        for i in range(len(segments)):
            a, b = segments[i - 1], segments[i]
            if len(a) == 2 and len(b) == 2 and _turn_deg(a, b) < 90:
                joined = np.array([a[0], b[1]])
                if _bow(np.array([a[0], a[1], b[0], b[1]])) <= limit:
                    segments[i - 1] = joined
                    del segments[i]
                    changed += 1
                    merged = True
                    break
    if not changed:
        return None
    edges = "one edge" if changed == 1 else f"{changed} edges"
    return _joined(segments), f"{edges} made exactly straight"


def _bow(seg: Segment) -> float:
    chord = seg[-1] - seg[0]
    length = float(np.hypot(*chord))
    if length < 1e-9:
        return math.inf
    rel = seg[1:-1] - seg[0]
    along = rel @ chord / length
    if along.min() < -1e-6 or along.max() > length + 1e-6:
        return math.inf
    # A cubic bows by at most three quarters of its control points' distance.
    return float(np.abs(rel[:, 0] * chord[1] - rel[:, 1] * chord[0]).max() / length) * 0.75


def _joined(segments: list[Segment]) -> Path:
    out = []
    for i, seg in enumerate(segments):
        fixed = np.array(seg)
        fixed[0] = segments[i - 1][-1]
        out.append(fixed)
    return Path(tuple(out))


def _round(path: Path, limit: float) -> Change:
    """Make an outline without corners that is a circle one of four equal arcs."""
    if path.corners or any(len(s) == 2 for s in path.segments):
        return None
    points = np.asarray(path.sample(max(_SAMPLE_MM, path.length / 400))[0])
    centre = points.mean(axis=0)
    design = np.column_stack([2 * (points - centre), np.ones(len(points))])
    solution = np.linalg.lstsq(design, ((points - centre) ** 2).sum(axis=1), rcond=None)[0]
    middle = centre + solution[:2]
    radius = math.sqrt(max(float(solution[2] + solution[:2] @ solution[:2]), 0.0))
    if np.abs(np.hypot(*(points - middle).T) - radius).max() > limit or 2e-4 * radius > limit:
        return None
    # The handle whose arc departs least from a circle: 1.96e-4 of the radius on either side.
    k = 0.5519150244935106
    quarter = np.array([[1, 0], [1, k], [k, 1], [0, 1]]) * radius
    turns = [np.array([[c, -s], [s, c]]) for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))]
    arcs = tuple(quarter @ t.T + middle for t in turns)
    return Path(arcs).oriented(), f"made exactly round, radius {radius:.3f} mm"


def _align(path: Path, limit: float) -> Change:
    """Turn straight edges that are parallel or square to each other within the limit exactly so."""
    lines = [k for k, s in enumerate(path.segments) if len(s) == 2]
    if len(lines) < 2:
        return None
    vector = np.array([path.segments[k][1] - path.segments[k][0] for k in lines])
    length = np.hypot(*vector.T)
    angle = np.arctan2(vector[:, 1], vector[:, 0])
    order = np.argsort(-length)
    target = angle.copy()
    group = -np.ones(len(lines), dtype=np.intp)
    for number, lead in enumerate(order):
        if group[lead] >= 0:
            continue
        # Quarter turns away from the longest edge of the group count as the same direction.
        miss = (angle - angle[lead] + math.pi / 4) % (math.pi / 2) - math.pi / 4
        reach = limit * (1 / length + 1 / length[lead])
        members = (np.abs(miss) <= reach) & (group < 0) & (length > 3 * limit)
        group[members] = number
        if not members.any():
            # The edge itself is too short to have a direction worth keeping.
            continue
        mean = float((miss[members] * length[members] ** 3).sum() / (length[members] ** 3).sum())
        target[members] = angle[members] - miss[members] + mean
    joint = [g for g in np.unique(group[group >= 0]) if (group == g).sum() > 1]
    if not joint or np.abs((target - angle) * length).max() < 1e-7:
        return None
    turned = {k: float(t) for k, t, g in zip(lines, target, group, strict=True) if g in joint}
    moved = _with_directions(path, turned)
    if moved is None:
        return None
    count = sum(int((group == g).sum()) for g in joint)
    return moved, f"{count} straight edges made exactly parallel or square to each other"


def _with_directions(path: Path, direction: dict[int, float]) -> Path | None:
    """Return the path with some lines turned about their middles; what adjoins follows."""
    segments = [np.array(s) for s in path.segments]
    n = len(segments)
    carrier: dict[int, tuple[Points, Points]] = {}
    for k, s in enumerate(segments):
        if len(s) == 2:
            u = s[1] - s[0]
            a = direction.get(k, math.atan2(u[1], u[0]))
            carrier[k] = ((s[0] + s[1]) / 2, np.array([math.cos(a), math.sin(a)]))
    for k in range(n):
        before = (k - 1) % n
        node = segments[k][0]
        if before in carrier and k in carrier:
            (p, u), (q, v) = carrier[before], carrier[k]
            determinant = float(u[0] * v[1] - u[1] * v[0])
            if abs(determinant) < 0.02:
                return None
            gap = q - p
            new = p + u * float(gap[0] * v[1] - gap[1] * v[0]) / determinant
        elif before in carrier or k in carrier:
            p, u = carrier[before] if before in carrier else carrier[k]
            new = p + u * float((node - p) @ u)
        else:
            continue
        smooth = _turn_deg(segments[before], segments[k]) < _SMOOTH_DEG
        shift = new - node
        for index, first in ((before, False), (k, True)):
            s = segments[index]
            s[0 if first else -1] = new
            if len(s) == 4:
                s[1 if first else 2] += shift
        if smooth and (before in carrier) != (k in carrier):
            u = carrier[before][1] if before in carrier else carrier[k][1]
            s, end, handle = (segments[k], 0, 1) if before in carrier else (segments[before], 3, 2)
            arm = s[handle] - s[end]
            s[handle] = s[end] + u * float(np.hypot(*arm)) * (1.0 if float(arm @ u) > 0 else -1.0)
    return Path(tuple(segments))


def _mirror(path: Path, limit: float) -> Change:
    """Make an outline that is its own mirror image within the limit exactly so (mean of both)."""
    if len(path.segments) < 3:
        return None
    for direction in _axes(path):
        matrix = mirror_matrix(path.centroid, direction)
        if _least_apart_mm(path, matrix) > 2 * limit:
            continue
        image = path.transformed(matrix).reversed()
        apart = largest_move_mm(path, image)
        if apart < 1e-4:
            return None
        if apart > 2 * limit:
            continue
        mean = _mean_of(path, image)
        if mean is not None and largest_move_mm(path, mean) <= limit:
            return mean, "made exactly symmetrical about its own axis"
    return None


def _least_apart_mm(path: Path, matrix: Affine) -> float:
    """Return a distance that some point of an outline's image surely has from the outline: a quick look."""
    ring = np.asarray(path.sample(path.length / _FINE_SAMPLES)[0])
    gap = float(np.max(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)))
    some = ring[:: _FINE_SAMPLES // _COARSE_SAMPLES]
    image = some @ matrix[:, :2].T + matrix[:, 2]
    # Between its samples the outline may come nearer, but not by more than they are apart.
    return float(np.max(cKDTree(ring).query(image)[0])) - gap


def _axes(path: Path) -> list[Points]:
    """Return directions that can be axes of symmetry: principal ones, and from the centroid to corners and edges."""
    points = np.asarray(path.sample(max(_SAMPLE_MM, path.length / 600))[0])
    centre = np.asarray(path.centroid)
    values, vectors = np.linalg.eigh(np.cov((points - centre).T))
    axes = [vectors[:, 0], vectors[:, 1]]
    if values[0] > 0.8 * values[1]:
        # Nearly as wide as long: principal axes mean little.
        marks = [np.asarray(c.point) for c in path.corners[:12]]
        marks += [(s[0] + s[-1]) / 2 for s in path.segments[:12] if len(s) == 2]
        axes += [(m - centre) / max(float(np.hypot(*(m - centre))), 1e-9) for m in marks]
    return axes


def _mean_of(path: Path, image: Path) -> Path | None:
    """Return the mean of two paths with the same pieces, or None when the pieces do not match."""
    n = len(path.segments)
    starts = np.array([s[0] for s in path.segments])
    others = np.array([s[0] for s in image.segments])
    shift = int(np.argmin(np.hypot(*(others - starts[0]).T)))
    segments = []
    for k in range(n):
        a, b = path.segments[k], image.segments[(k + shift) % n]
        if len(a) != len(b):
            return None
        segments.append((a + b) / 2)
    return Path(tuple(segments))
