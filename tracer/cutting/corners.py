"""How two allowances meet at a corner.

Where both parallels have to be carried on to meet (an outside corner), the corner can be

mitred
    both carried on straight until they meet; beyond four times the allowance (the limit of SVG 2's
    ``stroke-miterlimit``) it is squared.
squared
    the point is cut off square to the corner's middle, as far from the stitching corner as the wider allowance
    (common practice, no source).
rounded
    an arc about the stitching corner.
trimmed
    for patchwork: a corner sharper than a right angle loses its point, square to the edge that lies nearer to the grain
    and one allowance beyond the finished corner, so that the patch matches its neighbour's corner (common practice, no
    source).
mirrored
    for a turned hem: the end of the hem is the mirror image, over the hem's stitching line, of the edge it will lie on
    (common practice, no source); handled in :mod:`tracer.cutting.meetings`, since it needs the neighbour's whole edge.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tracer.segments import Segment, cubic

CornerStyle = Literal["mitred", "squared", "rounded", "trimmed", "mirrored"]
CORNER_STYLES: tuple[CornerStyle, ...] = ("mitred", "squared", "rounded", "trimmed", "mirrored")

MITRE_LIMIT = 4.0

Array = NDArray[np.float64]


def meeting_point(end: Array, along_end: Array, start: Array, along_start: Array) -> tuple[float, float] | None:
    """Return a, b with ``end + a along_end = start - b along_start``; None for parallel directions."""
    determinant = float(along_end[0] * along_start[1] - along_end[1] * along_start[0])
    if abs(determinant) < 1e-9:
        return None
    gap = start - end
    a = float(gap[0] * along_start[1] - gap[1] * along_start[0]) / determinant
    b = float(along_end[0] * gap[1] - along_end[1] * gap[0]) / determinant
    return a, b


def _clipped(end: Array, tip: Array, start: Array, normal: Array, reach: float) -> list[Array]:
    """Cut the point ``tip`` off where ``normal . p > reach``; returns the points between end and start."""
    height = [float(p @ normal) for p in (end, tip, start)]
    if height[1] <= reach + 1e-12:
        return [tip]
    points = []
    for outer, h in ((end, height[0]), (start, height[2])):
        share = (reach - h) / (height[1] - h) if h < reach else 0.0
        points.append(outer + share * (tip - outer))
    return points


def _arc(centre: Array, start: Array, end: Array) -> list[Segment]:
    """The arc from start to end, clockwise on screen, in cubics of at most 60 degrees (within 2e-5 radii)."""
    first, last = start - centre, end - centre
    angle = math.atan2(float(first[0] * last[1] - first[1] * last[0]), float(first @ last)) % (2 * math.pi)
    count = max(1, math.ceil(angle / (math.pi / 3)))
    step = angle / count
    arm = 4 / 3 * math.tan(step / 4)
    parts: list[Segment] = []
    here = first
    for k in range(count):
        c, s = math.cos(step), math.sin(step)
        there = last if k == count - 1 else np.array([c * here[0] - s * here[1], s * here[0] + c * here[1]])
        p1 = here + arm * np.array([-here[1], here[0]])
        p2 = there - arm * np.array([-there[1], there[0]])
        parts.append(cubic(centre + here, centre + p1, centre + p2, centre + there))
        here = there
    return parts


def outside_corner(
    *,
    style: CornerStyle,
    vertex: Array,
    end: Array,
    along_end: Array,
    start: Array,
    along_start: Array,
    tip: Array,
    widths_mm: tuple[float, float],
    grain: Array,
) -> list[Segment | Array]:
    """Return what lies between the end of one parallel and the start of the next at an outside corner.

    Parameters
    ----------
    style : CornerStyle
        ``mirrored`` counts as ``mitred`` here.
    vertex, end, start, tip : ndarray, shape (2,)
        Stitching corner, ends of the two parallels, and where they meet when carried on; mm.
    along_end, along_start : ndarray, shape (2,)
        Unit directions of travel.
    widths_mm : tuple of float
        The two allowances.
    grain : ndarray, shape (2,)
        Direction of the grain.

    Returns
    -------
    list
        Points to be joined by lines, and for rounded corners curves.
    """
    wider = max(abs(w) for w in widths_mm)
    bisector = along_end - along_start
    size = float(np.hypot(*bisector))
    bisector = bisector / size if size > 1e-9 else along_end
    both = min(widths_mm) > 0
    if style == "rounded" and both and abs(widths_mm[0] - widths_mm[1]) < 1e-9:
        return list(_arc(vertex, end, start))
    if style == "trimmed" and both and float(along_end @ -along_start) > 1e-6:
        # Nearer to the grain or square to it: the larger of |cos| and |sin| of the angle to it.
        def straightness(direction: Array) -> float:
            along, across = abs(float(direction @ grain)), abs(float(direction[0] * grain[1] - direction[1] * grain[0]))
            return round(max(along, across), 6)

        first_is_straighter = straightness(along_end) > straightness(along_start)
        normal = along_end if first_is_straighter else -along_start
        width = widths_mm[1] if first_is_straighter else widths_mm[0]
        return list(_clipped(end, tip, start, normal, float(vertex @ normal) + width))
    too_long = float(np.hypot(*(tip - vertex))) > MITRE_LIMIT * wider
    if (style == "squared" or too_long) and both:
        return list(_clipped(end, tip, start, bisector, float(vertex @ bisector) + wider))
    if too_long:
        return []
    return [tip]
