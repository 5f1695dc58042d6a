"""Where a size's line was not seen by itself, it is laid where the grading of the others puts it.

A size differs from the smallest by its step times the way that the place moves in grading, and the steps are the same
all round (grade rules, common practice): the corners of the sizes lie on straight lines, and so do places between
corners that divide the way alike. Where lines run together each one's own traced way goes to and fro between the
others'; the steps seen where they lie apart, carried across, tell better where it runs.
"""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from tracer.search.closing import Part, SizeLoop, shoelace
from tracer.search.explained import better_lines
from tracer.search.fitted import Fitted, fit_to_ink
from tracer.search.graph import Points
from tracer.search.pulls import Ink

_STEP_MM = 0.5
_ARM_MM, _NEAR_MM, _LEAST_TURN = 3.0, 0.4, np.radians(32)
"""A corner turns so much between arms of such a length, seen from a little away."""
_LEAST_SIZES = 3
_TURN_APART, _SHARE_APART, _FAR_MM, _PASSED_OVER = np.radians(25), 0.12, 40.0, 1.0
"""Corners of two sizes are one corner of the pattern by their turns, places along the line, and distance."""
_WRONG_MM, _RIGHT_MM, _WRONG_SIGMAS = 0.6, 0.35, 3.0
"""A place farther than this from where grading puts it was not followed right (judgement)."""
_ASTRAY_MM = 0.8
"""A corner farther than this from the straight line that most sizes' corners lie on was traced wrong (judgement)."""
_LOOK, _BESIDE, _EVEN = 8, 4, 21
_BARE_MM, _BARE_SHARE = 0.6, 0.25
"""A line may lie on so much more bare paper than the one traced: its dashes are not there where others' are."""
_MOVED_MM = 0.3
"""Smaller differences are left as they were traced."""
_OWN_MM = 0.3
"""A fitted line so close to where its size was seen by itself was seen there."""
_WORST_RMS_MM = 0.5
"""Grading that fits the lines that were seen no better than this tells nothing."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    """A closed line in even steps: points (N, 2) in mm, and where they were seen as this line's own."""

    points: Floats
    sure: NDArray[np.bool_]
    corners: NDArray[np.int64]
    turns: Floats
    step_mm: float


def graded(
    loops: Sequence[SizeLoop],
    mm_per_px: float,
    white_mm: Callable[[Points], float],
    ink: Ink | None = None,
    count: int = 0,
) -> list[SizeLoop]:
    """Return the lines with the stretches that were not seen by themselves laid by the grading of all.

    ``loops`` are those of known ranks; with fewer than three of them, or without corners that they have in common,
    they are returned as they are. With the ``ink``, and the ``count`` of sizes in it, grading is fitted to it too, and
    lines that explain it better so are taken from there.
    """
    if len(loops) < _LEAST_SIZES:
        return list(loops)
    loops = [_oriented(s) for s in loops]
    lines = [_line(s, mm_per_px) for s in loops]
    # The line that the others are held against has as many corners as most have.
    usual = int(np.bincount([len(line.corners) for line in lines]).argmax())
    middle = max(range(len(lines)), key=lambda n: (-abs(len(lines[n].corners) - usual), float(lines[n].sure.mean())))
    anchors = _anchors(lines, middle)
    if anchors.shape[1] < 2:
        return list(loops)
    steps = np.array([float(s.rank) for s in loops])
    for _ in range(2):  # the corners lie on straight lines by the steps, which are known from between the corners
        places, at, heads, corner_slope = _places(lines, anchors, middle, steps)
        seen = np.stack(
            [line.sure[np.rint(p).astype(int) % len(line.sure)] for line, p in zip(lines, places, strict=True)]
        )
        steps = _steps(at, seen, steps)
    model, rms = _model(at, seen, steps, heads, corner_slope)
    if not rms < _WORST_RMS_MM:
        return list(loops)
    off = np.hypot(*(at - model).transpose(2, 0, 1))
    limit = min(_WRONG_MM, max(_RIGHT_MM, _WRONG_SIGMAS * rms))
    laid = [
        _laid(loop, line, place, model[n], seen[n] & (off[n] < limit), mm_per_px, white_mm)
        for n, (loop, line, place) in enumerate(zip(loops, lines, places, strict=True))
    ]
    # Grading that leaves the sheet was carried on too far from too little.
    inside = (model > -_FAR_MM) & (model < np.array(ink.mask.shape[::-1]) * ink.mm_per_px + _FAR_MM) if ink else False
    if ink is None or not np.all(inside):
        return laid
    ranks = [s.rank for s in loops]
    own = [line.points[line.sure] for line in lines]
    turns = [line.points[line.corners] for line in lines]
    fitted = fit_to_ink(model, steps, ranks, max(count, ranks[-1] + 1), heads, own, ink, turns)
    put = list(fitted.lines[ranks] / mm_per_px)
    missing = [rank for rank in range(count) if rank not in ranks]
    better = better_lines(
        [s.points for s in laid], put, ink, white_mm, [fitted.lines[rank] / mm_per_px for rank in missing]
    )
    out = [
        _in_parts(loop, points, seen_at / mm_per_px, _OWN_MM / mm_per_px, fitted) if take else loop
        for loop, points, seen_at, take in zip(laid, put, own, better, strict=True)
    ]
    # A size that was not followed is laid too, where that puts it on ink as the others lie on theirs.
    bare = max((_bare_share(p, white_mm) for p, take in zip(put, better, strict=True) if take), default=-1.0)
    for rank in missing:
        points = fitted.lines[rank] / mm_per_px
        if _bare_share(points, white_mm) < bare + _BARE_SHARE / 2:
            bare_loop = SizeLoop(parts=(), chains=frozenset(), own=1.0, area=0.0, rank=rank)
            out.append(_in_parts(bare_loop, points, np.zeros((0, 2)), 0.0, fitted))
    return sorted(out, key=lambda s: s.rank)


def _bare_share(points: Points, white_mm: Callable[[Points], float]) -> float:
    """Return how much of a closed line lies on bare paper, mm for each pixel of its length."""
    closed = _filled(np.vstack([points, points[:1]]))
    return white_mm(closed) / len(closed)


def _in_parts(loop: SizeLoop, points: Points, own: Floats, near_px: float, fitted: Fitted) -> SizeLoop:
    """Return a loop that runs over other points, its stretches told apart by whether they were seen as its own."""
    seen = np.zeros(len(points), dtype=bool)
    if len(own):
        near = np.tile(cKDTree(own).query(points)[0] < near_px, 3)
        around = np.asarray(ndimage.binary_opening(near, iterations=_BESIDE))
        seen = around[len(points) : 2 * len(points)]
    kind = seen + 2 * fitted.told + 4 * fitted.doubtful
    points, kind = (np.roll(v, -int(np.argmax(kind != np.roll(kind, 1))), axis=0) for v in (points, kind))
    closed = np.vstack([points, points[:1]])
    bounds = [0, *(np.flatnonzero(np.diff(kind)) + 1).tolist(), len(points)]
    parts = []
    for a, b in itertools.pairwise(bounds):
        sure = bool(kind[a] & 1)
        told = True if kind[a] & 2 else False if kind[a] & 4 else None
        part = Part(points=closed[a : b + 1], kind="single" if sure else "graded", white_mm=0.0, sure=sure, told=told)
        parts.append(part)
    return replace(loop, parts=tuple(parts), area=shoelace(points))


def _oriented(loop: SizeLoop) -> SizeLoop:
    """Return a loop that runs round its inside in the positive direction."""
    if _area(loop.points) >= 0:
        return loop
    return replace(loop, parts=tuple(replace(p, points=p.points[::-1]) for p in loop.parts[::-1]))


def _line(loop: SizeLoop, mm_per_px: float) -> _Line:
    kept = [p for p in loop.parts if len(p.points) > 1]
    points = np.concatenate([p.points[:-1] for p in kept]) * mm_per_px
    sure = np.concatenate([np.full(len(p.points) - 1, p.sure) for p in kept])
    closed = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(16, round(along[-1] / _STEP_MM))
    s = np.linspace(0.0, along[-1], count, endpoint=False)
    even = np.stack([np.interp(s, along, closed[:, c]) for c in (0, 1)], axis=1)
    known = sure[np.clip(np.searchsorted(along, s, side="right") - 1, 0, len(sure) - 1)]
    known = ~ndimage.binary_dilation(~known, iterations=_BESIDE)
    corners, turns = _corners(even)
    return _Line(points=even, sure=known, corners=corners, turns=turns, step_mm=float(along[-1]) / count)


def _area(points: Floats) -> float:
    x, y = points.T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()) / 2.0


def _corners(points: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return where a closed line turns sharply and by how much, radians."""
    arm, near = round(_ARM_MM / _STEP_MM), max(1, round(_NEAR_MM / _STEP_MM))
    ahead = np.roll(points, -arm, axis=0) - np.roll(points, -near, axis=0)
    behind = np.roll(points, near, axis=0) - np.roll(points, arm, axis=0)
    turn = np.arctan2(behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0], (behind * ahead).sum(axis=1))
    size = np.abs(turn)
    highest = np.ones(len(size), dtype=bool)
    for k in range(1, arm + 1):
        highest &= (size >= np.roll(size, k)) & (size > np.roll(size, -k))
    found = np.flatnonzero(highest & (size > _LEAST_TURN))
    return found, turn[found]


def _anchors(lines: Sequence[_Line], middle: int) -> NDArray[np.int64]:
    """Return the corners that most lines have: places along each line, (lines, corners); -1 where one has none."""
    reference = lines[middle]
    if len(reference.corners) < 2:
        return np.zeros((len(lines), 0), dtype=np.int64)
    out = np.full((len(lines), len(reference.corners)), -1)
    for n, line in enumerate(lines):
        for i, j in _matched(reference, line):
            out[n, i] = line.corners[j]
    return out[:, (out >= 0).sum(axis=0) > len(lines) / 2]


def _matched(a: _Line, b: _Line) -> list[tuple[int, int]]:
    """Return pairs of corners of two lines that are the same corner of the pattern, in order around."""
    if not len(b.corners):
        return []
    far = np.hypot(*(a.points[a.corners][:, None] - b.points[b.corners][None]).transpose(2, 0, 1))
    cost = np.abs(a.turns[:, None] - b.turns[None]) / _TURN_APART + far / _FAR_MM
    best: tuple[float, list[tuple[int, int]]] = (np.inf, [])
    # The sharpest corner of one line is tried with the nearest few of the other; from there on it goes in order.
    first = int(np.argmax(np.abs(a.turns)))
    for start in np.argsort(cost[first])[:3].tolist():
        rows, columns = np.roll(np.arange(len(a.corners)), -first), np.roll(np.arange(len(b.corners)), -start)
        share = [
            ((line.corners[order] - line.corners[order[0]]) % len(line.points)) / len(line.points)
            for line, order in ((a, rows), (b, columns))
        ]
        price = cost[np.ix_(rows, columns)] + np.abs(share[0][:, None] - share[1][None]) / _SHARE_APART
        total, pairs = _in_order(price)
        if total < best[0]:
            best = (total, [(int(rows[i]), int(columns[j])) for i, j in pairs])
    return best[1]


def _in_order(price: Floats) -> tuple[float, list[tuple[int, int]]]:
    """Return the cheapest pairs in which both sides keep their order, where each one passed over costs."""
    rows, columns = price.shape
    total = np.zeros((rows + 1, columns + 1))
    total[:, 0], total[0] = np.arange(rows + 1) * _PASSED_OVER, np.arange(columns + 1) * _PASSED_OVER
    for i, j in itertools.product(range(1, rows + 1), range(1, columns + 1)):
        over = min(total[i - 1, j], total[i, j - 1]) + _PASSED_OVER
        total[i, j] = min(over, total[i - 1, j - 1] + price[i - 1, j - 1])
    pairs, i, j = [], rows, columns
    while i and j:
        if total[i, j] == total[i - 1, j - 1] + price[i - 1, j - 1]:
            i, j = i - 1, j - 1
            pairs.append((i, j))
        elif total[i, j] == total[i - 1, j] + _PASSED_OVER:
            i -= 1
        else:
            j -= 1
    return float(total[rows, columns]), pairs[::-1]


def _places(
    lines: Sequence[_Line], anchors: NDArray[np.int64], middle: int, steps: Floats
) -> tuple[list[Floats], Floats, NDArray[np.int64], Floats]:
    """Return places along each line that divide the ways between corners alike, and the points there, mm.

    The places are in steps along the lines, growing and not wrapped; the points have the shape (lines, places, 2). At
    a corner the point is where grading puts it. Also returned are which of the places are corners, and how far one
    step of grading moves each of these (corners, 2).
    """
    known = anchors >= 0
    corner = np.full((*anchors.shape, 2), np.nan)
    for n, line in enumerate(lines):
        corner[n, known[n]] = line.points[anchors[n, known[n]]]
    base, slope = _agreed(corner, steps)
    put = base[None] + steps[:, None, None] * slope[None]
    wrong = ~(np.hypot(*(corner - put).transpose(2, 0, 1)) < 2.0 * _WRONG_MM)
    order = np.argsort(anchors[middle])
    reference = anchors[middle, order]
    spans = np.diff([*reference, reference[0] + len(lines[middle].points)])
    counts = np.maximum(2, spans)
    heads = np.concatenate([[0], np.cumsum(counts)[:-1]])
    places, points = [], []
    for n, line in enumerate(lines):
        count = len(line.points)
        at = anchors[n].copy()
        for c in np.flatnonzero(wrong[n]):
            at[c] = int(np.argmin(np.hypot(*(line.points - put[n, c]).T)))
        at = at[order]
        ahead = np.diff([*at, at[0]]) % count
        ahead = np.where(ahead == 0, count if len(at) == 1 else 0, ahead)
        start = at[0] + np.concatenate([[0], np.cumsum(ahead)[:-1]])
        along = np.concatenate([s + np.arange(k) / k * a for s, k, a in zip(start, counts, ahead, strict=True)])
        places.append(along)
        index = np.arange(count + 1)
        closed = np.vstack([line.points, line.points[:1]])
        here = np.stack([np.interp(along % count, index, closed[:, c]) for c in (0, 1)], axis=1)
        here[heads[wrong[n][order]]] = put[n, order][wrong[n][order]]
        points.append(here)
    return places, np.array(points), heads, slope[order]


def _fit(at: Floats, steps: Floats) -> tuple[Floats, Floats]:
    """Return bases and slopes of straight lines through points over steps, by medians; NaN stands for no point.

    ``at`` has the shape (lines, places, 2).
    """
    i, j = np.triu_indices(len(steps), 1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a place at which no line was seen
        slope = np.nanmedian((at[j] - at[i]) / (steps[j] - steps[i])[:, None, None], axis=0)
        base = np.nanmedian(at - steps[:, None, None] * slope[None], axis=0)
    return base, slope


def _agreed(at: Floats, steps: Floats) -> tuple[Floats, Floats]:
    """Return the straight lines over steps on which most points of each place lie, (places, 2); NaN is no point.

    Corners of packed lines are traced wrong on nearly half of them, so that no median tells their line.
    """
    base, slope = _fit(at, steps)
    i, j = np.triu_indices(len(steps), 1)
    for c in range(at.shape[1]):
        tried = np.concatenate([[slope[c]], (at[j, c] - at[i, c]) / (steps[j] - steps[i])[:, None]])
        start = np.concatenate([[base[c]], at[i, c] - steps[i, None] * tried[1:]])
        away = np.hypot(*(start[:, None] + steps[None, :, None] * tried[:, None] - at[None, :, c]).transpose(2, 0, 1))
        price = np.square(np.minimum(np.where(np.isnan(away), _ASTRAY_MM, away), _ASTRAY_MM)).sum(axis=1)
        best = int(np.argmin(np.where(np.isnan(tried[:, 0]), np.inf, price)))
        near = away[best] < _ASTRAY_MM
        if near.sum() >= _LEAST_SIZES:
            design = np.stack([np.ones(int(near.sum())), steps[near]], axis=1)
            base[c], slope[c] = np.linalg.lstsq(design, at[near, c], rcond=None)[0]
    return base, slope


def _steps(at: Floats, seen: NDArray[np.bool_], steps: Floats) -> Floats:
    """Return the steps of grading as they are where all lines were seen: they need not be even."""
    span = at[-1] - at[0]
    wide = np.hypot(*span.T)
    good = seen.all(axis=0) & (wide > 0.5 * np.quantile(wide, 0.9))
    if good.sum() < 20:
        return steps
    share = ((at - at[0]) * span).sum(axis=2)[:, good] / np.square(wide[good])
    return np.asarray(steps[0] + (steps[-1] - steps[0]) * np.median(share, axis=1))


def _model(
    at: Floats, seen: NDArray[np.bool_], steps: Floats, heads: NDArray[np.int64], corner_slope: Floats
) -> tuple[Floats, float]:
    """Return where grading puts each place of each line, and how well that agrees with what was seen, mm rms."""
    known = np.where(seen[..., None], at, np.nan)
    slope = _fit(known, steps)[1]
    few = seen.sum(axis=0) < _LEAST_SIZES
    slope[few] = np.nan
    middle = np.median(at, axis=0)
    count = len(middle)
    for begin, stop, ends in zip(
        heads, [*heads[1:], count], zip(corner_slope, np.roll(corner_slope, -1, axis=0), strict=True), strict=True
    ):
        # What is not seen is carried on from both sides, in the directions of the line itself.
        index = np.arange(begin, stop + 1)
        line = middle[index % count]
        place, last = np.arange(len(index)), len(index) - 1
        way = line[np.minimum(place + _LOOK, last)] - line[np.maximum(place - _LOOK, 0)]
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        side = np.stack([-way[:, 1], way[:, 0]], axis=1)
        mine = slope[index % count]
        mine[[0, -1]] = ends
        good = np.flatnonzero(~np.isnan(mine[:, 0]))
        carried = sum(
            np.interp(np.arange(len(index)), good, (mine * axis).sum(axis=1)[good])[:, None] * axis
            for axis in (way, side)
        )
        whole = np.where(np.isnan(mine), carried, mine)
        slope[begin:stop] = ndimage.median_filter(whole, size=(_EVEN, 1), mode="nearest")[:-1]
    rest = np.where(few[None, :, None], at, known) - steps[:, None, None] * slope[None]
    base = np.nanmedian(rest, axis=0)
    model = base[None] + steps[:, None, None] * slope[None]
    off = np.hypot(*(at - model).transpose(2, 0, 1))[seen]
    return model, float(1.4826 * np.median(off)) if len(off) else np.inf


def _laid(
    loop: SizeLoop,
    line: _Line,
    places: Floats,
    model: Floats,
    good: NDArray[np.bool_],
    mm_per_px: float,
    white_mm: Callable[[Points], float],
) -> SizeLoop:
    """Return a line with its unseen stretches where the model has them, led on to what was seen on both sides."""
    if good.all() or good.sum() < 10:
        return loop
    count = len(line.points)
    at = np.stack(
        [
            np.interp(places % count, np.arange(count + 1), np.append(line.points[:, c], line.points[0, c]))
            for c in (0, 1)
        ],
        axis=1,
    )
    first = int(np.flatnonzero(good)[0])
    at, model, good, places = (np.roll(v, -first, axis=0) for v in (at, model, good, places))
    size = len(at)
    bounds = np.flatnonzero(np.diff(good.astype(np.int8), append=1))
    gaps = []
    for begin, stop in zip(bounds[::2], bounds[1::2] + 1, strict=True):
        rest = [at[begin] - model[begin], at[stop % size] - model[stop % size]]
        t = np.linspace(0.0, 1.0, int(stop - begin) + 1)[:, None]
        put = model[np.arange(begin, stop + 1) % size] + (1 - t) * rest[0] + t * rest[1]
        traced = at[np.arange(begin, stop + 1) % size]
        away = float(np.hypot(*(put - traced).T).max())
        bare = [white_mm(_filled(p / mm_per_px)) for p in (put, traced)]
        long = float(np.hypot(*np.diff(put, axis=0).T).sum())
        if away > _MOVED_MM and bare[0] < bare[1] + max(_BARE_MM, _BARE_SHARE * long):
            gaps.append((int(begin), int(stop), put))
    if not gaps:
        return loop
    parts: list[Part] = []
    along = places * line.step_mm / mm_per_px
    last = 0
    for begin, stop, put in [*gaps, (size, size, None)]:
        if begin > last:
            parts += _between(loop.parts, float(along[last]), float(along[begin % size]))
        if put is not None:
            parts.append(Part(points=put / mm_per_px, kind="graded", white_mm=0.0, sure=False))
        last = stop
    points: Points = np.concatenate([p.points[:-1] for p in parts])
    return replace(loop, parts=tuple(parts), area=shoelace(points))


def _between(parts: Sequence[Part], start: float, stop: float) -> list[Part]:
    """Return the parts of a closed line from one place to another, both in pixels along it; it may start anew."""
    long = [float(np.hypot(*np.diff(p.points, axis=0).T).sum()) for p in parts]
    total = sum(long)
    start %= total
    stop = start + (stop - start) % total
    out = []
    heads = np.concatenate([[0.0], np.cumsum(long)])
    for turn in (0.0, total):
        for part, head, length in zip(parts, heads, long, strict=False):
            low, high = max(start - head - turn, 0.0), min(stop - head - turn, length)
            if high - low < 1e-6:
                continue
            if low <= 0.0 and high >= length:
                out.append(part)
                continue
            along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(part.points, axis=0).T))])
            at = np.array([low, *along[(along > low) & (along < high)], high])
            points = np.stack([np.interp(at, along, part.points[:, c]) for c in (0, 1)], axis=1)
            out.append(replace(part, points=points, white_mm=part.white_mm * (high - low) / length))
    return out


def _filled(points: Points) -> Points:
    """Return a way with a point at every pixel or so."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(2, int(along[-1]) + 1))
    return np.stack([np.interp(at, along, points[:, c]) for c in (0, 1)], axis=1)
