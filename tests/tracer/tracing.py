"""Tracing known shapes from drawn pictures, as the tests of evidence, curves and measure need it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.picture import MmPoints, PxPoints
from tests import shapes
from tests.shapes import MM_PER_PX_300
from tracer.candidate import RoughOutline
from tracer.curves.fit import FitResult, fit_closed
from tracer.measure import LineStyle, OutlineError, measure_outline
from tracer.outline import Evidence, locate
from tracer.path import Path

GREY = np.array([0.2126, 0.7152, 0.0722])

SHAPES: dict[str, tuple[Path, tuple[float, float]]] = {
    "circle": (shapes.circle((30, 30), 24), (60, 60)),
    "ellipse": (shapes.ellipse((45, 35), 38, 24), (90, 70)),
    "rounded rectangle": (shapes.rounded_rectangle((6, 6), 60, 40, 6), (72, 52)),
    "sleeve cap": (shapes.sleeve((6, 6), 0.6), (106, 108)),
    "hexagon": (shapes.polygon((33, 33), 25, 6, 7.0), (66, 66)),
    "wedge": (shapes.wedge((6, 6)), (106, 56)),
    "long edge": (shapes.long_edge((6, 6)), (574, 64)),
}


def mm_of(points_px: NDArray[np.float64], mm_per_px: float = MM_PER_PX_300) -> MmPoints:
    return MmPoints((np.asarray(points_px) + 0.5) * mm_per_px)


def px_of(points_mm: NDArray[np.float64], mm_per_px: float = MM_PER_PX_300) -> PxPoints:
    return PxPoints(np.asarray(points_mm) / mm_per_px - 0.5)


def rough_of(
    path: Path, line_width_mm: float, *, mm_per_px: float = MM_PER_PX_300, amplitude_px: float = 1.3, seed: int = 0
) -> RoughOutline:
    points = shapes.wobbled(shapes.to_px(path, mm_per_px), amplitude_px=amplitude_px, seed=seed)
    none = np.zeros(len(points), bool)
    return RoughOutline(
        points_px=PxPoints(points),
        kind="drawn" if line_width_mm else "edge",
        line_width_px=line_width_mm / mm_per_px,
        colour_weights=GREY,
        obscured=none,
        bridged=none,
    )


@cache
def picture_of(name: str, line_width_mm: float, mm_per_px: float = MM_PER_PX_300, **look: Any) -> NDArray[np.uint8]:
    path, size = SHAPES[name]
    return shapes.picture([path], size, line_width_mm=line_width_mm, mm_per_px=mm_per_px, **look)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traced:
    truth: Path
    pixels: NDArray[np.uint8]
    evidence: Evidence
    fit: FitResult
    style: LineStyle
    mm_per_px: float

    def measure(self, path: Path | None = None) -> OutlineError:
        return measure_outline(
            self.pixels,
            path or self.fit.path,
            self.style,
            to_px=lambda mm: px_of(mm, self.mm_per_px),
            obscured_px=PxPoints(np.asarray(self.evidence.points_px)[~self.evidence.valid]),
        )


def trace(
    path: Path, pixels: NDArray[np.uint8], line_width_mm: float, *, mm_per_px: float = MM_PER_PX_300, seed: int = 0
) -> Traced:
    rough = rough_of(path, line_width_mm, mm_per_px=mm_per_px, seed=seed)
    evidence = locate(pixels, rough)
    fit = fit_closed(
        mm_of(evidence.points_px, mm_per_px),
        evidence.sigma_px * mm_per_px,
        evidence.valid,
        half_width_mm=evidence.line_width_px / 2 * mm_per_px,
        blur_mm=evidence.blur_px * mm_per_px,
    )
    style = LineStyle(
        kind=rough.kind,
        line_width_px=evidence.line_width_px,
        colour_weights=GREY,
        blur_px=evidence.blur_px,
    )
    return Traced(truth=path, pixels=pixels, evidence=evidence, fit=fit, style=style, mm_per_px=mm_per_px)


@cache
def traced(name: str, line_width_mm: float, mm_per_px: float = MM_PER_PX_300) -> Traced:
    return trace(SHAPES[name][0], picture_of(name, line_width_mm, mm_per_px), line_width_mm, mm_per_px=mm_per_px)
