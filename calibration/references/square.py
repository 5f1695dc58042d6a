"""The printed test square.

The size of a test square is the distance between the *centres* of its lines when it is drawn as an outline (drawing
programs put the pen's centre on the figure; common practice, no source), and between its edges when it is solid.

A square is told from the other squares of a pattern (table cells, codes, patches, frames) by standing alone: its
lines do not run on into neighbours, nothing but a caption is inside, and it has one of the usual sizes or the size
asked for.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import ScaleError
from calibration.picture import Density, MmPoints, PxPoints
from calibration.references.density import credible_density
from calibration.references.quad import (
    SMALLEST_SIDE_PX,
    Quad,
    RoughQuad,
    dark_mask,
    inner_angles_deg,
    measure_quad,
    rough_quads,
    side_lengths,
)
from calibration.references.reference import Reference, SearchPicture, lies_within
from calibration.units import parse_length_mm

Floats = NDArray[np.float64]

_LEVEL = 0.006
"""The sides of a square differ by less than this share of them in a scan, or a photo whose scale is one all over."""
_ABOUT = 0.02
USUAL_SIZES = ("1in", "2in", "3cm", "5cm", "10cm", "4in")
"""Sizes that printed patterns commonly carry (common practice, no source)."""

DRAWN_TO_MM = 0.002
"""Standard uncertainty of where each line of the square was drawn: coordinates written to a hundredth of a point,
0.0035 mm, rectangular (judgement). The printer's own stretch is no error: the square is the pattern's truth, and
undoes it."""

_AGREES_WITHIN = 0.03
"""A stated density fits a size when both agree this closely: printing to fit a page changes sizes by 3 % and more
(judgement)."""
_LONGEST_RATIO = 1.25
_SAME_SQUARE = 0.06
_CONCENTRIC = 0.08
_DASHED = 0.4
_RIGHT_THROUGH = 0.93
_LIKE_CELLS, _GAP_OF_CELLS = 0.2, 0.5
"""Cells of one grid differ in side by less, and are no farther apart, those of a chessboard across their corners (both
as shares of the side)."""
_NESTED_RATIOS = (40.0 / 25.4, 50.0 / 25.4, 2.0, 100.0 / 50.8, 4.0, 100.0 / 25.4)
"""Sides of two test squares one inside the other: 4 cm and 1 in, 5 cm and 1 in, 2 in and 1 in or 10 cm and 5 cm, ..."""


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
            spread = np.linspace(-1, 1, 5) * max(1.5, quad.width_px / 2)
            lines = scene.light(middle[:, None, :] + spread[None, :, None] * across).min(axis=1)
            beside = max(4.0, 2.5 * quad.width_px)
            ground = np.minimum(scene.light(middle + beside * across), scene.light(middle - beside * across))
            count += bool(((ground - lines) > 0.4 * depth).mean() > 0.85)
    return count


def _dark_along(scene: SearchPicture, mask: NDArray[np.uint8], points_px: Floats) -> float:
    """Share of points that are dark in the mask, or have a dark neighbour there."""
    at = np.rint(scene.to_reduced(PxPoints(points_px))).astype(int)
    x, y = np.clip(at[:, 0], 1, mask.shape[1] - 2), np.clip(at[:, 1], 1, mask.shape[0] - 2)
    near = np.stack([mask[y + dy, x + dx] for dx, dy in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1))])
    return float((near > 0).any(axis=0).mean())


def _is_divided(scene: SearchPicture, mask: NDArray[np.uint8], corners_px: Floats) -> bool:
    """Whether a line runs right through, from one side to the other: a table."""
    t = np.linspace(0.03, 0.97, 120)[:, None]
    for i in (0, 1):
        a, b, c, d = (corners_px[(i + k) % 4] for k in range(4))
        for inset in np.linspace(0.08, 0.92, 85):
            start, end = a + inset * (d - a), b + inset * (c - b)
            if _dark_along(scene, mask, start + t * (end - start)) > _RIGHT_THROUGH:
                return True
    return False


def _has_inner_line(scene: SearchPicture, mask: NDArray[np.uint8], corners_px: Floats) -> bool:
    """Whether a line, solid or dashed, runs inside along all four sides: a piece with its stitching line."""
    for inset in np.linspace(0.04, 0.21, 24):
        least = 1.0
        for i in range(4):
            a, b = corners_px[i], corners_px[(i + 1) % 4]
            inward = (corners_px[i - 1] - a + corners_px[(i + 2) % 4] - b) / 2
            s = np.linspace(inset + 0.02, 0.98 - inset, 160)[:, None]
            least = min(least, _dark_along(scene, mask, a + s * (b - a) + inset * inward))
        if least > _DASHED:
            return True
    return False


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
    found: list[FoundSquare] = []
    solids: list[bool] = []
    for candidate in rough:
        if candidate.side_px < 0.6 * SMALLEST_SIDE_PX:
            continue
        centre = candidate.corners_px.mean(axis=0)
        if lies_within(centre, taken_px) or any(
            np.hypot(*(centre - np.asarray(f.quad.corners_px).mean(axis=0))) < _SAME_SQUARE * f.side_px
            and abs(candidate.side_px / f.side_px - 1) < _SAME_SQUARE
            for f in found
        ):
            continue
        measured = _measure(scene, candidate)
        if measured is None:
            continue
        quad, solid = measured
        if any(np.abs(np.asarray(f.quad.corners_px) - quad.corners_px).max() < 2.0 for f in found):
            continue
        square = _judge(scene, mask, quad, solid=solid)
        if square is not None:
            found.append(square)
            solids.append(solid)
    return sorted(_apart_from_pieces(scene, mask, found, solids), key=lambda f: -f.score)


def _judge(scene: SearchPicture, mask: NDArray[np.uint8], quad: Quad, *, solid: bool) -> FoundSquare | None:
    corners = np.asarray(quad.corners_px)
    if not scene.inside(corners, margin_px=1.0).all():
        return None
    if solid and not _solid_is_dark(scene, quad):
        return None
    lengths = side_lengths(corners)
    uneven = float(lengths.max() / lengths.min() - 1)
    skew = float(np.abs(inner_angles_deg(corners) - 90).max())
    if uneven > 0.15 or skew > 10:
        return None
    busy_inside = 0.0 if solid else _dark_share(mask, scene, corners, 0.0, 0.8)
    busy_around = _dark_share(mask, scene, corners, 1.2, 1.6)
    if busy_inside > 0.3:
        return None
    if not solid and (_lines_run_on(scene, quad) >= 2 or _is_divided(scene, mask, corners)):
        return None
    score = quad.share * np.exp(-((uneven / 0.08) ** 2) - (skew / 5) ** 2) * (1 - busy_around)
    return FoundSquare(quad=quad, score=float(np.clip(score, 0.0, 1.0)))


def as_reference(square: FoundSquare, size: str) -> Reference:
    """Make the reference of a square whose size is known."""
    side = side_mm(size)
    corners = square.quad.corners_px
    return Reference(
        kind="square",
        size=size,
        points_px=corners,
        points_mm=MmPoints(np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float64) * side),
        sigma_px=square.quad.sigma_px,
        tolerance_relative=DRAWN_TO_MM * np.sqrt(2.0) / side,
        outline_px=_grown(corners, square.quad.width_px + 2.0),
        score=square.score,
        straights_px=tuple(PxPoints(side.points_px) for side in square.quad.sides),
    )


def _grown(corners_px: PxPoints, by_px: float) -> PxPoints:
    corners = np.asarray(corners_px)
    outward = corners - corners.mean(axis=0)
    return PxPoints(corners + outward / np.hypot(*outward.T)[:, None] * by_px * np.sqrt(2.0))


def sizes_that_fit(
    square: FoundSquare, mm_per_px: tuple[float, float], sizes: tuple[str, ...] = USUAL_SIZES
) -> list[str]:
    """Return the sizes that a square can have where a pixel is so many millimetres along x and y."""
    sides = np.diff(np.vstack([square.quad.corners_px, square.quad.corners_px[:1]]), axis=0) * mm_per_px
    mean_mm = float(np.hypot(*sides.T).mean())
    fits = [s for s in sizes if abs(mean_mm / parse_length_mm(s) - 1) < _AGREES_WITHIN]
    if not fits:
        return []
    # 2 in and 5 cm are 1.6 % apart: the closer one when it is clearly closer.
    off = {s: abs(mean_mm / parse_length_mm(s) - 1) for s in fits}
    best = min(off.values())
    return [s for s in fits if off[s] < best + 0.006]


def _density_mm_per_px(density: Density) -> tuple[float, float]:
    return 25.4 / density.x_per_inch, 25.4 / density.y_per_inch


def choose(squares: Sequence[FoundSquare], wanted_mm: float, density: Density | None) -> list[FoundSquare]:
    """Order squares for a size that was asked for: the one that a credible density confirms first, then by looks."""
    if density is None:
        return sorted(squares, key=lambda f: -f.score)
    step = np.sqrt(np.prod(_density_mm_per_px(density)))
    near = [f for f in squares if abs(f.side_px * step / wanted_mm - 1) < _AGREES_WITHIN]
    rest = [f for f in squares if f not in near]
    return sorted(near, key=lambda f: -f.score) + sorted(rest, key=lambda f: -f.score)


def side_mm(size: str) -> float:
    """Read the side of a square of a size such as ``1in``.

    Raises
    ------
    ScaleError
        When it has no length.
    """
    side = parse_length_mm(size)
    if side <= 0:
        raise ScaleError(f"a square of size '{size}' has no side; write it like square=1in or square=50mm")
    return side


def sized(scene: SearchPicture, squares: Sequence[FoundSquare], size: str | None) -> list[Reference]:
    """Make references of the squares whose size is known, the likeliest first.

    Parameters
    ----------
    size : str or None
        What the person said. Without it a size must follow from a credible stated density, or from a second square.
    """
    density = credible_density(scene.picture)
    if size is not None:
        return [as_reference(s, size) for s in choose(squares, side_mm(size), density)]
    if density is not None:
        fitting = [(s, sizes_that_fit(s, _density_mm_per_px(density))) for s in squares]
        return [as_reference(s, fits[0]) for s, fits in fitting if len(fits) == 1]
    return pair_by_ratio(squares)


def find(scene: SearchPicture, size: str | None) -> list[Reference]:
    """Find the printed test square, see :func:`sized`; squares too small to measure are left out."""
    return sized(scene, [s for s in find_squares(scene) if s.side_px >= SMALLEST_SIDE_PX], size)


def _ratio(a: FoundSquare, b: FoundSquare) -> float | None:
    """Return how many times larger square ``a`` is than ``b``; None where tilt makes that unsure.

    Two squares apart compare only in a picture that is level, or one would be nearer to the camera than the other. One
    inside the other is measured in the plane that the outer one shows, however tilted.
    """
    if all(np.ptp(side_lengths(np.asarray(s.quad.corners_px))) < _LEVEL * s.side_px for s in (a, b)):
        return a.side_px / b.side_px
    corners, inner = (np.asarray(s.quad.corners_px, dtype=np.float32) for s in (a, b))
    if not lies_within(inner.mean(axis=0), [a.quad.corners_px]):
        return None
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    flat = cv2.perspectiveTransform(inner[None], cv2.getPerspectiveTransform(corners, unit))[0]
    return 1.0 / max(float(side_lengths(np.asarray(flat, dtype=np.float64)).mean()), 1e-9)


def _in_both_units(one: str, other: str) -> bool:
    return one.endswith("in") != other.endswith("in")


def pair_by_ratio(squares: Sequence[FoundSquare]) -> list[Reference]:
    """Decide two squares' sizes by the ratio of their sides, where one pair of usual sizes alone has it (to 0.4 %).

    A further square of no usual size tells that these are no test squares: patches come in sizes too. Two squares apart
    must be one in inches and one in centimetres: sides in one unit are as small whole numbers, and so are patches'.
    """
    sizes = (*USUAL_SIZES, "4cm")
    for a, b in itertools.permutations(squares, 2):
        ratio = _ratio(a, b) if a.side_px > 1.05 * b.side_px else None
        if ratio is None:
            continue
        pairs = [
            (p, q) for p, q in itertools.permutations(sizes, 2) if abs(side_mm(p) / side_mm(q) / ratio - 1) < 0.004
        ]
        nested = lies_within(np.asarray(b.quad.corners_px).mean(axis=0), [a.quad.corners_px])
        if len(pairs) == 1 and (nested or _in_both_units(*pairs[0])):
            mm = [side_mm(pairs[0][0]) * s.side_px / a.side_px for s in squares if s is not a and s is not b]
            if all(any(abs(side / side_mm(size) - 1) < _ABOUT for size in sizes) for side in mm):
                return [as_reference(a, pairs[0][0]), as_reference(b, pairs[0][1])]
    return []
