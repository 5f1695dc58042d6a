"""A long line from its reading: divided at its corners, straight where it is straight, fitted elsewhere.

The search follows a dashed line from pixel to pixel and rounds its corners; in a gap between two dashes the corner is
not drawn at all. So corners are taken from where the stretches on both sides lead to, not from what is read there.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration import MmPoints
from tracer.curves.fit import fit_open
from tracer.errors import PathError
from tracer.path import OpenPath
from tracer.segments import Segment

Floats = NDArray[np.float64]

_CHORD_MM = 2.0
_CORNER_COSINE = 0.87
"""Turning by more than 30 degrees over 2 mm is a corner: seams are rounder than 4 mm (common practice, no source)."""
_CLEAR_MM = 1.2
"""So near to a corner what is read is rounded by the search."""
_ARM_MM = 4.0
_STRAIGHT_MM, _SHORT_MM = 0.025, 8.0
"""Straight within this (95 %); a stretch so short that cannot be read, the arm of a bracket, is taken as straight."""
_TOLERANCE_MM = 0.05
_LEAST_READ_MM = 1.5
_CORNER_REACH_MM = 2.5
"""The corner lies no farther from where the search turned (measured)."""


def fit_seam(
    points_mm: MmPoints, valid: NDArray[np.bool_], *, sigma_mm: float, half_width_mm: float, closed: bool
) -> OpenPath | None:
    """Fit a line that was read in the light.

    Parameters
    ----------
    points_mm : MmPoints, shape (N, 2)
        Equally spaced along the line; of a closed one the last is the first again, at its sharpest corner.
    valid : ndarray of bool, shape (N,)
        Where it was read; elsewhere points are carried across.
    sigma_mm : float
        Standard uncertainty of one point.
    half_width_mm : float
        Half the width of the drawn line.
    closed : bool

    Returns
    -------
    OpenPath, or None
        None where a stretch between two corners could not be read, or where the result leaves what was read.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    step = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    places = _corner_places(points, step, closed=closed)
    clear = max(1, round(_CLEAR_MM / step))
    stretches = []
    for a, b in itertools.pairwise(places):
        start = a if a == 0 and not closed else a + clear
        end = b if b == len(points) - 1 and not closed else b - clear
        unread = end - start < 3 or valid[start : end + 1].sum() * step < min(_LEAST_READ_MM, 0.3 * (b - a) * step)
        if unread and (b - a) * step > _SHORT_MM:
            return None
        stretches.append((a, a) if unread else (start, end))
    corners = _meetings(points, valid, places, stretches, step, closed=closed)
    segments: list[Segment] = []
    for (start, end), one, other in zip(stretches, corners[:-1], corners[1:], strict=True):
        inner, read = points[start : end + 1], valid[start : end + 1]
        if start == end or _is_straight(inner[read], max(_STRAIGHT_MM, 1.5 * sigma_mm)):
            segments.append(np.array([one, other]))
            continue
        whole = np.concatenate([one[None], inner, other[None]])
        seen = np.concatenate([[False], read, [False]])
        try:
            part = fit_open(
                MmPoints(whole),
                sigma_mm,
                seen,
                tolerance_mm=_TOLERANCE_MM,
                half_width_mm=half_width_mm,
                blur_mm=half_width_mm,
            )
        except PathError:
            return None
        part_segments = [np.array(s) for s in part.segments]
        part_segments[0][0], part_segments[-1][-1] = one, other
        segments += part_segments
    path = OpenPath(tuple(segments))
    away, _ = cKDTree(points).query(np.asarray(path.flatten(0.05)))
    return path if float(np.max(away)) <= _CORNER_REACH_MM else None


def _corner_places(points: Floats, step: float, *, closed: bool) -> list[int]:
    """Return the indices of the corners in order, with both ends."""
    last = len(points) - 1
    chord = max(2, round(_CHORD_MM / step))
    if last < 2 * chord + 2:
        return [0, last]
    inner = np.arange(chord, last - chord + 1)
    back = points[inner] - points[inner - chord]
    ahead = points[inner + chord] - points[inner]
    cosine = (back * ahead).sum(axis=1) / np.maximum(np.hypot(*back.T) * np.hypot(*ahead.T), 1e-12)
    found = [0]
    least_apart = max(4, round(3.0 / step))
    order = inner[np.argsort(cosine)]
    chosen: list[int] = []
    for k in order:
        if cosine[k - chord] > _CORNER_COSINE:
            break
        if all(abs(int(k) - c) >= least_apart for c in (*chosen, 0, last)):
            chosen.append(int(k))
    found += sorted(chosen)
    return [*found, last]


def _meetings(
    points: Floats,
    valid: NDArray[np.bool_],
    places: list[int],
    stretches: list[tuple[int, int]],
    step: float,
    *,
    closed: bool,
) -> list[Floats]:
    """Return where each stretch begins, and where the last one ends."""
    arm = max(4, round(_ARM_MM / step))
    heads = [_arm(points[s : e + 1], valid[s : e + 1], arm) for s, e in stretches]
    tails = [_arm(points[s : e + 1][::-1], valid[s : e + 1][::-1], arm) for s, e in stretches]
    out = []
    for k, place in enumerate(places):
        rough = points[place]
        first, final = k == 0, k == len(places) - 1
        if (first or final) and not closed:
            out.append(_foot(heads[0] if first else tails[-1], rough))
            continue
        before = tails[-1] if first else tails[k - 1]
        after = heads[0] if final else heads[k]
        out.append(_crossing(before, after, rough))
    return out


def _arm(points: Floats, valid: NDArray[np.bool_], count: int) -> tuple[Floats, Floats] | None:
    """Return a point and the direction of the first read points of a stretch; None where too little was read."""
    read = points[valid][:count]
    if len(read) < 3:
        return None
    middle = read.mean(axis=0)
    return middle, np.linalg.svd(read - middle, full_matrices=False)[2][0]


def _foot(arm: tuple[Floats, Floats] | None, point: Floats) -> Floats:
    if arm is None:
        return point
    middle, along = arm
    foot = middle + along * float((point - middle) @ along)
    return foot if float(np.hypot(*(foot - point))) < 0.5 else point


def _crossing(one: tuple[Floats, Floats] | None, other: tuple[Floats, Floats] | None, rough: Floats) -> Floats:
    if one is None or other is None:
        return rough
    system = np.array([one[1], -other[1]]).T
    if abs(float(np.linalg.det(system))) < 0.3:
        return rough
    meeting = one[0] + one[1] * float(np.linalg.solve(system, other[0] - one[0])[0])
    return meeting if float(np.hypot(*(meeting - rough))) <= _CORNER_REACH_MM else rough


def _is_straight(points: Floats, within_mm: float) -> bool:
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    off = np.abs((points - middle) @ np.array([along[1], -along[0]]))
    return float(np.percentile(off, 95)) <= within_mm
