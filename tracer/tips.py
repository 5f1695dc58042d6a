"""Points of cut-out things that are thinner than the picture's blur.

Where the arms of an edge run together slowly, the light shows no edge any more long before they meet, and the outline
ends too early. What the thing takes from (or adds to) the ground's light tells more: across the thing, all of it
together is its width times the step of light, whatever the blur. So the width is followed on along the point to where
it ends, by a width that grows with the distance and its square; how surely, the scatter of the widths says. Arms that
close in on each other as touching ones do foretell where they meet better than faint light shows it: both are put
together where they agree.

Limits: a point that is blunt where it is thinner than half a pixel is taken for a whole one; a shadow under the point
counts as the thing where it is as narrow; colour that JPEG smeared shows less of thin parts than there is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.picture import MmPoints, PxPoints
from tracer.cusps import Tip, with_tip
from tracer.path import Corner, Path
from tracer.profiles import sample_profiles
from tracer.tip_widths import (
    SIDE_PX,
    STEP_PX,
    End,
    as_strokes,
    filled_in,
    fit_end,
    missed_by_light,
    on_another,
    with_spread,
    with_touching,
)
from tracer.touching import FAR_PX, touching

Floats = NDArray[np.float64]
ToPx = Callable[[MmPoints], PxPoints]
ToMm = Callable[[PxPoints], MmPoints]

SHARP_DEG = 60.0
"""Inner angle below which the corner of an edge is looked at. How sharp a point is, is told from how its sides run
together (wider ones than 30 degrees end within a few pixels of what is seen): where it ends too early, the end that was
traced is blunter."""
_SAMPLE_MM = 0.1
_MOST_PX = 400.0
"""How far back from a corner its arms are looked at to see how they run together."""
_LEAST_MM, _SAID_MM = 0.03, 0.1
_LEVELS = 256
"""Of one signal: more of them are those of several colours."""
_LOST_PX = 2.0
"""Where colours are sought and not the luma, parts thinner than this may be lost: JPEG keeps the mean colour of so many
pixels, and little of it where it is faint."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Led:
    """An outline whose thin points were led to their ends.

    Parameters
    ----------
    path : Path
    notes : tuple of str
        Where that was, and how surely.
    hidden_mm : MmPoints
        Points of the outline that no profile of a single edge can be read at, shape (N, 2).
    ends_mm : MmPoints
        Where the points end, shape (M, 2).
    reach_mm : ndarray, shape (M,)
        How far from its end each was led.
    doubt_mm : float
        Expanded uncertainty (95 %) of the least sure of the ends; 0 where there is none.
    """

    path: Path
    notes: tuple[str, ...]
    hidden_mm: MmPoints
    ends_mm: MmPoints
    reach_mm: Floats
    doubt_mm: float

    def led_at(self, points_mm: MmPoints) -> NDArray[np.bool_]:
        """Return which of some points lie where the outline was led: nothing that was fitted to points is there."""
        points = np.asarray(points_mm)
        led = np.zeros(len(points), dtype=bool)
        for end, reach in zip(np.asarray(self.ends_mm), self.reach_mm, strict=True):
            led |= np.hypot(*(points - end).T) <= reach
        return led


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """A straight way along a thin point, px: where its arms are only just apart, and from where to where it is read.

    ``arms`` are places along it and how far apart the arms are there, (N, 2), as far as they are seen apart;
    ``course`` the same, on to where they are so far apart that it shows whether they will touch.
    """

    at: Floats
    along: Floats
    back: float
    ahead: float
    apart: float
    arms: Floats
    course: Floats

    @property
    def beside(self) -> Floats:
        return np.array([-self.along[1], self.along[0]])


def lead_tips(
    pixels: NDArray[np.uint8],
    path: Path,
    codes: Floats,
    *,
    to_px: ToPx,
    to_mm: ToMm,
    blur_px: float,
    taken: NDArray[np.uint8] | None = None,
) -> Led:
    """Return the outline of a cut-out thing with its very sharp points led to where their width ends.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture, sRGB-encoded.
    path : Path
        Positively oriented, mm.
    codes : ndarray
        Signal that rises from the thing outward, as :func:`tracer.profiles.sample_profiles` takes it.
    to_px, to_mm : callable
        Between millimetres and pixels, points (N, 2).
    blur_px : float
        Standard deviation of the picture's blur.
    taken : ndarray of uint8 or None
        The picture as it was taken, where lines of a mat were taken out of the other: a point that lies across one may
        have been filled in with it.

    Returns
    -------
    Led
    """
    notes: list[str] = []
    hidden: list[Floats] = []
    ends: list[Floats] = []
    reach: list[float] = []
    doubt_mm = 0.0
    for corner in path.corners_sharper_than(SHARP_DEG):
        way = _way(path, corner, to_px, blur_px)
        end = None if way is None else _end(pixels, codes, way, blur_px, pixels if taken is None else taken)
        if way is None or end is None:
            continue
        aside = float(end.aside_at(np.array([end.place]))[0])
        tip = way.at + end.place * way.along + aside * way.beside
        point, beyond = np.asarray(to_mm(PxPoints(np.stack([tip, tip + way.along]))))
        mm_per_px = float(np.hypot(*(beyond - point)))
        its_doubt = 2.0 * end.doubt * mm_per_px
        doubt_mm = max(doubt_mm, its_doubt)
        joined = end.place * mm_per_px
        ends.append(point)
        reach.append(joined)
        moved = float(np.hypot(*(point - corner.point))) >= _LEAST_MM
        if moved:
            outward = (beyond - point) / mm_per_px
            path = with_tip(
                path, corner, Tip(point=point, outward=outward, joined=joined, uncertainty_mm=its_doubt / 2)
            )
        if moved or its_doubt > _SAID_MM:
            notes.append(
                f"the point at ({point[0]:.0f}, {point[1]:.0f}) mm is thinner than what the picture resolves; where it "
                f"ends is read from how its sides run together and how much light it takes, and sure to about "
                f"{its_doubt:.1f} mm unless the very end is blunt"
            )
        at = np.asarray(path.sample(_SAMPLE_MM)[0])
        hidden.append(at[np.hypot(*(at - point).T) <= joined])
    return Led(
        path=path,
        notes=tuple(notes),
        hidden_mm=MmPoints(np.concatenate(hidden) if hidden else np.zeros((0, 2))),
        ends_mm=MmPoints(np.array(ends).reshape(-1, 2)),
        reach_mm=np.array(reach),
        doubt_mm=doubt_mm,
    )


def _way(path: Path, corner: Corner, to_px: ToPx, blur_px: float) -> _Way | None:
    """Return the way along a point: from where its arms are well apart, on beyond where they would meet."""
    ring = np.asarray(to_px(MmPoints(np.asarray(path.sample(_SAMPLE_MM)[0]))))
    at = np.asarray(to_px(MmPoints(np.asarray(corner.point)[None])))[0]
    ring = np.roll(ring, -int(np.argmin(np.hypot(*(ring - at).T))), axis=0)
    # Samples lie evenly on each of its curves only: both arms are gone along by length.
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.vstack([ring, ring[:1]]), axis=0).T))])
    k = np.arange(STEP_PX, min(gone[-1] / 3, _MOST_PX), STEP_PX)
    one, other = (
        np.column_stack([np.interp(s, gone, np.append(ring[:, i], ring[0, i])) for i in (0, 1)])
        for s in (k, gone[-1] - k)
    )
    apart = np.hypot(*(one - other).T)
    near_px, far_px = 2.5 * blur_px + 2.0, 4.0 * blur_px + 5.0
    if not len(k) or apart.max() < far_px + 2.0:
        return None
    near, far = int(np.argmax(apart >= near_px)), int(np.argmax(apart >= far_px))
    middle = (one + other) / 2
    along = middle[near] - middle[far]
    length = float(np.hypot(*along))
    if length < 2.0 * near_px:
        return None
    # As fast as they approach here, the arms would meet after near / growth; touching ones later.
    growth = (far_px - near_px) / length
    along = along / length
    across = np.abs((one - other) @ np.array([-along[1], along[0]]))
    course = np.column_stack([(middle - middle[near]) @ along, across])
    last = far + int(np.argmax(np.append(apart[far:], np.inf) > FAR_PX))
    return _Way(
        at=middle[near],
        along=along,
        back=length,
        ahead=3.0 * near_px / growth + 10.0,
        apart=far_px,
        arms=course[near:far],
        course=course[near:last],
    )


def _end(pixels: NDArray[np.uint8], codes: Floats, way: _Way, blur_px: float, taken: NDArray[np.uint8]) -> End | None:
    """Return where the width comes to nothing along a way: read across all of it, then again as a thin stroke."""
    places = np.arange(-way.back, way.ahead, STEP_PX)
    half = way.apart / 2 + 2.5 * blur_px + 1.0
    across = np.arange(-half - SIDE_PX, half + SIDE_PX + 0.01, STEP_PX)
    points = way.at + places[:, None] * way.along
    light = sample_profiles(pixels, points, np.tile(way.beside, (len(points), 1)), across, codes).astype(np.float64)
    left, right = light[:, across < -half].mean(axis=1), light[:, across > half].mean(axis=1)
    depth = left[:, None] + (right - left)[:, None] * ((across + half) / (2 * half)) - light
    depth[:, np.abs(across) > half] = 0.0
    step = float(np.median(depth[places <= 2.0 - way.back][:, np.abs(across) <= 1.0].max(axis=1)))
    if step <= 0:
        return None
    width = depth.sum(axis=1) * STEP_PX / step
    aside = (depth * across).sum(axis=1) / np.maximum(depth.sum(axis=1), 0.3 * step / STEP_PX)
    clear = ~filled_in(pixels, taken, points)
    found: list[End] = []
    read = width
    for _ in range(3):
        end = fit_end(places, width, aside, way.arms, clear=clear)
        if end is None:
            return None
        found.append(end)
        read = width
        width, aside, ground = as_strokes(light, across, places, end, step, blur_px)
        clear &= ~on_another(ground, places, step)
    end = with_spread(found)
    if is_colour(codes):
        end = replace(end, doubt=float(np.hypot(end.doubt, end.thinner_than(_LOST_PX) / np.sqrt(3.0))))
    touch = touching(way.course)
    if touch is None:
        return end
    return with_touching(end, touch, missed_px=missed_by_light(places[clear], read[clear], way.arms))


def is_colour(codes: Floats) -> bool:
    """Return whether a signal is put together from several colours."""
    return np.ndim(codes) > 1 or np.size(codes) > _LEVELS
