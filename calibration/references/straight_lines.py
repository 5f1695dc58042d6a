"""Long thin lines and edges that may be straight: drawn outlines, ruled frames, grain lines, edges of things.

They are sought as line segments in a small copy of the picture (LSD: Grompone von Gioi, Jakubowicz, Morel and Randall,
"LSD: a line segment detector", Image Processing On Line 2, 2012), segments that continue each other are joined, and
each line is then measured across in the full picture and fitted with a parabola. Nothing is decided here about whether
a line is straight in the world: its bow is what the lens, a gentle curve and an unsteady hand have made of it together.

Bows are in pixels: the parabola's middle against its chord, along (-y, x) where (x, y) is the way from end to end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.picture import PxPoints
from calibration.references.edges import EdgeKind, Side, measure_side
from calibration.references.line_fit import block_covariance, fit_robust
from calibration.references.reference import SearchPicture, lies_within

Floats = NDArray[np.float64]

_SMALL_LONGEST_PX = 1000
_LEAST_SEGMENT = 0.01
_LEAST_LINE = 0.06
"""Shortest segment and line, of the picture's longer side: a bow grows with the square of a line's length."""
_MOST_SEGMENTS = 400
_MOST_LINES = 36
_ASIDE_PX, _TURN_RAD, _BOWED, _HALF_PX = 2.0, 0.03, 0.01, 0.5
"""Segments of one line lie this near to each other in the small picture (a stroke has two, one on either side of it),
and a little farther apart the farther one goes on beyond the other: a bowed line is found in several."""
_GAP, _WIDEST_GAP = 0.6, 0.03
"""A line goes on after a gap of so much of its length, and of the picture's longer side, at most."""
_COVERED = 0.6
_REACH_PX, _LEAST_REACH_PX = 3.0, 8.0
"""Profiles reach this far, in pixels of the small picture, and at least so far in those of the full one: a stroke that
is cut off by its profile seems to lie nearer to the profile's middle than it does."""
_FIRST_PROFILES, _PROFILES = 40, 120
_SHARE = 0.6
_KINDS: tuple[EdgeKind, ...] = ("stroke", "step")
_SAME_PX = 2.0
_CORE = 0.6
"""A line is fitted in this middle part first: it may run into a curve at its ends."""
_OFF_SIGMAS = 4.0
_LEAST_POINTS = 30
_LEAST_NOISE_PX = 0.03
"""Places of a line's points are no surer than this, whatever their scatter (phase between pixels; judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundLine:
    """A line that was measured.

    Parameters
    ----------
    points_px : PxPoints
        Points of the fitted parabola from one end to the other, shape (N, 2).
    bow_px : float
        The parabola's middle over its chord.
    bow_sigma_px : float
        Standard uncertainty of it from the reading alone.
    length_px : float
    """

    points_px: PxPoints
    bow_px: float
    bow_sigma_px: float
    length_px: float


def find_lines(scene: SearchPicture, besides: Sequence[PxPoints] = ()) -> list[FoundLine]:
    """Return the longest lines of a picture, those that tell most of its lens.

    Parameters
    ----------
    scene : SearchPicture
    besides : sequence of PxPoints
        Outlines of things whose edges are used already.
    """
    shrink = max(1.0, max(scene.reduced.shape) / _SMALL_LONGEST_PX)
    rows, columns = scene.reduced.shape
    size = (round(columns / shrink), round(rows / shrink))
    small = scene.reduced if shrink == 1.0 else cv2.resize(scene.reduced, size, interpolation=cv2.INTER_AREA)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, 1.0).detect(np.asarray(small))[0]
    if found is None:
        return []
    segments = np.asarray(found, dtype=np.float64).reshape(-1, 4)
    longest = float(max(small.shape))
    lengths = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    order = np.argsort(-lengths)[:_MOST_SEGMENTS]
    segments = segments[order[lengths[order] >= _LEAST_SEGMENT * longest]]
    lines = [
        line
        for line in _joined(segments, _WIDEST_GAP * longest)
        if np.hypot(*(line[1] - line[0])) >= _LEAST_LINE * longest
    ]
    to_full = np.array([columns, rows]) / np.array(size)
    full = [scene.from_reduced((line + 0.5) * to_full - 0.5) for line in lines]
    full = [ends for ends in full if not lies_within(np.asarray(ends).mean(axis=0), besides)]
    middle = np.array([scene.picture.width_px, scene.picture.height_px]) / 2
    full.sort(key=lambda ends: -_lever(np.asarray(ends), middle))
    reach_px = max(_REACH_PX * shrink * scene.reduction, _LEAST_REACH_PX)
    out: list[FoundLine] = []
    for ends in full[:_MOST_LINES]:
        line = _measured(scene, np.asarray(ends), reach_px)
        if line is not None and not any(_is_same(line, other) for other in out):
            out.append(line)
    return out


def _is_same(line: FoundLine, other: FoundLine) -> bool:
    """Return whether a line was found before: from the other side of its stroke, or as a part of it."""
    mine, points = np.asarray(line.points_px), np.asarray(other.points_px)
    along = (points[-1] - points[0]) / np.hypot(*(points[-1] - points[0]))
    place, aside = (points - points[0]) @ along, (points - points[0]) @ np.array([-along[1], along[0]])
    at = (mine - points[0]) @ along
    beside = (at > place[0]) & (at < place[-1])
    off = (mine - points[0]) @ np.array([-along[1], along[0]]) - np.interp(at, place, aside)
    return bool(beside.mean() > 0.5 and np.median(np.abs(off[beside])) < _SAME_PX)


def _lever(ends: Floats, middle: Floats) -> float:
    """Return about how much a lens of some strength bows a line: its distance from the middle times length squared."""
    along = ends[1] - ends[0]
    length = float(np.hypot(*along))
    away = middle - ends[0]
    return abs(float(along[0] * away[1] - along[1] * away[0])) * length


def _joined(segments: Floats, widest_px: float) -> list[Floats]:
    """Join segments (N, 4) that continue each other or lie side by side; return ends of lines, (2, 2) each."""
    left = np.ones(len(segments), dtype=bool)
    ends = segments.reshape(-1, 2, 2)
    lengths = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    out = []
    for i in range(len(segments)):
        if not left[i]:
            continue
        mine = np.zeros(len(segments), dtype=bool)
        mine[i] = True
        origin, along = ends[i, 0], (ends[i, 1] - ends[i, 0]) / np.hypot(*(ends[i, 1] - ends[i, 0]))
        while True:
            place, aside = (ends - origin) @ along, (ends - origin) @ np.array([-along[1], along[0]])
            low, high = place.min(axis=1), place.max(axis=1)
            first, last = low[mine].min(), high[mine].max()
            beyond = np.maximum(0.0, np.maximum(high - last, first - low))
            turn = np.abs(np.arctan2(np.diff(aside, axis=1), np.diff(place, axis=1)))[:, 0]
            near = left & (np.abs(aside).max(axis=1) < _ASIDE_PX + _BOWED * beyond)
            near &= np.minimum(turn, np.pi - turn) < _TURN_RAD + _HALF_PX / lengths
            near &= beyond - (high - low) < min(_GAP * (last - first), widest_px)
            grown = mine | near
            if (grown == mine).all():
                break
            mine = grown
            # Short ones tell their direction badly: all together tell it better.
            points = ends[mine].reshape(-1, 2)
            origin = points.mean(axis=0)
            along = np.linalg.svd(points - origin)[2][0]
        left &= ~mine
        places = np.linspace(first, last, 100)
        seen = ((places[:, None] >= low[mine]) & (places[:, None] <= high[mine])).any(axis=1)
        if seen.mean() >= _COVERED:
            out.append(origin + np.outer([first, last], along))
    return out


def _measured(scene: SearchPicture, ends: Floats, reach_px: float) -> FoundLine | None:
    for kind in _KINDS:
        measure = partial(measure_side, scene, *ends, kind=kind, reach_px=reach_px, margin_px=0.5 * reach_px, degree=2)
        rough = measure(most=_FIRST_PROFILES)
        # Once more along its own curve: in the middle of their profiles all places are read alike.
        side = rough and measure(most=_PROFILES, guide=rough)
        if side is not None and side.share >= _SHARE:
            return _fitted(side)
    return None


def _fitted(side: Side) -> FoundLine | None:
    """Fit the part of a line that one parabola describes, from its middle outward."""
    from_start = np.asarray(side.points_px) - side.origin
    s, y = from_start @ side.along, from_start @ side.across
    half, centre = float(np.ptp(s)) / 2, float(s.max() + s.min()) / 2
    core = np.abs(s - centre) <= _CORE * half
    if core.sum() < _LEAST_POINTS:
        return None
    for _ in range(3):
        t = (s - centre) / half
        coefficients, _, scatter = fit_robust(t[core], y[core], 2)
        off = np.abs(y - np.vander(t, 3, increasing=True) @ coefficients) > _OFF_SIGMAS * max(scatter, _LEAST_NOISE_PX)
        first, last = _stretch(s, core, off)
        again = (s >= first) & (s <= last)
        if (again == core).all():
            break
        core = again
    s, y = s[core], y[core]
    if len(s) < _LEAST_POINTS:
        return None
    half, centre = float(np.ptp(s)) / 2, float(s.max() + s.min()) / 2
    t = (s - centre) / half
    coefficients, kept, scatter = fit_robust(t, y, 2)
    residual = y - np.vander(t, 3, increasing=True) @ coefficients
    covariance = block_covariance(t[kept], residual[kept], 2, max(scatter, _LEAST_NOISE_PX))
    places = np.linspace(-1.0, 1.0, 41)
    offsets = np.vander(places, 3, increasing=True) @ coefficients
    points = side.origin + (centre + half * places)[:, None] * side.along + offsets[:, None] * side.across
    return FoundLine(
        points_px=PxPoints(points),
        bow_px=float(-coefficients[2]),
        bow_sigma_px=float(np.sqrt(covariance[2, 2])),
        length_px=2 * half,
    )


def _stretch(s: Floats, core: NDArray[np.bool_], off: NDArray[np.bool_]) -> tuple[float, float]:
    """Return how far a line goes on from its core before three points of four are off."""
    order = np.argsort(s)
    s, core, off = s[order], core[order], off[order]
    bad = np.convolve(off.astype(float), np.ones(4), mode="same") >= 3
    inside = np.flatnonzero(core)
    first, last = int(inside[0]), int(inside[-1])
    before, after = np.flatnonzero(bad[:first]), np.flatnonzero(bad[last + 1 :])
    # What lies right beside the bad points is bent already.
    low = min(first, int(before[-1]) + 4) if len(before) else 0
    high = max(last, last + int(after[0]) - 3) if len(after) else len(s) - 1
    return float(s[low]), float(s[high])
