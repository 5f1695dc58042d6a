"""The printed test square: found, measured, told from other squares."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from calibration import CalibrateOptions, CalibrationError, ReferenceRequest, ScaleError, UnitError, calibrate
from calibration.references import SearchPicture
from calibration.references import square as squares
from calibration.references.quad import side_lengths
from fixtures import render, scenarios
from fixtures.geometry import polyline, rectangle
from fixtures.references import square as draw_square
from fixtures.scene import Scene
from tests.bench import decoys
from tests.calibration.scenes import INK, PAPER, paper_scene, picture_of, scanned

CORNER_PX = 0.05
"""0.05 px on both ends of a 1 in square at 200 dpi is 0.035 % of its side."""


def corner_errors(scene: Scene, *, dpi: float = 200.0, **options: object) -> tuple[SearchPicture, list[float]]:
    """Greatest distance of the found corners from the true ones, for each figure found."""
    rendered = scanned(scene, dpi=dpi, **options)
    search = SearchPicture(picture=picture_of(rendered))
    true = rendered.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    out = []
    for found in squares.find_squares(search):
        corners = np.asarray(found.quad.corners_px)
        out.append(float(np.hypot(*(corners[:, None] - true[None]).transpose(2, 0, 1)).min(axis=1).max()))
    return search, out


@pytest.mark.parametrize(
    ("turn", "line_mm"), [(0.0, 0.2), (0.0, 1.0), (2.0, 0.35), (-31.0, 0.35), (45.0, 0.2), (45.0, 1.0)]
)
def test_square_is_found_at_any_turn_and_line_width(turn: float, line_mm: float) -> None:
    scene = paper_scene()
    draw_square(scene, (40, 20), "1in", line_mm=line_mm, turn_deg=turn)
    _, errors = corner_errors(scene)
    assert len(errors) == 1
    assert errors[0] < CORNER_PX


@pytest.mark.parametrize(("radius_mm", "turn_deg"), [(3.0, 0.0), (4.0, 40.0), (8.0, 12.0)])
def test_a_square_template_with_rounded_corners_is_no_test_square(radius_mm: float, turn_deg: float) -> None:
    scene = paper_scene()
    half, turn = 24.4 - radius_mm, np.radians(turn_deg)
    arc = np.radians(np.arange(0.0, 91.0, 3.0))
    ring = [
        (half * np.array([np.cos(q), np.sin(q)]) * np.sqrt(2.0))
        + radius_mm * np.column_stack([np.cos(q - np.pi / 4 + arc), np.sin(q - np.pi / 4 + arc)])
        for q in np.radians([45.0, 135.0, 225.0, 315.0])
    ]
    points = np.concatenate(ring) @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    points = points + np.array([62.0, 45.0])
    scene.stroke(polyline([*map(tuple, points), tuple(points[0])]), 0.4, INK)
    search = SearchPicture(picture=picture_of(scanned(scene, dpi=200.0)))
    assert squares.find_squares(search) == []


def test_solid_square_counts_between_its_edges() -> None:
    scene = paper_scene()
    scene.fill(rectangle(30, 25, 25.4, 25.4), INK)
    scene.references.append({"corners_mm": [[30, 25], [55.4, 25], [55.4, 50.4], [30, 50.4]]})
    _, errors = corner_errors(scene, rotation_deg=1.5)
    assert len(errors) == 1
    assert errors[0] < CORNER_PX


def test_thick_frame_counts_between_the_middles_of_its_lines() -> None:
    scene = paper_scene()
    draw_square(scene, (30, 20), "50mm", line_mm=3.0)
    _, errors = corner_errors(scene, rotation_deg=-2.0)
    assert len(errors) == 1
    assert errors[0] < CORNER_PX


def test_ticks_and_a_cross_at_the_lines_do_not_disturb() -> None:
    scene = paper_scene()
    draw_square(scene, (30, 20), "1in", caption_inside=False)
    for x, y, dx, dy in ((30, 20, -3, 0), (55.4, 20, 0, -3), (42.7, 45.4, 0, 2), (30, 32.7, -2, 0)):
        scene.stroke(polyline([(x, y), (x + dx, y + dy)]), 0.35, INK)
    _, errors = corner_errors(scene, rotation_deg=1.0)
    assert len(errors) == 1
    assert errors[0] < CORNER_PX


def test_one_square_in_another_tells_both_sizes_by_their_ratio() -> None:
    scene = paper_scene()
    draw_square(scene, (25, 15), "1in", caption="")
    scene.stroke(rectangle(25 - 7.3, 15 - 7.3, 40, 40), 0.35, INK)
    rendered = scanned(scene, rotation_deg=1.0, tag_dpi=None)
    found = squares.find(SearchPicture(picture=picture_of(rendered)), None)
    assert sorted(r.size for r in found) == ["1in", "4cm"]
    for reference in found:
        side_px = float(np.hypot(*(reference.points_px[1] - reference.points_px[0])))
        assert side_px * 25.4 / 200 == pytest.approx(squares.side_mm(reference.size), rel=0.001)


def test_one_square_in_another_tells_both_sizes_in_a_tilted_photo_too() -> None:
    scene = paper_scene(140, 100)
    draw_square(scene, (65, 35), "1in", caption="")
    scene.stroke(rectangle(65 - 7.3, 35 - 7.3, 40, 40), 0.35, INK)
    made = render.photo(scene, width_px=1600, height_px=1200, tilt_deg=14.0, azimuth_deg=40.0, seed=2)
    found = squares.find(SearchPicture(picture=picture_of(made)), None)
    assert sorted(r.size for r in found) == ["1in", "4cm"]


@pytest.mark.parametrize("azimuth_deg", [45.0, 225.0])
def test_a_square_in_the_corner_of_a_much_tilted_photo_is_found(azimuth_deg: float) -> None:
    """Its sides differ by a fifth there, but not as it lies in the world."""
    scene = paper_scene(270, 200)
    draw_square(scene, (12, 10), "50mm")
    made = render.photo(scene, width_px=1600, height_px=1200, tilt_deg=20.0, azimuth_deg=azimuth_deg, seed=2)
    true = made.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    found = squares.find_squares(SearchPicture(picture=picture_of(made)))
    sides = np.hypot(*(np.roll(true, -1, axis=0) - true).T)
    assert sides.max() > 1.15 * sides.min()
    assert len(found) == 1
    assert np.abs(np.asarray(found[0].quad.corners_px).mean(axis=0) - true.mean(axis=0)).max() < 1.0


@pytest.mark.parametrize("how", ["scan", "photo"])
def test_a_rectangle_that_is_no_square_is_none_for_its_tilt_either(how: str) -> None:
    scene = paper_scene(270, 200)
    scene.stroke(rectangle(20, 20, 50, 58.5), 0.35, INK)
    if how == "scan":
        made = scanned(scene, dpi=100)
    else:
        made = render.photo(scene, width_px=1600, height_px=1200, tilt_deg=6.0, azimuth_deg=45.0, seed=2)
    assert squares.find_squares(SearchPicture(picture=picture_of(made))) == []


@pytest.mark.parametrize("seed", [501, 502])
def test_patches_side_by_side_in_a_tilted_photo_have_no_size(seed: int) -> None:
    # 38.1, 44 and 57 mm: as seen, two of them had the ratio of two usual sizes by chance.
    made = decoys.picture("patches", "photo", seed)
    found = squares.find_squares(SearchPicture(picture=picture_of(made)))
    assert len(found) == 3
    assert squares.pair_by_ratio(found) == []


@pytest.mark.parametrize(
    ("sides", "sizes"),
    [
        ([38.1, 63.5], []),  # 1 1/2 and 2 1/2 in, as 3 to 5 cm
        ([38.1, 63.5, 44.0], []),
        ([25.4, 40.0], ["4cm", "1in"]),
        ([25.4, 40.0, 44.0], []),
        ([30.0, 50.0], []),  # what patches of 1 1/2 and 2 1/2 in look like too
    ],
)
def test_squares_side_by_side_have_sizes_only_as_one_in_inches_and_one_in_centimetres(
    sides: list[float], sizes: list[str]
) -> None:
    scene = paper_scene(190, 80)
    for x, side in zip((8, 50, 118), sides, strict=False):
        scene.stroke(rectangle(x, 10, side, side), 0.35, INK)
    search = SearchPicture(picture=picture_of(scanned(scene, tag_dpi=None)))
    found = squares.find(search, None)
    assert [r.size for r in found] == sizes


def test_table_cells_codes_frames_with_lines_inside_and_ovals_are_no_test_square() -> None:
    scene = paper_scene(140, 90)
    for i in range(4):
        scene.stroke(polyline([(10 + 12 * i, 10), (10 + 12 * i, 46)]), 0.3, INK)
        scene.stroke(polyline([(10, 10 + 12 * i), (46, 10 + 12 * i)]), 0.3, INK)
    rng = np.random.default_rng(3)
    for i, j in np.argwhere(rng.random((21, 21)) < 0.5):
        scene.fill(rectangle(60 + 1.2 * i, 12 + 1.2 * j, 1.2, 1.2), INK)
    for x, y in ((60, 12), (76.8, 12), (60, 28.8)):
        scene.fill(rectangle(x, y, 8.4, 8.4), PAPER)
        scene.fill(rectangle(x, y, 8.4, 8.4), INK)
        scene.fill(rectangle(x + 1.2, y + 1.2, 6.0, 6.0), PAPER)
        scene.fill(rectangle(x + 2.4, y + 2.4, 3.6, 3.6), INK)
    scene.stroke(rectangle(10, 55, 40, 26), 0.4, INK)
    scene.stroke(rectangle(100, 12, 30, 30), 0.4, INK)
    scene.stroke(rectangle(103, 15, 24, 24), 0.3, INK, dash_mm=(3, 2))
    rendered = scanned(scene, rotation_deg=0.7, dpi=200)
    found = squares.find_squares(SearchPicture(picture=picture_of(rendered)))
    assert [f.side_px for f in found] == []


CROSSED = {
    "aslant": [((10, 30), (95, 52))],
    "beside its sides": [((5, 40), (95, 40.5))],
    "through a corner's side": [((34, 5), (32, 75))],
    "two of them": [((10, 30), (95, 52)), ((60, 5), (45, 76))],
}


def crossed_scene(lines: list[tuple[tuple[float, float], tuple[float, float]]]) -> Scene:
    scene = paper_scene()
    draw_square(scene, (28, 14), "50mm", turn_deg=1.0)
    for line in lines:
        scene.stroke(polyline(line), 0.4, INK)
    return scene


@pytest.mark.parametrize("way", list(CROSSED))
def test_a_square_that_lines_run_across_is_found_for_whoever_says_so(way: str) -> None:
    scene = crossed_scene(CROSSED[way])
    made = scanned(scene, dpi=150, rotation_deg=0.8, tag_dpi=None)
    search = SearchPicture(picture=picture_of(made))
    whole = squares.find_squares(search)
    found = squares.sized(search, [*whole, *squares.find_crossed_squares(search, whole)], "50mm")
    true = made.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    off = np.asarray(found[0].points_px)[:, None] - true[None]
    assert np.hypot(*off.transpose(2, 0, 1)).min(axis=1).max() < 2 * CORNER_PX


@pytest.mark.parametrize(("share", "count"), [(0.2, 1), (0.6, 0)])
def test_a_fold_through_a_square_divides_it_less_than_a_line_that_is_drawn(share: float, count: int) -> None:
    scene = paper_scene()
    draw_square(scene, (28, 14), "50mm", caption_inside=False)
    # Faint where it meets the sides, so that it does not seem to run on beyond them.
    colour = tuple(p + share * (i - p) for p, i in zip(PAPER, INK, strict=True))
    scene.stroke(polyline([(29.0, 27.0), (77.0, 27.0)]), 0.5, colour)
    _, errors = corner_errors(scene)
    assert len(errors) == count


def test_a_crossed_square_is_asked_about_and_sets_the_scale_once_its_size_is_said() -> None:
    picture = picture_of(scanned(crossed_scene(CROSSED["aslant"]), dpi=150, tag_dpi=None))
    with pytest.raises(ScaleError, match="printed square 295 px wide was found"):
        calibrate(picture, CalibrateOptions())
    sheet = calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm")))
    assert sheet.mm_per_px == pytest.approx(25.4 / 150, rel=1e-3)


@pytest.mark.parametrize("name", ["table", "quilting", "squared", "tiles"])
def test_grids_hold_no_crossed_squares(name: str) -> None:
    search = SearchPicture(picture=picture_of(decoys.picture(name, "scan", 4)))
    assert squares.find_crossed_squares(search, squares.find_squares(search)) == []


@pytest.mark.parametrize("size", ["50mm", "1in"])
@pytest.mark.parametrize("apart", [True, False])
def test_of_two_squares_the_one_is_taken_by_which_the_other_has_a_usual_size(size: str, apart: bool) -> None:
    scene = paper_scene(150, 100)
    draw_square(scene, (15, 15), "50mm", caption="")
    draw_square(scene, (90, 30) if apart else (19, 19), "1in", caption="")
    made = render.photo(scene, width_px=1600, height_px=1200, tilt_deg=9.0, azimuth_deg=70.0, seed=3)
    picture = picture_of(made)
    sheet = calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="square", size=size)))
    true = made.camera.mm_per_px()
    assert sheet.mm_per_px == pytest.approx(true, rel=0.02)
    assert "other-square" not in [f.code for f in sheet.findings]


def test_squares_of_which_each_may_be_the_named_one_are_pointed_out() -> None:
    """1 and 2 in are as 2 and 4 in: the larger one is taken, unless it is said where the square is that is meant."""
    scene = paper_scene(150, 80)
    draw_square(scene, (10, 12), "2in", caption="")
    draw_square(scene, (95, 25), "1in", caption="")
    made = scanned(scene, dpi=150, tag_dpi=None)
    picture, smaller = picture_of(made), made.camera.to_px(np.array(scene.references[1]["corners_mm"]))
    two_inches = ReferenceRequest(kind="square", size="2in")
    for size, square_px, mm_per_px, doubtful in (
        ("2in", None, 25.4 / 150, True),
        ("1in", None, 25.4 / 150, False),
        ("2in", smaller + 3.0, 50.8 / 150, False),
    ):
        options = CalibrateOptions(request=replace(two_inches, size=size), square_px=square_px)
        sheet = calibrate(picture, options)
        assert sheet.mm_per_px == pytest.approx(mm_per_px, rel=1e-3)
        assert ("other-square" in [f.code for f in sheet.findings]) == doubtful


def test_a_second_square_of_no_usual_size_that_looks_as_much_like_one_is_pointed_out() -> None:
    scene = paper_scene(150, 100)
    scene.stroke(rectangle(10, 20, 50, 50), 0.35, INK)
    scene.stroke(rectangle(85, 25, 33.3, 33.3), 0.35, INK)
    picture = picture_of(scanned(scene, dpi=150, tag_dpi=None))
    sheet = calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm")))
    assert "other-square" in [f.code for f in sheet.findings]


@pytest.mark.parametrize(("seed", "turn"), [(0, 2.0), (1, -0.7)])
def test_square_piece_of_a_quilt_is_left_alone(seed: int, turn: float) -> None:
    scene = scenarios.build("quilting", seed=seed)
    rendered = scanned(scene, dpi=130.0, rotation_deg=turn, seed=seed, supersample=1, margin_mm=5.0)
    found = squares.find(SearchPicture(picture=picture_of(rendered)), None)
    assert [r.size for r in found] == ["1in"]


def test_size_follows_from_a_believable_density_and_from_nothing_else() -> None:
    scene = paper_scene()
    draw_square(scene, (20, 12), "50mm")
    rendered = scanned(scene)
    assert [r.size for r in squares.find(SearchPicture(picture=picture_of(rendered)), None)] == ["5cm"]
    for wrong in (72.0, 96.0, 321.0):
        assert squares.find(SearchPicture(picture=picture_of(rendered, density=wrong)), None) == []


@pytest.mark.parametrize("words", ["25.4mm", "1in", "1 in", "2.54cm", '1"'])
def test_one_inch_written_in_any_way_is_the_same(words: str) -> None:
    assert squares.side_mm(words) == pytest.approx(25.4, abs=1e-12)


@pytest.mark.parametrize("words", ["one inch", "0in", "-2cm", "1 furlong", ""])
def test_nonsense_sizes_are_refused_with_a_good_example(words: str) -> None:
    with pytest.raises((ScaleError, UnitError), match=r"25\.4mm|square=1in") as caught:
        squares.side_mm(words)
    assert isinstance(caught.value, CalibrationError)


def test_turning_the_picture_changes_nothing_in_its_size() -> None:
    scene = paper_scene()
    draw_square(scene, (30, 20), "1in", turn_deg=0.0, caption="")
    sides = []
    rendered = scanned(scene, rotation_deg=4.0)
    for k in range(4):
        pixels = np.ascontiguousarray(np.rot90(rendered.pixels, k))
        turned = SearchPicture(picture=picture_of(type(rendered)(pixels=pixels, truth=rendered.truth, tag_dpi=200.0)))
        sides.append(squares.find_squares(turned)[0].side_px)
    assert np.ptp(sides) < 0.01


def test_a_frame_that_is_a_square_only_when_seen_steeply_is_not_the_named_one() -> None:
    """Corners of a 50 mm square and of a frame of 150 x 133 mm, nothing square about it, as a phone saw them."""
    seen = (
        ([[1131.0, 757.1], [1785.0, 783.6], [1743.0, 1354.3], [1099.9, 1299.1]], 0.97),
        ([[853.4, 619.7], [1065.1, 630.4], [1053.7, 842.9], [842.8, 831.0]], 0.07),
    )
    figures: list[Any] = [
        SimpleNamespace(
            quad=SimpleNamespace(corners_px=np.array(corners)),
            side_px=float(side_lengths(np.array(corners)).mean()),
            score=score,
        )
        for corners, score in seen
    ]
    for some in (figures, figures[::-1]):
        assert squares.choose(some, 50.0, None)[0] is figures[1]
