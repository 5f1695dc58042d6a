"""How often a reference is found without being told, in hard scenes; ``python -m tests.bench.hard_references [KIND]``.

One reference each (ruler, card, white card on white, sheet, square, target) in scans and in photos, each in ten hard
ways: yellowed paper, shadow, tilt, running out of the picture, low contrast, a busy ground, blur and noise, grey and
upside down, half covered or crowded, dark and strongly compressed; and scenes with no reference at all. Printed is what
was found, whether the scale is right, and what was found that is not there.

A square or a sheet whose size nothing in the picture tells counts as found when the refusal that asks for the size is
about it: a photo of one square has no scale of its own.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration import CalibrateOptions, ScaleError, calibrate
from calibration.light import SRGB_TO_LINEAR
from calibration.references import Reference
from fixtures import render, scenarios
from fixtures.files import Rendered
from fixtures.geometry import rectangle
from fixtures.references import card
from fixtures.scene import Scene, srgb
from tests.bench import cpu_seconds
from tests.bench.scale_scenes import as_jpeg, lay_target, picture_of

KINDS = ("ruler=mm", "ruler=1/16in", "card", "white card", "sheet", "square=50mm", "square=1in", "target", "none")
WAYS = (
    "yellowed", "shadow", "tilted", "runs out", "low contrast", "busy ground", "blurred, noisy", "grey, upside down",
    "covered, crowded", "dark, compressed",
)  # fmt: skip
RIGHT = 0.01
"""A size this close is that of the right thing read rightly."""


def _cloth(scene: Scene, rng: np.random.Generator) -> None:
    """Cover the ground with checked cloth, drawn before anything else."""
    paints, scene.paints = list(scene.paints), []
    w, h = scene.width_mm, scene.height_mm
    step = float(rng.uniform(7, 13))
    for k in range(int(3 * w / step)):
        scene.fill(rectangle(-w + 2 * k * step, -h, step, 3 * h), srgb(150, 60, 60), opacity=0.5)
    for k in range(int(3 * h / step)):
        scene.fill(rectangle(-w, -h + 2 * k * step, 3 * w, step), srgb(150, 60, 60), opacity=0.5)
    scene.paints = [*scene.paints, *paints]


def scene_of(kind: str, way: str, paper: str, seed: int) -> Scene:
    """Return the scene: a drawn sheet with the reference on it."""
    rng = np.random.default_rng([seed, 51])
    plain = kind in ("white card", "target", "none")
    scene = scenarios.build(
        "reference",
        seed=seed,
        kind="none" if plain else kind,
        paper=paper,
        edges=way != "runs out" or kind == "sheet",
        ground="light table" if kind == "white card" else str(rng.choice(["wood", "dark wood", "grey table"])),
        pieces=6 if way == "covered, crowded" else 3,
        covered=0.35 if way == "covered, crowded" and kind.startswith("ruler") else 0.0,
        corner=bool(rng.random() < 0.6),
    )
    if kind == "white card":
        card(scene, (0.1 * scene.width_mm, 0.08 * scene.height_mm), turn_deg=4.0, colour=srgb(240, 240, 236))
    if kind == "target":
        lay_target(scene, (float(rng.uniform(0, 60)), float(rng.uniform(0, 60))))
    if way == "busy ground":
        _cloth(scene, rng)
    if kind == "sheet":
        scene.settings["scan_margin_mm"] = 25.0
    return scene


def picture(kind: str, how: str, way: str, seed: int) -> Rendered:
    """Return the scene as it was scanned or photographed."""
    rng = np.random.default_rng([seed, 52])
    scene = scene_of(kind, way, "A4" if how == "scan" else "A3", seed)
    noise, blur = (0.03, 1.5) if way == "blurred, noisy" else (0.01, 0.8)
    turn = 180.0 if way == "grey, upside down" else 0.0
    # A ruler's finest ticks need more pixels than anything else.
    fine = kind.startswith("ruler")
    if how == "scan":
        made = render.scan(
            scene,
            dpi=200.0 if fine else 150.0,
            rotation_deg=turn + float(rng.uniform(-1, 1)) * (8 if way == "tilted" else 2),
            noise=noise,
            blur_px=blur,
            tag_dpi="right" if kind in ("sheet", "square=1in", "square=50mm") else None,
            grey=way == "grey, upside down",
            seed=seed,
        )
    else:
        made = render.photo(
            scene,
            width_px=3200 if fine else 2200,
            height_px=2400 if fine else 1650,
            roll_deg=90.0 + turn + float(rng.normal(0, 4)),
            tilt_deg=17.0 if way == "tilted" else float(rng.uniform(0, 7)),
            azimuth_deg=float(rng.uniform(0, 360)),
            k1=float(rng.uniform(-0.03, 0.03)),
            exif_focal=bool(rng.random() < 0.6),
            shade=0.55 if way == "shadow" else 0.0,
            exposure=0.35 if way == "dark, compressed" else 1.0,
            noise=noise,
            blur_px=blur,
            seed=seed,
        )
    pixels = made.pixels if made.pixels.ndim == 3 else cv2.cvtColor(made.pixels, cv2.COLOR_GRAY2RGB)
    return as_jpeg(replace(made, pixels=_treated(pixels, way, how), quality=55 if "compressed" in way else 85))


def _treated(pixels: np.ndarray, way: str, how: str) -> np.ndarray:
    """Return the picture yellowed, faded or shaded, in linear light."""
    light = SRGB_TO_LINEAR[pixels]
    if way == "yellowed":
        light = 0.05 + light * np.array([0.72, 0.55, 0.3])
    elif way == "low contrast":
        light = 0.3 + 0.25 * light
    elif way == "shadow" and how == "scan":
        light = light * np.linspace(1.0, 0.45, pixels.shape[1])[None, :, None] ** 2
    elif way == "dark, compressed" and how == "scan":
        light = 0.4 * light
    else:
        return pixels
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(np.maximum(light, 1e-9), 1 / 2.4) - 0.055)
    return np.asarray(np.clip(255 * coded + 0.5, 0, 255).astype(np.uint8))


def _size_off(made: Rendered, found: Reference) -> float:
    """Return by how much the size that a reference is given differs from what the renderer's camera sees there."""
    px, mm = np.asarray(found.points_px), np.asarray(found.points_mm)
    one = int(np.argmax(np.hypot(*(px - px[0]).T)))
    other = int(np.argmax(np.hypot(*(px - px[one]).T)))
    true = made.camera.to_mm(px[[one, other]])
    return float(np.hypot(*(mm[one] - mm[other])) / np.hypot(*(true[0] - true[1]))) - 1


def run(kind: str, how: str, way: str, seed: int) -> dict[str, Any]:
    """Return what was found in one scene."""
    made = picture(kind, how, way, seed)
    word = kind.split("=")[0].removeprefix("white ")
    line: dict[str, Any] = {"kind": kind, "how": how, "way": way, "seed": seed}
    start = cpu_seconds()
    try:
        sheet = calibrate(picture_of(made), CalibrateOptions())
    except ScaleError as error:
        asked = {"square": "printed square", "sheet": "sheet of paper was found", "ruler": "ruler was found"}
        named = asked.get(word, "\0") in str(error)
        # The sheet is there in most scenes; anything else named is not.
        wrong = any(words in str(error) for kind_, words in asked.items() if kind_ not in (word, "sheet"))
        return line | {"found": named, "wrong": wrong, "said": str(error), "seconds": cpu_seconds() - start}
    line["seconds"] = cpu_seconds() - start
    chosen = sheet.reference
    off = _size_off(made, chosen)
    others = [f"{o.kind} {o.size}".strip() for o in sheet.others]
    # Beside the one reference, squares of the page and the sheet itself may well be there too.
    allowed = {word, "sheet", "density"} | ({"square"} if kind == "none" else set())
    strange = [o for o in others if o.split()[0] not in allowed]
    found = chosen.kind == word
    wrong = abs(off) > RIGHT or chosen.kind not in allowed or bool(strange)
    said = f"{chosen.kind} {chosen.size} off {off:+.2%} others {others}"
    return line | {"found": found and abs(off) <= RIGHT, "wrong": wrong, "said": said}


def main() -> None:
    """Run and print a line for each scene that failed, and the counts."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.hard_references", description=__doc__)
    parser.add_argument("kind", nargs="?", choices=KINDS)
    parser.add_argument("--results", type=Path, help="file to keep the results in, a line a scene")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    args = parser.parse_args()
    done: dict[tuple[str, str, str], dict[str, Any]] = {}
    if args.results and args.results.exists():
        for text in args.results.read_text(encoding="utf-8").splitlines():
            line = json.loads(text)
            done[line["kind"], line["how"], line["way"]] = line
    lines = []
    for kind in [args.kind] if args.kind else KINDS:
        for how in ("scan", "photo"):
            for i, way in enumerate(WAYS):
                line = done.get((kind, how, way))
                if line is None:
                    line = run(kind, how, way, args.first + 20 * KINDS.index(kind) + 10 * (how == "photo") + i)
                    if args.results:
                        with args.results.open("a", encoding="utf-8") as file:
                            file.write(json.dumps(line) + "\n")
                lines.append(line)
                if line["wrong"] or (not line["found"] and kind != "none"):
                    print(
                        f"{kind:12} {how:5} {way:18} {'WRONG ' if line['wrong'] else 'missed'} {line['said']}",
                        flush=True,
                    )
    counts: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for line in lines:
        counts[line["kind"], line["how"]].append(line)
    for (kind, how), some in counts.items():
        seconds = np.median([s["seconds"] for s in some])
        print(
            f"{kind:14} {how:6} found {sum(s['found'] for s in some):2} of {len(some)}, wrongly"
            f" {sum(s['wrong'] for s in some)}; {seconds:.1f} s of processor time"
        )


if __name__ == "__main__":
    main()
