"""Lines found in a picture and measured: against parabolas drawn in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from calibration import Picture, PxPoints, Source
from calibration.references import SearchPicture
from calibration.references.straight_lines import FoundLine, find_lines

BOW_PX = 0.03
"""Measured at 0.01 px; a tenth of it all is 0.1 mm on the sheet's width at most."""
SIZE = (750, 1000)


def encode(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, written out again here."""
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(np.clip(np.rint(255 * coded), 0, 255), dtype=np.uint8)


def scene_of(light: np.ndarray) -> SearchPicture:
    return SearchPicture(picture=Picture(pixels=encode(light), source=Source(file="x", page=None, sha256="")))


def drawn(light: np.ndarray, a: tuple[float, float], b: tuple[float, float], bow_px: float, *, ink: float) -> None:
    """Draw a line 2.5 px wide whose middle lies off its chord by so much, blurred by 0.8 px."""
    y, x = np.indices(light.shape, dtype=np.float64)
    length = np.hypot(b[0] - a[0], b[1] - a[1])
    ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
    s, d = (x - a[0]) * ux + (y - a[1]) * uy, -(x - a[0]) * uy + (y - a[1]) * ux
    t = 2 * s / length - 1
    d = d - bow_px * (1 - t**2)
    across = 0.5 * (erf((d + 1.25) / 0.8 / np.sqrt(2)) - erf((d - 1.25) / 0.8 / np.sqrt(2)))
    light += (ink - light) * across * (np.abs(t) <= 1)


def paper(seed: int = 0) -> np.ndarray:
    return 0.75 + np.random.default_rng(seed).normal(0, 0.01, SIZE)


def upward(found: FoundLine) -> float:
    """Return the bow with the line taken from its end of less x + y."""
    way = np.asarray(found.points_px)[-1] - np.asarray(found.points_px)[0]
    return found.bow_px * (1 if way.sum() > 0 else -1)


@pytest.mark.parametrize("ink", [0.03, 0.3])
@pytest.mark.parametrize("bow_px", [-1.5, 0.0, 0.4])
def test_a_line_is_found_once_and_its_bow_is_measured(bow_px: float, ink: float) -> None:
    light = paper()
    drawn(light, (150.0, 200.0), (800.0, 260.0), bow_px, ink=ink)
    (found,) = find_lines(scene_of(light))
    along = found.length_px / 653.0  # what is left out at the ends takes its part of the bow with it
    assert found.length_px > 600
    assert upward(found) == pytest.approx(bow_px * along**2, abs=BOW_PX)
    assert found.bow_sigma_px < 0.06


def test_the_edge_of_a_thing_is_a_line_too() -> None:
    y, x = np.indices(SIZE, dtype=np.float64)
    d = y - 300 - 0.05 * x - 1.0 * (1 - (x / 500 - 1) ** 2)
    (found,) = find_lines(scene_of(0.3 + 0.4 * 0.5 * (1 + erf(d / 0.8 / np.sqrt(2))) + paper() - 0.75))
    assert upward(found) == pytest.approx(1.0 * (found.length_px / 1000) ** 2, abs=3 * found.bow_sigma_px)
    assert found.bow_sigma_px < 0.03


def test_a_line_in_dashes_is_one_line() -> None:
    light = paper()
    for k in range(13):
        drawn(light, (100.0 + 60 * k, 200.0), (144.0 + 60 * k, 200.0), 0.0, ink=0.05)
    found = find_lines(scene_of(light))
    assert len(found) == 1
    assert found[0].length_px > 700


def test_where_a_line_runs_into_a_curve_it_ends() -> None:
    light = paper()
    y, x = np.indices(SIZE, dtype=np.float64)
    centre = 300 + np.where(x > 600, (x - 600) ** 2 / 400, 0.0)
    d = (y - centre) / np.hypot(1.0, np.where(x > 600, (x - 600) / 200, 0.0))
    light += (0.05 - light) * 0.5 * (erf((d + 1.25) / 1.1) - erf((d - 1.25) / 1.1)) * ((x > 100) & (x < 800))
    level = [f for f in find_lines(scene_of(light)) if np.ptp(np.asarray(f.points_px)[:, 1]) < 5]
    assert len(level) == 1
    assert abs(level[0].bow_px) < 4 * np.hypot(level[0].bow_sigma_px, BOW_PX)


def test_what_is_used_already_is_left_out() -> None:
    light = paper()
    drawn(light, (150.0, 200.0), (800.0, 260.0), 0.0, ink=0.05)
    around = PxPoints(np.array([[100.0, 150.0], [900.0, 150.0], [900.0, 300.0], [100.0, 300.0]]))
    assert find_lines(scene_of(light), [around]) == []


@pytest.mark.parametrize("what", ["white", "black", "noise"])
def test_where_there_is_no_line_none_is_found(what: str) -> None:
    light = {"white": np.ones(SIZE), "black": np.zeros(SIZE), "noise": paper()}[what]
    assert find_lines(scene_of(light)) == []


def test_a_picture_of_a_few_pixels_has_none() -> None:
    assert find_lines(scene_of(np.full((3, 4), 0.5))) == []
