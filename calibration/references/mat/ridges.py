"""Thin lines in a reduced picture, as straight segments in two families that cross at about a right angle.

A printed grid line is a ridge of the grey surface (light on dark) or a valley (dark on light). The second derivative
across it is large and along it is small, so the eigenvalues of the Hessian tell lines from edges of paper and shading
(Steger 1998). Pixels that are maxima across the line are joined into components; straight, long ones become segments.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SMOOTHING_PX = 1.0
_NOISE_FACTOR = 4.0
_MOST_PIXELS = 0.08
"""At most this share of the picture is looked at as line pixels: more is texture."""
_FAMILY_DEG = 16.0
"""Lines of one family turn by up to this much from their mean: 20 degrees of tilt and a wide lens make some 12."""
_SIDE_LOBE = 0.8
_SHORTEST_PX = 10
_THICKEST_PX = 0.9


@dataclass(frozen=True, kw_only=True, eq=False)
class Ridges:
    """Line pixels of one polarity.

    Parameters
    ----------
    rows, columns : ndarray of int, shape (N,)
    angles : ndarray, shape (N,)
        Direction along the line, radians modulo pi.
    strengths : ndarray, shape (N,)
    shape : tuple of int
        Rows and columns of the reduced picture.
    light_on_dark : bool
    """

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    angles: Array
    strengths: Array
    shape: tuple[int, int]
    light_on_dark: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Segments:
    """Straight stretches of lines: middles (N, 2) as (x, y), directions (radians), lengths in reduced pixels."""

    middles: Array
    angles: Array
    lengths: Array

    def chosen(self, mask: NDArray[np.bool_]) -> Segments:
        """Return those of a mask."""
        return Segments(middles=self.middles[mask], angles=self.angles[mask], lengths=self.lengths[mask])

    def longest(self, count: int) -> Segments:
        """Return the longest ones."""
        if len(self.lengths) <= count:
            return self
        return self.chosen(self.lengths >= np.sort(self.lengths)[-count])


def find_ridges(reduced: NDArray[np.uint8]) -> tuple[Ridges, Ridges]:
    """Return line pixels, light on dark first, then dark on light."""
    smooth = cv2.GaussianBlur(reduced.astype(np.float32), (0, 0), _SMOOTHING_PX)
    xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3)
    yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3)
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3)  # all three kernels weigh their derivative by 4
    mean, apart = cv2.addWeighted(xx, 0.5, yy, 0.5, 0), cv2.subtract(xx, yy)
    half = cv2.magnitude(apart * 0.5, xy)
    noise = float(np.median(half[::7, ::7]))
    both = (cv2.subtract(half, mean), cv2.add(half, mean))
    width = reduced.shape[1]
    ridges = []
    for light in (True, False):
        strength, other = both if light else both[::-1]
        limit = max(_NOISE_FACTOR * noise, float(np.quantile(strength[::7, ::7], 1 - _MOST_PIXELS)))
        # A bright line has a dark valley along each side, less than half as deep: it is no line of its own.
        beside = cv2.dilate(other, np.ones((7, 7), np.uint8))
        # Few pixels are that strong: all else is asked of them alone.
        strong = strength > limit
        strong[:2], strong[-2:], strong[:, :2], strong[:, -2:] = False, False, False, False
        at = np.flatnonzero(strong)
        strengths = strength.ravel()
        at = at[strengths[at] > _SIDE_LOBE * beside.ravel()[at]]
        a = 0.5 * np.arctan2(2 * xy.ravel()[at], apart.ravel()[at]).astype(np.float64)
        along = a if light else a + np.pi / 2
        across = np.rint(np.cos(along)).astype(np.intp) * width - np.rint(np.sin(along)).astype(np.intp)
        here = strengths[at]
        top = (here >= strengths[at + across]) & (here > strengths[at - across])
        rows, columns = np.divmod(at, width)
        ridges.append(
            Ridges(
                rows=rows[top],
                columns=columns[top],
                angles=along[top] % np.pi,
                strengths=here[top].astype(np.float64),
                shape=(reduced.shape[0], reduced.shape[1]),
                light_on_dark=light,
            )
        )
    return ridges[0], ridges[1]


def crossing_directions(ridges: Ridges, most: int = 2) -> list[float]:
    """Return likely directions of one grid family (radians, 0..pi/2), most likely first.

    Angles are taken modulo 90 degrees, so that both families of a grid add up.
    """
    if len(ridges.rows) < 50:
        return []
    degrees = np.degrees(ridges.angles) % 90.0
    weights = np.minimum(ridges.strengths, np.quantile(ridges.strengths, 0.75))
    histogram, _ = np.histogram(degrees, bins=90, range=(0, 90), weights=weights)
    kernel = np.exp(-0.5 * (np.arange(-12, 13) / 4.0) ** 2)
    smooth = np.convolve(np.concatenate([histogram[-12:], histogram, histogram[:12]]), kernel, mode="valid")
    out: list[float] = []
    level = smooth.copy()
    for _ in range(most):
        peak = int(np.argmax(level))
        if level[peak] < 0.5 * smooth.max():
            break
        out.append(float(np.radians(peak + 0.5)))
        apart = np.abs((np.arange(90) - peak + 45) % 90 - 45)
        level[apart < 20] = -1
    return out


def segments_along(ridges: Ridges, direction: float) -> Segments:
    """Return straight stretches whose direction is within 16 degrees of one given."""
    off = (ridges.angles - direction + np.pi / 2) % np.pi - np.pi / 2
    chosen = np.abs(off) < np.radians(_FAMILY_DEG)
    rows, columns = ridges.rows[chosen], ridges.columns[chosen]
    mask = np.zeros(ridges.shape, dtype=np.uint8)
    mask[rows, columns] = 1
    count, labels = cv2.connectedComponents(mask, connectivity=8, ltype=cv2.CV_32S)
    label = labels[rows, columns]
    n = np.bincount(label, minlength=count).astype(np.float64)
    n_safe = np.maximum(n, 1)
    mx = np.bincount(label, columns, minlength=count) / n_safe
    my = np.bincount(label, rows, minlength=count) / n_safe
    dx, dy = columns - mx[label], rows - my[label]
    sxx = np.bincount(label, dx * dx, minlength=count) / n_safe
    syy = np.bincount(label, dy * dy, minlength=count) / n_safe
    sxy = np.bincount(label, dx * dy, minlength=count) / n_safe
    angle = 0.5 * np.arctan2(2 * sxy, sxx - syy)
    spread = np.sqrt(np.maximum(0, (sxx + syy) / 2 - np.hypot((sxx - syy) / 2, sxy)))
    length = np.sqrt(12 * np.maximum(0, (sxx + syy) / 2 + np.hypot((sxx - syy) / 2, sxy)))
    turned = np.abs((angle - direction + np.pi / 2) % np.pi - np.pi / 2)
    good = (n >= _SHORTEST_PX) & (spread < _THICKEST_PX) & (length >= _SHORTEST_PX) & (turned < np.radians(_FAMILY_DEG))
    return Segments(middles=np.stack([mx, my], axis=1)[good], angles=angle[good], lengths=length[good])
