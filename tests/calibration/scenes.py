"""Small scenes for the tests of scale: drawn and rendered by ``fixtures``, which shares no code with the packages."""

from __future__ import annotations

import numpy as np

from calibration import Density, Picture, PxPoints, Sheet, Source
from fixtures import render
from fixtures.files import Rendered
from fixtures.geometry import rectangle
from fixtures.scene import Scene, srgb

FILM_DIAGONAL_MM = 43.2666
INK = srgb(30)
PAPER = srgb(236, 235, 230)


def paper_scene(width_mm: float = 100.0, height_mm: float = 80.0) -> Scene:
    """Return plain paper that runs out of the picture on all sides."""
    scene = Scene(name="paper", width_mm=width_mm, height_mm=height_mm)
    scene.fill(rectangle(-width_mm, -height_mm, 3 * width_mm, 3 * height_mm), PAPER, texture=0.01)
    return scene


def picture_of(rendered: Rendered, *, density: float | None = None) -> Picture:
    """Return the picture as intake reads it from the rendered file; ``density`` overrides the file's statement."""
    h, w = rendered.pixels.shape[:2]
    stated = rendered.tag_dpi if density is None else density
    focal = rendered.focal_35mm
    return Picture(
        pixels=rendered.pixels,
        source=Source(file="scene", page=None, sha256=""),
        density=None if stated is None else Density(x_per_inch=stated, y_per_inch=stated, origin="JFIF"),
        focal_px=None if focal is None else focal / FILM_DIAGONAL_MM * float(np.hypot(w, h)),
    )


def scanned(scene: Scene, *, dpi: float = 200.0, seed: int = 1, **options: object) -> Rendered:
    """Return a small scan."""
    return render.scan(scene, dpi=dpi, seed=seed, **options)  # type: ignore[arg-type]


def grid(area_mm: tuple[float, float, float, float]) -> np.ndarray:
    """Return 9 x 9 points over an area (x0, y0, x1, y1)."""
    x, y = np.meshgrid(np.linspace(area_mm[0], area_mm[2], 9), np.linspace(area_mm[1], area_mm[3], 9))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def errors_mm(rendered: Rendered, sheet: Sheet, area_mm: tuple[float, float, float, float]) -> np.ndarray:
    """Return how far points over an area (x0, y0, x1, y1) of the world are off after the best shift and turn."""
    true = grid(area_mm)
    seen = np.asarray(sheet.to_mm(PxPoints(rendered.camera.to_px(true))))
    a, b = true - true.mean(axis=0), seen - seen.mean(axis=0)
    turn = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(np.hypot(*(a @ np.array([[c, s], [-s, c]]) - b).T))


def scale_error(rendered: Rendered, sheet: Sheet, area_mm: tuple[float, float, float, float]) -> float:
    """Return the relative error of the scale over an area (root mean square distance from the middle)."""
    true = grid(area_mm)
    seen = np.asarray(sheet.to_mm(PxPoints(rendered.camera.to_px(true))))
    return float(np.sqrt((seen - seen.mean(axis=0)).var() / (true - true.mean(axis=0)).var())) - 1.0
