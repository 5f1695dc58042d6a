"""Ticks along a mat's border make a lattice of their own; the lines that are not there between tell (invented)."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from calibration.picture import Picture, Source
from calibration.references.mat import find
from calibration.references.mat.finder import _missing_between
from calibration.references.reference import SearchPicture
from fixtures import render, scenarios
from fixtures.references import grid_points

CELLS = 48


def lattice(every: int, *, ticks: bool) -> Any:
    """Stretches of all lines of a fine lattice: there where a line runs each so many cells, and as border ticks."""
    starts, ends, present = [], [], []
    for axis in (0, 1):
        for line in range(CELLS + 1):
            for place in range(CELLS):
                start = [0, 0]
                start[axis], start[1 - axis] = line, place
                end = list(start)
                end[1 - axis] += 1
                starts.append(start)
                ends.append(end)
                present.append([(line - 3) % every == 0 or (ticks and place == 0)] * 2)
    return SimpleNamespace(
        starts=np.array(starts, dtype=float), ends=np.array(ends, dtype=float), present=np.array(present)
    )


@pytest.mark.parametrize("every", [2, 3, 4, 5, 8, 10])
def test_the_lines_that_are_there_are_told_from_ticks_of_any_division(every: int) -> None:
    seen = lattice(every, ticks=True)
    assert [_missing_between(seen, axis, every) for axis in (0, 1)] == [3 % every] * 2


def test_eighths_are_not_undone_by_halves() -> None:
    assert _missing_between(lattice(8, ticks=True), 0, 2) is None


@pytest.mark.parametrize("every", [2, 3, 4, 5, 8, 10])
def test_a_grid_whose_lines_are_all_there_stays(every: int) -> None:
    assert _missing_between(lattice(1, ticks=False), 0, every) is None


@pytest.mark.parametrize(("every", "twice"), [(4, 8), (5, 10)])
@pytest.mark.parametrize("ticks", [False, True])
def test_every_second_line_is_not_taken_for_all(every: int, twice: int, ticks: bool) -> None:
    """Of all the lines between one in seven or nine is there: few, and yet half of the mat's lines."""
    assert [_missing_between(lattice(every, ticks=ticks), axis, twice) for axis in (0, 1)] == [None, None]


def test_a_mat_whose_ticks_stand_out_more_than_its_lines_is_found() -> None:
    """Ten windows along its border hold nothing but ticks, and were all that was looked into."""
    cards = scenarios.build(
        "templates",
        seed=9361,
        kind="mat=1in",
        ground="mat green",
        colour="mixed",
        size_mm=(420.0, 297.0),
        pieces=6,
    )
    photo = render.photo(cards, seed=9361, tilt_deg=8.0, width_px=4000, height_px=3000, quality=92)
    found = find(
        SearchPicture(picture=Picture(pixels=photo.pixels, source=Source(file="", page=None, sha256=""))), "1in"
    )
    assert len(found) == 1
    truth = grid_points(next(r for r in photo.truth["references"] if r["kind"] == "mat"))
    known = photo.camera.to_px(truth)
    away = np.hypot(*(np.asarray(found[0].points_px)[:, None] - known[None]).transpose(2, 0, 1)).min(axis=1)
    assert np.percentile(away, 95) < 0.2
    sides = (sorted(np.ptp(np.asarray(points), axis=0)) for points in (found[0].points_mm, truth))
    assert next(sides) == pytest.approx(next(sides), abs=0.01)
