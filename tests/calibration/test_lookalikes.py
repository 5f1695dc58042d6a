"""Things that look like a ruler or a card but may be none: they are asked about and set no scale (invented scenes)."""

from __future__ import annotations

import pytest

from calibration import CalibrateOptions, ScaleError, calibrate
from calibration.pipeline import look_through
from calibration.references import ReferenceRequest
from calibration.references.ruler import find
from fixtures import draw, render
from fixtures.draw import text
from fixtures.geometry import affine, polyline, rounded_rectangle
from fixtures.references import card, ruler
from fixtures.scene import Colour, Scene, srgb
from tests.calibration.test_ruler import search

DPI = 110
MM_PER_PX = 25.4 / DPI
TRUE = 0.002
"""Relative: a drawn row is measured as a ruler is."""


def strokes(longer: dict[int, float], *, words: bool = False) -> Scene:
    """Return a drawn row of strokes 2 mm apart of which every so many is longer."""
    scene = Scene(name="pleats", width_mm=210.0, height_mm=60.0, ground=srgb(240))
    lines = []
    for i in range(91):
        high = 3.0 * max([1.0, *(by for every, by in longer.items() if i % every == 0)])
        lines.append(polyline([[14 + 2 * i, 15], [14 + 2 * i, 15 + high]]))
    scene.stroke(lines, 0.3, srgb(40))
    if words:
        text(scene, "pleat every fifth line toward the front and baste", (100, 25), 4.0)
    return scene


@pytest.mark.parametrize(
    ("longer", "words"),
    [({5: 1.5}, False), ({5: 1.5, 10: 2.0}, False), ({5: 1.5, 10: 2.0}, True), ({2: 1.4, 4: 1.8, 8: 2.3}, False)],
)
def test_strokes_without_figures_are_asked_about(longer: dict[int, float], words: bool) -> None:
    picture = search(render.scan(strokes(longer, words=words), dpi=DPI)).picture
    with pytest.raises(ScaleError, match=r"no figures stand along it.*--reference ruler="):
        calibrate(picture, CalibrateOptions())
    named = calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="ruler", size="2mm")))
    assert named.mm_per_px == pytest.approx(MM_PER_PX, rel=TRUE)


@pytest.mark.parametrize(("unit", "style"), [("mm", "wood"), ("1/16in", "clear"), ("1/8in", "black"), ("mm", "tape")])
def test_a_ruler_is_known_by_its_figures(unit: str, style: str) -> None:
    scene = Scene(name="ruler", width_mm=180.0, height_mm=60.0, ground=srgb(150, 100, 60))
    ruler(scene, (8, 8), unit=unit, length=150 if unit == "mm" else 6, style=style, turn_deg=2)
    found = find(search(render.scan(scene, dpi=140, seed=2)), None)
    assert [(r.size, r.doubt) for r in found] == [(unit, "")]


def test_grain_of_wood_does_not_hide_the_figures() -> None:
    scene = Scene(name="ruler", width_mm=180.0, height_mm=60.0, ground=srgb(150, 100, 60))
    ruler(scene, (8, 8), unit="mm", length=150, style="wood")
    grain = [polyline([[9, 8 + y], [165, 8.3 + y]]) for y in (6.2, 8.7, 10.4, 13.1)]
    scene.stroke(grain, 0.4, srgb(120, 80, 45))
    found = find(search(render.scan(scene, dpi=140, seed=2)), None)
    assert [(r.size, r.doubt) for r in found] == [("mm", "")]


def test_figures_of_inches_may_stand_beside_their_ticks() -> None:
    scene = Scene(name="ruler", width_mm=180.0, height_mm=60.0, ground=srgb(240))
    lines = []
    for i in range(57):
        high = {0: 10.2, 4: 7.8, 2: 6.0, 6: 6.0}.get(i % 8, 4.5)
        x = 8 + 25.4 / 8 * i
        lines.append(polyline([[x, 15], [x, 15 + high]]))
        if i % 8 == 0 and i:
            text(scene, str(i // 8), (x - 1.9, 15 + high - 1.4), 3.4)
    scene.stroke(lines, 0.2, srgb(40))
    found = find(search(render.scan(scene, dpi=200, seed=2)), None)
    assert [(r.size, r.doubt) for r in found] == [("1/8in", "")]


def with_labels(count: int, size: float = 0.85, *, colours: tuple[Colour, ...] = (srgb(60, 110, 90),)) -> Scene:
    """Return labels rounded as a card is, each ``size`` times as large and of the next colour."""
    scene = Scene(name="labels", width_mm=210.0, height_mm=150.0, ground=srgb(240))
    for i in range(count):
        outline = rounded_rectangle(0, 0, 85.6 * size, 53.98 * size, 3.18 * size)
        label = outline.moved(affine(dx=10 + 100 * (i % 2), dy=12 + 66 * (i // 2), turn_deg=2 * i - 1))
        draw.scene_shadow(scene, label, (0.3, 0.4), 0.4, 0.5)
        scene.fill(label, colours[i % len(colours)])
    return scene


@pytest.mark.parametrize(("count", "colours"), [(2, 1), (3, 3)])
def test_labels_cut_alike_or_many_of_them_are_asked_about(count: int, colours: int) -> None:
    some = (srgb(60, 110, 90), srgb(160, 60, 60), srgb(40, 60, 130))[:colours]
    picture = search(render.scan(with_labels(count, colours=some), dpi=DPI)).picture
    looked = look_through(picture, CalibrateOptions())
    with pytest.raises(ScaleError, match=rf"{count} things of a card's shape.*all of one size.*--reference card"):
        calibrate(picture, CalibrateOptions(), looked=looked)
    named = calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="card")), looked=looked)
    assert named.mm_per_px == pytest.approx(MM_PER_PX / 0.85, rel=TRUE)


def test_two_cards_printed_differently_are_cards() -> None:
    picture = search(render.scan(with_labels(2, 1.0, colours=(srgb(60, 110, 90), srgb(160, 60, 60))), dpi=DPI)).picture
    sheet = calibrate(picture, CalibrateOptions())
    assert sheet.mm_per_px == pytest.approx(MM_PER_PX, rel=TRUE)
    assert [r.kind for r in sheet.others] == ["card"]


def test_a_card_and_a_label_of_another_size_are_asked_about() -> None:
    scene = with_labels(1, 0.75)
    card(scene, (110, 80))
    picture = search(render.scan(scene, dpi=DPI)).picture
    looked = look_through(picture, CalibrateOptions())
    with pytest.raises(ScaleError, match="not all of one size"):
        calibrate(picture, CalibrateOptions(), looked=looked)
    named = calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="card")), looked=looked)
    assert "references-disagree" in [f.code for f in named.findings]


def test_beside_a_ruler_labels_are_no_references() -> None:
    scene = with_labels(2)
    ruler(scene, (10, 100), unit="1/8in", length=7)
    sheet = calibrate(search(render.scan(scene, dpi=DPI)).picture, CalibrateOptions())
    assert sheet.mm_per_px == pytest.approx(MM_PER_PX, rel=TRUE)
    assert (sheet.reference.kind, sheet.others, sheet.findings) == ("ruler", (), ())


def test_a_ruler_is_taken_before_strokes_without_figures() -> None:
    scene = strokes({5: 1.5, 10: 2.0})
    ruler(scene, (8, 30), unit="1/8in", length=7)
    shot = search(render.scan(scene, dpi=DPI))
    assert [bool(r.doubt) for r in find(shot, None)] == [False, True]
    sheet = calibrate(shot.picture, CalibrateOptions())
    assert (sheet.reference.size, sheet.others) == ("1/8in", ())
    assert sheet.mm_per_px == pytest.approx(MM_PER_PX, rel=TRUE)
