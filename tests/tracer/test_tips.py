"""Points of cut-out things thinner than the blur, against drawings whose end is known by construction."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from calibration.picture import MmPoints, PxPoints
from tests import shapes
from tests.shapes import MM_PER_PX_300
from tests.tracer.tracing import GREY, mm_of, px_of, rough_of, trace
from tracer import tips
from tracer.curves.fit import fit_closed
from tracer.curves.leeway import Leeway
from tracer.measure import LineStyle, measure_outline
from tracer.outline import locate
from tracer.path import Path
from tracer.stated import stated_fit
from tracer.tip_widths import End, filled_in, fit_end, missed_by_light, on_another, with_spread, with_touching
from tracer.tips import Led, lead_tips
from tracer.touching import Touching, touching

TIP = np.array([48.0, 20.0])
BACK_MM, HALF_MM, SHORT_MM = 30.0, 9.0, 3.5


def thorn(closing: float) -> Path:
    """A thing with one point: its half width is 9 mm at 30 mm from it and grows with a power (1 or 2) of the distance.

    Parabolas as cubics, exactly.
    """
    top, bottom = TIP + [-BACK_MM, -HALF_MM], TIP + [-BACK_MM, HALF_MM]
    if closing == 1.0:
        return Path.polygon(np.array([top, TIP, bottom]))

    def arm(far: np.ndarray) -> np.ndarray:
        # A parabola that touches the axis at the tip: its one control point lies on the axis, halfway.
        control = TIP - [BACK_MM / 2, 0.0]
        return np.array([far, far + (control - far) * 2 / 3, TIP + (control - TIP) * 2 / 3, TIP])

    return Path((arm(top), arm(bottom)[::-1], np.array([bottom, top])))


@cache
def result(closing: float, blur_px: float = 0.8, noise: float = 0.01, seed: int = 0) -> tuple[Path, Led]:
    path = thorn(closing)
    pixels = shapes.picture([path], (60.0, 40.0), blur_px=blur_px, noise=noise, seed=seed)
    rough = rough_of(path, 0.0)
    # A search sees the thing only where it is a few pixels wide: over the last 3 mm this one is not.
    seen = np.asarray(mm_of(np.asarray(rough.points_px)))[:, 0] < TIP[0] - SHORT_MM
    none = np.zeros(int(seen.sum()), bool)
    rough = replace(rough, points_px=PxPoints(np.asarray(rough.points_px)[seen]), obscured=none, bridged=none)
    evidence = locate(pixels, rough)
    fit = fit_closed(
        mm_of(evidence.points_px),
        evidence.sigma_px * MM_PER_PX_300,
        evidence.valid,
        blur_mm=evidence.blur_px * MM_PER_PX_300,
    )
    before = fit.path.oriented()
    return before, lead_tips(pixels, before, GREY, to_px=px_of, to_mm=to_mm, blur_px=evidence.blur_px)


def to_mm(points_px: PxPoints) -> MmPoints:
    return mm_of(np.asarray(points_px))


def off_mm(path: Path) -> float:
    """Return how far the outline's end is from the true one."""
    at = np.asarray(path.sample(0.02)[0])
    return float(np.hypot(*(at[np.argmax(at[:, 0])] - TIP)))


@pytest.mark.parametrize("blur_px", [0.6, 1.1])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_point_whose_arms_touch_is_led_to_its_end(blur_px: float, seed: int) -> None:
    before, led = result(2.0, blur_px, 0.01, seed)
    assert off_mm(led.path) <= led.doubt_mm
    assert off_mm(led.path) < 0.2
    assert led.doubt_mm < 1.6
    assert len(led.notes) == 1
    assert "thinner than what the picture resolves" in led.notes[0]
    assert len(led.hidden_mm) > 20
    # The rest stays as it was traced.
    at = np.asarray(led.path.sample(0.2)[0])
    far = at[at[:, 0] < TIP[0] - 12.0]
    old = np.asarray(before.sample(0.01)[0])
    assert max(float(np.hypot(*(old - p).T).min()) for p in far[::5]) < 0.025


def test_without_it_the_point_would_be_cut_off() -> None:
    """What it is for; were this no longer so, it could go."""
    before, led = result(2.0, 0.6, 0.01, 1)
    assert off_mm(before) > 5 * off_mm(led.path)


def test_wide_corners_are_left_alone() -> None:
    path = shapes.polygon((20, 20), 15, 3, 7.0)
    pixels = shapes.picture([path], (40.0, 40.0))
    traced = trace(path, pixels, 0.0)
    before = traced.fit.path.oriented()
    led = lead_tips(pixels, before, GREY, to_px=px_of, to_mm=to_mm, blur_px=0.7)
    assert led.path is before
    assert (led.notes, len(led.hidden_mm), led.doubt_mm) == ((), 0, 0.0)


@pytest.mark.parametrize("growth", [(0.2, 0.0), (0.0, 0.002), (0.05, 0.001)])
def test_the_end_of_a_width_is_found_within_what_is_stated(growth: tuple[float, float]) -> None:
    places = np.arange(-60.0, 80.0, 0.5)
    away = np.maximum(25.0 - places, 0.0)
    missed = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        disturbed = np.convolve(rng.normal(0, 0.15, len(places)), np.ones(4) / 2, mode="same")
        end = fit_end(places, growth[0] * away + growth[1] * away**2 + disturbed, 0.01 * places)
        assert end is not None
        assert end.doubt < 15.0
        missed += abs(end.place - 25.0) > 2 * end.doubt
        assert float(end.aside_at(np.array([20.0]))[0]) == pytest.approx(0.2, abs=1e-6)
    assert missed <= 1


def test_what_is_hardly_seen_has_no_end() -> None:
    places = np.arange(-20.0, 40.0, 0.5)
    assert fit_end(places, np.full(len(places), 0.01), np.zeros(len(places))) is None


def test_an_end_that_reads_otherwise_each_time_is_as_doubtful_as_that() -> None:
    one = End(place=40.0, doubt=1.0, growth=(0.1, 0.0), middle=np.zeros(2))
    far = with_spread([replace(one, place=52.0), replace(one, place=46.0), one])
    assert far.place == 40.0
    assert far.doubt == pytest.approx(np.hypot(1.0, 12.0 / np.sqrt(3)))
    assert with_spread([one, one]).doubt == 1.0


def test_the_error_at_a_led_point_is_its_own_doubt_and_not_what_its_arms_would_carry_it() -> None:
    """Two arms that hardly cross say nothing of where they end; a tenth of a millimetre beside them is many along."""
    _, led = result(2.0, 0.8, 0.01, 0)
    pixels = shapes.picture([thorn(2.0)], (60.0, 40.0), blur_px=0.8, noise=0.01, seed=0)
    style = LineStyle(kind="edge", line_width_px=0.0, colour_weights=GREY, blur_px=0.8)
    hidden = px_of(led.hidden_mm)
    carried = measure_outline(pixels, led.path, style, to_px=px_of, obscured_px=hidden)
    known = measure_outline(pixels, led.path, style, to_px=px_of, obscured_px=hidden, ends_mm=led.ends_mm)
    assert np.hypot(*(np.asarray(carried.where_max) - TIP)) < 1.0
    assert known.max_mm < 0.5 * carried.max_mm
    # What is said of the whole piece is still no less than how far its end is off.
    assert stated_fit(known, 0.0, led.doubt_mm).max_mm >= off_mm(led.path)


def test_how_far_apart_the_arms_are_keeps_an_end_from_what_disturbs_the_light() -> None:
    places = np.arange(-60.0, 80.0, 0.5)
    width, aside = 0.004 * np.maximum(25.0 - places, 0.0) ** 2, np.zeros(len(places))
    # The arms are seen apart from four pixels on, out of order along the outline as it may be.
    at = np.arange(-60.0, -6.6, 0.7)[::-1]
    arms = np.column_stack([at, 0.004 * (25.0 - at) ** 2])
    off: list[list[float]] = [[], []]
    for seed in range(12):
        rng = np.random.default_rng(seed)
        read = width + np.convolve(rng.normal(0, 0.3, len(places)), np.ones(8) / 3, mode="same")
        for which, known in enumerate((None, arms)):
            end = fit_end(places, read, aside, known)
            assert end is not None
            off[which].append(end.place - 25.0)
    alone, held = np.sqrt((np.array(off) ** 2).mean(axis=1))
    assert held < 0.85 * alone


def test_a_point_that_is_read_from_colours_may_have_lost_what_is_thinner_than_two_pixels(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # By its light alone: how its arms run together tells its end as well.
    monkeypatch.setattr(tips, "touching", lambda arms: None)
    end = End(place=40.0, doubt=1.0, growth=(0.02, 0.004), middle=np.zeros(2))
    assert float(end.width_at(np.array([40.0 - end.thinner_than(2.0)]))[0]) == pytest.approx(2.0)
    assert replace(end, growth=(0.1, 0.0)).thinner_than(2.0) == pytest.approx(20.0)
    before, _ = result(2.0, 0.8, 0.01, 0)
    grey = shapes.picture([thorn(2.0)], (60.0, 40.0), blur_px=0.8, noise=0.01, seed=0)
    pixels = np.repeat(grey[:, :, None], 3, axis=2)
    luma = np.arange(256) / 255.0
    colours = luma[:, None] * np.array([0.5, 0.3, 0.2])
    one, three = (lead_tips(pixels, before, c, to_px=px_of, to_mm=to_mm, blur_px=0.8) for c in (luma, colours))
    assert np.hypot(*(one.ends_mm[0] - three.ends_mm[0])) < 0.3
    assert three.doubt_mm > one.doubt_mm + 0.3


@pytest.mark.parametrize("bent", [True, False])
def test_only_arms_that_close_in_as_touching_ones_do_are_said_to_touch(bent: bool) -> None:
    at = np.linspace(-20.0, 0.0, 40)
    wide = 0.004 * (40.0 - at) ** 2 if bent else 0.3 * (15.0 - at)
    found = touching(np.column_stack([at, wide]))
    if not bent:
        assert found is None
        return
    assert found is not None
    assert found.place == pytest.approx(40.0)
    assert found.growth == pytest.approx(0.004)
    # Two edges that both lie 0.15 px too far out.
    wider = touching(np.column_stack([at, wide + 0.3]))
    assert wider is not None
    assert 0.5 < abs(wider.place - 40.0) < 2 * wider.doubt < 4.0


@pytest.mark.parametrize("at_px", [30.0, 38.0, 46.0])
def test_an_end_lies_where_the_arms_and_the_light_together_have_it(at_px: float) -> None:
    light = End(place=at_px, doubt=6.0, growth=(0.1, 0.0), middle=np.zeros(2))
    arms = Touching(place=40.0, doubt=1.2, growth=0.004)
    end = with_touching(light, arms)
    assert abs(end.place - 40.0) < 0.05 * abs(at_px - 40.0)
    assert end.doubt < 1.2
    assert float(end.width_at(np.array([end.place - 10.0]))[0]) == pytest.approx(0.4)


def test_an_end_that_is_seen_to_be_cut_off_stays_where_the_light_has_it() -> None:
    light = End(place=22.0, doubt=1.5, growth=(0.1, 0.0), middle=np.zeros(2))
    end = with_touching(light, Touching(place=40.0, doubt=1.2, growth=0.004))
    assert end.place == 22.0
    assert end.doubt == pytest.approx(np.hypot(1.5, 18.0 / np.sqrt(3)))


def test_light_that_loses_much_of_the_width_does_not_tell_where_touching_arms_end() -> None:
    """Over the last 15 px they are less apart than what it loses where they are seen."""
    light = End(place=22.0, doubt=1.5, growth=(0.1, 0.0), middle=np.zeros(2))
    arms = Touching(place=40.0, doubt=1.2, growth=0.004)
    end = with_touching(light, arms, missed_px=0.9)
    assert end.place == pytest.approx(40.0, abs=0.2)
    assert end.doubt == pytest.approx(1.2, abs=0.01)
    assert with_touching(light, arms, missed_px=0.1).place == 22.0


def test_what_light_loses_is_told_where_the_arms_are_still_seen_apart() -> None:
    back = np.arange(20.0, 0.0, -1.0)
    arms = np.column_stack([-back, 4.0 + 0.3 * back])
    places = np.arange(-40.0, 40.0, 0.5)
    width = np.maximum(4.0 - 0.3 * places, 0.0)
    assert missed_by_light(places, width, arms) == pytest.approx(0.0, abs=1e-9)
    # A shadow beside the end takes more of it the thinner it is.
    assert missed_by_light(places, width - np.clip((places + 20.0) / 20.0, 0.0, None), arms) == pytest.approx(
        0.75, abs=0.05
    )
    assert missed_by_light(places, width, arms - [80.0, 0.0]) == 0.0


def test_where_an_end_was_led_the_fit_of_its_arms_says_nothing_of_it() -> None:
    _, led = result(2.0)
    end = np.asarray(led.ends_mm)[0]
    assert led.reach_mm[0] > 2.0
    around = end - np.array([[0.0, 0.0], [0.9 * led.reach_mm[0], 0.0], [1.1 * led.reach_mm[0], 0.0]])
    assert led.led_at(MmPoints(around)).tolist() == [True, True, False]
    places = Leeway(points_mm=around, expanded_mm=np.array([5.0, 1.0, 0.1]))
    assert places.at(~led.led_at(MmPoints(around))).expanded_mm.tolist() == [0.1]


def test_a_point_that_was_filled_in_with_a_mat_line_is_not_read_where_it_was() -> None:
    """A line of two millimetres across the end was taken out, and the end with it; a piece beyond it is left."""
    path = thorn(2.0)
    ground = shapes.picture([], (60.0, 40.0), noise=0.01, seed=5)
    taken = shapes.picture([path], (60.0, 40.0), blur_px=0.8, noise=0.01, seed=5)
    first, last = (round((TIP[0] - away) / MM_PER_PX_300) for away in (3.0, 1.0))
    filled = taken.copy()
    filled[:, first:last] = ground[:, first:last]
    taken[:, first:last] = 40
    before, _ = result(2.0)
    to = {"to_px": px_of, "to_mm": to_mm, "blur_px": 0.8}
    led = lead_tips(filled, before, GREY, taken=taken, **to)
    assert np.hypot(*(np.asarray(led.ends_mm)[0] - TIP)) < 0.25
    assert off_mm(led.path) < led.doubt_mm < 0.6
    # As if all of it had been seen, the end is where the line begins.
    assert np.hypot(*(np.asarray(lead_tips(filled, before, GREY, **to).ends_mm)[0] - TIP)) > 2.0


def test_where_a_picture_was_laid_anew_is_told_from_noise() -> None:
    taken = np.full((20, 40, 3), 100, np.uint8)
    pixels = taken + np.random.default_rng(1).integers(0, 5, taken.shape).astype(np.uint8)
    pixels[:, 25:30] = 160
    points = np.column_stack([np.arange(40.0), np.full(40, 9.6)])
    assert np.flatnonzero(filled_in(pixels, taken, points)).tolist() == list(range(24, 31))
    assert not filled_in(taken, taken, points).any()


def test_a_line_of_the_mat_beside_an_end_tells_nothing_of_its_width() -> None:
    places = np.arange(-10.0, 40.0, 0.5)
    ground = np.where((places > 20.0) & (places < 26.0), 0.3, 0.8)
    odd = on_another(ground, places, 0.7)
    assert odd[(places > 17.0) & (places < 29.0)].all()
    assert not odd[(places < 15.0) | (places > 31.0)].any()


def test_a_point_whose_traced_end_is_blunt_is_led_to_its_end_all_the_same() -> None:
    # The true arms up to 4 mm from the end, closed by a roof of 45 degrees.
    pixels = shapes.picture([thorn(2.0)], (60.0, 40.0), blur_px=0.8, noise=0.01, seed=3)
    back = np.linspace(BACK_MM, 4.0, 60)
    half = HALF_MM * (back / BACK_MM) ** 2
    roof = TIP - [4.0 - half[-1] / np.tan(np.radians(22.5)), 0.0]
    top, bottom = (TIP - np.column_stack([back, sign * half]) for sign in (1.0, -1.0))
    blunt = Path.polygon(np.vstack([top, roof, bottom[::-1]])).oriented()
    led = lead_tips(pixels, blunt, GREY, to_px=px_of, to_mm=to_mm, blur_px=0.8)
    assert off_mm(blunt) > 3.0
    assert off_mm(led.path) < 1.0
    assert off_mm(led.path) < led.doubt_mm
