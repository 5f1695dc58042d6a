"""Corners and rounds of drawn outlines that a filled notch covers, drawn by shapely's buffers."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely
from shapely import affinity

from calibration import Sheet
from tests import shapes
from tests.tracer.sheet_drawing import sheet_of
from tracer.cusps import Stroke
from tracer.hidden_corners import told_by_ink
from tracer.path import Path
from tracer.pipeline import TraceOptions, trace

SIZE_MM, DPI, LINE_MM = 72.0, 300.0, 0.6
PLACE_MM = 0.15
"""A quarter of the line's width: of a covered line one side is seen, or nothing."""


def sheet_with(area: shapely.Polygon, notch: shapely.Polygon) -> Sheet:
    """Return a scan of the line around an area with a filled notch on it."""
    shape = (round(SIZE_MM * DPI / 25.4),) * 2
    ink = area.exterior.buffer(LINE_MM / 2, join_style="mitre", quad_segs=32).union(notch)
    cover = np.zeros(shape, np.float32)
    for sign, ring in ((1, ink.exterior), *((-1, ring) for ring in ink.interiors)):
        path = Path.polygon(shapely.get_coordinates(ring)[:-1])
        cover += sign * shapes.coverage(shapes.to_px(path, 25.4 / DPI), shape, 0.0)
    light = cv2.GaussianBlur(0.86 - 0.83 * cover, (0, 0), 0.7) + np.random.default_rng(3).normal(0, 0.01, shape)
    return sheet_of(np.repeat(shapes.encode_srgb(light)[..., None], 3, axis=2), 25.4 / DPI)


@pytest.mark.parametrize("radius_mm", [0.0, 5.0])
def test_whether_a_covered_corner_is_round_is_told_by_the_ink(radius_mm: float) -> None:
    area = shapely.box(14, 18, 58, 52)
    if radius_mm:
        area = area.buffer(-radius_mm).buffer(radius_mm, quad_segs=64)
    # On the middle of a corner, its foot across it, its point to the inside.
    at = np.array([58.0, 52.0]) - radius_mm * (1 - np.sqrt(0.5))
    across, inward = np.array([1.0, -1.0]) / np.sqrt(2), np.array([-1.0, -1.0]) / np.sqrt(2)
    notch = shapely.Polygon([at - 2 * across, at + 2 * across, at + 3.5 * inward])
    area, notch = (affinity.rotate(g, 11.0, origin=(36, 36)) for g in (area, notch))
    found = trace(sheet_with(area, notch), TraceOptions(words=False)).pieces
    assert len(found) == 1
    worst_mm = shapely.hausdorff_distance(
        shapely.Polygon(found[0].piece.outline.flatten(0.002)).exterior, area.exterior, densify=0.05
    )
    assert worst_mm < PLACE_MM
    assert found[0].piece.fit.max_mm > worst_mm - 0.01
    assert len(found[0].piece.outline.corners_sharper_than(150)) == (0 if radius_mm else 4)


@pytest.mark.parametrize("beyond_mm", [0.0, 3.0])
def test_a_point_whose_ink_goes_on_may_lie_as_far_out(beyond_mm: float) -> None:
    triangle = shapely.Polygon([(50, 36), (18, 25), (18, 47)])
    sheet = sheet_with(triangle, shapely.LineString([(49, 36), (50 + beyond_mm, 36)]).buffer(LINE_MM / 2))
    path = Path.polygon(shapely.get_coordinates(triangle.exterior)[:-1]).oriented()
    px_per_mm = DPI / 25.4
    stroke = Stroke(width_px=LINE_MM * px_per_mm, colour_weights=np.array([0.2126, 0.7152, 0.0722]))
    told = told_by_ink(
        sheet.picture.pixels, path, stroke, seen_px=sheet.to_px(path.sample(0.1)[0]), blur_px=0.7, to_px=sheet.to_px,
        mm_per_px=1 / px_per_mm,
    )  # fmt: skip
    assert told.path is path
    assert told.doubt_mm == pytest.approx(beyond_mm, abs=LINE_MM)
    assert (told.doubt_mm > 0) == (beyond_mm > 0)
