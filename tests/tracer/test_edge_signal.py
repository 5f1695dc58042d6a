"""Edges of coloured card after JPEG and beside a shadow, on discs whose edge is known by construction."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.light import SRGB_TO_LINEAR
from calibration.picture import PxPoints
from tests import shapes
from tests.shapes import MM_PER_PX_300
from tests.tracer.tracing import mm_of
from tracer.candidate import RoughOutline
from tracer.edge_signal import EdgeSignal, edge_signal
from tracer.outline import locate

RED, BROWN, WHITE, DARK, GREEN = (186, 52, 48), (222, 190, 130), (238, 237, 233), (30, 30, 32), (38, 92, 74)
MIDDLE_MM, RADIUS_MM, SIZE_MM = 15.0, 11.0, 30.0
Colour = tuple[int, int, int]


def disc(
    thing: Colour,
    ground: Colour,
    *,
    shadow: float = 0.0,
    aside_px: tuple[int, int] = (9, 6),
    soft_px: float = 6.0,
    quality: int | None = 80,
) -> np.ndarray:
    """A disc of card, its shadow a little to the lower right (down, across), RGB after JPEG with halved colours."""
    path = shapes.to_px(shapes.circle((MIDDLE_MM, MIDDLE_MM), RADIUS_MM), MM_PER_PX_300)
    side = round(SIZE_MM / MM_PER_PX_300)
    cover = shapes.coverage(path, (side, side), 0.0)[..., None]
    shade = cv2.GaussianBlur(np.roll(cover[..., 0], aside_px, axis=(0, 1)), (0, 0), soft_px)[..., None]
    below = SRGB_TO_LINEAR[np.array(ground)] * (1 - shadow * shade)
    light = cv2.GaussianBlur(below * (1 - cover) + SRGB_TO_LINEAR[np.array(thing)] * cover, (0, 0), 0.75)
    light = light + np.random.default_rng(3).normal(0, 0.006, light.shape)
    pixels = shapes.encode_srgb(light)
    if quality is None:
        return pixels
    options = [
        cv2.IMWRITE_JPEG_QUALITY,
        quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
    ]
    done, data = cv2.imencode(".jpg", pixels[..., ::-1], options)
    assert done
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def rough_of(thing: Colour, ground: Colour) -> RoughOutline:
    path = shapes.to_px(shapes.circle((MIDDLE_MM, MIDDLE_MM), RADIUS_MM), MM_PER_PX_300)
    points = shapes.wobbled(path, amplitude_px=1.0)
    none = np.zeros(len(points), bool)
    difference = (SRGB_TO_LINEAR[np.array(ground)] - SRGB_TO_LINEAR[np.array(thing)]).astype(np.float64)
    return RoughOutline(
        points_px=PxPoints(points),
        kind="edge",
        line_width_px=0.0,
        colour_weights=difference / np.abs(difference).sum(),
        obscured=none,
        bridged=none,
    )


def errors_mm(pixels: np.ndarray, rough: RoughOutline, signal: EdgeSignal | None) -> np.ndarray:
    if signal is None:
        evidence = locate(pixels, rough)
    else:
        evidence = locate(pixels, replace(rough, colour_weights=signal.codes)).moved_in(signal.half_shift_px)
    return np.hypot(*(np.asarray(mm_of(evidence.points_px)) - MIDDLE_MM).T) - RADIUS_MM


@pytest.mark.parametrize("quality", [None, 92, 80])
def test_red_card_on_a_dark_lid_is_as_large_as_it_is(quality: int | None) -> None:
    pixels, rough = disc(RED, DARK, quality=quality), rough_of(RED, DARK)
    assert abs(float(errors_mm(pixels, rough, edge_signal(pixels, rough)).mean())) < 0.009


def test_light_put_together_from_softened_colours_would_lie_beside_it() -> None:
    """What the choice of the luma is for; were this no longer so, it could go."""
    pixels, rough = disc(RED, DARK), rough_of(RED, DARK)
    assert float(errors_mm(pixels, rough, None).mean()) < -0.012


@pytest.mark.parametrize("quality", [None, 92, 80])
def test_a_shadow_is_not_taken_for_brown_card(quality: int | None) -> None:
    pixels, rough = disc(BROWN, WHITE, shadow=0.55, quality=quality), rough_of(BROWN, WHITE)
    error = errors_mm(pixels, rough, edge_signal(pixels, rough))
    assert abs(float(error.mean())) < 0.03
    # Colours are coded sixteen pixels at a time: single places err by more than their mean.
    assert np.percentile(np.abs(error), 95) < (0.03 if quality is None else 0.11)


def test_what_only_colour_tells_apart_is_stated_less_sure() -> None:
    plain = disc(WHITE, DARK)
    shaded = disc(BROWN, WHITE, shadow=0.55)
    assert (
        edge_signal(shaded, rough_of(BROWN, WHITE)).uncertainty_px
        > 3 * edge_signal(plain, rough_of(WHITE, DARK)).uncertainty_px
    )


def test_red_and_green_of_one_luma_are_told_apart_by_colour() -> None:
    pixels, rough = disc(RED, GREEN, shadow=0.3), rough_of(RED, GREEN)
    signal = edge_signal(pixels, rough)
    assert signal.codes.shape == (256, 3)
    assert abs(float(errors_mm(pixels, rough, signal).mean())) < 0.025


def test_a_grey_picture_keeps_its_light() -> None:
    rough = rough_of(WHITE, DARK)
    grey = cv2.cvtColor(disc(WHITE, DARK), cv2.COLOR_RGB2GRAY)
    assert np.array_equal(edge_signal(grey, rough).codes, rough.colour_weights)


def test_something_bright_beside_white_card_is_no_reason_to_seek_its_edge_in_colour() -> None:
    """A number printed on the mat touches the card: the luma serves all the rest of the outline."""
    pixels = disc((240, 236, 205), (70, 72, 68))
    middle, radius = MIDDLE_MM / MM_PER_PX_300, RADIUS_MM / MM_PER_PX_300
    for turn in np.linspace(0.1, 0.5, 12):
        at = np.rint(middle + (radius + 6) * np.array([np.cos(turn), np.sin(turn)])).astype(int)
        cv2.circle(pixels, (int(at[0]), int(at[1])), 6, (225, 222, 215), -1)
    assert edge_signal(pixels, rough_of((240, 236, 205), (70, 72, 68))).codes.shape == (256,)


def test_a_rough_outline_along_a_shadow_of_the_luma_of_the_card_is_seen_through() -> None:
    """Blue card on a grey table: its shadow has the luma of the card, and the search ran along the shadow's border."""
    blue, table = (60, 104, 171), (126, 127, 129)
    pixels = disc(blue, table, shadow=0.42, aside_px=(4, 3), soft_px=1.0)
    plain = rough_of(blue, table)
    assert edge_signal(disc(blue, table), plain).codes.shape == (256,)
    points = np.asarray(plain.points_px)
    middle = MIDDLE_MM / MM_PER_PX_300
    outward = (points - middle) / np.hypot(*(points - middle).T)[:, None]
    shaded_px = np.maximum(0.0, 5.0 * (outward @ np.array([0.6, 0.8])))
    along = replace(plain, points_px=PxPoints(points + outward * np.minimum(shaded_px, 3.0)[:, None]))
    signal = edge_signal(pixels, along)
    assert signal.codes.shape == (256, 3)
    assert abs(float(errors_mm(pixels, along, signal).mean())) < 0.03


def test_pale_card_on_a_pale_ground_is_as_large_where_more_light_falls_on_it() -> None:
    # A lamp beside the sheet: the card is lighter at one side than at the other by more than the step to its ground.
    pale = (215, 212, 206)
    at = (np.arange(round(SIZE_MM / MM_PER_PX_300)) + 0.5) * MM_PER_PX_300
    lamp = np.interp(at, [MIDDLE_MM - RADIUS_MM, MIDDLE_MM + RADIUS_MM], [0.35, 1.0])[None, :, None]
    lit = shapes.encode_srgb(SRGB_TO_LINEAR[disc(WHITE, pale, quality=None)] * lamp)
    rough = rough_of(WHITE, pale)
    off = errors_mm(lit, rough, edge_signal(lit, rough))
    assert np.percentile(np.abs(off), 95) < 0.02


def test_a_shadow_that_leaves_nothing_of_the_lumas_step_is_seen_through_by_little_colour() -> None:
    """Tan card: its colour's step is just under half of the luma's, which a hard shadow takes away altogether."""
    tan, lid = (205, 180, 140), (238, 237, 233)
    pixels, rough = disc(tan, lid, shadow=0.5, aside_px=(4, 3), soft_px=1.5, quality=90), rough_of(tan, lid)
    signal = edge_signal(pixels, rough)
    assert signal.codes.shape == (256, 3)
    assert abs(float(errors_mm(pixels, rough, signal).mean())) < 0.03
    # Where nothing disturbs it the luma is sharper.
    assert edge_signal(disc(tan, lid), rough).codes.shape == (256,)
