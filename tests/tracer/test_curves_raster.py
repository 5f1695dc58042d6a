"""Lines that run nearly along the rows of a picture: what they are misread by lasts, and calls for no node."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from calibration.picture import MmPoints, PxPoints
from tests.oracles import dense_polygon, distance_between
from tracer.curves.fit import fit_closed
from tracer.curves.raster import own_share
from tracer.path import Path
from tracer.segments import evaluate

PX_MM = 25.4 / 300
NODES, P95_MM = 1.5, 0.03


def _waistband(slope: float) -> Path:
    """560 by 90 mm, the upper side bowed by 9 mm, all turned by a small angle."""
    upper = np.array([[0.0, 0.0], [190.0, -12.0], [370.0, -12.0], [560.0, 0.0]])
    corners = np.array([[560.0, 0.0], [554.0, 90.0], [4.0, 90.0], [0.0, 0.0]])
    segments = (upper, *(np.array(pair) for pair in itertools.pairwise(corners)))
    turn = np.array([[1.0, -slope], [slope, 1.0]]) / np.hypot(1.0, slope)
    return Path(tuple(s @ turn.T + 20.0 for s in segments)).oriented()


def _misread(path: Path, error_px: float, noise_px: float) -> MmPoints:
    """Points along an outline, each aside by how far into its pixel it lies, as renderers err that count in steps."""
    dense = dense_polygon(path.segments, 0.02)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
    at = np.arange(0.0, way[-1], PX_MM)
    points = np.stack([np.interp(at, way, dense[:, k]) for k in (0, 1)], axis=1)
    tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1) / np.hypot(*tangent.T)[:, None]
    phase = np.where(np.abs(normal[:, 1]) > np.abs(normal[:, 0]), points[:, 1], points[:, 0]) / PX_MM
    noise = np.random.default_rng(3).normal(0.0, noise_px, len(points))
    return MmPoints(points + normal * ((error_px * np.sin(2 * np.pi * phase) + noise) * PX_MM)[:, None])


def test_a_line_along_the_rows_tells_little_of_its_own_and_a_slanting_one_all() -> None:
    along = np.linspace([0.0, 100.0], [3000.0, 102.0], 3000)
    slanting = np.linspace([0.0, 100.0], [3000.0, 600.0], 3000)
    assert (own_share(along, spacing_mm=PX_MM, closed=False) < 0.1).all()
    assert (own_share(slanting, spacing_mm=PX_MM, closed=False) == 1.0).all()
    turn = np.linspace(0.0, 2 * np.pi, 1500, endpoint=False)
    circle = 240 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    assert own_share(circle, spacing_mm=PX_MM, closed=True).min() > 0.5


def test_waves_of_the_raster_along_a_long_side_call_for_no_node() -> None:
    truth = _waistband(0.001)
    points = _misread(truth, 0.1, 0.03)
    fit = fit_closed(points, 0.04 * PX_MM, raster_px=PxPoints(points / PX_MM))
    assert fit.path.node_count <= NODES * truth.node_count
    assert distance_between(fit.path.segments, truth.segments).p95_mm <= P95_MM


@pytest.mark.parametrize("slope", [0.004, 0.008, 0.015])
def test_short_waves_along_a_long_side_call_for_no_node(slope: float) -> None:
    truth = _waistband(slope)
    fit = fit_closed(_misread(truth, 0.05, 0.05), 0.04 * PX_MM)
    assert fit.path.node_count <= truth.node_count


def test_a_side_along_the_rows_that_is_bowed_by_a_pixel_is_no_line() -> None:
    bowed = np.array([[0.0, 0.0], [100.0, -2 * PX_MM], [200.0, -2 * PX_MM], [300.0, 0.0]])
    corners = np.array([[300.0, 0.0], [300.0, 90.0], [0.0, 90.0], [0.0, 0.0]])
    truth = Path((bowed, *(np.array(pair) for pair in itertools.pairwise(corners)))).oriented()
    points = _misread(truth, 0.05, 0.03)
    fit = fit_closed(points, 0.04 * PX_MM, raster_px=PxPoints(points / PX_MM))
    side = max((s for s in fit.path.segments if len(s) == 4), key=lambda s: float(np.hypot(*(s[3] - s[0]))))
    middle = evaluate(side, np.array([0.5]))[0] - (side[0] + side[3]) / 2
    assert abs(abs(float(middle[1])) - 1.5 * PX_MM) < 0.1 * PX_MM
