"""Rough outlines that ran along a shadow: a hole in red card over a white lid, its edge known by construction."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.light import SRGB_TO_LINEAR
from calibration.picture import PxPoints
from tests import shapes
from tracer.candidate import RoughOutline
from tracer.own_colour import settled

MM_PER_PX = 25.4 / 300
MIDDLE_PX, HOLE_PX, CARD_PX, SIDE_PX = 150.0, 60.0, 120.0, 300
RED, GREY, WHITE = (186, 52, 48), (150, 149, 147), (238, 237, 233)
Ring = np.ndarray


def ring(radius_px: float, shift_px: tuple[float, float] = (0.0, 0.0)) -> Ring:
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    return MIDDLE_PX + np.array(shift_px) + radius_px * np.stack([np.cos(turn), np.sin(turn)], axis=1)


def disc(radius_px: float, shift_px: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    y, x = np.mgrid[:SIDE_PX, :SIDE_PX] - MIDDLE_PX
    return np.clip(radius_px + 0.5 - np.hypot(x - shift_px[0], y - shift_px[1]), 0, 1)[..., None]


def washer(card: tuple[int, int, int], *, shadow_px: tuple[float, float]) -> np.ndarray:
    """A ring of card on a white lid; the light that comes through its hole is shifted: a hard shadow."""
    cover = disc(CARD_PX) - disc(HOLE_PX)
    lit = 1 - 0.6 * np.clip(disc(CARD_PX, shadow_px) - disc(HOLE_PX, shadow_px), 0, 1)
    light = SRGB_TO_LINEAR[np.array(WHITE)] * lit * (1 - cover) + SRGB_TO_LINEAR[np.array(card)] * cover
    light = cv2.GaussianBlur(light, (0, 0), 0.8) + np.random.default_rng(4).normal(0, 0.005, light.shape)
    return shapes.encode_srgb(light)


def rough_of(points: Ring, *, hole: bool) -> RoughOutline:
    none = np.zeros(len(points), bool)
    weights = np.array([0.2126, 0.7152, 0.0722])
    return RoughOutline(
        points_px=PxPoints(points),
        kind="edge",
        line_width_px=0.0,
        colour_weights=weights,
        obscured=none,
        bridged=none,
        hole=hole,
    )


def off_px(rough: RoughOutline, radius_px: float) -> float:
    return float(np.abs(np.hypot(*(np.asarray(rough.points_px) - MIDDLE_PX).T) - radius_px).max())


@pytest.mark.parametrize(("hole", "radius_px"), [(True, HOLE_PX), (False, CARD_PX)])
def test_an_outline_along_a_shadow_is_laid_where_the_card_ends(hole: bool, radius_px: float) -> None:
    shadow_px = (9.0, 7.0)
    pixels = washer(RED, shadow_px=shadow_px)
    astray = rough_of(ring(radius_px, shadow_px), hole=hole)
    assert off_px(astray, radius_px) > 10
    # Near enough for the profiles, which find the edge itself.
    assert off_px(settled(pixels, astray, mm_per_px=MM_PER_PX), radius_px) < 2.5


def test_an_outline_that_lies_right_is_left_as_it_is() -> None:
    pixels = washer(RED, shadow_px=(9.0, 7.0))
    right = rough_of(ring(HOLE_PX), hole=True)
    assert settled(pixels, right, mm_per_px=MM_PER_PX) is right


def test_card_that_looks_like_shaded_ground_is_left_as_the_search_has_it() -> None:
    """The stated limit: grey card on a white lid cannot be told from the lid in the shadow."""
    pixels = washer(GREY, shadow_px=(9.0, 7.0))
    astray = rough_of(ring(HOLE_PX, (9.0, 7.0)), hole=True)
    left = settled(pixels, astray, mm_per_px=MM_PER_PX)
    assert np.array_equal(left.points_px, astray.points_px)
    assert left.shade_coloured


def test_a_grey_picture_is_left_alone() -> None:
    pixels = cv2.cvtColor(washer(RED, shadow_px=(9.0, 7.0)), cv2.COLOR_RGB2GRAY)
    astray = rough_of(ring(HOLE_PX, (9.0, 7.0)), hole=True)
    assert settled(pixels, astray, mm_per_px=MM_PER_PX) is astray


# -- thin parts that the search closed up -----------------------------------------------------------------------------
def spike(
    *, colour: tuple[int, int, int] = RED, touches: bool = False, lined: bool = False, cut_px: float = 220.0
) -> tuple[np.ndarray, Ring, Ring]:
    """A card with a long thin point on white, its whole outline, and one whose point is cut straight off.

    ``touches``: it reaches a broad piece of the same card. ``lined``: a line of the same colour runs under its side.
    """
    whole = np.array([[40.0, 100.0], [120.0, 100.0], [270.0, 150.0], [120.0, 200.0], [40.0, 200.0]])
    cover = np.zeros((SIDE_PX, SIDE_PX), np.uint8)
    cv2.fillPoly(cover, [np.rint(whole * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    if touches:
        cv2.rectangle(cover, (215, 60), (290, 240), 255, -1)
    if lined:
        cv2.rectangle(cover, (78, 20), (81, 110), 255, -1)
    share = (cover / 255.0)[..., None]
    light = SRGB_TO_LINEAR[np.array(WHITE)] * (1 - share) + SRGB_TO_LINEAR[np.array(colour)] * share
    light = cv2.GaussianBlur(light, (0, 0), 0.8) + np.random.default_rng(5).normal(0, 0.005, light.shape)
    half = (whole[2, 0] - cut_px) / 3
    cut = np.vstack([whole[:2], [[cut_px, 150.0 - half], [cut_px, 150.0 + half]], whole[3:]])
    return shapes.encode_srgb(light), whole, cut


@pytest.mark.parametrize("cut_px", [220.0, 252.0, 257.0])
def test_a_thin_point_that_was_cut_straight_off_is_given_back(cut_px: float) -> None:
    """The last two cuts are 12 and 9 pixels wide, 1 mm and less."""
    pixels, whole, cut = spike(cut_px=cut_px)
    found = settled(pixels, rough_of(cut, hole=False), mm_per_px=MM_PER_PX)
    points = np.asarray(found.points_px)
    assert points[:, 0].max() > whole[2, 0] - 8.0
    ring = whole.astype(np.float32)
    assert max(abs(cv2.pointPolygonTest(ring, (float(x), float(y)), True)) for x, y in points) < 2.5


def test_a_whole_outline_does_not_grow() -> None:
    pixels, whole, _ = spike()
    found = settled(pixels, rough_of(whole, hole=False), mm_per_px=MM_PER_PX)
    ring = whole.astype(np.float32)
    assert min(cv2.pointPolygonTest(ring, (float(x), float(y)), True) for x, y in np.asarray(found.points_px)) > -1.5


def test_a_line_that_runs_under_a_straight_side_is_no_part() -> None:
    pixels, whole, _ = spike(lined=True)
    found = settled(pixels, rough_of(whole, hole=False), mm_per_px=MM_PER_PX)
    assert np.asarray(found.points_px)[:, 1].min() > whole[:, 1].min() - 2.5


def test_a_broad_neighbour_of_the_same_card_is_not_taken_for_a_part_but_said() -> None:
    pixels, _, cut = spike(touches=True)
    beside = rough_of(np.minimum(cut, [213.0, 300.0]), hole=False)
    found = settled(pixels, beside, mm_per_px=MM_PER_PX)
    assert found.points_px is beside.points_px
    assert found.beyond_px is not None
    x, y, far_px = found.beyond_px
    assert np.hypot(x - 213.0, y - 150.0) < 5.0
    assert far_px > 40.0


def test_a_line_that_a_point_lies_over_is_left_out_of_it() -> None:
    """A bar a little less red than the card crosses its point under it, as the lines of a mat do."""
    pixels, whole, cut = spike()
    bar = np.zeros((SIDE_PX, SIDE_PX), np.uint8)
    cv2.rectangle(bar, (238, 60), (244, 240), 255, -1)
    cv2.fillPoly(bar, [np.rint(whole * 16).astype(np.int32)], 0, cv2.LINE_AA, 4)
    share = cv2.GaussianBlur(bar / 255.0, (0, 0), 0.8)[..., None]
    pixels = np.rint(pixels * (1 - share) + np.array([208.0, 92.0, 84.0]) * share).astype(np.uint8)
    found = settled(pixels, rough_of(cut, hole=False), mm_per_px=MM_PER_PX)
    points = np.asarray(found.points_px)
    ring = whole.astype(np.float32)
    assert points[:, 0].max() > whole[2, 0] - 12.0
    assert max(abs(cv2.pointPolygonTest(ring, (float(x), float(y)), True)) for x, y in points) < 3.5


@pytest.mark.parametrize(("card", "said"), [(GREY, True), (RED, False), (WHITE, False)])
def test_a_card_of_the_colour_of_its_ground_in_shade_is_marked(card: tuple[int, int, int], said: bool) -> None:
    rough = rough_of(ring(CARD_PX), hole=False)
    assert settled(washer(card, shadow_px=(0.0, 0.0)), rough, mm_per_px=MM_PER_PX).shade_coloured == said
