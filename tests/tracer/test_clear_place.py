"""Words beside what is drawn on a piece."""

from __future__ import annotations

import pytest
import shapely

from tracer.clear_place import clear_places, first_clear

SHAPE = shapely.box(0, 0, 100, 60)


def test_the_best_place_is_kept_where_nothing_is_drawn_there():
    line = shapely.LineString([(10, 5), (90, 5)])
    assert first_clear(SHAPE, line, clear_places(SHAPE, (50, 30)), (30, 10)) == (50, 30)


def test_words_give_way_to_a_line_as_little_as_they_can():
    line = shapely.LineString([(50, 5), (50, 55)])
    x, y = first_clear(SHAPE, line, clear_places(SHAPE, (50, 30)), (30, 10)) or (0, 0)
    assert abs(x - 50) == pytest.approx(20)
    assert y == pytest.approx(30)


def test_no_place_is_none():
    line = shapely.LineString([(0, 0), (100, 60)])
    assert first_clear(SHAPE, line, clear_places(SHAPE, (50, 30)), (90, 50)) is None
