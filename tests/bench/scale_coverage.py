"""How often the stated interval of a length holds the truth; ``python -m tests.bench.scale_coverage --results FILE``.

Random scenes with one reference each (:mod:`tests.bench.scale_scenes`: every kind, scans and photos). In each, lengths
as wide and as high as pattern pieces are measured through the map, anywhere on the sheet, and compared with the
renderer's truth; what is stated is what pieces' widths and heights are stated with (``alternatives`` of the sheet).

The file of results grows by a line a scene and is taken up again, so that a run may be broken off. That the stated
tolerances are right for real cards, rulers and mats is not shown by this: references are as wrong as they say.

A Gaussian error whose standard uncertainty is known exactly is inside of k = 2 in 95.4 % of cases, and its expanded
uncertainty is 2.0 times its root mean square and 3.0 times its median. All lengths of a scene share one map, so that
200 scenes tell the rate to about 1.5 %.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

from calibration import CalibrateOptions, CalibrationError, PxPoints, Sheet, calibrate
from tests.bench import cpu_seconds
from tests.bench.scale_scenes import Case, as_jpeg, case, picture_of

__all__ = ["as_jpeg", "lengths", "picture_of"]

LENGTHS = 8


def lengths(
    sheet: Sheet, camera: Any, one: Case, rng: np.random.Generator, count: int = LENGTHS
) -> list[tuple[float, float, float]]:
    """Return true length, measured length and expanded uncertainty (95 %) of random stretches, mm."""
    x0, y0, x1, y1 = one.area_mm
    extent = np.array([x1 - x0, y1 - y0])
    out = []
    for i in range(count):
        axis = i % 2
        size = float(rng.uniform(0.25, 0.8)) * extent[axis]
        start = rng.uniform(0.03, 0.97, 2) * extent
        start[axis] = rng.uniform(0.02, 0.98 - size / extent[axis]) * extent[axis]
        end = start.copy()
        end[axis] += size
        px = PxPoints(camera.to_px(np.array([start, end]) + [x0, y0]))

        def length(plane: Any, px: PxPoints = px) -> float:
            mm = plane.to_mm(px)
            return float(np.hypot(*(mm[1] - mm[0])))

        measured = length(sheet.plane)
        spread = float(np.sqrt(np.mean([(length(p) - measured) ** 2 for p in sheet.alternatives])))
        out.append((size, measured * one.stretch, sheet.expanded(spread, size)))
    return out


def run(seed: int) -> dict[str, Any]:
    """Return what came of one scene, as a line of the results."""
    one = case(seed)
    start = cpu_seconds()
    line: dict[str, Any] = {"seed": seed, "kind": one.words}
    try:
        sheet = calibrate(picture_of(one.rendered), CalibrateOptions(request=one.request))
    except CalibrationError as error:
        return line | {"error": str(error)}
    line["seconds"] = cpu_seconds() - start
    line["lengths"] = lengths(sheet, one.rendered.camera, one, np.random.default_rng([seed, 42]))
    return line


def table(lines: list[dict[str, Any]]) -> str:
    """Return the figures as text, a row a kind."""
    rows: dict[str, list[tuple[float, float]]] = defaultdict(list)
    refused: dict[str, int] = defaultdict(int)
    for line in lines:
        refused[line["kind"]] += "error" in line
        rows[line["kind"]] += [(abs(m - t), u) for t, m, u in line.get("lengths", ())]
    together = [r for found in rows.values() for r in found]
    out = [f"{'kind':24} lengths inside  rms error  rms stated  stated/rms  stated/median  refused"]
    for kind, found in [*sorted(rows.items()), ("together", together)]:
        if not found:
            out.append(f"{kind:24} {0:7} {'':57} {refused[kind]:8}")
            continue
        e, u = np.array(found).T
        share, middle = np.sqrt(np.mean((e / u) ** 2)), max(float(np.median(e / u)), 1e-9)
        out.append(
            f"{kind:24} {len(e):7} {np.mean(e <= u):6.1%} {np.sqrt(np.mean(e**2)):7.4f} mm"
            f" {np.sqrt(np.mean(u**2)):8.4f} mm {1 / share:10.2f} {1 / middle:13.2f} {refused.get(kind, 0):8}"
        )
    once = [line["lengths"][0] for line in lines if "lengths" in line]
    inside = np.mean([abs(m - t) <= u for t, m, u in once])
    seconds = [line["seconds"] for line in lines if "seconds" in line]
    out.append(
        f"one length a scene: {inside:.1%} of {len(once)} inside; {sum(refused.values())} of {len(lines)} scenes"
        f" refused; {np.median(seconds):.2f} s of processor time each"
    )
    return "\n".join(out)


def main() -> None:
    """Run what is not in the file of results yet and print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.scale_coverage", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=208)
    parser.add_argument("first", nargs="?", type=int, default=0)
    parser.add_argument("--results", type=Path, help="file to keep the results in, a line a scene")
    args = parser.parse_args()
    lines = []
    if args.results and args.results.exists():
        lines = [json.loads(text) for text in args.results.read_text(encoding="utf-8").splitlines()]
    wanted = range(args.first, args.first + args.count)
    lines = [line for line in lines if line["seed"] in wanted]
    for seed in sorted(set(wanted) - {line["seed"] for line in lines}):
        line = run(seed)
        lines.append(line)
        if args.results:
            with args.results.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
        if "error" in line:
            print(f"{seed:4} {line['kind']:24} {line['error']}", flush=True)
        elif any(abs(m - t) > 1.5 * u for t, m, u in line["lengths"]):
            t, m, u = max(line["lengths"], key=lambda r: abs(r[1] - r[0]) / r[2])
            print(f"{seed:4} {line['kind']:24} error {m - t:+.3f} mm on {t:.0f} mm, stated {u:.3f} mm", flush=True)
    print(table(lines))


if __name__ == "__main__":
    main()
