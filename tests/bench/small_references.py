"""A 50 mm square or a card alone on an A3 sheet; ``python -m tests.bench.small_references [COUNT] [FIRST]``.

Photos of 12 megapixels, tilt up to 4 degrees, |k1| up to 0.02, square and card in turn, in a corner of the sheet or its
middle; in three scenes of four the sheet's edges are in view, in the fourth the paper runs out of the picture. The card
is found without being told; a photo of a square has no scale until somebody says how large it is.

Held against the renderer's truth is the map over the whole sheet: a grid of points, after the best shift and turn, with
what is stated of how sure their places are, and lengths as in ``tests.bench.scale_coverage``. References have the size
they should have; what they may be off by, and how far their faces lie above the paper, is in what is stated but not in
the error. With ``--trace`` the whole job is done, and every outline is held against the truth too.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from calibration import CalibrateOptions, CalibrationError, PxPoints, ReferenceRequest, calibrate
from fixtures import scenarios
from fixtures.compare import compare
from fixtures.files import Rendered
from fixtures.scene import Scene
from tests.bench import cpu_seconds
from tests.bench.scale_coverage import lengths
from tests.bench.scale_scenes import Case, as_jpeg, phone_photo, picture_of
from tracer.pattern import to_json
from tracer.pipeline import TraceOptions, pattern_of, trace


def photo(seed: int) -> tuple[Scene, Rendered, str, bool]:
    """Return the scene, its photo, the kind of its reference and whether the sheet's edges are in view."""
    rng = np.random.default_rng([seed, 61])
    kind = ("square=50mm", "card")[seed % 2]
    edges = seed // 2 % 4 != 3
    scene = scenarios.build(
        "reference",
        seed=seed,
        kind=kind,
        paper="A3",
        edges=edges,
        ground=str(rng.choice(["wood", "dark wood", "black", "grey table"])),
        pieces=4,
        corner=bool(rng.random() < 0.6),
    )
    made = phone_photo(scene, rng, width_px=4000, roll_deg=90.0, most_tilt_deg=4.0, seed=seed)
    return scene, as_jpeg(made), kind, edges


def run(seed: int, *, whole_job: bool = False) -> dict[str, Any]:
    """Measure one photo, and trace it too if asked to; return a line of the results. Lengths in mm."""
    scene, made, kind, edges = photo(seed)
    line: dict[str, Any] = {"seed": seed, "kind": kind, "edges": edges, "pieces": []}
    request = ReferenceRequest(kind="square", size="50mm") if kind.startswith("square") else None
    start = cpu_seconds()
    try:
        sheet = calibrate(picture_of(made), CalibrateOptions(request=request))
    except CalibrationError as error:
        return line | {"error": str(error)}
    line["seconds"] = cpu_seconds() - start
    x, y = np.meshgrid(np.linspace(0, scene.width_mm, 13), np.linspace(0, scene.height_mm, 17))
    mm = np.stack([x.ravel(), y.ravel()], axis=1)
    at = sheet.to_mm(PxPoints(made.camera.to_px(mm)))
    a, b = np.asarray(at) - np.mean(at, axis=0), mm - mm.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    off = np.linalg.norm(a @ (u @ vt) - b, axis=1)
    stated = 2.0 * sheet.shape_uncertainty_mm(at)
    case = Case(
        words=kind, rendered=made, request=request, area_mm=(0.0, 0.0, scene.width_mm, scene.height_mm), stretch=1.0
    )
    line |= {
        "reference": sheet.reference.kind,
        "worst": float(off.max()),
        "stated": float(stated.max()),
        "points_inside": float((off <= stated).mean()),
        "lengths": lengths(sheet, made.camera, case, np.random.default_rng([seed, 62]), 16),
    }
    if whole_job:
        result = trace(sheet, TraceOptions(words=False))
        found = compare(to_json(pattern_of([result.record], [t.piece for t in result.pieces])), made.truth)
        line["pieces"] = [[p.name, p.p95_mm, p.worst_mm, p.stated_mm, p.covered] for p in found.pieces]
        line["missed"], line["invented"] = list(found.missed), list(found.invented)
    return line


def words_of(line: dict[str, Any]) -> str:
    """Return a line of the results as text."""
    words = f"{line['seed']:4d} {line['kind']:12s} {'edges in view' if line['edges'] else 'no edges':13s}"
    if "error" in line:
        return f"{words} {line['error']}"
    off, stated = np.array([[abs(m - t), u] for t, m, u in line["lengths"]]).T
    words += (
        f" by {line['reference']:6s} worst point {line['worst']:.3f} mm, stated {line['stated']:.3f},"
        f" {line['points_inside']:.0%} inside; lengths off by {off.max():.3f}, stated {stated.max():.3f},"
        f" {(off <= stated).sum()} of {len(off)} inside; {line['seconds']:.1f} s"
    )
    if "missed" in line:
        pieces = line["pieces"]
        worst, said = (max((p[k] for p in pieces), default=float("nan")) for k in (2, 3))
        words += (
            f"; outlines worst {worst:.3f}, stated {said:.3f}, {sum(p[4] for p in pieces)} of {len(pieces)} covered,"
            f" missed {line['missed']}, invented {line['invented']}"
        )
    return words


def main() -> None:
    """Run and print a line for each photo and the counts."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.small_references", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=8)
    parser.add_argument("first", nargs="?", type=int, default=0)
    parser.add_argument("--trace", action="store_true", help="do the whole job")
    parser.add_argument("--results", type=Path, help="file to write the results to, a line a photo")
    args = parser.parse_args()
    lines = []
    for seed in range(args.first, args.first + args.count):
        lines.append(run(seed, whole_job=args.trace))
        if args.results:
            with args.results.open("a", encoding="utf-8") as file:
                file.write(json.dumps(lines[-1]) + "\n")
        print(words_of(lines[-1]), flush=True)
    for edges in (True, False):
        some = [line for line in lines if "error" not in line and line["edges"] == edges]
        if some:
            inside = [abs(m - t) <= u for line in some for t, m, u in line["lengths"]]
            print(
                f"{'edges in view' if edges else 'no edges'}: {len(some)} photos, worst point"
                f" {max(s['worst'] for s in some):.3f} mm; {sum(inside)} of {len(inside)} lengths inside,"
                f" {np.mean([s['points_inside'] for s in some]):.1%} of points"
            )


if __name__ == "__main__":
    main()
