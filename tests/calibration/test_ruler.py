"""Rulers and tapes in scans and photos whose camera is known, and things that only look like rulers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera_fit import fit_camera
from calibration.errors import UnitError
from calibration.picture import Picture, PxPoints, Source
from calibration.references.reference import SearchPicture
from calibration.references.ruler import find
from calibration.references.ruler.graduation import rank
from calibration.references.ruler.rows import find_rows
from calibration.references.ruler.strip import Window, _steady
from calibration.references.ruler.ticks import _at_gaps, _joined, _Run, _sigma_of_bow
from fixtures import render, scenarios
from fixtures.geometry import rectangle
from fixtures.references import ruler
from fixtures.render import Rendered
from fixtures.scene import Scene, srgb

LENGTH = 0.001
"""The aim: 0.1 % along the ruler."""
TICK_PX = 0.1
"""A tick's place across all of them: 0.02 px from the profile, the rest from the picture's noise."""


def search(picture: Rendered, *, exif: bool = True) -> SearchPicture:
    return SearchPicture(
        picture=Picture(
            pixels=picture.pixels,
            source=Source(file="ruler.png", page=None, sha256=""),
            focal_px=picture.truth["picture"].get("focal_px") if exif and picture.focal_35mm else None,
        )
    )


def with_ruler(unit: str, *, seed: int = 1, **options: Any) -> Scene:
    return scenarios.build("reference", seed=seed, kind=f"ruler={unit}", paper="A4", pieces=2, **options)


def true_ticks(picture: Rendered) -> tuple[NDArray[np.float64], float]:
    """Places of all ticks along the graduated edge (px), and the step (mm)."""
    truth = next(r for r in picture.truth["references"] if r["kind"] == "ruler")
    first, last = np.asarray(truth["first_and_last_tick_mm"])
    share = np.linspace(0, 1, truth["ticks"])[:, None]
    return np.asarray(picture.camera.to_px(first + (last - first) * share)), float(truth["step_mm"])


def check(picture: Rendered, words: str) -> None:
    """One ruler of the right kind; ticks where they are, in one count; its length true to 0.1 %."""
    found = find(search(picture), None)
    assert [r.size for r in found] == [words]
    ref = found[0]
    ticks, step = true_ticks(picture)
    distance = np.linalg.norm(np.asarray(ref.points_px)[:, None] - ticks[None], axis=2)
    nearest = distance.argmin(axis=1)
    along = (ticks[-1] - ticks[0]) / np.linalg.norm(ticks[-1] - ticks[0])
    miss = (np.asarray(ref.points_px) - ticks[nearest]) @ along
    assert np.std(miss) < TICK_PX
    # The strip said to be the ruler's is as deep at both its ends, as far as perspective lets it be.
    near, far = np.asarray(ref.outline_px)[:2], np.asarray(ref.outline_px)[[3, 2]]
    deep = np.abs((far - near) @ np.array([-along[1], along[0]]))
    assert deep.max() < 1.25 * deep.min()
    numbers = np.rint(np.asarray(ref.points_mm)[:, 0] / step).astype(int)
    assert (np.abs(np.diff(nearest)) == np.abs(np.diff(numbers))).all(), "the count slipped"
    height, width = picture.pixels.shape[:2]
    fit = fit_camera(
        ref.points_px, ref.points_mm, ref.sigma_px, width_px=width, height_px=height,
        focal_px=search(picture).picture.focal_px, straights_px=ref.straights_px,
    )  # fmt: skip
    ends = ticks[[nearest.min(), nearest.max()]]
    length = float(np.linalg.norm(np.diff(np.asarray(fit.plane.to_mm(PxPoints(ends))), axis=0)))
    assert length == pytest.approx(step * np.ptp(nearest), rel=LENGTH)


@pytest.mark.parametrize("unit", ["mm", "1/16in", "1/8in"])
def test_a_scanned_ruler_tells_its_unit_and_its_length(unit: str) -> None:
    check(render.scan(with_ruler(unit, ground="wood"), dpi=130, rotation_deg=1.2), unit)


@pytest.mark.parametrize(
    ("unit", "look", "options"),
    [
        ("mm", {"tilt_deg": 14, "azimuth_deg": 70, "roll_deg": 96, "k1": -0.05}, {"ruler_style": "steel"}),
        ("1/16in", {"tilt_deg": 10, "azimuth_deg": 200, "roll_deg": 200, "k1": 0.05}, {"ruler_style": "black"}),
        ("1/8in", {"tilt_deg": 5, "roll_deg": 95}, {"upside_down": True, "ruler_style": "clear"}),
        ("mm", {"tilt_deg": 8, "azimuth_deg": 10}, {"covered": 0.3, "ruler_style": "tape"}),
    ],
)
def test_a_ruler_in_a_photo_is_read_whatever_its_turn_tilt_and_colour(
    unit: str, look: dict[str, float], options: dict[str, Any]
) -> None:
    check(render.photo(with_ruler(unit, seed=3, **options), width_px=2000, height_px=1500, **look), unit)


@pytest.mark.parametrize("down_px", range(0, 128, 16))
def test_a_ruler_is_found_wherever_it_lies_in_the_picture(down_px: int) -> None:
    scene = Scene(name="ruler", width_mm=120.0, height_mm=60.0, ground=srgb(238))
    ruler(scene, (6.0, 8.0 + 25.4 / 180 * down_px), unit="mm", length=100.0)
    check(render.scan(scene, dpi=180, seed=1), "mm")


def test_bold_figures_are_not_taken_for_the_ticks_beside_them() -> None:
    scene = Scene(name="ruler", width_mm=200.0, height_mm=60.0, ground=srgb(200))
    ruler(scene, (6.0, 10.0), unit="1/8in", length=7.0)
    for inch in range(1, 8):
        x = 11.0 + 25.4 * inch
        for left in (4.2, 2.6):
            scene.fill(rectangle(x - left, 16.0, 1.0, 3.4), srgb(20))
    check(render.scan(scene, dpi=300, seed=2, rotation_deg=1.0), "1/8in")


def test_ticks_far_apart_are_found_in_a_smaller_copy() -> None:
    scene = Scene(name="ruler", width_mm=130.0, height_mm=50.0, ground=srgb(200))
    ruler(scene, (6.0, 10.0), unit="1/8in", length=4.5)
    check(render.scan(scene, dpi=600, seed=2, rotation_deg=1.0), "1/8in")  # 75 px from tick to tick


def test_ticks_too_close_for_the_picture_are_not_guessed_at() -> None:
    picture = render.scan(with_ruler("mm", ground="wood"), dpi=60)  # 2.4 px from tick to tick
    assert find(search(picture), None) == []


def test_both_edges_of_a_ruler_are_found() -> None:
    picture = render.scan(with_ruler("mm", both_edges=True, ground="wood"), dpi=130)
    found = find(search(picture), None)
    assert [r.size for r in found] == ["mm", "mm"]
    middles = [np.asarray(r.points_px).mean(axis=0) for r in found]
    assert np.linalg.norm(middles[0] - middles[1]) > 100  # 30 mm at 5 px each


def test_a_named_division_sets_the_scale_and_nonsense_is_refused() -> None:
    picture = render.scan(with_ruler("1/8in", ground="wood"), dpi=130)
    named = find(search(picture), "1/16in")[0]
    seen = find(search(picture), None)[0]
    assert np.allclose(np.asarray(named.points_mm) * 2, np.asarray(seen.points_mm))
    with pytest.raises(UnitError, match="1/16in"):
        find(search(picture), "3in")


def drawn(*boxes: tuple[float, float, float, float]) -> Rendered:
    scene = Scene(name="boxes", width_mm=250, height_mm=120, ground=srgb(244))
    scene.fill([np.asarray([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]) for x, y, w, h in boxes], srgb(30))
    return render.scan(scene, dpi=150)


def test_hatching_dashes_and_a_barcode_are_no_rulers() -> None:
    rng = np.random.default_rng(4)
    hatching = [(20.0 + i, 20.0, 0.2, 12.0) for i in range(200)]
    dashes = [(20.0 + 4 * i, 20.0, 2.5, 0.4) for i in range(50)]
    bars = np.cumsum(rng.choice([0.6, 1.2, 1.8, 2.4], 90))
    barcode = [(20.0 + float(x), 20.0, float(rng.choice([0.3, 0.6, 0.9])), 20.0) for x in bars]
    uneven = [(20.0 + i, 20.0, 0.2, float(rng.uniform(3, 9))) for i in range(200)]
    for boxes in (hatching, dashes, barcode, uneven):
        assert find(search(drawn(*boxes)), None) == []


def ruled(rng: np.random.Generator, every_px: int, tall_px: int) -> NDArray[np.uint8]:
    """Return grainy paper with upright strokes 4 px wide in the middle."""
    grey = rng.normal(230, 2, (512, 1536))
    grey[256 - tall_px // 2 : 256 + tall_px // 2, np.arange(1536) % every_px < 4] -= 120
    return np.clip(grey, 0, 255).astype(np.uint8)


def test_a_row_is_sought_where_strokes_come_again_and_not_along_lone_lines() -> None:
    rng = np.random.default_rng(4)
    rows = find_rows(ruled(rng, every_px=9, tall_px=60))
    assert [row.period_px for row in rows] == [pytest.approx(9, rel=0.02)]
    assert find_rows(ruled(rng, every_px=256, tall_px=512)) == []


def test_periods_shorter_than_wanted_are_left_out() -> None:
    grey = ruled(np.random.default_rng(4), every_px=9, tall_px=60)
    assert find_rows(grey, 12.0) == []


def test_text_and_patterns_are_no_rulers() -> None:
    for name, options in (("hard", {"what": "text"}), ("hard", {"what": "dashed"})):
        assert find(search(render.scan(scenarios.build(name, seed=5, **options), dpi=110)), None) == []


def test_the_graduated_border_of_a_mat_is_no_ruler() -> None:
    """Its eighths show no quarters, and its inches are lines of the grid."""
    scene = scenarios.build("mat", seed=2, size_in=(18.0, 12.0), size=1.0, pieces=3)
    assert find(search(render.photo(scene, width_px=2000, height_px=1500, tilt_deg=6)), None) == []


@pytest.mark.parametrize("level", [0, 255])
def test_an_empty_picture_holds_no_ruler(level: int) -> None:
    pixels = np.full((400, 500), level, dtype=np.uint8)
    assert (
        find(SearchPicture(picture=Picture(pixels=pixels, source=Source(file="x", page=None, sha256=""))), None) == []
    )


def lengths_of(levels: dict[int, float], count: int, phase: int, noise: float = 0.03) -> NDArray[np.float64]:
    rng = np.random.default_rng(7)
    n = np.arange(count) + phase
    values = [next(v for k, v in sorted(levels.items(), reverse=True) if i % k == 0) for i in n]
    return np.asarray(values) + rng.normal(0, noise, count)


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ({10: 2.0, 5: 1.5, 1: 1.0}, "mm"),
        ({10: 1.6, 5: 1.6, 1: 1.0}, "mm"),
        ({16: 3.2, 8: 2.5, 4: 1.9, 2: 1.4, 1: 1.0}, "1/16in"),
        ({8: 2.5, 4: 1.9, 2: 1.4, 1: 1.0}, "1/8in"),
        ({32: 3.3, 16: 2.8, 8: 2.3, 4: 1.8, 2: 1.4, 1: 1.0}, "1/32in"),
    ],
)
def test_the_lengths_of_ticks_tell_the_division(levels: dict[int, float], words: str) -> None:
    for phase in (0, 3, 11):
        ranked = rank(np.arange(160), lengths_of(levels, 160, phase))
        assert ranked[0][1].words == words
        assert ranked[0][0] > 0.75


def test_eighths_or_sixteenths_that_hardly_differ_come_back_as_both() -> None:
    levels = {16: 2.7, 8: 2.5, 4: 1.9, 2: 1.4, 1: 1.0}
    ranked = rank(np.arange(64), lengths_of(levels, 64, 0, noise=0.05))
    best = [g.words for value, g in ranked if value == ranked[0][0]]
    assert set(best) == {"1/8in", "1/16in"}


def test_a_tape_partly_covered_still_tells_its_sixteenths() -> None:
    """A slip of paper leaves only the near ends of eight ticks; all others stand clear of each other in length."""
    levels = {16: 2.66, 8: 2.12, 4: 1.77, 2: 1.36, 1: 0.95}
    lengths = lengths_of(levels, 129, 0, noise=0.01)
    lengths[64:72] = np.minimum(lengths[64:72], 1.2)
    ranked = rank(np.arange(129), lengths)
    assert [g.words for _, g in ranked][:1] == ["1/16in"]
    assert ranked[0][0] > 0.75


def test_random_lengths_are_no_division() -> None:
    rng = np.random.default_rng(8)
    assert all(value < 0.5 for value, _ in rank(np.arange(150), rng.uniform(1, 3, 150)))


def test_an_edge_that_steps_is_less_sure_than_one_that_scatters() -> None:
    """A row of ticks seems to end elsewhere on dark wood than on paper: neighbours are off together."""
    rng = np.random.default_rng(41)
    s = np.linspace(0.0, 2800.0, 31)
    scattered = 0.003 * s + rng.normal(0, 0.15, 31)
    bowed = scattered + 6.0 * (s / 2800.0 - 0.5) ** 2
    stepped = scattered + np.where(s < 500.0, 1.5, 0.0)
    assert _sigma_of_bow(s, scattered) < 0.6
    assert _sigma_of_bow(s, bowed) == pytest.approx(_sigma_of_bow(s, scattered))
    weight = np.polynomial.polynomial.polyfit(2 * (s - 1400.0) / 2800.0, stepped, 2)[2]
    parabola = np.linalg.norm(np.linspace(-1, 1, 31) ** 2 - (np.linspace(-1, 1, 31) ** 2).mean())
    assert abs(weight) < 2.0 * _sigma_of_bow(s, stepped) / parabola, "the bow that the step makes is allowed for"


@pytest.mark.parametrize("wrong_by", [-1, 0, 1, 2])
def test_a_count_carried_wrongly_over_a_covered_stretch_is_put_right(wrong_by: int) -> None:
    """Ticks of a short ruler in perspective, twenty of them covered: the slopes on both sides must meet one curve."""
    rng = np.random.default_rng(42)
    numbers = np.concatenate([np.arange(38), np.arange(56, 89)])
    places = 11.1 * numbers / (1 - 0.0009 * numbers) + rng.normal(0, 0.03, len(numbers))
    counted = np.where(numbers > 40, numbers + wrong_by, numbers)
    run = _Run(numbers=counted, places=places, sigma=np.full(len(numbers), 0.03), clear=1.0)
    joined = _joined(_at_gaps(run))
    assert (joined.numbers == numbers).all()
    assert (joined.places == places).all()


def test_windows_half_over_what_lies_on_a_ruler_are_left_out() -> None:
    """The period changes along a row as perspective has it; half a window of ticks tells one 5 to 20 % off."""
    rng = np.random.default_rng(43)
    middles = np.arange(-942.0, 990.0, 96.0)
    periods = 9.6 * (1 - 3e-5 * middles) ** 2 * (1 + rng.normal(0, 0.003, len(middles)))
    half = {8: 8.9, 10: 8.7, 20: 7.5}
    for k, period in half.items():
        periods[k] = period
    windows = [
        Window(middle=m, frequency=1 / p, band=(-20.0, 20.0), lean=0.0, phase=0.0, strength=0.9)
        for m, p in zip(middles.tolist(), periods.tolist(), strict=True)
    ]
    assert [w.middle for w in _steady(windows)] == [m for k, m in enumerate(middles) if k not in half]
