"""A straight strip of the picture along a row of ticks, and what its windows show.

Each window tells the period (the first strong peak of the autocorrelation), the band that all ticks reach across, how
they lean in it, and where one of them stands.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from calibration.references.ruler.rows import Row

Array = NDArray[np.float64]
Light = NDArray[np.float32]

HALF_HEIGHT_PX = 170
WINDOW_PX, _HOP_PX = 256, 96
_SHORTEST_PERIOD_PX, _LONGEST_PERIOD_PX = 3.0, 64.0
_SAME_STRETCH = 0.2
_LOWEST_BAND_PX = 4
FEWEST_WINDOWS = 2
_MOST_BANDS, _LEAST_OF_HIGHEST = 3, 0.03
"""Bands of one window that are looked at, and the least of the strongest one's power that another one has: ticks beside
figures have more."""
_MOST_AGREE, _MORE_IN_COMMON = 0.75, 1.25
_SAME_HEIGHT, _SAME_LEAN, _ASIDE_OF_HEIGHT = 0.4, 0.1, 0.2
_PAIRS_TRIED = 200
_FEWEST_FOR_CURVE, _UNSTEADY = 6, 0.015


@dataclass(frozen=True, kw_only=True, eq=False)
class Window:
    """One window: its middle along the strip, frequency, band (from, to), lean and phase of the ticks, clearness."""

    middle: float
    frequency: float
    band: tuple[float, float]
    lean: float
    phase: float
    strength: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Strip:
    """A straight strip of the picture: rows run along ``t`` (across the ruler), columns along ``s``."""

    light: NDArray[np.float32]
    origin: Array
    along: Array
    across: Array
    begin: float

    def pixels(self, s: NDArray[np.floating], t: NDArray[np.floating]) -> Array:
        """Picture points of strip coordinates."""
        return np.asarray(self.origin + s[..., None] * self.along + t[..., None] * self.across)

    def without(self, low: Array, high: Array) -> Strip:
        """Return the strip with a band (polynomials of ``s``) painted over, so that a second row can be seen."""
        s = self.begin + np.arange(self.light.shape[1])
        t = np.arange(-HALF_HEIGHT_PX, HALF_HEIGHT_PX + 1.0)[:, None]
        covered = (t > np.polyval(low, s)) & (t < np.polyval(high, s))
        light = self.light.copy()
        light[covered] = float(np.median(light))
        return Strip(light=light, origin=self.origin, along=self.along, across=self.across, begin=self.begin)

    def sample(self, s: Array, t: Array) -> Array:
        """Light at strip coordinates, bilinear."""
        x = (s - self.begin).astype(np.float32)
        y = (t + HALF_HEIGHT_PX).astype(np.float32)
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


def strip_along(grey: NDArray[np.uint8], row: Row) -> Strip:
    """Return the light of the strip along a row, as far as the picture goes."""
    u = row.direction
    v = np.asarray([-u[1], u[0]])
    s = np.arange(np.floor(row.begin_px), np.ceil(row.end_px) + 1)
    # Only what lies in the picture.
    at = row.middle_px + s[:, None] * u
    inside = ((at > 2) & (at < np.asarray(grey.shape[::-1]) - 3)).all(axis=1)
    s = s[inside]
    t = np.arange(-HALF_HEIGHT_PX, HALF_HEIGHT_PX + 1.0)
    if len(s) == 0:
        return Strip(light=np.zeros((len(t), 0), np.float32), origin=row.middle_px, along=u, across=v, begin=0.0)
    # Only the part around the row is turned into light: the whole of a large picture would take four bytes a pixel.
    limits = np.asarray(grey.shape[::-1])
    ends = row.middle_px + np.array([[a * u + b * v for a in s[[0, -1]]] for b in t[[0, -1]]]).reshape(-1, 2)
    low = np.clip(np.floor(ends.min(axis=0)).astype(int) - 2, 0, limits - 2)
    high = np.clip(np.ceil(ends.max(axis=0)).astype(int) + 3, low + 2, limits)
    light = cv2.LUT(np.ascontiguousarray(grey[low[1] : high[1], low[0] : high[0]]), SRGB_TO_LINEAR)
    first = row.middle_px - low
    xs = ((first[0] + s * u[0])[None, :] + (t * v[0])[:, None]).astype(np.float32)
    ys = ((first[1] + s * u[1])[None, :] + (t * v[1])[:, None]).astype(np.float32)
    values = np.asarray(cv2.remap(light, xs, ys, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    return Strip(light=values, origin=row.middle_px, along=u, across=v, begin=float(s[0]))


def _first_peak(profile: Array) -> tuple[float, float]:
    """Period of a profile: lag and height of the first strong peak of its autocorrelation."""
    n = len(profile)
    x = (profile - profile.mean()) * _taper(n)
    r = _autocorrelation(x) / _of_window(n)
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


def _autocorrelation(x: Array) -> Array:
    n = len(x)
    return np.asarray(np.fft.irfft(np.abs(np.fft.rfft(x, 2 * n)) ** 2)[: n // 2])


@lru_cache(maxsize=8)
def _of_window(n: int) -> Array:
    return np.maximum(_autocorrelation(np.hanning(n)), 1e-9)


@lru_cache(maxsize=8)
def _taper(n: int) -> Light:
    return np.hanning(n).astype(np.float32)


def _waves(n: int, frequencies: Array) -> Light:
    """Return cosines and sines about the middle of a window, (n, 2 F); single precision is plenty for a seed."""
    phase = (2 * np.pi * np.outer(np.arange(n) - (n - 1) / 2, frequencies)).astype(np.float32)
    return np.hstack([np.cos(phase), -np.sin(phase)])


def _amplitude(rows: Light, waves: Light) -> NDArray[np.complex64]:
    """Return the complex amplitude of each row at each frequency."""
    both = rows @ waves
    half = waves.shape[1] // 2
    return np.asarray(both[:, :half] + np.complex64(1j) * both[:, half:])


def find_windows(strip: Strip, row: Row) -> list[Window]:
    """Measure period, band and lean in each window.

    Where bands of single windows do not lie along one line, figures were taken for ticks in some: bold ones are darker
    than thin ticks. Then those bands are taken, one a window, that most windows have in common.
    """
    columns = strip.light.shape[1]
    # Rows that hold the period (or its harmonic) which the row was found by.
    grid = np.exp(np.linspace(np.log(0.85), np.log(1.18), 25)) / row.period_px
    waves = _waves(0, grid)
    found = []
    for start in range(0, max(1, columns - WINDOW_PX // 2), _HOP_PX):
        part = strip.light[:, start : start + WINDOW_PX]
        n = part.shape[1]
        if n < 5 * row.period_px or n < 40:
            continue
        if len(waves) != n:
            waves = _waves(n, grid)
        part = part - part.mean(axis=1, keepdims=True)
        shaded = part * _taper(n)
        power = np.abs(_amplitude(shaded, waves)).max(axis=1).astype(np.float64) ** 2
        level = np.asarray(cv2.blur(power[:, None], (1, 5))[:, 0], dtype=np.float64)
        found.append(_bands(part, shaded, level, strip.begin + start + (n - 1) / 2))
    alike = _alike([bands[0] for bands in found if bands])
    if len(alike) < _MOST_AGREE * len(found) or not _along_one_line(alike):
        common = _in_common(found)
        if len(common) > _MORE_IN_COMMON * sum(_agree(alike, w).sum() for w in alike) / max(len(alike), 1):
            return _steady(common)
    return alike


def _bands(part: Light, shaded: Light, level: Array, middle: float) -> list[Window]:
    """Return the periodic bands of a window, the one that holds most of the row's period first."""
    found: list[Window] = []
    level = level.copy()
    least = _LEAST_OF_HIGHEST * float(level.max())
    for _ in range(_MOST_BANDS):
        top = int(np.argmax(level))
        if level[top] <= least:
            break
        low, high = _run(level, top, 0.3)
        window = _band(part, shaded, (low, high), middle)
        level[max(0, low - 2) : high + 3] = 0.0
        if window is not None:
            found.append(window)
    return found


def _band(part: Light, shaded: Light, about: tuple[int, int], middle: float) -> Window | None:
    """Measure the band that rows in these limits belong to."""
    (low, high), n = about, part.shape[1]
    period, height = _first_peak(part[low : high + 1].mean(axis=0))
    if height < 0.25 or not _SHORTEST_PERIOD_PX <= period <= _LONGEST_PERIOD_PX or n < 4 * period:
        return None
    grid = np.linspace(0.96, 1.04, 33) / period
    within = _amplitude(shaded[low : high + 1], _waves(n, grid))
    best = int(np.argmax((np.abs(within) ** 2).sum(axis=0)))
    a = _amplitude(shaded, _waves(n, grid[best : best + 1]))[:, 0]
    size = np.asarray(cv2.blur(np.abs(a)[:, None], (1, 3))[:, 0], dtype=np.float64)
    low, high = _run(size, low + int(np.argmax(size[low : high + 1])), 0.5)
    if high - low + 1 < _LOWEST_BAND_PX:
        return None
    rows = np.arange(low, high + 1)
    inner = rows[len(rows) // 6 : len(rows) - len(rows) // 6]
    phase = np.unwrap(np.angle(a[inner]))
    weight = np.abs(a[inner])
    slope, offset = _line(inner - HALF_HEIGHT_PX, phase, weight)
    frequency = float(grid[best])
    middle_t = (low + high) / 2 - HALF_HEIGHT_PX
    return Window(
        middle=middle,
        frequency=frequency,
        band=(float(low - HALF_HEIGHT_PX), float(high - HALF_HEIGHT_PX)),
        lean=float(-slope / (2 * np.pi * frequency)),
        phase=float(offset + slope * middle_t),
        strength=height,
    )


def _line(x: NDArray[np.intp], y: Light, weight: Light) -> tuple[float, float]:
    """Return slope and offset of the line of least weighted squares."""
    w = weight.astype(np.float64) ** 2
    middle, mean = float((w @ x) / w.sum()), float((w @ y) / w.sum())
    slope = float((w * (x - middle)) @ y / max(float(w @ (x - middle) ** 2), 1e-30))
    return slope, mean - slope * middle


def _agree(windows: list[Window], other: Window, slope: float = 0.0) -> NDArray[np.bool_]:
    """Which windows have the period, the height, the lean of another one and lie along a line through it."""
    s, frequency, lean = (np.asarray([getattr(w, name) for w in windows]) for name in ("middle", "frequency", "lean"))
    low, high = np.asarray([w.band for w in windows]).T
    tall = other.band[1] - other.band[0]
    aside = (low + high) / 2 - sum(other.band) / 2 - slope * (s - other.middle)
    return np.asarray(
        (np.abs(np.log(frequency / other.frequency)) < _SAME_STRETCH)
        & (np.abs(np.log((high - low) / tall)) < _SAME_HEIGHT)
        & (np.abs(lean - other.lean) < _SAME_LEAN)
        & (np.abs(aside) < max(3.0, _ASIDE_OF_HEIGHT * tall))
    )


def _along_one_line(windows: list[Window]) -> bool:
    """Whether most windows agree with those at both ends of a line through them."""
    if len(windows) < FEWEST_WINDOWS:
        return False
    s = np.asarray([w.middle for w in windows])
    slope = float(np.polyfit(s, [sum(w.band) / 2 for w in windows], 1)[0])
    return max(float(_agree(windows, w, slope).mean()) for w in windows) >= _MOST_AGREE


def _in_common(found: list[list[Window]]) -> list[Window]:
    """Return bands along one line, one a window at most, that as many windows as possible have in common."""
    every = [(k, w) for k, bands in enumerate(found) for w in bands]
    windows, number = [w for _, w in every], np.asarray([k for k, _ in every])
    pairs = [(i, j) for i, j in itertools.combinations(range(len(every)), 2) if number[j] - number[i] > len(found) // 4]
    best: tuple[float, list[Window]] = (0.0, [])
    for i, j in pairs[:: max(1, len(pairs) // _PAIRS_TRIED)]:
        a, b = windows[i], windows[j]
        slope = (sum(b.band) - sum(a.band)) / 2 / (b.middle - a.middle)
        if not _agree([b], a, slope)[0]:
            continue
        chosen = {int(number[k]): windows[k] for k in np.nonzero(_agree(windows, a, slope))[0]}
        value = sum(w.strength for w in chosen.values())
        if value > best[0]:
            best = value, [chosen[k] for k in sorted(chosen)]
    return best[1] if len(best[1]) >= FEWEST_WINDOWS else []


def _run(level: Array, top: int, share: float) -> tuple[int, int]:
    """Contiguous stretch around a maximum where the level stays above a share of it."""
    low = high = top
    while low > 0 and level[low - 1] > share * level[top]:
        low -= 1
    while high < len(level) - 1 and level[high + 1] > share * level[top]:
        high += 1
    return low, high


def _alike(windows: list[Window]) -> list[Window]:
    """Windows that agree on the period and lie along one band."""
    if len(windows) < FEWEST_WINDOWS:
        return []
    logs = np.log([w.frequency for w in windows])
    weights = np.asarray([w.strength for w in windows])
    votes = [(weights * (np.abs(logs - v) < _SAME_STRETCH)).sum() for v in logs]
    kept = np.abs(logs - logs[int(np.argmax(votes))]) < _SAME_STRETCH
    chosen = [w for w, k in zip(windows, kept, strict=True) if k]
    if len(chosen) < FEWEST_WINDOWS:
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
        if new.sum() < FEWEST_WINDOWS or (new == keep).all():
            break
        keep = new
    return _steady([w for w, k in zip(chosen, keep, strict=True) if k])


def _steady(windows: list[Window]) -> list[Window]:
    """Windows whose periods change smoothly along the row: one that is half covered tells a wrong one.

    Perspective and lens change the period along a row, but as a curve does; frequencies of single windows are good to
    half a per cent.
    """
    if len(windows) < _FEWEST_FOR_CURVE:
        return windows
    s = np.asarray([w.middle for w in windows])
    logs = np.log([w.frequency for w in windows])
    miss = np.abs(np.polyval(smooth(s, logs, 2), s) - logs)
    steady = miss < max(_UNSTEADY, 3 * 1.4826 * float(np.median(miss)))
    return [w for w, k in zip(windows, steady, strict=True) if k]


def smooth(s: Array, values: Array, degree: int) -> Array:
    """Coefficients of a robust polynomial (Huber weights, five rounds)."""
    degree = min(degree, max(0, len(s) - 2))
    # About the middle and in half spans the powers are of one size, so that the normal equations are good enough.
    middle, half = float(s.mean()), max(float(np.ptp(s)) / 2, 1e-9)
    powers = np.vander((s - middle) / half, degree + 1)
    weights = np.ones(len(s))
    hold = 1e-12 * len(s) * np.eye(degree + 1)
    for _ in range(6):
        weighted = powers.T * weights
        line = np.linalg.solve(weighted @ powers + hold, weighted @ values)
        miss = np.abs(powers @ line - values)
        ordered = np.sort(miss)
        spread = 0.7413 * float(ordered[(len(s) - 1) // 2] + ordered[len(s) // 2]) + 1e-6
        weights = np.minimum(1.0, 1.5 * spread / np.maximum(miss, 1e-9))
    # The same polynomial in the places themselves.
    own = line[:1]
    for coefficient in line[1:]:
        own = np.convolve(own, [1.0 / half, -middle / half])
        own[-1] += coefficient
    return np.asarray(own)
