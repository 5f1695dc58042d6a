"""The grid of a cutting mat in photos whose camera is known (the renderer shares no code with the package)."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import CalibrateOptions, ScaleError, calibrate, parse_request
from calibration.camera import PlaneMap
from calibration.camera_fit import fit_camera
from calibration.picture import Picture, PxPoints, Source
from calibration.references.mat import find, finder, grow
from calibration.references.mat.finder import has_lines
from calibration.references.mat.grow import GridPicture
from calibration.references.mat.pitch import AMBIGUOUS, Shape, _explained, evidence, plausible
from calibration.references.reference import Reference, SearchPicture
from fixtures import render, scenarios
from fixtures.geometry import rectangle
from fixtures.references import grid_points
from fixtures.render import Rendered
from fixtures.scene import Scene, srgb
from tests.bench.hard_references import picture as hard_picture

WIDTH, HEIGHT = 1600, 1200
P95_MM, WORST_MM, SCALE = 0.1, 0.3, 0.0003
"""The goal at 12 megapixels, held here at a sixth of the pixels."""
MISLED_PX = 0.8
PHOTOS: dict[str, Rendered] = {}


def search(picture: Rendered, *, exif: bool = False) -> SearchPicture:
    return SearchPicture(
        picture=Picture(
            pixels=picture.pixels,
            source=Source(file="mat.png", page=None, sha256=""),
            focal_px=picture.truth["picture"]["focal_px"] if exif else None,
        )
    )


def mat_photo(seed: int = 1, look: dict[str, Any] | None = None, **options: Any) -> Rendered:
    """A photo of a mat; the same one is rendered once only."""
    key = repr((seed, look, sorted(options.items())))
    if key not in PHOTOS:
        PHOTOS[key] = _mat_photo(seed, look, options)
    return PHOTOS[key]


def _mat_photo(seed: int, look: dict[str, Any] | None, options: dict[str, Any]) -> Rendered:
    scene = scenarios.build("mat", seed=seed, **options)
    view = {"tilt_deg": 12.0, "azimuth_deg": 40.0, "roll_deg": 3.0, "k1": -0.08, "k2": 0.02, "blur_px": 0.7}
    return render.photo(scene, width_px=WIDTH, height_px=HEIGHT, seed=seed, **(view | (look or {})))


def node_errors(picture: Rendered, found: Reference) -> tuple[NDArray[np.float64], float]:
    """Distances of all the mat's nodes from the truth after the best shift and turn, and the relative scale error."""
    truth = grid_points(next(r for r in picture.truth["references"] if r["kind"] == "mat"))
    px = picture.camera.to_px(truth)
    seen = (px > 0).all(axis=1) & (px[:, 0] < WIDTH - 1) & (px[:, 1] < HEIGHT - 1)
    fit = fit_camera(found.points_px, found.points_mm, found.sigma_px, width_px=WIDTH, height_px=HEIGHT, model="photo")
    got = np.asarray(fit.plane.to_mm(PxPoints(px[seen])))
    a, b = got - got.mean(axis=0), truth[seen] - truth[seen].mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    turned = a @ (u @ vt)
    assert np.linalg.det(u @ vt) > 0, "x to the right and y down, as seen"
    return np.linalg.norm(turned - b, axis=1), float((turned * b).sum() / (b * b).sum() - 1)


CASES = {
    "inch lines under cards": ({"made_of": "card"}, {}, "1in"),
    "a sheet hides the middle": (
        {"made_of": "sheet", "colour": "green"}, {"tilt_deg": 19.0, "azimuth_deg": 260.0}, "1in",
    ),
    "dark lines on a pale mat, upside down": (
        {"made_of": "paper", "colour": "pale"}, {"roll_deg": 176.0, "k1": 0.1}, "1in",
    ),
    "half inches with heavier inches": (
        {"pitch": "0.5in", "heavy_every": 2, "size_in": (18.0, 12.0), "size": 1.0}, {"roll_deg": 90.0}, "1/2in",
    ),
    "centimetres with heavier fifths": (
        {"pitch": "10mm", "size_in": (24.0, 18.0), "size": 1.4}, {"tilt_deg": 5.0}, "10mm",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", list(CASES))
def test_the_grid_gives_the_whole_plane_without_being_told(case: str) -> None:
    options, look, pitch = CASES[case]
    picture = mat_photo(look=look, **options)
    found = find(search(picture), None)
    assert [r.size for r in found] == [pitch]
    errors, scale = node_errors(picture, found[0])
    assert np.percentile(errors, 95) <= P95_MM
    assert errors.max() <= WORST_MM
    assert abs(scale) <= SCALE


def test_tissue_with_the_grid_faintly_seen_through_and_lines_drawn_on_it() -> None:
    scene = scenarios.build("vintage", seed=3, on="mat", see_through=0.35)
    picture = render.photo(scene, width_px=WIDTH, height_px=HEIGHT, tilt_deg=8, k1=0.03, seed=3)
    found = find(search(picture), None)
    assert len(found) == 1
    errors, scale = node_errors(picture, found[0])
    assert np.percentile(errors, 95) <= P95_MM
    assert abs(scale) <= SCALE


def test_a_small_mat_of_no_known_size_is_asked_about() -> None:
    """A mat of 16 x 11 cells, all lines alike: nothing but a person tells an inch from two centimetres."""
    scene = scenarios.build(
        "templates", seed=0, kind="mat=1in", ground="mat green", colour="mixed", size_mm=(420.0, 297.0), pieces=6
    )
    shot = render.photo(scene, seed=0, tilt_deg=8.0, width_px=WIDTH, height_px=HEIGHT)
    picture = Picture(pixels=shot.pixels, source=Source(file="mat.jpg", page=None, sha256="0" * 64))
    with pytest.raises(ScaleError, match=r"a grid was found.*--reference mat=1in"):
        calibrate(picture, CalibrateOptions())
    named = calibrate(picture, CalibrateOptions(request=parse_request("mat=1in")))
    assert named.reference.size == "1in"


def test_a_named_pitch_sets_the_scale() -> None:
    picture = mat_photo(look={}, made_of="card")
    inch = find(search(picture), "1in")
    centimetre = find(search(picture), "10mm")
    assert len(inch) == len(centimetre) == 1
    assert np.allclose(np.asarray(inch[0].points_mm) / 25.4, np.asarray(centimetre[0].points_mm) / 10.0)
    assert inch[0].size == "1in"


def test_a_named_pitch_of_the_heavier_lines_counts_those() -> None:
    options, look, _ = CASES["half inches with heavier inches"]
    picture = mat_photo(look=look, **options)
    found = find(search(picture), "1in")
    errors, scale = node_errors(picture, found[0])
    assert abs(scale) <= SCALE
    assert errors.max() <= WORST_MM


def plain_grid(pitch_mm: float, *, width_mm: float = 400.0, height_mm: float = 300.0) -> Scene:
    """Lines that run out of the picture on all sides: nothing tells what they measure."""
    scene = Scene(name="grid", width_mm=width_mm, height_mm=height_mm, ground=srgb(40, 90, 70))
    ink = srgb(210, 215, 195)
    for at in np.arange(-200, 800, pitch_mm):
        scene.fill([np.asarray([[at, -200], [at + 0.4, -200], [at + 0.4, 800], [at, 800]])], ink)
        scene.fill([np.asarray([[-200, at], [800, at], [800, at + 0.4], [-200, at + 0.4]])], ink)
    return scene


def test_a_grid_that_could_be_inches_or_centimetres_comes_back_as_both() -> None:
    picture = render.photo(plain_grid(25.4), width_px=WIDTH, height_px=HEIGHT, tilt_deg=4, fill=1.2)
    found = find(search(picture), None)
    assert {"1in", "10mm"} <= {r.size for r in found}
    assert all(r.score <= 0.5 for r in found)
    assert all(np.array_equal(r.points_px, found[0].points_px) for r in found)


@pytest.mark.parametrize(
    ("shape", "pitch_mm"),
    [
        ({"cells": (36, 24)}, 25.4),
        ({"cells": (24, 36), "heavier_every": 6}, 25.4),
        ({"cells": (72, 48), "heavier_every": 2}, 12.7),
        # Feet on a mat of 24x36 in, through a longer lens from two metres; 12x18 in from one metre would have inches.
        ({"cells": (24, 36), "heavier_every": 12, "distance_cells": 82.0}, 25.4),
        ({"cells": (90, 60), "heavier_every": 5}, 10.0),
        ({"cells": (30, 21), "heavier_every": 10, "closed": (False, False)}, 10.0),
        ({"cells": (20, 20), "divided_by": 2, "closed": (False, False)}, 25.4),
        ({"cells": (17, 11), "divided_by": 8}, 25.4),
        # Were its fine lines inches, it would be larger than any mat.
        ({"cells": (14, 8), "divided_by": 5, "closed": (False, False)}, 50.0),
        ({"cells": (24, 36), "closed": (True, False), "distance_cells": 71.0}, 25.4),
        ({"cells": (36, 24), "heavier_every": 4}, 25.4),
        ({"cells": (24, 30), "closed": (True, False), "heavier_every": 4, "figures_every": 1}, 25.4),
        ({"cells": (24, 30), "closed": (True, False), "heavier_every": 4, "figures_every": 4}, 6.35),
        ({"cells": (24, 30), "closed": (False, False), "heavier_every": 4, "figures_every": 1}, 25.4),
        ({"cells": (30, 20), "closed": (False, False), "figures_every": 10}, 10.0),
    ],
)
def test_what_a_mat_shows_of_its_pitch_is_weighed(shape: dict[str, Any], pitch_mm: float) -> None:
    usual: dict[str, Any] = {"closed": (True, True), "heavier_every": 1, "divided_by": 1, "distance_cells": None}
    ranked = sorted(evidence(Shape(**(usual | shape))).items(), key=lambda item: -item[1])
    assert ranked[0][0] == pytest.approx(pitch_mm)
    assert ranked[0][1] - ranked[1][1] >= AMBIGUOUS


@pytest.mark.parametrize(
    ("heavy", "period", "clear"),
    [
        ((6,), 6, True),  # of eleven lines within a 12 in side only one is a heavier sixth
        ((1, 11), 10, True),
        ((1,), 10, False),  # one of the two that would have to be heavier
        ((3, 8), 6, False),
        ((1, 6, 11), 5, True),
        ((1, 6, 11), 10, False),  # one is as heavy between them
    ],
)
def test_lines_are_heavier_every_so_many_where_all_of_those_are(
    heavy: tuple[int, ...], period: int, clear: bool
) -> None:
    rng = np.random.default_rng(5)
    strengths = {k: float(rng.normal(0, 0.02)) + (0.5 if k in heavy else 0.0) for k in range(1, 12)}
    more, scatter, _ = _explained(strengths, period)
    assert (more > 0.15 and more / scatter > 2.5) == clear


@pytest.mark.parametrize(
    ("shape", "pitches"),
    [
        ({"cells": (36, 24)}, 1),
        ({"cells": (18, 12)}, 1),
        ({"cells": (12, 9)}, 1),
        ({"cells": (6, 4)}, 0),
        ({"cells": (14, 14), "distance_cells": 15.4}, 0),
        ({"cells": (6, 6), "light_on_dark": False}, 0),
        ({"cells": (12, 12), "closed": (False, True), "light_on_dark": False}, 0),
        ({"cells": (16, 10), "closed": (False, False), "light_on_dark": False}, 2),
        ({"cells": (36, 24), "light_on_dark": False}, 1),
        ({"cells": (9, 7), "closed": (False, False), "distance_cells": 25.0}, 2),
    ],
)
def test_a_small_grid_needs_evidence_that_it_is_a_mat(shape: dict[str, Any], pitches: int) -> None:
    """A table, lines to quilt along, a tiled floor: how far the camera stood says nothing of what they are."""
    usual: dict[str, Any] = {"closed": (True, True), "heavier_every": 1, "divided_by": 1, "distance_cells": None}
    assert min(2, len(plausible(Shape(**(usual | shape))))) == pitches


@pytest.mark.parametrize(
    ("shape", "pitches"),
    [
        ({"closed": (False, False)}, [6.35, 25.4]),
        ({"closed": (False, False), "figures_every": 4}, [6.35]),
        ({"closed": (False, False), "figures_every": 1}, [25.4]),
        ({"cells": (36, 24), "closed": (True, True)}, [25.4]),
        ({"cells": (72, 48), "closed": (True, True)}, [6.35]),
    ],
)
def test_a_part_of_a_mat_of_which_every_fourth_line_is_heavier_is_asked_about(
    shape: dict[str, Any], pitches: list[float]
) -> None:
    """Quarters of an inch, or inches marked every four: figures or the whole of it tell, its lines do not."""
    usual: dict[str, Any] = {"cells": (21, 16), "heavier_every": 4, "divided_by": 1, "distance_cells": None}
    assert sorted(plausible(Shape(**(usual | shape)))) == pitches


@pytest.mark.parametrize(
    ("shape", "pitches"),
    [
        ({}, [10.0, 25.4]),
        ({"figures_every": 5}, [10.0]),
        ({"figures_every": 1, "cells": (70, 50)}, [10.0]),
        ({"cells": (36, 24), "closed": (True, True)}, [25.4]),
        ({"cells": (90, 60), "closed": (True, True)}, [10.0]),
        ({"distance_cells": 70.0}, [10.0]),
        ({"cells": (12, 8), "heavier_every": 1, "divided_by": 5}, [50.0, 127.0]),
    ],
)
def test_a_part_of_a_mat_of_which_every_fifth_line_is_heavier_is_asked_about(
    shape: dict[str, Any], pitches: list[float]
) -> None:
    """Centimetres, or inches marked every five: the whole of it, or how far the camera was, may tell."""
    usual: dict[str, Any] = {
        "cells": (21, 16), "closed": (False, False), "heavier_every": 5, "divided_by": 1, "distance_cells": None,
    }  # fmt: skip
    assert sorted(plausible(Shape(**(usual | shape)))) == pitches


@pytest.mark.parametrize(
    ("shape", "pitch_mm"),
    [
        ({"cells": (41, 58)}, 5.0),
        ({"cells": (42, 59), "closed": (True, True)}, 5.0),  # an A2 mat of centimetres has as many
        ({"cells": (80, 55), "heavier_every": 2}, 5.0),
        ({"cells": (40, 56), "heavier_every": 10}, 5.0),
        ({"cells": (33, 43)}, 6.35),
        ({"cells": (58, 41), "heavier_every": 5, "closed": (True, False)}, 5.08),
        ({"cells": (28, 20), "divided_by": 5}, 10.0),
        ({"cells": (20, 28), "divided_by": 10}, 10.0),
        ({"cells": (10, 8), "divided_by": 10}, 25.4),
    ],
)
def test_squared_paper_is_never_taken_for_known(shape: dict[str, Any], pitch_mm: float) -> None:
    """Pitches that paper is sold in (common practice, no source); a person says which it is."""
    usual: dict[str, Any] = {"closed": (False, False), "heavier_every": 1, "divided_by": 1, "distance_cells": None}
    possible = plausible(Shape(**(usual | shape), light_on_dark=False))
    assert len(possible) > 1
    assert min(abs(cell - pitch_mm) for cell in possible) < 1e-6


@lru_cache
def test_no_paper_is_counted_every_two_millimetres() -> None:
    """Figures at every second line of a part of a mat, every tenth line heavier: no millimetre paper has them."""
    shape = Shape(
        cells=(84, 55), closed=(False, False), heavier_every=10, divided_by=1, distance_cells=None,
        light_on_dark=False, marked=False, figures_every=2,
    )  # fmt: skip
    assert set(plausible(shape)) == {10.0, 5.0}


def squared_scan(pitch_mm: float, bold_every: int) -> Rendered:
    """Return a sheet squared to its edges, on a dark table."""
    scene = Scene(name="squared", width_mm=138.0, height_mm=103.0, ground=srgb(60))
    scene.fill(rectangle(4, 4, 130, 95), srgb(240))
    for across, length in ((True, 130.0), (False, 95.0)):
        for k in range(int(length / pitch_mm) + 1):
            width = 0.35 if bold_every and k % bold_every == 0 else 0.18
            at = 4 + k * pitch_mm - width / 2
            scene.fill(rectangle(at, 4, width, 95) if across else rectangle(4, at, 130, width), srgb(120, 150, 190))
    return render.scan(scene, dpi=110)


@pytest.mark.parametrize(
    ("pitch_mm", "bold_every", "asked", "words"),
    [(5.0, 0, "5mm", "5mm"), (5.0, 2, "10mm", "5mm"), (5.0, 2, "10mm", "10mm"), (6.35, 0, "1/4in", "1/4in")],
)
def test_squared_paper_is_asked_about_and_measured_by_what_is_said(
    pitch_mm: float, bold_every: int, asked: str, words: str
) -> None:
    """Who has paper with bold lines may mean those or the fine ones."""
    picture = search(squared_scan(pitch_mm, bold_every)).picture
    with pytest.raises(ScaleError, match=rf"a grid was found, but it may be .*{asked}"):
        calibrate(picture, CalibrateOptions())
    sheet = calibrate(picture, CalibrateOptions(request=parse_request(f"mat={words}")))
    assert sheet.mm_per_px == pytest.approx(25.4 / 110, rel=SCALE)


def test_a_grid_of_very_many_lines_is_looked_at_too() -> None:
    """OpenCV makes no pictures of 32768 rows and more; a scan of squared paper has so many stretches of line."""
    count = 40_000
    starts = np.column_stack([np.arange(count) % 80, np.arange(count) // 80 % 80]).astype(np.float64)
    plane = PlaneMap.affine(np.array([[0.2, 0.0, -1.0], [0.0, 0.2, -1.0]]))
    lattice: Any = SimpleNamespace(
        present=np.ones((count, 2), dtype=bool), starts=starts, ends=starts + [0.0, 1.0],
        fit=SimpleNamespace(plane=plane), line_sigma_px=0.6,
    )  # fmt: skip
    light = np.full((420, 420), 0.8, dtype=np.float32)
    light[:, 5::5] = 0.3
    assert has_lines(GridPicture(light=light, focal_px=None), lattice)


def test_a_table_with_square_cells_is_no_mat() -> None:
    scene = Scene(name="table", width_mm=210, height_mm=160, ground=srgb(238))
    for k in range(7):
        scene.fill(rectangle(30 + 21.0 * k, 20, 0.4, 84.0), srgb(40))
        if k < 5:
            scene.fill(rectangle(30, 20 + 21.0 * k, 126.4, 0.4), srgb(40))
    assert find(search(render.scan(scene, dpi=120, rotation_deg=1.0)), None) == []


def test_checked_cloth_is_no_mat() -> None:
    """Every second thread crossing makes a lattice of edges here, which would pass for a mat of 1 in."""
    cloth = hard_picture("square=50mm", "photo", "busy ground", 115)
    assert find(search(cloth, exif=True), None) == []


def test_sheets_of_patterns_and_text_are_no_mat() -> None:
    for name, options in (("quilting", {}), ("hard", {"what": "text"})):
        picture = render.scan(scenarios.build(name, seed=2, **options), dpi=90)
        assert find(search(picture), None) == []


def test_dots_are_no_mat() -> None:
    scene = Scene(name="dots", width_mm=300, height_mm=220, ground=srgb(245))
    for x in np.arange(10, 300, 25.4):
        for y in np.arange(10, 220, 25.4):
            scene.fill([np.asarray([[x, y], [x + 1, y], [x + 1, y + 1], [x, y + 1.0]])], srgb(40))
    assert find(search(render.photo(scene, width_px=WIDTH, height_px=HEIGHT)), None) == []


@pytest.mark.parametrize("level", [0, 128, 255])
def test_an_empty_picture_holds_no_mat(level: int) -> None:
    pixels = np.full((300, 400, 3), level, dtype=np.uint8)
    assert (
        find(SearchPicture(picture=Picture(pixels=pixels, source=Source(file="x", page=None, sha256=""))), None) == []
    )


def test_where_nothing_is_left_of_a_lattice_the_next_one_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    # Two and a half lines to a cell hold as many nodes as one, with the ticks of a border between them.
    scene = search(mat_photo())
    trimmed, lost = finder._trimmed, []

    def first_is_lost(*args: Any) -> Any:
        lost.append(args)
        return None if len(lost) == 1 else trimmed(*args)

    monkeypatch.setattr(finder, "_trimmed", first_is_lost)
    assert [reference.size for reference in finder.find(scene)] == ["1in"]


def test_crossings_that_were_taken_wrongly_far_ahead_are_left_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """A seed's camera foretells far crossings badly: edges of things laid on the mat lie nearer than its lines."""
    shot, look = search(mat_photo()), grow.look
    whole = finder._seen(shot)

    def misled(picture: GridPicture, fit: Any, nodes: Any, predicted: Any, **how: Any) -> Any:
        seen = look(picture, fit, nodes, predicted, **how)
        known = {(int(i), int(j)): float(s) for (i, j), s in zip(nodes, predicted, strict=True)}
        far = np.array([known[int(i), int(j)] > MISLED_PX for i, j in seen.nodes], dtype=bool)
        return replace(seen, points_px=seen.points_px + far[:, None] * np.array([6.0, -4.0]))

    monkeypatch.setattr(grow, "look", misled)
    found = finder._seen(shot)
    assert whole is not None
    assert found is not None
    assert len(found[1].nodes) > 0.95 * len(whole[1].nodes)
    assert found[1].fit.reduced_chi2 < 2.0


@pytest.mark.parametrize(("off_px", "seen"), [(0.3, True), (5.0, False)])
def test_crossings_that_no_plane_has_are_no_beginning_of_a_grid(off_px: float, seen: bool) -> None:
    place = np.minimum(np.arange(600) % 40, 40 - np.arange(600) % 40)
    line = np.exp(-0.5 * (place / 1.3) ** 2)
    light = np.maximum(line[:, None], line[None]).astype(np.float32)
    nodes = np.array([(i, j) for i in range(5) for j in range(5)])
    points = 40.0 * (nodes + 5) + np.random.default_rng(1).normal(0, off_px, nodes.shape)
    picture = GridPicture(light=light, focal_px=None)
    assert (grow.line_width(picture, nodes, points, light_on_dark=True) is not None) == seen
