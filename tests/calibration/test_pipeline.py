"""From a picture to its scale: scans, photos, pages, contradictions, refusals."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from calibration import (
    CalibrateOptions,
    Density,
    MmPoints,
    Picture,
    PxPoints,
    Reference,
    ReferenceRequest,
    ScaleError,
    Sheet,
    Source,
    VectorPage,
    calibrate,
    evidence,
    look_through,
    pipeline,
)
from calibration.references import SearchPicture
from fixtures import render, scenarios
from fixtures.geometry import polygon, rectangle
from fixtures.references import card as draw_card
from fixtures.references import square as draw_square
from fixtures.scene import Scene, srgb
from tests.calibration.scenes import PAPER, errors_mm, paper_scene, picture_of, scale_error, scanned

SCALE = 0.001
"""The goal for scans: scale within 0.1 %."""
AIM = 0.0003

SQUARE_1IN = CalibrateOptions(request=ReferenceRequest(kind="square", size="1in"))


def scene_with_square(size: str = "1in") -> Scene:
    scene = paper_scene(100, 80)
    draw_square(scene, (25, 15), size)
    return scene


@pytest.mark.parametrize(
    ("dpi", "size", "turn"),
    [
        (200.0, "1in", 0.0),
        (200.0, "1in", -3.0),
        (200.0, "1in", 40.0),
        (300.0, "1in", 1.3),
        (200.0, "50mm", 1.3),
        (300.0, "50mm", -3.0),
    ],
)
def test_scan_with_a_square_has_its_scale_to_a_tenth_of_a_percent(dpi: float, size: str, turn: float) -> None:
    rendered = scanned(scene_with_square(size), dpi=dpi, rotation_deg=turn, tag_dpi=72.0)
    request = CalibrateOptions(request=ReferenceRequest(kind="square", size=size))
    sheet = calibrate(picture_of(rendered), request)
    error = scale_error(rendered, sheet, (0, 0, 100, 80))
    assert abs(error) < AIM < SCALE
    assert abs(error) * 1000 < sheet.expanded_uncertainty_mm_per_m
    assert not any(sheet.plane.distortion)


def test_unequal_densities_of_a_scanner_are_found() -> None:
    rendered = scanned(scene_with_square(), dpi=300, rotation_deg=2.0, density_xy=(1.0, 1.006))
    sheet = calibrate(picture_of(rendered), SQUARE_1IN)
    assert errors_mm(rendered, sheet, (0, 0, 100, 80)).max() < 0.04


def test_every_point_of_the_picture_has_coordinates_from_zero_up() -> None:
    rendered = scanned(scene_with_square(), rotation_deg=-3.0)
    sheet = calibrate(picture_of(rendered), SQUARE_1IN)
    w, h = sheet.picture.width_px, sheet.picture.height_px
    corners = np.array([[-0.5, -0.5], [w - 0.5, -0.5], [w - 0.5, h - 0.5], [-0.5, h - 0.5]])
    mm = np.asarray(sheet.to_mm(PxPoints(corners)))
    assert mm.min() > -1e-6
    assert np.allclose(mm.max(axis=0), [sheet.width_mm, sheet.height_mm], atol=1e-6)
    assert np.allclose(np.asarray(sheet.to_px(sheet.to_mm(PxPoints(corners)))), corners, atol=1e-6)


@pytest.mark.parametrize(("stated", "severity"), [(72.0, "note"), (96.0, "note"), (150.0, "warning")])
def test_a_density_that_the_square_contradicts_loses_and_is_reported(stated: float, severity: str) -> None:
    rendered = scanned(scene_with_square(), dpi=300)
    sheet = calibrate(picture_of(rendered, density=stated), SQUARE_1IN)
    assert abs(scale_error(rendered, sheet, (0, 0, 100, 80))) < AIM
    said = [f for f in sheet.findings if f.code == "density-contradicted"]
    assert [f.severity for f in said] == [severity]


@pytest.mark.parametrize(
    ("size_mm", "stated", "codes"),
    [((148.0, 210.0), 75.0, []), ((148.0, 210.0), 100.0, ["paper-not-used"]), ((130.0, 210.0), 100.0, [])],
)
def test_a_sheet_of_a_paper_s_proportions_but_no_paper_s_size_speaks_against_the_density(
    size_mm: tuple[float, float], stated: float, codes: list[str]
) -> None:
    scene = Scene(name="table", width_mm=size_mm[0] + 30, height_mm=size_mm[1] + 30, ground=srgb(120, 90, 60))
    scene.fill(rectangle(15, 15, *size_mm), PAPER)
    sheet = calibrate(picture_of(scanned(scene, dpi=75, rotation_deg=1.0), density=stated), CalibrateOptions())
    assert [f.code for f in sheet.findings] == codes


def test_a_density_that_agrees_is_a_cross_check_and_no_finding() -> None:
    rendered = scanned(scene_with_square(), dpi=300)
    sheet = calibrate(picture_of(rendered), CalibrateOptions())
    assert sheet.reference.kind == "square"
    assert [c.kind for c in sheet.cross_checks] == ["density"]
    assert abs(sheet.cross_checks[0].difference_percent) < 0.05
    assert sheet.findings == ()


def test_two_references_that_disagree_are_both_named() -> None:
    scene = paper_scene(150, 110)
    draw_square(scene, (12, 10), "1in", caption="")
    draw_card(scene, (50, 40))
    rendered = scanned(scene, dpi=200, tag_dpi=None)
    options = CalibrateOptions(request=ReferenceRequest(kind="square", size="25mm"))
    sheet = calibrate(picture_of(rendered), options)
    said = [f.message for f in sheet.findings if f.code == "references-disagree"]
    assert len(said) == 1
    assert "25mm square" in said[0]
    assert "card" in said[0]
    honest = calibrate(picture_of(rendered), SQUARE_1IN)
    assert not [f for f in honest.findings if f.code == "references-disagree"]


def test_a_square_piece_is_no_second_test_square_whatever_the_ratio_of_the_two() -> None:
    # 66.6 to 50 is as 4 cm to 3 cm, which would make a pair of usual sizes if nobody had said the 50 mm.
    scene = paper_scene(150, 110)
    draw_square(scene, (12, 10), "50mm", caption="")
    draw_square(scene, (75, 20), "66.6mm", caption="")
    rendered = scanned(scene, dpi=200, tag_dpi=None)
    sheet = calibrate(picture_of(rendered), CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm")))
    assert not [f for f in sheet.findings if f.code == "references-disagree"]
    assert not [r for r in sheet.others if r.size]


@pytest.mark.parametrize("stated", [72.0, 96.0, None])
def test_without_a_reference_the_person_is_told_what_to_lay_down(stated: float | None) -> None:
    rendered = scanned(paper_scene(), tag_dpi=stated)
    with pytest.raises(ScaleError, match=r"ruler.*mat.*card.*square"):
        calibrate(picture_of(rendered), CalibrateOptions())


def test_a_card_that_the_border_cuts_off_is_refused_with_what_it_takes() -> None:
    scene = paper_scene(120, 100)
    draw_card(scene, (70, 25), colour=srgb(40, 78, 130))
    with pytest.raises(
        ScaleError, match=r"nothing of known size was found in the picture whole and at least \d+ px wide"
    ):
        calibrate(picture_of(scanned(scene, dpi=150, tag_dpi=None)), CalibrateOptions())


def test_a_square_of_unknown_size_is_not_guessed() -> None:
    rendered = scanned(scene_with_square(), tag_dpi=72.0)
    with pytest.raises(ScaleError, match="--reference square=1in"):
        calibrate(picture_of(rendered), CalibrateOptions())


def test_a_square_too_small_to_measure_is_refused_with_its_size() -> None:
    rendered = scanned(scene_with_square(), dpi=72.0)
    with pytest.raises(ScaleError, match=r"\d\d px.*80 px"):
        calibrate(picture_of(rendered), SQUARE_1IN)


def test_a_named_reference_that_is_not_there_is_refused_by_name() -> None:
    rendered = scanned(paper_scene())
    for request, word in ((SQUARE_1IN.request, "1in square"), (ReferenceRequest(kind="card"), "card")):
        with pytest.raises(ScaleError, match=f"no {word} was found"):
            calibrate(picture_of(rendered), CalibrateOptions(request=request))


def test_a_camera_s_density_is_never_believed() -> None:
    rendered = scanned(paper_scene())
    picture = Picture(
        pixels=rendered.pixels,
        source=Source(file="x", page=None, sha256=""),
        density=Density(x_per_inch=300, y_per_inch=300, origin="EXIF"),
        by_camera=True,
    )
    with pytest.raises(ScaleError):
        calibrate(picture, CalibrateOptions())


def test_density_said_by_the_person_is_used() -> None:
    rendered = scanned(paper_scene(), dpi=200, tag_dpi=72.0)
    sheet = calibrate(picture_of(rendered), CalibrateOptions(request=ReferenceRequest(kind="density", size="200")))
    assert abs(scale_error(rendered, sheet, (0, 0, 100, 80))) < 1e-6
    assert 2 < sheet.expanded_uncertainty_mm_per_m < 10
    for nonsense in ("", "many", "-3", "0"):
        with pytest.raises(ScaleError, match="dpi=300"):
            calibrate(picture_of(rendered), CalibrateOptions(request=ReferenceRequest(kind="density", size=nonsense)))


def test_the_person_s_own_tolerance_goes_into_the_budget() -> None:
    rendered = scanned(scene_with_square(), dpi=200)
    picture = picture_of(rendered)
    relative = calibrate(picture, CalibrateOptions(request=SQUARE_1IN.request, reference_tolerance_relative=0.004))
    absolute = calibrate(picture, CalibrateOptions(request=SQUARE_1IN.request, reference_tolerance_mm=0.1016))
    # Limits of 4 mm per m hold 95.45 % of what lies anywhere between them within 95.45 % of their width.
    assert relative.expanded_uncertainty_mm_per_m == pytest.approx(0.9545 * 4.0, rel=0.03)
    assert absolute.expanded_uncertainty_mm_per_m == pytest.approx(relative.expanded_uncertainty_mm_per_m, rel=1e-6)
    assert relative.budget.components[0].name == "reference tolerance"


def test_vector_page_is_exact() -> None:
    page = VectorPage(width_mm=210.0, height_mm=297.0, paths=(), texts=())
    picture = Picture(
        pixels=np.full((594, 420), 255, np.uint8),
        source=Source(file="x.pdf", page=1, sha256=""),
        kind="pdf-vector",
        vectors=page,
    )
    sheet = calibrate(picture, CalibrateOptions())
    ends = np.asarray(sheet.to_mm(PxPoints(np.array([[-0.5, -0.5], [419.5, 593.5]]))))
    assert np.allclose(ends, [[0, 0], [210, 297]], atol=1e-9)
    assert sheet.reference.kind == "page"
    assert sheet.expanded_uncertainty_mm_per_m < 0.01


def test_page_that_is_a_picture_has_the_page_s_density() -> None:
    rendered = scanned(paper_scene(), dpi=150)
    picture = Picture(
        pixels=rendered.pixels,
        source=Source(file="x.pdf", page=1, sha256=""),
        kind="pdf-raster",
        density=Density(x_per_inch=150, y_per_inch=150, origin="PDF page"),
    )
    sheet = calibrate(picture, CalibrateOptions())
    assert sheet.expanded_uncertainty_mm_per_m < 0.5
    assert abs(scale_error(rendered, sheet, (0, 0, 100, 80))) < 1e-6


def photo_of(kind: str, *, edges: bool, seed: int = 4, exif: bool = True) -> tuple[render.Rendered, Sheet]:
    scene = scenarios.build("reference", seed=seed, kind=kind, edges=edges, ground="wood", pieces=1)
    rendered = render.photo(
        scene, width_px=1600, height_px=1200, tilt_deg=3.5, azimuth_deg=70, roll_deg=90, k1=0.015, exif_focal=exif,
        seed=seed, supersample=2,
    )  # fmt: skip
    word, _, size = kind.partition("=")
    request = ReferenceRequest(kind=word, size="A3" if word == "sheet" else size)
    return rendered, calibrate(picture_of(rendered), CalibrateOptions(request=request))


@pytest.mark.parametrize(
    ("kind", "exif"), [("square=50mm", True), ("square=50mm", False), ("card", True), ("sheet", False)]
)
def test_photo_of_a_sheet_whose_edges_are_in_view(kind: str, exif: bool) -> None:
    rendered, sheet = photo_of(kind, edges=True, exif=exif)
    off = errors_mm(rendered, sheet, (0, 0, 297, 420))
    assert off.max() < 1.5
    mm = sheet.to_mm(PxPoints(rendered.camera.to_px(np.array([[0.0, 0], [297, 0], [297, 420], [0, 420]]))))
    assert off.max() < 2 * sheet.shape_uncertainty_mm(mm).max()


def test_a_small_square_alone_says_that_it_is_carried_far() -> None:
    near = photo_of("square=50mm", edges=True)[1]
    rendered, far = photo_of("square=50mm", edges=False)
    assert far.expanded_uncertainty_mm_per_m > 5 * near.expanded_uncertainty_mm_per_m
    off = errors_mm(rendered, far, (0, 0, 297, 420))
    mm = far.to_mm(PxPoints(rendered.camera.to_px(np.array([[0.0, 0], [297, 0], [297, 420], [0, 420]]))))
    assert off.max() < 2 * far.shape_uncertainty_mm(mm).max()


@pytest.mark.parametrize("exif", [True, False])
def test_budget_and_alternatives_say_the_same(exif: bool) -> None:
    _, sheet = photo_of("square=50mm", edges=False, exif=exif)
    x, y = np.meshgrid(np.linspace(0, 1599, 9), np.linspace(0, 1199, 9))
    mm = sheet.to_mm(PxPoints(np.stack([x.ravel(), y.ravel()], axis=1)))
    spread = sheet.shape_uncertainty_mm(mm)
    reach = np.sqrt(((mm - mm.mean(axis=0)) ** 2).sum(axis=1).mean())
    by_alternatives = 1000 * np.sqrt((spread**2).mean()) / reach
    assert by_alternatives == pytest.approx(sheet.budget.combined, rel=0.25)  # of second order too
    parts = [c.standard_uncertainty for c in sheet.budget.components]
    assert parts == sorted(parts, reverse=True)
    assert all(c.words for c in sheet.budget.components)


def test_a_blurred_picture_is_refused_for_its_blur_and_a_blank_one_is_not() -> None:
    blurred = scanned(scene_with_square(), dpi=200, blur_px=14.0)
    with pytest.raises(ScaleError, match="too blurred"):
        calibrate(picture_of(blurred), SQUARE_1IN)
    with pytest.raises(ScaleError) as caught:
        calibrate(picture_of(scanned(paper_scene())), SQUARE_1IN)
    assert "blurred" not in str(caught.value)


def test_a_trapezoid_of_card_is_not_taken_for_a_sheet_with_right_angles() -> None:
    scene = Scene(name="trapezoid", width_mm=240, height_mm=330, ground=srgb(70, 60, 50))
    scene.fill(polygon([(20, 20), (205, 20), (220, 310), (20, 310)]), PAPER)
    draw_square(scene, (85, 130), "50mm")
    rendered = render.photo(
        scene, width_px=1600, height_px=1200, tilt_deg=3.0, azimuth_deg=20, roll_deg=90, seed=3, supersample=2
    )
    sheet = calibrate(picture_of(rendered), CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm")))
    off = errors_mm(rendered, sheet, (20, 20, 205, 310))
    mm = sheet.to_mm(PxPoints(rendered.camera.to_px(np.array([[20.0, 20], [205, 20], [205, 310], [20, 310]]))))
    assert off.max() < 2.5 * sheet.shape_uncertainty_mm(mm).max()
    assert off.max() < 2.0


def mat_of_two_minds(scene: SearchPicture, size: str | None) -> list[Reference]:
    """A finder that cannot tell 1 in from 2 cm: the 50 mm square's own corners, read as two pitches."""
    corners = np.array([[60.0, 60.0], [560, 60], [560, 460], [60, 460]])
    sizes = {"1in": 25.4, "2cm": 20.0}
    return [
        Reference(
            kind="mat",
            size=words,
            points_px=PxPoints(corners),
            points_mm=MmPoints(corners / 100 * pitch),
            sigma_px=np.full(4, 0.05),
            tolerance_relative=3e-4,
            outline_px=PxPoints(corners),
            score=0.5,
        )
        for words, pitch in sizes.items()
        if size in (None, words)
    ]


def test_a_finder_of_two_minds_is_not_believed_until_something_decides(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(evidence.FINDERS, "mat", mat_of_two_minds)
    monkeypatch.setattr(evidence.mat, "look", lambda scene: (mat_of_two_minds(scene, None), False, False))
    blank = picture_of(scanned(paper_scene(), dpi=200, tag_dpi=None))
    with pytest.raises(ScaleError, match=r"1in or 2cm.*--reference mat=1in"):
        calibrate(blank, CalibrateOptions())
    with pytest.raises(ScaleError, match="1in or 2cm"):
        calibrate(blank, CalibrateOptions(request=ReferenceRequest(kind="mat")))
    said = calibrate(blank, CalibrateOptions(request=ReferenceRequest(kind="mat", size="2cm")))
    assert said.mm_per_px == pytest.approx(0.2, rel=1e-6)
    decided = calibrate(blank, CalibrateOptions(request=ReferenceRequest(kind="density", size="101.6")))
    assert [c.size for c in decided.cross_checks if c.kind == "mat"] == ["1in"]


@pytest.mark.parametrize(("is_mats", "reference"), [(True, "mat"), (False, "density")])
def test_a_mat_whose_pitch_something_decides_sets_the_scale_itself(
    is_mats: bool, reference: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A ruler at one side, carried over all the mat, had set a scale 0.3 % off, and the mat's lines were no mat's."""
    monkeypatch.setattr(evidence.mat, "look", lambda scene: (mat_of_two_minds(scene, None), False, is_mats))
    told = picture_of(scanned(paper_scene(), dpi=200, tag_dpi=None), density=101.0)
    sheet = calibrate(told, CalibrateOptions())
    assert sheet.reference.kind == reference
    assert {c.kind for c in sheet.cross_checks} == {"mat", "density"} - {reference}
    if is_mats:
        assert sheet.reference.size == "1in"
        assert sheet.mm_per_px == pytest.approx(0.254, rel=1e-6)


def test_a_picture_asked_about_again_is_not_looked_through_again(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = picture_of(scanned(scene_with_square(), dpi=200, tag_dpi=None))
    looked = look_through(picture, CalibrateOptions())
    with pytest.raises(ScaleError, match="printed square"):
        calibrate(picture, CalibrateOptions(), looked=looked)
    said = CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm"))
    anew = calibrate(picture, said)
    looks: list[object] = []
    monkeypatch.setattr(pipeline, "look_around", lambda *asked: looks.append(asked))
    again = calibrate(picture, said, looked=looked)
    assert not looks
    assert again.mm_per_px == anew.mm_per_px
    assert again.budget == anew.budget


def test_one_against_two_that_agree_does_not_set_the_scale(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pattern of marks read as a millimetre ruler, beside a square and a density that agree."""

    def misread(scene: SearchPicture, size: str | None) -> list[Reference]:
        wrong = mat_of_two_minds(scene, "2cm")[0]
        aside = PxPoints(np.array([[500.0, 60.0], [760, 60], [760, 560], [500, 560]]))
        return [
            dataclasses.replace(
                wrong,
                kind="ruler",
                size="mm",
                score=0.95,
                tolerance_relative=1e-5,
                points_px=aside,
                points_mm=MmPoints(np.asarray(aside) / 5.0),
                outline_px=aside,
            )
        ]

    monkeypatch.setitem(evidence.FINDERS, "ruler", misread)
    rendered = scanned(scene_with_square(), dpi=200)
    sheet = calibrate(picture_of(rendered), CalibrateOptions())
    assert sheet.reference.kind == "square"
    assert [f.code for f in sheet.findings] == ["references-disagree"]
    assert "ruler" in sheet.findings[0].message
