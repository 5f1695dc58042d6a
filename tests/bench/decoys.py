"""Scenes without any reference but with things that look like one; ``python -m tests.bench.decoys [--only NAME]``.

Square pocket pieces, tables, grids printed for quilting, rectangles of a card's proportions, ruled and checked paper,
rows of stitches, checked cloth, squared paper, a slide fastener, several labels cut in a card's shape, strokes of which
every so many is longer: each in scans and in photos, each several times. No
scale can honestly be told in any of them, so that every scale given is a wrong one; only squared paper may tell its own
where all its squares are counted (``told``, if it is right to 0.5 %). A refusal that asks for the size of something is
printed with what it asks about: a lone square may be a test square, and asking does no harm.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from calibration import CalibrateOptions, PxPoints, ScaleError, calibrate
from fixtures import draw, render, scenarios
from fixtures.draw import INK, Pencil, text
from fixtures.geometry import Curve, affine, polygon, polyline, rectangle, regular, rounded_rectangle
from fixtures.scene import Scene, srgb
from tests.bench import cpu_seconds
from tests.bench.scale_scenes import as_jpeg, picture_of

Decoy = Callable[[Scene, np.random.Generator], None]
THIN = 0.25


def _at(curve: Curve, x: float, y: float, turn_deg: float) -> Curve:
    return curve.moved(affine(dx=x, dy=y, turn_deg=turn_deg))


def _pocket(scene: Scene, rng: np.random.Generator) -> None:
    """A square pocket with its stitching line and its name."""
    side = float(rng.uniform(70, 110))
    outline = _at(rectangle(0, 0, side, side), 30, 40, float(rng.normal(0, 3)))
    draw.drawn_piece(scene, "Pocket", outline, Pencil(cut_mm=0.5), cut="cut 2", count=2, label_mm=5.0)


def _patches(scene: Scene, rng: np.random.Generator) -> None:
    """Square patches of several sizes, cut line only, a name in each."""
    x = 15.0
    for side in rng.permutation([38.1, 44.0, 57.0]):
        scene.stroke(_at(rectangle(0, 0, side, side), x, 40, float(rng.normal(0, 1))), 0.4, INK)
        scene.marks.append(text(scene, "patch", (x + side / 2, 40 + side / 2), 4.0))
        x += side + 12


def _table(scene: Scene, rng: np.random.Generator) -> None:
    """A table of sizes with square cells and words in some."""
    step, columns, rows = float(rng.uniform(9, 26)), int(rng.integers(4, 8)), int(rng.integers(4, 8))
    lines = [polyline([[20 + i * step, 30], [20 + i * step, 30 + rows * step]]) for i in range(columns + 1)]
    lines += [polyline([[20, 30 + k * step], [20 + columns * step, 30 + k * step]]) for k in range(rows + 1)]
    scene.stroke(lines, THIN, INK)
    for i in range(columns):
        for k in range(rows):
            if rng.random() < 0.6:
                text(scene, str(rng.integers(8, 60)), (20 + (i + 0.5) * step, 32 + (k + 0.5) * step), 0.3 * step)


def _quilting(scene: Scene, rng: np.random.Generator) -> None:
    """Lines to quilt along: a grid of diamonds over most of the sheet, of a pitch that is no mat's."""
    step = float(rng.uniform(15, 45))
    turn = float(rng.choice([0.0, 45.0]) + rng.normal(0, 1))
    w, h = scene.width_mm, scene.height_mm
    reach = np.hypot(w, h) / 2 * (0.7 if turn > 20 else 0.55)
    count = int(reach / step)
    m = affine(dx=w / 2, dy=h / 2, turn_deg=turn)
    lines = []
    for k in range(-count, count + 1):
        lines += [polyline([[k * step, -count * step], [k * step, count * step]]).moved(m)]
        lines += [polyline([[-count * step, k * step], [count * step, k * step]]).moved(m)]
    scene.stroke(lines, float(rng.uniform(0.25, 0.5)), INK, dash_mm=(3.0, 2.0) if rng.random() < 0.4 else ())


def _card_like(scene: Scene, rng: np.random.Generator) -> None:
    """Pieces of about a card's proportions: a drawn label with sharp corners, a tag of plastic, a drawn round one."""
    k = float(rng.uniform(0.7, 1.6))
    w, h = 85.6 * k, 53.98 * k
    kind = int(rng.integers(3))
    turn = float(rng.normal(0, 3))
    if kind == 0:
        scene.stroke(_at(rectangle(0, 0, w, h), 30, 40, turn), 0.5, INK)
        text(scene, "label", (30 + w / 2, 40 + h / 2), 5.0)
    elif kind == 1:
        scene.fill(_at(rectangle(0, 0, w, h), 30, 40, turn), srgb(70, 90, 120))
    else:
        scene.fill(_at(rounded_rectangle(0, 0, w, h, float(rng.uniform(7, 12))), 30, 40, turn), srgb(120, 70, 60))


def _ruled(scene: Scene, rng: np.random.Generator) -> None:
    """Ruled paper, or squared paper of 5 mm that is a scale only to those who know it."""
    w, h = scene.width_mm, scene.height_mm
    step = float(rng.uniform(6, 9))
    scene.stroke([polyline([[0, y], [w, y]]) for y in np.arange(12, h - 8, step)], 0.2, srgb(120, 150, 200))
    if rng.random() < 0.4:
        scene.stroke([polyline([[22, 0], [22, h]])], 0.2, srgb(200, 90, 90))


def _stitches(scene: Scene, rng: np.random.Generator) -> None:
    """Rows of short strokes of uneven pitch beside a line: stitches, notches, a fringe; and one dashed line."""
    y = 60.0
    for _ in range(3):
        x, step = 20.0, float(rng.uniform(2.2, 6.0))
        lines = []
        while x < 0.8 * scene.width_mm:
            lines.append(polyline([[x, y], [x, y + float(rng.uniform(3, 5))]]))
            x += step * float(rng.uniform(0.8, 1.2))
        scene.stroke([*lines, polyline([[20, y], [0.8 * scene.width_mm, y]])], THIN, INK)
        y += 45
    scene.stroke([polyline([[20, y], [0.8 * scene.width_mm, y]])], 0.5, INK, dash_mm=(4.0, 2.0))


def _cloth(scene: Scene, rng: np.random.Generator) -> None:
    """Checked cloth under the sheet."""
    paints, scene.paints = list(scene.paints), []
    w, h = scene.width_mm, scene.height_mm
    step = float(rng.uniform(6, 26))
    for k in range(int(3 * w / step)):
        scene.fill(rectangle(-w + 2 * k * step, -h, step, 3 * h), srgb(60, 80, 150), opacity=0.5)
    for k in range(int(3 * h / step)):
        scene.fill(rectangle(-w, -h + 2 * k * step, 3 * w, step), srgb(60, 80, 150), opacity=0.5)
    scene.paints = [*scene.paints, *paints]


def _tiles(scene: Scene, rng: np.random.Generator) -> None:
    """A tiled or boarded floor around the sheet: a grid of light lines on dark."""
    paints, scene.paints = list(scene.paints), []
    w, h = scene.width_mm, scene.height_mm
    step = float(rng.uniform(32, 97))
    scene.fill(rectangle(-w, -h, 3 * w, 3 * h), srgb(96, 92, 88), texture=0.02)
    lines = [polyline([[x, -h], [x, 2 * h]]) for x in np.arange(-w, 2 * w, step)]
    lines += [polyline([[-w, y], [2 * w, y]]) for y in np.arange(-h, 2 * h, step)]
    scene.stroke(lines, float(rng.uniform(1.0, 3.0)), srgb(190, 188, 180))
    scene.paints = [*scene.paints, *[p for p in paints if getattr(p, "texture", 0.0) < 0.013]]


def _solid(scene: Scene, rng: np.random.Generator) -> None:
    """Registration marks of the printer and dots: small solid squares, a hexagon, a checkered strip."""
    for i in range(6):
        side = float(rng.uniform(4, 9))
        scene.fill(rectangle(20 + 25 * i, 20, side, side), INK)
    scene.stroke(regular(80, 90, float(rng.uniform(20, 35)), 6), 0.5, INK)
    step = float(rng.uniform(4, 8))
    for i in range(16):
        for k in range(2):
            if (i + k) % 2 == 0:
                scene.fill(rectangle(20 + i * step, 180 + k * step, step, step), INK)
    scene.stroke(polygon([[30, 215], [90, 215], [90, 275], [30, 275]]), 0.5, INK)


def _squared(scene: Scene, rng: np.random.Generator) -> None:
    """Squared and millimetre paper in the pitches that it is sold in, to the edge or with a margin."""
    fine, bold = [
        (5.0, 0),
        (5.0, 2),
        (5.0, 10),
        (6.35, 0),
        (6.35, 4),
        (5.08, 5),
        (4.0, 0),
        (2.0, 5),
        (1.0, 10),
        (8.0, 0),
    ][int(rng.integers(10))]
    w, h = scene.width_mm, scene.height_mm
    margin = float(rng.choice([0.0, 5.0, 8.0]))
    across, down = (np.arange(margin, side - margin + 1e-6, fine) for side in (w, h))
    ink = srgb(*rng.uniform(100, 200, 3))
    for every, width in ((1, 0.18 if fine > 3 else 0.1), (bold, 0.35)):
        if every:
            lines = [polyline([[x, down[0]], [x, down[-1]]]) for x in across[::every]]
            lines += [polyline([[across[0], y], [across[-1], y]]) for y in down[::every]]
            scene.stroke(lines, width, ink)


def _teeth(scene: Scene, rng: np.random.Generator) -> None:
    """A slide fastener along the sheet: teeth of one pitch, all alike, on a tape."""
    x, y, length, pitch = 12.0, 26.0, 0.8 * scene.width_mm, float(rng.uniform(1.6, 4.0))
    scene.fill(rectangle(x, y - 12, length, 24), srgb(*rng.uniform(30, 200, 3)), texture=0.03)
    teeth = [
        polyline([[x + i * pitch, y - 2 + i % 2], [x + i * pitch, y + 2 + i % 2]]) for i in range(int(length / pitch))
    ]
    scene.stroke(teeth, 0.55 * pitch, srgb(190))


def _labels(scene: Scene, rng: np.random.Generator) -> None:
    """Several labels alike, rounded as a card is and of its proportions but of another size: cut out, or drawn."""
    k = float(rng.choice([rng.uniform(0.6, 0.93), rng.uniform(1.07, 1.3)]))
    w, h, radius = 85.6 * k, 53.98 * k, 3.18 * k
    drawn = rng.random() < 0.3
    colour = srgb(*rng.uniform(40, 210, 3))
    for i in range(int(rng.integers(2, 5))):
        x, y = 15.0 + (i % 2) * (w + 12), 30.0 + (i // 2) * (h + 14)
        if x + w > scene.width_mm - 8:
            x, y = 15.0, 30.0 + 2 * (h + 14)
        label = _at(rounded_rectangle(0, 0, w, h, radius), x, y, float(rng.normal(0, 2)))
        if drawn:
            scene.stroke(label, 0.5, INK)
        else:
            draw.scene_shadow(scene, label, (0.3, 0.4), 0.4, 0.5)
            scene.fill(label, colour)
        text(scene, "label", (x + w / 2, y + h / 2), 5.0)


def _strokes(scene: Scene, rng: np.random.Generator) -> None:
    """A row of strokes of one pitch of which every so many is longer, as on a rule: a border, pleats, a gauge."""
    pitch, reach = float(rng.uniform(1.4, 4.0)), float(rng.uniform(2.0, 4.0))
    orders = [{5: 1.5}, {5: 1.5}, {5: 1.5, 10: 2.0}, {2: 1.4, 4: 1.8, 8: 2.3}, {2: 1.3, 4: 1.7, 8: 2.2, 16: 2.8}]
    longer = orders[int(rng.integers(len(orders)))]
    count = int(0.8 * scene.width_mm / pitch)
    lines = []
    for i in range(count + 1):
        high = reach * max([1.0, *(by for every, by in longer.items() if i % every == 0)])
        lines.append(polyline([[20 + i * pitch, 50], [20 + i * pitch, 50 + high]]))
    if rng.random() < 0.5:
        lines.append(polyline([[20, 50], [20 + count * pitch, 50]]))
    turn = affine(turn_deg=float(rng.normal(0, 2)))
    scene.stroke([line.moved(turn) for line in lines], THIN, INK)
    if rng.random() < 0.5:
        text(scene, "pleat every 5th line toward the front", (20 + 0.4 * scene.width_mm, 50 + 3.4 * reach), 4.0)


DECOYS: dict[str, Decoy] = {
    "pocket": _pocket,
    "patches": _patches,
    "table": _table,
    "quilting": _quilting,
    "card-like": _card_like,
    "ruled": _ruled,
    "stitches": _stitches,
    "cloth": _cloth,
    "tiles": _tiles,
    "solid": _solid,
    "squared": _squared,
    "teeth": _teeth,
    "labels": _labels,
    "strokes": _strokes,
}


def scene_of(name: str, how: str, seed: int) -> Scene:
    """Return a sheet of a size that is no standard, running out of the picture in half of the scenes."""
    rng = np.random.default_rng([seed, 61])
    edges = name in ("cloth", "tiles") or bool(rng.random() < 0.5)
    drawn = 2 if name in ("cloth", "tiles") else 0
    scene = scenarios.build(
        "reference", seed=seed, kind="none", paper="A4" if how == "scan" else "A3", edges=edges, pieces=drawn
    )
    DECOYS[name](scene, rng)
    return scene


def picture(name: str, how: str, seed: int) -> render.Rendered:
    """Return the scene as it comes from a scanner without a word of its density, or from a phone."""
    rng = np.random.default_rng([seed, 62])
    scene = scene_of(name, how, seed)
    if how == "scan":
        made = render.scan(
            scene,
            dpi=float(rng.choice([150.0, 200.0])),
            rotation_deg=float(rng.uniform(-2, 2)),
            tag_dpi=None,
            seed=seed,
        )
    else:
        made = render.photo(
            scene,
            width_px=2400,
            height_px=1800,
            roll_deg=90.0 + float(rng.normal(0, 4)),
            tilt_deg=float(rng.uniform(0, 12)),
            azimuth_deg=float(rng.uniform(0, 360)),
            k1=float(rng.uniform(-0.05, 0.05)),
            exif_focal=bool(rng.random() < 0.6),
            seed=seed,
        )
    return as_jpeg(replace(made, quality=88))


def run(name: str, how: str, seed: int) -> tuple[str, str, float]:
    """Return what was made of a scene: 'none', 'asked', 'told' or 'wrong', with words and seconds."""
    made = picture(name, how, seed)
    start = cpu_seconds()
    try:
        sheet = calibrate(picture_of(made), CalibrateOptions())
    except ScaleError as error:
        verdict = "asked" if "say it" in str(error) or "say which" in str(error) else "none"
        return verdict, str(error), cpu_seconds() - start
    px = np.asarray(sheet.reference.points_px)
    ends = px[[px.sum(axis=1).argmin(), px.sum(axis=1).argmax()]]
    seen, true = sheet.to_mm(PxPoints(ends)), made.camera.to_mm(ends)
    off = float(np.hypot(*(seen[1] - seen[0])) / np.hypot(*(true[1] - true[0]))) - 1
    verdict = "told" if name == "squared" and abs(off) < 0.005 else "wrong"
    return verdict, f"{sheet.reference.kind} {sheet.reference.size} off {off:+.1%}", cpu_seconds() - start


def main() -> None:
    """Run and print what was asked and what was wrong, and the counts."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.decoys", description=__doc__)
    parser.add_argument("--only", choices=DECOYS)
    parser.add_argument("--count", type=int, default=3, help="scenes of each kind and way")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    args = parser.parse_args()
    counts: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for name in [args.only] if args.only else DECOYS:
        for how in ("scan", "photo"):
            for seed in range(args.first, args.first + args.count):
                verdict, words, seconds = run(name, how, seed)
                counts[name][verdict] += 1
                if verdict != "none":
                    print(f"{name:10} {how:5} {seed:4} {verdict:5} {words[:110]} {seconds:.1f} s", flush=True)
    for name, some in counts.items():
        print(f"{name:10} {dict(some)}")


if __name__ == "__main__":
    main()
