"""Fitted maps: parts of the covariance, steps along what a picture fixes, budgets."""

from __future__ import annotations

import numpy as np
import pytest

from calibration import MmPoints, PxPoints
from calibration.camera_fit import CameraFit, fit_camera
from calibration.camera_step import stepped
from calibration.fitted import from_camera_fit, grid_over

WIDTH, HEIGHT = 2000, 1500
FOCAL = 1500.0


def seen(mm: np.ndarray, tilt: float = 0.07, k1: float = 0.01) -> np.ndarray:
    """Pinhole with one lens coefficient, written out here."""
    c, s = np.cos(tilt), np.sin(tilt)
    x, y, z = mm[:, 0] - 100, c * (mm[:, 1] - 80), 400 + s * (mm[:, 1] - 80)
    u, v = x / z, y / z
    radial = 1 + k1 * (u * u + v * v)
    return np.stack([u * radial * FOCAL + (WIDTH - 1) / 2, v * radial * FOCAL + (HEIGHT - 1) / 2], axis=1)


@pytest.fixture(scope="module")
def fit() -> CameraFit:
    mm = np.array([[70, 50], [120, 50], [120, 100], [70, 100]], dtype=np.float64)
    return fit_camera(
        PxPoints(seen(mm)),
        MmPoints(mm),
        0.05,
        width_px=WIDTH,
        height_px=HEIGHT,
        tolerances_relative=[2e-4],
        model="photo",
    )


def test_parts_by_origin_add_up_to_the_covariance(fit: CameraFit) -> None:
    fitted = from_camera_fit(fit)
    size = np.sqrt(np.diag(fit.covariance))
    total = np.asarray(sum(fitted.shares.values()))
    assert np.allclose(total / np.outer(size, size), fit.covariance / np.outer(size, size), atol=1e-9)
    for name, share in fitted.shares.items():
        values = np.linalg.eigvalsh(share / np.outer(size, size))
        assert values.min() > -1e-6, name


def test_a_step_of_focal_length_with_all_that_trades_against_it_leaves_the_map(fit: CameraFit) -> None:
    """Distance, tilt and lens follow a change of focal length by a third; a straight step changes sizes by 5 %."""
    d = 0.3
    theta, names = fit.parameters, list(fit.names)
    step = np.zeros_like(theta)
    step[names.index("log_focal")] = d
    for name, power in (("x", 1), ("y", 1), ("z", 1), ("k1", 2), ("k2", 4), ("p1", 1), ("p2", 1), ("k3", 6)):
        step[names.index(name)] = power * d * theta[names.index(name)]
    camera = fit.camera
    turn = camera.turn0 @ np.eye(3)  # type: ignore[attr-defined]
    nx, ny = d * turn[0, 2], d * turn[1, 2]
    step[:3] = camera.turn0.T @ np.array([-ny, nx, 0.0])  # type: ignore[attr-defined]
    points = grid_over(WIDTH, HEIGHT)
    here = np.asarray(camera.plane(theta).to_mm(points))
    along = np.asarray(camera.plane(stepped(camera, theta, step)).to_mm(points))
    straight = np.asarray(camera.plane(theta + step).to_mm(points))

    def off(mm: np.ndarray) -> float:
        return float(np.ptp(mm, axis=0).max() / np.ptp(here, axis=0).max() - 1)

    assert abs(off(straight)) > 0.03
    assert abs(off(along)) < 0.004


def test_alternatives_spread_as_the_budget_says_and_lie_about_the_map(fit: CameraFit) -> None:
    fitted = from_camera_fit(fit)
    points = PxPoints(np.array([[600.0, 400], [1400, 400], [1400, 1100], [600, 1100]]))
    here = np.asarray(fitted.plane.to_mm(points))
    reach = np.sqrt(((here - here.mean(axis=0)) ** 2).sum(axis=1).mean())

    def left_over(mm: np.ndarray) -> float:
        a, b = mm - mm.mean(axis=0), here - here.mean(axis=0)
        turn = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
        c, s = np.cos(turn), np.sin(turn)
        return float(((a @ np.array([[c, s], [-s, c]]) - b) ** 2).sum(axis=1).mean())

    spread = np.sqrt(np.mean([left_over(np.asarray(p.to_mm(points))) for p in fitted.alternatives()]))
    assert 1000 * spread / reach == pytest.approx(fitted.budget(points).combined, rel=0.03)
    assert [a.focal_px for a in fitted.alternatives()] == [a.focal_px for a in fitted.alternatives()]


def test_what_the_reading_costs_beyond_the_reference_is_called_extrapolation(fit: CameraFit) -> None:
    fitted = from_camera_fit(fit)
    grid = grid_over(WIDTH, HEIGHT)
    whole = fitted.budget(grid)
    split = fitted.budget(grid, PxPoints(seen(np.array([[70.0, 50], [120, 50], [120, 100], [70, 100]]))))
    assert split.combined == pytest.approx(whole.combined, rel=1e-9)
    parts = {c.name: c.standard_uncertainty for c in split.components}
    assert parts["extrapolation"] > 3 * parts["reading"] > 0
