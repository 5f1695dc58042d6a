"""What seems drawn beside a mat: grain of a dark table is no piece, a sheet that lies there may be. Invented scenes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from tracer.ink import Ink
from tracer.search.mat_table import without_table
from tracer.search.pieces import Found, Stretch

BESIDE_X = 700
"""To the right of the mat, px."""


def ring(x: int, y: int, wide: int, high: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([[x, y], [x + wide, y], [x + wide, y + high], [x, y + high]], dtype=np.float64)


def piece(x: int, y: int) -> Found:
    stretch = Stretch(points=ring(x, y, 80, 120), edge=0, given_back=False)
    return Found(stretches=(stretch,), block=(0,), loop=0, area=1.0, mass=1.0)


def scene(beside: int, *, mat: bool = True) -> tuple[Ink, Any, np.ndarray[Any, np.dtype[np.uint8]]]:
    """Return a mat of 600 px with a light sheet on it, and what lies to its right as light as is said."""
    pixels = np.full((600, 900, 3), 60, np.uint8)
    pixels[50:550, 50:550] = 205
    pixels[:, 600:] = beside
    blank = np.zeros((600, 900), np.uint8)
    bodies = SimpleNamespace(grid=SimpleNamespace(outline_px=ring(20, 20, 560, 560)) if mat else None)
    return Ink(mask=blank, dark=blank, factor=1, mm_per_px=0.5, contrast=0.2), cast("Any", bodies), pixels


SHEET = ring(50, 50, 500, 500)
ON_SHEET, BESIDE, ACROSS = piece(200, 200), piece(BESIDE_X, 200), piece(560, 200)


@pytest.mark.parametrize(("beside", "kept"), [(45, False), (120, False), (190, True), (205, True)])
def test_beside_the_mat_only_what_is_light_enough_to_be_paper_is_drawn_on(beside: int, kept: bool) -> None:
    ink, bodies, pixels = scene(beside)
    assert without_table([ON_SHEET, BESIDE], [SHEET], ink, bodies, pixels) == [ON_SHEET] + [BESIDE] * kept


@pytest.mark.parametrize(
    ("drawn", "papers", "mat"),
    [
        ([BESIDE, ACROSS], [SHEET], True),  # No piece lies on a sheet that is known.
        ([ON_SHEET, BESIDE], [], True),
        ([ON_SHEET, BESIDE], [SHEET], False),
        ([ON_SHEET, ACROSS], [SHEET], True),  # It reaches onto the mat.
    ],
)
def test_what_may_be_drawn_is_kept(drawn: list[Found], papers: list[Any], mat: bool) -> None:
    ink, bodies, pixels = scene(45, mat=mat)
    assert without_table(drawn, papers, ink, bodies, pixels) == drawn
