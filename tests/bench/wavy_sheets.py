"""Mats and targets that lie in gentle waves; ``python -m tests.bench.wavy_sheets [KIND] [COUNT] [FIRST]``.

Photos of 6.75 megapixels of an 18x12 in mat under cards and of a printed target beside a drawn sheet, tilt up to 15
degrees, |k1| up to 0.1, flat and lifted in four ways. Printed is how far a grid of points over the reference's extent
lies off after the best shift and turn, with what the tool does and with the warp left out. The renderer lifts the sheet
without stretching its drawing: what is measured is the sheet as seen from straight above.
"""

from __future__ import annotations

import argparse
from unittest.mock import patch

import numpy as np

from calibration import CalibrateOptions, CalibrationError, PxPoints, ReferenceRequest, Sheet, calibrate
from fixtures import render, scenarios
from fixtures.files import Rendered
from fixtures.scenarios.surroundings import MATS
from tests.bench.scale_scenes import as_jpeg, drawn, lay_target, picture_of

LIFTS = ((0.0, 0), (0.5, 2), (1.0, 3), (2.0, 0), (2.0, 2))
"""Height in mm and number of waves; none is one bulge over the whole width."""


def photo(kind: str, seed: int, lift_mm: float, waves: int) -> Rendered:
    """Return the photo of one scene; the same but for the lift for one seed."""
    rng = np.random.default_rng([seed, 71])
    if kind == "mat":
        scene = scenarios.build(
            "mat",
            seed=seed,
            pitch="1in",
            size_in=(18.0, 12.0),
            heavy_every=6,
            colour=str(rng.choice(list(MATS))),
            made_of="card",
            pieces=3,
            size=0.9,
        )
    else:
        scene = drawn("none", True, "A3", seed, rng)
        lay_target(scene, (float(rng.uniform(5, 80)), float(rng.uniform(5, 115))))
    return as_jpeg(
        render.photo(
            scene,
            width_px=3000,
            height_px=2250,
            tilt_deg=float(rng.uniform(0, 15)),
            azimuth_deg=float(rng.uniform(0, 360)),
            roll_deg=0.0 if kind == "mat" else 90.0,
            k1=float(rng.uniform(-0.1, 0.1)),
            curl_mm=lift_mm,
            curl_waves=waves,
            seed=seed,
            supersample=1,
            quality=92,
        )
    )


def misses_mm(sheet: Sheet, made: Rendered) -> np.ndarray:
    """Return how far points over the reference's extent lie off, after the best shift and turn."""
    low, high = np.min(sheet.reference.points_px, axis=0), np.max(sheet.reference.points_px, axis=0)
    x, y = np.meshgrid(np.linspace(low[0], high[0], 25), np.linspace(low[1], high[1], 19))
    px = np.stack([x.ravel(), y.ravel()], axis=1)
    at, mm = np.asarray(sheet.to_mm(PxPoints(px))), made.camera.to_mm(px)
    a, b = at - at.mean(axis=0), mm - mm.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    return np.asarray(np.linalg.norm(a @ (u @ vt) - b, axis=1))


def main() -> None:
    """Run and print a line for each photo."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.wavy_sheets", description=__doc__)
    parser.add_argument("kind", nargs="?", choices=("mat", "target"), default="target")
    parser.add_argument("count", nargs="?", type=int, default=1)
    parser.add_argument("first", nargs="?", type=int, default=0)
    args = parser.parse_args()
    # Most of the grid is covered: the pitch is said, so that no photo is refused for being taken for another one.
    request = ReferenceRequest(kind="mat", size="1in") if args.kind == "mat" else None
    options = CalibrateOptions(request=request, reference_tolerance_relative=1e-6)
    for seed in range(args.first, args.first + args.count):
        for lift_mm, waves in LIFTS:
            made = photo(args.kind, seed, lift_mm, waves)
            words = f"{args.kind} {seed} lifted {lift_mm} mm in {waves} waves:"
            try:
                sheet = calibrate(picture_of(made), options)
                off = misses_mm(sheet, made)
                words += f" {sheet.reference.kind} p95 {np.percentile(off, 95):.4f} worst {off.max():.4f} mm"
                if sheet.plane.warp is None:
                    words += ", no warp"
                else:
                    with patch("calibration.solve.with_warp", lambda *_: None):
                        off = misses_mm(calibrate(picture_of(made), options), made)
                    words += f", without the warp p95 {np.percentile(off, 95):.4f} worst {off.max():.4f} mm"
            except CalibrationError as error:
                words += f" {error}"
            print(words, flush=True)


if __name__ == "__main__":
    main()
