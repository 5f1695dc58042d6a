"""The ground that things lie on: its colour everywhere, and what on it is foreign, a thin line or only less light.

The ground is the colour most of the picture has; the lamp's fall-off is fitted by a quadratic surface and then
followed locally. Everything is then divided by the ground in linear light: the ground itself becomes (1, 1, 1),
ground in shadow (k, k, k) with k below 1, and a thing of one colour has one value wherever it lies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration.light import SRGB_TO_LINEAR
from tracer.ink import reduced
from tracer.search.raster import apart, as_mask, blurred, lengths, most_apart, shrunk, weighted
from tracer.search.zones import grown_across_lines

MOST_VIEW_PIXELS = 2_500_000
"""The ground is read from a picture of at most this size, to bound memory."""
VIEW_MM = 0.35
"""Finest pixel of that picture."""
LEAST_DIFFERENCE = 3.0
"""Smallest difference from the ground that counts, in units of CIE Lab (2.3 is just noticeable; from memory)."""
LEAST_ZONE_MM2 = 40.0
"""Smaller zones say nothing about the ground (common practice, no source)."""
CLASS_REACH = 2.0
"""Zones of one ground differ by less, in units of CIE Lab, once the fall-off of light is allowed for (a just noticeable
difference; from memory)."""
_NEAR = 0.5
"""Zones of one ground are no further apart than this, in halves of the picture (judgement)."""
DEEPEST_SHADOW = 0.3
"""Share of light left in the deepest shadow under a flat thing (common practice, no source)."""
NOISE_FACTOR = 5.0
"""What differs from the ground by so many times its own unevenness is foreign (judgement)."""
_COARSE_SIGMA = 5.0
"""Coarse pixels of a wide blur: a fifth of its standard deviation."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """The ground under things.

    Parameters
    ----------
    factor : int
        Pixels of the picture per pixel of the view, along each axis.
    mm_per_px : float
        Of the view.
    light : ndarray of float32, shape (rows, columns, 3)
        Linear RGB of the ground everywhere, on the view.
    ratio : ndarray of float32, shape (rows, columns, 3)
        The view divided by the ground, linear RGB.
    foreign : ndarray of bool, shape (rows, columns)
        What differs from the ground.
    shadow : ndarray of bool, shape (rows, columns)
        What may be ground with less light on it.
    """

    factor: int
    mm_per_px: float
    light: NDArray[np.float32]
    ratio: NDArray[np.float32]
    foreign: NDArray[np.bool_]
    shadow: NDArray[np.bool_]


def to_rgb(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Return three channels whatever the picture has."""
    return np.asarray(pixels if pixels.ndim == 3 else np.repeat(pixels[:, :, None], 3, axis=2), dtype=np.uint8)


def to_lab(linear: NDArray[Any]) -> NDArray[np.float32]:
    """Return CIE Lab of linear RGB (0..1)."""
    within = np.clip(linear, 0.0, 1.0, dtype=np.float32)
    return np.asarray(cv2.cvtColor(within, cv2.COLOR_LRGB2Lab), dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """The picture reduced by ``factor``: linear RGB and CIE Lab, both of shape (rows, columns, 3)."""

    factor: int
    mm_per_px: float
    linear: NDArray[np.float32]
    lab: NDArray[np.float32]


def view_of(pixels: NDArray[np.uint8], mm_per_px: float) -> View:
    """Return the picture as coarsely as the ground is read."""
    by_size = (pixels.shape[0] * pixels.shape[1] / MOST_VIEW_PIXELS) ** 0.5
    factor = max(1, int(np.ceil(by_size)), round(VIEW_MM / mm_per_px))
    view = to_rgb(cv2.medianBlur(reduced(pixels, factor), 3))
    linear = np.asarray(cv2.LUT(view, SRGB_TO_LINEAR), dtype=np.float32)
    return View(factor=factor, mm_per_px=mm_per_px * factor, linear=linear, lab=to_lab(linear))


def compared(
    view: View, light: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]]:
    """Return each pixel's distance from the ground's colour (CIE Lab), its share of its light, what may be shadow."""
    distance = lengths(view.lab - to_lab(light))
    ratio = np.asarray(view.linear / np.maximum(light, 1e-3), dtype=np.float32)
    mean = weighted(ratio, np.full(3, 1 / 3))
    spread = most_apart(ratio, [mean, mean, mean]) / np.maximum(mean, 1e-3)
    shadow = (mean < 0.96) & (mean > DEEPEST_SHADOW) & (spread < 0.10)
    return distance, ratio, np.asarray(shadow, dtype=bool)


def read_ground(pixels: NDArray[np.uint8], mm_per_px: float, within_px: NDArray[np.float64] | None = None) -> Ground:
    """Find the ground of a picture.

    Parameters
    ----------
    pixels : ndarray of uint8
    mm_per_px : float
    within_px : ndarray, shape (N, 2), optional
        Polygon in which to look; beyond it nothing is foreign.
    """
    view = view_of(pixels, mm_per_px)
    beyond = np.zeros(view.lab.shape[:2], np.uint8)
    if within_px is not None and len(within_px) >= 3:
        beyond[:] = 1
        corners = np.rint((within_px + 0.5) / view.factor - 0.5).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(beyond, [corners], 0)
    ground = _fit(view.lab, view.mm_per_px, beyond > 0)
    light = spread_light(view.linear, ground, view.mm_per_px)
    distance, ratio, shadow = compared(view, light)
    # The ground's own unevenness (weave, wood, noise) sets how much difference means something.
    calm = distance[ground]
    typical = float(np.median(calm)) if len(calm) else 1.0
    foreign = distance > max(LEAST_DIFFERENCE, NOISE_FACTOR * typical)
    foreign &= beyond == 0
    return Ground(
        factor=view.factor, mm_per_px=view.mm_per_px, light=light, ratio=ratio, foreign=foreign, shadow=shadow
    )


def _zones(
    lab: NDArray[np.float32], scale: float, beyond: NDArray[np.bool_]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Cut the view into zones without sharp edges; returns labels (0 on edges) and the size of each zone in pixels."""
    calm = cv2.GaussianBlur(lab, (0, 0), 0.8)
    across = np.asarray(cv2.Scharr(calm, cv2.CV_32F, 1, 0, scale=1 / 32), dtype=np.float32)
    down = np.asarray(cv2.Scharr(calm, cv2.CV_32F, 0, 1, scale=1 / 32), dtype=np.float32)
    steep = np.asarray(cv2.sqrt(weighted(np.square(across) + np.square(down), np.ones(3))), dtype=np.float32)
    limit = max(0.5, 4.0 * float(np.median(steep)))
    # A faint edge may have gaps: zones that hang together by less than this are two.
    labels, stats = apart(shrunk(as_mask((steep < limit) & ~beyond), 5), connectivity=4)
    large = stats[:, cv2.CC_STAT_AREA] * scale * scale > LEAST_ZONE_MM2
    large[0] = False
    number = np.cumsum(large) * large
    return np.asarray(number[labels], dtype=np.int32), stats[large, cv2.CC_STAT_AREA].astype(np.float64)


def _fit(lab: NDArray[np.float32], scale: float, beyond: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which pixels surely are ground.

    The view is cut into zones at its sharp edges. A large zone and all zones that continue its colour, as far as a
    smooth fall-off of light explains, are one class; the ground is the class that covers most and reaches the
    picture's border, and what goes on from it across thin lines.
    """
    rows, columns = lab.shape[:2]
    labels, sizes = _zones(lab, scale, beyond)
    if not len(sizes):
        return np.ones((rows, columns), dtype=bool)
    flat = labels.ravel()
    count = len(sizes) + 1
    y, x = np.mgrid[0:rows, 0:columns]
    place: NDArray[Any] = np.stack(
        [np.bincount(flat, v.ravel(), count) for v in (x / columns * 2 - 1, y / rows * 2 - 1)], axis=1
    )
    place = np.asarray(place[1:] / sizes[:, None], dtype=np.float64)
    colour: NDArray[Any] = np.stack([np.bincount(flat, lab[:, :, k].ravel(), count) for k in range(3)], axis=1)
    colour = np.asarray(colour[1:] / sizes[:, None], dtype=np.float64)
    border = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    on_rim = np.bincount(border, minlength=count)[1:].astype(np.float64) / len(border)
    best: tuple[float, NDArray[np.bool_]] | None = None
    seen = np.zeros(len(sizes), dtype=bool)
    tried = 0
    # On a lined mat the ground is many small zones of about one colour: a zone counts with those that resemble it.
    tops = np.argsort(-sizes)[:400]
    alike = np.linalg.norm(colour[tops][:, None] - colour[tops][None], axis=2) < 3.0 * CLASS_REACH
    mass = alike @ (sizes[tops] / sizes.sum() + on_rim[tops]) + 1e-3 * sizes[tops] / sizes.sum()
    for seed in tops[np.argsort(-mass)]:
        if tried == 4:
            break
        if seen[seed]:
            continue
        tried += 1
        member = grow_class(int(seed), sizes, place, colour)
        seen |= member
        score = float(sizes[member].sum() / flat.size + on_rim[member].sum())
        if best is None or score > best[0]:
            best = (score, member)
    assert best is not None
    ground = grown_across_lines(best[1], labels, lab, scale, CLASS_REACH)
    chosen = np.concatenate([[False], ground])
    return np.asarray(chosen[labels], dtype=bool)


def grow_class(
    seed: int,
    sizes: NDArray[np.float64],
    place: NDArray[np.float64],
    colour: NDArray[np.float64],
    *,
    reach: float = CLASS_REACH,
) -> NDArray[np.bool_]:
    """Return the zones that a smooth surface through the seed's colour explains, within a reach (CIE Lab).

    ``sizes`` (N,) are weights, ``place`` (N, 2) lies between -1 and 1 across the picture, ``colour`` (N, 3) is CIE Lab.
    """
    member = np.zeros(len(sizes), dtype=bool)
    member[seed] = True
    terms = np.stack(
        [np.ones(len(sizes)), place[:, 0], place[:, 1], place[:, 0] ** 2, place.prod(axis=1), place[:, 1] ** 2], axis=1
    )
    # Higher terms are held back until zones far apart support them.
    hold = np.array([0.0, 0.02, 0.02, 0.1, 0.1, 0.1])
    for _ in range(30):
        weight = sizes[member] / sizes[member].sum()
        t = terms[member] * np.sqrt(weight)[:, None]
        normal = t.T @ t + np.diag(hold * 0.2)
        solution = np.linalg.solve(normal + 1e-9 * np.eye(6), t.T @ (colour[member] * np.sqrt(weight)[:, None]))
        residual = np.linalg.norm((colour - terms @ solution) * np.array([0.6, 1.0, 1.0]), axis=1)
        grown = residual < reach
        fresh = np.flatnonzero(grown & ~member)
        grown[fresh] = np.isfinite(cKDTree(place[member]).query(place[fresh], distance_upper_bound=_NEAR)[0])
        grown[seed] = True
        if (grown == member).all():
            break
        member = grown
    return member


def spread_light(linear: NDArray[np.float32], ground: NDArray[np.bool_], scale: float) -> NDArray[np.float32]:
    """Spread the ground's own light under the things that lie on it (normalised averaging at several widths)."""
    if not ground.any():
        return np.broadcast_to(linear.reshape(-1, 3).mean(axis=0), linear.shape).astype(np.float32)
    step = max(1, round(3.0 / scale))
    size = (max(2, linear.shape[1] // step), max(2, linear.shape[0] // step))
    weight = cv2.resize(ground.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    colour = cv2.resize(linear * ground[:, :, None], size, interpolation=cv2.INTER_AREA)
    out = np.zeros((size[1], size[0], 3), dtype=np.float32)
    done = np.zeros((size[1], size[0], 1), dtype=np.float32)
    for sigma in (4.0, 10.0, 30.0, 120.0):
        around = blurred(weight, sigma, _COARSE_SIGMA)[:, :, None]
        mean = blurred(colour, sigma, _COARSE_SIGMA) / np.maximum(around, 1e-6)
        share = np.clip((around - 0.02) / 0.1, 0, 1) * (1 - done)
        out += share * mean
        done += share
    # Far from all of the ground its light is that of the nearest of it, never that of what lies on it.
    out = out + (1 - done) * mean
    whole = cv2.resize(out.astype(np.float32), (linear.shape[1], linear.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole, dtype=np.float32)
