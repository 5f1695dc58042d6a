"""Lines bowed by a lens, bent by hand or curved on purpose: what they may say about the lens.

Lines are made here point by point with the lens written out; no picture is searched.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import PxPoints
from calibration.camera import PlaneMap
from calibration.plumb_lines import PlumbLines, UnevenSheet, agreeing
from calibration.references.straight_lines import FoundLine

Floats = NDArray[np.float64]
SIZE_PX = np.array([4000.0, 3000.0])
FOCAL_PX = 2900.0
PX_PER_MM = 9.5
READING_PX = 0.015
PLANE = PlaneMap(
    homography=np.diag([300.0, 300.0, 1.0]),
    centre_px=(float(SIZE_PX[0] - 1) / 2, float(SIZE_PX[1] - 1) / 2),
    focal_px=FOCAL_PX,
    distortion=(0.0, 0.0, 0.0, 0.0, 0.0),
)


def line(a: Floats, b: Floats, k1: float, bent_px: float, rng: np.random.Generator) -> FoundLine:
    """Return a line from a to b that bends by so much in its middle, seen through a lens."""
    t = np.linspace(-1, 1, 41)[:, None]
    along = (b - a) / np.hypot(*(b - a))
    return line_through((a + b) / 2 + (b - a) / 2 * t + bent_px * (1 - t**2) * np.array([-along[1], along[0]]), k1, rng)


def line_through(true: Floats, k1: float, rng: np.random.Generator) -> FoundLine:
    """Return a line through points (41, 2), evenly spaced, seen through a lens."""
    t = np.linspace(-1, 1, 41)
    w = (true - PLANE.centre_px) / FOCAL_PX
    seen = w * (1 + k1 * (w**2).sum(axis=1, keepdims=True)) * FOCAL_PX + PLANE.centre_px
    way = seen[-1] - seen[0]
    length = float(np.hypot(*way))
    aside = (seen - seen[0]) @ np.array([-way[1], way[0]]) / length
    bow = -float(np.polyfit(t, aside, 2)[0])
    return FoundLine(
        points_px=PxPoints(seen),
        bow_px=bow + float(rng.normal(0, READING_PX)),
        bow_sigma_px=READING_PX,
        length_px=length,
    )


def lines(count: int, k1: float, bent: str, rng: np.random.Generator) -> list[FoundLine]:
    """Return lines anywhere, about upright or level; ``bent`` tells by how much in the world."""
    out: list[FoundLine] = []
    while len(out) < count:
        length = float(rng.uniform(250, 1500))
        middle = rng.uniform(50, SIZE_PX - 50)
        angle = rng.integers(2) * np.pi / 2 + rng.normal(0, 0.1)
        half = length / 2 * np.array([np.cos(angle), np.sin(angle)])
        if not ((np.abs(middle - SIZE_PX / 2) + np.abs(half)) < SIZE_PX / 2 - 20).all():
            continue
        what = "straight" if bent == "half curved" and len(out) % 2 else bent
        if what == "straight":
            bent_px = 0.0
        elif what == "by hand":
            bent_px = float(rng.normal(0, 0.004)) * length / 8  # directions at both ends differ by 4 mrad
        elif what == "0.3 mm":
            bent_px = float(rng.normal(0, 0.3)) * PX_PER_MM
        else:
            radius_mm = float(np.exp(rng.uniform(np.log(500), np.log(20_000))))
            bent_px = float(rng.choice([-1, 1])) * length**2 / 8 / (radius_mm * PX_PER_MM)
        out.append(line(middle - half, middle + half, k1, bent_px, rng))
    return out


def lens_of(found: list[FoundLine]) -> PlumbLines | None:
    told = agreeing(found, PLANE)
    return told if isinstance(told, PlumbLines) else None


def asked(count: int, bent: str, times: int, seed: int) -> list[tuple[float, PlumbLines | None]]:
    rng = np.random.default_rng(seed)
    lenses = rng.uniform(-0.02, 0.02, times)
    return [(float(k1), lens_of(lines(count, float(k1), bent, rng))) for k1 in lenses]


@pytest.mark.parametrize("k1", [-0.02, 0.0, 0.015])
def test_straight_lines_tell_the_lens_that_bowed_them(k1: float) -> None:
    told = lens_of(lines(10, k1, "straight", np.random.default_rng(3)))
    assert told is not None
    assert abs(told.k1 - k1) < 0.002
    assert 0.0009 < told.k1_sigma < 0.003, "no line is believed to be straighter than a printer draws it"
    assert len(told.chains_px) == len(told.sigmas_px) == 10


def test_lines_drawn_by_hand_tell_it_as_well_as_is_stated() -> None:
    told = [(k1, found) for k1, found in asked(10, "by hand", 60, 4) if found is not None]
    off = np.array([abs(found.k1 - k1) / found.k1_sigma for k1, found in told])
    assert len(told) > 30
    assert (off < 2).mean() > 0.9
    assert np.median([found.k1_sigma for _, found in told]) > 0.004, "they may not claim to know it as printed lines do"


def test_among_as_many_curves_the_straight_lines_are_told() -> None:
    told = [(k1, found) for k1, found in asked(16, "half curved", 60, 5) if found is not None]
    off = np.array([abs(found.k1 - k1) / found.k1_sigma for k1, found in told])
    assert len(told) > 20
    assert (off < 2).mean() > 0.9
    assert np.median([len(found.chains_px) for _, found in told]) <= 9, "curves of 20 m are all but straight"


@pytest.mark.parametrize(("bent", "count"), [("curved", 5), ("curved", 20), ("0.3 mm", 6), ("0.3 mm", 20)])
def test_gentle_curves_and_lines_bent_by_much_tell_no_lens(bent: str, count: int) -> None:
    assert sum(found is not None for _, found in asked(count, bent, 40, 6)) <= 1


def test_what_only_a_lens_like_none_in_use_would_bow_so_is_curved_on_purpose() -> None:
    """All sides of a large piece that curve outward bow as a strong lens would have it."""
    assert agreeing(lines(12, -0.06, "straight", np.random.default_rng(11)), PLANE) is None


def test_lines_that_run_all_one_way_are_believed_less() -> None:
    rng = np.random.default_rng(7)
    level = [line(np.array([500.0, y]), np.array([3400.0, y]), 0.01, 0.0, rng) for y in (300, 700, 2300, 2700)]
    upright = [line(np.array([x, 300.0]), np.array([x, 2700.0]), 0.01, 0.0, rng) for x in (400, 3600)]
    one_way, both = lens_of(level), lens_of(level[:2] + upright)
    assert one_way is not None
    assert both is not None
    assert one_way.k1_sigma > 0.004 > both.k1_sigma


def on_a_sheet(
    height_mm: float, waves: int, k1: float, only: Literal["both", "level"], rng: np.random.Generator
) -> list[FoundLine]:
    """Return printed lines on a sheet that lies in a bow or in waves along x, seen from above through a lens.

    The points of a line are lifted off the plane and projected by the pinhole's own equation.
    """
    away_mm, mm_per_px = FOCAL_PX / PX_PER_MM, 1 / PX_PER_MM
    half = SIZE_PX / 2
    out = []
    for x, y, w, h in (
        (0.04, 0.06, 0.4, 0.36),
        (0.55, 0.08, 0.4, 0.33),
        (0.06, 0.6, 0.42, 0.35),
        (0.6, 0.55, 0.34, 0.4),
    ):
        corners = np.array([[x, y], [x + w, y + 0.02], [x + w - 0.01, y + h], [x, y + h]]) * SIZE_PX
        for i, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
            if only == "level" and i % 2:
                continue
            t = np.linspace(0.03, 0.97, 41)[:, None]
            mm = (a + (b - a) * t - half) * mm_per_px
            along = mm[:, 0] / (SIZE_PX[0] * mm_per_px) + 0.5
            lift = height_mm * (np.sin(np.pi * waves * along) ** 2 if waves else np.sin(np.pi * along))
            seen = mm / (away_mm - lift)[:, None] * FOCAL_PX + PLANE.centre_px
            out.append(line_through(seen, k1, rng))
    return out


@pytest.mark.parametrize(("height_mm", "waves", "k1"), [(0.8, 0, 0.0), (1.5, 0, -0.015), (1.0, 2, 0.012)])
def test_lines_on_a_sheet_that_does_not_lie_flat_tell_that_and_no_lens(height_mm: float, waves: int, k1: float) -> None:
    rng = np.random.default_rng(8)
    assert isinstance(agreeing(on_a_sheet(height_mm, waves, k1, "both", rng), PLANE), UnevenSheet)
    assert not isinstance(agreeing(on_a_sheet(height_mm, waves, k1, "level", rng), PLANE), UnevenSheet), "or a lens"
    flat = agreeing(on_a_sheet(0.0, 0, k1, "both", rng), PLANE)
    assert isinstance(flat, PlumbLines)
    assert flat.k1 == pytest.approx(k1, abs=2 * flat.k1_sigma)


@pytest.mark.parametrize(("bent", "count"), [("straight", 10), ("by hand", 10), ("half curved", 16)])
def test_lines_on_a_flat_sheet_do_not_tell_that_it_is_uneven(bent: str, count: int) -> None:
    rng = np.random.default_rng(12)
    told = [agreeing(lines(count, float(k1), bent, rng), PLANE) for k1 in rng.uniform(-0.02, 0.02, 20)]
    assert not any(isinstance(found, UnevenSheet) for found in told)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_one_line_or_two_agree_with_anything(count: int) -> None:
    assert agreeing(lines(count, 0.01, "straight", np.random.default_rng(9)), PLANE) is None


def test_what_each_point_is_given_weighs_a_bow_as_it_should() -> None:
    """The points of one line, fitted with a parabola and their sigma, know its bow as well as the line's share says."""
    told = lens_of(lines(12, 0.01, "straight", np.random.default_rng(10)))
    assert told is not None
    information = 0.0
    for chain, sigma in zip(told.chains_px, told.sigmas_px, strict=True):
        points = (np.asarray(chain) - PLANE.centre_px) / FOCAL_PX
        moved = points * (points**2).sum(axis=1, keepdims=True) * FOCAL_PX
        way = points[-1] - points[0]
        aside = moved @ np.array([-way[1], way[0]]) / np.hypot(*way)
        place = (points - points[0]) @ way
        rest = aside - np.polyval(np.polyfit(place, aside, 1), place)
        information += float((rest**2).sum()) / sigma**2
    assert information**-0.5 == pytest.approx(told.k1_sigma, rel=0.05)


def framed(*boxes: tuple[float, float, float, float]) -> list[FoundLine]:
    """Return the sides of frames (x, y, width, height), seen through a lens."""
    rng = np.random.default_rng(9)
    out = []
    for x, y, w, h in boxes:
        corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]) * SIZE_PX
        inset = 0.03
        out += [
            line(a + inset * (b - a), b + inset * (a - b), 0.015, 0.0, rng)
            for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)
        ]
    return out


def test_the_sides_of_one_figure_are_one_witness() -> None:
    """They may all have been drawn curved outward, as a lens would have straight ones."""
    assert agreeing(framed((0.05, 0.06, 0.9, 0.85)), PLANE) is None
    apart = lens_of(framed((0.04, 0.05, 0.42, 0.85), (0.53, 0.08, 0.42, 0.85)))
    assert apart is not None
    assert apart.k1 == pytest.approx(0.015, abs=2 * apart.k1_sigma)
