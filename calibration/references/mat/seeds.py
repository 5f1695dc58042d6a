"""First guesses at a grid: small pieces of lattice found in windows of the picture.

Within a window of a few cells a tilted grid is nearly square: a tilt of 25 degrees foreshortens by a tenth. Both
families of lines must therefore stand on combs of about the same pitch. The comb is found by its Fourier coefficient
over a range of pitches, weighted by the length of each segment; lines of patterns, letters and diagonals add up to
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from calibration.references.mat.ridges import Ridges, Segments, crossing_directions, segments_along

Array = NDArray[np.float64]

_WINDOWS = (0.12, 0.22, 0.42)
"""Window sides as shares of the picture's longer side: cells from 2 % of it (1/2 in on a 24x36 in mat) to 12 %."""
_SMALLEST_PITCH_PX = 9.0
_FORESHORTENING = 1.2
_COMB_TOLERANCE = 0.13
"""Lines off their place by less than this share of the pitch belong to the comb."""
_PITCH_STEP = 0.012
_MOST_SEGMENTS = 160
_LEAST_LEVEL = 0.35
_MOST_SEEDS = 10
"""Of the windows that hold a piece of grid: those of a border full of ticks stand out as clearly and hold none."""
_WHOLE_SHARE, _HALF_SHARE = 0.84, 0.6
_FEWEST_LINES = 3
"""A strip two cells wide around a large sheet shows three lines of one family (and many of the other)."""
_FEWEST_NODES = 10


@dataclass(frozen=True, kw_only=True, eq=False)
class Seed:
    """A few lattice nodes: indices (N, 2) and where they are in the reduced picture (N, 2), with a score."""

    nodes: NDArray[np.intp]
    points: Array
    pitch_px: float
    score: float
    light_on_dark: bool


def _crossings(segments: Segments, centre: Array, direction: float) -> Array:
    """Positions where the segments' lines cross the axis through ``centre`` square to ``direction``."""
    normal = np.asarray([-np.sin(direction), np.cos(direction)])
    along = np.asarray([np.cos(direction), np.sin(direction)])
    d = segments.middles - centre
    slope = np.tan((segments.angles - direction + np.pi / 2) % np.pi - np.pi / 2)
    return np.asarray(d @ normal - (d @ along) * slope)


def _local_direction(segments: Segments, direction: float) -> float:
    """Most frequent direction in a window, near the family's."""
    off = np.degrees((segments.angles - direction + np.pi / 2) % np.pi - np.pi / 2)
    grid = np.arange(-16, 16.5, 0.5)
    level = (segments.lengths[:, None] * np.exp(-0.5 * ((off[:, None] - grid) / 1.5) ** 2)).sum(axis=0)
    return direction + float(np.radians(grid[int(np.argmax(level))]))


def _comb_levels(positions: Array, weights: Array, pitches: Array) -> NDArray[np.complex128]:
    turns = positions[:, None] / pitches
    # In short numbers, which a sum of a few hundred needs no longer ones than, an angle must be small.
    angle = ((turns - np.rint(turns)) * (2 * np.pi)).astype(np.float32)
    share = (weights / weights.sum()).astype(np.float32)
    return np.asarray(share @ np.cos(angle) + 1j * (share @ np.sin(angle)), dtype=np.complex128)


def _lines(segments: Segments, centre: Array, direction: float, pitch: float, phase: float) -> dict[int, list[int]]:
    """Group segments by the comb line they lie on, allowing the pitch to change slowly across the window."""
    positions = _crossings(segments, centre, direction)
    a, b, c = phase, pitch, 0.0
    number = np.zeros(len(positions), dtype=int)
    kept = np.zeros(len(positions), dtype=bool)
    for _ in range(3):
        # Invert a + b k + c k^2 by one Newton step from the linear guess.
        k = (positions - a) / b
        k = k - (a + b * k + c * k * k - positions) / np.where(np.abs(b + 2 * c * k) < 0.3 * b, 0.3 * b, b + 2 * c * k)
        number = np.rint(k).astype(int)
        kept = np.abs(k - number) < _COMB_TOLERANCE
        if len(np.unique(number[kept])) < _FEWEST_LINES:
            return {}
        design = np.stack([np.ones(kept.sum()), number[kept], number[kept] ** 2], axis=1).astype(float)
        w = np.sqrt(segments.lengths[kept])
        # The ridge on the quadratic term: perspective changes a pitch by a few per cent a cell at most.
        rows = np.vstack([design * w[:, None], [0, 0, np.sqrt(w @ w) * 4.0]])
        a, b, c = np.linalg.lstsq(rows, np.append(positions[kept] * w, 0.0), rcond=None)[0]
        if b < 0.5 * pitch:
            return {}
    lines: dict[int, list[int]] = {}
    for i in np.nonzero(kept)[0]:
        lines.setdefault(int(number[i]), []).append(int(i))
    return lines


def _fit_line(segments: Segments, members: list[int]) -> tuple[Array, Array, float, float]:
    """Middle, direction and reach (along the direction, from the middle) of a line through some segments' ends."""
    m, a, half = segments.middles[members], segments.angles[members], segments.lengths[members] / 2
    d = np.stack([np.cos(a), np.sin(a)], axis=1) * half[:, None]
    ends = np.vstack([m - d, m + d])
    w = np.concatenate([half, half])
    middle = (ends * w[:, None]).sum(axis=0) / w.sum()
    e = (ends - middle) * np.sqrt(w)[:, None]
    angle = 0.5 * np.arctan2(2 * (e[:, 0] * e[:, 1]).sum(), (e[:, 0] ** 2 - e[:, 1] ** 2).sum())
    direction = np.asarray([np.cos(angle), np.sin(angle)])
    reach = (ends - middle) @ direction
    return middle, direction, float(reach.min()), float(reach.max())


def _nodes(
    families: tuple[Segments, Segments], lines: tuple[dict[int, list[int]], dict[int, list[int]]], pitch: float
) -> tuple[NDArray[np.intp], Array]:
    """Crossings of comb lines where both lines are seen."""
    fitted = [
        {k: _fit_line(s, members) for k, members in group.items()} for s, group in zip(families, lines, strict=True)
    ]
    indices, points = [], []
    margin = 0.6 * pitch
    for k, (m1, d1, low1, high1) in fitted[0].items():
        for n, (m2, d2, low2, high2) in fitted[1].items():
            det = d1[0] * d2[1] - d1[1] * d2[0]
            if abs(det) < 0.5:
                continue
            q = m2 - m1
            t = (q[0] * d2[1] - q[1] * d2[0]) / det
            u = (q[0] * d1[1] - q[1] * d1[0]) / det
            if low1 - margin <= t <= high1 + margin and low2 - margin <= u <= high2 + margin:
                # Family 1 is numbered along minus the direction of family 0; the sign keeps the frame right-handed.
                indices.append((-n, k))
                points.append(m1 + t * d1)
    return np.asarray(indices, dtype=np.intp).reshape(-1, 2), np.asarray(points, dtype=np.float64).reshape(-1, 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Window:
    """Combs of both families in a window: segments, directions, pitches and phases, and how clearly they stand out."""

    centre: Array
    segments: tuple[Segments, Segments]
    directions: tuple[float, float]
    pitches_px: tuple[float, float]
    phases_px: tuple[float, float]
    level: float


def _combs_in_window(
    families: tuple[Segments, Segments], centre: Array, side: float, directions: tuple[float, float]
) -> _Window | None:
    local: list[Segments] = []
    turned: list[float] = []
    for segments, direction in zip(families, directions, strict=True):
        inside = segments.chosen(np.abs(segments.middles - centre).max(axis=1) < side / 2)
        if len(inside.lengths) < _FEWEST_LINES:
            return None
        angle = _local_direction(inside, direction)
        near = np.abs((inside.angles - angle + np.pi / 2) % np.pi - np.pi / 2) < np.radians(6)
        if near.sum() < _FEWEST_LINES:
            return None
        local.append(inside.chosen(near).longest(_MOST_SEGMENTS))
        turned.append(angle)
    pitches = np.exp(np.arange(np.log(_SMALLEST_PITCH_PX), np.log(side / 3), _PITCH_STEP))
    levels = [
        _comb_levels(_crossings(segments, centre, angle), np.minimum(segments.lengths, side / 3), pitches)
        for segments, angle in zip(local, turned, strict=True)
    ]
    reach = round(np.log(_FORESHORTENING) / _PITCH_STEP)
    size = [np.abs(v) for v in levels]
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(size[1], reach), 2 * reach + 1)
    joint = np.minimum(size[0], windows.max(axis=1))
    strong = np.nonzero(joint >= 0.8 * joint.max())[0]
    # Half, a third ... of the true pitch stand as high: the largest is the one, at the top of its own hill.
    i = int(strong[-1])
    while i > 0 and joint[i - 1] > joint[i]:
        i -= 1
    if joint[i] < _LEAST_LEVEL:
        return None
    j = min(max(int(np.argmax(windows[i])) + i - reach, 0), len(pitches) - 1)
    pitch = (float(pitches[i]), float(pitches[j]))
    return _Window(
        centre=centre,
        segments=(local[0], local[1]),
        directions=(turned[0], turned[1]),
        pitches_px=pitch,
        phases_px=(
            float(np.angle(levels[0][i])) / (2 * np.pi) * pitch[0],
            float(np.angle(levels[1][j])) / (2 * np.pi) * pitch[1],
        ),
        level=float(joint[i]),
    )


def _without_gaps(
    segments: tuple[Segments, Segments], lines: tuple[dict[int, list[int]], dict[int, list[int]]]
) -> tuple[dict[int, list[int]], dict[int, list[int]]]:
    """Undo combs two, three or five times too fine: ticks at a border, an edge of paper stand on the lines between.

    Both families have the same pitch, so both are undone or none.
    """
    if not lines[0] or not lines[1]:
        return lines
    for every in (5, 3, 2):
        shares, phases = [], []
        for s, group in zip(segments, lines, strict=True):
            share = np.zeros(every)
            for k, members in group.items():
                share[k % every] += float(s.lengths[members].sum())
            shares.append(float(share.max() / share.sum()))
            phases.append(int(np.argmax(share)))
        if min(shares) > _HALF_SHARE and float(np.mean(shares)) > _WHOLE_SHARE:
            first, second = (
                {(k - phase) // every: members for k, members in group.items() if k % every == phase}
                for group, phase in zip(lines, phases, strict=True)
            )
            return first, second
    return lines


def _seed(window: _Window, light_on_dark: bool) -> Seed | None:
    groups = [
        _lines(window.segments[f], window.centre, window.directions[f], window.pitches_px[f], window.phases_px[f])
        for f in (0, 1)
    ]
    first, second = _without_gaps(window.segments, (groups[0], groups[1]))
    groups = [first, second]
    if min(len(g) for g in groups) < _FEWEST_LINES:
        return None
    indices, points = _nodes(window.segments, (groups[0], groups[1]), max(window.pitches_px))
    if len(indices) < _FEWEST_NODES or min(len(np.unique(indices[:, 0])), len(np.unique(indices[:, 1]))) < 3:
        return None
    return Seed(
        nodes=indices,
        points=points,
        pitch_px=float(np.sqrt(window.pitches_px[0] * window.pitches_px[1])),
        score=window.level * float(np.sqrt(len(indices))),
        light_on_dark=light_on_dark,
    )


def find_seeds(ridges: Ridges) -> list[Seed]:
    """Return pieces of lattice, the most convincing first."""
    rows, columns = ridges.shape
    longest = max(rows, columns)
    windows: list[tuple[float, _Window]] = []
    for direction in crossing_directions(ridges):
        directions = (direction, direction + np.pi / 2)
        families = (segments_along(ridges, directions[0]), segments_along(ridges, directions[1]))
        for share in _WINDOWS:
            side = share * longest
            for y in np.arange(side / 2, rows - side / 2 + 1, side / 2):
                for x in np.arange(side / 2, columns - side / 2 + 1, side / 2):
                    window = _combs_in_window(families, np.asarray([x, y]), side, directions)
                    if window is not None:
                        much = sum(s.lengths.sum() for s in window.segments) / max(window.pitches_px)
                        windows.append((window.level * float(np.sqrt(much)), window))
    windows.sort(key=lambda w: -w[0])
    seeds = (_seed(window, ridges.light_on_dark) for _, window in windows)
    return sorted(islice((s for s in seeds if s is not None), _MOST_SEEDS), key=lambda s: -s.score)
