"""The published tracer as an engine: its outlines, its pixel convention, and what is said where it is missing."""

from __future__ import annotations

import sys
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests import shapes
from tests.oracles import distance_between
from tests.tracer.tracing import mm_of, rough_of
from tracer.errors import EngineError
from tracer.peer import outline_mask, trace_mask, trace_with_potrace

BITMAP_MM = 0.1
"""A little more than a pixel at 300 dpi: what a bitmap tracer can do."""


def disc(radius_px: float, size: int = 60) -> np.ndarray:
    y, x = np.mgrid[:size, :size]
    return np.hypot(x - 29.0, y - 31.0) < radius_px


def test_a_square_of_pixels_is_traced_around_their_outer_sides() -> None:
    pytest.importorskip("potrace", reason="neither pypotrace nor potracer is installed")
    mask = np.zeros((40, 50), bool)
    mask[10:30, 15:40] = True
    (path,) = trace_mask(mask)
    box = path.bounds
    assert (box.x_min, box.y_min, box.x_max, box.y_max) == pytest.approx((14.5, 9.5, 39.5, 29.5), abs=0.3)
    assert path.signed_area > 0


def test_a_disc_lies_where_it_was_drawn_and_specks_are_left_out() -> None:
    pytest.importorskip("potrace", reason="neither pypotrace nor potracer is installed")
    mask = disc(18.0)
    mask[2:4, 2:4] = True
    (path,) = trace_mask(mask)
    assert path.centroid == pytest.approx((29.0, 31.0), abs=0.05)
    # Bitmaps of discs come out a third of a pixel small (its polygon cuts convex shapes).
    assert np.sqrt(path.area / np.pi) == pytest.approx(18.0, abs=0.5)


@pytest.mark.parametrize("line_width_mm", [0.0, 0.6])
def test_an_outline_is_traced_to_about_a_pixel(line_width_mm: float) -> None:
    pytest.importorskip("potrace", reason="neither pypotrace nor potracer is installed")
    path = shapes.polygon((10, 10), 7, 6, 7.0)
    pixels = shapes.picture([path], (20, 20), line_width_mm=line_width_mm)
    traced = trace_with_potrace(pixels, rough_of(path, line_width_mm), to_mm=lambda px: mm_of(np.asarray(px)))
    assert distance_between(traced.segments, path.segments).p95_mm < BITMAP_MM


@pytest.mark.parametrize(("line", "grows_by_mm"), [("outer", 0.3), ("centre", 0.0), ("inner", -0.3)])
def test_the_bitmap_ends_at_the_chosen_side_of_the_line(line: str, grows_by_mm: float) -> None:
    path = shapes.circle((10, 10), 7)
    pixels = shapes.picture([path], (20, 20), line_width_mm=0.6)
    mask, (x0, y0) = outline_mask(pixels, rough_of(path, 0.6), line=line)  # type: ignore[arg-type]
    radius_mm = np.sqrt(mask.sum() / np.pi) * shapes.MM_PER_PX_300
    assert radius_mm == pytest.approx(7 + grows_by_mm, abs=0.02)
    assert x0 >= 0
    assert y0 >= 0
    assert cv2.connectedComponents(mask.astype(np.uint8))[0] == 2


def test_the_bitmap_of_a_hole_is_the_hole() -> None:
    path = shapes.circle((10, 10), 7)
    pixels = shapes.picture([path], (20, 20), line_width_mm=0.0, ground=0.03, thing=0.86)
    mask, _ = outline_mask(pixels, replace(rough_of(path, 0.0), hole=True), line="centre")
    assert np.sqrt(mask.sum() / np.pi) * shapes.MM_PER_PX_300 == pytest.approx(7.0, abs=0.02)
    assert cv2.connectedComponents(mask.astype(np.uint8))[0] == 2


def test_without_the_engine_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "potrace", None)
    with pytest.raises(EngineError, match="not installed; install") as caught:
        trace_mask(np.ones((4, 4), bool))
    assert "\n" not in str(caught.value)
