"""A straight strip of the picture along a row of ticks, and what its windows show.

Each window tells the period (the first strong peak of the autocorrelation), the band that all ticks reach across, how
they lean in it, and where one of them stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from calibration.light import SRGB_TO_LINEAR
from calibration.references.ruler.rows import Row

Array = NDArray[np.float64]
Light = NDArray[np.float32]

HALF_HEIGHT_PX = 170
WINDOW_PX, _HOP_PX = 256, 96
_SHORTEST_PERIOD_PX, _LONGEST_PERIOD_PX = 3.0, 64.0
_BESIDE_SEEN_PX = WINDOW_PX
"""Windows farther from where the row's period was seen are left out: they lie between words, say."""
_LEAST_PEAK = 0.25
"""Least height of the first peak of a band's autocorrelation."""
_FINE, _NEAR = 0.0025, 16
"""Frequencies are told in steps of this share, and sought so many steps from where the autocorrelation has them."""
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
_EVERY = 4
"""Of so many pixels each way one is enough to tell the strip's middle light."""


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
        light[covered] = float(np.median(light[::_EVERY, ::_EVERY]))
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
    begin = first + s[0] * u + t[0] * v
    values = np.asarray(
        cv2.warpAffine(
            light,
            np.column_stack([u, v, begin]),
            (len(s), len(t)),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        dtype=np.float32,
    )
    return Strip(light=values, origin=row.middle_px, along=u, across=v, begin=float(s[0]))


def _first_peaks(profiles: Light) -> tuple[Array, Array]:
    """Periods of profiles (rows): lag and height of the first strong peak of each one's autocorrelation, 0 for none."""
    n = profiles.shape[1]
    x = (profiles - profiles.mean(axis=1, keepdims=True)) * _taper(n)
    r = _autocorrelation(x) / _of_window(n)
    r /= np.maximum(r[:, :1], 1e-12)
    lags = np.arange(r.shape[1])
    valid = (lags >= _SHORTEST_PERIOD_PX) & (lags <= _LONGEST_PERIOD_PX)
    before, at, after = r[:, :-2], r[:, 1:-1], r[:, 2:]
    heights = np.where(valid[1:-1] & (at >= before) & (at > after), at, 0.0)
    highest = heights.max(axis=1)
    rows, first = np.arange(len(r)), (heights > 0.6 * highest[:, None]).argmax(axis=1)
    a, b, c = before[rows, first], at[rows, first], after[rows, first]
    curve = a - 2 * b + c
    shift = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, 1.0), 0.0)
    there = highest > 0
    return np.where(there, first + 1 + shift, 0.0), np.where(there, b, 0.0)


def _autocorrelation(x: Array | Light) -> Array:
    n = x.shape[-1]
    spectrum = fft.rfft(x, 2 * n)
    return np.asarray(fft.irfft(spectrum.real**2 + spectrum.imag**2)[..., : n // 2], dtype=np.float64)


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


@lru_cache(maxsize=2)
def _all_waves(n: int) -> tuple[Array, Light, Light]:
    """Return finely divided frequencies and their cosines and sines about the middle of a window, (n, F) each."""
    least, most = (np.log(1 / period) for period in (_LONGEST_PERIOD_PX, _SHORTEST_PERIOD_PX))
    beyond = 2 * _NEAR * _FINE
    frequencies = np.exp(np.arange(least - beyond, most + beyond, _FINE))
    waves = _waves(n, frequencies)
    return frequencies, waves[:, : len(frequencies)], waves[:, len(frequencies) :]


def _power(rows: Light, waves: Light) -> Light:
    """Return the squared amplitude of each row at each frequency."""
    both = rows @ waves
    half = waves.shape[1] // 2
    return np.asarray(both[:, :half] ** 2 + both[:, half:] ** 2)


def find_windows(strip: Strip, row: Row) -> list[Window]:
    """Measure period, band and lean in each window.

    Where bands of single windows do not lie along one line, figures were taken for ticks in some: bold ones are darker
    than thin ticks. Then those bands are taken, one a window, that most windows have in common.
    """
    columns = strip.light.shape[1]
    n = min(WINDOW_PX, columns)
    if n < 5 * row.period_px or n < 40:
        return []
    # Rows that hold the period (or its harmonic) which the row was found by.
    waves = _waves(n, np.exp(np.linspace(np.log(0.85), np.log(1.18), 25)) / row.period_px)
    looks: list[_Look] = []
    for start in dict.fromkeys([*range(0, columns - n, _HOP_PX), columns - n]):
        middle = strip.begin + start + (n - 1) / 2
        if np.abs(row.seen_px - middle).min() > _BESIDE_SEEN_PX:
            continue
        part = strip.light[:, start : start + n]
        part = part - part.mean(axis=1, keepdims=True)
        shaded = part * _taper(n)
        level = np.asarray(cv2.blur(_power(shaded, waves).max(axis=1)[:, None], (1, 5))[:, 0], dtype=np.float64)
        limits = _strong(level)
        if limits:
            profiles = np.stack([part[low : high + 1].mean(axis=0) for low, high in limits])
            looks.append(_Look(middle=middle, shaded=shaded, limits=limits, profiles=profiles))
    if not looks:
        return []
    found = _bands(looks)
    alike = _alike([bands[0] for bands in found if bands])
    if len(alike) < _MOST_AGREE * len(found) or not _along_one_line(alike):
        common = _in_common(found)
        agreed = float(_Table(alike).all_agree().sum()) / len(alike) if alike else 0.0
        if len(common) > _MORE_IN_COMMON * agreed:
            return _steady(common)
    return alike


@dataclass(frozen=True, kw_only=True, eq=False)
class _Look:
    """What is seen in a window: its light, tapered, its strongest bands (from, to), and each one's mean profile."""

    middle: float
    shaded: Light
    limits: list[tuple[int, int]]
    profiles: Light


def _strong(level: Array) -> list[tuple[int, int]]:
    """Return the bands (from, to) of a window that hold most of the row's period, the strongest first."""
    limits: list[tuple[int, int]] = []
    level = level.copy()
    least = _LEAST_OF_HIGHEST * float(level.max())
    for _ in range(_MOST_BANDS):
        top = int(np.argmax(level))
        if level[top] <= least:
            break
        low, high = _run(level, top, 0.3)
        limits.append((low, high))
        level[max(0, low - 2) : high + 3] = 0.0
    return limits


def _bands(looks: Sequence[_Look]) -> list[list[Window]]:
    """Return the periodic bands of each window, the one that holds most of the row's period first."""
    peaks = iter(np.stack(_first_peaks(np.concatenate([look.profiles for look in looks])), axis=1).tolist())
    found = []
    for look in looks:
        windows = [
            _band(look.shaded, limits, period, height, look.middle)
            for limits, (period, height) in zip(look.limits, peaks, strict=False)
            if height >= _LEAST_PEAK
        ]
        found.append([window for window in windows if window is not None])
    return found


def _band(shaded: Light, about: tuple[int, int], period: float, height: float, middle: float) -> Window | None:
    """Measure the band that rows in these limits belong to, of about this period."""
    (low, high), n = about, shaded.shape[1]
    if not _SHORTEST_PERIOD_PX <= period <= _LONGEST_PERIOD_PX or n < 4 * period:
        return None
    frequencies, cosines, sines = _all_waves(n)
    near = int(np.searchsorted(frequencies, 1 / period))
    tried = slice(near - _NEAR, near + _NEAR + 1)
    best = (
        near
        - _NEAR
        + int(np.argmax(_power(shaded[low : high + 1], np.hstack([cosines[:, tried], sines[:, tried]])).sum(axis=0)))
    )
    a = shaded @ np.column_stack([cosines[:, best], sines[:, best]])
    size = np.asarray(cv2.blur(np.hypot(a[:, 0], a[:, 1])[:, None], (1, 3))[:, 0], dtype=np.float64)
    low, high = _run(size, low + int(np.argmax(size[low : high + 1])), 0.5)
    if high - low + 1 < _LOWEST_BAND_PX:
        return None
    rows = np.arange(low, high + 1)
    inner = rows[len(rows) // 6 : len(rows) - len(rows) // 6]
    phase = np.arctan2(a[inner, 1], a[inner, 0])
    phase[1:] -= 2 * np.pi * np.cumsum(np.rint(np.diff(phase) / (2 * np.pi)))
    slope, offset = _line(inner - HALF_HEIGHT_PX, phase, np.hypot(a[inner, 0], a[inner, 1]))
    frequency = float(frequencies[best])
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


class _Table:
    """The numbers of windows, as arrays."""

    def __init__(self, windows: Sequence[Window]) -> None:
        self.s = np.asarray([w.middle for w in windows])
        self.log_frequency = np.log([w.frequency for w in windows])
        self.lean = np.asarray([w.lean for w in windows])
        low, high = np.asarray([w.band for w in windows]).reshape(-1, 2).T
        self.middle, self.tall = (low + high) / 2, high - low

    def agree(self, k: Any, others: Any, slope: Any = 0.0) -> NDArray[np.bool_]:
        """Which of others have the period, the height, the lean of a window and lie along a line through it."""
        aside = self.middle[others] - self.middle[k] - slope * (self.s[others] - self.s[k])
        return np.asarray(
            (np.abs(self.log_frequency[others] - self.log_frequency[k]) < _SAME_STRETCH)
            & (np.abs(np.log(self.tall[others] / self.tall[k])) < _SAME_HEIGHT)
            & (np.abs(self.lean[others] - self.lean[k]) < _SAME_LEAN)
            & (np.abs(aside) < np.maximum(3.0, _ASIDE_OF_HEIGHT * self.tall[k]))
        )

    def all_agree(self, slope: float = 0.0) -> NDArray[np.bool_]:
        """Row k: which agree with window k."""
        every = np.arange(len(self.s))
        return self.agree(every[:, None], every[None, :], slope)


def _along_one_line(windows: list[Window]) -> bool:
    """Whether most windows agree with those at both ends of a line through them."""
    if len(windows) < FEWEST_WINDOWS:
        return False
    table = _Table(windows)
    slope = float(np.polyfit(table.s, table.middle, 1)[0])
    return bool(table.all_agree(slope).mean(axis=1).max() >= _MOST_AGREE)


def _in_common(found: list[list[Window]]) -> list[Window]:
    """Return bands along one line, one a window at most, that as many windows as possible have in common."""
    every = [(k, w) for k, bands in enumerate(found) for w in bands]
    windows, number = [w for _, w in every], np.asarray([k for k, _ in every])
    first, second = np.triu_indices(len(every), 1)
    apart = number[second] - number[first] > len(found) // 4
    first, second = first[apart], second[apart]
    step = max(1, len(first) // _PAIRS_TRIED)
    first, second = first[::step], second[::step]
    if not len(first):
        return []
    table = _Table(windows)
    slopes = (table.middle[second] - table.middle[first]) / (table.s[second] - table.s[first])
    good = table.agree(first, second, slopes)
    strength = np.asarray([w.strength for w in windows])
    best: tuple[float, list[Window]] = (0.0, [])
    for i, slope in zip(first[good], slopes[good], strict=True):
        members = np.flatnonzero(table.agree(i, slice(None), slope))
        # Of several bands of one window the last.
        members = members[np.append(np.diff(number[members]) > 0, True)]
        value = float(strength[members].sum())
        if value > best[0]:
            best = value, [windows[k] for k in members]
    return best[1] if len(best[1]) >= FEWEST_WINDOWS else []


def _run(level: Array, top: int, share: float) -> tuple[int, int]:
    """Contiguous stretch around a maximum where the level stays above a share of it."""
    below = level <= share * level[top]
    before, after = np.flatnonzero(below[:top]), np.flatnonzero(below[top + 1 :])
    low = int(before[-1]) + 1 if len(before) else 0
    return low, top + int(after[0]) if len(after) else len(level) - 1


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
