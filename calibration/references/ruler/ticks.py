"""Ticks of one row, numbered and read to a few hundredths of a pixel.

Windows of a strip are chained into one count of ticks, across covered stretches too where the count is certain; then
each tick is read by itself, over the height that all ticks share, and its length is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.references.line_profile import fit_profiles
from calibration.references.reference import STRAIGHT_SIGMA_PX
from calibration.references.ruler.rows import Row
from calibration.references.ruler.strip import (
    FEWEST_WINDOWS,
    HALF_HEIGHT_PX,
    WINDOW_PX,
    Strip,
    Window,
    find_windows,
    smooth,
    strip_along,
)

Array = NDArray[np.float64]

_SLIP = 0.3
"""Windows are chained where the count between them is within this share of a period of a whole number."""
_FARTHEST_COUNT = 40
"""Ticks that may be counted from one window to the next by their frequencies alone."""
_SLIPS_TRIED = 6
_JOINT_RMS_PX = 0.2
_GAP_TICKS = 5
_FEWEST_TICKS = 12
_SIGNIFICANT = 5.0
_LEAST_CLEAR = 1.0
"""Of a row's ticks half are clearer: of light ones that are sought where they are dark, or between words, none are."""
_WIDTHS_PX = (0.6, 0.9, 1.4, 2.2)
_SAMPLED_TICKS = 40
_COMPANY = 3
"""Ticks beyond a gap at an end of the row that stand for each other; fewer may be anything."""
_LOOKS, _STROKES, _FEWEST_IN_STROKE = 2, 6, 8
_PARALLEL_RAD = 0.001
"""How far off a right angle ticks may be engraved or printed, standard (judgement)."""
_FEWEST_FOR_BOW, _STRETCHES = 10, 5
_REACH_LENGTH = 4.2
"""Ticks are followed up to this many times the height of the shortest."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Ticks:
    """Read ticks.

    Parameters
    ----------
    numbers : ndarray of int, shape (N,)
        Consecutive count along the row (with holes where something lies over it).
    points_px : ndarray, shape (N, 2)
        Where each tick meets the graduated edge.
    sigma_px : ndarray, shape (N,)
    lengths : ndarray, shape (N,)
        In heights of the shortest ticks; NaN where it could not be followed.
    edge_px : ndarray, shape (M, 2)
        Chain of points of the graduated edge (the common end of all ticks).
    edge_sigma_px : float
        How far each of these may lie off a line that a lens bows, standard, such that its bow is weighed rightly.
    far_px : ndarray, shape (2, 2)
        The row's two ends on the side of the long ticks' tips.
    strokes_px : ndarray, shape (K, 2, 2)
        Ends of strokes that run as the ticks of a stretch of the row do.
    strokes_sigma_rad : ndarray, shape (K,)
        Standard uncertainty of their directions.
    period_px : float
    short_px : float
        Height of the shortest ticks.
    """

    numbers: NDArray[np.intp]
    points_px: Array
    sigma_px: Array
    lengths: Array
    edge_px: Array
    edge_sigma_px: float
    far_px: Array
    strokes_px: Array
    strokes_sigma_rad: Array
    period_px: float
    short_px: float


def _count(windows: list[Window], dark: float) -> list[tuple[Array, Array]]:
    """Number one tick near each window's middle; a new count begins wherever the old one is not certain.

    Returns the counts' numbers and places (at the middle of the band), the longest first.
    """
    order = sorted(windows, key=lambda w: w.middle)
    places = []
    for w in order:
        # Light is cos(2 pi f x + phase): a dark tick where it is -1, a light one where it is +1.
        turn = (np.pi * dark - w.phase) / (2 * np.pi)
        places.append(w.middle + (turn - round(turn)) / w.frequency)
    runs: list[list[tuple[int, float]]] = [[(0, places[0])]]
    for before, after, p, q in zip(order, order[1:], places, places[1:], strict=False):
        periods = (q - p) * (before.frequency + after.frequency) / 2
        step = round(periods)
        # Frequencies of single windows are good to half a per cent.
        sure = abs(periods - step) < _SLIP and 0 <= step <= _FARTHEST_COUNT
        if sure:
            runs[-1].append((runs[-1][-1][0] + step, q))
        else:
            runs.append([(0, q)])
    out = []
    for run in sorted(runs, key=len, reverse=True):
        numbers, where = np.asarray([n for n, _ in run], dtype=float), np.asarray([p for _, p in run])
        _, first = np.unique(numbers, return_index=True)
        if len(first) >= FEWEST_WINDOWS:
            out.append((numbers[first], where[first]))
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class _Run:
    """Ticks read in one uninterrupted count: numbers, places at the band's middle, uncertainties, clearness."""

    numbers: NDArray[np.intp]
    places: Array
    sigma: Array
    clear: float


def _at_gaps(run: _Run) -> list[_Run]:
    """Divide a run where something lies over it: the windows beside that may have carried the count over it wrongly."""
    parts = np.split(np.arange(len(run.numbers)), np.flatnonzero(np.diff(run.numbers) > _GAP_TICKS) + 1)
    return [
        _Run(
            numbers=run.numbers[part] - run.numbers[part[0]],
            places=run.places[part],
            sigma=run.sigma[part],
            clear=run.clear * len(part) / len(run.numbers),
        )
        for part in parts
        if len(part) >= _COMPANY
    ]


def _joined(runs: list[_Run]) -> _Run:
    """Carry the count over covered stretches where only one whole number of ticks fits; else keep the longest run.

    Ticks seen in perspective stand at a smooth function of their number (a cubic, lens and all). With one tick too
    many or too few under the cover the slopes on its two sides do not meet it.
    """
    runs = sorted(runs, key=lambda r: -len(r.numbers))
    whole = runs[0]
    for run in runs[1:]:
        slope = float(np.median(np.diff(whole.places) / np.diff(whole.numbers)))
        guess = round(
            float(whole.numbers.mean() + (run.places.mean() - whole.places.mean()) / slope - run.numbers.mean())
        )
        misses = []
        for more in range(guess - _SLIPS_TRIED, guess + _SLIPS_TRIED + 1):
            numbers = np.concatenate([whole.numbers, run.numbers + more])
            places = np.concatenate([whole.places, run.places])
            if len(np.unique(numbers)) < len(numbers):
                continue
            x = (numbers - numbers.mean()) / max(1.0, np.ptp(numbers) / 2)
            miss = np.polyval(np.polyfit(x, places, 3), x) - places
            misses.append((float(np.sqrt((miss**2).mean())), more))
        misses.sort()
        if len(misses) < 2 or misses[0][0] > _JOINT_RMS_PX or misses[1][0] < 3 * misses[0][0]:
            continue
        numbers = np.concatenate([whole.numbers, run.numbers + misses[0][1]])
        order = np.argsort(numbers)
        whole = _Run(
            numbers=numbers[order],
            places=np.concatenate([whole.places, run.places])[order],
            sigma=np.concatenate([whole.sigma, run.sigma])[order],
            clear=whole.clear + run.clear,
        )
    return whole


def read_ticks(grey: NDArray[np.uint8], row: Row) -> list[Ticks]:
    """Read the ticks of a row and of a second one beside it (a ruler's other edge); empty where none can be counted."""
    strip = strip_along(grey, row)
    found: list[Ticks] = []
    for _ in range(2):
        if strip.light.shape[1] < 60:
            break
        windows = find_windows(strip, row)
        if len(windows) < FEWEST_WINDOWS:
            break
        s = np.asarray([w.middle for w in windows])
        low = smooth(s, np.asarray([w.band[0] for w in windows]), 2)
        high = smooth(s, np.asarray([w.band[1] for w in windows]), 2)
        ticks = _read_row(strip, windows, low, high)
        if ticks is None:
            break
        found.append(ticks)
        beyond = np.zeros_like(low)
        beyond[-1] = 1.5 * float(np.median(np.polyval(high, s) - np.polyval(low, s)))
        strip = strip.without(low - beyond, high + beyond)
    return found


def _read_row(strip: Strip, windows: list[Window], low: Array, high: Array) -> Ticks | None:
    s = np.asarray([w.middle for w in windows])
    lean = smooth(s, np.asarray([w.lean for w in windows]), 1)
    period = float(1 / np.median([w.frequency for w in windows]))
    best: tuple[_Run, float] | None = None
    for dark in (1.0, 0.0):
        read = [_read_each(strip, counted, low, high, lean, period, dark > 0) for counted in _count(windows, dark)]
        runs = [part for r in read if r is not None for part in _at_gaps(r)]
        if not runs:
            continue
        whole = _joined(_apart(runs))
        if best is None or whole.clear > best[0].clear:
            best = (whole, dark)
    if best is None:
        return None
    run, dark = best
    return _with_lengths(strip, run.numbers, run.places, run.sigma, low, high, lean, period, dark > 0)


def _apart(runs: list[_Run]) -> list[_Run]:
    """Runs that do not lie over one another; the longer ones win."""
    kept: list[_Run] = []
    for run in sorted(runs, key=lambda r: -len(r.numbers)):
        low, high = run.places.min(), run.places.max()
        if all(high < other.places.min() or low > other.places.max() for other in kept):
            kept.append(run)
    return kept


def _read_each(
    strip: Strip, counted: tuple[Array, Array], low: Array, high: Array, lean: Array, period: float, dark: bool
) -> _Run | None:
    """Read every tick near where the count says."""
    numbers, where = counted
    line = np.polyfit(numbers, where, min(3, len(numbers) - 1))
    end = strip.begin + strip.light.shape[1] - 1
    around = int(WINDOW_PX / 2 / period) + 1
    n = np.arange(int(numbers.min()) - around, int(numbers.max()) + around + 1)
    places = np.polyval(line, n)
    # Beyond the windows a straight continuation is safer than the cubic.
    for outside, at in ((n < numbers.min(), numbers.min()), (n > numbers.max(), numbers.max())):
        places[outside] = np.polyval(line, at) + (n[outside] - at) * np.polyval(np.polyder(line), at)
    inside = (places > strip.begin + period) & (places < end - period)
    n, places = n[inside], places[inside]
    if len(n) < _FEWEST_TICKS:
        return None
    reach = 0.3 * period
    half = 0.62 * period
    u = np.arange(-np.ceil(half / 0.5), np.ceil(half / 0.5) + 1) * 0.5
    t0, t1 = np.polyval(low, places), np.polyval(high, places)
    share = np.linspace(0.15, 0.85, 11)
    t = t0[:, None] + (t1 - t0)[:, None] * share
    tilt = np.polyval(lean, places)[:, None] * (t - ((t0 + t1) / 2)[:, None])
    s = places[:, None, None] + tilt[:, :, None] + u
    values = strip.sample(s, np.broadcast_to(t[:, :, None], s.shape))
    ordered = np.sort(values, axis=1)[:, 2:-2]
    profiles = ordered.mean(axis=1) * (-1.0 if dark else 1.0)
    # A sample of the ticks tells how wide they are.
    some = profiles[:: max(1, len(profiles) // _SAMPLED_TICKS)]
    widths = [width for width in _WIDTHS_PX if width <= 0.25 * period]
    if not widths:
        return None

    def clearness(width: float) -> float:
        return float(np.median(np.clip(fit_profiles(some, u, reach, width, 0.5)[3], 0, 100)))

    clearest = max((clearness(width), width) for width in widths)
    if clearest[0] < _LEAST_CLEAR:
        return None
    offset, sigma, height, significance = fit_profiles(profiles, u, reach, clearest[1], 0.5)
    clear = float(np.median(np.clip(significance, 0, 100)))
    good = (significance > _SIGNIFICANT) & (np.abs(offset) < reach) & (sigma < 0.15 * period)
    if good.sum() < _FEWEST_TICKS:
        return None
    good &= (height > 0.25 * np.median(height[good])) & (height < 4 * np.median(height[good]))
    at = places + offset
    for _ in range(4):
        if good.sum() < _FEWEST_TICKS:
            return None
        middle, scale = n[good].mean(), max(1.0, np.ptp(n[good]) / 2)
        curve = smooth((n[good] - middle) / scale, at[good], 4 if good.sum() > 40 else 2)
        miss = np.abs(np.polyval(curve, (n - middle) / scale) - at)
        spread = 1.4826 * float(np.median(miss[good])) + 0.01
        good &= miss < np.maximum(4 * spread, 3 * sigma)
    if spread > 0.12 * period:
        return None
    good &= _in_company(n, good)
    if good.sum() < _FEWEST_TICKS:
        return None
    return _Run(
        numbers=n[good],
        places=at[good],
        sigma=np.hypot(sigma[good], 0.02),
        clear=clear * float(np.sqrt(good.sum())),
    )


def _in_company(numbers: NDArray[np.intp], good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out what stands by itself beyond a gap at either end: the ruler's own end, or a line beside it."""
    kept = good.copy()
    while kept.any():
        at = np.nonzero(kept)[0]
        groups = np.split(at, np.nonzero(np.diff(numbers[at]) > 1)[0] + 1)
        lone = [g for g in (groups[0], groups[-1]) if len(g) < _COMPANY]
        if len(groups) == 1 or not lone:
            break
        kept[np.concatenate(lone)] = False
    return kept


def _with_lengths(
    strip: Strip,
    numbers: NDArray[np.intp],
    places: Array,
    sigma: Array,
    low: Array,
    high: Array,
    lean: Array,
    period: float,
    dark: bool,
) -> Ticks | None:
    """Follow each tick both ways: the side where all end together is the edge, the other one tells their lengths."""
    t0, t1 = np.polyval(low, places), np.polyval(high, places)
    band = float(np.median(t1 - t0)) + 1.0
    if band < 2.0:
        return None
    middle = (t0 + t1) / 2
    depth = np.arange(0.0, min(_REACH_LENGTH * band, HALF_HEIGHT_PX - 5.0), 1.0)
    results = []
    for side in (-1.0, 1.0):
        t = middle[:, None] + side * depth
        s = places[:, None] + np.polyval(lean, places)[:, None] * (t - middle[:, None])
        core, *beside = (strip.sample(s + by * period, t) * (-1.0 if dark else 1.0) for by in (0.0, -0.42, 0.42))
        both = core - np.mean(beside, axis=0)
        full = np.maximum(np.median(both[:, : max(2, int(band / 3))], axis=1), 1e-6)[:, None]
        # A figure close beside a tick has its colour: the other side tells where the tick ends.
        told = [_first_below(contrast, 0.45 * full) for contrast in (both, core - np.minimum(*beside))]
        results.append((told, both / full))
    spread = [float(np.subtract(*np.percentile(told[0], [85, 15]))) for told, _ in results]
    edge_side = int(np.argmin(spread))
    side = -1.0 if edge_side == 0 else 1.0
    # The edge, a chain of points: where the contrast of some ten ticks together falls to a half.
    chain_s, chain_t = [], []
    size = max(6, len(numbers) // 30)
    for i in range(0, len(numbers) - size + 1, size):
        profile = np.median(results[edge_side][1][i : i + size], axis=0)
        below = np.nonzero(profile < 0.5)[0]
        if len(below) and below[0] > 0:
            k = int(below[0])
            cross = k - 1 + (profile[k - 1] - 0.5) / max(profile[k - 1] - profile[k], 1e-6)
            chain_s.append(float(places[i : i + size].mean()))
            chain_t.append(float(middle[i : i + size].mean() + side * depth[0] + side * cross))
    if len(chain_s) < 2:
        return None
    cs, ct = np.asarray(chain_s), np.asarray(chain_t)
    edge = smooth(cs, ct, 2 if len(cs) >= 6 else 1)
    kept = np.abs(np.polyval(edge, cs) - ct) < max(1.0, 3 * float(np.median(np.abs(np.polyval(edge, cs) - ct))))
    te = np.polyval(edge, places)
    se = places + np.polyval(lean, places) * (te - middle)
    ends = results[1 - edge_side][0][1]
    lengths = np.where(ends < len(depth), (ends + np.abs(te - middle)) / (band / 2 + np.abs(te - middle)), np.nan)
    strokes, strokes_sigma = _directions(strip, places, np.asarray(t0), np.asarray(t1), lean, period, dark)
    # A row may run aslant in its strip: what lies beside it does so too.
    ends_s: Array = np.asarray([places.min(), places.max()], dtype=np.float64)
    far_t = np.polyval((low + high) / 2, ends_s) - side * _REACH_LENGTH * band / 2
    return Ticks(
        numbers=numbers,
        points_px=strip.pixels(se, te),
        sigma_px=sigma,
        lengths=lengths,
        edge_px=strip.pixels(cs[kept], ct[kept]),
        edge_sigma_px=_sigma_of_bow(cs[kept], ct[kept]),
        far_px=strip.pixels(ends_s, far_t),
        strokes_px=strokes,
        strokes_sigma_rad=strokes_sigma,
        period_px=period,
        short_px=band / 2 + float(np.median(np.abs(te - middle))),
    )


def _first_below(contrast: Array, least: Array) -> Array:
    """Return at which step from the middle of each tick its contrast is gone; the number of steps where it never is."""
    off = np.asarray(cv2.blur(contrast, (3, 1)) < least)
    return np.asarray(np.where(off.any(axis=1), off.argmax(axis=1), contrast.shape[1]), dtype=np.float64)


def _sigma_of_bow(s: Array, t: Array) -> float:
    """Return what points of an edge may be off, such that the parabola through them is as unsure as it is.

    The ticks end where the edge does, and that is seen elsewhere on dark ground than on light paper: neighbours are off
    together, and an edge seems to step where the paper under it ends. A parabola follows a step, so that what is left
    of it says little; how the bow changes when one stretch after the other is left out says more (the jackknife with
    groups left out; Efron, "The jackknife, the bootstrap and other resampling plans", 1982, from memory).
    """
    if len(s) < _FEWEST_FOR_BOW:
        return STRAIGHT_SIGMA_PX
    place = 2 * (s - s.mean()) / np.ptp(s)
    stretches = np.array_split(np.arange(len(s)), _STRETCHES)
    bows = np.array([np.polyfit(np.delete(place, i), np.delete(t, i), 2)[0] for i in stretches])
    bow = float(np.sqrt((_STRETCHES - 1) * ((bows - bows.mean()) ** 2).mean()))
    parabola = place**2 - np.polyval(np.polyfit(place, place**2, 1), place)
    return max(STRAIGHT_SIGMA_PX, bow * float(np.linalg.norm(parabola)))


def _directions(
    strip: Strip, places: Array, t0: Array, t1: Array, leans: Array, period: float, dark: bool
) -> tuple[Array, Array]:
    """Return strokes (K, 2, 2), px, in which the ticks of some stretches of the row run, and how sure they are, rad.

    Each tick is read in both halves of the height that all share, and the ticks of a stretch have one direction. Which
    it is changes along the row where the camera is tilted about it.
    """
    half = 0.62 * period
    u = np.arange(-np.ceil(half / 0.5), np.ceil(half / 0.5) + 1) * 0.5
    width = max((w for w in _WIDTHS_PX if w <= 0.25 * period), default=_WIDTHS_PX[0])
    for _ in range(_LOOKS):
        lean = np.asarray(np.polyval(leans, places))
        offsets, heights = [], []
        good = np.ones(len(places), dtype=bool)
        for shares in (np.linspace(0.1, 0.45, 6), np.linspace(0.55, 0.9, 6)):
            t = t0[:, None] + (t1 - t0)[:, None] * shares
            s = places[:, None, None] + (lean[:, None] * (t - ((t0 + t1) / 2)[:, None]))[:, :, None] + u
            profiles = strip.sample(s, np.broadcast_to(t[:, :, None], s.shape)).mean(axis=1) * (-1.0 if dark else 1.0)
            offset, _, _, significance = fit_profiles(profiles, u, 0.3 * period, width, 0.5)
            good &= (significance > _SIGNIFICANT) & (np.abs(offset) < 0.28 * period)
            offsets.append(offset)
            heights.append(t.mean(axis=1))
        turn = lean + (offsets[1] - offsets[0]) / np.maximum(heights[1] - heights[0], 1e-6)
        if good.sum() < _FEWEST_IN_STROKE:
            return np.zeros((0, 2, 2)), np.zeros(0)
        leans = smooth(places[good], turn[good], 2)
    strokes, sigmas = [], []
    for part in np.array_split(np.nonzero(good)[0], _STROKES):
        if len(part) < _FEWEST_IN_STROKE:
            continue
        direction = float(np.median(turn[part]))
        spread = 1.4826 * float(np.median(np.abs(turn[part] - direction)))
        at, middle = float(places[part].mean()), float(((t0 + t1) / 2)[part].mean())
        reach = float((t1 - t0)[part].mean()) / 2
        ends = np.array([-reach, reach])
        strokes.append(strip.pixels(at + direction * ends, middle + ends))
        # A median of Gaussian values is 1.25 times as unsure as their mean.
        sigmas.append(float(np.hypot(1.25 * spread / np.sqrt(len(part)), _PARALLEL_RAD)))
    return np.array(strokes).reshape(-1, 2, 2), np.array(sigmas)
