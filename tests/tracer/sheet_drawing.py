"""Small sheets drawn for the tests of the search: millimetres in, supersampled pixels out, by OpenCV alone."""

from __future__ import annotations

import cv2
import numpy as np

from calibration import Budget, MmPoints, Picture, PlaneMap, PxPoints, Reference, Sheet, Source

INK = (35, 35, 38)
_FINE = 3


class Drawing:
    def __init__(self, width_mm: float, height_mm: float, *, dpi: float = 150.0, paper=(248, 246, 240)) -> None:
        self.mm_per_px = 25.4 / dpi
        self.fine = _FINE / self.mm_per_px
        shape = (round(height_mm / self.mm_per_px) * _FINE, round(width_mm / self.mm_per_px) * _FINE, 3)
        self.canvas = np.full(shape, paper, dtype=np.uint8)

    def _fixed(self, points) -> np.ndarray:
        # Pixel centres at whole numbers of the picture, here of the fine canvas.
        return np.rint((np.asarray(points, dtype=np.float64) * self.fine - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)

    def line(self, points, *, width_mm: float = 0.5, colour=INK, closed: bool = False, dash=None) -> None:
        points = np.asarray(points, dtype=np.float64)
        if dash is None:
            thick = max(1, round(width_mm * self.fine))
            cv2.polylines(self.canvas, [self._fixed(points)], closed, colour, thick, cv2.LINE_AA, 4)
            return
        if closed:
            points = np.vstack([points, points[:1]])
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        at, k = 0.0, 0
        while at < s[-1]:
            end = min(at + dash[k % 2], s[-1])
            if k % 2 == 0:
                knots = np.concatenate([[at], s[(s > at) & (s < end)], [end]])
                self.line(np.stack([np.interp(knots, s, points[:, i]) for i in (0, 1)], axis=1), width_mm=width_mm)
            at, k = end, k + 1

    def fill(self, points, colour=INK) -> None:
        cv2.fillPoly(self.canvas, [self._fixed(points)], colour, cv2.LINE_AA, 4)

    def soften(self, sigma_mm: float) -> None:
        """Blur all that was drawn so far: the soft border of a shadow."""
        self.canvas = cv2.GaussianBlur(self.canvas, (0, 0), sigma_mm * self.fine)

    def text(self, at, words: str, *, height_mm: float = 4.0) -> None:
        scale = height_mm * self.fine / 22
        corner = (int(at[0] * self.fine), int(at[1] * self.fine))
        cv2.putText(
            self.canvas,
            words,
            corner,
            cv2.FONT_HERSHEY_SIMPLEX,
            scale,
            INK,
            max(1, round(0.4 * self.fine)),
            cv2.LINE_AA,
        )

    def pixels(self, *, noise: float = 2.0, seed: int = 0) -> np.ndarray:
        small = cv2.resize(self.canvas, None, fx=1 / _FINE, fy=1 / _FINE, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), 0.6).astype(np.float32)
        small += np.random.default_rng(seed).normal(0, noise, small.shape)
        return np.clip(np.rint(small), 0, 255).astype(np.uint8)

    def sheet(self, *, others=(), **options) -> Sheet:
        return sheet_of(self.pixels(**options), self.mm_per_px, others=others)


def sheet_of(pixels: np.ndarray, mm_per_px: float, *, others=()) -> Sheet:
    """A calibrated sheet by stated density: pixel centres at whole numbers, corner of the first pixel at (0, 0) mm."""
    high, wide = pixels.shape[:2]
    ring = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], dtype=np.float64)
    density = Reference(
        kind="density",
        size="dpi",
        points_px=PxPoints(ring),
        points_mm=MmPoints(ring * mm_per_px),
        sigma_px=np.ones(4),
        tolerance_relative=0.0,
        outline_px=PxPoints(ring),
    )
    matrix = np.array([[mm_per_px, 0, mm_per_px / 2], [0, mm_per_px, mm_per_px / 2]])
    return Sheet(
        id="s1",
        picture=Picture(pixels=pixels, source=Source(file="drawing.png", page=None, sha256="0" * 64)),
        plane=PlaneMap.affine(matrix),
        width_mm=wide * mm_per_px,
        height_mm=high * mm_per_px,
        reference=density,
        others=tuple(others),
        budget=Budget(components=()),
    )


def polygon_distance_mm(points: np.ndarray, ring: np.ndarray) -> np.ndarray:
    """Distance of points to the edges of a closed polygon, brute force."""
    a, b = ring, np.roll(ring, -1, axis=0)
    d = b - a
    t = np.clip(((points[:, None] - a) * d).sum(axis=2) / (d * d).sum(axis=1), 0, 1)
    return np.hypot(*(points[:, None] - (a + t[..., None] * d)).transpose(2, 0, 1)).min(axis=1)


BODICE = np.array(
    [[20, 30], [34, 33], [46, 28], [52, 18], [84, 24], [80, 44], [86, 58], [98, 64], [94, 120], [20, 124]], dtype=float
)


def hexagon(x: float, y: float, side: float) -> np.ndarray:
    t = np.arange(6) * np.pi / 3
    return np.stack([x + side * np.cos(t), y + side * np.sin(t)], axis=1)
