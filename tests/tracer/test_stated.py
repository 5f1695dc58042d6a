"""What is stated of sizes, against closed formulas: a scan of drawn shapes and a square goes down the whole line."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy import special

from calibration import CalibrateOptions, Picture, ReferenceRequest, Sheet, Source, calibrate
from fixtures import draw, render, scenarios
from fixtures.draw import INK, Pencil
from fixtures.geometry import ellipse, polygon, regular
from fixtures.references import square
from fixtures.scene import Scene, srgb
from fixtures.svgpath import curves_from_svg
from tracer.pattern import piece_from_json, piece_to_json
from tracer.piece import Piece
from tracer.pipeline import LineSide, TracedPiece, TraceOptions, piece_findings, trace
from tracer.stated import Own, extent_uncertainty, laid, own_of, stated_fit

R, A, B, SIDE = 24.0, 27.0, 17.0, 30.0
AREAS = {
    "circle": math.pi * R**2,
    "ellipse": math.pi * A * B,
    "hexagon": 1.5 * math.sqrt(3) * R**2,
    "triangle": SIDE**2 / 2,
}
PERIMETERS = {
    "circle": 2 * math.pi * R,
    "ellipse": 4 * A * float(special.ellipe(1 - (B / A) ** 2)),
    "hexagon": 6 * R,
    "triangle": SIDE * (2 + math.sqrt(2)),
}
SIZES = {"circle": (2 * R, 2 * R), "ellipse": (2 * A, 2 * B), "hexagon": (2 * R, math.sqrt(3) * R)}
"""Width and height as drawn; a triangle that is scanned a little turned has another box."""


LINE_MM = 0.5


@cache
def sheet_of(turn_deg: float) -> Sheet:
    scene = Scene(name="forms", width_mm=150, height_mm=120, ground=srgb(238, 237, 233), ground_texture=0.01)
    square(scene, (96, 58), "50mm", caption="")
    p = Pencil(ink=INK, cut_mm=LINE_MM)
    triangle = polygon([(60, 100), (60 + SIDE, 100), (60, 100 - SIDE)])
    for outline in (ellipse(30, 30, R, R), ellipse(90, 26, A, B), regular(30, 88, R, 6), triangle):
        draw.drawn_piece(scene, "", outline, p, cut="")
    shot = render.scan(scene, dpi=300, rotation_deg=turn_deg, seed=5)
    picture = Picture(pixels=shot.pixels, source=Source(file="forms", page=None, sha256=""))
    return calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm")))


@cache
def traced(turn_deg: float) -> dict[str, Piece]:
    found = [t.piece for t in trace(sheet_of(turn_deg), TraceOptions(words=False)).pieces]
    assert len(found) == len(AREAS)
    out = {}
    for name, area in AREAS.items():
        out[name] = min(found, key=lambda piece: abs(piece.area_mm2 - area))
    return out


@pytest.mark.parametrize("turn_deg", [0.0, 1.7])
@pytest.mark.parametrize("name", list(AREAS))
def test_area_and_perimeter_agree_with_the_closed_formulas_within_what_is_stated(name: str, turn_deg: float) -> None:
    piece = traced(turn_deg)[name]
    area, perimeter = piece.extent_uncertainty
    assert abs(piece.area_mm2 - AREAS[name]) <= area
    assert abs(piece.outline.length - PERIMETERS[name]) <= perimeter
    # An uncertainty as large as a wrong scale would hide it.
    assert area < 0.003 * AREAS[name]
    assert perimeter < 0.003 * PERIMETERS[name]


@pytest.mark.parametrize("name", list(SIZES))
def test_width_and_height_agree_with_the_drawing_within_what_is_stated(name: str) -> None:
    piece = traced(0.0)[name]
    box = piece.outline.bounds
    for size, true, stated in zip((box.width, box.height), SIZES[name], piece.size_uncertainty_mm, strict=True):
        assert abs(size - true) <= stated < 0.1


def test_what_is_stated_of_area_and_perimeter_is_kept_in_the_file() -> None:
    piece = traced(0.0)["circle"]
    again = piece_from_json(piece_to_json(piece))
    assert np.allclose(again.extent_uncertainty, piece.extent_uncertainty, atol=1e-3)


@pytest.mark.parametrize(("line", "grows_mm"), [("outer", LINE_MM / 2), ("inner", -LINE_MM / 2)])
def test_the_outer_and_the_inner_side_of_a_line_are_half_its_width_away(line: LineSide, grows_mm: float) -> None:
    found = [t.piece for t in trace(sheet_of(0.0), TraceOptions(words=False, line=line)).pieces]
    piece = min(found, key=lambda p: abs(p.area_mm2 - math.pi * (R + grows_mm) ** 2))
    area, _ = piece.extent_uncertainty
    assert abs(piece.area_mm2 - math.pi * (R + grows_mm) ** 2) <= area
    assert piece.fit.max_mm < 0.03


# -- holes and shadows: cut card whose truth the renderer knows -------------------------------------------------------
@cache
def card_and_truth() -> tuple[list[TracedPiece], dict[str, Any]]:
    scene = scenarios.build(
        "templates",
        seed=41,
        kind="square=50mm",
        ground="lid",
        colour="red",
        pieces=3,
        shadow=(0.5, 0.4, 0.35, 0.5),
    )
    shot = render.scan(scene, dpi=300, rotation_deg=0.8, seed=41)
    picture = Picture(pixels=shot.pixels, source=Source(file="card", page=None, sha256=""))
    sheet = calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm")))
    return list(trace(sheet, TraceOptions(words=False)).pieces), shot.truth


def test_every_hole_carries_figures_of_its_own_that_its_true_error_keeps() -> None:
    found, truth = card_and_truth()
    true_areas = [abs(curves_from_svg(h)[0].area()) for p in truth["pieces"] for h in p["holes"]]
    traced_holes = [(t, k) for t in found for k in range(len(t.piece.holes))]
    assert len(traced_holes) == len(true_areas) > 0
    for t, k in traced_holes:
        hole, known = t.piece.holes[k], t.piece.hole_fits[k]
        true = min(true_areas, key=lambda area: abs(area - hole.area))
        # Of a hole that lies outside by e all around, the area is larger by e times its length.
        off_mm = abs(abs(hole.area) - true) / hole.length
        assert off_mm <= known.fit.max_mm
        assert off_mm <= known.expanded_uncertainty_mm < 0.3
        assert t.hole_errors[k].readable > 0.9


def test_what_the_picture_may_hide_all_along_an_edge_is_in_the_figures_of_a_piece() -> None:
    error = card_and_truth()[0][0].error
    assert error is not None
    plain, hidden = stated_fit(error, 0.0), stated_fit(error, 0.02)
    assert hidden.max_mm == pytest.approx(plain.max_mm + 0.04)
    assert hidden.p95_mm == pytest.approx(plain.p95_mm + 0.04)
    assert hidden.rms_mm == pytest.approx(math.hypot(plain.rms_mm, 0.02))
    own = own_of(error, 0.02)
    assert own.both_mm >= 0.02


def test_an_unsure_hole_makes_the_area_unsure() -> None:
    sheet, circle = sheet_of(0.0), traced(0.0)["circle"].outline
    hole = traced(0.0)["triangle"].outline
    sure, unsure = Own(spread_mm=0.01, shift_mm=0.0), Own(spread_mm=0.0, shift_mm=0.5)
    lies, hole_lies = laid(sheet, circle), laid(sheet, hole)
    alike = extent_uncertainty(sheet, lies, [hole_lies], sure)
    worse = extent_uncertainty(sheet, lies, [hole_lies], sure, [unsure])
    assert worse[0] > alike[0] + 0.9 * hole.length * 0.49
    assert worse[1] == pytest.approx(alike[1])


def test_the_end_of_a_point_that_is_too_thin_to_be_measured_is_in_the_worst() -> None:
    error = card_and_truth()[0][0].error
    assert error is not None
    assert stated_fit(error, 0.01, 0.9).max_mm == pytest.approx(0.92)
    assert stated_fit(error, 0.0, 0.0).max_mm == pytest.approx(error.max_mm)


@pytest.mark.parametrize("end_mm", [1.0, 3.5, 8.0])
def test_a_point_that_may_go_on_is_in_the_95th_percentile_where_its_sides_are_that_long(end_mm: float) -> None:
    error = card_and_truth()[0][0].error
    assert error is not None
    length_mm, step_mm = 110.0, 0.01
    # The true outline, every hundredth of a millimetre: at both sides of the point it lies up to its end away.
    sides = np.tile(np.arange(step_mm, end_mm, step_mm), 2)
    true_p95 = np.percentile(np.concatenate([np.zeros(round(length_mm / step_mm)), sides]), 95)
    assert true_p95 - 1e-3 <= error.with_end(end_mm, length_mm).p95_mm <= max(error.p95_mm, 1.4 * true_p95)
    assert error.with_end(0.0, length_mm).p95_mm == error.p95_mm


def test_an_outline_that_may_be_far_off_at_one_place_is_to_be_looked_at_there() -> None:
    piece = replace(traced(0.0)["circle"], name="Back")
    far = replace(piece, fit=replace(piece.fit, max_mm=1.4))
    (finding,) = piece_findings(far, (12.4, 88.0), TraceOptions())
    assert finding.code == "fit-far"
    assert "at (12, 88) mm" in finding.message
    assert "1.4 mm" in finding.message
    assert piece_findings(piece, (12.4, 88.0), TraceOptions()) == []
    # What is stated of the whole outline says it already.
    assert piece_findings(replace(far, expanded_uncertainty_mm=0.6), (0.0, 0.0), TraceOptions()) == []
