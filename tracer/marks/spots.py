"""Circles, dots and crosses measured in the light: middle, radius and arms, to a fraction of a pixel.

The search knows them by a box of whole pixels. A circle is fitted to the middle of its line in every direction (least
squares on the algebraic distance, Kasa 1976, with what lies off it left out, so that a line through it does no harm);
a dot is as large as the light it keeps back; a cross has two axes, found from the direction in which its ink repeats
four times in a turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calibration.light import LUMINANCE_WEIGHTS, decode_srgb

Floats = NDArray[np.float64]

_DIRECTIONS = 72
_LEAST_SEEN = 0.6
"""Share of the directions in which a circle's line must be seen."""
_ROUND_SHARE = 0.12
"""A circle's line lies within this share of its radius (drawn by hand, judgement)."""
_LEAST_CONTRAST = 0.03
"""Of linear light; paler than this against the paper is paper (judgement)."""


class Round(NamedTuple):
    """A circle or a dot: middle (2,) and radius in pixels."""

    middle: Floats
    radius: float


class Crossed(NamedTuple):
    """A cross: the ends of its two strokes, pixels, shape (2, 2) each."""

    one: Floats
    other: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """How much darker than the paper the picture is around a mark.

    ``dark`` is the lost share of linear light, shape (rows, columns); ``corner`` is where its first pixel lies (x, y);
    ``middle`` and ``half`` are those of the mark's box, in pixels of the patch.
    """

    dark: Floats
    corner: Floats
    middle: Floats
    half: float


def patch_of(pixels: NDArray[np.uint8], box_px: Floats) -> Patch | None:
    """Cut the surroundings of a mark out of the picture; None where nothing is dark there.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        sRGB-encoded.
    box_px : ndarray, shape (N, 2)
        Points that the mark lies between.
    """
    low, high = box_px.min(axis=0), box_px.max(axis=0)
    middle, half = (low + high) / 2, float((high - low).max()) / 2
    reach = 1.35 * half + 3.0
    x0, y0 = (int(v) for v in np.maximum(np.floor(middle - reach), 0))
    x1, y1 = (int(v) + 1 for v in np.ceil(middle + reach))
    cut = pixels[y0:y1, x0:x1]
    if min(cut.shape[:2]) < 5:
        return None
    light = decode_srgb(np.ascontiguousarray(cut))
    plain = (light @ LUMINANCE_WEIGHTS if light.ndim == 3 else light).astype(np.float64)
    low_light, high_light = np.percentile(plain, (1, 99))
    dark = float(np.median(plain[plain > (low_light + high_light) / 2])) - plain
    if float(np.percentile(dark, 98)) < _LEAST_CONTRAST:
        return None
    corner = np.array([x0, y0], dtype=np.float64)
    return Patch(dark=dark, corner=corner, middle=middle - corner, half=half)


def find_circle(patch: Patch) -> Round | None:
    """Return the circle along the middle of a ring's line; None where the line is not seen all around."""
    turn = np.arange(_DIRECTIONS) * (2 * math.pi / _DIRECTIONS)
    rays = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    radii = np.arange(0.45 * patch.half, 1.3 * patch.half + 2.0, 0.25)
    along = _sampled(patch, patch.middle + rays[:, None, :] * radii[:, None])
    peak = along.max(axis=1)
    level = 0.4 * float(np.percentile(peak, 60))
    points = []
    for ray, profile in zip(rays, along, strict=True):
        top = int(np.argmax(profile))
        if profile[top] < max(level, _LEAST_CONTRAST):
            continue
        near = np.abs(np.arange(len(profile)) - top) <= max(6, len(profile) // 4)
        weight = np.where(near, np.clip(profile - 0.4 * profile[top], 0, None), 0.0)
        points.append(patch.middle + ray * float((weight * radii).sum() / weight.sum()))
    ring = np.array(points).reshape(-1, 2)
    kept = np.ones(len(ring), dtype=bool)
    for _ in range(4):
        if kept.sum() < _LEAST_SEEN * _DIRECTIONS:
            return None
        found = _circle_through(ring[kept])
        off = np.abs(np.hypot(*(ring - found.middle).T) - found.radius)
        kept = off <= max(3 * 1.4826 * float(np.median(off)), 0.3)
    rms = float(np.sqrt(np.mean(off[kept] ** 2)))
    if rms > _ROUND_SHARE * found.radius or not 0.5 * patch.half < found.radius < 1.3 * patch.half + 1.0:
        return None
    return Round(found.middle + patch.corner, found.radius)


def find_dot(patch: Patch) -> Round | None:
    """Return a filled spot as the circle that keeps back as much light; None where it is not one alone."""
    own = _own(patch)
    if own is None:
        return None
    full = float(np.percentile(patch.dark[own & (patch.dark > 0.5 * patch.dark.max())], 75))
    share = np.minimum(np.where(own, patch.dark, 0.0) / full, 1.0)
    radius = math.sqrt(float(share.sum()) / math.pi)
    if not 0.5 * patch.half < radius < 1.3 * patch.half + 1.0:
        return None
    return Round(_weighted_middle(share) + patch.corner, radius)


def find_cross(patch: Patch) -> Crossed | None:
    """Return the two strokes of a cross or a plus sign; None where they are not seen."""
    own = _own(patch)
    if own is None:
        return None
    share = np.where(own, patch.dark, 0.0)
    middle = _weighted_middle(share)
    y, x = np.indices(share.shape)
    away = np.stack([x - middle[0], y - middle[1]], axis=-1)
    far = np.hypot(away[..., 0], away[..., 1])
    weight = np.where(far > 0.35 * patch.half, share, 0.0)
    # Four arms at right angles are one direction of four times the angle (mean direction of axial data).
    turn = float(np.angle((weight * np.exp(4j * np.arctan2(away[..., 1], away[..., 0]))).sum())) / 4
    strokes = []
    for angle in (turn, turn + math.pi / 2):
        ray = np.array([math.cos(angle), math.sin(angle)])
        steps = np.arange(0.0, 1.45 * patch.half + 2.0, 0.25)
        ends = []
        for sign in (-1.0, 1.0):
            places = middle + sign * ray * steps[:, None]
            sideways = np.array([-ray[1], ray[0]])
            line = np.max([_sampled(patch, places + k * sideways) for k in (-1.0, 0.0, 1.0)], axis=0)
            inner = line[steps < 0.7 * patch.half]
            level = 0.5 * float(np.median(inner[len(inner) // 3 :]))
            below = np.flatnonzero((line < level) & (steps > 0.3 * patch.half))
            if level < 0.5 * _LEAST_CONTRAST or len(below) == 0:
                return None
            k = int(below[0])
            drop = max(float(line[k - 1] - line[k]), 1e-9)
            ends.append(middle + sign * ray * (steps[k - 1] + 0.25 * float(line[k - 1] - level) / drop))
        stroke = np.array(ends)
        if float(np.hypot(*(stroke[1] - stroke[0]))) < 0.9 * patch.half:
            return None
        strokes.append(stroke + patch.corner)
    return Crossed(*strokes)


def _own(patch: Patch) -> NDArray[np.bool_] | None:
    """Return where the mark's own ink is, with the blur around it; None where it runs on out of the patch."""
    strong = patch.dark > 0.4 * float(np.percentile(patch.dark, 99.5))
    labels, _ = ndimage.label(strong, structure=np.ones((3, 3)))
    y, x = np.indices(labels.shape)
    inside = (np.abs(x - patch.middle[0]) <= patch.half) & (np.abs(y - patch.middle[1]) <= patch.half)
    counts = np.bincount(labels[inside & strong], minlength=1)
    if counts.sum() == 0:
        return None
    own = labels == int(np.argmax(counts))
    if own[0].any() or own[-1].any() or own[:, 0].any() or own[:, -1].any():
        return None
    others = cv2.dilate((strong & ~own).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    grown = cv2.dilate(own.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return np.asarray(grown & ~others)


def _weighted_middle(share: Floats) -> Floats:
    y, x = np.indices(share.shape)
    total = float(share.sum())
    return np.array([float((share * x).sum()) / total, float((share * y).sum()) / total])


def _sampled(patch: Patch, points: Floats) -> Floats:
    at = np.moveaxis(points, -1, 0)[::-1]
    return np.asarray(ndimage.map_coordinates(patch.dark, at, order=1, mode="nearest"))


def _circle_through(points: Floats) -> Round:
    """Least squares on the algebraic distance (Kasa 1976)."""
    origin = points.mean(axis=0)
    p = points - origin
    a, b, c = np.linalg.lstsq(np.c_[2 * p, np.ones(len(p))], (p**2).sum(axis=1), rcond=None)[0]
    return Round(origin + (a, b), math.sqrt(max(c + a * a + b * b, 1e-12)))
