"""Masks: opening, closing, growing and taking apart, with the types spelled out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.uint8]
Labels = NDArray[np.int32]

_LARGE, _SPARSE = 500_000, 0.15
"""Masks of more pixels than the first, covered by less than the second, are measured by what there is in them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A part of a picture, reduced: its first pixel in the picture, its size, and how many pixels one of it covers."""

    x: int
    y: int
    columns: int
    rows: int
    step: int = 1


def disc(diameter_px: float) -> Mask:
    """Return a disc-shaped kernel of an odd side, at least 3."""
    side = max(3, round(diameter_px) | 1)
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), dtype=np.uint8)


def as_mask(condition: NDArray[Any]) -> Mask:
    """Return 0 or 1 for each pixel."""
    return np.asarray(condition != 0, dtype=np.uint8)


def opened(mask: Mask, diameter_px: float) -> Mask:
    """Take away what is thinner than a disc.

    What the disc fits into, the square within it fits into: that is found much sooner, and most masks have little of
    it.
    """
    kernel = disc(diameter_px)
    reach = kernel.shape[0] // 2
    half = int(np.argmin(np.append(kernel[np.arange(reach, -1, -1), np.arange(reach, -1, -1)], 0)))
    cores = np.asarray(cv2.erode(mask, np.ones((2 * half - 1,) * 2, np.uint8)), dtype=np.uint8)
    out = np.zeros_like(mask)
    for first, after in _bands(cores, apart_by=2 * reach):
        x, y, wide, high = cv2.boundingRect(cores[first:after])
        y += first
        near = (slice(max(0, y - reach), y + high + reach), slice(max(0, x - reach), x + wide + reach))
        left, top = x - near[1].start, y - near[0].start
        within = np.zeros_like(mask[near])
        inner = (slice(top, top + high), slice(left, left + wide))
        within[inner] = cv2.erode(mask[near], kernel)[inner]
        out[near] = cv2.dilate(within, kernel)
    return out


def closed(mask: Mask, diameter_px: float) -> Mask:
    """Fill what is narrower than a disc."""
    return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(diameter_px)), dtype=np.uint8)


def grown(mask: Mask, diameter_px: float) -> Mask:
    """Grow by half the diameter."""
    return np.asarray(cv2.dilate(mask, disc(diameter_px)), dtype=np.uint8)


def shrunk(mask: Mask, diameter_px: float) -> Mask:
    """Shrink by half the diameter; the picture's border counts as full."""
    return np.asarray(cv2.erode(mask, disc(diameter_px)), dtype=np.uint8)


def apart(mask: Mask, *, connectivity: int = 8) -> tuple[Labels, NDArray[np.int32]]:
    """Return the labels of connected parts (0 is bare) and for each x, y, width, height, area."""
    covered = cv2.countNonZero(mask)
    if not covered:
        rows, columns = mask.shape
        return np.zeros(mask.shape, dtype=np.int32), np.array([[0, 0, columns, rows, rows * columns]], dtype=np.int32)
    # By the algorithm for one thread: the usual one for several takes twice as long in all.
    way = cv2.CCL_BBDT if connectivity == 8 else cv2.CCL_SAUF
    bands = _bands(mask)
    if sum(b - a for a, b in bands) > mask.shape[0] // 2:
        if mask.size > _LARGE and covered < _SPARSE * mask.size:
            count, labels = cv2.connectedComponentsWithAlgorithm(mask, connectivity, cv2.CV_32S, way)
            return np.asarray(labels, dtype=np.int32), _measured(mask, np.asarray(labels), count)
        _, labels, stats, _ = cv2.connectedComponentsWithStatsWithAlgorithm(mask, connectivity, cv2.CV_32S, way)
        return np.asarray(labels, dtype=np.int32), np.asarray(stats, dtype=np.int32)
    # Most rows are bare: those between them are taken apart by themselves.
    out = np.zeros(mask.shape, dtype=np.int32)
    found = [np.array([[0, 0, mask.shape[1], mask.shape[0], mask.size]], dtype=np.int32)]
    count = 1
    for a, b in bands:
        _, labels, stats, _ = cv2.connectedComponentsWithStatsWithAlgorithm(mask[a:b], connectivity, cv2.CV_32S, way)
        np.add(labels, count - 1, out=out[a:b], where=np.asarray(labels) > 0)
        stats[1:, cv2.CC_STAT_TOP] += a
        found.append(np.asarray(stats[1:], dtype=np.int32))
        count += len(stats) - 1
    whole = np.concatenate(found)
    whole[0, cv2.CC_STAT_AREA] -= whole[1:, cv2.CC_STAT_AREA].sum()
    return out, whole


def _measured(mask: Mask, labels: Labels, count: int) -> NDArray[np.int32]:
    """Return x, y, width, height, area of each part of a mask, by the runs of its rows.

    OpenCV adds up bare pixels, too, which takes twice as long as labelling.
    """
    columns = mask.shape[1]
    there = mask.reshape(-1) != 0
    at = np.flatnonzero(there)
    # A run ends with its row.
    begins = np.flatnonzero((np.diff(at, prepend=-2) != 1) | (at % columns == 0))
    ends = np.append(begins[1:], len(at)) - 1
    row, first = np.divmod(at[begins], columns)
    last = first + (ends - begins)
    part = labels.reshape(-1)[at[begins]]
    low, high = np.full(count, columns, dtype=np.int64), np.zeros(count, dtype=np.int64)
    np.minimum.at(low, part, first)
    np.maximum.at(high, part, last)
    top, bottom = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    # Of several the last one stays, and rows are in order.
    top[part[::-1]], bottom[part] = row[::-1], row
    area = np.bincount(part, ends - begins + 1, minlength=count).astype(np.int64)
    stats = np.stack([low, top, high - low + 1, bottom - top + 1, area], axis=1).astype(np.int32)
    stats[0] = (*cv2.boundingRect(as_mask(mask == 0)), mask.size - len(at))
    return stats


def _bands(mask: Mask, *, apart_by: int = 0) -> list[tuple[int, int]]:
    """Return from which row to before which one there is something in every row, or in one of so many and more."""
    rows = np.flatnonzero(mask.max(axis=1))
    if not len(rows):
        return []
    begins = np.flatnonzero(np.diff(rows, prepend=-apart_by - 2) > apart_by + 1)
    ends = np.append(begins[1:], len(rows)) - 1
    return [(int(rows[a]), int(rows[b]) + 1) for a, b in zip(begins, ends, strict=True)]


def to_size(mask: Mask, width: int, height: int) -> Mask:
    """Return a mask resampled to another size by the nearest pixel."""
    return np.asarray(cv2.resize(mask, (width, height), interpolation=cv2.INTER_NEAREST), dtype=np.uint8)


def filled(mask: Mask) -> Mask:
    """Fill all holes."""
    out = mask.copy()
    around, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(out, around, -1, 1, cv2.FILLED)
    return np.asarray(out, dtype=np.uint8)


def weighted(image: NDArray[np.float32], weights: NDArray[Any]) -> NDArray[np.float32]:
    """Return the weighted sum of an image's three channels."""
    return np.asarray(cv2.transform(image, np.asarray(weights, dtype=np.float32).reshape(1, 3)), dtype=np.float32)


def lengths(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the root of the sum of squares of an image's three channels."""
    return np.asarray(cv2.sqrt(weighted(np.square(image), np.ones(3))), dtype=np.float32)


def most_apart(image: NDArray[np.float32], centre: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    """Return the largest distance of an image's three channels from those of a centre."""
    apart_by = [cv2.absdiff(image[:, :, k], centre[k]) for k in range(3)]
    return np.asarray(cv2.max(cv2.max(apart_by[0], apart_by[1]), apart_by[2]), dtype=np.float32)


def blurred(image: NDArray[Any], sigma: float, coarse_sigma: float) -> NDArray[np.float32]:
    """Return an image blurred by a Gaussian of so many pixels, a wide one on coarser pixels.

    There it is ``coarse_sigma`` pixels wide at least: with 4 or 5 a step is shown otherwise nowhere by more than
    a hundredth of it.
    """
    step = max(1, int(sigma / coarse_sigma))
    if step == 1:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), dtype=np.float32)
    rows, columns = image.shape[:2]
    size = (max(1, columns // step), max(1, rows // step))
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigmaX=sigma * size[0] / columns, sigmaY=sigma * size[1] / rows)
    return np.asarray(cv2.resize(small, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
