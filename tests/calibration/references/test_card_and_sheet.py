"""Cards and sheets of paper lying on a ground."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration import ScaleError
from calibration.light import SRGB_TO_LINEAR
from calibration.references import SearchPicture, card
from calibration.references import sheet as paper
from fixtures import render
from fixtures.geometry import rectangle, rounded_rectangle
from fixtures.references import card as draw_card
from fixtures.references import sheet as draw_sheet
from fixtures.scene import Colour, Scene, srgb
from tests.calibration.scenes import PAPER, paper_scene, picture_of, scanned

CARD_EDGE_MM = 0.1
"""The soft shadow of the drawn card moves an edge by up to 0.1 mm at 150 dpi (0.17 mm a pixel)."""


@pytest.mark.parametrize("colour", [srgb(40, 78, 130), srgb(222, 190, 130), srgb(20), srgb(150, 60, 60)])
@pytest.mark.parametrize("turn", [0.0, 28.0])
def test_card_is_found_on_paper_whatever_its_colour(colour: Colour, turn: float) -> None:
    scene = paper_scene(150, 130)
    draw_card(scene, (50, 25), colour=colour, turn_deg=turn)
    rendered = scanned(scene, dpi=150)
    found = card.find(SearchPicture(picture=picture_of(rendered)), None)
    assert len(found) == 1
    true = rendered.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    off = np.hypot(*(np.asarray(found[0].points_px)[:, None] - true[None]).transpose(2, 0, 1)).min(axis=1)
    assert off.max() * 25.4 / 150 < CARD_EDGE_MM


def test_white_card_is_found_on_a_dark_table() -> None:
    scene = Scene(name="dark", width_mm=150, height_mm=110, ground=srgb(60, 50, 40))
    scene.fill(rounded_rectangle(30, 25, 85.6, 53.98, 3.18), srgb(240))
    rendered = scanned(scene, dpi=150, rotation_deg=3)
    found = card.find(SearchPicture(picture=picture_of(rendered)), None)
    assert len(found) == 1


WHITE_CARD_EDGE_MM = 0.3
"""A card four codes lighter than the paper: noise, and the shade that reaches beyond its lit sides."""


def white_on_white(width_mm: float, height_mm: float, *, turn_deg: float) -> Scene:
    """Return a card about as light as the paper that it lies on, two sides of it beside a thin shade."""
    scene = paper_scene(width_mm, height_mm)
    draw_card(scene, (0.3 * width_mm, 0.2 * height_mm), colour=srgb(240, 240, 236), turn_deg=turn_deg)
    return scene


@pytest.mark.parametrize("light", ["even", "shadow", "faded"])
def test_white_card_is_found_on_white_paper(light: str) -> None:
    scene = white_on_white(150, 130, turn_deg=5.0)
    rendered = scanned(scene, dpi=150, noise=0.008)
    linear = SRGB_TO_LINEAR[rendered.pixels]
    if light == "shadow":
        linear = linear * np.linspace(1.0, 0.5, rendered.pixels.shape[1])[None, :, None] ** 2
    elif light == "faded":
        linear = 0.3 + 0.4 * linear
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)
    rendered = replace(rendered, pixels=np.clip(255 * coded + 0.5, 0, 255).astype(np.uint8))
    found = card.find(SearchPicture(picture=picture_of(rendered)), None)
    assert len(found) == 1
    true = rendered.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    off = np.hypot(*(np.asarray(found[0].points_px)[:, None] - true[None]).transpose(2, 0, 1)).min(axis=1)
    assert off.max() * 25.4 / 150 < WHITE_CARD_EDGE_MM


@pytest.mark.parametrize("focal_known", [True, False])
def test_white_card_is_found_in_a_corner_of_a_tilted_photo(focal_known: bool) -> None:
    scene = white_on_white(330, 240, turn_deg=20.0)
    made = render.photo(
        scene, width_px=1800, height_px=1350, tilt_deg=17.0, azimuth_deg=30.0, exif_focal=focal_known, seed=3
    )
    found = card.find(SearchPicture(picture=picture_of(made)), None)
    assert len(found) == 1
    true = made.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    off = np.hypot(*(np.asarray(found[0].points_px)[:, None] - true[None]).transpose(2, 0, 1)).min(axis=1)
    assert off.max() * made.camera.mm_per_px() < WHITE_CARD_EDGE_MM


@pytest.mark.parametrize("azimuth", [0.0, 45.0, 90.0, 135.0])
def test_tilted_playing_card_is_no_card_of_id1_size(azimuth: float) -> None:
    # 88 x 63 mm with corners of 3.2 mm (from memory): a tilt can give it an ID-1 card's proportions on the screen.
    scene = paper_scene(330, 240)
    scene.fill(rounded_rectangle(40, 30, 88.0, 63.0, 3.2), srgb(150, 60, 60))
    made = render.photo(scene, width_px=1600, height_px=1200, tilt_deg=17.0, azimuth_deg=azimuth, seed=4)
    assert card.find(SearchPicture(picture=picture_of(made)), None) == []


@pytest.mark.parametrize("size", [(85.0, 55.0), (88.9, 57.15)], ids=["calling card", "bridge card"])
@pytest.mark.parametrize("k1", [-0.03, 0.03])
def test_a_card_of_nearly_the_size_is_told_by_what_tilt_and_lens_would_do_besides(
    size: tuple[float, float], k1: float
) -> None:
    scene = paper_scene(330, 240)
    scene.fill(rounded_rectangle(40, 30, *size, 3.2), srgb(150, 60, 60))
    made = render.photo(scene, width_px=1600, height_px=1200, tilt_deg=4.0, azimuth_deg=60.0, k1=k1, seed=4)
    assert card.find(SearchPicture(picture=picture_of(made)), None) == []


@pytest.mark.parametrize(
    "outline",
    [
        rectangle(30, 25, 85.6, 53.98),
        rounded_rectangle(30, 25, 85.6, 66.0, 3.18),
        rounded_rectangle(30, 25, 85.6, 54, 9.0),
        rounded_rectangle(30, 25, 85.0, 55.0, 3.2),
        rounded_rectangle(30, 25, 88.9, 57.15, 3.2),
    ],
    ids=["sharp corners", "other proportions", "round corners", "calling card", "bridge card"],
)
def test_other_rectangles_are_no_card(outline: object) -> None:
    scene = paper_scene(150, 110)
    scene.fill(outline, srgb(40, 78, 130))  # type: ignore[arg-type]
    rendered = scanned(scene, dpi=150, rotation_deg=1)
    assert card.find(SearchPicture(picture=picture_of(rendered)), None) == []


def table_with_sheet(name: str, *, landscape: bool = False) -> Scene:
    w, h = paper.SHEETS_MM[name]
    w, h = (h, w) if landscape else (w, h)
    scene = Scene(name="table", width_mm=w + 30, height_mm=h + 30, ground=srgb(120, 90, 60))
    draw_sheet(scene, name, (15, 15), landscape=landscape)
    return scene


@pytest.mark.parametrize(("name", "landscape"), [("A5", False), ("A4", True), ("Letter", False)])
def test_sheet_is_found_and_named_by_a_believable_density(name: str, landscape: bool) -> None:
    scene = table_with_sheet(name, landscape=landscape)
    rendered = scanned(scene, dpi=75.5, rotation_deg=1.5)
    found = paper.find(SearchPicture(picture=picture_of(rendered)), None)
    assert [r.size for r in found] == [name]
    true = rendered.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    off = np.hypot(*(np.asarray(found[0].points_px)[:, None] - true[None]).transpose(2, 0, 1)).min(axis=1)
    assert off.max() < 0.25


def test_bowed_sides_of_a_sheet_are_followed_in_a_photo() -> None:
    scene = table_with_sheet("A4")
    rendered = render.photo(
        scene, width_px=1200, height_px=900, tilt_deg=12, azimuth_deg=40, roll_deg=90, k1=-0.06, seed=2, supersample=2
    )
    found = paper.find_sheets(SearchPicture(picture=picture_of(rendered)))
    true = rendered.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    off = np.hypot(*(np.asarray(found[0].quad.corners_px)[:, None] - true[None]).transpose(2, 0, 1)).min(axis=1)
    assert off.max() < 0.3


def test_no_sheet_on_blank_paper_nor_where_its_edges_are_out_of_view() -> None:
    rendered = scanned(paper_scene(200, 150), dpi=100)
    assert paper.find_sheets(SearchPicture(picture=picture_of(rendered))) == []
    scene = Scene(name="cut off", width_mm=180, height_mm=200, ground=srgb(120, 90, 60))
    scene.fill(rectangle(20, 20, 210, 297), PAPER)
    rendered = scanned(scene, dpi=100)
    assert paper.find_sheets(SearchPicture(picture=picture_of(rendered))) == []


def test_a_size_that_is_no_paper_size_is_refused_with_the_names_there_are() -> None:
    with pytest.raises(ScaleError, match="A4"):
        paper.named_size_mm("foolscap")
    assert paper.named_size_mm("210x297mm") == (210.0, 297.0)
