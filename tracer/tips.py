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
from scipy import optimize, special

from calibration.picture import MmPoints, PxPoints
from tracer.cusps import Tip, with_tip
from tracer.path import Corner, Path
from tracer.profiles import sample_profiles
from tracer.touching import FAR_PX, Touching, touching

Floats = NDArray[np.float64]
ToPx = Callable[[MmPoints], PxPoints]
ToMm = Callable[[PxPoints], MmPoints]

SHARP_DEG = 60.0
"""Inner angle below which the corner of an edge is looked at. How sharp a point is, is told from how its sides run
together (wider ones than 30 degrees end within a few pixels of what is seen): where it ends too early, the end that was
traced is blunter."""
_STEP_PX = 0.5
_SIDE_PX = 2.0
_SAMPLE_MM = 0.1
_MOST_PX = 400.0
"""How far back from a corner its arms are looked at to see how they run together."""
_LEAST_MM, _SAID_MM = 0.03, 0.1
_LEVELS = 256
"""Of one signal: more of them are those of several colours."""
_LEAST_STROKE_PX = 0.6
_SEEN_PX = 0.7
"""Least width whose middle is believed."""
_SURER = 3.0
"""How much surer than the width that the light of one profile tells it is how far apart the traced arms are (judgement:
profiles scatter by some tenths of a pixel, edges that are seen apart by less than a tenth)."""
_LOST_PX = 2.0
"""Where colours are sought and not the luma, parts thinner than this may be lost: JPEG keeps the mean colour of so many
pixels, and little of it where it is faint."""
_ALIKE = 16.0
"""How many neighbouring widths are disturbed alike: JPEG codes blocks of eight pixels."""


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
class End:
    """Where a width comes to nothing: the place, its standard uncertainty, and the courses of width and middle (px)."""

    place: float
    doubt: float
    growth: tuple[float, float]
    middle: Floats

    def width_at(self, places: Floats) -> Floats:
        """Return the fitted width."""
        away = np.maximum(self.place - places, 0.0)
        return np.asarray(self.growth[0] * away + self.growth[1] * away**2)

    def thinner_than(self, width: float) -> float:
        """Return how long the end is that is thinner than some width."""
        slope, bend = self.growth
        if bend < 1e-9:
            return width / max(slope, 1e-9)
        return float((np.sqrt(slope**2 + 4.0 * bend * width) - slope) / (2.0 * bend))

    def aside_at(self, places: Floats) -> Floats:
        """Return the fitted middle; beyond the end it goes straight on."""
        within = np.minimum(places, self.place)
        slope = float(np.polyval(np.polyder(self.middle), self.place))
        return np.asarray(np.polyval(self.middle, within) + slope * (places - within))


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


def lead_tips(pixels: NDArray[np.uint8], path: Path, codes: Floats, *, to_px: ToPx, to_mm: ToMm, blur_px: float) -> Led:
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
        end = None if way is None else _end(pixels, codes, way, blur_px)
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
    k = np.arange(_STEP_PX, min(gone[-1] / 3, _MOST_PX), _STEP_PX)
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


def _end(pixels: NDArray[np.uint8], codes: Floats, way: _Way, blur_px: float) -> End | None:
    """Return where the width comes to nothing along a way: read across all of it, then again as a thin stroke."""
    places = np.arange(-way.back, way.ahead, _STEP_PX)
    half = way.apart / 2 + 2.5 * blur_px + 1.0
    across = np.arange(-half - _SIDE_PX, half + _SIDE_PX + 0.01, _STEP_PX)
    points = way.at + places[:, None] * way.along
    light = sample_profiles(pixels, points, np.tile(way.beside, (len(points), 1)), across, codes).astype(np.float64)
    left, right = light[:, across < -half].mean(axis=1), light[:, across > half].mean(axis=1)
    depth = left[:, None] + (right - left)[:, None] * ((across + half) / (2 * half)) - light
    depth[:, np.abs(across) > half] = 0.0
    step = float(np.median(depth[places <= 2.0 - way.back][:, np.abs(across) <= 1.0].max(axis=1)))
    if step <= 0:
        return None
    width = depth.sum(axis=1) * _STEP_PX / step
    aside = (depth * across).sum(axis=1) / np.maximum(depth.sum(axis=1), 0.3 * step / _STEP_PX)
    found: list[End] = []
    read = width
    for _ in range(3):
        end = fit_end(places, width, aside, way.arms)
        if end is None:
            return None
        found.append(end)
        read = width
        width, aside = _as_strokes(light, across, places, end, step, blur_px)
    end = with_spread(found)
    if is_colour(codes):
        end = replace(end, doubt=float(np.hypot(end.doubt, end.thinner_than(_LOST_PX) / np.sqrt(3.0))))
    touch = touching(way.course)
    return end if touch is None else with_touching(end, touch, missed_px=missed_by_light(places, read, way.arms))


def is_colour(codes: Floats) -> bool:
    """Return whether a signal is put together from several colours."""
    return np.ndim(codes) > 1 or np.size(codes) > _LEVELS


def missed_by_light(places: Floats, width: Floats, arms: Floats) -> float:
    """Return by how much widths read from light differ, on average, from how far apart the arms are seen, px.

    Beside a thing lie shadows, and under it a ground that is hardly darker; where the arms are near each other but
    still seen apart, they show how much of its width the light of a profile loses or gains by that.

    Parameters
    ----------
    places, width : ndarray, shape (N,)
        Places along a point, and the width that light tells there.
    arms : ndarray, shape (M, 2)
        Places, and how far apart the arms are there.
    """
    order = np.argsort(arms[:, 0])
    at, apart = arms[order, 0], arms[order, 1]
    both = (places >= (at[0] + at[-1]) / 2) & (places <= at[-1])
    if not both.any():
        return 0.0
    return abs(float((width[both] - np.interp(places[both], at, apart)).mean()))


def with_touching(end: End, touch: Touching, *, missed_px: float = 0.0) -> End:
    """Return an end as read from the light and as the arms foretell it, each as far as it is sure.

    Where the light loses some of the width, it does not see touching arms as far as they go: what is thinner than that
    is long. Where both cannot be right even so the thing ends as the light says, by so much less surely: its end may
    have been cut off, or what is faint of it lost.
    """
    apart = touch.place - end.place
    unseen = float(np.sqrt(missed_px / touch.growth))
    by_light = float(np.hypot(end.doubt, unseen))
    if abs(apart) > 2.0 * np.hypot(by_light, touch.doubt):
        return replace(end, doubt=float(np.hypot(end.doubt, max(0.0, apart) / np.sqrt(3.0))))
    one, other = 1 / by_light**2, 1 / touch.doubt**2
    place = (one * end.place + other * touch.place) / (one + other)
    return replace(end, place=float(place), doubt=float(1 / np.sqrt(one + other)), growth=(0.0, touch.growth))


def with_spread(readings: list[End]) -> End:
    """Return the last of several readings of one end, as doubtful as they differ.

    All light across a point and a stroke fitted to it are disturbed differently by a shadow beside the point and by
    what lies on the ground; each by itself says nothing of it.
    """
    last = readings[-1]
    apart = max(abs(r.place - last.place) for r in readings)
    return replace(last, doubt=float(np.hypot(last.doubt, apart / np.sqrt(3.0))))


def _as_strokes(
    light: Floats, across: Floats, places: Floats, end: End, step: float, blur_px: float
) -> tuple[Floats, Floats]:
    """Return the width of a blurred stroke of about the fitted width in each profile, and where it lies.

    Its own ground, level or sloping, is fitted with it: less of what lies beside it disturbs.
    """
    wide = np.maximum(end.width_at(places), _LEAST_STROKE_PX)[:, None]
    middle = end.aside_at(places)
    t = across[None, :] - middle[:, None]
    low, high = (t - wide / 2) / blur_px, (t + wide / 2) / blur_px
    stroke = special.ndtr(high) - special.ndtr(low)
    moved = (np.exp(-(low**2) / 2) - np.exp(-(high**2) / 2)) / (blur_px * np.sqrt(2 * np.pi))
    rows = np.stack([np.ones_like(t), t, stroke, moved], axis=2)
    rows = rows * (np.abs(t) <= wide / 2 + 2.5 * blur_px + _SIDE_PX)[:, :, None]
    normal = np.einsum("nki,nkj->nij", rows, rows) + 1e-9 * np.eye(4)
    solved = np.linalg.solve(normal, np.einsum("nki,nk->ni", rows, light)[:, :, None])[:, :, 0]
    depth, slide = -solved[:, 2], -solved[:, 3]
    return depth / step * wide[:, 0], middle + np.clip(slide / np.maximum(depth, 0.2 * step), -1.0, 1.0)


def fit_end(places: Floats, width: Floats, aside: Floats, arms: Floats | None = None) -> End | None:
    """Fit a width that grows from nothing with the distance and its square; None where it is hardly seen.

    Parameters
    ----------
    places, width, aside : ndarray, shape (N,)
        Evenly spaced places along the point, the width read there and the place of its middle, px.
    arms : ndarray, shape (M, 2), optional
        Places, and how far apart the outline's arms are there, px: surer than any width that is read from light.
    """
    known = np.zeros((0, 2)) if arms is None else arms
    if len(known):
        # Evenly, and as many as there are readings of the same stretch.
        at = np.arange(known[:, 0].min(), known[:, 0].max(), _STEP_PX)
        order = np.argsort(known[:, 0])
        known = np.column_stack([at, np.interp(at, known[order, 0], known[order, 1])])
        # Where the arms tell it, the light does not.
        read = places > known[-1, 0] if len(known) else np.ones(len(places), bool)
    else:
        read = np.ones(len(places), bool)
    candidates = np.arange(0.0, places[-1] - 4.0, _STEP_PX)
    costs, grown = np.empty(len(candidates)), np.empty((len(candidates), 2))
    for i, candidate in enumerate(candidates):
        away = np.maximum(candidate - places[read], 0.0)
        # What the ground leaves everywhere may have either sign.
        rows = np.stack([np.ones_like(away), -np.ones_like(away), away, away**2], axis=1)
        back = candidate - known[:, 0]
        sure = _SURER * np.stack([np.zeros_like(back), np.zeros_like(back), back, back**2], axis=1)
        found, rest = optimize.nnls(np.vstack([rows, sure]), np.concatenate([width[read], _SURER * known[:, 1]]))
        costs[i], grown[i] = rest**2, found[2:]
    best = int(np.argmin(costs))
    place = float(candidates[best])
    likely = candidates[costs <= costs[best] * (1.0 + 4.0 * _ALIKE / len(places))]
    seen = (width > _SEEN_PX) & (places < place)
    if seen.sum() < 6:
        return None
    weight = np.sqrt(np.minimum(width[seen], 4.0))
    return End(
        place=place,
        doubt=float(np.abs(likely - place).max()) / 2 + _STEP_PX,
        growth=(float(grown[best, 0]), float(grown[best, 1])),
        middle=np.polyfit(places[seen], aside[seen], 2 if seen.sum() > 20 else 1, w=weight),
    )
