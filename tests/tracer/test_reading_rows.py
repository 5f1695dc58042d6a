"""Lines put together from the boxes of their glyphs: boxes made up in the proportions of typewriter letters."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.reading.places import Box, lines_axes
from tracer.reading.rows import not_among, rows_of


def glyphs(lines: list[str], turn_rad: float = 0.0, *, size: float = 20.0, step: float = 34.0) -> np.ndarray:
    """Level boxes of letters 20 px high and 14 px wide, 4 px apart, typewriter spaces between words."""
    axes = lines_axes(turn_rad)
    out = []
    for row, line in enumerate(lines):
        for k, letter in enumerate(line):
            if letter != " ":
                corners = np.array([[0, 0], [14, 0], [14, size], [0, size]]) + [18.0 * k, step * row]
                points = corners @ axes + 300.0
                out.append([*points.min(axis=0), *np.ptp(points, axis=0)])
    return np.array(out)


@pytest.mark.parametrize("turn_deg", [0.0, 3.0, 90.0, -85.0])
def test_letters_make_lines_whichever_way_they_run(turn_deg: float) -> None:
    turn = float(np.radians(turn_deg))
    rows = rows_of(glyphs(["Collar", "cut 2"], turn), turn)
    assert sorted(round(2 * row.long) for row in rows) == pytest.approx([5 * 18 - 4 + 14, 6 * 18 - 4 + 14], abs=8)
    assert all(2 * row.high == pytest.approx(34, abs=8) for row in rows)


def test_a_lone_glyph_is_a_line_only_in_a_table() -> None:
    boxes = glyphs(["2      1"])
    assert rows_of(boxes, 0.0) == []
    assert len(rows_of(boxes, 0.0, single=True)) == 2


def test_lines_that_were_found_are_not_read_twice() -> None:
    rows = rows_of(glyphs(["Collar", "cut 2"]), 0.0)
    upper = min(rows, key=lambda row: row.v)
    found = Box(u=upper.u + 3, v=upper.v + 2, long=upper.long, high=upper.high, turn_rad=0.02)
    assert not_among(rows, [found]) == [row for row in rows if row is not upper]
