"""A grid of dark lines is a mat's by what is printed at its border, not by how many cells it has (invented scenes)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from calibration import CalibrateOptions, ScaleError, calibrate
from calibration.references.mat import find
from calibration.references.mat.counted import figures_every
from calibration.references.mat.finder import _seen
from calibration.references.mat.pitch import Shape, plausible
from fixtures import render
from fixtures.geometry import affine, polyline, rectangle
from fixtures.references import mat
from fixtures.scene import Scene, srgb
from tests.calibration.test_mat import search

INK = srgb(64, 74, 88)
LOOK: dict[str, Any] = {"width_px": 1300, "height_px": 975, "tilt_deg": 6, "azimuth_deg": 40, "fill": 0.95, "seed": 3}


@pytest.mark.parametrize(("figures", "ticks", "sizes"), [(True, False, 1), (False, True, 1), (False, False, 2)])
def test_of_few_dark_lines_figures_or_ticks_tell_that_they_are_a_mats(figures: bool, ticks: bool, sizes: int) -> None:
    scene = Scene(name="grid", width_mm=490.0, height_mm=340.0, ground=srgb(150, 100, 60))
    mat(
        scene, (16, 16), size=(18, 12), body=srgb(214, 218, 212), ink=INK, numbers=figures, edge_ticks=ticks,
        diagonals=False, border_mm=12.0,
    )  # fmt: skip
    found = find(search(render.photo(scene, **LOOK)), None)
    assert min(len(found), 2) == sizes
    assert "1in" in [r.size for r in found]


@pytest.mark.parametrize(("size", "pitch", "figures", "every"), [
    ((18, 12), "1in", True, 1), ((18, 12), "1in", False, None), ((46, 31), "10mm", True, 5),
])  # fmt: skip
def test_every_how_many_lines_a_figure_stands_is_seen(
    size: tuple[int, int], pitch: str, figures: bool, every: int | None
) -> None:
    """The ticks of eighths of an inch, a table beside the mat and cards on its border are no figures."""
    scene = Scene(name="grid", width_mm=490.0, height_mm=340.0, ground=srgb(190, 160, 120))
    mat(scene, (16, 16), size=size, pitch=pitch, heavy_every=4, numbers=figures, border_mm=12.0)
    scene.fill(rectangle(60, 4, 70, 90), srgb(230, 224, 210))
    seen = _seen(search(render.photo(scene, **LOOK)))
    assert seen is not None
    assert figures_every(*seen) == every


def test_lines_that_go_on_out_of_the_picture_are_no_figures() -> None:
    """Of quarter inches, every inch heavier, without a border in view, nothing but the lines stands at their ends."""
    scene = Scene(name="grid", width_mm=490.0, height_mm=340.0, ground=srgb(190, 160, 120))
    mat(scene, (16, 16), size=(18, 12), pitch="1in", heavy_every=4, numbers=False)
    scene.fill(rectangle(150, 120, 130, 90), srgb(230, 224, 210))
    seen = _seen(search(render.photo(scene, **(LOOK | {"fill": 1.5, "tilt_deg": 12, "roll_deg": 9}))))
    assert seen is not None
    assert figures_every(*seen) is None


def test_lines_drawn_over_a_sheet_and_the_table_beside_it_set_no_scale() -> None:
    """Where the sheet ends under the grid's border it gets darker beyond some ends of lines: that is no figure."""
    step, count = 35.0, 9
    scene = Scene(name="quilt", width_mm=440.0, height_mm=330.0, ground=srgb(150, 100, 60))
    scene.fill(rectangle(20, 20, 400, 290), srgb(238, 234, 222))
    turned = affine(dx=220, dy=165, turn_deg=44)
    places, reach = np.arange(-count, count + 1) * step / 2, count * step / 2
    lines = [polyline([[at, -reach], [at, reach]]) for at in places]
    lines += [polyline([[-reach, at], [reach, at]]) for at in places]
    scene.stroke([line.moved(turned) for line in lines], 0.5, INK)
    picture = search(render.photo(scene, **LOOK)).picture
    with pytest.raises(ScaleError, match=r"say which, like --reference mat="):
        calibrate(picture, CalibrateOptions())


@pytest.mark.parametrize(
    ("cells", "marked", "known"),
    [((18, 18), True, True), ((18, 18), False, False), ((24, 18), False, False), ((36, 24), False, True)],
)
def test_how_many_cells_there_are_counts_for_little_where_nothing_is_printed_at_the_border(
    cells: tuple[int, int], marked: bool, known: bool
) -> None:
    """A grid of 36 x 24 is hardly there by chance."""
    shape = Shape(
        cells=cells, closed=(True, True), heavier_every=1, divided_by=1, distance_cells=None, light_on_dark=False,
        marked=marked,
    )  # fmt: skip
    assert (len(plausible(shape)) == 1) == known
