"""Points of drawn outlines where curved arms meet at almost no angle.

Near such a cusp the strokes of both arms melt into one long before they meet: there is no profile of a single line any
more, and the extended arms need not even cross. The common stroke still tells both: its two outer edges are half a
line's width outside of the arms, so that it is as much wider than the line as the arms are apart. The corner is where
it is just as wide as the line, the middle of the stroke there its place. A round pen's end, a cut one, or a mitre
reaches beyond.

Long straight arms, and corners with a wider angle, are left alone: their arms tell them better.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from calibration.picture import MmPoints, PxPoints
from tracer.path import Corner, Path
from tracer.profiles import sample_profiles
from tracer.segments import Segment, cubic, evaluate, line, split_segment

Floats = NDArray[np.float64]
ToPx = Callable[[MmPoints], PxPoints]

SHARP_DEG = 12.0
"""Inner angle below which the common stroke tells the corner better than its arms: at 12 degrees the strokes are one
over almost five of their widths."""
_STEP_PX = 0.25
_BEYOND_MM = 5.0
"""A stroke that goes on farther than this beyond the corner is another line (a dart's middle, a crossing)."""
_LEAST_MM = 0.03
_NARROW = 1.7
"""Only where the stroke is narrower than this many line widths are its arms near enough to be two parabolas."""
_CLEARLY = 1.5
_WIDTH_TRUST = 0.7
"""Weight of the line's own width against the scatter of the widths along the stroke."""
_TRUST_MM = 0.02
"""How far an arm that is bent to its new end may be from the arm as it was before its stroke joined the other."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """How the drawn line looks: its width in px, and the weights of its colour on linear R, G, B."""

    width_px: float
    colour_weights: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tip:
    """Where a common stroke says that its arms meet: the point, the direction in which it leaves, where it began."""

    point: Floats
    outward: Floats
    joined: float
    uncertainty_mm: float


def extend_cusps(pixels: NDArray[np.uint8], path: Path, stroke: Stroke, *, to_px: ToPx) -> tuple[Path, tuple[str, ...]]:
    """Return a drawn outline with its very sharp corners put where the common stroke of both arms tells.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture, sRGB-encoded.
    path : Path
        The middle of the drawn line, mm.
    stroke : Stroke
    to_px : callable
        Millimetres to pixels, points (N, 2).

    Returns
    -------
    path : Path
        The same path where there is no such corner, or its stroke cannot be read. Only the arms' parts within the
        common stroke change, and the rest by at most 0.02 mm; an arm that cannot follow so closely gets a node where
        the stroke begins. Measured on drawn cusps with lines of 0.3 to 0.8 mm: with round and cut ends the corner
        is within half a line's width, mostly within 0.1 mm. The end of a mitre that is cut far beyond a slowly
        closing cusp cannot be told from a pen's, and the corner is then up to 2 mm too far out.
    notes : tuple of str
        Where such corners are, and how surely.
    """
    notes: list[str] = []
    for corner in path.corners_sharper_than(SHARP_DEG):
        if _has_straight_arms(path, corner, stroke, to_px):
            continue
        tip = _tip(pixels, path, corner, stroke, to_px)
        if tip is not None:
            path = with_tip(path, corner, tip)
            notes.append(
                f"the point at ({tip.point[0]:.0f}, {tip.point[1]:.0f}) mm, where two curves run together, is read "
                f"from the width of their common line and sure to about {tip.uncertainty_mm:.1f} mm"
            )
    return path, tuple(notes)


def _has_straight_arms(path: Path, corner: Corner, stroke: Stroke, to_px: ToPx) -> bool:
    """Say whether both arms are straight for so long that they tell the corner better than their common stroke.

    That stroke is as long as the line's width over twice the tangent of half the angle.
    """
    arms = path.segments[corner.node - 1], path.segments[corner.node]
    if any(len(arm) != 2 for arm in arms):
        return False
    common = stroke.width_px / (2 * np.tan(np.radians(max(corner.inner_angle_deg, 1.0)) / 2))
    lengths = [float(np.hypot(*np.diff(np.asarray(to_px(MmPoints(arm))), axis=0)[0])) for arm in arms]
    return bool(min(lengths) > 2 * common)


def _tip(pixels: NDArray[np.uint8], path: Path, corner: Corner, stroke: Stroke, to_px: ToPx) -> Tip | None:
    arriving, leaving = path.tangents(corner.node)
    outward = arriving - leaving
    outward = outward / float(np.hypot(*outward))
    at = np.asarray(corner.point, dtype=np.float64)
    ends = np.asarray(to_px(MmPoints(np.stack([at, at + outward]))), dtype=np.float64)
    px_per_mm = float(np.hypot(*(ends[1] - ends[0])))
    along = (ends[1] - ends[0]) / px_per_mm
    width = max(stroke.width_px, 1.0)
    places = np.arange(-16.0 * width, _BEYOND_MM * px_per_mm + 3 * width, _STEP_PX)
    across = np.arange(-2.0 * width - 3.0, 2.0 * width + 3.1, _STEP_PX)
    beside = np.array([-along[1], along[0]])
    points = ends[0] + places[:, None] * along
    light = sample_profiles(pixels, points, np.tile(beside, (len(points), 1)), across, stroke.colour_weights)
    read = read_stroke(np.asarray(light, dtype=np.float64), places, across, width_px=width)
    if read is None:
        return None
    place, middle, began = read
    moved = (place * outward + middle * np.array([-outward[1], outward[0]])) / px_per_mm
    size = float(np.hypot(*moved))
    if not _LEAST_MM <= size <= _BEYOND_MM:
        return None
    return Tip(
        point=at + moved, outward=outward, joined=abs(began) / px_per_mm + size, uncertainty_mm=width / 2 / px_per_mm
    )


def read_stroke(
    light: Floats, places_px: Floats, across_px: Floats, *, width_px: float
) -> tuple[float, float, float] | None:
    """Return where a common stroke is only as wide as one line.

    Parameters
    ----------
    light : ndarray, shape (N, K)
        Linear light in profiles across the stroke, one for each place along it.
    places_px : ndarray, shape (N,)
        Places along the stroke, outward; 0 is on it.
    across_px : ndarray, shape (K,)
        Offsets of each profile.
    width_px : float
        Width of the line.

    Returns
    -------
    (place, middle, began) in px, or None
        The place along the stroke and the stroke's middle there, and where the stroke of both arms begins to be one;
        None where no stroke can be followed to an end.
    """
    ground = float(np.percentile(light, 80))
    centre = np.abs(across_px) <= 0.5
    axis = light[:, centre].mean(axis=1)
    start = int(np.argmin(np.abs(places_px)))
    level = float(np.median(axis[max(0, start - round(width_px / _STEP_PX)) : start + 1]))
    if ground - level < 0.02:
        return None
    half = (ground + level) / 2
    bright = axis > half
    first, last = start, start
    while first > 0 and not bright[first - 1]:
        first -= 1
    while last + 1 < len(axis) and not bright[last + 1]:
        last += 1
    if bright[start] or last + 1 == len(axis):
        return None
    rim = round(0.6 * width_px / _STEP_PX)
    rows = np.arange(first + rim, last - rim + 1)
    if len(rows) < 8:
        return None
    left, right = _edges(light[rows], across_px, half)
    good = np.isfinite(left) & np.isfinite(right)
    if good.sum() < 8:
        return None
    rows, left, right = rows[good], left[good], right[good]
    place = _where_as_wide(places_px[rows], right - left, width_px, last_place=float(places_px[last]))
    near = np.abs(places_px[rows] - place) <= 2.0 * width_px
    if not near.any():
        return None
    _slope, middle = np.polyfit(places_px[rows][near] - place, ((left + right) / 2)[near], 1)
    return place, float(middle), float(places_px[first])


def _edges(light: Floats, across: Floats, half: float) -> tuple[Floats, Floats]:
    """Return where each profile first crosses the half level on both sides of its middle, NaN where it does not."""
    middle = int(np.argmin(np.abs(across)))
    out = []
    for side in (-1, 1):
        way = np.arange(middle, -1, -1) if side < 0 else np.arange(middle, len(across))
        values, offsets = light[:, way], across[way]
        above = values > half
        at = np.argmax(above, axis=1)
        row = np.arange(len(light))
        known = above.any(axis=1) & (at > 0)
        before = np.maximum(at - 1, 0)
        rise = values[row, at] - values[row, before]
        share = (half - values[row, before]) / np.where(rise > 1e-9, rise, 1.0)
        out.append(np.where(known, offsets[before] + share * (offsets[at] - offsets[before]), np.nan))
    return out[0], out[1]


def _where_as_wide(places: Floats, width: Floats, line_width: float, *, last_place: float) -> float:
    """Fit the width of two straight or touching arms (linear, square) and return where it is that of the line.

    Pens and cut corners end within half a width of the point; farther back only where the widths say so clearly.
    """
    narrow = width <= _NARROW * line_width
    if narrow.sum() >= 8:
        places, width = places[narrow], width[narrow]
    weight = _WIDTH_TRUST * np.sqrt(len(places))
    target = np.append(width, weight * line_width)
    candidates = np.arange(places[0] + 0.3 * (places[-1] - places[0]), last_place + 0.01, _STEP_PX)
    costs = np.empty(len(candidates))
    for i, candidate in enumerate(candidates):
        away = candidate - places
        # Straight arms' edges go on beyond the corner as a mitre; a cusp's are parallel by then.
        rows = np.stack([np.ones_like(away), away, np.maximum(away, 0.0) ** 2], axis=1)
        costs[i] = optimize.nnls(np.vstack([rows, [weight, 0.0, 0.0]]), target)[1] ** 2
    usual = candidates >= last_place - 0.6 * line_width
    best = int(np.argmin(costs))
    if usual.any() and costs[usual].min() < _CLEARLY * costs[best]:
        best = int(np.flatnonzero(usual)[np.argmin(costs[usual])])
    return float(candidates[best])


def with_tip(path: Path, corner: Corner, tip: Tip) -> Path:
    """Return the path with both arms of a corner led to its tip."""
    segments = list(path.segments)
    before = _led(segments[corner.node - 1], tip)
    after = [s[::-1].copy() for s in _led(segments[corner.node][::-1].copy(), tip)][::-1]
    last = len(segments) - 1
    middle = segments[: corner.node - 1] if corner.node else []
    if corner.node:
        return Path((*middle, *before, *after, *segments[corner.node + 1 :]))
    return Path((*after, *segments[1:last], *before))


def _led(arm: Segment, tip: Tip) -> list[Segment]:
    """Return an arm that ends at the tip: one segment where it can follow the old one, else two."""
    t = np.linspace(0.0, 1.0, 65)
    old = evaluate(arm, t)
    free = np.hypot(*(old - tip.point).T) > tip.joined
    if len(arm) == 2:
        return [line(arm[0], tip.point)]
    if not free.any():
        return [np.vstack([arm[:2], arm[2:] + (tip.point - arm[-1])])]
    start = arm[1] - arm[0]
    reach = float(np.hypot(*start)), float(np.hypot(*(arm[3] - arm[2])))
    start = start / max(reach[0], 1e-9)

    def bent(lengths: Floats) -> Segment:
        return cubic(arm[0], arm[0] + lengths[0] * start, tip.point - lengths[1] * tip.outward, tip.point)

    def off(lengths: Floats) -> Floats:
        new = evaluate(bent(lengths), np.linspace(0.0, 1.0, 257))
        across, down = (old[free, k, None] - new[:, k] for k in (0, 1))
        return np.asarray(np.sqrt((across * across + down * down).min(axis=1)))

    found = optimize.least_squares(off, np.array(reach), bounds=(1e-3, np.inf), max_nfev=40)
    if float(np.max(off(found.x))) <= _TRUST_MM:
        return [bent(found.x)]
    where = float(t[free].max())
    kept, rest = split_segment(arm, where)
    leave = rest[1] - rest[0]
    size = float(np.hypot(*(tip.point - rest[0]))) / 3
    leave = leave / max(float(np.hypot(*leave)), 1e-9) * size
    return [kept, cubic(rest[0], rest[0] + leave, tip.point - size * tip.outward, tip.point)]
