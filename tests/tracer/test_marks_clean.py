"""Marks measured in the light: circles, crosses, notches and seams against what was drawn.

The drawings are by OpenCV, a third of a pixel fine; distances are measured by Shapely.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from tests.tracer.sheet_drawing import Drawing
from tracer.marks import sharpen
from tracer.path import OpenPath
from tracer.piece import Mark, MarkKind

DPI = 300.0
PX = 25.4 / DPI


def _rough(points, *, by_px: float = 1.0, seed: int = 3) -> OpenPath:
    """What the search gives: corners off by about a pixel."""
    points = np.asarray(points, dtype=np.float64)
    return OpenPath.polyline(points + np.random.default_rng(seed).uniform(-by_px, by_px, points.shape) * PX)


def _box(middle, half: float) -> OpenPath:
    x, y = middle
    ring = [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
    return OpenPath.polyline([*ring, ring[0]])


def _sharp(drawing: Drawing, kind: MarkKind, path: OpenPath, at=None) -> Mark:
    return sharpen(drawing.sheet(), [Mark(kind=kind, path=path, at=at)])[0]


def _data(path: OpenPath | None) -> str:
    assert path is not None
    return path.to_svg()


def _farthest(mark: Mark, true) -> float:
    """The largest distance between the mark's path and the drawn chain, both ways, mm."""
    assert mark.path is not None
    line = shapely.LineString(mark.path.flatten(0.001))
    return float(shapely.hausdorff_distance(line, shapely.LineString(true), densify=0.05))


def _ring(middle, radius: float) -> np.ndarray:
    t = np.linspace(0, 2 * math.pi, 400)
    return np.asarray(middle) + radius * np.stack([np.cos(t), np.sin(t)], axis=1)


@pytest.mark.parametrize("radius", [1.2, 2.0, 4.0])
@pytest.mark.parametrize("crossed", [False, True])
def test_a_circle_is_round_and_where_it_was_drawn_also_with_a_line_through_it(radius: float, crossed: bool):
    drawing, middle = Drawing(30, 30, dpi=DPI), (14.03, 15.21)
    drawing.line(_ring(middle, radius), width_mm=0.35)
    if crossed:
        drawing.line([(2, 14.6), (28, 16.1)], width_mm=0.3)
    mark = _sharp(drawing, "circle", _box((middle[0] + 0.1, middle[1] - 0.08), radius + 0.25))
    assert mark.at == pytest.approx(middle, abs=0.02)
    assert _farthest(mark, _ring(middle, radius)) < 0.03
    assert mark.path is not None
    assert mark.path.is_closed


def test_a_dot_is_as_large_as_it_was_drawn():
    drawing, middle = Drawing(30, 30, dpi=DPI), (12.4, 16.7)
    drawing.fill(_ring(middle, 1.1))
    mark = _sharp(drawing, "dot", _box(middle, 1.25))
    assert mark.at == pytest.approx(middle, abs=0.02)
    assert _farthest(mark, _ring(middle, 1.1)) < 0.05


@pytest.mark.parametrize("turn_deg", [0.0, 20.0, 45.0])
def test_a_cross_has_two_strokes(turn_deg: float):
    drawing, middle, half = Drawing(30, 30, dpi=DPI), np.array([15.3, 13.8]), 2.0
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    one, other = half * np.array([c, s]), half * np.array([-s, c])
    for arm in (one, other):
        drawing.line([middle - arm, middle + arm], width_mm=0.35)
    mark = _sharp(drawing, "cross", _box(middle, 2.0))
    assert mark.at == pytest.approx(middle, abs=0.02)
    # A stroke is drawn as long as it is, with its round ends.
    reach = 1 + 0.175 / half
    strokes = shapely.MultiLineString([[middle - a * reach, middle + a * reach] for a in (one, other)])
    assert mark.path is not None
    assert shapely.hausdorff_distance(shapely.LineString(mark.path.flatten(0.01)), strokes, densify=0.05) < 0.1


def test_a_tick_is_straight_and_its_place_is_its_foot():
    drawing, tick = Drawing(30, 30, dpi=DPI), np.array([(10.0, 20.0), (12.2, 15.1)])
    drawing.line(tick, width_mm=0.3)
    mark = _sharp(drawing, "notch", _rough(tick), at=(10.0, 20.0))
    assert mark.path is not None
    away = shapely.distance(
        shapely.LineString([tick[0] - 3 * (tick[1] - tick[0]), tick[1] + 3 * (tick[1] - tick[0])]),
        shapely.points(mark.path.flatten(0.1)),
    )
    assert away.max() < 0.02
    assert mark.at == pytest.approx((10.0, 20.0), abs=0.15)


def test_a_notch_is_two_straight_sides():
    drawing, notch = Drawing(30, 30, dpi=DPI), np.array([(10.0, 20.0), (13.0, 14.0), (16.0, 20.0)])
    drawing.line(notch, width_mm=0.35)
    mark = _sharp(drawing, "notch", _rough([notch[0], (11.6, 17.0), notch[1], (14.4, 17.1), notch[2]]), at=(13.0, 20.0))
    assert mark.path is not None
    assert len(mark.path.segments) == 2
    assert np.asarray(mark.path.segments[0][-1]) == pytest.approx(notch[1], abs=0.06)


def _rounded(x0: float, y0: float, x1: float, y1: float, radius: float) -> np.ndarray:
    """A pocket: square corners above, round ones below; closed."""
    t = np.linspace(0, math.pi / 2, 60)[:, None]
    right = np.array([x1 - radius, y1 - radius]) + radius * np.hstack([np.cos(t), np.sin(t)])
    left = np.array([x0 + radius, y1 - radius]) + radius * np.hstack([-np.sin(t), np.cos(t)])
    return np.vstack([[(x0, y0), (x1, y0)], right, left, [(x0, y0)]])


@pytest.mark.parametrize("dash", [None, (3.0, 1.6)])
def test_a_seam_is_fitted_between_its_corners_also_where_they_lie_in_a_gap(dash):
    drawing, seam = Drawing(80, 80, dpi=DPI), _rounded(12, 12, 62, 66, 12.0)
    drawing.line(seam, width_mm=0.3, dash=dash)
    # The search cuts a corner that lies between two dashes, and leaves a gap where it began.
    rough = _rounded(12, 12, 62, 66, 12.0)
    rough = np.vstack([[(13.0, 12.0), (61.4, 12.0), (62.0, 12.7)], rough[2:-1:6], [(12.0, 13.5)]])
    mark = _sharp(drawing, "stitching line", _rough(rough, by_px=0.6))
    assert mark.path is not None
    assert mark.path.is_closed
    assert len(mark.path.segments) <= 9
    assert _farthest(mark, seam) < 0.12


def test_what_cannot_be_read_stays_as_it_was():
    drawing = Drawing(40, 40, dpi=DPI)
    for kind in ("circle", "cross", "dot", "grain line", "notch", "stitching line"):
        path = OpenPath.polyline([(10, 10), (30, 12)])
        assert _data(_sharp(drawing, kind, path).path) == _data(path)


def test_a_mark_does_not_jump_to_its_neighbour():
    drawing = Drawing(60, 60, dpi=DPI)
    drawing.line([(10, 21.5), (50, 21.5)], width_mm=0.3)
    mark = _sharp(drawing, "internal line", OpenPath.polyline([(10, 20), (50, 20)]))
    assert _data(mark.path) == _data(OpenPath.polyline([(10, 20), (50, 20)]))
