"""Scan or photo, and what a sheet of paper says: sheets given as exact corners, no picture searched."""

from __future__ import annotations

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import MmPoints, Picture, PxPoints, Source
from calibration.evidence import Evidence
from calibration.fitted import grid_over
from calibration.plumb_lines import PlumbLines
from calibration.references import Reference, SearchPicture
from calibration.references.edges import Side
from calibration.references.quad import Quad
from calibration.references.sheet import FoundSheet, iso_tolerance_mm, tolerance_relative
from calibration.solve import model_for, solve

Floats = NDArray[np.float64]
PX_PER_MM = 200 / 25.4
A4_MM = (210.0, 297.0)


def side(a: Floats, b: Floats) -> Side:
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length
    return Side(
        origin=a,
        along=along,
        across=np.array([-along[1], along[0]]),
        length_px=length,
        coefficients=np.zeros(2),
        covariance=np.eye(2) * 1e-4,
        points_px=np.linspace(a, b, 40)[1:-1],
        scatter_px=0.05,
        width_px=0.0,
        contrast=0.5,
        blur_px=1.0,
        share=1.0,
        kind="step",
    )


def sheet(corners_px: Floats) -> FoundSheet:
    a, b, c, d = corners_px
    return FoundSheet(quad=Quad(sides=(side(a, b), side(b, c), side(c, d), side(d, a))), score=1.0)


def rectangle(width_mm: float, height_mm: float, at_px: tuple[float, float] = (30.0, 35.0)) -> Floats:
    corners = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]])
    return np.asarray(corners * PX_PER_MM + at_px)


def reference(kind: str, size: str, px: Floats, size_mm: tuple[float, float], relative: float) -> Reference:
    w, h = size_mm
    return Reference(
        kind=kind,  # type: ignore[arg-type]
        size=size,
        points_px=PxPoints(px),
        points_mm=MmPoints(np.array([[0, 0], [w, 0], [w, h], [0, h]])),
        sigma_px=np.full(4, 0.03),
        tolerance_relative=relative,
        outline_px=PxPoints(px),
    )


PICTURE = Picture(
    pixels=np.zeros((2402, 1717), dtype=np.uint8), source=Source(file="x", page=None, sha256=""), kind="image"
)
INCH = reference("square", "1in", rectangle(25.4, 25.4, (300.0, 400.0)), (25.4, 25.4), 1e-4)


def test_a_sheet_with_one_side_askew_is_no_sign_of_a_tilted_camera() -> None:
    corners = rectangle(*A4_MM)
    corners[3, 1] += 21.0  # 2.7 mm: cut askew, or the frame seen in its place
    assert model_for(PICTURE, INCH, [sheet(corners)]) == "scan"


def test_a_sheet_in_perspective_is_one() -> None:
    corners = rectangle(*A4_MM)
    corners[3] += [-12.0, 5.0]
    corners[2] += [14.0, -5.0]
    assert model_for(PICTURE, INCH, [sheet(corners)]) == "photo"


def test_a_scanned_sheet_that_sets_the_scale_is_as_sure_as_its_two_sides_together() -> None:
    """ISO 216 allows 2 mm on each side by itself, and a scanner's axes hardly differ: the mean of both counts."""
    relative = tolerance_relative(A4_MM)
    px = rectangle(*A4_MM)
    chosen = reference("sheet", "A4", px, A4_MM, relative)
    picture = Picture(
        pixels=PICTURE.pixels,
        source=PICTURE.source,
        kind="pdf-raster",
    )
    budget = solve(Evidence(chosen=chosen, sheets=(sheet(px),)), picture).budget(grid_over(1717, 2402))
    by_name = {c.name: c.standard_uncertainty for c in budget.components}
    each = [iso_tolerance_mm(s) / np.sqrt(3) / s for s in A4_MM]
    mean = 1000 * float(np.hypot(*each)) / 2
    assert by_name["reference tolerance"] == pytest.approx(mean, rel=0.15)
    assert max(by_name, key=lambda name: by_name[name]) == "reference tolerance"


def bowed_lines(k1: float, focal_px: float, plane_size: tuple[int, int]) -> PlumbLines:
    """Lines that run across the picture as a lens of this k1 bows them."""
    w, h = plane_size
    middle = np.array([(w - 1) / 2, (h - 1) / 2])
    t = np.linspace(0.05, 0.95, 9)
    chains = []
    for y in (0.1, 0.3, 0.7, 0.9):
        chains.append(np.column_stack([t * w, np.full(9, y * h)]))
        chains.append(np.column_stack([np.full(9, y * w), t * h]))
    seen = []
    for chain in chains:
        at = (chain - middle) / focal_px
        seen.append(PxPoints(at * (1 + k1 * (at**2).sum(axis=1, keepdims=True)) * focal_px + middle))
    return PlumbLines(chains_px=tuple(seen), sigmas_px=(0.05,) * 8, k1=k1, k1_sigma=0.001)


@pytest.mark.parametrize(("k1", "used"), [(0.0, 8), (0.035, 0)])
def test_lines_that_known_things_contradict_are_not_used(k1: float, used: int) -> None:
    """Four squares in the corners and one in the middle show that there is no lens."""
    picture = replace(PICTURE, focal_px=1800.0)
    inch = (25.4, 25.4)
    corners = [(60.0, 60.0), (1400.0, 60.0), (1400.0, 2100.0), (60.0, 2100.0)]
    others = tuple(reference("square", "1in", rectangle(*inch, at), inch, 1e-4) for at in corners)
    evidence = Evidence(chosen=reference("square", "1in", rectangle(*inch, (760.0, 1080.0)), inch, 1e-4), others=others)
    scene = SearchPicture(picture=picture)
    lines = bowed_lines(k1, 1800.0, (picture.width_px, picture.height_px))
    with (
        mock.patch("calibration.solve.agreeing", return_value=lines),
        mock.patch("calibration.solve._leaves_lens_open", return_value=True),
    ):
        assert solve(evidence, picture, scene).straight_lines == used
