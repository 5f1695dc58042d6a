"""Where the words of a piece go on the drawing of a lay, and how large they can be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.clear_place import clear_places, first_clear
from tracer.path import rotation_matrix

GLYPH = 0.55
"""Mean width of a letter over its height in a plain sans-serif face (common practice, no source)."""
_RATHER_LEVEL = 1.35
"""Words are turned when that makes them so much larger (looked at)."""
_LEAST_CLEAR = 0.55
"""Words are made smaller by this at most to stay clear of what is drawn on the piece (looked at)."""


class PlacedWords(NamedTuple):
    """Where words stand.

    Their middle, the height of a letter (0 where they do not fit), the turn in degrees, and the radius of the largest
    circle around the middle.
    """

    centre: tuple[float, float]
    letter: float
    turn: float
    radius: float


def place_words(lines: Sequence[str], shape: Polygon, drawn: Sequence[LineString], usual_letter: float) -> PlacedWords:
    """Return the best place for lines of words inside a shape, beside the lines drawn on it where that is possible."""
    best = _placed(lines, shape, usual_letter)
    return _clear(lines, shape, shapely.union_all(list(drawn)), best, usual_letter) if drawn else best


def _clear(
    lines: Sequence[str], shape: Polygon, drawn: BaseGeometry, best: PlacedWords, usual_letter: float
) -> PlacedWords:
    """Return the largest words that touch nothing drawn, nearest to the best place; else that place."""
    places = clear_places(shape, best.centre)
    wide, tall = max(len(t) for t in lines) * GLYPH, len(lines) * 1.25 + 0.2
    letter = min(best.letter, 1.2 * usual_letter)
    while letter >= _LEAST_CLEAR * usual_letter:
        for turn in (0.0, -90.0):
            size = (wide * letter, tall * letter) if turn == 0.0 else (tall * letter, wide * letter)
            centre = first_clear(shape, drawn, places, size)
            if centre is not None:
                return PlacedWords(centre, letter, turn, best.radius)
        letter *= 0.9
    return best


def _placed(lines: Sequence[str], shape: Polygon, usual_letter: float) -> PlacedWords:
    centre, radius = _middle(shape)
    letter, turn = _fitting(lines, shape, centre, usual_letter)
    return PlacedWords(centre, letter, turn, radius)


def _middle(shape: Polygon) -> tuple[tuple[float, float], float]:
    found = shapely.maximum_inscribed_circle(shape, tolerance=max(0.2, math.sqrt(shape.area) / 200))
    (x, y), (x1, y1) = found.coords[0], found.coords[-1]
    radius = math.hypot(x1 - x, y1 - y)
    # The centroid looks better where it has about as much room.
    centre = shape.centroid
    if shape.contains(centre) and shape.boundary.distance(centre) > 0.85 * radius:
        return (centre.x, centre.y), shape.boundary.distance(centre)
    return (float(x), float(y)), radius


def _fitting(
    lines: Sequence[str], shape: Polygon, centre: tuple[float, float], usual_letter: float
) -> tuple[float, float]:
    """Return the largest letter, and a turn of 0 or -90, at which the words lie within the shape."""
    wide, tall = max(len(t) for t in lines) * GLYPH, len(lines) * 1.25 + 0.2
    best = (0.0, 0.0)
    for turn in (0.0, -90.0):
        letter = usual_letter * 1.2
        spin = rotation_matrix(turn)[:, :2]
        while letter > 0.3 * usual_letter:
            corners = np.array([(-wide, -tall), (wide, -tall), (wide, tall), (-wide, tall)]) * letter / 2
            if shape.covers(Polygon(corners @ spin.T + centre)):
                break
            letter *= 0.88
        else:
            letter = 0.0
        if letter > best[0] * _RATHER_LEVEL:
            best = (letter, turn)
    return best
