"""How well the grid of a cutting mat is found; ``python -m tests.bench.mat_photos [COUNT] [FIRST] [--trace]``.

Every photo differs: mat (inch, half inch, centimetre; colour; heavier lines), what lies on it, tilt up to 20 degrees in
any direction, roll, lens |k1| up to 0.12, focal length, noise, blur, light. No reference option is given. The truth is
the renderer's camera; errors are those of the whole mat's nodes after the best shift and turn.

With ``--trace`` the mats are all 24x36 in, and the whole job is done without any option: calibration and tracing, and
every traced outline is held against the renderer's truth in both directions after the best shift and turn. A file of
results makes the run resumable.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration import CalibrateOptions, CalibrationError, calibrate
from calibration.camera_fit import fit_camera
from calibration.picture import Picture, PxPoints, Source
from calibration.references.mat import find
from calibration.references.reference import Reference, SearchPicture
from fixtures import render, scenarios
from fixtures.compare import compare
from fixtures.references import grid_points
from tests.bench import cpu_seconds
from tests.bench.scale_scenes import as_jpeg, picture_of
from tracer.pattern import to_json
from tracer.pipeline import TraceOptions, pattern_of, trace

FULL_IN = (36.0, 24.0)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one photo. Lengths in mm; ``seconds`` of processor time."""

    words: str
    found: int
    size: str
    p95: float = float("nan")
    worst: float = float("nan")
    scale: float = float("nan")
    seconds: float = float("nan")


def photo(seed: int, *, width_px: int = 4000, mat_in: tuple[float, float] | None = None) -> tuple[render.Rendered, str]:
    """Return a random photo of a mat, of a given size or any, and what it is, in a few words."""
    rng = np.random.default_rng([seed, 2024])
    pitch = str(rng.choice(["1in", "1in", "1in", "0.5in", "10mm"]))
    size_in = [(36.0, 24.0), (36.0, 24.0), (36.0, 24.0), (24.0, 18.0), (18.0, 12.0)][rng.integers(5)]
    size_in = mat_in or size_in
    colour = str(rng.choice(list(scenarios.references_alone.MATS)))
    heavy = {"1in": [0, 0, 6, 12], "0.5in": [2, 2, 2, 2], "10mm": [5, 5, 10, 5]}[pitch][rng.integers(4)]
    made_of = str(rng.choice(["card", "paper", "sheet"]))
    scale = size_in[1] / 24.0
    scene = scenarios.build(
        "mat",
        seed=seed,
        pitch=pitch,
        size_in=size_in,
        colour=colour,
        heavy_every=heavy,
        made_of=made_of,
        pieces=int(rng.integers(4, 9)),
        size=2.0 * scale,
        half_lines=bool(pitch == "1in" and rng.random() < 0.3),
    )
    look = {
        "tilt_deg": float(rng.uniform(0, 20)),
        "azimuth_deg": float(rng.uniform(0, 360)),
        "roll_deg": float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 6)),
        "k1": float(rng.uniform(-0.12, 0.12)),
        "k2": float(rng.uniform(-0.03, 0.03)),
        "focal_35mm": float(rng.choice([24.0, 26.0, 28.0, 50.0])),
        "exif_focal": bool(rng.random() < 0.6),
        "noise": float(rng.uniform(0.004, 0.02)),
        "blur_px": float(rng.uniform(0.6, 1.3)),
        "fill": float(rng.uniform(0.85, 1.02)),
    }
    words = (
        f"{size_in[0]:g}x{size_in[1]:g}in {pitch} {colour} heavy {heavy} {made_of}"
        f" tilt {look['tilt_deg']:.0f} k1 {look['k1']:.2f}"
    )
    picture = render.photo(scene, width_px=width_px, height_px=width_px * 3 // 4, seed=seed, **look)
    return picture, words


def as_search(picture: render.Rendered, *, quality: int = 92) -> SearchPicture:
    """Return the picture as it comes from a phone: compressed."""
    coded = cv2.imencode(".jpg", picture.pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    pixels = cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1].copy()
    truth = picture.truth["picture"]
    focal = truth["focal_px"] if picture.focal_35mm is not None else None
    return SearchPicture(
        picture=Picture(pixels=pixels, source=Source(file="photo.jpg", page=None, sha256=""), focal_px=focal)
    )


def judge(picture: render.Rendered, references: list[Reference], words: str, seconds: float) -> Outcome:
    """Compare the plane fitted to a found grid with the true camera."""
    truth = next(r for r in picture.truth["references"] if r["kind"] == "mat")
    if not references:
        return Outcome(words=words, found=0, size="", seconds=seconds)
    best = references[0]
    height, width = picture.pixels.shape[:2]
    fit = fit_camera(best.points_px, best.points_mm, best.sigma_px, width_px=width, height_px=height, model="photo")
    mm = grid_points(truth)
    px = picture.camera.to_px(mm)
    seen = (px > 0).all(axis=1) & (px[:, 0] < width - 1) & (px[:, 1] < height - 1)
    found = np.asarray(fit.plane.to_mm(PxPoints(px[seen])))
    a, b = found - found.mean(axis=0), mm[seen] - mm[seen].mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    miss = np.linalg.norm(a @ (u @ vt) - b, axis=1)
    return Outcome(
        words=words,
        found=len(references),
        size=best.size,
        p95=float(np.percentile(miss, 95)),
        worst=float(miss.max()),
        scale=float(((a @ (u @ vt)) * b).sum() / (b * b).sum() - 1),
        seconds=seconds,
    )


def run(seed: int) -> Outcome:
    """Render one photo, find its grid and judge it."""
    picture, words = photo(seed)
    scene = as_search(picture)
    start = cpu_seconds()
    references = find(scene, None)
    return judge(picture, references, words, cpu_seconds() - start)


def traced(seed: int) -> dict[str, Any]:
    """Do the whole job on one photo of a full-size mat; return what came of it, as a line of the results."""
    picture, words = photo(seed, mat_in=FULL_IN)
    picture = as_jpeg(picture)
    line: dict[str, Any] = {"seed": seed, "words": words}
    start = cpu_seconds()
    try:
        sheet = calibrate(picture_of(picture), CalibrateOptions())
    except CalibrationError as error:
        return line | {"error": str(error)}
    grid = (
        judge(picture, [sheet.reference], words, 0.0)
        if sheet.reference.kind == "mat"
        else Outcome(words="", found=0, size="")
    )
    result = trace(sheet, TraceOptions(words=False))
    seconds = cpu_seconds() - start
    found = compare(to_json(pattern_of([result.record], [t.piece for t in result.pieces])), picture.truth)
    return line | {
        "reference": f"{sheet.reference.kind} {sheet.reference.size}",
        "scale": grid.scale,
        "pieces": [[p.name, p.p95_mm, p.worst_mm, p.stated_mm, p.covered] for p in found.pieces],
        "missed": list(found.missed),
        "invented": list(found.invented),
        "seconds": seconds,
    }


def summary(lines: list[dict[str, Any]]) -> str:
    """Return the figures of traced photos."""
    good = [line for line in lines if "error" not in line]
    pieces = np.array([p[1:] for line in good for p in line["pieces"]], dtype=float)
    scales = np.abs([line["scale"] for line in good])
    missed, invented = (sum(len(line[key]) for line in good) for key in ("missed", "invented"))
    return (
        f"{len(good)} of {len(lines)} photos calibrated, {len(pieces)} pieces traced, {missed} missed, {invented}"
        f" invented\noutline p95 mm: median {np.median(pieces[:, 0]):.4f}, most {pieces[:, 0].max():.4f}; worst"
        f" {pieces[:, 1].max():.4f}; stated covers {pieces[:, 3].mean():.1%}, median {np.median(pieces[:, 2]):.3f} mm;"
        f" scale off by {scales.max():.2e} at most; {np.median([line['seconds'] for line in good]):.1f} s each"
    )


def _trace_all(seeds: range, results: Path | None) -> None:
    lines = []
    if results and results.exists():
        lines = [json.loads(text) for text in results.read_text(encoding="utf-8").splitlines()]
    lines = [line for line in lines if line["seed"] in seeds]
    for seed in sorted(set(seeds) - {line["seed"] for line in lines}):
        line = traced(seed)
        lines.append(line)
        if results:
            with results.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
    for line in sorted(lines, key=lambda one: one["seed"]):
        if "error" in line:
            print(f"{line['seed']:4d} {line['words']:62s} {line['error']}")
            continue
        p95, worst = (max((p[k] for p in line["pieces"]), default=float("nan")) for k in (1, 2))
        print(
            f"{line['seed']:4d} {line['words']:62s} {line['reference']:9s} p95 {p95:.4f} worst {worst:.4f} mm"
            f" scale {line['scale']:+.1e} missed {line['missed']} invented {line['invented']}"
        )
    print(summary(lines))


def main() -> None:
    """Run and print a line for each photo and the summary."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mat_photos", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=40)
    parser.add_argument("first", nargs="?", type=int, default=0)
    parser.add_argument("--trace", action="store_true", help="do the whole job on mats of 24x36 in")
    parser.add_argument("--results", type=Path, help="file to keep the results of --trace in, a line a photo")
    args = parser.parse_args()
    count, first = args.count, args.first
    if args.trace:
        _trace_all(range(first, first + count), args.results)
        return
    outcomes = []
    for seed in range(first, first + count):
        o = run(seed)
        outcomes.append(o)
        print(
            f"{seed:4d} {o.words:62s} found {o.found} {o.size:6s} p95 {o.p95:.4f} worst {o.worst:.4f} mm"
            f" scale {o.scale:+.1e} {o.seconds:.1f} s",
            flush=True,
        )
    good = [o for o in outcomes if o.found == 1]
    print(f"{len(good)} of {count} found with one pitch; {sum(o.found > 1 for o in outcomes)} ambiguous")
    if good:
        print(
            f"p95 mm: median {np.median([o.p95 for o in good]):.4f}, worst {max(o.p95 for o in good):.4f};"
            f" worst point {max(o.worst for o in good):.4f} mm; worst scale {max(abs(o.scale) for o in good):.1e}"
        )


if __name__ == "__main__":
    main()
