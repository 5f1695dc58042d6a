"""Where test squares may be in a picture, whatever their size: found, measured, and told from other squares.

A square is told from the other squares of a pattern (table cells, codes, patches, frames) by standing alone: its lines
do not run on into neighbours, and nothing but a caption is inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.picture import PxPoints
from calibration.references.crossed_square import rough_crossed_squares
from calibration.references.density import credible_density
from calibration.references.quad import (
    SMALLEST_SIDE_PX,
    Quad,
    RoughQuad,
    dark_mask,
    inner_angles_deg,
    measure_quad,
    proportion,
    rough_quads,
    side_lengths,
)
from calibration.references.reference import SearchPicture, lies_within

Floats = NDArray[np.float64]

_LONGEST_RATIO = 1.4
"""As seen: 20 degrees of tilt in a corner of the picture, and some more."""
_MOST_UNEVEN = 0.15
_ROUGHLY_PX = 12.0
"""Of the reduced copy: rough corners are a few of its pixels off, and two sides of a figure have four of them."""
_SAME_SQUARE = 0.06
_CONCENTRIC = 0.08
_DASHED = 0.4
_RIGHT_THROUGH = 0.93
_FOLD = 0.3
"""Folds are no darker than this share of a line, also on old tissue with faded ink (judgement: 0.2 there)."""
_LIKE_CELLS, _GAP_OF_CELLS = 0.2, 0.5
"""Cells of one grid differ in side by less, and are no farther apart, those of a chessboard across their corners (both
as shares of the side)."""
_NESTED_RATIOS = (40.0 / 25.4, 50.0 / 25.4, 2.0, 100.0 / 50.8, 4.0, 100.0 / 25.4)
"""Sides of two test squares one inside the other: 4 cm and 1 in, 5 cm and 1 in, 2 in and 1 in or 10 cm and 5 cm, ..."""

_CORNER_SHARE, _MOST_OPEN = (0.01, 0.04), 3
"""How near to a corner its sides are looked at, as shares of a side: templates are rounded by 3 mm and more. A crease
may cross a corner or two (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundSquare:
    """A square figure whose size is not known yet.

    Parameters
    ----------
    quad : Quad
    score : float
        0..1, how much it looks like a test square.
    """

    quad: Quad
    score: float

    @property
    def side_px(self) -> float:
        """Mean side in pixels."""
        return self.quad.side_px


def _dark_share(mask: NDArray[np.uint8], scene: SearchPicture, corners_px: Floats, low: float, high: float) -> float:
    """Share of dark pixels in the ring between the figure shrunk to ``low`` and grown to ``high`` of its size."""
    centre = corners_px.mean(axis=0)
    steps = np.linspace(-1, 1, 61)
    u, v = np.meshgrid(steps * high, steps * high)
    a, b = (corners_px[1] - corners_px[0]) / 2, (corners_px[3] - corners_px[0]) / 2
    ring = np.maximum(np.abs(u), np.abs(v)) >= low
    points = centre + u[ring][:, None] * a + v[ring][:, None] * b
    at = np.rint(scene.to_reduced(PxPoints(points))).astype(int)
    inside = (at[:, 0] >= 0) & (at[:, 1] >= 0) & (at[:, 0] < mask.shape[1]) & (at[:, 1] < mask.shape[0])
    if not inside.any():
        return 0.0
    return float((mask[at[inside, 1], at[inside, 0]] > 0).mean())


def _lines_run_on(scene: SearchPicture, quad: Quad) -> int:
    """How many of the eight extensions of the sides beyond their corners are dark all along (a table, a grid)."""
    corners = np.asarray(quad.corners_px)
    side = quad.side_px
    count = 0
    for i in range(4):
        a, b = corners[i], corners[(i + 1) % 4]
        along = (b - a) / np.hypot(*(b - a))
        across = np.array([-along[1], along[0]])
        depth = quad.sides[i].contrast
        for point, direction in ((a, -along), (b, along)):
            s = np.linspace(0.08, 0.35, 28) * side
            middle = point + s[:, None] * direction
            count += bool((_depths(scene, middle, across, quad.width_px) > 0.4 * depth).mean() > 0.85)
    return count


def _open_corners(scene: SearchPicture, quad: Quad) -> int:
    """How many of the corners neither side is drawn to: a piece with rounded corners."""
    corners, count = np.asarray(quad.corners_px), 0
    reach = np.linspace(*_CORNER_SHARE, 7)[:, None] * quad.side_px
    spread = np.linspace(-1, 1, 5) * max(1.5, quad.width_px / 2)
    for i in range(4):
        drawn = False
        for other, side in ((corners[(i + 1) % 4], quad.sides[i]), (corners[i - 1], quad.sides[i - 1])):
            along = (other - corners[i]) / np.hypot(*(other - corners[i]))
            across = np.array([-along[1], along[0]])
            outward = across * np.sign(across @ (corners[i] - corners.mean(axis=0)))
            middle = corners[i] + reach * along
            # Inside of a broad frame's corner is its other side.
            ground = scene.light(middle + max(4.0, 2.5 * quad.width_px) * outward)
            depths = ground - scene.light(middle[:, None, :] + spread[None, :, None] * across).min(axis=1)
            drawn = drawn or bool((depths > 0.4 * side.contrast).mean() > 0.5)
        count += not drawn
    return count


def _depths(scene: SearchPicture, middle: Floats, across: Floats, width_px: float) -> Floats:
    """Return how much darker than both its sides a line about as wide is at some of its places (N, 2)."""
    spread = np.linspace(-1, 1, 5) * max(1.5, width_px / 2)
    lines = scene.light(middle[:, None, :] + spread[None, :, None] * across).min(axis=1)
    beside = max(4.0, 2.5 * width_px)
    ground = np.minimum(scene.light(middle + beside * across), scene.light(middle - beside * across))
    return np.asarray(ground - lines, dtype=np.float64)


def _dark_along(scene: SearchPicture, mask: NDArray[np.uint8], points_px: Floats) -> Floats:
    """Share of the points of each way (..., N, 2) that are dark in the mask, or have a dark neighbour there."""
    x, y = np.moveaxis(np.rint(scene.to_reduced(PxPoints(points_px))).astype(np.intp), -1, 0)
    x, y = np.clip(x, 1, mask.shape[1] - 2), np.clip(y, 1, mask.shape[0] - 2)
    near = mask[y, x]
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        near = near | mask[y + dy, x + dx]
    return np.asarray((near > 0).mean(axis=-1), dtype=np.float64)


def _is_divided(scene: SearchPicture, mask: NDArray[np.uint8], quad: Quad, *, may_run_on: bool = False) -> bool:
    """Whether a line runs right through, from one side to the other: a table.

    Much fainter than the sides it is a fold in the paper. ``may_run_on`` excuses lines that go on beyond both sides:
    they only pass.
    """
    corners_px = np.asarray(quad.corners_px)
    least = _FOLD * float(np.mean([side.contrast for side in quad.sides]))
    t = np.linspace(0.03, 0.97, 120)[:, None]
    insets = np.linspace(0.08, 0.92, 85)[:, None]
    for i in (0, 1):
        a, b, c, d = (corners_px[(i + k) % 4] for k in range(4))
        starts, ends = a + insets * (d - a), b + insets * (c - b)
        ways = starts[:, None] + t * (ends - starts)[:, None]
        for k in np.flatnonzero(_dark_along(scene, mask, ways) > _RIGHT_THROUGH):
            along = (ends[k] - starts[k]) / max(float(np.hypot(*(ends[k] - starts[k]))), 1e-9)
            if np.median(_depths(scene, ways[k], np.array([-along[1], along[0]]), quad.width_px)) < least:
                continue
            if not (may_run_on and _runs_on(scene, mask, starts[k], ends[k])):
                return True
    return False


def _runs_on(scene: SearchPicture, mask: NDArray[np.uint8], start: Floats, end: Floats) -> bool:
    """Whether a line through a figure goes on beyond both its ends, a little aslant or not."""
    along = end - start
    aside = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
    beyond = np.linspace(0.05, 0.15, 12)[:, None]
    shifts = np.arange(-3.0, 4.0) * scene.reduction
    return all(
        any(_dark_along(scene, mask, place + beyond * way + shift * aside) > _RIGHT_THROUGH for shift in shifts)
        for place, way in ((start, -along), (end, along))
    )


def _has_inner_line(scene: SearchPicture, mask: NDArray[np.uint8], corners_px: Floats) -> bool:
    """Whether a line, solid or dashed, runs inside along all four sides: a piece with its stitching line."""
    insets = np.linspace(0.04, 0.21, 24)[:, None, None]
    s = insets + 0.02 + np.linspace(0, 1, 160)[:, None] * (0.96 - 2 * insets)
    least = np.ones(len(insets))
    for i in range(4):
        a, b = corners_px[i], corners_px[(i + 1) % 4]
        inward = (corners_px[i - 1] - a + corners_px[(i + 2) % 4] - b) / 2
        least = np.minimum(least, _dark_along(scene, mask, a + s * (b - a) + insets * inward))
    return bool((least > _DASHED).any())


def _apart_from_pieces(
    scene: SearchPicture, mask: NDArray[np.uint8], found: Sequence[FoundSquare], solid: Sequence[bool]
) -> list[FoundSquare]:
    """Drop square pieces: cutting and stitching line of one piece lie one inside the other.

    Test squares also come in pairs one inside the other; those have the ratio of two usual sizes.
    """
    kept = []
    for i, square in enumerate(found):
        corners = np.asarray(square.quad.corners_px)
        around = [
            max(square.side_px, other.side_px) / min(square.side_px, other.side_px)
            for j, other in enumerate(found)
            if j != i
            and np.hypot(*(np.asarray(other.quad.corners_px).mean(axis=0) - corners.mean(axis=0)))
            < _CONCENTRIC * square.side_px
        ]
        test_pair = any(abs(ratio / pair - 1) < 0.01 for ratio in around for pair in _NESTED_RATIOS)
        alone = not around and (solid[i] or not _has_inner_line(scene, mask, corners))
        if test_pair or alone:
            kept.append(square)
    return kept


def _standing_alone(rough: Sequence[RoughQuad]) -> list[RoughQuad]:
    """Drop the cells of grids, which come by the hundred: squares with two or more like themselves close by."""
    if not rough:
        return []
    centres = np.array([r.corners_px.mean(axis=0) for r in rough])
    sides = np.array([r.side_px for r in rough])
    kinds = np.array([r.hole for r in rough])
    kept = []
    for i, candidate in enumerate(rough):
        apart = np.hypot(*(centres - centres[i]).T) / sides[i]
        like = (kinds == kinds[i]) & (np.abs(np.log(sides / sides[i])) < _LIKE_CELLS)
        if (like & (apart > 0.85) & (apart < 1.0 + _GAP_OF_CELLS)).sum() < 2:
            kept.append(candidate)
    return kept


def _measure(scene: SearchPicture, rough: RoughQuad) -> tuple[Quad, bool] | None:
    """Measure a rough square as strokes (thin, then thick), else as a solid; the second value says solid."""
    side = rough.side_px
    base = 3.0 + 2.0 * scene.reduction
    for reach in (base + 0.03 * side, base + 0.12 * side, base + 0.25 * side):
        quad = measure_quad(scene, rough.corners_px, kind="stroke", reach_px=reach, margin_px=0.04 * side)
        if quad is not None and quad.share > 0.5 and quad.width_px < 0.6 * reach:
            widths = [s.width_px for s in quad.sides]
            if max(widths) < 1.8 * min(widths) + 1.0:
                return quad, False
    quad = measure_quad(
        scene, rough.corners_px, kind="step", reach_px=base + 0.03 * side, margin_px=0.04 * side, fine_reach_px=6.0
    )
    if quad is None or quad.share < 0.6:
        return None
    return quad, True


def _solid_is_dark(scene: SearchPicture, quad: Quad) -> bool:
    corners = np.asarray(quad.corners_px)
    centre = corners.mean(axis=0)
    steps = np.linspace(-0.85, 0.85, 25)
    u, v = np.meshgrid(steps, steps)
    a, b = (corners[1] - corners[0]) / 2, (corners[3] - corners[0]) / 2
    inside = scene.light(centre + u.ravel()[:, None] * a + v.ravel()[:, None] * b)
    outside = scene.light(centre + 1.12 * (corners - centre))
    return bool(np.percentile(inside, 75) < 0.5 * float(np.median(outside)))


def find_squares(scene: SearchPicture, taken_px: Sequence[PxPoints] = ()) -> list[FoundSquare]:
    """Find figures that look like a printed test square, best first, sizes not decided.

    None is looked for inside the outlines ``taken_px`` of what is known already.
    """
    mask = dark_mask(scene)
    rough = rough_quads(scene, mask, longest_ratio=_LONGEST_RATIO)
    # Holes first: the inside of a drawn square is clean where crosses and ticks stick out of its outside.
    rough = sorted(_standing_alone(rough), key=lambda r: not r.hole)
    found, solids = _measured(scene, mask, rough, taken_px)
    return sorted(_apart_from_pieces(scene, mask, found, solids), key=lambda f: -f.score)


def find_crossed_squares(
    scene: SearchPicture, known: Sequence[FoundSquare], taken_px: Sequence[PxPoints] = ()
) -> list[FoundSquare]:
    """Find squares that lines run across, beside those known; for a person who says that there is one."""
    mask = dark_mask(scene)
    rough = _standing_alone(rough_crossed_squares(scene, mask))
    found, _ = _measured(scene, mask, rough, taken_px, known, crossed=True)
    return [f for f in found if not _has_inner_line(scene, mask, np.asarray(f.quad.corners_px))]


def _measured(
    scene: SearchPicture,
    mask: NDArray[np.uint8],
    rough: Sequence[RoughQuad],
    taken_px: Sequence[PxPoints],
    known: Sequence[FoundSquare] = (),
    *,
    crossed: bool = False,
) -> tuple[list[FoundSquare], list[bool]]:
    """Measure rough squares and keep those that look like test squares, each once; and which of them are solid."""
    found: list[FoundSquare] = []
    solids: list[bool] = []
    for candidate in rough:
        if candidate.side_px < 0.6 * SMALLEST_SIDE_PX:
            continue
        if lies_within(candidate.corners_px.mean(axis=0), taken_px):
            continue
        # A part of a crossed square may look like a square itself, and is nearly as large.
        same = _is_at_corners if crossed else _is_of_size
        if any(same(candidate, f) for f in (*known, *found)):
            continue
        if _unevenness(scene, candidate.corners_px) > _MOST_UNEVEN + _ROUGHLY_PX * scene.reduction / candidate.side_px:
            continue
        measured = _measure(scene, candidate)
        if measured is None:
            continue
        quad, solid = measured
        if any(np.abs(np.asarray(f.quad.corners_px) - quad.corners_px).max() < 2.0 for f in (*known, *found)):
            continue
        square = _judge(scene, mask, quad, solid=solid, crossed=crossed)
        if square is not None:
            found.append(square)
            solids.append(solid)
    return found, solids


def _unevenness(scene: SearchPicture, corners_px: Floats) -> float:
    """Return by how much a figure's sides differ, relative: as seen, or as it lies in the world where that is less.

    No scanner shows a square from aside.
    """
    lengths = side_lengths(corners_px)
    seen = float(lengths.max() / lengths.min() - 1)
    if credible_density(scene.picture) is not None:
        return seen
    return min(seen, proportion(scene, corners_px) - 1)


def _is_of_size(candidate: RoughQuad, found: FoundSquare) -> bool:
    apart = candidate.corners_px.mean(axis=0) - np.asarray(found.quad.corners_px).mean(axis=0)
    alike = abs(candidate.side_px / found.side_px - 1) < _SAME_SQUARE
    return alike and bool(np.hypot(*apart) < _SAME_SQUARE * found.side_px)


def _is_at_corners(candidate: RoughQuad, found: FoundSquare) -> bool:
    return bool(np.abs(candidate.corners_px - found.quad.corners_px).max() < _SAME_SQUARE * found.side_px)


def _judge(
    scene: SearchPicture, mask: NDArray[np.uint8], quad: Quad, *, solid: bool, crossed: bool = False
) -> FoundSquare | None:
    corners = np.asarray(quad.corners_px)
    if not scene.inside(corners, margin_px=1.0).all():
        return None
    if solid and (crossed or not _solid_is_dark(scene, quad)):
        return None
    uneven = _unevenness(scene, corners)
    skew = float(np.abs(inner_angles_deg(corners) - 90).max())
    if uneven > _MOST_UNEVEN or skew > 10:
        return None
    busy_inside = 0.0 if solid else _dark_share(mask, scene, corners, 0.0, 0.8)
    busy_around = _dark_share(mask, scene, corners, 1.2, 1.6)
    if busy_inside > 0.3:
        return None
    if not solid and _open_corners(scene, quad) >= _MOST_OPEN:
        return None
    if not solid and (_lines_run_on(scene, quad) >= 2 or _is_divided(scene, mask, quad, may_run_on=crossed)):
        return None
    score = quad.share * np.exp(-((uneven / 0.08) ** 2) - (skew / 5) ** 2) * (1 - busy_around)
    return FoundSquare(quad=quad, score=float(np.clip(score, 0.0, 1.0)))
