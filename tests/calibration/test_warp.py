"""The smooth warp: taken out where many points show it, and never where they do not.

Points come from a pinhole written out here that looks at paper of a known height above the table, so that the truth is
exact and shares no code with the package.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import CalibrateOptions, MmPoints, PxPoints, SmoothWarp, calibrate
from calibration.camera_fit import CameraFit, fit_camera
from calibration.fitted import from_camera_fit
from calibration.warp_fit import held_back, smoothly_off, with_warp
from fixtures import render
from tests.calibration.scenes import picture_of
from tests.calibration.test_target import page
from tracer.report.shown import map_from_json, map_to_json

Floats = NDArray[np.float64]
SIZE = (4000, 3000)
FOCAL = 2900.0
NOISE_PX = 0.05


def seen(mm: Floats, height_mm: float, waves: float) -> Floats:
    """Return pixels of points on paper that rises and falls along x; tilt 0.1 rad, one lens coefficient."""
    up = height_mm * np.sin(np.pi * waves * mm[:, 0] / 450) ** 2
    x, y = mm[:, 0] - 225, mm[:, 1] - 150
    c, s = np.cos(0.1), np.sin(0.1)
    q = np.stack([x, c * y + s * up, 420 + s * y - c * up], axis=1)
    u = q[:, :2] / q[:, 2:]
    u = u * (1 + 0.02 * (u**2).sum(axis=1, keepdims=True))
    return u * FOCAL + [(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2]


def lattice(step_mm: float = 25.0, low: float = 0.0, high: float = 1.0) -> Floats:
    x, y = np.meshgrid(np.arange(0, 451, step_mm), np.arange(0, 301, step_mm))
    mm = np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64)
    return mm[(mm[:, 0] >= 450 * low) & (mm[:, 0] <= 450 * high)]


def fitted_to(mm: Floats, px: Floats, sigma: float = NOISE_PX) -> CameraFit:
    return fit_camera(
        PxPoints(px),
        MmPoints(mm),
        sigma,
        width_px=SIZE[0],
        height_px=SIZE[1],
        tolerances_relative=[1e-6],
        model="photo",
    )


def noisy(mm: Floats, height_mm: float, waves: float, seed: int, noise: float = NOISE_PX) -> Floats:
    return seen(mm, height_mm, waves) + np.random.default_rng(seed).normal(0, noise, (len(mm), 2))


def misses_mm(got: Floats, truth: Floats) -> Floats:
    a, b = got - got.mean(axis=0), truth - truth.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    return np.asarray(np.linalg.norm(a @ (u @ vt) - b, axis=1))


BETWEEN = lattice(11.0) * [0.96, 0.94] + [8, 7]


@pytest.mark.parametrize(("height_mm", "waves"), [(1.0, 2.0), (2.0, 1.0), (1.0, 3.0)])
def test_paper_lifted_by_a_millimetre_in_waves_is_measured_as_if_it_were_flat(height_mm: float, waves: float) -> None:
    mm = lattice()
    fit = fitted_to(mm, noisy(mm, height_mm, waves, 1))
    warped = with_warp(fit, SIZE)
    assert warped is not None
    px = PxPoints(seen(BETWEEN, height_mm, waves))
    without = misses_mm(np.asarray(fit.plane.to_mm(px)), BETWEEN)
    left = misses_mm(np.asarray(warped.plane.to_mm(px)), BETWEEN)
    assert np.percentile(without, 95) > 0.1
    assert np.percentile(left, 95) < 0.3 * np.percentile(without, 95)
    assert left.max() < 0.5 * without.max()
    assert warped.residual_rms_mm < 0.4 * fit.residual_rms_mm


@pytest.mark.parametrize("noise", [NOISE_PX, 0.4])
def test_flat_paper_gets_no_warp_however_badly_its_points_are_read(noise: float) -> None:
    mm = lattice()
    for seed in range(8):
        fit = fitted_to(mm, noisy(mm, 0.0, 1.0, seed, noise))
        judged, _ = held_back(fit, SIZE)
        assert judged is not None
        assert not judged.accepted
        assert with_warp(fit, SIZE) is None


def test_lines_printed_unevenly_are_no_waves() -> None:
    """Single lines of a mat off by 0.1 mm, each by itself: nothing that neighbours share."""
    rng = np.random.default_rng(5)
    mm = lattice()
    off_x, off_y = rng.normal(0, 0.1, 40), rng.normal(0, 0.1, 40)
    printed = mm + np.stack([off_x[(mm[:, 0] / 25).astype(int)], off_y[(mm[:, 1] / 25).astype(int)]], axis=1)
    fit = fitted_to(mm, noisy(printed, 0.0, 1.0, 2))
    warped = with_warp(fit, SIZE)
    if warped is not None:
        px = PxPoints(seen(BETWEEN, 0.0, 1.0))
        left = misses_mm(np.asarray(warped.plane.to_mm(px)), BETWEEN)
        without = misses_mm(np.asarray(fit.plane.to_mm(px)), BETWEEN)
        assert np.sqrt((left**2).mean()) < 1.1 * np.sqrt((without**2).mean())


def test_a_few_points_justify_nothing() -> None:
    mm = lattice(90.0)
    fit = fitted_to(mm, noisy(mm, 2.0, 2.0, 1))
    assert len(mm) < 40
    assert with_warp(fit, SIZE) is None


def test_misread_points_do_not_bend_the_warp() -> None:
    mm = lattice()
    px = noisy(mm, 1.0, 2.0, 3)
    wrong = np.random.default_rng(4).choice(len(px), 12, replace=False)
    px[wrong] += np.random.default_rng(6).normal(0, 15, (12, 2))
    warped = with_warp(fitted_to(mm, px), SIZE)
    assert warped is not None
    at = PxPoints(seen(BETWEEN, 1.0, 2.0))
    assert np.percentile(misses_mm(np.asarray(warped.plane.to_mm(at)), BETWEEN), 95) < 0.06


def test_the_map_with_a_warp_goes_both_ways_and_through_its_record() -> None:
    mm = lattice()
    warped = with_warp(fitted_to(mm, noisy(mm, 1.0, 2.0, 1)), SIZE)
    assert warped is not None
    plane = warped.plane
    px = PxPoints(np.random.default_rng(2).uniform(0, 1, (500, 2)) * SIZE)
    assert np.abs(np.asarray(plane.to_px(plane.to_mm(px))) - px).max() < 1e-6
    again = map_from_json(json.loads(json.dumps(map_to_json(plane))))
    assert np.abs(np.asarray(again.to_mm(px)) - plane.to_mm(px)).max() < 1e-9
    assert np.abs(
        np.asarray(again.to_mm(px)) - from_camera_fit(fitted_to(mm, seen(mm, 1.0, 2.0))).plane.to_mm(px)
    ).max()


def test_away_from_its_points_the_warp_dies_and_its_uncertainty_stays() -> None:
    mm = lattice(high=0.5)
    warped = with_warp(fitted_to(mm, noisy(mm, 1.5, 4.0, 1)), SIZE)
    assert warped is not None
    assert warped.plane.warp is not None
    inside = seen(lattice(20.0, low=0.1, high=0.4), 1.5, 4.0)
    outside = seen(lattice(20.0, low=0.9, high=1.0), 1.5, 4.0)
    shift = np.hypot(*warped.plane.warp.shift(inside).T)
    assert np.hypot(*warped.plane.warp.shift(outside).T).max() < 0.05 * shift.max()
    parts = [
        {c.name: c.standard_uncertainty for c in warped.budget(PxPoints(at)).components} for at in (inside, outside)
    ]
    assert parts[1]["flatness"] > 2 * parts[0]["flatness"] > 0


def test_lengths_on_wavy_paper_lie_within_what_is_stated() -> None:
    inside = []
    for seed in range(6):
        mm = lattice()
        rng = np.random.default_rng(seed)
        height, waves = float(rng.uniform(0.5, 1.5)), float(rng.uniform(1, 3))
        warped = with_warp(fitted_to(mm, noisy(mm, height, waves, seed)), SIZE)
        assert warped is not None
        ends = rng.uniform([10, 10], [440, 290], (40, 2))
        px = PxPoints(seen(ends, height, waves))

        def lengths(points: Floats) -> Floats:
            return np.asarray(np.hypot(*(points[::2] - points[1::2]).T))

        got = lengths(np.asarray(warped.plane.to_mm(px)))
        spread = np.sqrt(
            np.mean([(lengths(np.asarray(a.to_mm(px))) - got) ** 2 for a in warped.alternatives()], axis=0)
        )
        inside.append(np.abs(got - lengths(ends)) <= 2 * spread)
        assert np.median(2 * spread) < 0.2
    assert np.mean(inside) > 0.9


def test_waves_are_told_from_a_lattice_that_is_none() -> None:
    mm = lattice()
    assert smoothly_off(fitted_to(mm, noisy(mm, 1.0, 2.0, 1)), 12.0)
    scattered = noisy(mm, 0.0, 1.0, 1, 1.0)
    assert not smoothly_off(fitted_to(mm, scattered), 12.0)


def test_splines_add_up_to_one_and_follow_a_plane_exactly() -> None:
    """Uniform cubic B-splines reproduce polynomials up to the third degree; a plane has its values as coefficients."""
    warp = SmoothWarp.over(*SIZE, 700.0)
    rows, columns = warp.coefficients_px.shape[:2]
    x = warp.origin_px[0] + 700.0 * np.arange(columns)
    y = warp.origin_px[1] + 700.0 * np.arange(rows)
    xx, yy = np.meshgrid(x, y)
    plane = warp.moved_by(np.concatenate([(0.001 * xx + 2).ravel(), (0.002 * yy - 1).ravel()]))
    px = np.random.default_rng(1).uniform(0, 1, (200, 2)) * [SIZE[0] - 1, SIZE[1] - 1]
    assert np.abs(warp.basis(PxPoints(px)).sum(axis=1) - 1).max() < 1e-12
    assert np.abs(plane.shift(px) - np.stack([0.001 * px[:, 0] + 2, 0.002 * px[:, 1] - 1], axis=1)).max() < 1e-9


def test_a_target_that_is_lifted_by_two_millimetres_is_told_and_undone() -> None:
    photo = render.photo(
        page(),
        width_px=1200,
        height_px=900,
        tilt_deg=5,
        roll_deg=90,
        k1=0.03,
        curl_mm=2.0,
        curl_waves=2,
        noise=0.008,
        seed=11,
        supersample=1,
    )
    sheet = calibrate(picture_of(photo), CalibrateOptions())
    assert sheet.reference.kind == "target"
    assert [f.severity for f in sheet.findings if f.code == "waves-taken-out"] == ["note"]
    assert "flatness" in [c.name for c in sheet.budget.components]
    x, y = np.meshgrid(np.linspace(40, 170, 15), np.linspace(40, 220, 19))
    mm = np.stack([x.ravel(), y.ravel()], axis=1)
    off = misses_mm(np.asarray(sheet.to_mm(PxPoints(photo.camera.to_px(mm)))), mm)
    assert np.percentile(off, 95) < 0.05
