"""Sub-pixel edges and strokes against profiles whose true place is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from calibration import Picture, Source
from calibration.references import SearchPicture
from calibration.references.edges import EdgeKind, intersect, measure_side

PLACE_PX = 0.03
"""Linear interpolation of crossings between cubic samples half a pixel apart leaves up to 0.03 px at blur 0.8 px."""


def encode(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, written out again here."""
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(np.clip(np.rint(255 * coded), 0, 255), dtype=np.uint8)


def edge(d: np.ndarray, blur_px: float) -> np.ndarray:
    return np.asarray(0.5 * (1 + erf(d / blur_px / np.sqrt(2))))


def scene_of(light: np.ndarray) -> SearchPicture:
    picture = Picture(pixels=encode(light), source=Source(file="x", page=None, sha256=""))
    return SearchPicture(picture=picture)


def line_picture(
    kind: EdgeKind, place: float, angle: float, blur_px: float = 0.8, width_px: float = 3.0
) -> SearchPicture:
    """A stroke or step through (60, place) at an angle to the x axis; pixels integrate over 5 x 5 places each."""
    o = (np.arange(5) + 0.5) / 5 - 0.5
    x, y = np.meshgrid((np.arange(120)[:, None] + o).ravel(), (np.arange(80)[:, None] + o).ravel())
    d = -(x - 60) * np.sin(angle) + (y - place) * np.cos(angle)
    if kind == "stroke":
        light = 0.8 - 0.75 * (edge(d + width_px / 2, blur_px) - edge(d - width_px / 2, blur_px))
    else:
        light = 0.05 + 0.75 * edge(d, blur_px)
    return scene_of(light.reshape(80, 5, 120, 5).mean(axis=(1, 3)))


@pytest.mark.parametrize("kind", ["stroke", "step", "brink"])
@pytest.mark.parametrize("angle", [0.0, 0.011, 0.3])
@pytest.mark.parametrize("place", [40.0, 40.25, 40.5, 40.75])
def test_side_is_found_where_it_is(kind: EdgeKind, angle: float, place: float) -> None:
    scene = line_picture(kind, place, angle)
    ends = [np.array([60 + r * np.cos(angle), place + r * np.sin(angle) + 0.8]) for r in (-45, 45)]
    side = measure_side(scene, ends[0], ends[1], kind=kind, reach_px=8.0, margin_px=3.0)
    assert side is not None
    points = side.at(np.array([0.0, 45.0, 90.0]))
    off = -(points[:, 0] - 60) * np.sin(angle) + (points[:, 1] - place) * np.cos(angle)
    assert np.abs(off).max() < PLACE_PX


def test_half_level_of_encoded_values_would_be_wrong() -> None:
    """The reason for linear light: the same picture read without decoding puts the edge elsewhere."""
    scene = line_picture("step", 40.3, 0.0)
    column = scene.grey[:, 60].astype(float)
    level = (column.min() + column.max()) / 2
    k = int(np.flatnonzero(column > level)[0])
    encoded = k - 1 + (level - column[k - 1]) / (column[k] - column[k - 1])
    assert abs(encoded - 40.3) > 5 * PLACE_PX


def test_brink_is_not_moved_by_a_soft_shadow_that_moves_the_half_level() -> None:
    y = np.arange(80, dtype=np.float64)[:, None] + np.zeros(120)
    ground = 0.5 - 0.25 * np.exp(-0.5 * (np.maximum(y - 40.2, 0) / 4.0) ** 2)
    light = 0.9 * (1 - edge(y - 40.2, 0.8)) + ground * edge(y - 40.2, 0.8)
    scene = scene_of(light)
    found = {}
    for kind in ("step", "brink"):
        side = measure_side(
            scene, np.array([10.0, 40.0]), np.array([110.0, 40.0]), kind=kind, reach_px=8.0, margin_px=2.0
        )
        assert side is not None
        found[kind] = float(side.at(50.0)[1]) - 40.2
    assert abs(found["brink"]) < 0.07
    assert abs(found["step"]) > 2 * abs(found["brink"])


def test_text_across_a_line_does_not_pull_it() -> None:
    scene = line_picture("stroke", 40.4, 0.0)
    pixels = scene.picture.pixels.copy()
    for x in (30, 34, 38, 70, 76):
        pixels[36:52, x : x + 2] = 20
    spoiled = SearchPicture(picture=Picture(pixels=pixels, source=scene.picture.source))
    side = measure_side(
        spoiled, np.array([15.0, 40.0]), np.array([105.0, 40.0]), kind="stroke", reach_px=8.0, margin_px=2.0
    )
    assert side is not None
    assert abs(float(side.at(45.0)[1]) - 40.4) < PLACE_PX


def test_stated_uncertainty_of_a_side_covers_its_error_under_noise() -> None:
    rng = np.random.default_rng(5)
    base = line_picture("stroke", 40.37, 0.02).picture.pixels.astype(float)
    off, stated = [], []
    for _ in range(60):
        noisy = np.clip(np.rint(base + rng.normal(0, 6, base.shape)), 0, 255).astype(np.uint8)
        scene = SearchPicture(picture=Picture(pixels=noisy, source=Source(file="x", page=None, sha256="")))
        side = measure_side(
            scene, np.array([15.0, 39.5]), np.array([105.0, 41.3]), kind="stroke", reach_px=8.0, margin_px=2.0
        )
        assert side is not None
        point = side.at(45.0)
        off.append(-(point[0] - 60) * np.sin(0.02) + (point[1] - 40.37) * np.cos(0.02))
        stated.append(side.offset_sd(45.0))
    ratio = np.std(off) / np.sqrt(np.mean(np.square(stated)))
    assert 0.5 < ratio < 1.4


def test_no_side_on_blank_paper_nor_beyond_the_picture() -> None:
    scene = scene_of(np.full((80, 120), 0.8))
    a, b = np.array([10.0, 40.0]), np.array([110.0, 40.0])
    for kind in ("stroke", "step", "brink"):
        assert measure_side(scene, a, b, kind=kind, reach_px=8.0, margin_px=2.0) is None
        assert measure_side(scene, a + [0, 300], b + [0, 300], kind=kind, reach_px=8.0, margin_px=2.0) is None
    assert measure_side(scene, a, a + [4, 0], kind="stroke", reach_px=8.0, margin_px=2.0) is None


def test_sides_meet_where_the_lines_cross() -> None:
    across = line_picture("stroke", 40.3, 0.0)
    o = (np.arange(5) + 0.5) / 5 - 0.5
    x = (np.arange(120)[:, None] + o).ravel()
    upright = 0.8 - 0.75 * (edge(x - 58.9, 0.8) - edge(x - 61.9, 0.8))
    upright_scene = scene_of(np.repeat(upright.reshape(120, 5).mean(axis=1)[None], 80, axis=0))
    level = measure_side(
        across, np.array([10.0, 40.0]), np.array([110.0, 40.0]), kind="stroke", reach_px=8.0, margin_px=2.0
    )
    plumb = measure_side(
        upright_scene, np.array([60.0, 5.0]), np.array([60.0, 75.0]), kind="stroke", reach_px=8.0, margin_px=2.0
    )
    assert level is not None
    assert plumb is not None
    point, sigma = intersect(level, plumb)
    assert np.abs(point - [60.4, 40.3]).max() < PLACE_PX
    assert 0 < sigma < PLACE_PX
