"""Where a grid line truly runs: profiles across it, in linear light, along the stretches between nodes.

Each half of the stretch between two nodes gives one profile: the middle of the light seen at each distance across
(a trimmed mean along the line, so that a crossing diagonal or a figure printed beside it does no harm). A line is
symmetrical, so the place of a Gaussian fitted with a free floor and slope is its centre whatever its true width.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import PlaneMap
from calibration.picture import MmPoints
from calibration.references.line_profile import fit_profiles

Array = NDArray[np.float64]

_FROM, _TO = 0.10, 0.48
"""Each half stretch is looked at from 10 % of a cell away from the node, clear of the crossing line, to the middle."""
_WIDER = 1.8
"""A border or every so-many-th line may be drawn this much wider than the rest."""
_CLEAR, _SOMETHING = 9.0, 2.0
_CHUNK = 2000


@dataclass(frozen=True, kw_only=True, eq=False)
class Stretches:
    """Measured half stretches, shape (E, 2): first the half at the stretch's start, then the one at its end.

    Parameters
    ----------
    offsets_px : ndarray
        Distance of the line from where the map says, along the left-hand normal (see ``normals``); NaN where not seen.
    sigmas_px : ndarray
        Standard uncertainty of the offset from the scatter about the fitted profile.
    heights : ndarray
        Light of the line above (or below) what is beside it, positive.
    significance : ndarray
        Height over its standard uncertainty.
    normals : ndarray, shape (E, 2, 2)
        Unit normals at the halves' middles.
    """

    offsets_px: Array
    sigmas_px: Array
    heights: Array
    significance: Array
    normals: Array


def joined(parts: list[tuple[NDArray[np.intp], Stretches]], count: int) -> Stretches:
    """Put measurements of parts of a list of stretches, given with their places in it, into one."""
    out = {
        name: np.full((count, *getattr(parts[0][1], name).shape[1:]), np.nan)
        for name in ("offsets_px", "sigmas_px", "heights", "significance", "normals")
    }
    for where, part in parts:
        for name, values in out.items():
            values[where] = getattr(part, name)
    return Stretches(**out)


def _sample_lines(plane: PlaneMap, starts: Array, ends: Array, samples: int) -> tuple[Array, Array]:
    """Points (E, 2, T, 2) along both halves of each stretch and unit normals (E, 2, 2)."""
    t = np.linspace(_FROM, _TO, samples)
    t = np.stack([t, 1 - t])  # both halves run from their node inwards
    lattice = starts[:, None, None, :] + (ends - starts)[:, None, None, :] * t[None, :, :, None]
    points = plane.to_px(MmPoints(lattice.reshape(-1, 2))).reshape(lattice.shape)
    along = points[:, :, -1] - points[:, :, 0]
    along[:, 1] *= -1
    along /= np.maximum(np.linalg.norm(along, axis=-1, keepdims=True), 1e-9)
    return points, np.stack([-along[..., 1], along[..., 0]], axis=-1)


def _trimmed(values: NDArray[np.float32]) -> Array:
    """Mean of the middle half along axis 1."""
    n = values.shape[1]
    ordered = np.sort(values, axis=1)
    return np.asarray(ordered[:, n // 4 : n - n // 4].mean(axis=1), dtype=np.float64)


def _profiles(light: NDArray[np.float32], at: NDArray[np.float32], aside: NDArray[np.float32]) -> Array:
    """Light across lines: points along them (N, T, 2) and steps across (N, 1, U, 2) give (N, U), trimmed along."""
    x = at[:, :, None, 0] + aside[..., 0]
    y = at[:, :, None, 1] + aside[..., 1]
    count, samples, across = x.shape
    # remap takes pictures of less than 32768 rows: profiles lie side by side in it.
    values = cv2.remap(light, x.reshape(count, -1), y.reshape(count, -1), cv2.INTER_LINEAR)
    return _trimmed(np.asarray(values, dtype=np.float32).reshape(count, samples, across))


def measure(
    light: NDArray[np.float32],
    plane: PlaneMap,
    starts: Array,
    ends: Array,
    *,
    reach_px: float,
    line_sigma_px: float,
    light_on_dark: bool,
    samples: int,
    step_px: float,
) -> Stretches:
    """Measure the line along each stretch from ``starts`` to ``ends`` (lattice units, shape (E, 2)).

    ``reach_px`` is how far off the line may be; ``line_sigma_px`` the standard deviation of its profile.
    """
    points, normals = _sample_lines(plane, starts, ends, samples)
    count = len(points)
    half = reach_px + 3.0 * _WIDER * line_sigma_px + 1.0
    u = np.arange(-np.ceil(half / step_px), np.ceil(half / step_px) + 1) * step_px
    rows, columns = light.shape
    inside = (points >= half + 1) & (points <= np.asarray([columns, rows]) - half - 2)
    seen = inside.all(axis=(2, 3)).reshape(-1)
    at = points.reshape(2 * count, samples, 2)[seen].astype(np.float32)
    aside = normals.reshape(2 * count, 1, 1, 2)[seen].astype(np.float32) * u.astype(np.float32)[:, None]
    out = {k: np.full(2 * count, np.nan) for k in ("offset", "sigma", "height", "significance")}
    if len(at):
        profiles = np.concatenate(
            [_profiles(light, at[i : i + _CHUNK], aside[i : i + _CHUNK]) for i in range(0, len(at), _CHUNK)]
        )
        if not light_on_dark:
            profiles = -profiles
        fitted = np.stack(fit_profiles(profiles, u, reach_px, line_sigma_px, step_px))
        unclear = (fitted[3] < _CLEAR) & (fitted[3] > _SOMETHING)
        if unclear.any():
            wide = np.stack(fit_profiles(profiles[unclear], u, reach_px, _WIDER * line_sigma_px, step_px))
            better = wide[3] > fitted[3, unclear]
            fitted[:, np.nonzero(unclear)[0][better]] = wide[:, better]
        for key, result in zip(out, fitted, strict=True):
            out[key][seen] = result
    return Stretches(
        offsets_px=out["offset"].reshape(count, 2),
        sigmas_px=out["sigma"].reshape(count, 2),
        heights=out["height"].reshape(count, 2),
        significance=out["significance"].reshape(count, 2),
        normals=normals,
    )
