"""Ink apart from paper: a mask of everything that is darker than the ground it stands on.

The ground is what stays when dark, narrow things are taken away: a closing of the picture at about one millimetre a
pixel, smoothed by a median. Ink is what is darker than the ground in any colour channel, so that a red, a blue and a
pencil line are all found. Dividing by the ground takes the lamp's fall-off and soft shadows with it.

Where the ground itself has a step (the edge of a sheet on a mat, of a shadow, of a cut-out piece) the ground at
reduced scale is blurred across the step and would show as a dark rim; such rims are masked out and are no ink.

Memory: masks of uint8, and strips of rows for everything else. Pictures finer than needed are reduced by a whole
factor.

Sources: Gonzalez and Woods, Digital Image Processing, morphological smoothing and shading correction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.picture import PxPoints

FINEST_MM_PER_PX = 0.055
"""Finer pictures are reduced: a line of 0.2 mm is still four pixels wide (sampling, from memory)."""
MOST_PIXELS = 48_000_000
"""Larger pictures are reduced, to bound memory."""
GROUND_MM = 14.0
"""Dark things narrower than this are not ground: thick pens, solid arrow heads, the strokes of display text."""
GROUND_STEP_MM = 0.7
"""Pixel of the reduced picture in which the ground is found."""
LIGHT_PRINT_MM = 2.0
"""The lines of mats are narrower: half a millimetre, every fifth or tenth up to one and a half (common practice)."""
LEAST_CONTRAST = 0.09
"""Faintest ink, as a share of the ground's light value: half of a worn pencil line (common practice, no source)."""
_LEVELS, _ENOUGH_TO_TELL = (0, 6, 8, 11, 16, 23, 32, 45, 64, 90, 128, 256), 2000
"""Levels of the ground, encoded, between which noise is told apart, and so many pixels tell it."""
NOISE_FACTOR = 5.0
"""Ink stands out of the ground by so many standard deviations of its noise."""
PLACE_MM, _ACROSS = 12.0, 20
"""The noise of a place this wide is told by so many of its pixels along each axis."""
_STRIP_ROWS = 1024
_ROWS_AT_ONCE = 64
"""So many rows of a large picture stay in the processor's cache while several steps are done to them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ink:
    """The ink of a picture.

    Parameters
    ----------
    mask : ndarray of uint8, shape (rows, columns)
        255 where there is ink, on the reduced grid.
    dark : ndarray of uint8, shape (rows, columns)
        How much darker than the ground, 0 to 255 for nothing to all of its light, in the channel where it is most.
    factor : int
        Pixels of the picture per pixel of the mask, along each axis.
    mm_per_px : float
        Millimetres per pixel of the *mask*.
    contrast : float
        Share of the ground's value by which something must be darker to be ink.
    """

    mask: NDArray[np.uint8]
    dark: NDArray[np.uint8]
    factor: int
    mm_per_px: float
    contrast: float

    def to_picture(self, points: NDArray[np.float64]) -> PxPoints:
        """Map points (N, 2) of the mask to pixels of the picture."""
        return PxPoints((np.asarray(points, dtype=np.float64) + 0.5) * self.factor - 0.5)

    def from_picture(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map pixels of the picture (N, 2) to points of the mask."""
        return np.asarray((np.asarray(points, dtype=np.float64) + 0.5) / self.factor - 0.5)


def working_factor(width_px: int, height_px: int, mm_per_px: float) -> int:
    """Return by how much a picture may be reduced for telling things apart."""
    by_size = math.ceil(math.sqrt(width_px * height_px / MOST_PIXELS))
    by_scale = math.floor(2 * FINEST_MM_PER_PX / mm_per_px) if mm_per_px < FINEST_MM_PER_PX else 1
    return max(1, by_size, by_scale)


def reduced(pixels: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """Return the picture at a whole fraction of its size, each pixel the mean of those it covers."""
    if factor == 1:
        return pixels
    rows, columns = pixels.shape[0] // factor, pixels.shape[1] // factor
    out = np.empty((rows, columns, *pixels.shape[2:]), dtype=np.uint8)
    step = max(1, _STRIP_ROWS // factor)
    for top in range(0, rows, step):
        end = min(rows, top + step)
        strip = pixels[top * factor : end * factor, : columns * factor]
        out[top:end] = cv2.resize(strip, (columns, end - top), interpolation=cv2.INTER_AREA)
    return out


def _ground(small: NDArray[np.uint8], step_mm: float) -> NDArray[np.uint8]:
    """Return the ground of a reduced picture, same shape."""
    reach = max(3, round(GROUND_MM / step_mm) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    calm = cv2.medianBlur(small, 3)
    padded = cv2.copyMakeBorder(calm, reach, reach, reach, reach, cv2.BORDER_REFLECT)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, kernel)[reach:-reach, reach:-reach]
    return np.asarray(cv2.medianBlur(np.ascontiguousarray(closed), 5), dtype=np.uint8)


def _rims(ground: NDArray[np.uint8], step_mm: float) -> NDArray[np.uint8]:
    """Return a mask of where the ground has a step that the reduced scale cannot follow."""
    kernel = np.ones((3, 3), np.uint8)
    planes = cv2.split(ground) if ground.ndim == 3 else (ground,)
    most = np.maximum(6, 0.06 * np.arange(256)).astype(np.uint8)
    rim = np.zeros(ground.shape[:2], np.uint8)
    for plane in planes:
        high, low = cv2.dilate(plane, kernel), cv2.erode(plane, kernel)
        rim |= np.asarray(cv2.compare(cv2.subtract(high, low), cv2.LUT(high, most), cv2.CMP_GT), dtype=np.uint8)
    return rim


def _light(ground: NDArray[np.uint8], step: int, first: int, after: int, columns: int) -> NDArray[np.uint8]:
    """Return some rows of the ground at ``step`` times its size, on the picture's own pixel centres.

    ``first`` is the first of them in the ground, ``after`` the one after the last. Beyond the ground's right and bottom
    it goes on as it is there, to so many columns.
    """
    around = np.clip(np.arange(first - 1, after + 1), 0, len(ground) - 1)
    beyond = -(-columns // step) + 1 - ground.shape[1]
    part = cv2.copyMakeBorder(ground[around], 0, 0, 1, beyond, cv2.BORDER_REPLICATE)
    wide = cv2.resize(part, (part.shape[1] * step, part.shape[0] * step), interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide[step:-step, step : step + columns], dtype=np.uint8)


def find_ink(pixels: NDArray[np.uint8], mm_per_px: float, light_print: NDArray[np.uint8] | None = None) -> Ink:
    """Find the ink of a picture.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
    mm_per_px : float
        Of the picture.
    light_print : ndarray of uint8, optional
        A mask of any size, to be stretched over the picture: non-zero where thin lines lighter than the ground are
        printed, as on a mat. Taken for ground where they cross, they would make steps in it.
    """
    factor = working_factor(pixels.shape[1], pixels.shape[0], mm_per_px)
    picture = reduced(pixels, factor)
    scale = mm_per_px * factor
    rows, columns = picture.shape[:2]
    step = min(max(1, round(GROUND_STEP_MM / scale)), rows, columns)
    # By a whole number it takes a tenth of the time. A part of a step at the right and bottom is left out.
    small_size = (columns // step, rows // step)
    whole = picture[: small_size[1] * step, : small_size[0] * step]
    small = np.asarray(cv2.resize(whole, small_size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    if light_print is not None:
        printed = cv2.resize(light_print, small_size, interpolation=cv2.INTER_NEAREST) > 0
        reach = max(3, round(LIGHT_PRINT_MM / (scale * step)) | 1)
        plain = cv2.morphologyEx(small, cv2.MORPH_OPEN, np.ones((reach, reach), np.uint8))
        small = np.where(printed if small.ndim == 2 else printed[..., None], plain, small)
    ground = _ground(small, scale * step)
    rims = _rims(ground, scale * step)
    dark = np.empty((rows, columns), dtype=np.uint8)
    at_once = max(1, _ROWS_AT_ONCE // step)
    for first in range(0, -(-rows // step), at_once):
        strip = slice(first * step, min(rows, (first + at_once) * step))
        light = _light(ground, step, first, first + at_once, columns)[: strip.stop - strip.start]
        share = cv2.divide(cv2.subtract(light, picture[strip]), light, scale=255.0)
        if share.ndim == 3:
            one, two, three = cv2.split(share)
            share = cv2.max(cv2.max(one, two), three)
        dark[strip] = share
    dark = np.asarray(cv2.GaussianBlur(dark, (3, 3), 0.7), dtype=np.uint8)
    planes = cv2.split(ground)
    level = planes[0] if len(planes) == 1 else cv2.min(cv2.min(planes[0], planes[1]), planes[2])
    wide_level = np.asarray(cv2.resize(level, (columns, rows), interpolation=cv2.INTER_NEAREST), dtype=np.uint8)
    contrast, by_level = _least_contrast(dark, wide_level)
    least = cv2.min(cv2.LUT(wide_level, by_level), _least_by_place(dark, scale))
    mask = np.asarray(cv2.compare(dark, least, cv2.CMP_GT), dtype=np.uint8)
    if rims.any():
        wide = cv2.resize(rims, (columns, rows), interpolation=cv2.INTER_NEAREST)
        mask = np.asarray(cv2.subtract(mask, wide), dtype=np.uint8)
    return Ink(mask=mask, dark=dark, factor=factor, mm_per_px=scale, contrast=contrast)


def _least_contrast(dark: NDArray[np.uint8], level: NDArray[np.uint8]) -> tuple[float, NDArray[np.uint8]]:
    """Return how dark ink is at least, as a share of its ground, and the same 0 to 255 for each level of the ground.

    Darkness is relative to the ground: a camera's noise that is nothing on paper is much on a dark table beside it.
    """
    stride = max(1, dark.shape[0] // 1500), max(1, dark.shape[1] // 1500)
    some, there = (np.ascontiguousarray(image[:: stride[0], :: stride[1]]) for image in (dark, level))
    kinds = len(_LEVELS) - 1
    kind_of = np.repeat(np.arange(kinds, dtype=np.uint8), np.diff(_LEVELS))
    counts = cv2.calcHist([cv2.LUT(there, kind_of), some], [0, 1], None, [kinds, 256], [0, kinds, 0, 256])
    counts = counts.astype(np.int64)
    middle, noise = _bare_paper(counts.sum(axis=0))
    contrast = max(LEAST_CONTRAST, (middle + NOISE_FACTOR * noise) / 255.0)
    least = np.full(256, min(255, int(255.0 * contrast)), dtype=np.uint8)
    for own, low, high in zip(counts, _LEVELS, _LEVELS[1:], strict=False):
        if own.sum() >= _ENOUGH_TO_TELL:
            middle, noise = _bare_paper(own)
            least[low:high] = np.clip(middle + NOISE_FACTOR * noise, least[low:high], 255).astype(np.uint8)
    return contrast, least


def _least_by_place(dark: NDArray[np.uint8], mm_per_px: float) -> NDArray[np.uint8]:
    """Return how dark ink is at least by the noise of its surroundings, 0 to 255, same shape.

    Things of one light differ in grain: tissue is calm beside wood that is as light. What is told here counts for the
    noisiest of a place and those around it, and where most of a place is bare.
    """
    side = max(8, round(PLACE_MM / mm_per_px))
    # So many pixels of a place tell its noise.
    every = max(1, side // _ACROSS)
    side = side // every * every
    rows, columns = (-(-length // side) for length in dark.shape)
    full_rows, full_columns = dark.shape[0] // side, dark.shape[1] // side
    if not full_rows or not full_columns:
        return np.full(dark.shape, 255, dtype=np.uint8)
    step = side // every
    some = dark[: full_rows * side : every, : full_columns * side : every]
    tiles = some.reshape(full_rows, step, full_columns, step).transpose(0, 2, 1, 3).reshape(full_rows, full_columns, -1)
    at = [int(share * step * step) for share in (0.1587, 0.5)]
    low, middle = np.moveaxis(np.partition(tiles, at, axis=2)[:, :, at].astype(np.float32), 2, 0)
    least = middle + NOISE_FACTOR * np.maximum(1.0, middle - low)
    least = cv2.dilate(np.clip(least, 255.0 * LEAST_CONTRAST, 255.0).astype(np.uint8), np.ones((3, 3), np.uint8))
    least = np.pad(least, ((0, rows - full_rows), (0, columns - full_columns)), mode="edge")
    wide = cv2.resize(least, (columns * side, rows * side), interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide[: dark.shape[0], : dark.shape[1]], dtype=np.uint8)


def _bare_paper(counts: NDArray[np.int64]) -> tuple[float, float]:
    """Return the middle and the standard deviation of the darkness levels of bare paper, from how often each occurs.

    Ink only adds levels to the right, so the left half of the bump tells its width (68.3 % within one sigma).
    """
    share = np.cumsum(counts) / max(1, int(counts.sum()))
    middle = int(np.searchsorted(share, 0.5))
    low = int(np.searchsorted(share, 0.1587))
    return float(middle), float(max(1.0, middle - low))
