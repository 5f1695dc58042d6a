"""Holes in things that lie on a ground, told from what only looks like one: a dash, a shadow, lettering."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.closeup import Look, Place
from tracer.search.graph import Points
from tracer.search.ground import DEEPEST_SHADOW
from tracer.search.letter_shapes import are_letters
from tracer.search.raster import Mask, apart, as_mask, closed, grown, opened, shrunk, to_size

LEAST_HOLE_MM2 = 3.0
"""Holes smaller than this are dirt or a gleam (common practice, no source)."""
LEAST_OPEN_MM, LEAST_SLIT_MM, _SLIT = 0.9, 2.0, 1.6
"""Holes narrower than the first, and slits (longer than wide by the third) narrower than the second, are drawn dashes
more often than holes (our own choice)."""
_WIDE_HOLE_MM = 6.0
"""From this width on a hole's inside is seen apart from its edge (judgement)."""
LEAST_STEP = 0.35
"""At the edge of a thing so much of its difference from the ground comes within a millimetre (half of it, and a shadow
that hides some)."""
LEAST_WIDE_MM = 2.0
"""What is nowhere wider is no hole but a line drawn on the thing (our own choice)."""
_FLAT, _FLAT_PX = 0.35, 5
"""Bare ground changes by less, in differences of the thing from its ground, over so many pixels (judgement)."""
_SEEN_SHARE, _SEEN_MM = 0.25, 1.3
"""Of a hole at least so much is seen, so wide, in no shadow (judgement)."""
_AROUND_MM, _LEAST_AROUND = 2.0, 0.6
"""Around a hole, from half to all so far away, so much of the thing's difference from its ground is mostly seen
(judgement)."""
_COARSE_MM, _GRAIN_MM2 = 0.5, 0.2
_TOGETHER_MM, _SHADED_MM = 16.0, 3.0
"""Marks within half of the first are looked at together; so far a shadow may reach into a hole (judgement)."""
_DRAWN_MM, _STRIP_MM = 1.4, 1.5
"""Lines drawn on a thing in the ground's colour that touch a hole are narrower; so are lines printed on the ground
(judgement)."""
_LIGHTEST = 1.35
"""Of the ground's light beside a thing a hole shows no more: a lamp's light falls off that much (judgement)."""
_COLOUR, _STRAY = 0.15, 0.01
"""By how much the colour of the ground in a hole may differ from that beside the thing: as a share of each channel,
and for stray light, of full white (judgement)."""


def is_open(share: NDArray[np.float32], ring: Points, per_px: float) -> bool:
    """Return whether a hole is one, and no dash.

    A dash drawn in the ground's own grey is as dark in its middle as a hole, and blurred as broad as one, but less
    light is missing in it for its length.
    """
    inside = inside_mask(ring, share.shape)
    missing = float((1.0 - np.clip(share[inside], 0.0, 1.0)).sum()) * per_px * per_px
    short, long = sorted(cv2.minAreaRect(ring.astype(np.float32))[1])
    wide_mm = missing / max(float(long) * per_px, 1e-6)
    return wide_mm > (LEAST_SLIT_MM if long > _SLIT * short else LEAST_OPEN_MM)


def is_sharp(share: NDArray[np.float32], ring: Points, per_px: float) -> bool:
    """Return whether a hole has an edge, where it is wide enough to tell that: a shadow on the thing has none."""
    wide = min(cv2.minAreaRect(ring.astype(np.float32))[1]) * per_px
    return wide < _WIDE_HOLE_MM or step_across(share, ring, per_px) > LEAST_STEP


def is_set_in(share: NDArray[np.float32], ring: Points, per_px: float) -> bool:
    """Return whether the thing is seen around a hole: where it fades into its ground there is none."""
    room = round(_AROUND_MM / per_px) + 2
    low = np.maximum(np.floor(ring.min(axis=0)).astype(np.intp) - room, 0)
    part = share[low[1] : int(ring[:, 1].max()) + room, low[0] : int(ring[:, 0].max()) + room]
    mask = filled_ring(ring - low, part.shape)
    around = (grown(mask, 2 * _AROUND_MM / per_px) > 0) & (grown(mask, _AROUND_MM / per_px) == 0)
    return bool(np.median(part[around]) > _LEAST_AROUND)


def step_across(share: NDArray[np.float32], outline: Points, per_px: float) -> float:
    """Return how much of the difference between a thing and its ground lies within a millimetre of its outline.

    Where light falls off over a sheet the border of what is darker is no edge: the light changes over centimetres.
    """
    calm = cv2.GaussianBlur(share, (0, 0), max(0.8, 0.25 / per_px))
    ahead = max(3, round(2.0 / per_px))
    at = np.arange(0, len(outline), max(1, len(outline) // 600))
    way = outline[(at + ahead) % len(outline)] - outline[at - ahead]
    normal = np.stack([-way[:, 1], way[:, 0]], axis=1) / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    reach = max(2.0, 1.0 / per_px)
    sides = []
    for sign in (-1.0, 1.0):
        where = np.rint(outline[at] + sign * reach * normal).astype(np.int64)
        x, y = np.clip(where[:, 0], 0, calm.shape[1] - 1), np.clip(where[:, 1], 0, calm.shape[0] - 1)
        sides.append(calm[y, x])
    return float(np.median(np.abs(sides[1] - sides[0])))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Openings:
    """Where bare ground is seen through a thing.

    ``bare`` is surely ground, ``open`` may be either: the ground in a shadow, or a blurred edge. ``letters`` tells
    whether there is lettering in the colour of the ground that might have passed for holes.
    """

    bare: NDArray[np.bool_]
    open: NDArray[np.bool_]
    letters: bool


def find_openings(look: Look, place: Place, seed: Mask, inside: NDArray[np.bool_], *, lined: bool) -> Openings:
    """Find where bare ground is seen through a thing.

    Parameters
    ----------
    look : Look
    place : Place
    seed : ndarray of uint8, shape (rows, columns)
        Non-zero within the thing as it is known coarsely.
    inside : ndarray of bool, shape (rows, columns)
        What has the thing's own colour.
    lined : bool
        Lines are printed on the ground, of any colour; a strip so narrow across an opening is one of them.
    """
    beside = 0.25 * place.length + 0.05
    bare = (look.share < 0.3) & (look.off_axis < beside) & (look.mean > DEEPEST_SHADOW) & (seed > 0)
    sure, undecided, letters = np.zeros_like(bare), bare.copy(), False
    for window in _parts(bare, look.per_px):
        share, off_axis, within = look.share[window], look.off_axis[window], seed[window] > 0
        # Whatever has not the thing's colour: also a line printed on the ground that runs through the opening.
        ground = ((share < 0.5) | (off_axis > beside)) & within
        labels, stats = apart(as_mask(ground))
        marks = [_Mark.of(labels, stats, k) for k in _not_tiny(stats, look.per_px)]
        flat = _flat(share)
        seen = bare[window]
        large = [_is_large(mark, flat[mark.box], seen[mark.box], look.per_px) for mark in marks]
        like = [is_large and _shows_ground(look, window, mark) for mark, is_large in zip(marks, large, strict=True)]
        if not any(like):
            continue
        lettered = are_letters([(mark.mask, mark.corner) for mark in marks], like, look.per_px)
        holes = np.zeros(share.shape, np.uint8)
        for mark, is_like, is_letter in zip(marks, like, lettered, strict=True):
            if is_like and not is_letter:
                holes[mark.box] |= mark.opened(_DRAWN_MM / look.per_px) & as_mask(seen[mark.box])
            elif is_letter:
                undecided[window][mark.box][mark.mask > 0] = False
                letters = letters or bool(is_like)
        if not holes.any():
            continue
        # Where lines of a mat were taken away that a thing of much its colour hides, it looks like the mat.
        holes[look.relaid[window]] = 0
        if lined:
            holes |= _strips(holes, look.per_px)
        # So far a shadow may reach into it; what is drawn on the thing and touches it is thin.
        around = to_size(grown(_reduced(holes, look.per_px), 2 * _SHADED_MM / _COARSE_MM), *share.shape[::-1]) > 0
        may = opened(as_mask((ground | ~inside[window]) & within & around), 1.6 / look.per_px)
        reached, _ = apart(may | holes)
        of_hole = np.zeros(int(reached.max()) + 1, dtype=bool)
        of_hole[reached[holes > 0]] = True
        undecided[window] |= of_hole[reached] & within
        sure[window] |= holes > 0
    return Openings(bare=sure, open=undecided & ~sure, letters=letters)


def _not_tiny(stats: NDArray[np.int32], per_px: float) -> list[int]:
    """Return the labels of what is larger than grain."""
    return [k for k in range(1, len(stats)) if stats[k, cv2.CC_STAT_AREA] * per_px**2 > _GRAIN_MM2]


def _is_large(mark: _Mark, flat: Mask, bare: NDArray[np.bool_], per_px: float) -> bool:
    """Return whether a mark is as wide as a hole, and enough of it has the look of bare ground.

    A blurred dash passes through the look of the ground on its flanks; nowhere does it stay at it.
    """
    wide = mark.opened(LEAST_WIDE_MM / per_px)
    seen = opened(np.pad(wide & as_mask(bare), 1), _SEEN_MM / per_px)[1:-1, 1:-1]
    area = cv2.countNonZero(seen) * per_px**2
    is_enough = area > 0.4 * LEAST_HOLE_MM2 and area > _SEEN_SHARE * cv2.countNonZero(wide) * per_px**2
    return is_enough and bool((seen & flat).any())


def _flat(share: NDArray[np.float32]) -> Mask:
    """Return 1 where light changes little over some pixels."""
    around = np.ones((_FLAT_PX, _FLAT_PX), np.uint8)
    return as_mask(cv2.dilate(share, around) - cv2.erode(share, around) < _FLAT)


def _strips(holes: Mask, per_px: float) -> Mask:
    """Return the narrow strips that part an opening; the corners of what juts into it are none."""
    labels, stats = apart(closed(holes, _STRIP_MM / per_px) & as_mask(holes == 0))
    is_strip = stats[:, cv2.CC_STAT_AREA] * per_px**2 > _STRIP_MM**2 / 4
    is_strip[0] = False
    return as_mask(is_strip[labels])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Mark:
    """A mark in a window: its own mask, and where that is."""

    mask: Mask
    corner: tuple[int, int]

    @classmethod
    def of(cls, labels: NDArray[np.int32], stats: NDArray[np.int32], label: int) -> _Mark:
        x, y, wide, high = (int(v) for v in stats[label][:4])
        return cls(mask=as_mask(labels[y : y + high, x : x + wide] == label), corner=(x, y))

    @property
    def box(self) -> tuple[slice, slice]:
        x, y = self.corner
        return slice(y, y + self.mask.shape[0]), slice(x, x + self.mask.shape[1])

    def opened(self, diameter_px: float) -> Mask:
        """Return what of it is not thinner."""
        return opened(np.pad(self.mask, 1), diameter_px)[1:-1, 1:-1]


def _reduced(mask: Mask, per_px: float) -> Mask:
    """Return a mask on a coarse grid, 1 where anything of it is."""
    rows, columns = mask.shape
    size = (max(1, round(columns * per_px / _COARSE_MM)), max(1, round(rows * per_px / _COARSE_MM)))
    return as_mask(cv2.resize(mask * np.uint8(255), size, interpolation=cv2.INTER_AREA))


def _parts(bare: NDArray[np.bool_], per_px: float) -> list[tuple[slice, slice]]:
    """Return windows around what lies near together."""
    mask = as_mask(bare)
    x, y, wide, high = cv2.boundingRect(mask)
    if not wide:
        return []
    coarse = _reduced(mask[y : y + high, x : x + wide], per_px)
    room = int(_TOGETHER_MM / _COARSE_MM)
    labels, stats = apart(grown(np.pad(coarse, room), _TOGETHER_MM / _COARSE_MM))
    ratio = np.array([wide / coarse.shape[1], high / coarse.shape[0]])
    margin = _SHADED_MM / per_px
    out = []
    for label in range(1, len(stats)):
        at = np.argwhere((labels == label)[room:-room, room:-room] & (coarse > 0))[:, ::-1]
        low = np.maximum(np.floor(at.min(axis=0) * ratio + [x, y] - margin), 0).astype(int)
        top = np.ceil((at.max(axis=0) + 1) * ratio + [x, y] + margin).astype(int)
        out.append((slice(int(low[1]), int(top[1])), slice(int(low[0]), int(top[0]))))
    return out


def _shows_ground(look: Look, window: tuple[slice, slice], mark: _Mark) -> bool:
    """Return whether a mark has the colour of the ground, in whatever light: print as dark as the ground has its own.

    Stray light adds a little to all colours alike.
    """
    core = mark.mask
    for blur in (7, 3):
        inner = shrunk(np.pad(mark.mask, 1), blur)[1:-1, 1:-1]
        if inner.any():
            core = inner
            break
    ratio = np.median(look.ratio[window][mark.box][core > 0], axis=0)
    light = np.median(look.light[window][mark.box][core > 0], axis=0)
    shade = float((ratio * light).sum() / max(float(light.sum()), 1e-6))
    is_lit = DEEPEST_SHADOW < shade < _LIGHTEST + 2 * _STRAY / max(float(light.mean()), 1e-6)
    return is_lit and bool((np.abs(ratio - shade) * light < _COLOUR * shade * light + _STRAY).all())


def filled_ring(points: Points, shape: tuple[int, ...]) -> Mask:
    """Return 1 within a closed line and on it."""
    mask = np.zeros(shape, np.uint8)
    cv2.drawContours(mask, [np.rint(points).astype(np.int32).reshape(-1, 1, 2)], -1, 1, cv2.FILLED)
    return mask


def inside_mask(points: Points, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return which pixels lie within a closed line, the line itself not."""
    mask = filled_ring(points, shape)
    cv2.drawContours(mask, [np.rint(points).astype(np.int32).reshape(-1, 1, 2)], -1, 0, 2)
    return mask > 0
