"""Edges laid across places beside a mat's lines where the light does not tell them, on readings made up here."""

import numpy as np
import pytest

from tests.tracer.test_mat_grid import MATS, assert_outlines, mat_drawing, mat_sheet
from tracer.search.mat_bridge import Places, laid_from_sides

AT_PX = np.linspace(-2.5, 2.5, 51)
SIGMA_PX = 0.3
NOISE_PX = 0.1
CLOSE_PX = 0.15
"""How near to the true side a run is laid anew: half of a point's own uncertainty (our own limit)."""
START, COUNT = 300, 8
"""A run in the middle of the first side, of the usual length where a line ends at an edge."""


def read_square(*, side=400, dent=None, corner_px=0):
    """A square read a point a pixel with noise, dented along a run; and which points are of the run."""
    rng = np.random.default_rng(5)
    along = np.arange(side, dtype=float)
    zero, full = np.zeros(side), np.full(side, float(side))
    points = np.concatenate([
        np.stack([along, zero], axis=1),
        np.stack([full, along], axis=1),
        np.stack([side - along, full], axis=1),
        np.stack([zero, side - along], axis=1),
    ])  # fmt: skip
    normals = np.repeat([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]], side, axis=0)
    offset = NOISE_PX * rng.standard_normal(len(points))
    run = np.zeros(len(points), dtype=bool)
    run[START + corner_px : START + corner_px + COUNT] = True
    if dent is not None:
        offset[run] = dent
    places = Places(
        points=points,
        normals=normals,
        offset_px=offset,
        sigma_px=np.full(len(points), SIGMA_PX),
        against=np.zeros((len(points), len(AT_PX))),
        at_px=AT_PX,
    )
    return places, run


@pytest.mark.parametrize("dent", [-1.5, 1.2, -3.5])
def test_a_dent_in_doubt_is_laid_on_the_line_through_both_sides(dent):
    places, run = read_square(dent=dent)
    offset, sigma = laid_from_sides(places, run)
    assert np.abs(offset[run]).max() < CLOSE_PX
    beyond = ~np.convolve(run, np.ones(5), mode="same").astype(bool)
    assert (offset[beyond] == places.offset_px[beyond]).all()
    assert (sigma[beyond] == SIGMA_PX).all()
    assert (sigma[run] > SIGMA_PX).all()


def test_what_is_seen_plainly_stays_dented():
    places, run = read_square(dent=-1.5)
    offset, _ = laid_from_sides(places, np.zeros_like(run))
    assert (offset == places.offset_px).all()


def test_a_corner_in_doubt_is_not_cut_off():
    places, run = read_square(corner_px=400 - START - COUNT // 2)
    offset, sigma = laid_from_sides(places, run)
    assert (offset == places.offset_px).all()
    assert (sigma == places.sigma_px).all()


def test_one_side_may_be_short_beside_a_corner():
    places, run = read_square(dent=-1.5, corner_px=400 - START - COUNT - 9)
    offset, _ = laid_from_sides(places, run)
    assert np.abs(offset[run]).max() < 2 * CLOSE_PX


def test_light_that_speaks_against_the_straight_way_is_heard():
    # A narrow notch: doubtful at its ends, but the light says plainly that the edge is not on the straight line.
    places, run = read_square(dent=-2.0)
    places.against[run] = 10.0 * (np.abs(AT_PX) < 1.0)
    offset, _ = laid_from_sides(places, run)
    assert (offset == places.offset_px).all()


@pytest.mark.parametrize(
    ("mat", "fill", "slanting"),
    [("pink", MATS["pink"][1], []), ("green", MATS["green"][1], [((60, 8), (20, 48))])],
    ids=["lines of the thing's colour", "a slanting line"],
)
def test_an_edge_is_not_dented_where_a_line_of_the_mat_ends_at_it(mat, fill, slanting):
    ring = np.array([[27, 31.2], [121.7, 22.4], [127.3, 80.3], [60, 99.1], [30.2, 84.6]])
    d, across, down = mat_drawing(mat, [])
    for line in slanting:
        d.line(line, width_mm=0.45, colour=MATS[mat][1])
    d.fill(ring, colour=fill)
    assert_outlines(mat_sheet(d, across, down, [(ring, None)]), [(ring, None)], within_mm=0.1)
