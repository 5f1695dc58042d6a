"""The published tracer potrace as an engine and as a peer to measure against.

Potrace (P. Selinger, "Potrace: a polygon-based tracing algorithm", 2003) traces bitmaps: what it is given is black or
white, so its outlines are as good as a threshold. It is reached through its Python binding (pypotrace) or the pure-
Python port of the same interface (potracer); both are imported under the name ``potrace``.

Pixel convention: potrace counts from pixel corners, this project from pixel centres; half a pixel is taken off.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from calibration.picture import MmPoints, PxPoints
from tracer.candidate import RoughOutline
from tracer.errors import EngineError, PathError
from tracer.outline import LineChoice
from tracer.path import Path

_MARGIN_PX = 6


def _binding() -> Any:
    try:
        import potrace
    except ImportError as error:
        raise EngineError(
            "the engine potrace is not installed; install the extra 'engines' (pip install 'tracewheel[engines]') or "
            "pypotrace, or leave --engine out"
        ) from error
    return potrace


def trace_mask(mask: NDArray[np.bool_], *, turd_px: int = 16) -> list[Path]:
    """Trace the outlines in a bitmap with potrace's own settings.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, columns)
    turd_px : int
        Specks of at most so many pixels are left out.

    Returns
    -------
    list of Path
        Closed, in pixels (pixel centres at whole numbers), positively oriented, largest first.

    Raises
    ------
    EngineError
        Neither binding nor port is installed.
    """
    potrace = _binding()
    # The port inverts what it is given; the binding takes it as it is.
    data = ~mask if _is_port(potrace) else mask
    curves = potrace.Bitmap(np.ascontiguousarray(data)).trace(turdsize=turd_px)
    paths = [_path_of(curve) for curve in curves]
    return sorted(paths, key=lambda p: -p.area)


def binding_name() -> str:
    """Return which package answers to the name ``potrace``.

    Raises
    ------
    EngineError
        None does.
    """
    return "potracer" if _is_port(_binding()) else "pypotrace"


def _is_port(potrace: Any) -> bool:
    """Tell the port by its module of the same name; the binding's is a compiled one."""
    return hasattr(potrace, "potrace")


def _xy(point: Any) -> NDArray[np.float64]:
    x, y = (point.x, point.y) if hasattr(point, "x") else point
    return np.array([x - 0.5, y - 0.5])


def _path_of(curve: Any) -> Path:
    segments = []
    here = _xy(curve.start_point)
    for piece in curve.segments:
        end = _xy(piece.end_point)
        if piece.is_corner:
            corner = _xy(piece.c)
            segments += [np.array([here, corner]), np.array([corner, end])]
        else:
            segments.append(np.array([here, _xy(piece.c1), _xy(piece.c2), end]))
        here = end
    kept = [s for s in segments if np.abs(np.diff(s, axis=0)).max() > 1e-9]
    return Path(tuple(kept)).oriented()


def outline_mask(
    pixels: NDArray[np.uint8], rough: RoughOutline, *, line: LineChoice = "centre"
) -> tuple[NDArray[np.bool_], tuple[int, int]]:
    """Return a bitmap whose boundary is the outline, and the (x, y) of its first pixel in the picture.

    Near the rough outline pixels are dark or bright by the half level in linear light; farther in or out the rough
    outline decides. For the centre of a drawn line, its pixels go to the side that is nearer.
    """
    points = np.asarray(rough.points_px, dtype=np.float64)
    rows, columns = pixels.shape[:2]
    reach = rough.line_width_px / 2 + _MARGIN_PX
    x0, y0 = (max(0, math.floor(v - reach)) for v in points.min(axis=0))
    x1, y1 = points.max(axis=0) + reach + 1
    box = pixels[y0 : min(rows, math.ceil(y1)), x0 : min(columns, math.ceil(x1))]
    # The mask is that of the ring's inside, which in a hole is the ground.
    weights = np.asarray(rough.colour_weights, dtype=np.float64) * (-1.0 if rough.hole else 1.0)
    light = (
        cv2.LUT(box, (SRGB_TO_LINEAR * weights.sum()).astype(np.float32))
        if box.ndim == 2
        else (SRGB_TO_LINEAR[box] @ weights.astype(np.float32))
    )
    fixed = np.round((points - [x0, y0]) * 16).astype(np.int32)
    inside = np.zeros(box.shape[:2], np.uint8)
    cv2.fillPoly(inside, [fixed], 1, shift=4)
    band = np.zeros(box.shape[:2], np.uint8)
    cv2.polylines(band, [fixed], True, 1, thickness=math.ceil(2 * reach - _MARGIN_PX / 2), shift=4)
    near = light[band > 0]
    if near.size == 0:
        raise PathError("the rough outline lies outside of the picture")
    low, high = np.percentile(near, [3, 90]) if rough.kind == "drawn" else np.percentile(near, [10, 90])
    dark = (light < (low + high) / 2) & (band > 0)
    if rough.kind == "edge":
        return np.where(band > 0, dark, inside > 0), (x0, y0)
    if line == "outer":
        return (inside > 0) | dark, (x0, y0)
    if line == "inner":
        return (inside > 0) & ~dark, (x0, y0)
    to_inside = cv2.distanceTransform((~((inside > 0) & ~dark)).astype(np.uint8), cv2.DIST_L2, 5)
    to_outside = cv2.distanceTransform((~((inside == 0) & ~dark)).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(to_inside < to_outside), (x0, y0)


def trace_with_potrace(
    pixels: NDArray[np.uint8],
    rough: RoughOutline,
    *,
    line: LineChoice = "centre",
    to_mm: Callable[[PxPoints], MmPoints],
) -> Path:
    """Trace one outline with potrace; its control points are mapped to millimetres one by one.

    Raises
    ------
    EngineError
        Potrace is not installed.
    PathError
        Nothing was left to trace.
    """
    mask, (x0, y0) = outline_mask(pixels, rough, line=line)
    paths = trace_mask(mask)
    if not paths:
        raise PathError("potrace found no outline here")
    moved = paths[0].translated(float(x0), float(y0))
    return Path(tuple(np.asarray(to_mm(PxPoints(s))) for s in moved.segments)).oriented()
