"""Crowded sheets through the whole line, scale given: ``python -m tests.bench.crowded_sheets``.

Random sheets of the fixtures with everything on them that a pattern sheet has: what is found and what is missed, what
is taken for a piece and is none, the kind of every mark, names and counts, and how far the outline is off near text,
notches and crossing lines against its clean stretches. Marks are compared where they lie: traced millimetres go back
to the picture by the sheet's own map and from there to the truth by the true camera.

``--pictures FOLDER`` keeps the rendered pictures and draws what was traced over them.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import CalibrateOptions, MmPoints, Sheet, calibrate
from calibration.intake import read_pictures
from calibration.request import parse_request
from fixtures import render, scenarios
from fixtures.camera import Camera
from fixtures.compare import PieceScore, compare
from fixtures.compare_shapes import Ring, coarse_fit, fine_fit
from fixtures.svgpath import curves_from_svg
from tests.bench import cpu_seconds
from tracer.pattern import to_json
from tracer.pipeline import TracedSheet, TraceOptions, pattern_of, trace

Floats = NDArray[np.float64]

NEAR_MM = 2.0
"""Outline this near to a mark's ink counts as touched by it."""
SAME_MM = 4.0
"""A traced mark is a reading of a true one when their middles lie this near, and a tenth of its size (as in
``fixtures.compare_marks``)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A sheet to render and trace. ``size`` names the size of a nested sheet that is asked for."""

    name: str
    scenario: str
    build: dict[str, Any] = field(default_factory=dict)
    look: dict[str, Any] = field(default_factory=dict)
    reference: str = "square=50mm"
    photo: bool = False
    seed: int = 0
    size: int | None = None


_TILTED = {"tilt_deg": 8.0, "width_px": 4000, "height_px": 3000, "quality": 92}


def cases(seeds: int = 1, first: int = 0) -> list[Case]:
    """Return the cases, those of ``seeds`` random draws each, the draws counted from ``first``."""
    out = [Case(name="apron scan", scenario="apron", look={"rotation_deg": 1.2})]
    for seed in range(first, first + seeds):
        turn = {"rotation_deg": float(np.random.default_rng([seed, 5]).uniform(-2.5, 2.5))}
        out += [
            Case(name=f"hard {what} {seed}", scenario="hard", build={"what": what}, look=turn, seed=seed)
            for what in scenarios.crowded.HARD
        ]
        for k, extra in enumerate(({}, {"coloured": True}, {"dashed_cut": True}, {"pieces": 9, "creases": 4})):
            out.append(Case(name=f"crowded {k} {seed}", scenario="crowded", build=extra, look=turn, seed=10 * seed + k))
        out += [
            Case(
                name=f"crowded photo {seed}", scenario="crowded", look=_TILTED, photo=True, seed=50 + seed,
                build={"line_mm": 0.6},
            ),
            Case(
                name=f"apron photo {seed}", scenario="apron", build={"ground": "wood"}, photo=True, seed=seed,
                look={**_TILTED, "width_px": 3000, "height_px": 4000}, reference="sheet=A4",
            ),
            Case(
                name=f"tissue photo {seed}", scenario="vintage", photo=True, seed=seed, reference="mat=1in",
                look={**_TILTED, "tilt_deg": 12.0, "k1": -0.06}, build={"fade": 0.8},
            ),
            Case(
                name=f"tissue scan {seed}", scenario="vintage", build={"on": "scan", "scale": 1.5}, seed=seed,
                look=turn, reference="square=2in",
            ),
            Case(
                name=f"white card {seed}", scenario="templates", photo=True, seed=seed, look=_TILTED,
                build={"kind": "card", "ground": "light table", "colour": "white", "size_mm": (420.0, 297.0),
                       "pieces": 6},
                reference="card",
            ),
            Case(
                name=f"mixed card {seed}", scenario="templates", photo=True, seed=seed, look=_TILTED,
                build={"kind": "mat=1in", "ground": "mat green", "colour": "mixed", "size_mm": (420.0, 297.0),
                       "pieces": 6},
                reference="mat=1in",
            ),
        ]  # fmt: skip
        out += [
            Case(
                name=f"nested size {k}{' coloured' if coloured else ''} {seed}", scenario="nested",
                build={"coloured": coloured}, look=turn, seed=seed, size=k,
            )
            for coloured in (False, True)
            for k in range(1, 8)
        ]  # fmt: skip
    return out


def picture_of(case: Case, folder: Path) -> Path:
    """Render a case's picture unless it is there."""
    stem = (
        case.name.replace(" ", "-")
        if case.size is None
        else case.name.replace(f"size {case.size}", "").replace(" ", "-")
    )
    file = folder / f"{stem}.jpg"
    if not file.exists():
        scene = scenarios.build(case.scenario, seed=case.seed, **case.build)
        shot = render.photo if case.photo else render.scan
        file = shot(scene, seed=case.seed, **case.look).save(file)
    return file


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of a case."""

    pieces: tuple[PieceScore, ...]
    missed: tuple[str, ...]
    invented: tuple[str, ...]
    kinds: Counter[tuple[str, str]]
    near_mm: tuple[float, float]
    clean_mm: tuple[float, float]
    findings: tuple[str, ...]
    seconds: float


def to_truth(sheet: Sheet, camera: Camera, points: Floats) -> Floats:
    """Take traced millimetres to the truth's."""
    return np.asarray(camera.to_mm(np.asarray(sheet.to_px(MmPoints(points)), dtype=np.float64)))


def _marks(data: dict[str, Any]) -> list[tuple[str, Floats]]:
    out = []
    for holder in (data, *data["pieces"], *data.get("sheets", [])):
        for mark in holder.get("marks", []):
            if mark.get("path"):
                points = np.concatenate([c.flattened(0.05, 1.0) for c in curves_from_svg(mark["path"])])
            elif mark.get("at"):
                points = np.array([mark["at"]], dtype=np.float64)
            else:
                continue
            out.append((mark["kind"], points))
    return out


def kinds_of(truth: dict[str, Any], traced: list[tuple[str, Floats]]) -> Counter[tuple[str, str]]:
    """Count (true kind, traced kind); 'nothing' stands for a mark that is not there at all."""
    middle = [(p.min(axis=0) + p.max(axis=0)) / 2 for _, p in traced]
    at = np.array(middle).reshape(-1, 2)
    used: set[int] = set()
    out: Counter[tuple[str, str]] = Counter()
    true = _marks(truth)
    wanted = {(kind, i) for i, (kind, _) in enumerate(true)}
    for right_only in (True, False):
        for kind, i in sorted(wanted, key=lambda w: w[1]):
            points = true[i][1]
            reach = SAME_MM + 0.1 * float(np.ptp(points, axis=0).max())
            where = (points.min(axis=0) + points.max(axis=0)) / 2
            order = np.argsort(np.hypot(*(at - where).T)) if len(at) else []
            near = [int(k) for k in order if np.hypot(*(at[k] - where)) <= reach and int(k) not in used]
            same = [k for k in near if traced[k][0] == kind]
            if same:
                used.add(same[0])
                out[kind, kind] += 1
                wanted = wanted - {(kind, i)}
            elif not right_only:
                if near:
                    used.add(near[0])
                out[kind, traced[near[0]][0] if near else "nothing"] += 1
    for k, (kind, _) in enumerate(traced):
        if k not in used and kind not in ("text", "reference", "mat grid"):
            out["nothing", kind] += 1
    return out


def near_and_clean(
    pattern: dict[str, Any], truth: dict[str, Any], scores: tuple[PieceScore, ...]
) -> tuple[Floats, Floats]:
    """Return how far true outlines are from the traced ones where marks touch them, and elsewhere, mm."""
    ink = [p for kind, p in _marks(truth) if kind not in ("frame", "test square", "table")]
    near, clean = [], []
    for score in scores:
        traced = next(p for p in pattern["pieces"] if p["id"] == score.traced_id)
        true = next(p for p in truth["pieces"] if p["id"] == score.truth_id)
        ring = Ring(curves_from_svg(true["outline"])[0])
        other = Ring(curves_from_svg(traced["outline"])[0])
        if ring.area * other.area < 0:
            continue
        fit = fine_fit(other, ring, coarse_fit(other, ring))
        mine = Ring(curves_from_svg(traced["outline"])[0].moved(np.column_stack([fit.turn * fit.scale, fit.shift])))
        away = np.hypot(*(mine.feet(ring.points) - ring.points).T)
        touched = np.zeros(len(ring.points), dtype=bool)
        for points in ink:
            low, high = points.min(axis=0) - NEAR_MM, points.max(axis=0) + NEAR_MM
            inside = ((ring.points > low) & (ring.points < high)).all(axis=1) & ~touched
            for k in np.flatnonzero(inside):
                touched[k] = float(np.hypot(*(points - ring.points[k]).T).min()) < NEAR_MM
        near.append(away[touched])
        clean.append(away[~touched])
    empty = np.zeros(0)
    return np.concatenate([empty, *near]), np.concatenate([empty, *clean])


def run(case: Case, folder: Path) -> Result:
    """Trace a case and hold it against its truth."""
    file = picture_of(case, folder)
    truth = json.loads(file.with_suffix(".truth.json").read_text(encoding="utf-8"))
    start = cpu_seconds()
    sheet = calibrate(next(iter(read_pictures(file))), CalibrateOptions(request=parse_request(case.reference)))
    traced = trace(sheet, TraceOptions(size_line=case.size))
    seconds = cpu_seconds() - start
    pattern = to_json(pattern_of([traced.record], [t.piece for t in traced.pieces], findings=traced.findings))
    result = compare(pattern, truth, size=None if case.size is None else str(case.size))
    camera = Camera.from_json(truth["picture"])
    seen = [(kind, to_truth(sheet, camera, points)) for kind, points in _marks(pattern)]
    near, clean = near_and_clean(pattern, truth, result.pieces)
    draw_over(sheet, traced, folder / f"{case.name.replace(' ', '-')}-traced.png")
    (folder / f"{case.name.replace(' ', '-')}.pattern.json").write_text(json.dumps(pattern, indent=1))
    return Result(
        pieces=result.pieces,
        missed=result.missed,
        invented=result.invented,
        kinds=kinds_of(truth, seen),
        near_mm=_p95_worst(near),
        clean_mm=_p95_worst(clean),
        findings=tuple(f"{f.code}: {f.message}" for f in (*traced.findings, *sheet.findings)),
        seconds=seconds,
    )


def _p95_worst(away: Floats) -> tuple[float, float]:
    return (float(np.percentile(away, 95)), float(away.max())) if len(away) else (0.0, 0.0)


COLOURS = {
    "text": (190, 190, 190), "grain line": (0, 170, 0), "notch": (255, 0, 255), "stitching line": (0, 160, 255),
    "fold line": (255, 140, 0), "unknown": (120, 60, 0), "internal line": (140, 140, 0), "dart": (0, 90, 160),
}  # fmt: skip


def draw_over(sheet: Sheet, traced: TracedSheet, file: Path) -> None:
    """Draw outlines and marks over the picture, half size."""
    picture = sheet.picture.pixels
    picture = np.ascontiguousarray(picture if picture.ndim == 3 else np.repeat(picture[:, :, None], 3, axis=2))
    canvas = cv2.addWeighted(picture, 0.6, np.full_like(picture, 255), 0.4, 0)

    def line(points: Floats, colour: tuple[int, int, int], width: int) -> None:
        px = np.asarray(sheet.to_px(MmPoints(points)), dtype=np.float64)
        cv2.polylines(canvas, [np.rint(px * 8).astype(np.int32)], False, colour, width, cv2.LINE_AA, 3)

    for mark in (*traced.marks, *(m for t in traced.pieces for m in t.piece.marks)):
        colour = COLOURS.get(mark.kind, (90, 0, 140))
        where = mark.at
        if mark.path is not None:
            points = np.asarray(mark.path.flatten(0.05))
            line(points, colour, 3)
            where = tuple(points[0])
        if where is not None and mark.kind != "text":
            x, y = np.asarray(sheet.to_px(MmPoints(np.array([where]))))[0]
            cv2.putText(canvas, mark.kind, (int(x), int(y)), cv2.FONT_HERSHEY_SIMPLEX, 0.7, colour, 2)
    for one in traced.pieces:
        for path in (one.piece.outline, *one.piece.holes):
            points = path.sample(0.5)[0]
            line(np.vstack([points, points[:1]]), (230, 0, 0), 3)
        words = f"{one.piece.id} {one.piece.name} x{one.piece.cut.count}{' pair' if one.piece.cut.mirrored else ''}"
        x, y = np.asarray(sheet.to_px(MmPoints(points.mean(axis=0)[None])))[0]
        cv2.putText(canvas, words, (int(x) - 100, int(y)), cv2.FONT_HERSHEY_SIMPLEX, 1.2, (230, 0, 0), 3)
    small = cv2.resize(canvas, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(file), small[:, :, ::-1])


def words_of(case: Case, result: Result) -> str:
    """Return a case's result as lines."""
    right = sum(n for (a, b), n in result.kinds.items() if a == b)
    total = sum(n for (a, _), n in result.kinds.items() if a != "nothing")
    lines = [
        f"{case.name}: {len(result.pieces)} pieces, missed {list(result.missed)}, invented {list(result.invented)}; "
        f"kinds {right}/{total}; names {sum(p.name_right for p in result.pieces)}, "
        f"counts {sum(p.count_right for p in result.pieces)}; p95/worst near {result.near_mm[0]:.3f}/"
        f"{result.near_mm[1]:.3f} clean {result.clean_mm[0]:.3f}/{result.clean_mm[1]:.3f} mm; {result.seconds:.1f} s"
    ]
    wrong = ", ".join(f"{a} as {b}: {n}" for (a, b), n in sorted(result.kinds.items()) if a != b)
    if wrong:
        lines.append(f"    marks: {wrong}")
    for p in result.pieces:
        if not (p.name_right and p.count_right) or p.holes != p.holes_true or p.worst_mm > 0.4:
            lines.append(
                f"    {p.name} ({p.traced_id}): name {p.name_right}, count {p.count_right}, holes {p.holes}/"
                f"{p.holes_true}, p95 {p.p95_mm:.3f}, worst {p.worst_mm:.3f}"
            )
    lines += [f"    {f}" for f in result.findings]
    return "\n".join(lines)


def totals(results: list[Result]) -> str:
    """Return the figures over all cases."""
    pieces = [p for r in results for p in r.pieces]
    kinds: Counter[tuple[str, str]] = Counter()
    for r in results:
        kinds.update(r.kinds)
    lines = [
        f"pieces {len(pieces)}, missed {sum(len(r.missed) for r in results)}, "
        f"invented {sum(len(r.invented) for r in results)}; names {sum(p.name_right for p in pieces)}, "
        f"counts {sum(p.count_right for p in pieces)} of {len(pieces)}"
    ]
    for kind in sorted({a for a, _ in kinds}):
        seen = {b: n for (a, b), n in kinds.items() if a == kind}
        total = sum(seen.values())
        share = f"{seen.get(kind, 0)}/{total}" if kind != "nothing" else "-"
        others = ", ".join(f"{b} {n}" for b, n in sorted(seen.items(), key=lambda s: -s[1]) if b != kind)
        lines.append(f"  {kind:<16}{share:>10}  {others}")
    true = {k: n for k, n in kinds.items() if k[0] != "nothing"}
    lines.append(f"  all kinds: {sum(n for (a, b), n in true.items() if a == b)} of {sum(true.values())}")
    bare = {k: n for k, n in true.items() if k[0] != "text"}
    lines.append(f"  without text: {sum(n for (a, b), n in bare.items() if a == b)} of {sum(bare.values())}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.crowded_sheets", description=__doc__)
    parser.add_argument("--pictures", type=Path, required=True)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first random draw")
    parser.add_argument("--only", default="", help="cases whose name holds one of these words, parted by commas")
    args = parser.parse_args()
    args.pictures.mkdir(parents=True, exist_ok=True)
    wanted = [w.strip() for w in args.only.split(",") if w.strip()]
    results = []
    for case in cases(args.seeds, args.first):
        if wanted and not any(w in case.name for w in wanted):
            continue
        result = run(case, args.pictures)
        results.append(result)
        print(words_of(case, result), flush=True)
    print(totals(results))


if __name__ == "__main__":
    main()
