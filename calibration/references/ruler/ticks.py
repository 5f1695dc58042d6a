"""Ticks of one row, numbered and read to a few hundredths of a pixel.

A strip along the row is looked at window by window: the period (the first strong peak of the autocorrelation), how
high the shortest ticks are, how they lean. Windows are chained into one count of ticks, across covered stretches too
where the count is certain; then each tick is read by itself, over the height that all ticks share, and its length is
taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from calibration.references.line_profile import fit_profiles
from calibration.references.ruler.rows import Row

Array = NDArray[np.float64]

_HALF_HEIGHT_PX = 170
_WINDOW_PX, _HOP_PX = 256, 96
_SHORTEST_PERIOD_PX, _LONGEST_PERIOD_PX = 3.0, 64.0
_SAME_STRETCH = 0.2
_LOWEST_BAND_PX = 4
_FEWEST_WINDOWS = 2
_SLIP = 0.3
"""Windows are chained where the count between them is within this share of a period of a whole number."""
_FARTHEST_COUNT = 40
"""Ticks that may be counted from one window to the next by their frequencies alone."""
_SLIPS_TRIED = 6
_JOINT_RMS_PX = 0.2
_FEWEST_TICKS = 12
_SIGNIFICANT = 5.0
_WIDTHS_PX = (0.6, 0.9, 1.4, 2.2)
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
    far_px : ndarray, shape (2, 2)
        The row's two ends on the side of the long ticks' tips.
    period_px : float
    """

    numbers: NDArray[np.intp]
    points_px: Array
    sigma_px: Array
    lengths: Array
    edge_px: Array
    far_px: Array
    period_px: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Window:
    middle: float
    frequency: float
    band: tuple[float, float]
    lean: float
    phase: float
    strength: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Strip:
    """A straight strip of the picture: rows run along ``t`` (across the ruler), columns along ``s``."""

    light: NDArray[np.float32]
    origin: Array
    along: Array
    across: Array
    begin: float

    def pixels(self, s: NDArray[np.floating], t: NDArray[np.floating]) -> Array:
        """Picture points of strip coordinates."""
        return np.asarray(self.origin + s[..., None] * self.along + t[..., None] * self.across)

    def sample(self, s: Array, t: Array) -> Array:
        """Light at strip coordinates, bilinear."""
        x = (s - self.begin).astype(np.float32)
        y = (t + _HALF_HEIGHT_PX).astype(np.float32)
        flat = x.reshape(-1, x.shape[-1]), y.reshape(-1, y.shape[-1])
        parts = [
            cv2.remap(
                self.light,
                flat[0][i : i + 30000],
                flat[1][i : i + 30000],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            for i in range(0, len(flat[0]), 30000)
        ]
        return np.concatenate(parts).reshape(x.shape).astype(np.float64)


def _strip(grey: NDArray[np.uint8], row: Row) -> _Strip:
    u = row.direction
    v = np.asarray([-u[1], u[0]])
    s = np.arange(np.floor(row.begin_px), np.ceil(row.end_px) + 1)
    # Only what lies in the picture.
    at = row.middle_px + s[:, None] * u
    inside = ((at > 2) & (at < np.asarray(grey.shape[::-1]) - 3)).all(axis=1)
    s = s[inside]
    t = np.arange(-_HALF_HEIGHT_PX, _HALF_HEIGHT_PX + 1.0)
    points = row.middle_px + s[None, :, None] * u + t[:, None, None] * v
    if len(s) == 0:
        return _Strip(light=np.zeros((len(t), 0), np.float32), origin=row.middle_px, along=u, across=v, begin=0.0)
    # Only the part around the row is turned into light: the whole of a large picture would take four bytes a pixel.
    limits = np.asarray(grey.shape[::-1])
    low = np.clip(np.floor(points.min(axis=(0, 1))).astype(int) - 2, 0, limits - 2)
    high = np.clip(np.ceil(points.max(axis=(0, 1))).astype(int) + 3, low + 2, limits)
    light = SRGB_TO_LINEAR[grey[low[1] : high[1], low[0] : high[0]]]
    near = points - low
    xs, ys = near[..., 0].astype(np.float32), near[..., 1].astype(np.float32)
    values = np.asarray(cv2.remap(light, xs, ys, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    return _Strip(light=values, origin=row.middle_px, along=u, across=v, begin=float(s[0]))


def _first_peak(profile: Array) -> tuple[float, float]:
    """Period of a profile: lag and height of the first strong peak of its autocorrelation."""
    n = len(profile)
    x = (profile - profile.mean()) * np.hanning(n)
    spectrum = np.abs(np.fft.rfft(x, 2 * n)) ** 2
    r = np.fft.irfft(spectrum)[: n // 2]
    w = np.fft.irfft(np.abs(np.fft.rfft(np.hanning(n), 2 * n)) ** 2)[: n // 2]
    r = r / np.maximum(w, 1e-9)
    r = r / max(r[0], 1e-12)
    lags = np.arange(len(r))
    valid = (lags >= _SHORTEST_PERIOD_PX) & (lags <= _LONGEST_PERIOD_PX)
    peak = valid[1:-1] & (r[1:-1] >= r[:-2]) & (r[1:-1] > r[2:])
    at = np.nonzero(peak)[0] + 1
    if len(at) == 0 or r[at].max() <= 0:
        return 0.0, 0.0
    strong = at[r[at] > 0.6 * r[at].max()]
    i = int(strong[0])
    curve = r[i - 1] - 2 * r[i] + r[i + 1]
    shift = 0.5 * (r[i - 1] - r[i + 1]) / curve if curve < 0 else 0.0
    return float(i + shift), float(r[i])


def _windows(strip: _Strip, row: Row) -> list[_Window]:
    """Measure period, band and lean in each window."""
    columns = strip.light.shape[1]
    found = []
    for start in range(0, max(1, columns - _WINDOW_PX // 2), _HOP_PX):
        part = strip.light[:, start : start + _WINDOW_PX].astype(np.float64)
        n = part.shape[1]
        if n < 5 * row.period_px or n < 40:
            continue
        part = part - part.mean(axis=1, keepdims=True)
        shade = np.hanning(n)
        x = np.arange(n) - (n - 1) / 2
        # Rows that hold the period (or its harmonic) which the row was found by.
        grid = np.exp(np.linspace(np.log(0.85), np.log(1.18), 25)) / row.period_px
        power = np.abs((part * shade) @ np.exp(-2j * np.pi * np.outer(x, grid))) ** 2
        level = cv2.blur(power.max(axis=1)[:, None], (1, 5))[:, 0]
        top = int(np.argmax(level))
        low, high = _run(level, top, 0.3)
        period, height = _first_peak(part[low : high + 1].mean(axis=0))
        if height < 0.25 or not _SHORTEST_PERIOD_PX <= period <= _LONGEST_PERIOD_PX or n < 4 * period:
            continue
        grid = np.linspace(0.96, 1.04, 33) / period
        amplitude = (part * shade) @ np.exp(-2j * np.pi * np.outer(x, grid))
        best = int(np.argmax((np.abs(amplitude[low : high + 1]) ** 2).sum(axis=0)))
        a = amplitude[:, best]
        size = cv2.blur(np.abs(a)[:, None], (1, 3))[:, 0]
        low, high = _run(size, int(np.argmax(size)), 0.5)
        if high - low + 1 < _LOWEST_BAND_PX:
            continue
        rows = np.arange(low, high + 1)
        inner = rows[len(rows) // 6 : len(rows) - len(rows) // 6]
        phase = np.unwrap(np.angle(a[inner]))
        weight = np.abs(a[inner])
        slope, offset = np.polyfit(inner - _HALF_HEIGHT_PX, phase, 1, w=weight)
        frequency = float(grid[best])
        middle_t = (low + high) / 2 - _HALF_HEIGHT_PX
        found.append(
            _Window(
                middle=strip.begin + start + (n - 1) / 2,
                frequency=frequency,
                band=(float(low - _HALF_HEIGHT_PX), float(high - _HALF_HEIGHT_PX)),
                lean=float(-slope / (2 * np.pi * frequency)),
                phase=float(offset + slope * middle_t),
                strength=height,
            )
        )
    return _alike(found)


def _run(level: Array, top: int, share: float) -> tuple[int, int]:
    """Contiguous stretch around a maximum where the level stays above a share of it."""
    low = high = top
    while low > 0 and level[low - 1] > share * level[top]:
        low -= 1
    while high < len(level) - 1 and level[high + 1] > share * level[top]:
        high += 1
    return low, high


def _alike(windows: list[_Window]) -> list[_Window]:
    """Windows that agree on the period and lie along one band."""
    if len(windows) < _FEWEST_WINDOWS:
        return []
    logs = np.log([w.frequency for w in windows])
    weights = np.asarray([w.strength for w in windows])
    votes = [(weights * (np.abs(logs - v) < _SAME_STRETCH)).sum() for v in logs]
    kept = np.abs(logs - logs[int(np.argmax(votes))]) < _SAME_STRETCH
    chosen = [w for w, k in zip(windows, kept, strict=True) if k]
    if len(chosen) < _FEWEST_WINDOWS:
        return []
    s = np.asarray([w.middle for w in chosen])
    middle = np.asarray([sum(w.band) / 2 for w in chosen])
    height = float(np.median([w.band[1] - w.band[0] for w in chosen]))
    keep = np.ones(len(s), dtype=bool)
    for _ in range(4):
        line = np.polyfit(s[keep], middle[keep], 1 if keep.sum() < 5 else 2)
        miss = np.abs(np.polyval(line, s) - middle)
        limit = max(3.0, 0.35 * height, 2.5 * float(np.median(miss[keep])))
        new = miss < limit
        if new.sum() < _FEWEST_WINDOWS or (new == keep).all():
            break
        keep = new
    return [w for w, k in zip(chosen, keep, strict=True) if k]


def _smooth(s: Array, values: Array, degree: int) -> Array:
    """Coefficients of a robust polynomial (Huber weights, five rounds)."""
    degree = min(degree, max(0, len(s) - 2))
    weights = np.ones(len(s))
    line = np.polyfit(s, values, degree)
    for _ in range(5):
        miss = np.abs(np.polyval(line, s) - values)
        spread = 1.4826 * float(np.median(miss)) + 1e-6
        weights = np.minimum(1.0, 1.5 * spread / np.maximum(miss, 1e-9))
        line = np.polyfit(s, values, degree, w=np.sqrt(weights))
    return np.asarray(line)


def _count(windows: list[_Window], dark: float) -> list[tuple[Array, Array]]:
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
        if len(first) >= _FEWEST_WINDOWS:
            out.append((numbers[first], where[first]))
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class _Run:
    """Ticks read in one uninterrupted count: numbers, places at the band's middle, uncertainties, clearness."""

    numbers: NDArray[np.intp]
    places: Array
    sigma: Array
    clear: float


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


def read_ticks(grey: NDArray[np.uint8], row: Row) -> Ticks | None:
    """Read the ticks of a row; None where it holds none that can be counted."""
    strip = _strip(grey, row)
    if strip.light.shape[1] < 60:
        return None
    windows = _windows(strip, row)
    if len(windows) < _FEWEST_WINDOWS:
        return None
    s = np.asarray([w.middle for w in windows])
    low = _smooth(s, np.asarray([w.band[0] for w in windows]), 2)
    high = _smooth(s, np.asarray([w.band[1] for w in windows]), 2)
    lean = _smooth(s, np.asarray([w.lean for w in windows]), 1)
    period = float(1 / np.median([w.frequency for w in windows]))
    best: tuple[_Run, float] | None = None
    for dark in (1.0, 0.0):
        read = [_read_each(strip, counted, low, high, lean, period, dark > 0) for counted in _count(windows, dark)]
        runs = [r for r in read if r is not None]
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
    strip: _Strip, counted: tuple[Array, Array], low: Array, high: Array, lean: Array, period: float, dark: bool
) -> _Run | None:
    """Read every tick near where the count says."""
    numbers, where = counted
    line = np.polyfit(numbers, where, min(3, len(numbers) - 1))
    end = strip.begin + strip.light.shape[1] - 1
    around = int(_WINDOW_PX / 2 / period) + 1
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
    best: tuple[float, tuple[Array, Array, Array, Array]] | None = None
    for width in _WIDTHS_PX:
        if width > 0.25 * period:
            continue
        fitted = fit_profiles(profiles, u, reach, width, 0.5)
        clear = float(np.median(np.clip(fitted[3], 0, 100)))
        if best is None or clear > best[0]:
            best = (clear, fitted)
    if best is None:
        return None
    clear, (offset, sigma, height, significance) = best
    good = (significance > _SIGNIFICANT) & (np.abs(offset) < reach) & (sigma < 0.15 * period)
    if good.sum() < _FEWEST_TICKS:
        return None
    good &= (height > 0.25 * np.median(height[good])) & (height < 4 * np.median(height[good]))
    at = places + offset
    for _ in range(4):
        if good.sum() < _FEWEST_TICKS:
            return None
        middle, scale = n[good].mean(), max(1.0, np.ptp(n[good]) / 2)
        curve = _smooth((n[good] - middle) / scale, at[good], 4 if good.sum() > 40 else 2)
        miss = np.abs(np.polyval(curve, (n - middle) / scale) - at)
        spread = 1.4826 * float(np.median(miss[good])) + 0.01
        good &= miss < np.maximum(4 * spread, 3 * sigma)
    if spread > 0.12 * period:
        return None
    return _Run(
        numbers=n[good],
        places=at[good],
        sigma=np.hypot(sigma[good], 0.02),
        clear=clear * float(np.sqrt(good.sum())),
    )


def _with_lengths(
    strip: _Strip,
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
    middle = (t0 + t1) / 2
    depth = np.arange(0.0, min(_REACH_LENGTH * band, _HALF_HEIGHT_PX - 5.0), 1.0)
    results = []
    for side in (-1.0, 1.0):
        t = middle[:, None] + side * depth
        s = places[:, None] + np.polyval(lean, places)[:, None] * (t - middle[:, None])
        core = strip.sample(s, t)
        beside = (strip.sample(s - 0.42 * period, t) + strip.sample(s + 0.42 * period, t)) / 2
        contrast = (beside - core) * (1.0 if dark else -1.0)
        full = np.median(contrast[:, : max(2, int(band / 3))], axis=1)
        smooth = cv2.blur(contrast, (3, 1))
        off = smooth < 0.45 * np.maximum(full, 1e-6)[:, None]
        ends = np.where(off.any(axis=1), off.argmax(axis=1), len(depth)).astype(float)
        results.append((ends, contrast / np.maximum(full, 1e-6)[:, None]))
    spread = [float(np.subtract(*np.percentile(r[0], [85, 15]))) for r in results]
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
    edge = _smooth(cs, ct, 2 if len(cs) >= 6 else 1)
    kept = np.abs(np.polyval(edge, cs) - ct) < max(1.0, 3 * float(np.median(np.abs(np.polyval(edge, cs) - ct))))
    te = np.polyval(edge, places)
    se = places + np.polyval(lean, places) * (te - middle)
    ends, _ = results[1 - edge_side]
    lengths = np.where(ends < len(depth), (ends + np.abs(te - middle)) / (band / 2 + np.abs(te - middle)), np.nan)
    far_t = float(np.median(middle - side * _REACH_LENGTH * band / 2))
    ends_s: Array = np.asarray([places.min(), places.max()], dtype=np.float64)
    return Ticks(
        numbers=numbers,
        points_px=strip.pixels(se, te),
        sigma_px=sigma,
        lengths=lengths,
        edge_px=strip.pixels(cs[kept], ct[kept]),
        far_px=strip.pixels(ends_s, np.asarray([far_t, far_t], dtype=np.float64)),
        period_px=period,
    )
