"""Bundles of nested sizes read anew, at twice the resolution, and every size's line followed through them.

The usual line work is made for lines that lie apart: where sizes run close together its thinning takes several for one
line. Here the light between neighbouring lines is looked for, so that lines stay apart as long as there is any.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.search.closing import Part, SizeLoop, close_chains
from tracer.search.drawn import LineWork, Loop
from tracer.search.follow import Follower
from tracer.search.gaps import prune_spurs
from tracer.search.grading import graded
from tracer.search.graph import Edge, Points, build_graph, thin
from tracer.search.nesting import Nesting
from tracer.search.pulls import Ink
from tracer.search.ranked import close_ranks
from tracer.search.ranks import find_ranks
from tracer.search.side_by_side import LEAST_LINES, bearings_of, filled
from tracer.search.tracklets import find_tracklets, with_shared

FINE_MM = 0.06
"""Pixels larger than this are halved: lines a third of a millimetre apart then keep light between them."""
LEAST_BUNDLED, LEAST_RUN = 0.25, 0.12
"""Lines along each other over this share of a loop's way, and so much of it without a break, are a bundle of sizes.
Marks inside an ordinary piece run along its outline too, but now here, now there."""
_DARK_MM, _HAT_MM, _HAT_SHARE = 1.2, 0.45, 0.10
_CLOSED_MM, _HANGS_ON, _SLACK = 3.5, 2.0, 1.1
_SPUR_MM = 0.5
_SPACE_MM, _COARSE = 6.6, 2
_LONG_SHARE = 0.2
_OWN_ORDER, _ALIKE, _SPREAD = 0.15, 0.3, 0.0015
_STRIP_SHARE = 0.5
_MARGIN_MM = 5.0
_RAYS = 160
LEAST_UNSEEN_MM = 3.0
"""Less of a line that was not seen by itself is corners and crossings (judgement)."""
_ONE_LINE = 1.7
_APART_MM, _APART_WIDTHS, _LEAST_SEEN_MM = 1.2, 3.0, 2.0
"""A line that grading laid is read anew where others lie so far from it, in mm and in widths of a line, for so long."""
"""Ink no wider than so many lines is one, or several that lie on each other."""
SEEN_TOGETHER_MM = 4.0
"""Over longer stretches that lines run together their common ink is measured; shorter ones are passed over."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SizeLine:
    """The closed line of one size in pixels of the mask: its parts in order, and its area in square pixels.

    ``rank`` is which size it is, 0 the smallest, -1 where that is not known. ``unseen_mm`` is how much of its way was
    not seen apart from other sizes' lines.
    """

    parts: tuple[Part, ...]
    own: float
    area: float
    rank: int = -1
    unseen_mm: float = 0.0


def is_bundle(work: LineWork, loop: Loop) -> bool:
    """Return whether several lines run along with each other over much of a loop: sizes drawn into each other."""
    low, high = loop.points.min(axis=0) - 4.0, loop.points.max(axis=0) + 12.0
    lines = bearings_of(work.graph.edges, low, high)
    along = np.linspace(0, len(loop.points), _RAYS, endpoint=False).astype(int)
    reach = max(6, len(loop.points) // 400)
    tangent = loop.points[(along + reach) % len(loop.points)] - loop.points[along - reach]
    inwards = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    inwards /= np.maximum(np.hypot(*inwards.T), 1e-9)[:, None]
    x, y = loop.points[:, 0], loop.points[:, 1]
    if float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()) < 0:
        inwards = -inwards
    met = lines.met(loop.points[along], inwards, np.arctan2(tangent[:, 1], tangent[:, 0]), work.ink.mm_per_px)
    many = met >= LEAST_LINES
    return bool(many.mean() >= LEAST_BUNDLED and _longest_run(many) >= LEAST_RUN * _RAYS)


def _longest_run(many: NDArray[np.bool_]) -> int:
    """Return over how many neighbours in a ring it is true at most, where most of five are."""
    twice = np.convolve(np.concatenate([many, many]), np.ones(5), "same") >= 3.0
    ends = np.flatnonzero(~np.concatenate([[False], twice, [False]]))
    return min(int(np.diff(ends).max()) - 1, len(many))


def fine_mask(dark: NDArray[np.uint8], mask: NDArray[np.uint8], mm_per_px: float, up: int) -> NDArray[np.uint8]:
    """Return the ink with the light between close lines left free, at ``up`` times the resolution, 0 or 255."""
    k = max(3, round(_DARK_MM / mm_per_px) | 1)
    top = cv2.dilate(dark, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k)))
    if up > 1:
        dark = np.asarray(cv2.resize(dark, None, fx=up, fy=up, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)
        mask = np.asarray(cv2.resize(mask, None, fx=up, fy=up, interpolation=cv2.INTER_NEAREST), dtype=np.uint8)
        top = cv2.resize(top, None, fx=up, fy=up, interpolation=cv2.INTER_NEAREST)
    half = cv2.compare(dark, cv2.convertScaleAbs(top, alpha=0.5), cv2.CMP_GT)
    g = max(3, round(_HAT_MM * up / mm_per_px) | 1)
    hat = cv2.morphologyEx(dark, cv2.MORPH_BLACKHAT, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (g, g)))
    solid = cv2.compare(hat, cv2.convertScaleAbs(top, alpha=_HAT_SHARE), cv2.CMP_LT)
    out = cv2.bitwise_and(cv2.bitwise_and(half, solid), half, mask=(mask > 0).astype(np.uint8))
    return np.asarray(out, dtype=np.uint8)


def follow_sizes(work: LineWork, loop: Loop, free: NDArray[np.uint8] | None = None) -> list[SizeLine]:
    """Return the closed lines of all sizes in a loop, longest way followed first; nothing where none close.

    Parameters
    ----------
    work : LineWork
    loop : Loop
        The outermost loop of the bundle, as far as it is known.
    free : ndarray of uint8, optional
        Non-zero where nothing is to be read.
    """
    ink = work.ink
    scale = ink.mm_per_px
    pad = _MARGIN_MM / scale
    height, width = ink.mask.shape
    x0, y0 = np.maximum(np.floor(loop.points.min(axis=0) - pad), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(loop.points.max(axis=0) + pad) + 1, [width, height]).astype(int)
    mask = ink.mask[y0:y1, x0:x1].copy()
    if free is not None:
        mask[free[y0:y1, x0:x1] > 0] = 0
    for line in work.foreign:
        cv2.polylines(mask, [np.rint(line - [x0, y0]).astype(np.int32).reshape(-1, 1, 2)], False, 0, 3)
    up = 2 if scale > FINE_MM else 1
    fine = fine_mask(ink.dark[y0:y1, x0:x1], mask, scale, up)
    fine_mm = scale / up
    graph = prune_spurs(build_graph(thin(fine)), _SPUR_MM / fine_mm)
    if not graph.edges:
        return []
    tracklets = find_tracklets(graph, fine, fine_mm)
    if len(tracklets.single) < LEAST_LINES:
        return []
    outer = _hull(fine, fine_mm, (loop.points - [x0, y0] + 0.5) * up - 0.5)
    around = cv2.arcLength(outer.astype(np.float32).reshape(-1, 1, 2), closed=True) * fine_mm
    lines = [Edge(0, 1, t.points) for t in (*tracklets.single, *tracklets.common)]
    nesting = Nesting(lines, outer, _SPREAD * around / fine_mm, _SPACE_MM / fine_mm, coarse=_COARSE)
    tracklets = with_shared(tracklets, lambda p: nesting.known and nesting.out(Edge(0, 1, p)) is None, fine_mm)
    drawn = Ink(mask=fine, mm_per_px=fine_mm, width_mm=tracklets.width_px * fine_mm)
    follower = Follower(tracklets, fine, fine_mm)
    follower.run()
    ranks = find_ranks(follower, nesting) if nesting.known else None
    loops: list[SizeLoop] = []
    if ranks is not None:
        follower.keep_to(ranks.of)
        ranks = find_ranks(follower, nesting) or ranks
        follower.keep_to(ranks.of)
        loops = _around(close_ranks(follower, ranks, _LONG_SHARE * around / 2, alike=_ALIKE))
        loops = graded(loops, fine_mm, follower.white_mm, drawn, ranks.count)
    if len(loops) < LEAST_LINES:
        follower.ranks = None
        loops = close_chains(
            follower, _LONG_SHARE * around, lambda p: nesting.out(Edge(0, 1, p)), own_order=_OWN_ORDER, alike=_ALIKE
        )
    wide = _wide(drawn)
    loops = _with_seen(loops, drawn, wide)
    return [_placed(s, np.array([x0, y0], dtype=np.float64), up, fine_mm, wide) for s in loops]


def _around(loops: Sequence[SizeLoop]) -> list[SizeLoop]:
    """Return the loops that go round the piece: one that was closed along its neighbour goes round a strip only."""
    usual = float(np.median([s.area for s in loops])) if loops else 0.0
    return [s for s in loops if s.area > _STRIP_SHARE * usual]


def _hull(fine: NDArray[np.uint8], fine_mm: float, loop: Points) -> Points:
    """Return the outer border of the bundle: that of the ink with its spaces closed, where no other thing hangs on."""
    small = (cv2.resize(fine, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA) > 5).astype(np.uint8)
    reach = 2 * int(_CLOSED_MM / (8 * fine_mm)) + 1
    closed = cv2.morphologyEx(small, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
    contours, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return loop
    outer = np.asarray(max(contours, key=cv2.contourArea), dtype=np.float64).reshape(-1, 2) * 8.0 + 3.5
    area = cv2.contourArea(outer.astype(np.float32))
    ring = loop.astype(np.float32).reshape(-1, 1, 2)
    # The loop may be only a strip between two sizes that leads nearly all the way round, or along a few sides.
    own, whole = cv2.contourArea(ring), cv2.contourArea(cv2.convexHull(ring))
    most = _HANGS_ON * (own if own > _STRIP_SHARE * whole else whole)
    return outer if area < max(most, _SLACK * whole) else loop


def _placed(size: SizeLoop, origin: NDArray[np.float64], up: int, fine_mm: float, wide: NDArray[np.bool_]) -> SizeLine:
    parts = tuple(
        Part(points=(p.points + 0.5) / up - 0.5 + origin, kind=p.kind, white_mm=p.white_mm) for p in size.parts
    )
    unseen = unseen_mm(size.parts, wide, fine_mm)
    return SizeLine(parts=parts, own=size.own, area=size.area / up**2, rank=size.rank, unseen_mm=unseen)


def _with_seen(loops: Sequence[SizeLoop], ink: Ink, wide: NDArray[np.bool_]) -> list[SizeLoop]:
    """Return the loops with those stretches told apart that grading laid on a single line of ink, by itself there.

    Where exactly it runs can be read from the picture, though it was not followed.
    """
    if len(loops) < 2:
        return list(loops)
    wide = cv2.dilate(wide.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    edge = np.array(wide.shape[::-1]) - 1
    apart = max(_APART_MM, _APART_WIDTHS * ink.width_mm) / ink.mm_per_px
    least = _LEAST_SEEN_MM / ink.mm_per_px
    ways = [filled(s.points) for s in loops]
    out = []
    for k, loop in enumerate(loops):
        others = cKDTree(np.concatenate([w for n, w in enumerate(ways) if n != k]))
        parts: list[Part] = []
        for part in loop.parts:
            if part.kind != "graded" or len(part.points) < 2:
                parts.append(part)
                continue
            points = filled(part.points)
            place = np.clip(np.rint(points).astype(np.int64), 0, edge)
            alone = ~wide[place[:, 1], place[:, 0]] & (others.query(points, distance_upper_bound=apart)[0] >= apart)
            bounds = [0, *(np.flatnonzero(np.diff(alone)) + 1).tolist(), len(points) - 1]
            runs = [(a, b, bool(alone[a]) and b - a > least) for a, b in itertools.pairwise(bounds)]
            for seen, group in itertools.groupby(runs, key=lambda run: run[2]):
                ends = list(group)
                run = points[ends[0][0] : ends[-1][1] + 1]
                parts.append(replace(part, points=run, kind="seen" if seen else "graded"))
        out.append(replace(loop, parts=tuple(parts)))
    return out


def _wide(ink: Ink) -> NDArray[np.bool_]:
    """Return where ink is wider than one line."""
    inside = cv2.distanceTransform(ink.mask, cv2.DIST_L2, 3)
    core = (np.asarray(inside) > _ONE_LINE * ink.width_mm / (2 * ink.mm_per_px)).astype(np.uint8)
    reach = 2 * max(1, round(ink.width_mm / ink.mm_per_px / 2)) + 1
    return np.asarray(cv2.dilate(core, np.ones((reach, reach), np.uint8)) > 0)


def unseen_mm(parts: Sequence[Part], wide: NDArray[np.bool_], mm_per_px: float) -> float:
    """Return how much of a closed line may be another size's: it was not seen as its own, nor told by all lines' ink.

    Where all sizes run over one line, as along a fold, it does not matter whose it is; spaces are passed over. Where
    the order of the sizes is in doubt, and of a line that was seen nowhere, all counts. ``wide`` is where ink is wider
    than one line.
    """
    nowhere = not any(p.sure for p in parts)
    total = 0.0
    for part in parts:
        own = part.sure and part.kind in ("single", "join") and part.told is None
        if own or part.told or len(part.points) < 2:
            continue
        points = filled(part.points)
        place = np.clip(np.rint(points).astype(np.int64), 0, np.array(wide.shape[::-1]) - 1)
        steps = np.hypot(*np.diff(points, axis=0).T)
        here = steps if nowhere or part.told is False else steps[wide[place[1:, 1], place[1:, 0]]]
        total += float(here.sum()) * mm_per_px
    return total if total >= LEAST_UNSEEN_MM else 0.0
