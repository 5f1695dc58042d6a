"""Shapes with known geometry, and pictures of them made from signed distance: coverage, blur, noise, sRGB, 8 bits.

A plain stand-in for a scan in tests of the outline alone: a pixel holds the share of it that ink or card covers (4 x 4
sub-pixels, each by its exact distance to the shape's dense polygon), blurred by a Gaussian, with noise added to the
light, encoded as IEC 61966-2-1 says.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tests.oracles import dense_polygon
from tracer.path import Path
from tracer.segments import cubic, line

MM_PER_PX_300 = 25.4 / 300
_SUB = 4


def _arc(centre: Sequence[float], radius: tuple[float, float], start_deg: float, end_deg: float) -> NDArray[np.float64]:
    a, b = math.radians(start_deg), math.radians(end_deg)
    k = 4 / 3 * math.tan((b - a) / 4)
    unit = np.array(
        [
            [math.cos(a), math.sin(a)],
            [math.cos(a) - k * math.sin(a), math.sin(a) + k * math.cos(a)],
            [math.cos(b) + k * math.sin(b), math.sin(b) - k * math.cos(b)],
            [math.cos(b), math.sin(b)],
        ]
    )
    return unit * radius + np.asarray(centre)


def ellipse(centre: Sequence[float], a_mm: float, b_mm: float) -> Path:
    """Ellipse of four cubics (2.7e-4 of the radius from round)."""
    return Path(tuple(_arc(centre, (a_mm, b_mm), q, q + 90) for q in (0, 90, 180, 270)))


def circle(centre: Sequence[float], radius_mm: float) -> Path:
    """Circle of four cubics."""
    return ellipse(centre, radius_mm, radius_mm)


def rounded_rectangle(corner: Sequence[float], width_mm: float, height_mm: float, radius_mm: float) -> Path:
    """Four lines and four quarter circles, tangent."""
    x, y = corner
    r, x2, y2 = radius_mm, x + width_mm, y + height_mm
    return Path(
        (
            line((x + r, y), (x2 - r, y)),
            _arc((x2 - r, y + r), (r, r), 270, 360),
            line((x2, y + r), (x2, y2 - r)),
            _arc((x2 - r, y2 - r), (r, r), 0, 90),
            line((x2 - r, y2), (x + r, y2)),
            _arc((x + r, y2 - r), (r, r), 90, 180),
            line((x, y2 - r), (x, y + r)),
            _arc((x + r, y + r), (r, r), 180, 270),
        )
    )


def polygon(centre: Sequence[float], radius_mm: float, sides: int, turn_deg: float = 0.0) -> Path:
    """Regular polygon by its circumscribed circle."""
    angle = np.radians(turn_deg) + 2 * np.pi * np.arange(sides) / sides
    return Path.polygon(np.asarray(centre) + radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1))


def sleeve(corner: Sequence[float], scale: float = 1.0) -> Path:
    """Sleeve: a cap of two S-curves meeting smoothly at the crown, straight seams, a gently curved hem."""
    p = np.asarray(corner, dtype=np.float64)

    def at(x: float, y: float) -> NDArray[np.float64]:
        return p + scale * np.array([x, y])

    return Path(
        (
            cubic(at(0, 60), at(25, 58), at(30, 0), at(75, 0)),
            cubic(at(75, 0), at(115, 0), at(128, 50), at(155, 62)),
            line(at(155, 62), at(140, 150)),
            cubic(at(140, 150), at(100, 157), at(50, 146), at(14, 152)),
            line(at(14, 152), at(0, 60)),
        )
    )


def long_edge(corner: Sequence[float], length_mm: float = 560.0) -> Path:
    """Long side seam: one gentle curve and three straight edges."""
    x, y = corner
    return Path(
        (
            cubic((x, y + 6), (x + length_mm * 0.35, y - 4), (x + length_mm * 0.7, y + 1), (x + length_mm, y + 12)),
            line((x + length_mm, y + 12), (x + length_mm, y + 50)),
            line((x + length_mm, y + 50), (x, y + 50)),
            line((x, y + 50), (x, y + 6)),
        )
    )


def wedge(corner: Sequence[float]) -> Path:
    """Narrow wedge with a sharp point, a kink and a scooped side."""
    x, y = corner
    return Path(
        (
            line((x, y), (x + 90, y + 8)),
            line((x + 90, y + 8), (x + 92, y + 40)),
            cubic((x + 92, y + 40), (x + 70, y + 20), (x + 50, y + 34), (x + 40, y + 30)),
            line((x + 40, y + 30), (x, y)),
        )
    )


def to_px(path: Path, mm_per_px: float) -> Path:
    """Return the path in pixels: millimetre 0 is the picture's left edge, so pixel centres sit at +0.5."""
    return path.transformed(np.array([[1 / mm_per_px, 0, -0.5], [0, 1 / mm_per_px, -0.5]]))


def _signed_distance(
    points: NDArray[np.float64], dense: NDArray[np.float64], near: NDArray[np.int64]
) -> NDArray[np.float64]:
    n = len(dense)
    best = np.full(points.shape[:-1], np.inf)
    sign = np.ones_like(best)
    edges = np.roll(dense, -1, axis=0) - dense
    length = np.maximum(np.hypot(*edges.T), 1e-12)
    normal = np.stack([edges[:, 1], -edges[:, 0]], axis=1) / length[:, None]
    vertex_normal = normal + np.roll(normal, 1, axis=0)
    for shift in range(-3, 3):
        i = (near + shift) % n
        a, e = dense[i], edges[i]
        rel = points - (a[..., None, :] if points.ndim == 3 else a)
        ee = e[..., None, :]
        along = np.clip((rel * ee).sum(-1) / (length[i] ** 2)[..., None], 0, 1)
        off = rel - along[..., None] * ee
        d = np.hypot(off[..., 0], off[..., 1])
        pick = np.where(
            (along <= 0)[..., None],
            vertex_normal[i][..., None, :],
            np.where((along >= 1)[..., None], vertex_normal[(i + 1) % n][..., None, :], normal[i][..., None, :]),
        )
        s = np.where((off * pick).sum(-1) >= 0, 1.0, -1.0)
        closer = d < best - 1e-12
        best, sign = np.where(closer, d, best), np.where(closer, s, sign)
    return best * sign


def coverage(path_px: Path, shape: tuple[int, int], line_width_px: float) -> NDArray[np.float32]:
    """Return the share of each pixel inside the path (width 0) or under its line of a width, shape (rows, cols)."""
    dense = dense_polygon(path_px.oriented().segments, 0.5)
    half = line_width_px / 2
    out = np.zeros(shape, np.uint8)
    fixed = np.round(dense * 16).astype(np.int32)
    if line_width_px == 0:
        cv2.fillPoly(out, [fixed], 255, shift=4)
    cover = (out > 0).astype(np.float32)
    band = np.zeros(shape, np.uint8)
    cv2.polylines(band, [fixed], True, 255, thickness=math.ceil(2 * half + 7), shift=4)
    rows, cols = np.nonzero(band)
    centre = np.stack([cols, rows], axis=1).astype(np.float64)
    near = cKDTree(dense).query(centre)[1]
    sub = (np.arange(_SUB) + 0.5) / _SUB - 0.5
    offsets = np.stack(np.meshgrid(sub, sub), axis=-1).reshape(-1, 2)
    for start in range(0, len(centre), 100_000):
        part = slice(start, start + 100_000)
        d = _signed_distance(centre[part, None, :] + offsets, dense, near[part])
        inside = d if half == 0 else np.abs(d) - half
        cover[rows[part], cols[part]] = np.clip(0.5 - inside * _SUB, 0, 1).mean(axis=1)
    return cover


def encode_srgb(light: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Encode linear light 0..1 (IEC 61966-2-1), rounded to 8 bits."""
    x = np.clip(light, 0, 1)
    return np.round(255 * np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)).astype(np.uint8)


def picture(
    paths_mm: Sequence[Path],
    size_mm: tuple[float, float],
    *,
    mm_per_px: float = MM_PER_PX_300,
    line_width_mm: float = 0.0,
    ground: float = 0.86,
    thing: float = 0.03,
    blur_px: float = 0.7,
    noise: float = 0.01,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """Return a grey sRGB picture (rows, cols) of lines (width > 0) or cut-out things (width 0).

    ``ground`` and ``thing`` are linear light; ``noise`` is the standard deviation of light noise.
    """
    shape = (round(size_mm[1] / mm_per_px), round(size_mm[0] / mm_per_px))
    cover = np.zeros(shape, np.float32)
    for path in paths_mm:
        cover = np.maximum(cover, coverage(to_px(path, mm_per_px), shape, line_width_mm / mm_per_px))
    light = cv2.GaussianBlur(ground + (thing - ground) * cover, (0, 0), blur_px)
    light = light + np.random.default_rng(seed).normal(0, noise, shape).astype(np.float32)
    return encode_srgb(light)


def wobbled(path_px: Path, *, amplitude_px: float = 1.2, wave_px: float = 60.0, seed: int = 0) -> NDArray[np.float64]:
    """Return a rough outline: the path a pixel apart, displaced across by a smooth random wobble."""
    points = dense_polygon(path_px.oriented().segments, 0.25)
    step = np.hypot(*np.diff(np.vstack([points, points[:1]]), axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    n = max(8, int(along[-1]))
    at = np.arange(n) * along[-1] / n
    closed = np.vstack([points, points[:1]])
    p = np.stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])], axis=1)
    rng = np.random.default_rng(seed)
    phase, wobble = 2 * np.pi * at / along[-1], np.zeros(n)
    for k in range(1, max(2, int(along[-1] / wave_px)) + 1):
        wobble += rng.normal() * np.cos(k * phase) + rng.normal() * np.sin(k * phase)
    wobble *= amplitude_px / max(np.abs(wobble).max(), 1e-9)
    tangent = np.roll(p, -2, axis=0) - np.roll(p, 2, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return p + wobble[:, None] * np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
