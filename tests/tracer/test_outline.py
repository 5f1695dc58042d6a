"""Sub-pixel evidence: where the line is, without the biases that thresholds have."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.picture import PxPoints
from tests import shapes
from tests.oracles import compare_corners, dense_polygon, distance_to_polygon
from tests.shapes import MM_PER_PX_300
from tests.tracer.sheet_drawing import Drawing
from tests.tracer.tracing import GREY, SHAPES, mm_of, picture_of, rough_of, traced
from tracer.candidate import EdgeReading, RoughOutline
from tracer.curves.fit import fit_closed
from tracer.outline import Evidence, locate
from tracer.pipeline import TraceOptions, trace

SINGLE_RMS_PX = 0.05
"""Single profiles at 1 % noise: 0.015 to 0.03 px measured; Cramer-Rao bound for a stack of them far below."""
MEAN_RADIUS_15_MM = 15.0021
"""Mean radius of the circle of four cubics that is drawn (they bulge by up to 2.7e-4 of the radius)."""
BIAS_PX = 0.02
"""Mean over a whole outline. Pixels sample a blur of 0.7 px too coarsely: an upright edge is off by up to 0.018 px with
its phase, whatever the interpolation (bicubic, splines and Lanczos tried on noise-free edges); 0.0017 mm at 300 dpi."""


def signed_px(evidence: Evidence, name: str) -> np.ndarray:
    """Distances of the evidence to the truth, outward positive, away from corners."""
    truth = shapes.to_px(SHAPES[name][0], MM_PER_PX_300)
    dense = dense_polygon(truth.oriented().segments, 0.2)
    points = np.asarray(evidence.points_px)
    distance = distance_to_polygon(points, dense)
    ring = dense.astype(np.float32)
    inside = np.array([cv2.pointPolygonTest(ring, (float(x), float(y)), measureDist=False) for x, y in points])
    far = np.ones(len(points), bool)
    for corner in truth.corners_sharper_than(175):
        far &= np.hypot(*(points - corner.point).T) > 3 * evidence.rounding_px
    return (np.where(inside > 0, -1.0, 1.0) * distance)[far & evidence.valid]


@pytest.mark.parametrize("name", ["circle", "rounded rectangle", "hexagon"])
@pytest.mark.parametrize("line_width_mm", [0.0, 0.3, 0.6])
def test_points_lie_on_the_line_without_bias(name: str, line_width_mm: float) -> None:
    off = signed_px(traced(name, line_width_mm).evidence, name)
    assert np.sqrt((off**2).mean()) < SINGLE_RMS_PX
    assert abs(off.mean()) < BIAS_PX


def test_a_tight_circle_is_not_found_too_small() -> None:
    path = shapes.circle((4, 4), 1.5)
    pixels = shapes.picture([path], (8, 8), noise=0.0)
    evidence = locate(pixels, rough_of(path, 0.0, amplitude_px=0.8))
    radius_px = np.hypot(*(mm_of(evidence.points_px) - [4, 4]).T) / MM_PER_PX_300
    # Uncorrected, a blur of 0.75 px takes 0.016 px off a radius of 17.7 px.
    assert radius_px.mean() == pytest.approx(1.5 / MM_PER_PX_300, abs=0.008)


def test_the_stated_uncertainty_is_that_of_the_scatter() -> None:
    for line_width_mm in (0.0, 0.6):
        evidence = traced("hexagon", line_width_mm).evidence
        off = signed_px(evidence, "hexagon")
        assert 0.5 < np.median(evidence.sigma_px) / off.std() < 1.6


def test_half_levels_of_encoded_values_would_lie_beside_the_edge() -> None:
    """The reason for linear light: 0.03 mm at 300 dpi between white card and a dark lid."""
    pixels = picture_of("hexagon", 0.0)
    encoded_as_light = shapes.encode_srgb(pixels / 255.0)  # a picture whose light is the other's encoded value
    evidence = locate(encoded_as_light, rough_of(SHAPES["hexagon"][0], 0.0))
    assert abs(signed_px(evidence, "hexagon").mean()) > 0.15


def test_line_width_and_blur_are_read_off_the_profile() -> None:
    evidence = traced("circle", 0.6).evidence
    assert evidence.line_width_px == pytest.approx(0.6 / MM_PER_PX_300, abs=0.1)
    assert evidence.blur_px == pytest.approx(np.hypot(0.7, np.sqrt(1 / 12)), abs=0.06)


@pytest.mark.parametrize("line", ["outer", "inner"])
@pytest.mark.parametrize(("width_mm", "mm_per_px"), [(0.6, MM_PER_PX_300), (0.3, 25.4 / 200)])
def test_outer_and_inner_edges_of_a_line_are_half_a_width_away(line: str, width_mm: float, mm_per_px: float) -> None:
    path = shapes.circle((20, 20), 15)
    pixels = shapes.picture([path], (40, 40), line_width_mm=width_mm, mm_per_px=mm_per_px)
    evidence = locate(pixels, rough_of(path, width_mm, mm_per_px=mm_per_px), line=line)  # type: ignore[arg-type]
    radius = np.hypot(*(mm_of(evidence.points_px, mm_per_px) - [20, 20]).T)
    sign = 1 if line == "outer" else -1
    # 0.3 mm at 200 dpi is 2.4 px under a blur of 0.75 px: its half-level width is 0.02 mm too wide, uncorrected.
    assert radius.mean() == pytest.approx(MEAN_RADIUS_15_MM + sign * width_mm / 2, abs=0.008)


def test_grey_and_colour_pictures_give_the_same() -> None:
    path, _ = SHAPES["circle"]
    pixels = picture_of("circle", 0.6)
    one = locate(pixels, rough_of(path, 0.6))
    other = locate(np.repeat(pixels[..., None], 3, axis=2), rough_of(path, 0.6))
    assert np.abs(one.points_px - other.points_px).max() < 1e-3


def test_points_under_a_crossing_line_are_not_believed() -> None:
    path, _ = SHAPES["circle"]
    pixels = picture_of("circle", 0.6).copy()
    row = pixels.shape[0] // 2
    pixels[row - 3 : row + 4, :] = 30
    evidence = locate(pixels, rough_of(path, 0.6))
    crossing = np.abs(evidence.points_px[:, 1] - row) < 3
    assert crossing.sum() > 8
    assert not evidence.valid[crossing].any()
    assert evidence.valid.mean() > 0.9


def test_what_the_search_calls_obscured_is_not_believed() -> None:
    path, _ = SHAPES["circle"]
    rough = rough_of(path, 0.6)
    hidden = np.zeros(len(rough.points_px), bool)
    hidden[100:160] = True
    flagged = RoughOutline(
        points_px=rough.points_px, kind="drawn", line_width_px=rough.line_width_px, colour_weights=GREY,
        obscured=hidden, bridged=hidden,
    )  # fmt: skip
    evidence = locate(picture_of("circle", 0.6), flagged)
    middle = np.asarray(rough.points_px)[130]
    near = np.hypot(*(evidence.points_px - middle).T) < 20
    assert not evidence.valid[near].any()
    assert evidence.valid.sum() > 0.9 * (len(evidence.valid) - 70)


def test_a_corner_under_a_broad_letter_stays_where_the_search_led_both_sides() -> None:
    """Within solid ink the darkest place is nowhere: what is not seen there must not move the corner."""
    path, _ = SHAPES["hexagon"]
    corner = shapes.to_px(path, MM_PER_PX_300).segments[2][0]
    pixels = picture_of("hexagon", 0.5).copy()
    x, y = (round(float(v)) for v in corner)
    # The grain of solid ink.
    grain = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 40, (80, 80)), (0, 0), 3.0) + 34
    pixels[y - 40 : y + 40, x - 40 : x + 40] = np.rint(grain).astype(np.uint8)[(..., *[None] * (pixels.ndim - 2))]
    rough = rough_of(path, 0.5, amplitude_px=0.5)
    hidden = (np.abs(np.asarray(rough.points_px) - corner) < 44).all(axis=1)
    evidence = locate(pixels, replace(rough, obscured=hidden))
    assert np.hypot(*(np.asarray(evidence.points_px) - corner).T).min() < 2.5
    fit = fit_closed(
        mm_of(evidence.points_px),
        evidence.sigma_px * MM_PER_PX_300,
        evidence.valid,
        half_width_mm=0.25,
        blur_mm=evidence.blur_px * MM_PER_PX_300,
    )
    corners = compare_corners(fit.path.segments, path.segments)
    assert (corners.found, corners.missed, corners.invented) == (6, 0, 0)
    assert corners.worst_mm < 0.1


def test_a_neighbour_a_millimetre_away_does_not_pull() -> None:
    inner, outer = shapes.circle((20, 20), 15), shapes.circle((20, 20), 16)
    pixels = shapes.picture([inner, outer], (40, 40), line_width_mm=0.4)
    evidence = locate(pixels, rough_of(inner, 0.4))
    radius = np.hypot(*(mm_of(evidence.points_px) - [20, 20]).T)[evidence.valid]
    assert evidence.valid.mean() > 0.95
    assert radius.mean() == pytest.approx(MEAN_RADIUS_15_MM, abs=0.002)


def test_a_counter_clockwise_rough_outline_comes_out_clockwise_with_outward_normals() -> None:
    path, _ = SHAPES["circle"]
    rough = rough_of(path, 0.6)
    turned = RoughOutline(
        points_px=PxPoints(np.asarray(rough.points_px)[::-1]), kind="drawn", line_width_px=rough.line_width_px,
        colour_weights=GREY, obscured=rough.obscured, bridged=rough.bridged,
    )  # fmt: skip
    evidence = locate(picture_of("circle", 0.6), turned)
    centre = np.asarray(evidence.points_px).mean(axis=0)
    assert ((evidence.points_px - centre) * evidence.normals).sum(axis=1).min() > 0


class HalfReader:
    """Tells the edge of the left half of a picture: half a pixel outside of where it is asked, to 0.3 px."""

    def __init__(self, middle_px: float) -> None:
        self.middle_px = middle_px

    def knows(self, points):
        return points[:, 0] < self.middle_px

    def read(self, points, normals):
        known = self.knows(points)
        return EdgeReading(offset_px=0.5 * known, sigma_px=0.3 * known, known=known, hidden=np.zeros(len(points), bool))


def test_what_a_reader_of_its_own_tells_counts_where_it_tells_it_and_no_shift_of_colours_moves_it() -> None:
    rough = replace(rough_of(SHAPES["circle"][0], 0.0), colour_weights=GREY)
    pixels = picture_of("circle", 0.6)
    middle = float(np.asarray(rough.points_px)[:, 0].mean())
    evidence = locate(pixels, replace(rough, reader=HalfReader(middle)))
    left = np.asarray(evidence.points_px)[:, 0] < middle - 3
    right = np.asarray(evidence.points_px)[:, 0] > middle + 3
    assert evidence.told[left].all()
    assert evidence.valid[left].all()
    assert not evidence.told[right].any()
    assert evidence.sigma_px[left] == pytest.approx(0.3)
    radius = np.hypot(*(np.asarray(evidence.points_px) - np.asarray(rough.points_px).mean(axis=0)).T)
    given = np.hypot(*(np.asarray(rough.points_px) - np.asarray(rough.points_px).mean(axis=0)).T)
    assert radius[left].mean() == pytest.approx(given.mean() + 0.5, abs=0.1)
    moved = evidence.moved_in(0.2, run_px=4.0)
    step = np.hypot(*(np.asarray(moved.points_px) - np.asarray(evidence.points_px)).T)
    assert step[left] == pytest.approx(0.0)
    assert step[right] == pytest.approx(0.2)
    assert moved.sigma_px[left] == pytest.approx(0.3)


@pytest.mark.parametrize("level", [0, 255])
@pytest.mark.parametrize("line_width_mm", [0.0, 0.6])
def test_an_empty_picture_gives_nothing_to_believe(level: int, line_width_mm: float) -> None:
    path, _ = SHAPES["circle"]
    blank = np.full_like(picture_of("circle", 0.6), level)
    assert not locate(blank, rough_of(path, line_width_mm)).valid.any()


def test_an_outline_that_leaves_the_picture_is_not_believed_outside() -> None:
    path, _ = SHAPES["circle"]
    half = picture_of("circle", 0.6)[: picture_of("circle", 0.6).shape[0] // 2]
    evidence = locate(np.ascontiguousarray(half), rough_of(path, 0.6))
    outside = evidence.points_px[:, 1] > half.shape[0]
    assert outside.any()
    assert not evidence.valid[outside].any()


@pytest.mark.parametrize(("beside_mm", "slope"), [(0.8, 0.0), (0.9, -0.01)])
def test_a_corner_stays_where_a_light_line_runs_beside_one_of_its_sides(beside_mm: float, slope: float) -> None:
    """The line of a mat seen through tissue: it is no ink, so the drawn line beside it is read."""
    d = Drawing(110, 90, dpi=170, paper=(196, 172, 118))
    level = 64.6 + beside_mm
    d.line([(5, level - 15 * slope), (105, level + 85 * slope)], width_mm=0.35, colour=(228, 208, 158))
    x = np.linspace(20, 80, 60)
    hem = np.stack([x, 64.6 - (x - 20) ** 2 / 900], axis=1)
    d.line(np.vstack([[[20.0, 20.0]], [[80.0, 20.0]], hem[::-1]]), closed=True, width_mm=0.4, colour=(90, 62, 30))
    (found,) = trace(d.sheet(), TraceOptions(words=False)).pieces
    off = [np.hypot(*(np.asarray(corner.point) - hem[0])) for corner in found.piece.outline.corners]
    assert min(off) < 0.1
    assert found.piece.fit.max_mm < 0.2
