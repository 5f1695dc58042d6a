"""Open lines measured in the light: stitching lines, grain lines, internal lines, ticks.

The search follows lines from pixel to pixel. Here the light across such a line is read about a pixel apart, its middle
taken from the centroid of what is darker than the paper on both sides. Between dashes, under words and where another
line crosses nothing is read, and the line is carried across.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calibration import PxPoints
from calibration.light import LUMINANCE_WEIGHTS
from tracer.profiles import on_grid, sample_profiles

Floats = NDArray[np.float64]

_REACH_PX = 6.0
_STEP_PX = 0.5
_SEARCH_PX = 2.5
"""The middle of a traced line of pixels lies no farther off (measured)."""
_LEAST_CONTRAST = 0.02
"""Of linear light; paler than this against the paper on both sides is paper (judgement)."""
_MOST_JITTER_PX = 0.4
_LEAST_READ = 0.25
"""Share of a line that must be read: dashes are at least so long against their gaps (common practice, no source)."""
_CROSSED = 1.7
"""Where a line is so much wider than usual another one crosses it or runs into it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenEvidence:
    """Where an open line was found: points (N, 2) in pixels, whether each was read, and the line's width in pixels."""

    points_px: PxPoints
    valid: NDArray[np.bool_]
    width_px: float


def read_line(pixels: NDArray[np.uint8], rough_px: Floats, *, spacing_px: float = 1.5) -> OpenEvidence | None:
    """Find an open line to a fraction of a pixel.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        sRGB-encoded.
    rough_px : ndarray, shape (N, 2)
        The line as followed from pixel to pixel.
    spacing_px : float
        Distance of the points.

    Returns
    -------
    OpenEvidence, or None
        None where too little of it can be read.
    """
    points = _resampled(rough_px, spacing_px)
    if len(points) < 4:
        return None
    normals = _normals(points)
    points = on_grid(points)
    offsets = np.arange(-_REACH_PX, _REACH_PX + _STEP_PX / 2, _STEP_PX)
    profiles = sample_profiles(pixels, points, normals, offsets, np.asarray(LUMINANCE_WEIGHTS)).astype(np.float64)
    middle, width, depth = _middles(profiles, offsets)
    usual = float(np.percentile(depth, 75))
    valid = (depth > max(0.4 * usual, _LEAST_CONTRAST)) & (np.abs(middle) <= _SEARCH_PX)
    if valid.mean() < _LEAST_READ:
        return None
    # Where nothing is drawn the darkest place is now here, now there.
    if float(np.median(np.abs(np.diff(middle[valid])))) > _MOST_JITTER_PX:
        return None
    usual_width = float(np.median(width[valid]))
    valid &= width < _CROSSED * usual_width + 0.5
    if valid.mean() < _LEAST_READ or valid.sum() < 4:
        return None
    # A lone reading far off its neighbours is a speck or a letter.
    level = ndimage.median_filter(np.interp(np.arange(len(middle)), np.flatnonzero(valid), middle[valid]), size=9)
    valid &= np.abs(middle - level) < 0.6
    if valid.sum() < 4:
        return None
    offset = np.interp(np.arange(len(points)), np.flatnonzero(valid), middle[valid])
    return OpenEvidence(points_px=PxPoints(points + normals * offset[:, None]), valid=valid, width_px=usual_width)


def _middles(profiles: Floats, offsets: Floats) -> tuple[Floats, Floats, Floats]:
    """Return for each profile where the middle of the dark line lies, how wide it is, and how deep; (N,) each."""
    near = np.abs(offsets) <= _SEARCH_PX + 0.5
    index = np.arange(len(offsets))
    top = np.flatnonzero(near)[np.argmin(profiles[:, near], axis=1)][:, None]
    bottom = np.take_along_axis(profiles, top, axis=1)
    left = np.where(index <= top, profiles, -np.inf).max(axis=1)
    right = np.where(index >= top, profiles, -np.inf).max(axis=1)
    depth = np.minimum(left, right) - bottom[:, 0]
    level = bottom + 0.6 * depth[:, None]
    # Only what hangs together with the darkest place is the line.
    light = profiles >= level
    before = np.where(light & (index < top), index, -1).max(axis=1)[:, None]
    after = np.where(light & (index > top), index, len(offsets)).min(axis=1)[:, None]
    own = (index > before) & (index < after)
    weight = np.where(own, np.clip(level - profiles, 0, None), 0.0)
    middle = (weight * offsets).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-12)
    return middle, own.sum(axis=1) * _STEP_PX, depth


def _resampled(points: Floats, spacing: float) -> Floats:
    step = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    count = max(2, round(float(along[-1]) / spacing) + 1)
    at = np.linspace(0.0, float(along[-1]), count)
    return np.stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])], axis=1)


def _normals(points: Floats) -> Floats:
    reach = min(4, (len(points) - 1) // 2)
    ahead = points[np.minimum(np.arange(len(points)) + reach, len(points) - 1)]
    behind = points[np.maximum(np.arange(len(points)) - reach, 0)]
    along = ahead - behind
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)
    return np.stack([along[:, 1] / length, -along[:, 0] / length], axis=1)
