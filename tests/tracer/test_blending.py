"""How a picture's pixels were mixed, on turned rectangles drawn exactly by areas."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from shapely import Polygon, box

from calibration.light import SRGB_TO_LINEAR
from calibration.picture import PxPoints
from tests import shapes
from tracer.blending import Blending, blending_of, light_shares
from tracer.candidate import RoughOutline
from tracer.edge_signal import edge_signal
from tracer.outline import locate

DARK, WHITE = 60.0, 240.0
CORNERS = np.array([[20.3, 45.1], [92.6, 18.7], [121.8, 98.6], [49.5, 125.0]])
SIDE_PX = 140
DISC_PX = 820.0
NEAR_PX = 0.03
"""Mean of a side: shares are cut to whole codes, and interpolated between pixels."""


def covered() -> np.ndarray:
    """Share of each pixel's area that lies inside of the rectangle."""
    thing, out = Polygon(CORNERS + 0.5), np.zeros((SIDE_PX, SIDE_PX))
    for row, column in np.ndindex(out.shape):
        out[row, column] = thing.intersection(box(column, row, column + 1, row + 1)).area
    return out


COVERED = covered()


def drawn(thing: float, ground: float) -> np.ndarray:
    return np.rint(ground + (thing - ground) * COVERED).astype(np.uint8)


def seen(thing: float, ground: float, blur_px: float = 0.0) -> np.ndarray:
    a, b = np.interp([thing, ground], np.arange(256), SRGB_TO_LINEAR)
    light = b + (a - b) * COVERED
    return shapes.encode_srgb(cv2.GaussianBlur(light, (0, 0), blur_px) if blur_px else light)


def rough_of(thing: float, ground: float) -> RoughOutline:
    ring = Polygon(CORNERS).exterior
    points = np.array([ring.interpolate(d).coords[0] for d in np.arange(0.0, ring.length, 1.0)])
    none = np.zeros(len(points), bool)
    sign = 1.0 if ground > thing else -1.0
    return RoughOutline(
        points_px=PxPoints(points), kind="edge", line_width_px=0.0, colour_weights=sign * np.array([0.21, 0.72, 0.07]),
        obscured=none, bridged=none,
    )  # fmt: skip


def size_off_px(pixels: np.ndarray, rough: RoughOutline, blending: Blending) -> float:
    """How far outside of the rectangle its sides are read, in the mean."""
    evidence = locate(pixels, replace(rough, colour_weights=edge_signal(pixels, rough, blending).codes))
    points = np.asarray(evidence.points_px)
    off = []
    for a, b in zip(CORNERS, np.roll(CORNERS, -1, axis=0), strict=True):
        way = (b - a) / np.hypot(*(b - a))
        along, across = (points - a) @ way, (points - a) @ np.array([way[1], -way[0]])
        off.append(across[(np.abs(across) < 2) & (along > 8) & (along < np.hypot(*(b - a)) - 8)].mean())
    return float(np.mean(off))


@pytest.mark.parametrize(("thing", "ground"), [(DARK, WHITE), (WHITE, DARK)])
@pytest.mark.parametrize("colours", [1, 3])
def test_a_drawn_picture_is_read_in_its_codes(thing: float, ground: float, colours: int) -> None:
    pixels, rough = drawn(thing, ground), rough_of(thing, ground)
    pixels = pixels if colours == 1 else np.repeat(pixels[..., None], 3, axis=2)
    blending = blending_of(pixels, [rough])
    assert blending == Blending(in_codes=True)
    assert abs(size_off_px(pixels, rough, blending)) < NEAR_PX
    # What is at stake: in light it lies beside that.
    assert abs(size_off_px(pixels, rough, Blending())) > 0.1


@pytest.mark.parametrize(("thing", "ground"), [(DARK, WHITE), (WHITE, DARK)])
def test_what_was_mixed_in_light_is_read_in_light(thing: float, ground: float) -> None:
    pixels, rough = seen(thing, ground), rough_of(thing, ground)
    blending = blending_of(pixels, [rough])
    assert blending == Blending()
    assert abs(size_off_px(pixels, rough, blending)) < NEAR_PX


def test_where_no_slanting_edge_tells_the_doubt_is_in_the_signal() -> None:
    upright = replace(rough_of(DARK, WHITE), points_px=PxPoints(np.array(box(30, 60, 80, 100).exterior.coords)[:-1]))
    pixels = np.full((SIDE_PX, SIDE_PX, 3), WHITE, np.uint8)
    pixels[60:100, 30:80] = DARK
    pixels[59, 30:80] = (DARK + WHITE) / 2
    assert blending_of(pixels, [upright]) == Blending(open=True)
    sure, doubtful = (edge_signal(pixels, upright, b) for b in (Blending(), Blending(open=True)))
    # It is read midway between where light and codes have it, and both are within what is stated.
    apart_px = 1.0 * (0.5 - float(light_shares(np.full(3, DARK), np.full(3, WHITE), np.array([0.5]))[0]))
    assert doubtful.half_shift_px == pytest.approx(apart_px / 2)
    assert doubtful.mass_shift_px == doubtful.half_shift_px > 2 * sure.uncertainty_px
    assert 2 * doubtful.uncertainty_px > apart_px > 2 * sure.uncertainty_px


@pytest.fixture(scope="module")
def disc() -> np.ndarray:
    """Share of each pixel that lies inside of a large disc: exact along rows, of which each pixel has sixteen."""
    side, fine = 1720, 16
    out, columns = np.zeros((side, side)), np.arange(side) - side / 2
    for row in range(fine):
        aside = np.arange(side) - side / 2 + (row + 0.5) / fine
        half = np.sqrt(np.maximum(DISC_PX**2 - aside**2, 0.0))[:, None]
        out += np.clip(np.minimum(columns + 1, half) - np.maximum(columns, -half), 0.0, 1.0) / fine
    return out


def rough_disc(side: int) -> RoughOutline:
    turn = np.linspace(0.0, 2.0 * np.pi, 6001)[:-1]
    points = (side - 1) / 2 + DISC_PX * np.column_stack([np.cos(turn), np.sin(turn)])
    none = np.zeros(len(points), bool)
    return replace(rough_of(DARK, WHITE), points_px=PxPoints(points), obscured=none, bridged=none)


@pytest.mark.parametrize("in_codes", [True, False])
@pytest.mark.parametrize("blur_px", [0.75, 0.9])
def test_the_halves_of_a_blurred_edge_tell_in_what_values_it_was_blurred(
    disc: np.ndarray, blur_px: float, in_codes: bool
) -> None:
    a, b = np.interp([DARK, WHITE], np.arange(256), SRGB_TO_LINEAR)
    if in_codes:
        pixels = np.rint(cv2.GaussianBlur(WHITE + (DARK - WHITE) * disc, (0, 0), blur_px)).astype(np.uint8)
    else:
        pixels = shapes.encode_srgb(cv2.GaussianBlur(b + (a - b) * disc, (0, 0), blur_px))
    rough = rough_disc(len(pixels))
    blending = blending_of(pixels, [rough])
    assert (blending.in_codes, blending.open) == (in_codes, False)
    points = np.asarray(
        locate(pixels, replace(rough, colour_weights=edge_signal(pixels, rough, blending).codes)).points_px
    )
    radius = np.hypot(*(points - (len(pixels) - 1) / 2).T).mean()
    assert abs(radius - DISC_PX) < NEAR_PX
    noisy = pixels + np.random.default_rng(1).normal(0.0, 2.0, pixels.shape)
    blending = blending_of(np.clip(np.rint(noisy), 0, 255).astype(np.uint8), [rough])
    assert (blending.in_codes, blending.open) == (in_codes, False)


@pytest.mark.parametrize("in_codes", [True, False])
@pytest.mark.parametrize("quality", [76, 92])
def test_edges_nearly_along_the_rows_tell_it_through_jpeg(quality: int, in_codes: bool) -> None:
    thing, ground = 92.0, 234.0
    x, y = np.arange(3000.0), np.arange(700.0)[:, None]
    upper, lower, left, right = 100.6 + 0.0006 * x, 600.6 + 0.0003 * x, 90.4, 2910.7
    cover = np.clip(y + 0.5 - upper, 0, 1) * np.clip(lower - y + 0.5, 0, 1)
    cover *= np.clip(x + 0.5 - left, 0, 1) * np.clip(right - x + 0.5, 0, 1)
    a, b = np.interp([thing, ground], np.arange(256), SRGB_TO_LINEAR)
    if in_codes:
        pixels = np.rint(cv2.GaussianBlur(ground + (thing - ground) * cover, (0, 0), 1.2)).astype(np.uint8)
    else:
        pixels = shapes.encode_srgb(cv2.GaussianBlur(b + (a - b) * cover, (0, 0), 1.2))
    noisy = pixels + np.random.default_rng(4).normal(0.0, 1.0, pixels.shape)
    coded = cv2.imencode(".jpg", np.clip(np.rint(noisy), 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])[
        1
    ]
    # The rough outline lies two pixels outside.
    ring = Polygon([(88, 98), (2913, 100), (2913, 604), (88, 603)]).exterior
    points = np.array([ring.interpolate(d).coords[0] for d in np.arange(0.0, ring.length, 1.0)])
    none = np.zeros(len(points), bool)
    rough = replace(rough_of(thing, ground), points_px=PxPoints(points), obscured=none, bridged=none)
    blending = blending_of(np.asarray(cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE), np.uint8), [rough])
    assert (blending.in_codes, blending.open) == (in_codes, False)


def test_an_edge_beside_a_soft_shadow_is_taken_for_one_behind_a_lens(disc: np.ndarray) -> None:
    a, b = np.interp([DARK, WHITE], np.arange(256), SRGB_TO_LINEAR)
    beside = cv2.GaussianBlur(np.roll(disc, (5, 5), axis=(0, 1)), (0, 0), 2.0)
    light = cv2.GaussianBlur(b * (1 - 0.4 * beside) * (1 - disc) + a * disc, (0, 0), 0.9)
    assert blending_of(shapes.encode_srgb(light), [rough_disc(len(disc))]).in_codes is False


def test_where_the_step_is_small_and_noise_large_it_is_left_open() -> None:
    thing, ground = 90.0, 135.0
    pixels = cv2.GaussianBlur(ground + (thing - ground) * COVERED, (0, 0), 0.8)
    noisy = pixels + np.random.default_rng(2).normal(0.0, 1.0, pixels.shape)
    assert blending_of(np.rint(noisy).astype(np.uint8), [rough_of(thing, ground)]).open


def test_few_pixels_without_noise_leave_it_open() -> None:
    small = replace(
        rough_of(DARK, WHITE), points_px=PxPoints(np.array(box(30, 60, 50, 75).exterior.segmentize(1.0).coords)[:-1])
    )
    pixels = np.full((SIDE_PX, SIDE_PX), WHITE)
    pixels[60:76, 30:51] = DARK
    assert blending_of(np.rint(cv2.GaussianBlur(pixels, (0, 0), 0.8)).astype(np.uint8), [small]).open


def test_drawn_lines_are_not_asked() -> None:
    rough = replace(rough_of(DARK, WHITE), kind="drawn", line_width_px=4.0)
    assert blending_of(drawn(DARK, WHITE), [rough]) == Blending()


@pytest.mark.parametrize("in_codes", [True, False])
def test_the_steps_of_a_rough_outline_along_a_long_side_mislead_nobody(in_codes: bool) -> None:
    # A side that rises one row in fifty is cut by the rows at the same places as a rough outline has its steps.
    wide, high, rise, lean, fine = 3000, 700, 0.02, 0.06, 16
    across = (np.arange(wide * fine) + 0.5) / fine
    tops, bottoms = 60.3 + rise * across, 585.7 + rise * across
    rows = np.arange(high)[:, None]
    within = np.clip(np.minimum(rows + 1, bottoms) - np.maximum(rows, tops), 0.0, 1.0)
    within[np.abs(across - wide / 2 + lean * (rows + 0.5)) > wide / 2 - 150.4] = 0.0
    share = within.reshape(high, wide, fine).mean(axis=2)
    a, b = np.interp([DARK, WHITE], np.arange(256), SRGB_TO_LINEAR)
    pixels = np.rint(WHITE + (DARK - WHITE) * share) if in_codes else shapes.encode_srgb(b + (a - b) * share)
    noisy = pixels + np.random.default_rng(3).normal(0.0, 1.0, pixels.shape)
    coarse = (cv2.resize(share, (wide // 2, high // 2), interpolation=cv2.INTER_AREA) > 0.5).astype(np.uint8)
    contours, _ = cv2.findContours(coarse, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = contours[0][:, 0].astype(np.float64) * 2 + 0.5
    none = np.zeros(len(points), bool)
    rough = replace(rough_of(DARK, WHITE), points_px=PxPoints(points), obscured=none, bridged=none)
    blending = blending_of(np.clip(np.rint(noisy), 0, 255).astype(np.uint8), [rough])
    assert (blending.in_codes, blending.open) == (in_codes, False)
