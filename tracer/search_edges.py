"""Cut-out pieces: things lying on a ground, found by colour.

The ground is the colour that most of the picture has, with the lamp's fall-off fitted by a smooth surface. What
differs from it and does not run off the picture is a thing; its edge is then sought at full size, half-way between
the colour inside and the colour outside. A shadow is ground seen in less light: the same colour, only darker, with a
soft border; it is no thing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.ink import reduced
from tracer.search_graph import Points
from tracer.search_loops import polygon_area

LEAST_SIDE_MM = 15.0
"""Things smaller than this are no pieces (common practice, no source)."""
LEAST_HOLE_MM2 = 3.0
"""Holes smaller than this are dirt or a gleam (common practice, no source)."""
_VIEW_MM = 0.6
_THIN_MM = 9.0
"""A template is this thick somewhere; the strokes of display text are not (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Thing:
    """A cut-out thing: its edge and holes in pixels of the picture, and the colours inside and outside (linear RGB)."""

    points: Points
    holes: tuple[Points, ...]
    weights: NDArray[np.float64]


def _lab(pixels: NDArray[Any]) -> NDArray[np.float32]:
    rgb = pixels if pixels.ndim == 3 else np.repeat(pixels[:, :, None], 3, axis=2)
    return np.asarray(cv2.cvtColor(rgb.astype(np.float32) / 255.0, cv2.COLOR_RGB2Lab), dtype=np.float32)


def _fit_ground(lab: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Fit the ground's colour by quadratic surfaces; returns the surface and which pixels belong to the ground."""
    rows, columns = lab.shape[:2]
    histogram = cv2.calcHist([lab], [0, 1, 2], None, [20, 26, 26], [0, 100.001, -130, 130, -130, 130])
    cell = np.unravel_index(int(np.argmax(histogram)), histogram.shape)
    colour = np.array([cell[0] * 5 + 2.5, cell[1] * 10 - 125, cell[2] * 10 - 125], dtype=np.float32)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    x, y = x / columns * 2 - 1, y / rows * 2 - 1
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    surface = np.broadcast_to(colour, lab.shape)
    weight = np.array([0.5, 1.0, 1.0], dtype=np.float32)
    ground = np.linalg.norm((lab - surface) * weight, axis=2) < 9
    for _ in range(4):
        pick = np.flatnonzero(ground)
        if len(pick) < 50:
            break
        pick = pick[:: max(1, len(pick) // 20000)]
        solution, *_ = np.linalg.lstsq(basis.reshape(-1, 6)[pick], lab.reshape(-1, 3)[pick], rcond=None)
        surface = (basis @ solution).astype(np.float32)
        ground = np.linalg.norm((lab - surface) * weight, axis=2) < 8
    return np.asarray(surface, dtype=np.float32), ground


def find_things(pixels: NDArray[np.uint8], mm_per_px: float, excluded: NDArray[np.uint8] | None = None) -> list[Thing]:
    """Find the things that lie on the ground.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    mm_per_px : float
    excluded : ndarray of uint8, optional
        Non-zero where a reference lies, on a grid of any size that covers the picture.
    """
    factor = max(1, round(_VIEW_MM / mm_per_px))
    view = reduced(pixels, factor)
    scale = mm_per_px * factor
    lab = _lab(cv2.medianBlur(view, 3))
    surface, ground = _fit_ground(lab)
    difference = lab - surface
    chroma = np.hypot(difference[:, :, 1], difference[:, :, 2])
    # Less light on the same ground makes it darker and, in Lab, a little less colourful: weigh lightness half.
    distance = np.hypot(0.5 * difference[:, :, 0], chroma)
    noise = float(np.median(distance[ground])) if ground.any() else 5.0
    foreign = (distance > max(8.0, 5.0 * noise)).astype(np.uint8)
    if excluded is not None:
        there = cv2.resize(excluded, (view.shape[1], view.shape[0]), interpolation=cv2.INTER_NEAREST)
        foreign[there > 0] = 0
    side = max(3, round(_THIN_MM / scale) | 1)
    core = cv2.morphologyEx(foreign, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(foreign, connectivity=4)
    cored = np.unique(labels[core > 0])
    solid = np.bincount(labels[core > 0].ravel(), minlength=count)
    things = []
    least = LEAST_SIDE_MM / scale
    for label in cored[cored > 0]:
        x, y, wide, high, area = (int(v) for v in stats[label])
        border = x <= 0 or y <= 0 or x + wide >= view.shape[1] or y + high >= view.shape[0]
        if border or max(wide, high) < least or area < 0.25 * least * least or solid[label] < 0.4 * area:
            continue
        thing = _edge_of(pixels, factor, labels[y : y + high, x : x + wide] == label, (x, y), scale)
        if thing is not None:
            things.append(thing)
    return things


def _edge_of(
    pixels: NDArray[np.uint8], factor: int, shape: NDArray[np.bool_], corner: tuple[int, int], scale: float
) -> Thing | None:
    """Find a thing's edge at full size, half-way between the colours inside and outside."""
    margin = max(4, round(3.0 / scale))
    x0, y0 = (corner[0] - margin) * factor, (corner[1] - margin) * factor
    x1, y1 = x0 + (shape.shape[1] + 2 * margin) * factor, y0 + (shape.shape[0] + 2 * margin) * factor
    padded = np.pad(shape.astype(np.uint8), margin)
    cut = [max(0, x0), max(0, y0), min(pixels.shape[1], x1), min(pixels.shape[0], y1)]
    patch = pixels[cut[1] : cut[3], cut[0] : cut[2]]
    full = cv2.resize(padded, (x1 - x0, y1 - y0), interpolation=cv2.INTER_NEAREST)
    full = full[cut[1] - y0 : cut[3] - y0, cut[0] - x0 : cut[2] - x0]
    reach = 2 * factor + 3
    kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    outside = cv2.dilate(full, kernel)
    beyond = cv2.dilate(outside, np.ones((4 * factor + 3, 4 * factor + 3), np.uint8))
    inner = cv2.erode(full, kernel) > 0
    outer = (beyond > 0) & (outside == 0)
    if not inner.any() or not outer.any():
        return None
    light = patch.astype(np.float32) if patch.ndim == 3 else np.repeat(patch[:, :, None], 3, axis=2).astype(np.float32)
    within, without = np.median(light[inner], axis=0), np.median(light[outer], axis=0)
    axis = without - within
    length = float(np.linalg.norm(axis))
    if length < 6:
        return None
    axis /= length
    signal = cv2.GaussianBlur((light @ axis.astype(np.float32)), (3, 3), 0.8)
    level = float((within @ axis + without @ axis) / 2)
    inside = ((signal < level) & (outside > 0)).astype(np.uint8)
    inside |= (inner & (signal < level + 0.3 * length)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(inside, connectivity=4)
    if count < 2:
        return None
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    body = (labels == best).astype(np.uint8)
    contours, tree = cv2.findContours(body, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    per_px = scale / factor
    edge: Points | None = None
    holes: list[Points] = []
    for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True):
        points = contour.reshape(-1, 2).astype(np.float64)
        if len(points) < 8:
            continue
        area = abs(polygon_area(points)) * per_px * per_px
        if parent < 0:
            if edge is None or area > abs(polygon_area(edge)) * per_px * per_px:
                edge = points
        elif area >= LEAST_HOLE_MM2:
            gap = np.zeros(body.shape, np.uint8)
            cv2.drawContours(gap, [contour], -1, 1, cv2.FILLED)
            gap[body > 0] = 0
            if gap.any() and float(np.linalg.norm(np.median(light[gap > 0], axis=0) - without)) < 0.35 * length:
                holes.append(points)
    if edge is None:
        return None
    shift = np.array([cut[0], cut[1]], dtype=np.float64)
    difference = (
        SRGB_TO_LINEAR[np.clip(np.rint(without), 0, 255).astype(int)]
        - SRGB_TO_LINEAR[np.clip(np.rint(within), 0, 255).astype(int)]
    )
    weights = np.asarray(difference, dtype=np.float64) / max(1e-9, float(np.abs(difference).sum()))
    return Thing(points=edge + shift, holes=tuple(h + shift for h in holes), weights=weights)
