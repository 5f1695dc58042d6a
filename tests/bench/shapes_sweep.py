"""Basic shapes under many conditions; ``python -m tests.bench.shapes_sweep [COUNT] [FIRST] [--dpi N] [--jpeg N]``.

Circle, ellipse, rounded rectangle, sleeve cap, hexagon, wedge and the 560 mm edge, each drawn in a line or cut out,
turned by any angle and moved by parts of a pixel, with line width, blur, noise, contrast and the wobble of the rough
outline chosen at random, at 300 dpi or another density, as it is or after JPEG. Each is held against its truth,
densified, in both directions, and so is the error that is reported from the picture. Prints a line for every shape
that misses a limit, and the figures of all.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.threads import one_thread
from tests import shapes
from tests.oracles import compare_corners, distance_between
from tests.tracer.tracing import GREY, SHAPES, mm_of, px_of, rough_of
from tracer.curves.fit import fit_closed
from tracer.cusps import Stroke, extend_cusps
from tracer.measure import LineStyle, measure_outline
from tracer.outline import locate
from tracer.path import Path

P95_MM, WORST_MM, NODES = 0.03, 0.12, 1.5
_MARGIN_MM = 6.0
_INCH_MM = 25.4


@dataclass(frozen=True, kw_only=True)
class Result:
    """One shape: true errors and reported ones (mm), corners, nodes over the drawing's."""

    words: str
    p95: float
    worst: float
    bound: float
    reported_p95: float
    reported_worst: float
    missed: int
    invented: int
    nodes: float

    @property
    def misses(self) -> bool:
        """Whether it misses a limit of the outline."""
        wrong = self.missed or self.invented or self.nodes > NODES
        return bool(wrong or self.p95 > P95_MM or self.worst > WORST_MM)

    @property
    def understated(self) -> bool:
        """Whether the reported worst is smaller than the true one by more than the sampling bound."""
        return self.reported_worst < self.worst - self.bound


def _turned(path: Path, turn_rad: float, shift_mm: np.ndarray) -> tuple[Path, tuple[float, float]]:
    """Return the path turned and moved into a picture of the returned size, mm."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    moved = path.transformed(np.array([[c, -s, 0.0], [s, c, 0.0]]))
    box = moved.bounds
    moved = moved.translated(*(np.array([_MARGIN_MM - box.x_min, _MARGIN_MM - box.y_min]) + shift_mm))
    return moved, (box.width + 2 * _MARGIN_MM + 1, box.height + 2 * _MARGIN_MM + 1)


def _as_jpeg(pixels: NDArray[np.uint8], quality: int | None) -> NDArray[np.uint8]:
    if quality is None:
        return pixels
    done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert done
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)


@one_thread
def trace_shape(name: str, seed: int, *, dpi: float = 300.0, jpeg: int | None = None) -> Result:
    """Draw a shape under random conditions and trace it."""
    mm_per_px = _INCH_MM / dpi
    to_px = partial(px_of, mm_per_px=mm_per_px)
    rng = np.random.default_rng([seed, list(SHAPES).index(name), 7])
    width_mm = 0.0 if rng.random() < 0.5 else float(rng.uniform(0.2, 0.9))
    turn = math.radians(rng.uniform(-3, 3)) if name == "long edge" else float(rng.uniform(-math.pi, math.pi))
    truth, size = _turned(SHAPES[name][0], turn, rng.uniform(0, 1, 2) * mm_per_px)
    blur_px, noise, ground = rng.uniform(0.5, 1.1), rng.uniform(0.002, 0.015), rng.uniform(0.5, 0.9)
    pixels = shapes.picture(
        [truth],
        size,
        mm_per_px=mm_per_px,
        line_width_mm=width_mm,
        blur_px=blur_px,
        noise=noise,
        ground=ground,
        seed=seed,
    )
    pixels = _as_jpeg(pixels, jpeg)
    evidence = locate(pixels, rough_of(truth, width_mm, mm_per_px=mm_per_px, seed=seed))
    fit = fit_closed(
        mm_of(evidence.points_px, mm_per_px),
        evidence.sigma_px * mm_per_px,
        evidence.valid,
        half_width_mm=evidence.line_width_px / 2 * mm_per_px,
        blur_mm=evidence.blur_px * mm_per_px,
    )
    path = fit.path
    if width_mm:
        stroke = Stroke(width_px=evidence.line_width_px, colour_weights=GREY)
        path = extend_cusps(pixels, path, stroke, to_px=to_px)[0].oriented()
    style = LineStyle(
        kind="drawn" if width_mm else "edge",
        line_width_px=evidence.line_width_px,
        colour_weights=GREY,
        blur_px=evidence.blur_px,
    )
    error = measure_outline(pixels, path, style, to_px=to_px)
    true, corners = distance_between(path.segments, truth.segments), compare_corners(path.segments, truth.segments)
    return Result(
        words=f"{name}, seed {seed}, line {width_mm:.2f} mm, turned {math.degrees(turn):.0f} degrees, "
        f"blur {blur_px:.2f}",
        p95=true.p95_mm,
        worst=true.worst_mm,
        bound=true.bound_mm,
        reported_p95=error.p95_mm,
        reported_worst=error.max_mm,
        missed=corners.missed,
        invented=corners.invented,
        nodes=path.node_count / truth.node_count,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=10)
    parser.add_argument("first", nargs="?", type=int, default=0)
    parser.add_argument("--dpi", type=float, default=300.0)
    parser.add_argument("--jpeg", type=int, help="quality of a JPEG in between")
    arguments = parser.parse_args()
    results = []
    for seed in range(arguments.first, arguments.first + arguments.count):
        for name in SHAPES:
            r = trace_shape(name, seed, dpi=arguments.dpi, jpeg=arguments.jpeg)
            results.append(r)
            if r.misses or r.understated:
                print(
                    f"{r.words}: p95 {r.p95:.4f} worst {r.worst:.4f} (reported {r.reported_p95:.4f} "
                    f"{r.reported_worst:.4f}) missed {r.missed} invented {r.invented} nodes {r.nodes:.2f}",
                    flush=True,
                )
    print(
        f"{len(results)} shapes: p95 {np.median([r.p95 for r in results]):.4f} "
        f"(most {max(r.p95 for r in results):.4f}), worst {max(r.worst for r in results):.4f}, corners missed "
        f"{sum(r.missed for r in results)}, invented {sum(r.invented for r in results)}, nodes at most "
        f"{max(r.nodes for r in results):.2f} of the drawing's; {sum(r.misses for r in results)} miss a limit; "
        f"reported worst too small {sum(r.understated for r in results)}, reported p95 too small by over 0.001 mm "
        f"{sum(r.reported_p95 < r.p95 - 0.001 for r in results)}"
    )


if __name__ == "__main__":
    main()
