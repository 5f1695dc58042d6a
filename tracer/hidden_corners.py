"""Corners of drawn outlines that lie where the line was not seen: whether they are corners, the ink tells.

Under a filled notch, a word or a crossing line the arms of an outline are led on until they meet. There may as well be
a round between them. The line was drawn with one pen all along: its middle has ink, and where only one side of it is
covered, the other is where it always is. So of the corner and of rounds that leave the arms earlier and earlier the
one is taken that the ink fits best. Those that fit nearly as well may be the line too.

Limits: one family of rounds is tried, between the arms as they were led. A dashed line has no ink in its spaces, and is
not asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calibration.picture import MmPoints, PxPoints
from tracer.curves.corners import rounding_reach_mm
from tracer.cusps import Stroke, ToPx
from tracer.path import Corner, Path
from tracer.profiles import Points, sample_profiles
from tracer.segments import Segment, cubic, evaluate, split_segment

Floats = NDArray[np.float64]

_BLUNTEST_DEG, _SHARPEST_DEG = 150.0, 30.0
"""Blunter ones hardly differ from a round, and sharper ones have no room for one."""
_SHOWN_PX = 1.5
_BEYOND = 2.0
"""A corner is hidden where the line is not seen for so many times as far as the corner itself rounds it (judgement)."""
_MOST_MM = 15.0
_ROUNDS = np.linspace(0.1, 1.5, 15)
"""Where rounds leave the arms, as shares of the way from the corner to where the line is seen: it may begin to turn
before it is covered."""
_LEAST_INK = 0.8
"""Share of the line's darkness that its middle has at least."""
_AS_WELL, _PLAINLY = 0.03, 0.16
"""What fits worse by less than the one share of the line's darkness may as well be; a round must fit better than the
corner by the other: beside a corner that is seen small rounds fit as well (within 0.02 on eight such corners; better by
0.7 and 1 where there was none)."""
_POINT_DEG, _MITRED_DEG, _MOST_BEYOND_MM = 60.0, 20.0, 5.0
"""Arms of points run into one stroke before they meet, and one of them may have been lost there; what goes on farther
than the last beyond is another line. Mitres of sharper points are cut."""
_SOLID = 0.9
"""Share of the places that are seen at which a solid line has ink."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told:
    """The outline with rounds where the ink tells them, how far the line may lie from it at a corner, and words."""

    path: Path
    doubt_mm: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Arm:
    """Points from a corner along one arm, a pixel apart, and how many steps it is to where the line is seen."""

    points: Points
    unseen: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """The picture, how light ground and ink are in it, and how dark the line is at its sides, as a share of it."""

    pixels: NDArray[np.uint8]
    stroke: Stroke
    to_px: ToPx
    ground: float
    ink: float
    side: float

    def darkness(self, points: Points, normals_px: Points, offset_px: float) -> Floats:
        at = np.asarray(self.to_px(MmPoints(points)))
        light = sample_profiles(self.pixels, at, normals_px, np.array([offset_px]), self.stroke.colour_weights)[:, 0]
        return np.asarray((self.ground - light) / (self.ground - self.ink), dtype=np.float64)

    def misfit(self, points: Points) -> float:
        """Return how badly a line's middle fits the ink, 0 for one that is drawn there and nowhere covered."""
        at = np.asarray(self.to_px(MmPoints(points)))
        along = np.gradient(at, axis=0)
        normals = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
        missing = np.maximum(0.0, _LEAST_INK - self.darkness(points, normals, 0.0))
        half = self.stroke.width_px / 2
        aside = [np.abs(self.darkness(points, normals, d) - self.side) for d in (-half, half)]
        return float((2.0 * missing + np.minimum(*aside)).mean())


def told_by_ink(
    pixels: NDArray[np.uint8],
    path: Path,
    stroke: Stroke,
    *,
    seen_px: PxPoints,
    blur_px: float,
    to_px: ToPx,
    mm_per_px: float,
) -> Told:
    """Tell of each corner that lies where the line was not seen whether it is one.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture, sRGB-encoded.
    path : Path
        The middle of the drawn line, mm, positively oriented.
    stroke : Stroke
    seen_px : PxPoints
        Points at which the line was seen, about a pixel apart, shape (N, 2).
    blur_px : float
    to_px : callable
        Millimetres to pixels, points (N, 2).
    mm_per_px : float

    Returns
    -------
    Told
        ``doubt_mm`` is how far what fits the ink nearly as well lies from the outline, or how far the ink goes on
        beyond a corner; no bound.
    """
    doubt, notes = 0.0, []
    corners = path.corners_sharper_than(_BLUNTEST_DEG)
    look = _look(pixels, path, stroke, seen_px, to_px, mm_per_px) if corners and len(seen_px) else None
    if look is None:
        return Told(path=path, doubt_mm=0.0, notes=())
    tree = cKDTree(np.asarray(seen_px))
    # From the last one back, so that the numbers of those before stay what they are.
    for corner in sorted(corners, key=lambda c: -c.node):
        if corner.inner_angle_deg < _POINT_DEG:
            doubt = max(doubt, _ink_beyond_mm(look, path, corner, blur_px, mm_per_px))
        if corner.inner_angle_deg < _SHARPEST_DEG:
            continue
        turn = np.radians(180.0 - corner.inner_angle_deg)
        own_mm = rounding_reach_mm(turn, stroke.width_px / 2 * mm_per_px, blur_px * mm_per_px)
        arms = [_unseen_arm(path, corner, side, tree, to_px, mm_per_px) for side in (-1, 1)]
        if arms[0] is None or arms[1] is None:
            continue
        if max(arms[0].unseen, arms[1].unseen) * mm_per_px < _BEYOND * own_mm:
            continue
        best, off = _best(look, arms[0], arms[1])
        doubt = max(doubt, off)
        if best is not None:
            path = _rounded(path, corner, best)
            notes.append(
                f"the corner at ({corner.point[0]:.0f}, {corner.point[1]:.0f}) mm, which is covered, is made round by "
                "what is seen of its ink"
            )
    return Told(path=path, doubt_mm=doubt, notes=tuple(notes))


def _look(
    pixels: NDArray[np.uint8], path: Path, stroke: Stroke, seen_px: PxPoints, to_px: ToPx, mm_per_px: float
) -> _Look | None:
    """Return how light the line is where it is seen; None for a dashed one, or one too faint to tell."""
    points, normals = path.sample(mm_per_px)
    at = np.asarray(to_px(points))
    shown = np.asarray(cKDTree(np.asarray(seen_px)).query(at)[0]) < _SHOWN_PX
    if shown.sum() < 16:
        return None
    at, ahead = at[shown], np.asarray(to_px(MmPoints(np.asarray(points) + normals * mm_per_px)))[shown]
    out = (ahead - at) / np.maximum(np.hypot(*(ahead - at).T), 1e-9)[:, None]
    half = stroke.width_px / 2
    offsets = np.array([-half - 4.0, -half, 0.0, half, half + 4.0])
    light = sample_profiles(pixels, at, out, offsets, stroke.colour_weights).astype(np.float64)
    ground, ink = float(np.median(light[:, [0, 4]])), float(np.median(light[:, 2]))
    if ground - ink < 1e-3:
        return None
    dark = (ground - light) / (ground - ink)
    if float((dark[:, 2] > _LEAST_INK / 2).mean()) < _SOLID:
        return None
    return _Look(
        pixels=pixels, stroke=stroke, to_px=to_px, ground=ground, ink=ink, side=float(np.median(dark[:, [1, 3]]))
    )


def _unseen_arm(path: Path, corner: Corner, side: int, tree: cKDTree, to_px: ToPx, mm_per_px: float) -> _Arm | None:
    """Return a corner's arm as far as rounds may leave it; None where it ends before the line is seen."""
    arm = path.segments[corner.node - 1][::-1] if side < 0 else path.segments[corner.node]
    t = np.linspace(0.0, 1.0, 4001 if len(arm) == 4 else 2)
    dense = evaluate(arm, t)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
    count = int(min(along[-1], _MOST_MM) / mm_per_px)
    if count < 4:
        return None
    at = np.arange(count) * mm_per_px
    points = np.stack([np.interp(at, along, dense[:, 0]), np.interp(at, along, dense[:, 1])], axis=1)
    shown = np.flatnonzero(tree.query(np.asarray(to_px(MmPoints(points))))[0] < _SHOWN_PX)
    if not len(shown):
        return None
    unseen = max(int(shown[0]), 3)
    return _Arm(points[: int(unseen * _ROUNDS[-1]) + 1], unseen)


def _ink_beyond_mm(look: _Look, path: Path, corner: Corner, blur_px: float, mm_per_px: float) -> float:
    """Return how far the ink goes on beyond a corner, if by more than the pen or a mitre does: so far it may lie."""
    arriving, leaving = path.tangents(corner.node)
    start, ahead = (
        np.asarray(look.to_px(MmPoints(np.asarray(corner.point)[None] + by)))[0]
        for by in (0.0, mm_per_px * (arriving - leaving) / max(float(np.hypot(*(arriving - leaving))), 1e-9))
    )
    way = (ahead - start) / max(float(np.hypot(*(ahead - start))), 1e-9)
    offsets = np.linspace(-1.0, 1.0, 9) * look.stroke.width_px / 2
    passed = [start]
    while len(passed) * mm_per_px < _MOST_BEYOND_MM:
        at, aside = passed[-1] + way, np.array([-way[1], way[0]])
        light = sample_profiles(look.pixels, at[None], aside[None], offsets, look.stroke.colour_weights)[0]
        dark = np.clip((look.ground - light) / (look.ground - look.ink), 0.0, 1.0)
        if dark[len(dark) // 2] < _LEAST_INK / 2:
            break
        # Along the middle of the stroke, that may be bent.
        passed.append(at + aside * np.clip(float((dark * offsets).sum() / dark.sum()), -0.3, 0.3))
        back = passed[-1] - passed[max(0, len(passed) - 8)]
        way = way + 0.3 * (back / max(float(np.hypot(*back)), 1e-9) - way)
        way = way / np.hypot(*way)
    far_mm = len(passed) * mm_per_px
    half_mm = look.stroke.width_px / 2 * mm_per_px
    mitred = corner.inner_angle_deg > _MITRED_DEG
    usual_mm = half_mm / float(np.sin(np.radians(corner.inner_angle_deg) / 2)) if mitred else 2.0 * half_mm
    return far_mm if far_mm > usual_mm + (blur_px / 2 + 1.0) * mm_per_px else 0.0


def _best(look: _Look, before: _Arm, after: _Arm) -> tuple[Segment | None, float]:
    """Return the round that fits the ink best, None for the corner, and how far others lie that fit nearly as well."""
    one, other = before.points, after.points
    lines: list[tuple[Segment | None, Points]] = [(None, np.vstack([one[::-1], other[1:]]))]
    for share in _ROUNDS:
        i, j = (min(max(2, round(share * arm.unseen)), len(arm.points) - 1) for arm in (before, after))
        bow = _bow(one[i], one[i - 2] - one[i], other[j], other[j - 2] - other[j])
        if bow is not None:
            between = evaluate(bow, np.linspace(0.0, 1.0, i + j))
            lines.append((bow, np.vstack([one[:i:-1], between, other[j + 1 :]])))
    misfits = np.array([look.misfit(points) for _, points in lines])
    best = int(np.argmin(misfits))
    if misfits[0] < misfits[best] + _PLAINLY:
        best = 0
    rivals = [lines[k][1] for k in np.flatnonzero(misfits < misfits[best] + _AS_WELL) if k != best]
    tree = cKDTree(lines[best][1])
    return lines[best][0], max((float(np.max(tree.query(r)[0])) for r in rivals), default=0.0)


def _bow(start: Points, way: Points, end: Points, back: Points) -> Segment | None:
    """Return the cubic from one arm to the other, an arc of a circle where both leave the corner equally early.

    None where the arms do not meet ahead.
    """
    determinant = float(way[0] * back[1] - way[1] * back[0])
    if abs(determinant) < 0.05 * float(np.hypot(*way) * np.hypot(*back)):
        return None
    gap = end - start
    ahead = float(gap[0] * back[1] - gap[1] * back[0]) / determinant
    beyond = float(gap[0] * way[1] - gap[1] * way[0]) / determinant
    if min(ahead, beyond) <= 0:
        return None
    meet = start + ahead * way
    turn = float(np.arccos(np.clip(-(way @ back) / (np.hypot(*way) * np.hypot(*back)), -1.0, 1.0)))
    share = 4.0 / 3.0 * np.tan(turn / 4.0) / np.tan(turn / 2.0)
    return cubic(start, start + share * (meet - start), end + share * (meet - end), end)


def _rounded(path: Path, corner: Corner, bow: Segment) -> Path:
    """Return the path with a bow in place of a corner."""
    segments = list(path.segments)
    before, after = corner.node - 1, corner.node
    kept = split_segment(segments[before], _where(segments[before], bow[0]))[0]
    rest = split_segment(segments[after], _where(segments[after], bow[-1]))[1]
    kept = np.vstack([kept[:-1], bow[:1]])
    rest = np.vstack([bow[-1:], rest[1:]])
    if corner.node:
        return Path((*segments[:before], kept, bow, rest, *segments[after + 1 :]))
    return Path((bow, rest, *segments[1:-1], kept))


def _where(segment: Segment, point: Points) -> float:
    t = np.linspace(0.0, 1.0, 4001)
    return float(np.clip(t[int(np.argmin(((evaluate(segment, t) - point) ** 2).sum(axis=1)))], 1e-3, 1 - 1e-3))
