"""What drawn lines tell of the lens, and what they must not; ``python -m tests.bench.drawn_lines [COUNT] [FIRST]``.

Photos of a lone card or 50 mm square on paper that shows no edge (:mod:`tests.bench.scale_scenes` is how they are
taken), each once with its straight lines asked and once without. What is drawn beside the reference is, in turn:

- ``printed``: four-sided frames of straight lines, a few degrees off square; ``dashed`` the same;
- ``ruled by hand``: frames up to 0.3 degrees off square, whose sides bend by 1.5 mrad (standard deviation) from end to
  end; ``bent``: sides that bow by 0.3 mm (standard deviation), as of a warped ruler;
- ``curves``: sides of radii of 0.5 to 10 m; ``slight curves``: of 3 to 20 m, all but straight; ``outward``: one large
  piece all of whose sides curve outward so, as a lens would have it;
- ``waves``: wavy lines; ``wood``: a bare wooden board; ``folds``: cloth with soft folds;
- ``curled``: printed frames on paper that lifts by up to 1.5 mm. (What such paper is off by is in no statement.)

Of each: in how many photos lines told of the lens, in how many that the sheet does not lie flat, errors and statement
of lengths (as in :mod:`tests.bench.scale_coverage`) without and with them.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from unittest import mock

import numpy as np

from calibration import CalibrateOptions, CalibrationError, ReferenceRequest, Sheet, calibrate
from calibration.pipeline import look_through
from fixtures.draw import INK
from fixtures.files import Rendered
from fixtures.geometry import polyline, rectangle
from fixtures.references import card, square
from fixtures.scenarios.surroundings import table
from fixtures.scene import Scene, srgb
from tests.bench.scale_coverage import lengths
from tests.bench.scale_scenes import Case, as_jpeg, phone_photo, picture_of

KINDS = (
    "printed", "dashed", "ruled by hand", "bent", "curves", "slight curves", "outward", "waves", "wood", "folds",
    "curled",
)  # fmt: skip
SIZE_MM = (420.0, 297.0)
RULED_DEG, RULED_RAD, BENT_MM = 0.3, 0.0015, 0.3


def _drawn(a: np.ndarray, b: np.ndarray, bow_mm: float) -> np.ndarray:
    t = np.linspace(-1, 1, 41)[:, None]
    across = np.array([-(b - a)[1], (b - a)[0]]) / np.hypot(*(b - a))
    return np.asarray((a + b) / 2 + (b - a) / 2 * t + bow_mm * (1 - t**2) * across)


def _bow_mm(kind: str, length_mm: float, rng: np.random.Generator) -> float:
    if kind == "ruled by hand":
        return float(rng.normal(0, RULED_RAD)) * length_mm / 8
    if kind == "bent":
        return float(rng.normal(0, BENT_MM))
    if kind in ("curves", "slight curves", "outward"):
        low, high = (500.0, 10_000.0) if kind == "curves" else (3000.0, 20_000.0)
        radius_mm = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        # A frame goes round clockwise in the picture, so that to the right of its way is inside.
        return -(length_mm**2) / 8 / radius_mm * (1.0 if kind == "outward" else float(rng.choice([-1, 1])))
    return 0.0


def _frames(scene: Scene, kind: str, rng: np.random.Generator) -> None:
    boxes = [(15, 15, 150, 105), (225, 20, 180, 95), (20, 170, 165, 110), (250, 150, 150, 130)]
    if kind == "outward":
        boxes = [(25, 20, 370, 255)]
    elif kind not in ("printed", "dashed", "curled"):
        boxes = boxes[: int(rng.integers(2, 5))]
    off_mm = np.radians(RULED_DEG) * 150.0 if kind == "ruled by hand" else 4.0
    for x, y, w, h in boxes:
        corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]) + rng.uniform(-off_mm, off_mm, (4, 2)) / 2
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            side = _drawn(a, b, _bow_mm(kind, float(np.hypot(*(b - a))), rng))
            scene.stroke(polyline(side), 0.5, INK, dash_mm=(6.0, 3.0) if kind == "dashed" else ())


def scene_of(kind: str, seed: int, rng: np.random.Generator) -> tuple[Scene, str]:
    """Return what lies before the camera, and the kind of its reference."""
    w, h = SIZE_MM
    scene = Scene(name="lines", width_mm=w, height_mm=h)
    scene.settings["view_mm"] = (-4, -4, w + 4, h + 4)
    table(scene, "wood", rng)
    if kind != "wood":
        cloth = kind == "folds"
        tone, weave = (srgb(198, 186, 170), 0.03) if cloth else (srgb(236, 235, 230), 0.012)
        scene.fill(rectangle(-2 * w, -2 * h, 5 * w, 5 * h), tone, texture=weave)
    x = np.linspace(-40, w + 40, 160)
    if kind == "waves":
        for y in rng.uniform(5, h - 5, 12):
            if 110 < y < 190:
                continue
            size, period = rng.uniform(0.4, 3.0), rng.uniform(40, 250)
            wave = y + rng.normal(0, 0.05) * (x - w / 2) + size * np.sin(2 * np.pi * x / period + rng.uniform(0, 6))
            scene.stroke(polyline(np.column_stack([x, wave])), 0.5, INK)
    elif kind == "folds":
        for _ in range(9):
            turn, off = rng.uniform(0, np.pi), rng.uniform(-130, 130)
            s = np.linspace(-350, 350, 80)
            aside = off + rng.normal(0, 12) * np.cos(s / rng.uniform(90, 300) + rng.uniform(0, 6))
            at = np.column_stack([np.cos(turn) * s - np.sin(turn) * aside, np.sin(turn) * s + np.cos(turn) * aside])
            shade = (0.0, 0.0, 0.0) if rng.random() < 0.6 else (1.0, 0.98, 0.9)
            for width_mm in (1.0, 2.0, 3.5, 5.5):
                scene.stroke(polyline(at + [w / 2, h / 2]), width_mm, shade, opacity=0.05)
    elif kind != "wood":
        _frames(scene, kind, rng)
    what = ("square", "card")[seed % 2]
    if what == "card" or kind in ("wood", "folds"):
        card(scene, (170.0, 125.0), turn_deg=float(rng.normal(0, 2)))
        return scene, "card"
    square(scene, (182.0, 122.0), "50mm", turn_deg=float(rng.normal(0, 2)))
    return scene, "square"


def photo(kind: str, seed: int) -> tuple[Rendered, str]:
    """Return a random photo and the kind of its reference."""
    rng = np.random.default_rng([seed, KINDS.index(kind), 67])
    scene, what = scene_of(kind, seed, rng)
    curl_mm = float(rng.uniform(0.3, 1.5)) if kind == "curled" else 0.0
    made = phone_photo(
        scene, rng, width_px=2000, roll_deg=0.0, most_tilt_deg=5.0, seed=seed, curl_mm=curl_mm,
        curl_waves=int(rng.integers(0, 3)) if curl_mm else 0,
    )  # fmt: skip
    return as_jpeg(made), what


def told(sheet: Sheet) -> bool:
    """Whether straight lines told of the lens."""
    return any(f.code == "lens-by-lines" for f in sheet.findings)


def uneven(sheet: Sheet) -> bool:
    """Whether it is said that the sheet does not lie flat."""
    return any(f.code == "page-not-flat" for f in sheet.findings)


def run(kind: str, seed: int) -> tuple[list[list[tuple[float, float]]], bool, bool]:
    """Return errors and statements of lengths (mm), without and with lines asked, and what these told of."""
    made, what = photo(kind, seed)
    request = ReferenceRequest(kind="square", size="50mm") if what == "square" else ReferenceRequest(kind="card")
    picture, options = picture_of(made), CalibrateOptions(request=request)
    looked = look_through(picture, options)
    sheets = [calibrate(picture, options, looked=looked)]
    with mock.patch("calibration.solve.find_lines", return_value=[]):
        sheets.insert(0, calibrate(picture, options, looked=looked))
    one = Case(words=kind, rendered=made, request=request, area_mm=(0.0, 0.0, *SIZE_MM), stretch=1.0)
    found = [lengths(s, made.camera, one, np.random.default_rng([seed, 68]), 16) for s in sheets]
    return [[(abs(m - t), u) for t, m, u in some] for some in found], told(sheets[1]), uneven(sheets[1])


def main() -> None:
    """Run and print a line for each kind."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.drawn_lines", description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=8)
    parser.add_argument("first", nargs="?", type=int, default=0)
    parser.add_argument("--kinds", nargs="*", default=KINDS, choices=KINDS)
    args = parser.parse_args()
    for kind in args.kinds:
        rows: dict[str, list[tuple[float, float]]] = defaultdict(list)
        used = bent = refused = 0
        for seed in range(args.first, args.first + args.count):
            try:
                (without, asked), did, lies_uneven = run(kind, seed)
            except CalibrationError:
                refused += 1
                continue
            rows["without"] += without
            rows["asked"] += asked
            used += did
            bent += lies_uneven
            worst = max(e / u for e, u in asked)
            if worst > 1.2 and did:
                print(f"  {kind} {seed}: an error is {worst:.1f} times what is stated", flush=True)
        out = f"{kind:14} lens told in {used:2}, uneven in {bent:2} of {args.count - refused:2}"
        for name, found in rows.items():
            e, u = np.array(found).T
            out += (
                f" | {name}: inside {np.mean(e <= u):6.1%}, rms {np.sqrt(np.mean(e**2)):.3f} mm, stated"
                f" {np.sqrt(np.mean(u**2)):.3f}, worst {e.max():.3f}"
            )
        print(out, flush=True)


if __name__ == "__main__":
    main()
