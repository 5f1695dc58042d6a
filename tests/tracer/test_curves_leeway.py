"""Corners between arms that are known badly, and what is said of where an outline may be after all."""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from calibration.picture import MmPoints
from tests.oracles import distance_between
from tracer.curves.chain import Chain
from tracer.curves.fit import FitResult, fit_closed
from tracer.curves.given import prepare
from tracer.curves.leeway import leeway_of
from tracer.path import Path

SPACING_MM = 0.28
"""A pixel of a photo of 24x36 in at 12 megapixels."""
SURE_MM, DOUBTFUL_MM = 0.06, 0.25
"""Standard uncertainty of a point away from a mat's lines, and within one that has nearly the thing's own light."""
CORNER_MM = 0.25
RUNS, FEWEST_HELD = 20, 16
"""At 95 % fewer than 16 of 20 hold once in 400 times."""

POINTED = Path.polygon(np.array([[0.0, 0.0], [110.0, -30.0], [104.0, 34.0]]))
BENT = Path(
    (
        np.array([[0.0, 0.0], [60.0, 4.0]]),
        np.array([[60.0, 4.0], [72.0, 20.0], [48.0, 34.0], [60.0, 62.0]]),
        np.array([[60.0, 62.0], [2.0, 60.0]]),
        np.array([[2.0, 60.0], [0.0, 0.0]]),
    )
)


def _points(path: Path, *, rounded_px: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    points, normals = path.oriented().sample(SPACING_MM)
    points = np.asarray(points)
    if rounded_px:
        points = ndimage.gaussian_filter1d(points, rounded_px, axis=0, mode="wrap")
    return points, np.asarray(normals)


def test_a_corner_with_a_misread_place_beside_it_lies_where_its_arms_meet() -> None:
    # A line of the mat runs into one arm right beside the tip: over 2 mm the edge is read up to 0.35 mm outside.
    points, normals = _points(POINTED, rounded_px=1.0)
    away = np.hypot(*points.T)
    misread = (away > 1.5) & (away < 4.0) & (points[:, 1] > 0)
    off = np.random.default_rng(11).normal(0.0, 0.5 * SURE_MM, len(points))
    off[misread] += 0.35 * np.sin(np.linspace(0.0, np.pi, int(misread.sum())))
    sigma = np.where(misread, DOUBTFUL_MM, SURE_MM)
    fit = fit_closed(MmPoints(points + normals * off[:, None]), sigma, blur_mm=SPACING_MM)
    assert len(fit.corners) == len(POINTED.segments)
    assert min(np.hypot(*c.point) for c in fit.corners) < CORNER_MM


def _holds(fit: FitResult) -> bool:
    """Say whether no place of the true outline lies farther from the fit than is said of it there."""
    samples = np.asarray(BENT.sample(0.5)[0])
    mine = np.asarray(fit.path.sample(0.05)[0])
    miss, at = cKDTree(mine).query(samples)
    near = cKDTree(fit.leeway.points_mm).query(mine[at])[1]
    return bool((miss <= fit.leeway.expanded_mm[near] + 0.02).all())


def test_an_outline_is_within_its_leeway_of_the_truth_and_straight_sides_have_little() -> None:
    points, normals = _points(BENT)
    # The lower half of the curve and the corner after it are known badly.
    doubtful = (points[:, 0] > 40) & (points[:, 1] > 34)
    sigma = np.where(doubtful, DOUBTFUL_MM, SURE_MM)
    rng = np.random.default_rng(5)
    fits = [
        fit_closed(MmPoints(points + normals * rng.normal(0.0, sigma)[:, None]), sigma, blur_mm=SPACING_MM)
        for _ in range(RUNS)
    ]
    assert sum(_holds(f) for f in fits) >= FEWEST_HELD
    for fit in fits:
        side = fit.leeway.points_mm[:, 0] < 30
        assert fit.leeway.expanded_mm[side].max() < 2 * SURE_MM
        assert fit.leeway.expanded_mm[~side].max() > SURE_MM
    assert max(distance_between(f.path.segments, BENT.segments).worst_mm for f in fits) < 1.0


def test_a_cubic_that_all_but_turns_back_on_itself_is_no_less_sure_there() -> None:
    """Its handles reach past each other along a straight side, where its tangent swings round."""
    corners = np.array([[0.0, 0.0], [60.0, 0.0], [30.0, 40.0]])
    truth = Path.polygon(corners).oriented()
    points = np.asarray(truth.sample(SPACING_MM)[0])
    data = prepare(points, SURE_MM, None, SPACING_MM, 0.0, 0.1, closed=True)
    start = truth.segments[0][0]
    way = truth.segments[0][1] - start
    beside = 0.002 * np.array([-way[1], way[0]])
    folded = np.array([start, start + 1.02 * way + beside, start - 0.02 * way - beside, start + way])
    nodes = np.array([s[0] for s in truth.segments])
    places = [int(np.argmin(np.hypot(*(points - node).T))) for node in nodes]
    controls = [folded, *truth.segments[1:]]
    ends = np.array([[c[1] - c[0], c[-1] - c[-2]] for c in controls])
    chain = Chain(
        nodes=nodes.copy(),
        free=np.ones(3, dtype=bool),
        places=np.array(places, dtype=np.intp),
        kinds=["cubic", "line", "line"],
        start_rad=np.arctan2(ends[:, 0, 1], ends[:, 0, 0]),
        end_rad=np.arctan2(ends[:, 1, 1], ends[:, 1, 0]),
        start_log=np.log(np.hypot(*ends[:, 0].T)),
        end_log=np.log(np.hypot(*ends[:, 1].T)),
        reach=np.full(3, 0.3),
        closed=True,
    )
    leeway = leeway_of(chain, data)
    middle = np.hypot(*(leeway.points_mm - (start + way / 2)).T) < 10.0
    assert middle.sum() >= 5
    assert leeway.expanded_mm[middle].max() < 3.0 * SURE_MM
