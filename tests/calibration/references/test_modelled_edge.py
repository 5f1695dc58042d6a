"""Edges of cards on shaded wood, read by a model of light, lens and JPEG; truth comes from the renderer."""

from __future__ import annotations

from unittest import mock

import cv2
import numpy as np
import pytest

from calibration import CalibrateOptions, MmPoints, PxPoints, ReferenceRequest, calibrate
from calibration.camera_fit import fit_camera
from calibration.fitted import EDGES_ALIKE, grid_over
from calibration.references import Reference, SearchPicture, card
from calibration.references.modelled_edge import _TO_YCC
from calibration.solve import _map
from fixtures.files import Rendered
from fixtures.references import card as draw_card
from fixtures.scene import Colour, Scene, srgb
from tests.bench.scale_scenes import as_jpeg
from tests.calibration.scenes import picture_of, scanned

WOOD, GREY_TABLE = srgb(150, 108, 72), srgb(126, 128, 130)
DARK_BLUE, RED, GREY, PINK = srgb(40, 78, 130), srgb(186, 52, 48), srgb(150, 150, 148), srgb(226, 150, 160)
ALIKE_PX = 0.08
"""How far outside all sides together may be read: three times what is stated as standard (0.03 px)."""
CORNER_PX = 0.3
"""A corner lies beyond the ends of the straight parts that are read; noise is some 0.1 px there."""


def on_table(ground: Colour, colour: Colour, *, seed: int = 1) -> tuple[Scene, Rendered]:
    """Return a card with its shadow on a table, as it comes back from a strongly compressed file."""
    scene = Scene(name="table", width_mm=125, height_mm=92, ground=ground)
    scene.ground_texture = 0.05
    draw_card(scene, (18, 17), colour=colour, turn_deg=3.0)
    made = scanned(scene, dpi=200, seed=seed, noise=0.012, blur_px=0.9, quality=86)
    return scene, as_jpeg(made)


def outward_px(scene: Scene, made: Rendered, found: Reference) -> tuple[float, float]:
    """Return how far outside all sides together are read, from the area, and how far off the worst corner is."""
    true = made.camera.to_px(np.array(scene.references[0]["corners_mm"]))
    seen = np.asarray(found.points_px)

    def area(p: np.ndarray) -> float:
        q = np.roll(p, -1, axis=0)
        return abs(float((p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]).sum())) / 2

    around = float(np.hypot(*(np.roll(true, -1, axis=0) - true).T).sum())
    off = np.hypot(*(seen[:, None] - true[None]).transpose(2, 0, 1)).min(axis=1)
    return (area(seen) - area(true)) / around, float(off.max())


@pytest.mark.parametrize(
    ("ground", "colour"),
    [(WOOD, DARK_BLUE), (WOOD, RED), (WOOD, GREY), (WOOD, PINK), (GREY_TABLE, DARK_BLUE)],
    ids=["blue on wood", "red on wood", "grey on wood", "pink on wood", "blue on grey"],
)
def test_edges_of_a_coloured_card_are_read_where_they_are_beside_its_shadow(ground: Colour, colour: Colour) -> None:
    scene, made = on_table(ground, colour)
    found = card.find(SearchPicture(picture=picture_of(made)), None)
    assert len(found) == 1
    alike, worst = outward_px(scene, made, found[0])
    assert abs(alike) < ALIKE_PX
    assert worst < CORNER_PX


def test_without_the_model_a_card_as_dark_as_its_shadow_is_read_too_large() -> None:
    # That the scenes above are hard at all.
    scene, made = on_table(WOOD, DARK_BLUE)
    with mock.patch.object(card, "modelled_sides", return_value=None):
        found = card.find(SearchPicture(picture=picture_of(made)), None)
    assert outward_px(scene, made, found[0])[0] > 2 * ALIKE_PX


def test_a_line_across_the_edge_does_not_move_it() -> None:
    scene, made = on_table(WOOD, GREY)
    across = made.camera.to_px(np.array([[40.0, 5.0], [44.0, 30.0]]))
    pixels = made.pixels.copy()
    cv2.line(pixels, *(tuple(int(v) for v in p) for p in across), (20, 20, 20), 9)
    made.pixels[:] = pixels
    found = card.find(SearchPicture(picture=picture_of(made)), None)
    alike, worst = outward_px(scene, made, found[0])
    assert abs(alike) < ALIKE_PX
    assert worst < CORNER_PX


def test_a_card_of_its_shadows_colour_states_more_of_its_edges() -> None:
    stated = []
    for colour in (DARK_BLUE, srgb(84)):
        _, made = on_table(GREY_TABLE, colour)
        sheet = calibrate(picture_of(made), CalibrateOptions(request=ReferenceRequest(kind="card")))
        stated.append(next(c.standard_uncertainty for c in sheet.budget.components if c.name == EDGES_ALIKE))
    assert stated[1] > 1.3 * stated[0]


def test_colours_are_taken_apart_as_jpeg_does() -> None:
    # OpenCV's conversion is that of JFIF (ITU-R BT.601): Y, Cr, Cb with 128 added to both.
    rgb = np.random.default_rng(3).integers(0, 256, (1, 200, 3)).astype(np.uint8)
    theirs = cv2.cvtColor(rgb, cv2.COLOR_RGB2YCrCb)[0].astype(np.float64)
    ours = rgb[0] @ _TO_YCC.T
    assert np.abs(theirs[:, 0] - ours[:, 0]).max() < 0.6
    assert np.abs(theirs[:, [2, 1]] - 128 - ours[:, 1:]).max() < 1.0


def card_at(edges_px: float, tilt_deg: float = 3.0) -> tuple[Reference, np.ndarray]:
    """Return a card seen by a tilted pinhole camera (focal length 1800 px), and its corners in millimetres."""
    mm = np.array([[0, 0], [85.6, 0], [85.6, 53.98], [0, 53.98]])
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    x, y, z = mm[:, 0] - 60.0, c * (mm[:, 1] - 35.0), 260.0 + s * (mm[:, 1] - 35.0)
    px = PxPoints(np.stack([999.5 + 1800.0 * x / z, 749.5 + 1800.0 * y / z], axis=1))
    found = Reference(
        kind="card",
        size="",
        points_px=px,
        points_mm=MmPoints(mm),
        sigma_px=np.full(4, 0.1),
        tolerance_relative=1e-4,
        outline_px=px,
        edges_px=edges_px,
    )
    return found, mm


def test_edges_moved_outward_enlarge_a_rectangle_by_twice_as_much() -> None:
    found, _ = card_at(0.5)
    moved = np.asarray(found.with_edges_moved(0.5))
    before = np.asarray(found.outline_px)

    def heights(p: np.ndarray) -> np.ndarray:
        # Distance of each corner from the side that ends at the corner across.
        a, b = np.roll(p, -2, axis=0), np.roll(p, -3, axis=0)
        along = (b - a) / np.hypot(*(b - a).T)[:, None]
        return np.abs((p - a)[:, 0] * along[:, 1] - (p - a)[:, 1] * along[:, 0])

    assert np.allclose(heights(moved) - heights(before), 1.0, atol=0.02)
    # The size of a figure changes by edge times perimeter over twice the area.
    grown = np.sqrt(np.abs(np.linalg.det(moved[[1, 3]] - moved[0]) / np.linalg.det(before[[1, 3]] - before[0]))) - 1
    assert found.edges_relative == pytest.approx(grown, rel=0.02)


@pytest.mark.parametrize("model", ["scan", "photo"])
def test_what_edges_alike_cost_is_what_a_card_read_larger_all_around_changes(model: str) -> None:
    """JCGM 100, 5.1.4: a sensitivity may be found by changing the input and looking at the result."""
    found, mm = card_at(0.03, 3.0 if model == "photo" else 0.0)
    size = {"width_px": 2000, "height_px": 1500, "focal_px": 1800.0 if model == "photo" else None}

    def fit(px: PxPoints, start: object = None) -> object:
        return fit_camera(
            px,
            MmPoints(mm),
            found.sigma_px,
            **size,
            tolerances_relative=[1e-4],
            model=model,
            start=start,
            settled_chi2=1e-9,
        )  # type: ignore[arg-type]

    first = fit(found.points_px)
    larger = fit(found.with_edges_moved(found.edges_px), first)
    scene_picture = picture_of(scanned(Scene(name="empty", width_mm=20, height_mm=15), dpi=50))
    fitted = _map(first, found, scene_picture)  # type: ignore[arg-type]
    at = grid_over(2000, 1500)
    budget = fitted.budget(at)
    stated = next(c.standard_uncertainty for c in budget.components if c.name == EDGES_ALIKE)
    a, b = (np.asarray(f.plane.to_mm(at)) for f in (first, larger))  # type: ignore[attr-defined]
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    u, _, vt = np.linalg.svd(b.T @ a)
    off = b @ (u @ vt) - a
    changed = 1000.0 * np.sqrt((off**2).sum(axis=1).mean() / (a**2).sum(axis=1).mean())
    assert stated == pytest.approx(changed, rel=0.03)
    assert budget.expanded > 2.0 * stated * 0.99


def test_single_points_of_a_side_are_off_by_what_leaves_its_bow() -> None:
    """By brute force: points as far off as stated, through which parabolas are laid."""
    _, made = on_table(WOOD, GREY)
    found = card.find(SearchPicture(picture=picture_of(made)), None)[0]
    off = np.random.default_rng(7).normal(0, found.straight_sigma_px, (4000, len(found.straights_px[0])))
    t = np.linspace(-1, 1, off.shape[1])
    bow_px = float(np.std(np.polyfit(t, off.T, 2)[0]))
    edge_px = card.STRAIGHT_MM * 200 / 25.4
    assert edge_px < bow_px < 2 * edge_px
