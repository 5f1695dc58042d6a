"""A 50 mm square or a card alone on an A3 sheet; ``python -m tests.bench.small_references [COUNT] [FIRST]``.

Photos of 12 megapixels, tilt up to 4 degrees, |k1| up to 0.02, square and card in turn, in a corner of the sheet or its
middle; in three scenes of four the sheet's edges are in view, in the fourth the paper runs out of the picture. The card
is found without being told; a photo of a square has no scale until somebody says how large it is.

The whole job is done and every outline held against the renderer's truth after the best shift and turn. Beside it
stands how well the map alone does over the whole sheet: the worst of a grid of points, after the best shift and turn,
and lengths as in ``tests.bench.scale_coverage``. References have the size they should have; what they may be off by,
and how far their faces lie above the paper, is in what is stated but not in the error.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import numpy as np

from calibration import CalibrateOptions, CalibrationError, PxPoints, ReferenceRequest, calibrate
from fixtures import render, scenarios
from fixtures.compare import compare
from fixtures.files import Rendered
from fixtures.scene import Scene
from tests.bench.scale_coverage import lengths
from tests.bench.scale_scenes import Case, as_jpeg, picture_of
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
    made = render.photo(
        scene,
        width_px=4000,
        height_px=3000,
        roll_deg=90.0 + float(rng.normal(0, 2)),
        tilt_deg=float(rng.uniform(0, 4)),
        azimuth_deg=float(rng.uniform(0, 360)),
        k1=float(rng.uniform(-0.02, 0.02)),
        focal_35mm=float(rng.choice([24.0, 26.0, 28.0])),
        exif_focal=bool(rng.random() < 0.6),
        noise=float(rng.uniform(0.006, 0.018)),
        blur_px=float(rng.uniform(0.7, 1.1)),
        seed=seed,
    )
    return scene, as_jpeg(made), kind, edges


def run(seed: int) -> dict[str, Any]:
    """Do the whole job on one photo; return what came of it, as a line of the results. Lengths in mm."""
    scene, made, kind, edges = photo(seed)
    line: dict[str, Any] = {"seed": seed, "kind": kind, "edges": edges}
    request = ReferenceRequest(kind="square", size="50mm") if kind.startswith("square") else None
    start = time.process_time()
    try:
        sheet = calibrate(picture_of(made), CalibrateOptions(request=request))
    except CalibrationError as error:
        return line | {"error": str(error)}
    result = trace(sheet, TraceOptions(words=False))
    line["seconds"] = time.process_time() - start
    found = compare(to_json(pattern_of([result.record], [t.piece for t in result.pieces])), made.truth)
    x, y = np.meshgrid(np.linspace(0, scene.width_mm, 13), np.linspace(0, scene.height_mm, 17))
    mm = np.stack([x.ravel(), y.ravel()], axis=1)
    at = np.asarray(sheet.to_mm(PxPoints(made.camera.to_px(mm))))
    a, b = at - at.mean(axis=0), mm - mm.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    area = (0.0, 0.0, scene.width_mm, scene.height_mm)
    case = Case(words=kind, rendered=made, request=request, area_mm=area, stretch=1.0)
    return line | {
        "reference": sheet.reference.kind,
        "over_sheet": float(np.linalg.norm(a @ (u @ vt) - b, axis=1).max()),
        "lengths": lengths(sheet, made.camera, case, np.random.default_rng([seed, 62]), 16),
        "pieces": [[p.name, p.p95_mm, p.worst_mm, p.stated_mm, p.covered] for p in found.pieces],
        "missed": list(found.missed),
        "invented": list(found.invented),
    }


def main() -> None:
    """Run and print a line for each photo and the counts."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.small_references", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=8)
    parser.add_argument("first", nargs="?", type=int, default=0)
    parser.add_argument("--results", type=Path, help="file to keep the results in, a line a photo")
    args = parser.parse_args()
    lines = []
    for seed in range(args.first, args.first + args.count):
        line = run(seed)
        lines.append(line)
        if args.results:
            with args.results.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
        words = f"{seed:4d} {line['kind']:12s} {'edges in view' if line['edges'] else 'no edges':13s}"
        if "error" in line:
            print(words, line["error"], flush=True)
            continue
        off, stated = np.array([[abs(m - t), u] for t, m, u in line["lengths"]]).T
        p95, worst, said = (max((p[k] for p in line["pieces"]), default=float("nan")) for k in (1, 2, 3))
        print(
            f"{words} {line['reference']:6s} outlines p95 {p95:.3f} worst {worst:.3f} stated {said:.3f}"
            f" covered {sum(p[4] for p in line['pieces'])} of {len(line['pieces'])}; sheet {line['over_sheet']:.3f};"
            f" lengths off {off.max():.3f} stated {stated.max():.3f} inside {(off <= stated).sum()} of {len(off)};"
            f" missed {line['missed']} invented {line['invented']} {line['seconds']:.0f} s",
            flush=True,
        )
    for edges in (True, False):
        some = [line for line in lines if "error" not in line and line["edges"] == edges]
        pieces = [p for line in some for p in line["pieces"]]
        if some and pieces:
            print(
                f"{'edges in view' if edges else 'no edges'}: {len(some)} photos, {len(pieces)} pieces, worst outline"
                f" error {max(p[2] for p in pieces):.3f} mm, over the sheet {max(s['over_sheet'] for s in some):.3f}"
                f" mm; covered {sum(p[4] for p in pieces)} of {len(pieces)}"
            )


if __name__ == "__main__":
    main()
