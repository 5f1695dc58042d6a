"""Random lay jobs: pieces of all kinds, surfaces and rules of all kinds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tracer.lay.rules import Rules
from tracer.lay.surface import Fabric, Leftover, Mat, Surface
from tracer.path import OpenPath, Path
from tracer.piece import CutNote, Fit, Made, Mark, Piece
from tracer.segments import cubic, line

IN = 25.4
_KAPPA = 4 / 3 * (math.sqrt(2) - 1)


def rectangle(width_mm: float, height_mm: float) -> Path:
    return Path.polygon([(0, 0), (width_mm, 0), (width_mm, height_mm), (0, height_mm)])


def ellipse(a: float, b: float) -> Path:
    k, m = _KAPPA * a, _KAPPA * b
    return Path(
        (
            cubic((a, 0), (a, m), (k, b), (0, b)),
            cubic((0, b), (-k, b), (-a, m), (-a, 0)),
            cubic((-a, 0), (-a, -m), (-k, -b), (0, -b)),
            cubic((0, -b), (k, -b), (a, -m), (a, 0)),
        )
    )


def piece(
    number: int,
    outline: Path,
    *,
    count: int = 1,
    mirrored: bool = False,
    fold: bool = False,
    holes: tuple[Path, ...] = (),
    grain_deg: float | None = None,
    material: str = "",
    together: str = "",
    name: str = "",
) -> Piece:
    """Return a piece; ``grain_deg`` is how far its grain line leans from upright."""
    marks: tuple[Mark, ...] = ()
    box = outline.bounds
    if grain_deg is not None:
        x, y = (box.x_min + box.x_max) / 2, (box.y_min + box.y_max) / 2
        r, a = min(box.width, box.height) / 4, math.radians(grain_deg)
        ends = [(x - r * math.sin(a), y - r * math.cos(a)), (x + r * math.sin(a), y + r * math.cos(a))]
        marks = (Mark(kind="grain line", path=OpenPath.polyline(ends)),)
    return Piece(
        id=f"p{number}", name=name or f"Piece {number}", sheet="s1", outline=outline.oriented(), holes=holes,
        expanded_uncertainty_mm=0.1, fit=Fit(max_mm=0.05, p95_mm=0.02, rms_mm=0.01), marks=marks,
        cut=CutNote(count=count, mirrored=mirrored, fold=fold, material=material),
        made=Made(sources=(f"p{number}",), together=together) if together else None,
    )  # fmt: skip


def star(rng: np.random.Generator, size_mm: float) -> Path:
    """Return an outline of 4 to 9 nodes round a centre, with straight and curved stretches."""
    n = int(rng.integers(4, 10))
    angles = np.arange(n) * 2 * math.pi / n + rng.uniform(-0.25, 0.25, n)
    points = np.stack([np.cos(angles), np.sin(angles)], axis=1) * (size_mm / 2 * rng.uniform(0.45, 1.0, n))[:, None]
    segments = []
    for a, b in zip(points, np.roll(points, -1, axis=0), strict=True):
        if rng.random() < 0.5:
            segments.append(line(a, b))
        else:
            bulge = np.array([b[1] - a[1], a[0] - b[0]]) * rng.uniform(-0.12, 0.2)
            segments.append(cubic(a, a + (b - a) / 3 + bulge, a + (b - a) * 2 / 3 + bulge, b))
    return Path(tuple(segments))


def _outline(rng: np.random.Generator, size: float) -> Path:
    kind = rng.integers(0, 5)
    w, h = size * rng.uniform(0.3, 1.0), size * rng.uniform(0.3, 1.0)
    if kind == 0:
        return rectangle(w, h)
    if kind == 1:
        return ellipse(w / 2, h / 2)
    if kind == 2:
        x, y = w * rng.uniform(0.3, 0.7), h * rng.uniform(0.3, 0.7)
        return Path.polygon([(0, 0), (w, 0), (w, y), (x, y), (x, h), (0, h)])
    if kind == 3:
        return Path((line((0, 0), (w * 0.6, 0)), cubic((w * 0.6, 0), (w * 0.7, h * 0.3), (w, h * 0.5), (w, h)),
                     line((w, h), (0, h)), line((0, h), (0, 0))))  # fmt: skip
    return star(rng, size)


def half_on_fold(w: float, h: float) -> Path:
    """Return half a skirt: its fold edge upright at the left."""
    return Path((line((0, 0), (w * 0.5, 0)), cubic((w * 0.5, 0), (w * 0.6, h * 0.4), (w * 0.8, h * 0.7), (w, h)),
                 line((w, h), (0, h)), line((0, h), (0, 0))))  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class RandomJob:
    seed: int
    pieces: list[Piece]
    surface: Surface
    rules: Rules


def random_job(seed: int) -> RandomJob:
    """Return a job drawn from a seed: mats, cloth, folded cloth and leftovers by turns."""
    rng = np.random.default_rng(seed)
    kind = ("mat", "fabric", "fold", "leftover")[seed % 4]
    size = float(rng.uniform(60, 260))
    n = int(rng.integers(1, 6))
    pieces: list[Piece] = []
    for k in range(1, n + 1):
        count = int(rng.integers(1, 5))
        grain = None if rng.random() < 0.4 else float(rng.choice([0.0, 90.0, rng.uniform(-80, 80)]))
        outline = _outline(rng, size * rng.uniform(0.3, 1.0))
        if kind == "fold" and rng.random() < 0.4:
            w, h = size * rng.uniform(0.3, 0.8), size * rng.uniform(0.5, 1.0)
            pieces.append(piece(k, half_on_fold(w, h), count=1, fold=True, grain_deg=0.0))
            continue
        holes: tuple[Path, ...] = ()
        box = outline.bounds
        together = "pair" if k == 1 and rng.random() < 0.2 else ""
        if isinstance(outline, Path) and rng.random() < 0.15 and len(outline.segments) == 4:
            middle = ((box.x_min + box.x_max) / 2, (box.y_min + box.y_max) / 2)
            holes = (ellipse(box.width / 5, box.height / 5).translated(*middle),)
        pieces.append(
            piece(
                k,
                outline,
                count=count,
                mirrored=bool(rng.random() < 0.5),
                grain_deg=grain,
                holes=holes,
                together=together,
            )
        )
    widest = max(max(p.outline.bounds.width, p.outline.bounds.height) for p in pieces)
    margin = float(rng.choice([0.0, 5.0, IN]))
    rules = Rules(
        margin_mm=margin, gap_mm=float(rng.choice([0.0, 2.0, rng.uniform(0.5, 12)])),
        turn=str(rng.choice(["180", "none", "free"])),  # type: ignore[arg-type]
        within_deg=float(rng.choice([0.0, 5.0])) if kind == "fabric" else 0.0, folded=kind == "fold",
    )  # fmt: skip
    surface: Surface
    if kind == "mat":
        side = widest * float(rng.uniform(1.1, 2.2)) + 2 * margin
        surface = Mat(width_mm=side, length_mm=side * float(rng.choice([1.0, 2.0, 0.7])))
    elif kind == "fabric":
        surface = Fabric(
            width_mm=2.3 * widest * float(rng.uniform(1.0, 2.0)) + 2 * margin + 20,
            selvedge_mm=float(rng.choice([0, 10])),
        )
    elif kind == "fold":
        surface = Fabric(width_mm=4 * widest + 4 * margin + 40, selvedge_mm=float(rng.choice([0, 10])))
    else:
        surface = Leftover(outline=star(rng, widest * float(rng.uniform(3.0, 5.0)) + 4 * margin))
    return RandomJob(seed=seed, pieces=pieces, surface=surface, rules=rules)
