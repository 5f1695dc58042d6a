"""Proofs of what cannot be: never more than the truth, and sharp where arithmetic is."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import LineString, Polygon
from shapely.ops import split

from tests.outside.data import outside_folder
from tests.tracer.lay.instances import PUBLISHED_RECORD, instance_bodies
from tests.tracer.lay.jobs import ellipse, piece, rectangle, star
from tracer.lay.bodies import Body, make_body
from tracer.lay.bounds import fits_alone, least_length_mm, least_mats
from tracer.lay.rules import Rules
from tracer.path import Path, rotation_matrix

ROUNDING_MM = 1e-6


def body(outline: Path, *, demand: int = 1, gap: float = 0.0, turn: str = "180") -> Body:
    turns = Rules(turn=turn).turns(0.0)  # type: ignore[arg-type]
    return make_body([(piece(1, outline), False, None)], name="b", turns=turns, demand=demand, gap_mm=gap)


def dissected(rng: np.random.Generator, width: float, length: float, cuts: int) -> list[Polygon]:
    """Return a rectangle cut into parts by random straight cuts: a strip of that length holds them without waste."""
    parts = [Polygon([(0, 0), (width, 0), (width, length), (0, length)])]
    for _ in range(cuts):
        parts.sort(key=lambda p: -p.area)
        largest = parts.pop(0)
        x, y = largest.centroid.x, largest.centroid.y
        angle = rng.choice([0.0, 90.0, rng.uniform(0, 180)])
        line = affinity.rotate(LineString([(x - 1e4, y), (x + 1e4, y)]), angle, origin=(x, y))
        parts += [p for p in split(largest, line).geoms if isinstance(p, Polygon)]
    return parts


@pytest.mark.parametrize("seed", range(20))
def test_no_bound_exceeds_a_lay_without_waste(seed: int) -> None:
    rng = np.random.default_rng(seed)
    width, length = rng.uniform(200, 1000, 2)
    parts = dissected(rng, width, length, int(rng.integers(1, 9)))
    bodies = [body(Path.polygon(np.asarray(p.exterior.coords)[:-1])) for p in parts]
    least = least_length_mm(bodies, [1] * len(bodies), width)
    assert least <= length + ROUNDING_MM
    # Nothing is wasted, so the area alone proves it.
    assert least == pytest.approx(length, abs=1e-4)


@pytest.mark.parametrize("seed", range(20))
def test_no_bound_exceeds_a_lay_with_gaps(seed: int) -> None:
    rng = np.random.default_rng(seed)
    width, length, gap = rng.uniform(200, 1000), rng.uniform(200, 1000), rng.uniform(1, 15)
    inset = [p.buffer(-gap / 2, join_style="mitre") for p in dissected(rng, width, length, int(rng.integers(1, 9)))]
    parts = [p for p in inset if isinstance(p, Polygon) and p.area > 10]
    bodies = [body(Path.polygon(np.asarray(p.exterior.coords)[:-1]), gap=gap) for p in parts]
    assert least_length_mm(bodies, [1] * len(bodies), width - gap) <= length - gap + ROUNDING_MM


@pytest.mark.parametrize("name", sorted(PUBLISHED_RECORD))
def test_no_bound_exceeds_a_record_layout(name: str) -> None:
    """Record lengths: Gardeyn, Vanden Berghe, Wauters, arXiv:2509.13329 (2025)."""
    data = json.loads((outside_folder("nesting") / f"{name}.json").read_text())
    bodies, width, scale = instance_bodies(data)
    least = least_length_mm(bodies, [b.demand for b in bodies], width) / scale
    assert 0.7 * PUBLISHED_RECORD[name][0] < least <= PUBLISHED_RECORD[name][0] + 5e-4


def test_pieces_wider_than_half_the_cloth_lie_one_below_the_other() -> None:
    wide = body(rectangle(60, 40), demand=5)
    assert least_length_mm([wide], [5], 100.0) == pytest.approx(200.0)
    third = body(rectangle(34, 40), demand=6)
    assert least_length_mm([third], [6], 100.0) == pytest.approx(120.0)


def test_a_curved_bound_is_not_above_the_area() -> None:
    disc = body(ellipse(50, 50), demand=10)
    area = 10 * math.pi * 50 * 50
    assert least_length_mm([disc], [10], 1000.0) <= max(100.0, area / 1000.0)


@pytest.mark.parametrize("seed", range(8))
def test_a_piece_that_was_turned_to_fit_is_never_said_not_to(seed: int) -> None:
    rng = np.random.default_rng(seed)
    outline = star(rng, 200.0)
    angle = float(rng.uniform(0, 360))
    box = outline.transformed(rotation_matrix(angle)).bounds
    free = body(outline, turn="free")
    assert fits_alone(free, box.width, box.height)
    shorter = min(outline.transformed(rotation_matrix(a)).bounds.width for a in np.arange(0, 180, 0.25))
    assert not fits_alone(free, shorter - 1.0, None)


def test_mats_are_counted_by_area() -> None:
    square = body(rectangle(100, 100), demand=9)
    assert least_mats([square], [9], 200.0, 200.0) == 3
