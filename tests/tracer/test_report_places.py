"""Numbers of pieces on the report's picture: inside the piece, clear of words and holes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from tests import shapes
from tracer.path import Path
from tracer.piece import Fit, Mark, Piece
from tracer.report.places import number_place

LEAST_MM = 3.5
"""Half of the number's height and width on the picture."""


def piece_of(outline: Path, *, marks: tuple[Mark, ...] = (), holes: tuple[Path, ...] = ()) -> Piece:
    fit = Fit(max_mm=0.0, p95_mm=0.0, rms_mm=0.0)
    return Piece(
        id="p1",
        name="Pocket",
        sheet="s1",
        outline=outline,
        holes=holes,
        expanded_uncertainty_mm=0.0,
        fit=fit,
        marks=marks,
    )


def test_a_number_keeps_clear_of_the_name_in_the_middle() -> None:
    name = Mark(kind="text", text="Pocket", at=(30.0, 30.0))
    x, y = number_place(piece_of(shapes.circle((30, 30), 24), marks=(name,)))
    assert np.hypot(x - 30, y - 30) < 24 - LEAST_MM
    assert abs(y - 30) > 6 or abs(x - 30) > 9 + LEAST_MM


def test_a_number_stands_in_the_piece_and_not_in_its_hole() -> None:
    hole = shapes.circle((30, 30), 8)
    x, y = number_place(piece_of(shapes.circle((30, 30), 24), holes=(hole,)))
    assert np.hypot(x - 30, y - 30) > 8 + LEAST_MM


def test_a_bent_piece_has_its_number_inside() -> None:
    bent = Path.polygon(np.array([[0, 0], [60, 0], [60, 12], [12, 12], [12, 60], [0, 60]], dtype=float))
    x, y = number_place(piece_of(bent))
    assert shapely.Polygon(bent.flatten(0.1)).buffer(-LEAST_MM).contains(shapely.Point(x, y))


@pytest.mark.parametrize("side", [0.02, 1.0])
def test_a_tiny_piece_has_a_number_too(side: float) -> None:
    x, y = number_place(piece_of(Path.polygon(np.array([[0, 0], [side, 0], [side, side], [0, side]]))))
    assert 0 <= x <= side
    assert 0 <= y <= side
