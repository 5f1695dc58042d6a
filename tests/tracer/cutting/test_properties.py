"""Properties that hold for any piece: mirrored twice is the same, areas are kept, no result crosses itself."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.random_pieces import random_outline
from tests.tracer.cutting.pieces import piece, shape
from tracer.cutting.allowance import Allowance, allow, stitching_shape
from tracer.cutting.copies import mirrored_piece
from tracer.cutting.edges import edges_of, listed, place_along
from tracer.cutting.fold import unfold
from tracer.cutting.joining import join
from tracer.cutting.shape import Shape
from tracer.cutting.splitting import split
from tracer.cutting.trimming import trim
from tracer.errors import CutListError
from tracer.path import OpenPath, Path, rotation_matrix
from tracer.segments import evaluate, line

FEW = settings(max_examples=15, deadline=None, derandomize=True)
SEEDS = st.integers(0, 10_000)
PROMISED_MM = 0.01
RETURNS_MM = 0.02


def outline_of(seed: int) -> Path:
    return random_outline(np.random.default_rng(seed))


def straight_sided(seed: int) -> Path:
    """A random outline whose left side is one upright line: something to unfold and to join."""
    rng = np.random.default_rng(seed)
    height, width = rng.uniform(80, 400), rng.uniform(40, 250)
    top = np.array([0.0, 0.0]), np.array([rng.uniform(0.4, 1.0) * width, rng.uniform(-0.1, 0.2) * height])
    right = np.array([width, rng.uniform(0.4, 0.6) * height])
    bottom = np.array([rng.uniform(0.4, 1.0) * width, rng.uniform(0.9, 1.2) * height]), np.array([0.0, height])

    def bent(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        out = np.array([b[1] - a[1], a[0] - b[0]]) * rng.uniform(-0.15, 0.15)
        return np.array([a, a + (b - a) / 3 + out, b - (b - a) / 3 + out, b])

    chain = [*top, right, *bottom]
    pairs = itertools.pairwise(chain)
    curves = [bent(a, b) if rng.uniform() < 0.7 else np.array([a, b]) for a, b in pairs]
    return Path((*curves, np.array([chain[-1], chain[0]])))


def has_straight_edge(one: Shape, length_mm: float) -> bool:
    return any(
        len(e.segments) == 1 and len(e.segments[0]) == 2 and math.isclose(e.length_mm, length_mm) for e in edges_of(one)
    )


def is_simple(one: Shape) -> bool:
    return bool(shapely.LinearRing(one.outline.flatten(0.002)).is_simple)


@FEW
@given(SEEDS)
def test_a_piece_mirrored_twice_is_the_same(seed: int) -> None:
    one = piece(outline_of(seed))
    twice = mirrored_piece(mirrored_piece(one))
    for a, b in zip(one.outline.segments, twice.outline.segments, strict=True):
        assert np.abs(a - b).max() < 1e-9
    assert not twice.made.mirrored


@FEW
@given(SEEDS, st.floats(0, 360))
def test_mirroring_and_turning_keep_area_and_length(seed: int, angle: float) -> None:
    one = piece(outline_of(seed))
    turned = one.outline.transformed(rotation_matrix(angle, (12.0, 34.0)))
    for other in (mirrored_piece(one).outline, turned):
        assert other.area == pytest.approx(one.outline.area, rel=1e-9)
        assert other.length == pytest.approx(one.outline.length, rel=1e-9)
        assert other.signed_area > 0


@FEW
@given(SEEDS, st.floats(2.0, 15.0), st.sampled_from(["mitred", "squared", "rounded"]))
def test_an_allowance_keeps_its_distance_and_never_crosses_itself(seed: int, width: float, corners: str) -> None:
    before = shape(outline_of(seed))
    try:
        after = allow(before, Allowance(all_mm=width, corners=corners)).shape  # type: ignore[arg-type]
    except CutListError as error:
        assert "larger than the piece" in str(error)  # noqa: PT017
        return
    assert is_simple(after)
    inner, outer = (shapely.LinearRing(s.outline.flatten(1e-3)) for s in (before, after))
    assert shapely.distance(inner, outer) == pytest.approx(width, abs=PROMISED_MM + 2e-3)
    if corners != "squared":
        # What lies within the width of the piece lies inside the cutting line (a disc of 64 sides a quarter).
        around = shapely.Polygon(inner).buffer(width, quad_segs=64)
        assert shapely.Polygon(outer).buffer(0.02).contains(around)


@FEW
@given(SEEDS, st.floats(1.0, 6.0))
def test_taking_an_allowance_off_again_returns_the_outline_where_nothing_was_lost(seed: int, width: float) -> None:
    before = shape(outline_of(seed))
    out = allow(before, Allowance(all_mm=width))
    back = stitching_shape(out.shape, width)
    assert is_simple(back)
    ring = shapely.LinearRing(back.outline.flatten(1e-3))
    points = np.array(before.outline.sample(1.0)[0])
    gaps = shapely.distance(ring, shapely.points(points))
    lost = np.array(out.lost).reshape(-1, 2)
    for point in points[gaps > RETURNS_MM]:
        # Every place that does not come back lies near one that is listed.
        assert len(lost)
        assert np.hypot(*(lost - point).T).min() < 6.0


@FEW
@given(SEEDS, st.floats(1.0, 20.0), st.integers(0, 9))
def test_trimming_takes_away_and_never_crosses_itself(seed: int, width: float, which: int) -> None:
    before = shape(outline_of(seed))
    edges = edges_of(before)
    try:
        after = trim(before, edges[which % len(edges)].name, width)
    except CutListError as error:
        assert "choose a smaller width" in str(error)  # noqa: PT017
        return
    assert is_simple(after)
    assert after.outline.area < before.outline.area
    assert (
        shapely.Polygon(before.outline.flatten(1e-3))
        .buffer(0.02)
        .contains(shapely.Polygon(after.outline.flatten(1e-3)))
    ), listed(before)


@FEW
@given(SEEDS)
def test_unfolding_doubles_the_area_and_is_its_own_mirror_image(seed: int) -> None:
    half = shape(straight_sided(seed))
    try:
        whole, _ = unfold(half, "left")
    except CutListError as error:
        # The left edge goes on round a corner too blunt to be one, or the piece bulges over it.
        assert "reaches" in str(error) or "is not straight" in str(error)  # noqa: PT017
        return
    assert is_simple(whole)
    assert whole.outline.area == pytest.approx(2 * half.outline.area, abs=1e-3 * half.outline.length)
    ring = shapely.LinearRing(whole.outline.flatten(1e-3))
    image = np.array(whole.outline.sample(2.0)[0]) * (-1, 1)
    assert shapely.distance(ring, shapely.points(image)).max() < 2e-3


@FEW
@given(SEEDS, SEEDS, st.floats(0.0, 12.0))
def test_area_of_a_join_is_the_sum_less_what_was_dropped(one: int, two: int, drop: float) -> None:
    a, b = straight_sided(one), straight_sided(two)
    # The second is turned half round, so that its straight side faces right, and made as long as the first one's.
    scale = a.segments[-1][0][1] / b.segments[-1][0][1]
    b = b.transformed(np.array([[-scale, 0, 0], [0, -scale, 0]]))
    first, second = shape(a), shape(b)
    # A straight side that meets its neighbours at more than 150 degrees is no edge of its own.
    assume(has_straight_edge(first, a.segments[-1][0][1]) and has_straight_edge(second, a.segments[-1][0][1]))
    try:
        strips = [s.outline.area - (trim(s, side, drop).outline.area if drop else s.outline.area)
                  for s, side in ((first, "left"), (second, "right"))]  # fmt: skip
        result = join(first, second, edge="left", to="right", drop_mm=drop, match="start")
    except CutListError as error:
        assert any(w in str(error) for w in ("lie over", "would be left", "cross itself", "no edge"))  # noqa: PT017
        return
    assert is_simple(result.shape)
    expected = a.area + b.area - sum(strips)
    # Far ends apart by up to 0.2 mm are drawn together, which moves at most that much along the neighbours.
    apart = abs(result.lengths_mm[0] - result.lengths_mm[1])
    moved = 0.2 * (a.length + b.length) if 1e-6 < apart <= 0.2 else 1e-6 * expected
    assert result.shape.outline.area == pytest.approx(expected, abs=moved)


@FEW
@given(SEEDS, st.floats(0.1, 0.9), st.floats(0.1, 0.9), st.floats(0.0, 10.0))
def test_the_parts_of_a_split_make_up_the_whole(seed: int, first: float, second: float, allowance: float) -> None:
    whole = shape(outline_of(seed))
    edges = edges_of(whole)
    ends = []
    for edge, share in ((edges[0], first), (edges[len(edges) // 2], second)):
        k, t = place_along(edge, share * edge.length_mm)
        ends.append(evaluate(edge.segments[k], t))
    if math.dist(*ends) < 1.0:
        return
    try:
        parts = split(whole, OpenPath((line(*ends),)), allowance)
    except CutListError as error:
        assert any(w in str(error) for w in ("leaves the piece", "runs along"))  # noqa: PT017
        return
    assert sum(p.finished.outline.area for p in parts) == pytest.approx(whole.outline.area, rel=1e-9)
    for part in parts:
        assert is_simple(part.finished)
        assert is_simple(part.shape)
        assert part.shape.outline.area >= part.finished.outline.area - 1e-6
