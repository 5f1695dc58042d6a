"""The printed test square.

The size of a test square is the distance between the *centres* of its lines when it is drawn as an outline (drawing
programs put the pen's centre on the figure; common practice, no source), and between its edges when it is solid.

Where such squares are is found by :mod:`calibration.references.square_finder`; here their sizes are decided: one of the
usual ones, or the size asked for.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from calibration.errors import ScaleError
from calibration.picture import Density, MmPoints, PxPoints
from calibration.references.density import credible_density
from calibration.references.quad import SMALLEST_SIDE_PX, side_lengths
from calibration.references.reference import Reference, SearchPicture, lies_within
from calibration.references.square_finder import FoundSquare, find_crossed_squares, find_squares
from calibration.units import parse_length_mm

__all__ = [
    "DRAWN_TO_MM", "USUAL_SIZES", "FoundSquare", "as_reference", "as_reference_of_size", "choose", "find",
    "find_crossed_squares", "find_squares", "pair_by_ratio", "side_mm", "sized", "sizes_that_fit",
]  # fmt: skip

_LEVEL = 0.006
"""The sides of a square differ by less than this share of them in a scan, or a photo whose scale is one all over."""
_LEVEL_STEP = 0.06
"""A tilt of 20 degrees shortens two sides by so much."""
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
_MOST_OFF = 0.03
"""A square that is farther off the nearest usual size, relative, has none."""
_BOTH_WAYS = 0.04
"""Two squares apart measure each other to half of this, each by itself (judgement)."""


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


def as_reference_of_size(square: Reference, size: str) -> Reference:
    """Return a reference to a square as one to a square of another size."""
    side = side_mm(size)
    return replace(
        square,
        size=size,
        points_mm=MmPoints(np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float64) * side),
        tolerance_relative=DRAWN_TO_MM * np.sqrt(2.0) / side,
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
    """Order squares for a size that was asked for.

    The one that a credible density confirms comes first; then the one by which the others have usual sizes, as the two
    test squares of a page in centimetres and inches do; of two such the larger one (an inch and two are more usual
    than two and four); then the one that needs less tilt to be a square; then by looks.
    """
    off = {id(s): _off_usual(s, squares, wanted_mm) for s in squares}
    ordered = sorted(
        squares,
        key=lambda s: (round(off[id(s)], 2), -s.side_px if off[id(s)] < _ABOUT else 0.0, _unlevel(s), -s.score),
    )
    if density is None:
        return ordered
    step = np.sqrt(np.prod(_density_mm_per_px(density)))
    near = [f for f in ordered if abs(f.side_px * step / wanted_mm - 1) < _AGREES_WITHIN]
    return near + [f for f in ordered if f not in near]


def _unlevel(square: FoundSquare) -> int:
    """Return in whole steps how much longer two sides are than the others.

    A frame is a square from somewhere, and two figures in one plane are seen with one tilt: of one that is square as it
    is seen and one that needs a steep view to be, the latter is a frame.
    """
    lengths = side_lengths(np.asarray(square.quad.corners_px))
    return int(abs(np.log((lengths[0] + lengths[2]) / (lengths[1] + lengths[3]))) / _LEVEL_STEP)


def _off_usual(square: FoundSquare, squares: Sequence[FoundSquare], size_mm: float) -> float:
    """Return by how much others are off the nearest usual size, relative, in the mean, if a square is of this size.

    Where no other can be compared with it nothing speaks for it, as where they are off by the most.
    """
    ratios = [r for other in squares if other is not square and (r := _sides_ratio(other, square)) is not None]
    sizes = np.array([side_mm(s) for s in (*USUAL_SIZES, "4cm")])
    return (
        float(np.mean([min(_MOST_OFF, np.abs(r * size_mm / sizes - 1).min()) for r in ratios])) if ratios else _MOST_OFF
    )


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
    inside = lies_within(np.asarray(b.quad.corners_px).mean(axis=0), [a.quad.corners_px])
    return 1.0 / _side_by(b, a) if inside else None


def _sides_ratio(a: FoundSquare, b: FoundSquare) -> float | None:
    """Return how many times larger square ``a`` is than ``b``; None where tilt makes that unsure.

    As :func:`_ratio`, whichever lies inside the other. Squares apart in a tilted picture are each measured in the plane
    that the other one shows: what tilt that plane gets wrong makes one as much too large as the other.
    """
    ratio = _ratio(a, b)
    if ratio is not None:
        return ratio
    ratio = _ratio(b, a)
    if ratio is not None:
        return 1.0 / ratio
    by_b, by_a = _side_by(a, b), _side_by(b, a)
    return None if abs(by_b * by_a - 1) > _BOTH_WAYS else float(np.sqrt(by_b / by_a))


def _side_by(a: FoundSquare, b: FoundSquare) -> float:
    """Return the side of ``a`` in the plane in which ``b`` is a square of side 1."""
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    corners, measured = (np.asarray(s.quad.corners_px, dtype=np.float32) for s in (b, a))
    flat = cv2.perspectiveTransform(measured[None], cv2.getPerspectiveTransform(corners, unit))[0]
    return max(float(side_lengths(np.asarray(flat, dtype=np.float64)).mean()), 1e-9)


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
