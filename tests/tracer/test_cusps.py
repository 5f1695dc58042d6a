"""Corners of almost no angle, drawn by shapely's buffers with the ends that pens, mitres and cuts make."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely

from calibration import Sheet
from tests import shapes
from tests.tracer.sheet_drawing import sheet_of
from tracer.path import Path, rotation_matrix
from tracer.pipeline import TraceOptions, trace
from tracer.segments import cubic, line

SHAPES = {
    # Invented: a scale of a clamshell quilt, a leaf whose point bends to one side, a long thin kite.
    "clamshell": Path(
        (
            cubic((8, 35.5), (8, 20.3), (20.3, 8), (35.5, 8)),
            cubic((35.5, 8), (50.7, 8), (63, 20.3), (63, 35.5)),
            cubic((63, 35.5), (47.8, 35.5), (35.5, 47.8), (35.5, 63)),
            cubic((35.5, 63), (35.5, 47.8), (23.2, 35.5), (8, 35.5)),
        )
    ),
    "bent leaf": Path(
        (
            cubic((12, 20), (25, 4), (48, 12), (62, 52)),
            cubic((62, 52), (52, 23.4), (24, 50), (12, 20)),
        )
    ),
    "needle": Path((line((8, 31), (64, 34)), line((64, 34), (8, 37)), line((8, 37), (8, 31)))),
}
_SIZE_MM = 72.0
POINT = {"clamshell": (35.5, 63.0), "bent leaf": (62.0, 52.0), "needle": (64.0, 34.0)}


def _drawn(area: shapely.Polygon, width_mm: float, dpi: float, join: str) -> Sheet:
    """Return a scan of the closed line around an area, its corners joined as told."""
    stroke = area.exterior.buffer(width_mm / 2, join_style=join, quad_segs=32)
    shape = (round(_SIZE_MM * dpi / 25.4),) * 2
    cover = np.zeros(shape, np.float32)
    for sign, ring in ((1, stroke.exterior), *((-1, ring) for ring in stroke.interiors)):
        path = Path.polygon(shapely.get_coordinates(ring)[:-1])
        cover += sign * shapes.coverage(shapes.to_px(path, 25.4 / dpi), shape, 0.0)
    light = cv2.GaussianBlur(0.86 - 0.83 * cover, (0, 0), 0.7) + np.random.default_rng(3).normal(0, 0.01, shape)
    return sheet_of(np.repeat(shapes.encode_srgb(light)[..., None], 3, axis=2), 25.4 / dpi)


def _traced_point(name: str, *, turn_deg: float, width_mm: float, dpi: float, join: str) -> tuple[float, float]:
    """Return how far the traced corner is from the true one, and the worst distance of both outlines, mm."""
    matrix = rotation_matrix(turn_deg, (36, 36))
    truth = SHAPES[name].transformed(matrix)
    dense = shapely.Polygon(truth.flatten(0.002))
    found = trace(_drawn(dense, width_mm, dpi, join), TraceOptions(words=False)).pieces
    assert len(found) == 1
    outline = found[0].piece.outline
    point = matrix @ np.array([*POINT[name], 1.0])
    near = min(float(np.hypot(*(np.asarray(c.point) - point))) for c in outline.corners_sharper_than(30))
    return near, shapely.hausdorff_distance(shapely.Polygon(outline.flatten(0.002)).exterior, dense.exterior)


@pytest.mark.parametrize(
    ("name", "turn_deg", "join"),
    [
        ("clamshell", 0.0, "round"),
        ("clamshell", 31.0, "mitre"),
        ("clamshell", 77.0, "bevel"),
        ("bent leaf", 0.0, "round"),
        ("bent leaf", 0.0, "bevel"),
    ],
)
def test_a_cusp_is_found_where_the_common_stroke_is_as_wide_as_the_line(name, turn_deg, join):
    corner_mm, worst_mm = _traced_point(name, turn_deg=turn_deg, width_mm=0.45, dpi=300, join=join)
    assert corner_mm < 0.22
    assert worst_mm < 0.22


@pytest.mark.parametrize("join", ["round", "mitre"])
def test_the_straight_arms_of_a_needle_are_left_as_they_are(join):
    corner_mm, worst_mm = _traced_point("needle", turn_deg=31.0, width_mm=0.45, dpi=300, join=join)
    assert corner_mm < 0.03
    assert worst_mm < 0.03
