"""What a stroke is, from its own shape, the heads at its ends and where it lies to the outline around it.

In this order, the surer before the less sure: a closed line (hole, circle), an arrow (grain line, fold bracket), a
notch on the outline, a line that keeps its distance to the outline (stitching line), a dart, and last any other line.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.labels import TextLine
from tracer.search.blobs import Blob
from tracer.search.graph import Points, angle, calmed
from tracer.search.marks import WIDEST_SEAM_MM
from tracer.search.spots import ROUND_MM, is_round
from tracer.search.strokes import Stroke, end_heading, heads

NOTCH_MM = 14.0
"""A stroke no longer than this that starts on the outline is a notch (common practice, no source)."""
TOUCH_MM, DASH_TOUCH_MM = 1.3, 2.6
"""A stroke, and one of dashes, that comes so near to the outline starts on it."""
NARROWEST_SEAM_MM = 2.4
"""A line closer to the outline is a second line beside it, no stitching line (common practice: 3 mm at least)."""
ARROW_MM = 10.0
"""Shortest grain line (common practice, no source)."""
HEAD_GAP_MM, LARGEST_HEAD_MM = 1.8, 9.0
"""A head begins no farther from the end of its shaft (what was taken away with it), and is no larger."""
LONGEST_BARB_MM = 14.0
"""The strokes of an open arrow head are no longer (common practice, no source)."""
STUB_MM = 2.5
BESIDE_MM = 4.0
"""The heads of a bracket begin no farther from the ends of its back."""
BRACKET_LEG_MM, BRACKET_SHARE = 22.0, 0.45
"""The legs of a fold bracket are no longer, and no longer than this share of its back (common practice, no source)."""
FOLD_REACH_MM = 25.0
"""A fold bracket lies no farther from its edge (common practice, no source)."""
_HEADS_ALIKE = 0.7
"""The two heads of a bracket differ in size by no more than to this share (judgement)."""
_STRAIGHT_MM, _STRAIGHT_SHARE = 0.5, 0.012
_FOLD_WORDS = re.compile(r"\bfold\b", re.IGNORECASE)
_GRAIN_WORDS = re.compile(r"\bgrain|straight of\b", re.IGNORECASE)
_CUT_WORDS = re.compile(r"\bcut\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """What is known of a stroke's surroundings.

    ``dark`` is the darkness of the ink, ``words`` the lines of text with their boxes in pixels of the mask (five
    corners, the first one repeated); ``headed`` tells of an arrow head, solid or open, at either end; ``clear`` whether
    no outline is near either.
    """

    mm_per_px: float
    dark: NDArray[np.uint8]
    words: Sequence[tuple[TextLine, Points]]
    headed: tuple[bool, bool] = (False, False)
    clear: tuple[bool, ...] = (True, True)


def is_straight(stroke: Stroke, mm_per_px: float) -> bool:
    """Return whether a stroke strays from its chord by no more than a ruled line does."""
    chord = stroke.chord * mm_per_px
    return chord > 2.0 and stroke.bow * mm_per_px < max(_STRAIGHT_MM, _STRAIGHT_SHARE * chord)


def head_at(stroke: Stroke, blobs: Sequence[Blob], mm_per_px: float, *, first: bool) -> Blob | None:
    """Return the solid arrow head that one end of a stroke runs into."""
    tip = stroke.points[0] if first else stroke.points[-1]
    # The leg of a bracket may end soon after its corner.
    headings = [end_heading(stroke.points, first=first, reach_px=reach / mm_per_px) for reach in (4.0, 1.2)]
    best: tuple[float, Blob] | None = None
    for blob in blobs:
        way = blob.middle - tip
        far = float(np.hypot(*way))
        if blob.round or far * mm_per_px > HEAD_GAP_MM + 0.5 * LARGEST_HEAD_MM or far < 1e-6:
            continue
        gap = float(np.hypot(*(blob.points - tip).T).min())
        ahead = max(float(way @ heading) for heading in headings)
        if gap * mm_per_px < HEAD_GAP_MM and ahead > 0.8 * far and (best is None or gap < best[0]):
            best = (gap, blob)
    return None if best is None else best[1]


def with_heads(
    stroke: Stroke, blobs: Sequence[Blob], mm_per_px: float
) -> tuple[Stroke, tuple[Blob | None, Blob | None]]:
    """Return an arrow's shaft carried on to the tips of its solid heads, and these heads."""
    points = stroke.points
    found = []
    for first in (True, False):
        head = head_at(stroke, blobs, mm_per_px, first=first)
        found.append(head)
        if head is None:
            continue
        end = points[0] if first else points[-1]
        tip = head.points[int(np.argmax(head.points @ (head.middle - end)))]
        steps = max(2, int(np.hypot(*(tip - end))) + 1)
        more = np.linspace(end, tip, steps)[1:]
        points = np.concatenate([more[::-1], points]) if first else np.concatenate([points, more])
    return replace(stroke, points=points), (found[0], found[1])


def bracket_of(stroke: Stroke, blobs: Sequence[Blob], mm_per_px: float) -> tuple[Stroke, tuple[Blob, Blob]] | None:
    """Return a straight stroke with arrow heads beside both its ends as the fold bracket that it is the back of.

    Where the legs of a bracket are hardly longer than the heads on them nothing of the legs is left as a line.
    """
    # A stub of a leg may be left at either end.
    stub = round(STUB_MM / mm_per_px)
    middle = stroke.points[stub:-stub]
    if len(middle) < stub:
        return None
    back = middle[-1] - middle[0]
    long = float(np.hypot(*back))
    bow = np.abs((middle - middle[0]) @ np.array([-back[1], back[0]])) / max(long, 1e-9)
    if long * mm_per_px < ARROW_MM or float(bow.max()) * mm_per_px > max(
        _STRAIGHT_MM, _STRAIGHT_SHARE * long * mm_per_px
    ):
        return None
    found = []
    for end in (stroke.points[0], stroke.points[-1]):
        best: tuple[float, Blob, float] | None = None
        for blob in blobs:
            way = blob.middle - end
            side = float(back[0] * way[1] - back[1] * way[0]) / long
            gap = float(np.hypot(*(blob.points - end).T).min()) * mm_per_px
            square = abs(float(way @ back)) / long < 0.5 * float(np.hypot(*way))
            across = abs(float(blob.axis @ back)) / long < 0.5
            if gap < BESIDE_MM and square and across and (best is None or gap < best[0]):
                best = (gap, blob, side)
        if best is None:
            return None
        found.append(best)
    (_, first, side), (_, last, other) = found
    if side * other <= 0 or first is last:
        return None
    # Small heads fill a circle once they are blurred; two round spots that stand like this are as large as each other.
    if (first.round or last.round) and min(first.size, last.size) < _HEADS_ALIKE * max(first.size, last.size):
        return None
    tips = [
        b.points[int(np.argmax(b.points @ (b.middle - e)))]
        for b, e in ((first, stroke.points[0]), (last, stroke.points[-1]))
    ]
    points = np.concatenate([tips[0][None], stroke.points, tips[1][None]])
    return replace(stroke, points=points), (first, last)


class Barbs:
    """Finds the two short strokes of open arrow heads among all strokes."""

    def __init__(self, strokes: Sequence[Stroke], mm_per_px: float) -> None:
        self.scale = mm_per_px
        short = [(k, s) for k, s in enumerate(strokes) if 1.5 < s.length * mm_per_px < LONGEST_BARB_MM]
        self.owner = [k for k, _ in short for _ in (0, 1)]
        self.length = [s.length for _, s in short for _ in (0, 1)]
        self.end = np.array([p for _, s in short for p in (s.points[0], s.points[-1])]).reshape(-1, 2)
        self.way = np.array([w for _, s in short for w in (s.points[-1] - s.points[0], s.points[0] - s.points[-1])])
        self.tree = cKDTree(self.end) if len(self.end) else None

    def at(self, stroke: Stroke, *, first: bool) -> tuple[int, ...]:
        """Return the two short strokes of an open arrow head at one end of a shaft, or none."""
        if self.tree is None:
            return ()
        tip = stroke.points[0] if first else stroke.points[-1]
        backwards = -end_heading(stroke.points, first=first, reach_px=4.0 / self.scale)
        left: list[int] = []
        right: list[int] = []
        for hit in self.tree.query_ball_point(tip, 1.6 / self.scale):
            way = self.way[hit]
            far = float(np.hypot(*way))
            if self.length[hit] > 0.5 * stroke.length or not far:
                continue
            if np.radians(10) < angle(way / far, backwards) < np.radians(70):
                side = float(backwards[0] * way[1] - backwards[1] * way[0])
                (left if side > 0 else right).append(self.owner[hit])
        return (left[0], right[0]) if left and right else ()


def corners_of(points: Points, mm_per_px: float) -> Points:
    """Return a stroke as a polygon of few straight legs."""
    calm = calmed(points).astype(np.float32).reshape(-1, 1, 2)
    return np.asarray(cv2.approxPolyDP(calm, 1.2 / mm_per_px, closed=False).reshape(-1, 2), dtype=np.float64)


def is_bracket(points: Points, away_mm: NDArray[np.float64], mm_per_px: float) -> bool:
    """Return whether a stroke is a long back with two short legs turned towards the outline.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
    away_mm : ndarray, shape (N,)
        Their distances to the outline, positive inside.
    mm_per_px : float
    """
    legs = corners_of(points, mm_per_px)
    if len(legs) != 4:
        return False
    first, back, last = np.diff(legs, axis=0)
    sizes = [float(np.hypot(*v)) for v in (first, back, last)]
    if min(sizes) == 0 or max(sizes[0], sizes[2]) > min(BRACKET_LEG_MM / mm_per_px, BRACKET_SHARE * sizes[1]):
        return False
    square = [
        abs(angle(first / sizes[0], back / sizes[1]) - np.pi / 2),
        abs(angle(back / sizes[1], last / sizes[2]) - np.pi / 2),
    ]
    same_side = float(first @ last) < 0
    middle = float(np.median(away_mm))
    return (
        max(square) < np.radians(30)
        and same_side
        and middle < FOLD_REACH_MM
        and max(float(away_mm[0]), float(away_mm[-1])) < middle - 0.3 * min(sizes[0], sizes[2]) * mm_per_px
    )


def says(words: Sequence[tuple[TextLine, Points]], stroke: Stroke, pattern: re.Pattern[str], mm_per_px: float) -> bool:
    """Return whether words along a stroke match a pattern; a piece's own cutting note says nothing of a line."""
    way = stroke.points[-1] - stroke.points[0]
    long = float(np.hypot(*way))
    if long < 1e-9:
        return False
    sample = stroke.points[:: max(1, len(stroke.points) // 60)]
    for line, ring in words:
        if not pattern.search(line.text) or _CUT_WORDS.search(line.text):
            continue
        sides = np.diff(ring[:3], axis=0)
        wide, high = (float(np.hypot(*v)) for v in sides)
        if wide < high:
            sides, wide, high = sides[::-1], high, wide
        along = abs(float(sides[0] @ way)) / max(1e-9, wide * long)
        gap = float(np.hypot(*(sample - ring[:4].mean(axis=0)).T).min())
        if along > 0.95 and gap < 1.6 * high + 2.0 / mm_per_px:
            return True
    return False


def loose_kind(stroke: Stroke, around: Around) -> str:
    """Return the kind of a stroke outside all pieces."""
    length = stroke.length * around.mm_per_px
    if stroke.closed and is_round(stroke.points[:-1]) and length < np.pi * ROUND_MM:
        return "circle"
    if is_straight(stroke, around.mm_per_px) and all(arrow_heads(stroke, around)) and length > ARROW_MM:
        return "grain line"
    return "internal line" if length > 8 else "unknown" if length > 2 else ""


def arrow_heads(stroke: Stroke, around: Around) -> tuple[bool, bool]:
    """Return whether a stroke has an arrow head, solid or open, at its first and at its last point."""
    scale = around.mm_per_px
    # A dashed line is no shaft; where it meets other lines it seems to grow wide.
    if not is_straight(stroke, scale) or stroke.spaces >= 2:
        return around.headed
    # Where spots are too fine to be told from lines the shaft still grows wide towards its end.
    wide = heads(stroke, around.dark, 2.6 / scale, 6.0 / scale)
    first, last = (h or (w and c) for h, w, c in zip(around.headed, wide, around.clear, strict=True))
    return first, last


def kind_in_piece(stroke: Stroke, away_mm: NDArray[np.float64], bold_mass: float, around: Around) -> str:
    """Return the kind of a stroke in a piece: a kind of mark, 'hole', 'leg' (perhaps one of a dart), or '' for a speck.

    Parameters
    ----------
    stroke : Stroke
    away_mm : ndarray, shape (N,)
        Distance of each of its points to the outline, positive inside.
    bold_mass : float
        Ink of the piece's cutting line across it, pixels of full darkness.
    around : Around
    """
    scale = around.mm_per_px
    length, chord = stroke.length * scale, stroke.chord * scale
    size = float(np.ptp(stroke.points, axis=0).max()) * scale
    straight = is_straight(stroke, scale)
    if stroke.closed:
        if size >= 5.0 and stroke.mass > 0.8 * bold_mass and not stroke.spaces:
            return "hole"
        if size <= ROUND_MM and is_round(stroke.points[:-1]):
            return "circle"
    ends = np.array([away_mm[0], away_mm[-1]])
    touch = DASH_TOUCH_MM if stroke.spaces >= 2 else TOUCH_MM
    touching = np.abs(ends) < touch
    head = arrow_heads(stroke, around)
    inside = float(np.median(away_mm)) > 0
    if straight and length > ARROW_MM and any(head) and not touching.all():
        return "fold line" if says(around.words, stroke, _FOLD_WORDS, scale) else "grain line"
    near_edge = 0 < float(np.median(away_mm)) < FOLD_REACH_MM
    if inside and (
        is_bracket(stroke.points, away_mm, scale)
        or (near_edge and chord > 0.8 * length > 10 and says(around.words, stroke, _FOLD_WORDS, scale))
    ):
        return "fold line"
    if all(head) and length > 20 and float(np.median(away_mm)) < FOLD_REACH_MM and ends.max() < 10:
        return "fold line"
    if straight and length > ARROW_MM and not touching.all() and says(around.words, stroke, _GRAIN_WORDS, scale):
        return "grain line"
    if not stroke.closed and length <= NOTCH_MM and touching.any() and np.abs(away_mm).max() > 0.3 * length:
        return "notch"
    if touching.all() and length < 3 * NOTCH_MM and chord < NOTCH_MM and not inside:
        return "notch"
    middle = float(np.median(away_mm))
    steady = float((np.abs(away_mm - middle) < 0.8 + 0.08 * abs(middle)).mean())
    if steady > 0.72 and NARROWEST_SEAM_MM < middle < WIDEST_SEAM_MM and length > 12:
        return "stitching line"
    if touching.all() and chord < 0.75 * length and len(corners_of(stroke.points, scale)) == 3:
        return "dart"
    if straight and touching.any() and not touching.all() and length > 10:
        return "leg"
    if length > 8:
        return "internal line"
    return "unknown" if length > 2 else ""
