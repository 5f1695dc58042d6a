"""The measured error: never smaller than the true one by more than the sampling and its own noise allow."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import ndimage
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from calibration.light import SRGB_TO_LINEAR
from calibration.picture import MmPoints, PxPoints
from tests import shapes
from tests.oracles import distance_between
from tests.shapes import MM_PER_PX_300, encode_srgb
from tests.tracer.tracing import GREY, SHAPES, mm_of, picture_of, px_of, traced
from tracer.measure import LineStyle, measure_outline
from tracer.measured_corners import between_corners
from tracer.path import Path
from tracer.told import Readings, readings_of, told_along

NOISE_MM = 0.006
"""What the measure itself scatters at 1 % noise, worst of some thousand places."""


def shifted_segment(path: Path, k: int, by_mm: float) -> Path:
    """Return the path with one segment replaced by a cubic that bulges outward by a known amount."""
    segments = list(path.segments)
    a, d = segments[k][0], segments[k][-1]
    along = (d - a) / np.hypot(*(d - a))
    outward = np.array([along[1], -along[0]])
    third = segments[k][1:3] if len(segments[k]) == 4 else np.array([a + (d - a) / 3, a + (d - a) * 2 / 3])
    segments[k] = np.vstack([a, third + outward * by_mm * 4 / 3, d])
    return Path(tuple(segments))


@pytest.mark.parametrize("name", ["hexagon", "rounded rectangle", "sleeve cap"])
@pytest.mark.parametrize("line_width_mm", [0.0, 0.4])
def test_the_truth_measures_as_right(name: str, line_width_mm: float) -> None:
    result = traced(name, line_width_mm)
    error = result.measure(result.truth)
    assert error.p95_mm < 0.004
    assert abs(float(error.error_mm[error.valid].mean())) < 0.0015


@pytest.mark.parametrize("k", [0, 2, 5])
@pytest.mark.parametrize("by_mm", [0.15, -0.1])
def test_an_error_planted_anywhere_is_measured(k: int, by_mm: float) -> None:
    result = traced("hexagon", 0.4)
    error = result.measure(shifted_segment(result.truth.oriented(), k, by_mm))
    assert error.max_mm == pytest.approx(abs(by_mm), abs=0.012)
    worst = int(np.argmax(np.abs(error.error_mm)))
    # Where the outline bulges outward the line lies inside of it.
    assert math.copysign(1, error.error_mm[worst]) == -math.copysign(1, by_mm)
    seg = result.truth.oriented().segments[k]
    assert np.hypot(*(np.asarray(error.where_max) - (seg[0] + seg[-1]) / 2)) < 4


@pytest.mark.parametrize("name", list(SHAPES))
@pytest.mark.parametrize("line_width_mm", [0.0, 0.4])
def test_the_reported_error_is_not_smaller_than_the_true_one(name: str, line_width_mm: float) -> None:
    result = traced(name, line_width_mm)
    error = result.measure()
    true = distance_between(result.fit.path.segments, result.truth.segments)
    assert error.max_mm >= true.worst_mm - true.bound_mm - NOISE_MM
    assert error.p95_mm >= true.p95_mm - 0.002
    assert error.rms_mm >= true.rms_mm - 0.001


def test_a_moved_corner_is_seen() -> None:
    result = traced("hexagon", 0.4)
    points = np.array([s[0] for s in result.truth.oriented().segments])
    points[3] += np.array([0.2, 0.0])
    error = result.measure(Path.polygon(points))
    assert error.max_mm > 0.15
    assert np.hypot(*(np.asarray(error.where_max) - points[3])) < 1.5


def test_the_stated_uncertainty_covers_the_scatter() -> None:
    errors = []
    for seed in range(6):
        pixels = picture_of("circle", 0.4, seed=seed)
        result = traced("circle", 0.4)
        error = measure_outline(pixels, result.truth, result.style, to_px=px_of)
        errors.append(error.error_mm / error.sigma_mm)
    covered = np.abs(np.concatenate(errors)) < 2
    assert covered.mean() > 0.85


def test_what_a_fit_leaves_open_at_one_place_is_in_the_worst_and_names_the_place() -> None:
    result = traced("hexagon", 0.4)
    error = result.measure(result.truth)
    places = MmPoints(np.asarray(result.truth.oriented().sample(1.0)[0]))
    leeway = np.zeros(len(places))
    leeway[40] = 0.8
    told = error.with_leeway(places, leeway)
    assert 0.8 <= told.max_mm <= 0.8 + error.max_mm
    assert math.dist(told.where_max, places[40]) <= 1.0
    assert (told.p95_mm, told.rms_mm) == (error.p95_mm, error.rms_mm)
    assert error.with_leeway(places, 0 * leeway).max_mm == error.max_mm
    # Where other means led the outline away from the fit, they say how surely.
    assert error.with_leeway(MmPoints(places + [5.0, 500.0]), leeway + 9.0).max_mm == error.max_mm


def test_an_outline_without_a_line_is_not_called_good() -> None:
    result = traced("circle", 0.4)
    elsewhere = shapes.circle((30, 30), 15)
    error = result.measure(elsewhere)
    assert error.p95_mm > 0.3
    assert error.readable < 0.2


def test_where_the_line_is_hidden_the_error_is_not_zero() -> None:
    result = traced("circle", 0.4)
    at = px_of(np.asarray(result.truth.sample(0.05)[0]))
    hidden = PxPoints(at[:300])
    error = measure_outline(result.pixels, result.truth, result.style, to_px=px_of, obscured_px=hidden)
    assert error.max_mm > 0.03
    assert error.readable < 0.97


def test_a_line_drawn_half_wider_on_one_side_is_found_where_its_mass_is() -> None:
    """The measure is another estimator than the evidence: it must agree with it on a plain line to a fiftieth of a
    px."""
    result = traced("circle", 0.6)
    error = result.measure(result.truth)
    assert abs(float(error.error_mm.mean())) < 0.0015


def test_a_blank_picture_measures_as_unread() -> None:
    result = traced("circle", 0.4)
    blank = np.full_like(result.pixels, 200)
    error = measure_outline(blank, result.truth, result.style, to_px=px_of)
    assert error.p95_mm > 0.3


def test_a_corner_that_may_hide_where_nothing_is_seen_is_allowed_for() -> None:
    """A hexagon traced with one corner rounded off under something that hides it."""
    result = traced("hexagon", 0.4)
    truth = result.truth.oriented()
    corner = np.asarray(truth.segments[3][0])
    before, after = truth.segments[2], truth.segments[3]
    out = [before[0] + (before[-1] - before[0]) * 0.9, after[0] + (after[-1] - after[0]) * 0.1]
    curve = np.array([out[0], out[0] + (corner - out[0]) * 0.4, out[1] + (corner - out[1]) * 0.4, out[1]])
    segments = [*truth.segments]
    segments[2:4] = [np.array([before[0], out[0]]), curve, np.array([out[1], after[-1]])]
    rounded = Path(tuple(segments))
    true = distance_between(rounded.segments, truth.segments)
    assert true.worst_mm > 0.6
    at = np.asarray(rounded.sample(0.05)[0])
    hidden = px_of(at[np.hypot(*(at - corner).T) < 2.6])
    error = measure_outline(result.pixels, rounded, result.style, to_px=px_of, obscured_px=PxPoints(hidden))
    assert error.max_mm >= true.worst_mm - true.bound_mm - NOISE_MM
    assert error.max_mm < 1.5 * true.worst_mm


def test_a_hidden_stretch_of_a_gentle_curve_is_allowed_little() -> None:
    result = traced("circle", 0.4)
    at = px_of(np.asarray(result.truth.sample(0.05)[0]))
    error = measure_outline(result.pixels, result.truth, result.style, to_px=px_of, obscured_px=PxPoints(at[100:200]))
    assert error.max_mm < 0.06


def test_the_edge_of_a_hole_is_measured_from_the_piece_outward() -> None:
    """A round hole in dark card, traced 0.1 mm too large: the edge lies on the hole's inner side of its outline."""
    truth = shapes.circle((30, 30), 24)
    pixels = picture_of("circle", 0.0, ground=0.03, thing=0.86)
    style = LineStyle(kind="edge", line_width_px=0.0, colour_weights=GREY, hole=True)
    right = measure_outline(pixels, truth, style, to_px=px_of)
    assert right.readable > 0.99
    assert right.p95_mm < 0.02
    large = measure_outline(pixels, shapes.circle((30, 30), 24.1), style, to_px=px_of)
    shift = float(np.median(large.error_mm)) - float(np.median(right.error_mm))
    assert shift == pytest.approx(-0.1, abs=0.003)
    assert large.readable > 0.99


def test_an_arc_that_may_hide_where_the_outline_was_cut_short_is_allowed_for() -> None:
    """A circle traced with a flat side where nothing is seen: its line goes on round."""
    result = traced("circle", 0.4)
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radius = np.where(np.abs(turn - np.pi) < 0.5, 24 * np.cos(0.5) / np.cos(turn - np.pi), 24.0)
    flat = Path.polygon(30 + radius[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1))
    at = np.asarray(flat.oriented().sample(0.05)[0])
    hidden = px_of(at[np.abs(np.hypot(*(at - 30).T) - 24) > 0.03])
    error = measure_outline(result.pixels, flat.oriented(), result.style, to_px=px_of, obscured_px=PxPoints(hidden))
    true = 24 * (1 - math.cos(0.5))
    assert true - NOISE_MM <= error.max_mm < 2.5 * true


@pytest.mark.parametrize("dash_mm", [1.0, 1.6])
def test_a_dotted_line_is_measured_on_its_dots(dash_mm: float) -> None:
    result = traced("hexagon", 0.4)
    pixels = picture_of("hexagon", 0.4).copy()
    points, _ = result.truth.oriented().sample(0.02)
    space = (np.arange(len(points)) * 0.02) % (2 * dash_mm) > dash_mm
    at, paper = np.rint(np.asarray(px_of(points))).astype(int), np.median(pixels)
    for x, y in np.unique(at[space], axis=0):
        pixels[y - 3 : y + 4, x - 3 : x + 4] = paper
    style = LineStyle(kind="drawn", line_width_px=0.4 / MM_PER_PX_300, colour_weights=GREY)
    # What the outline could not be read from: the spaces, and the ends of the dots beside them.
    unread = px_of(points[np.convolve(space, np.ones(21), "same") > 0])
    right = measure_outline(pixels, result.truth.oriented(), style, to_px=px_of, obscured_px=unread)
    assert right.max_mm < 0.12
    moved = shifted_segment(result.truth.oriented(), 2, 0.3)
    assert measure_outline(pixels, moved, style, to_px=px_of, obscured_px=unread).max_mm > 0.25


def test_the_scatter_of_readings_is_no_error_of_a_line_that_is_right() -> None:
    """At 4 % noise single millimetres are off by 0.005 mm, all of the line by far less."""
    pixels = picture_of("circle", 0.4, noise=0.04)
    result = traced("circle", 0.4)
    error = measure_outline(pixels, result.truth, result.style, to_px=px_of)
    assert error.p95_mm < 0.005
    assert error.max_mm < 0.012


def test_a_short_step_beside_a_corner_keeps_its_height() -> None:
    result = traced("hexagon", 0.4)
    segments = list(result.truth.oriented().segments)
    a, d = segments[2]
    along = (d - a) / np.hypot(*(d - a))
    out = 0.12 * np.array([along[1], -along[0]])
    cuts = [a + along * t for t in (8.0, 8.3, 10.3, 10.6)]
    ring = [a, cuts[0], cuts[1] + out, cuts[2] + out, cuts[3], d]
    segments[2:3] = [np.array([p, q]) for p, q in pairwise(ring)]
    error = result.measure(Path(tuple(segments)))
    assert error.max_mm == pytest.approx(0.12, abs=0.03)
    assert error.p95_mm < 0.02


@pytest.mark.parametrize("inner_deg", [40, 90, 160])
def test_a_corner_that_slides_along_its_arms_is_as_far_off_as_they_are(inner_deg: float) -> None:
    half = np.radians(inner_deg / 2)
    ends = 30 * np.array([[np.sin(half), -np.cos(half)], [-np.sin(half), -np.cos(half)]])
    outline = MmPoints(np.array([ends[0], [0.0, 0.0], ends[1]]))
    across = np.array([[np.cos(half), np.sin(half)], [-np.cos(half), np.sin(half)]])
    for errors in ([0.1, -0.06], [0.1, 0.1], [-0.1, -0.02]):
        shift = np.linalg.solve(across, np.array(errors))
        true = np.array([ends[0] + shift, shift, ends[1] + shift])
        a, b = (
            np.concatenate([p + np.linspace(0, 1, 20001)[:, None] * (q - p) for p, q in pairwise(r)])
            for r in (np.asarray(outline), true)
        )
        near = [np.hypot(*x.T) < 5.0 for x in (a, b)]
        worst = max(float(cKDTree(o).query(x[n])[0].max()) for x, o, n in ((a, b, near[0]), (b, a, near[1])))
        assert between_corners(shift, across) == pytest.approx(max(worst, 0.0), abs=0.003)


def test_where_a_reader_told_the_edge_its_points_are_asked_and_not_the_picture() -> None:
    """A picture that was filled in around a wrong edge shows that edge; what was told lies 0.3 mm outside of it."""
    result = traced("hexagon", 0.0)
    points, normals = result.truth.oriented().sample(0.1)
    points, normals = np.asarray(points), np.asarray(normals)
    start, end = result.truth.oriented().segments[2]
    some = np.hypot(*(points - (start + end) / 2).T) < 0.35 * math.dist(start, end)
    told = Readings(
        points_mm=MmPoints((points + 0.3 * normals)[some]),
        normals=normals[some],
        sigma_mm=np.full(int(some.sum()), 0.05),
    )
    error = measure_outline(result.pixels, result.truth, result.style, to_px=px_of, told=told)
    assert error.told.any()
    # Half a millimetre inside of it the picture has no share any more.
    assert error.error_mm[ndimage.binary_erosion(error.told, iterations=7)] == pytest.approx(0.3, abs=0.01)
    assert np.abs(error.error_mm[~error.told & error.valid]).max() < 0.005
    assert error.p95_mm == pytest.approx(0.3, abs=0.01)
    # Twice their uncertainty may hide at one place, thrice at the worst.
    places = MmPoints(points)
    more = error.with_leeway(places, np.full(len(places), 0.15))
    assert more.p95_mm == pytest.approx(0.4, abs=0.015)
    assert more.max_mm == pytest.approx(0.45, abs=0.015)


def test_an_outline_that_swings_aside_of_what_was_told_is_as_far_off_as_it_lies_from_there() -> None:
    """So steeply that nothing that was told lies straight outside of its sides."""
    result = traced("hexagon", 0.0)
    true = result.truth.oriented()
    start, end = true.segments[0]
    way = (end - start) / np.hypot(*(end - start))
    out, middle, high_mm, half_mm = np.array([way[1], -way[0]]), (start + end) / 2, 0.7, 0.8
    foot, top, back = middle - half_mm * way, middle + high_mm * out, middle + half_mm * way
    swing = Path(
        (
            np.stack([start, foot]),
            np.stack([foot, foot + 0.8 * way, top - 0.6 * way, top]),
            np.stack([top, top + 0.6 * way, back - 0.8 * way, back]),
            np.stack([back, end]),
            *true.segments[1:],
        )
    )
    places = start + np.arange(0, math.dist(start, end), 0.1)[:, None] * way
    told = Readings(
        points_mm=MmPoints(places), normals=np.tile(out, (len(places), 1)), sigma_mm=np.full(len(places), 0.05)
    )
    error = measure_outline(result.pixels, swing, result.style, to_px=px_of, told=told)
    aside = (np.asarray(error.points_mm) - middle) @ out
    assert error.told[aside > 0.1].all()
    assert error.max_mm == pytest.approx(high_mm, abs=0.3)
    assert math.dist(error.where_max, top) < 0.4


def test_a_light_line_that_shines_through_beside_a_drawn_one_takes_nothing_of_it() -> None:
    """Half a millimetre broad along all of one side: the drawn line had been said to lie a pixel aside, or be gone."""
    path, size = SHAPES["hexagon"]
    ground, ink, width_mm, mm_per_px = 0.4, 0.2, 0.4, 0.16
    pixels = shapes.picture(
        [path], size, line_width_mm=width_mm, ground=ground, thing=ink, noise=0.004, mm_per_px=mm_per_px
    )
    truth = path.oriented()
    start, end = truth.segments[2]
    way = (end - start) / math.dist(start, end)
    beside = 0.5 * np.array([way[1], -way[0]])
    light = SRGB_TO_LINEAR[pixels].astype(np.float64)
    stripe = Path.polygon(np.array([start + beside, end + beside, end + 1.01 * beside]))
    cover = shapes.coverage(shapes.to_px(stripe, mm_per_px), pixels.shape, 0.5 / mm_per_px)
    bare = np.clip((light - ink) / (ground - ink), 0.0, 1.0)
    lit = encode_srgb(light + 0.12 * ndimage.gaussian_filter(cover, 0.7) * bare)
    style = replace(traced("hexagon", width_mm).style, line_width_px=width_mm / mm_per_px)
    error = measure_outline(lit, truth, style, to_px=lambda p: px_of(p, mm_per_px))
    assert error.valid.all()
    assert error.max_mm < 0.08


def test_points_told_on_the_other_side_of_a_strap_say_nothing_of_this_one() -> None:
    """Half a millimetre wide, and only one side of it was told."""
    mm_per_px = 0.1
    strap = Path.polygon(np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 0.5], [0.0, 0.5]])).oriented()
    points, normals = (np.asarray(a) for a in strap.sample(mm_per_px))
    middle = (points[:, 0] > 2) & (points[:, 0] < 28)
    upper = middle & (points[:, 1] < 0.01)
    told = Readings(
        points_mm=MmPoints(points[upper] + 0.02 * normals[upper]),
        normals=normals[upper],
        sigma_mm=np.full(int(upper.sum()), 0.05),
    )
    has, outside, _ = told_along(told, points, normals, mm_per_px)
    assert has[upper].all()
    assert outside[upper] == pytest.approx(0.02, abs=1e-6)
    assert not has[middle & ~upper].any()


def test_where_a_reader_set_points_aside_the_way_between_the_others_counts() -> None:
    result = traced("hexagon", 0.0)
    told = np.zeros(len(result.evidence.valid), bool)
    told[20:60] = True
    valid = result.evidence.valid.copy()
    valid[30:40] = False
    evidence = replace(result.evidence, told=told, valid=valid)
    points = mm_of(np.asarray(evidence.points_px))
    readings = readings_of(evidence, points, np.full(len(points), 0.05))
    assert readings is not None
    assert len(readings.points_mm) == 40
    away = np.asarray(readings.points_mm) - points.mean(axis=0)
    assert ((away * readings.normals).sum(axis=1) > 0).all()
    assert readings_of(replace(evidence, told=np.zeros_like(told)), points, np.full(len(points), 0.05)) is None


def test_an_outline_that_follows_the_noise_of_its_picture_is_not_called_right() -> None:
    # The noise that led it astray is in the readings too: against it they find nothing wrong.
    pixels = picture_of("circle", 0.4, noise=0.2)
    result = traced("circle", 0.4)
    seen = measure_outline(pixels, result.truth.oriented(), result.style, to_px=px_of)
    points, off = np.asarray(seen.points_mm), ndimage.uniform_filter1d(seen.error_mm, 12, mode="wrap")
    outward = (points - np.array([30.0, 30.0])) / 24.0
    at = np.linspace(0, len(points), 80, endpoint=False).astype(int)
    knots = (points + outward * off[:, None])[at]
    spline = CubicSpline(np.append(at, len(points)), np.vstack([knots, knots[:1]]), bc_type="periodic")
    ends = np.append(at, len(points))
    third = np.diff(ends)[:, None] / 3
    path = Path(
        tuple(
            np.stack([spline(a), spline(a) + t * spline(a, 1), spline(b) - t * spline(b, 1), spline(b)])
            for a, b, t in zip(ends[:-1], ends[1:], third, strict=True)
        )
    )
    error = measure_outline(pixels, path.oriented(), result.style, to_px=px_of)
    true = distance_between(path.segments, result.truth.segments)
    assert true.p95_mm > 0.007
    assert float(np.percentile(np.abs(error.error_mm), 95)) < true.p95_mm - 0.002
    assert error.p95_mm >= true.p95_mm - 0.002
    assert error.p95_mm < 2.5 * true.p95_mm
