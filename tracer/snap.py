"""A point set by hand, settled on the line or edge that the picture shows there.

At a smooth place a point slides only across the outline: along it, it is free. At a corner both arms are looked up in
the picture and the point goes where they meet. Profiles are read in linear light, in the original picture.

Limits: a line within half the reach of another may win over it; the place is good to some hundredths of a millimetre,
as single profiles are, and nothing is claimed where no profile shows a line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration import MmPoints, PlaneMap, PxPoints
from calibration.light import LUMINANCE_WEIGHTS
from tracer.profiles import sample_profiles

_STEP_PX = 0.5
_LEAST_CONTRAST = 0.04
"""Of linear light: paler than this against the paper is paper (judgement)."""
_EDGE_SHARE = 0.6
_ROUNDS = 3
_ARM_MM = (1.2, 6.0)
_SMOOTH_DEG = 165.0
_LEAST_READ = 4

Floats = NDArray[np.float64]


def snap_point(
    pixels: NDArray[np.uint8], plane: PlaneMap, at_mm: Floats, arms: tuple[Floats, Floats], *, reach_mm: float = 1.5
) -> Floats | None:
    """Settle a point on the picture's own line.

    Parameters
    ----------
    pixels : ndarray of uint8
        The original picture, sRGB-encoded.
    plane : PlaneMap
    at_mm : ndarray, shape (2,)
        Where it was set.
    arms : tuple of ndarray
        Unit directions (mm) in which the outline leaves the point, back and forth.
    reach_mm : float
        Nothing farther off than this is taken.

    Returns
    -------
    ndarray of shape (2,), or None
        None where no line or edge can be read within reach: the point then stays where it was set.
    """
    back, forth = (np.asarray(a, dtype=np.float64) for a in arms)
    inner = float(np.degrees(np.arccos(np.clip(back @ forth, -1.0, 1.0))))
    start = np.asarray(at_mm, dtype=np.float64)
    point = start.copy()
    for _ in range(_ROUNDS):
        if inner > _SMOOTH_DEG:
            shift = _across(pixels, plane, point, forth - back, reach_mm)
        else:
            shift = _corner(pixels, plane, point, back, forth, reach_mm)
        if shift is None:
            return None
        point = point + shift
        if float(np.hypot(*(point - start))) > reach_mm:
            return None
        if float(np.hypot(*shift)) < 0.003:
            break
    return point


def _across(pixels: NDArray[np.uint8], plane: PlaneMap, point: Floats, along: Floats, reach_mm: float) -> Floats | None:
    along = along / max(float(np.hypot(*along)), 1e-12)
    normal = np.array([along[1], -along[0]])
    places = point + np.linspace(-0.5, 0.5, 7)[:, None] * along
    found = _offsets_mm(pixels, plane, places, normal, reach_mm)
    read = found[np.isfinite(found)]
    return None if len(read) < _LEAST_READ else normal * float(np.median(read))


def _corner(
    pixels: NDArray[np.uint8], plane: PlaneMap, point: Floats, back: Floats, forth: Floats, reach_mm: float
) -> Floats | None:
    rows, offsets = [], []
    for arm in (back, forth):
        normal = np.array([arm[1], -arm[0]])
        away = np.linspace(*_ARM_MM, 13)
        found = _offsets_mm(pixels, plane, point + away[:, None] * arm, normal, reach_mm)
        good = np.isfinite(found)
        if good.sum() < 2 * _LEAST_READ:
            return None
        d, y = away[good], found[good]
        for _ in range(3):
            fit = np.polyfit(d, y, 2 if len(d) > 8 else 1)
            off = np.abs(y - np.polyval(fit, d))
            keep = off <= max(3 * 1.4826 * float(np.median(off)), 0.02)
            if keep.all() or keep.sum() < _LEAST_READ:
                break
            d, y = d[keep], y[keep]
        rows.append(normal)
        offsets.append(float(np.polyval(fit, 0.0)))
    matrix = np.array(rows)
    if abs(float(np.linalg.det(matrix))) < 0.15:
        return None
    return np.asarray(np.linalg.solve(matrix, np.array(offsets)))


def _offsets_mm(
    pixels: NDArray[np.uint8], plane: PlaneMap, places_mm: Floats, normal: Floats, reach_mm: float
) -> Floats:
    """Return how far along a normal the line or edge lies from each place, mm; NaN where none is seen."""
    at = np.asarray(plane.to_px(MmPoints(places_mm)))
    ahead = np.asarray(plane.to_px(MmPoints(places_mm + 0.5 * normal)))
    across = (ahead - at) / 0.5
    px_per_mm = np.hypot(across[:, 0], across[:, 1])
    directions = across / px_per_mm[:, None]
    usual = float(np.median(px_per_mm))
    count = max(6, int(np.ceil((reach_mm + 0.6) * usual / _STEP_PX)))
    offsets = np.arange(-count, count + 1).astype(np.float64) * _STEP_PX
    profiles = sample_profiles(pixels, PxPoints(at), directions, offsets, np.asarray(LUMINANCE_WEIGHTS))
    return np.array([_in_profile(p.astype(np.float64), offsets, reach_mm * usual) for p in profiles]) / px_per_mm


def _in_profile(profile: Floats, offsets: Floats, reach_px: float) -> float:
    third = len(profile) // 3
    left, right = float(np.median(profile[:third])), float(np.median(profile[-third:]))
    spread = float(profile.max() - profile.min())
    if spread < _LEAST_CONTRAST:
        return float("nan")
    if abs(left - right) > _EDGE_SHARE * spread:
        level = (left + right) / 2
        sign = np.sign(profile - level)
        crossings = np.flatnonzero(sign[:-1] * sign[1:] < 0)
        if len(crossings) == 0:
            return float("nan")
        places = offsets[crossings] + _STEP_PX * (level - profile[crossings]) / (
            profile[crossings + 1] - profile[crossings]
        )
        nearest = float(places[np.argmin(np.abs(places))])
        return nearest if abs(nearest) <= reach_px else float("nan")
    depth = np.percentile(profile, 75) - profile
    weighted = depth * np.exp(-((offsets / reach_px) ** 2)) * (np.abs(offsets) <= reach_px)
    peak = int(np.argmax(weighted))
    if depth[peak] < max(_LEAST_CONTRAST, 0.35 * spread):
        return float("nan")
    low = high = peak
    while low > 0 and depth[low - 1] > 0.3 * depth[peak]:
        low -= 1
    while high < len(depth) - 1 and depth[high + 1] > 0.3 * depth[peak]:
        high += 1
    mass = np.maximum(depth[low : high + 1] - 0.3 * depth[peak], 0.0)
    return float((mass * offsets[low : high + 1]).sum() / max(float(mass.sum()), 1e-12))
