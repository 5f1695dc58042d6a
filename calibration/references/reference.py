"""What a found reference is, how a person asks for one, and the picture that the finders share.

Every kind of reference has one module with one function::

    def find(scene: SearchPicture, size: str | None) -> list[Reference]

``size`` is what the person wrote after ``KIND=``, None when nothing was said. An empty list means that nothing of
this kind was seen (the normal case); :class:`~calibration.errors.ScaleError` is for a named reference that is there
but of no use.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import LUMINANCE_WEIGHTS, SRGB_TO_LINEAR
from calibration.picture import MmPoints, Picture, PxPoints
from calibration.uncertainty import RECTANGULAR

ReferenceKind = Literal["square", "ruler", "mat", "card", "sheet", "target", "density", "page"]
"""``page`` is the exact millimetre space of a vector PDF page."""
_TAPS = np.arange(-1, 3)[:, None]
"""Pixels that a point's light is made of, from the one at or before it."""
_POINTS_AT_ONCE = 4096
"""Few enough that what they lie on stays at hand."""


STRAIGHT_SIGMA_PX = 0.2
"""How far points along a straight edge lie off it as a rule (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRequest:
    """What the person said about the reference: ``square=50mm`` is kind ``square`` and size ``50mm``."""

    kind: ReferenceKind
    size: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """A thing of known size found in a picture.

    Parameters
    ----------
    kind : str
    size : str
        In the words of the command line: ``1in``, ``A4``, ``1in`` (grid pitch), ``300`` (density).
    points_px : PxPoints
        Measured points, shape (N, 2).
    points_mm : MmPoints
        The same points in the reference's own frame (x right, y down), shape (N, 2). May be arbitrary up to a rotation
        and shift.
    sigma_px : ndarray, shape (N,)
        Standard uncertainty of each measured point along each axis, pixels.
    tolerance_relative : float
        Standard uncertainty of the reference's own size, as a fraction of it.
    tolerance_kurtosis : float
        Excess kurtosis of what it may be off by: limits with nothing known between them (JCGM 100, 4.3.7) unless it is
        said otherwise.
    outline_px : PxPoints
        Polygon around the reference in the picture, shape (M, 2); nothing inside is part of a piece for small
        references.
    score : float
        0..1, how sure it is that this is what it seems.
    straights_px : tuple of PxPoints
        Chains of measured points that lie on straight lines in the world (edges of a sheet, of a ruler).
    straight_sigma_px : float
        How far an honest point of these may lie off its line, standard.
    crossings_px : tuple of PxPoints
        Strokes of two points each that run at right angles to the first of these lines in the world (ticks of a ruler).
    crossings_sigma_rad : tuple of float
        Standard uncertainty of the angle of each.
    aside_px : float
        Standard uncertainty of points across the line on which all of them lie, which comes to ``sigma_px``.
    edges_px : float
        Standard uncertainty of where all edges alike are seen, outside or inside of where they are; for a reference
        whose points are the corners of its ``outline_px``.
    doubt : str
        Why it may be no reference at all but only look like one, in words that ask a person; empty where nothing
        speaks for that. Such a one sets no scale unless it is named.
    """

    kind: ReferenceKind
    size: str
    points_px: PxPoints
    points_mm: MmPoints
    sigma_px: NDArray[np.float64]
    tolerance_relative: float
    outline_px: PxPoints
    score: float = 1.0
    straights_px: tuple[PxPoints, ...] = ()
    straight_sigma_px: float = STRAIGHT_SIGMA_PX
    crossings_px: tuple[PxPoints, ...] = ()
    crossings_sigma_rad: tuple[float, ...] = ()
    tolerance_kurtosis: float = RECTANGULAR
    aside_px: float = 0.0
    edges_px: float = 0.0
    doubt: str = ""

    @property
    def loose_px(self) -> NDArray[np.float64]:
        """The way across its line for each point (N, 2), as long as :attr:`aside_px`."""
        points = np.asarray(self.points_px)
        if self.aside_px == 0.0:
            return np.zeros_like(points)
        across = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][1]
        return np.tile(self.aside_px * across, (len(points), 1))

    @property
    def edges_relative(self) -> float:
        """Standard uncertainty of its size in the picture that comes from :attr:`edges_px`, as a fraction of it."""
        if self.edges_px == 0.0:
            return 0.0
        outline = np.asarray(self.outline_px)
        after = np.roll(outline, -1, axis=0)
        around = float(np.hypot(*(after - outline).T).sum())
        area = abs(float((outline[:, 0] * after[:, 1] - after[:, 0] * outline[:, 1]).sum())) / 2
        return self.edges_px * around / max(2 * area, 1e-9)

    def with_edges_moved(self, outward_px: float) -> PxPoints:
        """Return its points, corners of its outline, with all edges moved outward alike."""
        corners = np.asarray(self.outline_px)
        along = np.roll(corners, -1, axis=0) - corners
        along = along / np.hypot(*along.T)[:, None]
        normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
        middle = corners.mean(axis=0)
        normal = normal * np.sign(((corners - middle) * normal).sum(axis=1))[:, None]
        before = np.roll(normal, 1, axis=0)
        # The corner of two lines each moved by the same: along the sum of their normals.
        return PxPoints(corners + outward_px * (before + normal) / (1 + (before * normal).sum(axis=1))[:, None])


REDUCED_LONGEST_PX = 2400
"""Longest side of the reduced copy that searches run on: lines 0.3 mm wide on an A3 sheet are still about 2 px wide."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SearchPicture:
    """A picture with what every finder needs of it, made once and shared.

    Parameters
    ----------
    picture : Picture
    """

    picture: Picture

    @cached_property
    def grey(self) -> NDArray[np.uint8]:
        """Encoded (not linear) grey of the whole picture, uint8 of shape (rows, columns)."""
        pixels = self.picture.pixels
        if pixels.ndim == 2:
            return pixels
        grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
        grey.setflags(write=False)
        return grey

    @cached_property
    def reduction(self) -> int:
        """Whole number of full-resolution pixels along one pixel of :attr:`reduced` (1 for a small picture)."""
        longest = max(self.picture.width_px, self.picture.height_px)
        return max(1, -(-longest // REDUCED_LONGEST_PX))

    @cached_property
    def reduced(self) -> NDArray[np.uint8]:
        """Encoded grey averaged over blocks of :attr:`reduction` pixels, uint8; a last part block is left out."""
        n = self.reduction
        if n == 1:
            return self.grey
        rows, columns = (side // n for side in self.grey.shape)
        whole = self.grey[: rows * n, : columns * n]
        reduced = np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        reduced.setflags(write=False)
        return reduced

    def from_reduced(self, points: NDArray[np.float64]) -> PxPoints:
        """Turn points (N, 2) of :attr:`reduced` into pixels of the picture (pixel centres at whole numbers in both)."""
        return PxPoints((np.asarray(points, dtype=np.float64) + 0.5) * self.reduction - 0.5)

    def to_reduced(self, points_px: PxPoints) -> NDArray[np.float64]:
        """Turn pixels of the picture (N, 2) into points of :attr:`reduced`."""
        return np.asarray((np.asarray(points_px, dtype=np.float64) + 0.5) / self.reduction - 0.5)

    def inside(self, points_px: NDArray[np.float64], *, margin_px: float = 0.0) -> NDArray[np.bool_]:
        """Return which points (..., 2) lie at least ``margin_px`` within the picture's outermost pixel centres."""
        x, y = points_px[..., 0], points_px[..., 1]
        right, bottom = self.picture.width_px - 1 - margin_px, self.picture.height_px - 1 - margin_px
        return np.asarray((x >= margin_px) & (x <= right) & (y >= margin_px) & (y <= bottom))

    def light(self, points_px: NDArray[np.float64], weights: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Sample linear light at sub-pixel points.

        Cubic convolution with a = -1/2 (Keys 1981) over 4 x 4 pixels, at the exact coordinates: ``cv2.remap`` rounds
        them to 1/32 px, which an upright edge would show as a bias.

        Parameters
        ----------
        points_px : ndarray, shape (..., 2)
            Anywhere; the picture's outermost pixels are repeated beyond its edge.
        weights : ndarray, shape (3,), optional
            Weights on linear red, green and blue; the picture's grey is used without.

        Returns
        -------
        ndarray, shape (...)
            Linear light, 1 for white (with weights that sum to 1).
        """
        points = np.asarray(points_px, dtype=np.float64)
        flat = points.reshape(-1, 2)
        coloured = weights is not None and self.picture.pixels.ndim == 3
        codes = self.picture.pixels if coloured else self.grey
        shares = np.asarray(weights if coloured else [1.0 if weights is None else float(np.sum(weights))])
        total = np.empty(len(flat))
        for first in range(0, len(flat), _POINTS_AT_ONCE):
            some = slice(first, first + _POINTS_AT_ONCE)
            total[some] = _convolved(codes, shares, flat[some])
        return total.reshape(points.shape[:-1])

    @property
    def luminance_weights(self) -> NDArray[np.float64]:
        """Weights of :meth:`light` that give relative luminance."""
        return np.asarray(LUMINANCE_WEIGHTS, dtype=np.float64)


def lies_within(point_px: NDArray[np.float64], outlines_px: Sequence[PxPoints]) -> bool:
    """Return whether a point (2,) lies within the convex hull of one of these outlines."""
    return any(
        cv2.pointPolygonTest(
            cv2.convexHull(np.asarray(outline, dtype=np.float32)), (float(point_px[0]), float(point_px[1])), False
        )
        >= 0
        for outline in outlines_px
        if len(outline) >= 3
    )


def _convolved(
    codes: NDArray[np.uint8], shares: NDArray[np.floating], points_px: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return linear light at points (N, 2) of a picture, its colours in the given shares."""
    x, y = points_px.T
    x0, y0 = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    wx, wy = np.array(_cubic_weights(x - x0)), np.array(_cubic_weights(y - y0))
    xs, ys = (np.clip(c + _TAPS, 0, most - 1) for c, most in ((x0, codes.shape[1]), (y0, codes.shape[0])))
    left, top, right, bottom = xs[0].min(), ys[0].min(), xs[-1].max() + 1, ys[-1].max() + 1
    part = codes[top:bottom, left:right]
    index = ((ys - top) * (right - left))[:, None] + (xs - left)
    if part.shape[0] * part.shape[1] <= index.size:
        # Points lie close together as a rule: then each pixel is turned into light once, and not for every point.
        value = _light_of(part, shares).take(index)
    else:
        value = _light_of(part.reshape(-1, 1, *part.shape[2:])[index.ravel()], shares).reshape(index.shape)
    return np.asarray((wy * (wx * value).sum(axis=1)).sum(axis=0), dtype=np.float64)


def _light_of(codes: NDArray[np.uint8], shares: NDArray[np.floating]) -> NDArray[np.float32]:
    light = cv2.LUT(codes, SRGB_TO_LINEAR)
    return np.asarray(cv2.transform(light, shares.astype(np.float32).reshape(1, -1)), dtype=np.float32)


def _cubic_weights(t: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    t2, t3 = t * t, t * t * t
    return (
        -0.5 * t3 + t2 - 0.5 * t,
        1.5 * t3 - 2.5 * t2 + 1.0,
        -1.5 * t3 + 2.0 * t2 + 0.5 * t,
        0.5 * t3 - 0.5 * t2,
    )
