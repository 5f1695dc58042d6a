"""Nested sizes on random sheets: ``python -m tests.bench.nested_sizes --first N --seeds K --pictures FOLDER``.

Each sheet is one random piece in five to eight sizes (:mod:`fixtures.scenarios.graded`), scanned or photographed. Every
size's line is held against its true outline, both ways, where the lines leave the search; with ``--traced`` every size
is asked for and traced down the whole line instead. A size is whole if no place is farther than a millimetre off.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration import CalibrateOptions, PxPoints, Sheet, calibrate
from calibration.intake import read_pictures
from calibration.request import parse_request
from fixtures import render, scenarios, shuffle
from fixtures.camera import Camera
from fixtures.svgpath import curves_from_svg
from tests.bench import cpu_seconds
from tracer.pipeline import TraceOptions, trace
from tracer.search import choose
from tracer.search.bundles import SizeLine
from tracer.search.drawn import LineWork
from tracer.search.find import find_candidates

Floats = NDArray[np.float64]

WHOLE_MM = 1.0
"""No place of a size that was followed over its whole way is farther off (less than most steps between sizes)."""
_STEP_MM = 0.1
_PHOTOS = 0.3
_UNSEEN = "size-line-unseen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """How far one size's line is off at most, mm (infinite where there is none), and whether it is warned about."""

    off_mm: float
    warned: bool


def picture_of(seed: int, folder: Path) -> Path:
    """Render a sheet unless it is there."""
    file = folder / f"graded-{seed}.jpg"
    if not file.exists():
        rng = np.random.default_rng([seed, 43])
        scene = scenarios.build("graded", seed=seed)
        if rng.random() < _PHOTOS:
            shot = render.photo(scene, **shuffle._photo_look(rng, seed, 8.0, 0.03, wide=False))
        else:
            look = shuffle._scan_look(rng, seed) | {"dpi": float((200, 300, 300)[int(rng.integers(3))])}
            shot = render.scan(scene, **look)
        shot.save(file)
    return file


def even(ring: Floats) -> Floats:
    """Return a closed line at even small steps, mm."""
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(0.0, along[-1], _STEP_MM)
    return np.stack([np.interp(at, along, closed[:, c]) for c in (0, 1)], axis=1)


def farthest_mm(ring: Floats, true: Floats) -> float:
    """Return how far two closed lines are from each other at most, either way."""
    a, b = even(ring), even(true)
    return float(max(cKDTree(b).query(a)[0].max(), cKDTree(a).query(b)[0].max()))


def searched(sheet: Sheet, true: Sequence[Floats]) -> list[Line]:
    """Return the lines of all sizes as they leave the search; ``true`` in the sheet's millimetres."""
    taken: list[tuple[LineWork, list[SizeLine]]] = []
    follow = choose.follow_sizes

    def spy(work: LineWork, *rest: Any) -> list[SizeLine]:
        lines = follow(work, *rest)
        taken.append((work, lines))
        return lines

    # What another process follows would not be seen here.
    with (
        mock.patch.object(choose, "follow_sizes", spy),
        mock.patch.object(choose, "share_out", lambda work, items, _: [work(i) for i in items]),
    ):
        find_candidates(sheet, words=False)
    best = [Line(off_mm=np.inf, warned=True)] * len(true)
    for work, lines in taken[:1]:
        for line in lines:
            if 0 <= line.rank < len(true):
                px = work.ink.to_picture(np.concatenate([p.points for p in line.parts if len(p.points)]))
                ring = np.asarray(sheet.to_mm(PxPoints(px)), dtype=np.float64)
                best[line.rank] = Line(off_mm=farthest_mm(ring, true[line.rank]), warned=line.unseen_mm > 0)
    return best


def traced(sheet: Sheet, true: Sequence[Floats]) -> list[Line]:
    """Return the outlines of all sizes, each asked for in turn; ``true`` in the sheet's millimetres."""
    out = []
    for k, ring in enumerate(true):
        result = trace(sheet, TraceOptions(size_line=k + 1, words=False))
        off = [farthest_mm(np.asarray(t.piece.outline.flatten(0.02), dtype=np.float64), ring) for t in result.pieces]
        codes = {f.code for f in result.findings}
        missing = "size-line-not-found" in codes
        out.append(Line(off_mm=np.inf if missing else min(off, default=np.inf), warned=_UNSEEN in codes or missing))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.nested_sizes", description=__doc__)
    parser.add_argument("--pictures", type=Path, required=True)
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--first", type=int, default=0, help="number of the first sheet")
    parser.add_argument("--traced", action="store_true", help="trace each size down the whole line")
    args = parser.parse_args()
    args.pictures.mkdir(parents=True, exist_ok=True)
    every: list[list[Line]] = []
    for seed in range(args.first, args.first + args.seeds):
        file = picture_of(seed, args.pictures)
        truth = json.loads(file.with_suffix(".truth.json").read_text(encoding="utf-8"))
        sheet = calibrate(next(iter(read_pictures(file))), CalibrateOptions(request=parse_request("square=50mm")))
        camera = Camera.from_json(truth["picture"])
        outlines = [curves_from_svg(p["outline"])[0].flattened(0.02, 0.5) for p in truth["pieces"]]
        true = [np.asarray(sheet.to_mm(PxPoints(np.asarray(camera.to_px(o)))), dtype=np.float64) for o in outlines]
        start = cpu_seconds()
        lines = (traced if args.traced else searched)(sheet, true)
        every.append(lines)
        words = " ".join(f"{line.off_mm:.2f}{'!' if line.warned else ''}" for line in lines)
        whole = sum(line.off_mm < WHOLE_MM for line in lines)
        print(f"{seed}: {whole} of {len(lines)} whole: {words}; {cpu_seconds() - start:.1f} s", flush=True)
    flat = [line for lines in every for line in lines]
    right = [line for line in flat if line.off_mm < WHOLE_MM]
    wrong = [line for line in flat if WHOLE_MM <= line.off_mm < np.inf]
    five = sum(sum(line.off_mm < WHOLE_MM for line in lines) >= 5 for lines in every)
    lost = len(flat) - len(right) - len(wrong)
    print(f"{len(right)} of {len(flat)} sizes whole, {len(wrong)} wrong, {lost} not followed")
    print(f"at least five whole on {five} of {len(every)} sheets")
    print(
        f"warned: {sum(line.warned for line in wrong)} of the wrong, {sum(line.warned for line in right)} of the right"
    )


if __name__ == "__main__":
    main()
