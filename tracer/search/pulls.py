"""What pulls the lines of nested sizes to their ink when their grading is fitted to it.

Every size's line is a middle line and its own step times how far one step moves it, both known at the same stations.
Each pull is a direction, a distance and a weight at one station of one size; all of them are met by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.linalg import spsolve
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

_ACROSS_MM, _FAR_MM = 0.06, 3.0
_HOLD = 0.02
_REACH_MM, _STRAY_MM = (2.2, 0.5), (0.8, 0.12)
"""How far ink is looked for across, and from where it counts less, in the first and in the last round."""
_LIGHT_MM, _MOST_LIGHT_MM, _LIGHT_STEPS = 0.09, 1.0, 1.5
"""Light that parts ink; in the first round so many steps of grading do not, where the lines lie close."""
_ONE_LINE, _BESIDE_MM, _INWARDS = 1.45, 0.25, 0.15
"""Ink no wider than so many lines is one; a border farther in may be another size's where a line has a space."""
_RAY = 0.5
_IN_ORDER, _ORDER_REACH_MM, _ORDER_STRAY_MM, _WIDEST_MM = 0.5, 1.0, 1.0, 12.0
"""What a line is pulled by to its own ink where all lie side by side; how far beyond them ink is looked for, from where
it counts less, and how wide a bundle is looked across on each side (judgement)."""
_QUARTERS = (0.0, 0.25, 0.5, 0.75)
_GRAIN_MM, _SOME = 0.13, 2
"""The ink is looked at in grains of this size, but only every second one pulls."""
_WITHOUT_MM, _WITHOUT_STRAY_MM = (3.0, 1.0), (1.2, 0.15)
"""How far off ink without a line pulls the nearest line, and from where it counts less."""
_EDGE_MM = 0.08
"""Ink so little outside of a line's width is its ragged edge."""
_BARE_STRAY_MM, _SPACES_MM, _SOME_BARE = (1.0, 0.3), 8.0, 0.3
"""From where bare paper under a line counts less; a dashed line is as bare as this within so much of its way."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ink:
    """The ink (uint8, non-zero where dark), the size of its pixels, and how wide one line is, mm."""

    mask: NDArray[np.uint8]
    mm_per_px: float
    width_mm: float


def between(ends: tuple[float, float], t: float) -> float:
    """Return the value so far from the first of two to the second."""
    return ends[0] * (1.0 - t) + ends[1] * t


class Pull:
    """Least squares for where the lines lie: how far each station of each is pulled which way.

    ``x`` has the shape (stations, 4): the middle line's x and y, and how far half the grading moves it; ``share`` is
    each size's step from -1 to 1; ``along`` and ``normal`` (sizes, stations, 2) say which way the lines run.
    """

    def __init__(self, x: Floats, share: Floats, along: Floats) -> None:
        self.x, self.share, self.along = x, share, along
        self.normal = np.stack([-along[..., 1], along[..., 0]], axis=-1)
        self.lines: Floats = x[None, :, :2] + share[:, None, None] * x[None, :, 2:]
        self.matrix = np.zeros((len(x), 4, 4))
        self.right = np.zeros((len(x), 4))
        self.more, self.norm = np.zeros(len(share)), np.ones(len(share))

    def add(self, k: int, way: Floats, far: Floats, weight: Floats) -> None:
        """Pull all stations of one size: directions (stations, 2), distances and weights (stations,)."""
        row = np.concatenate([way, self.share[k] * way], axis=1)
        self.matrix += weight[:, None, None] * row[:, :, None] * row[:, None, :]
        self.right += (weight * (far + (row * self.x).sum(axis=1)))[:, None] * row
        moved = (way * self.x[:, 2:]).sum(axis=1)
        self.more[k] += float((weight * moved * far).sum())
        self.norm[k] += float((weight * moved * moved).sum())

    def add_at(self, k: NDArray[np.int64], at: NDArray[np.int64], way: Floats, far: Floats, weight: Floats) -> None:
        """Pull some stations of some sizes: which ones, and directions, distances and weights for each."""
        row = np.concatenate([way, self.share[k][:, None] * way], axis=1)
        right = (weight * (far + (row * self.x[at]).sum(axis=1)))[:, None] * row
        # One sum over all pulls of a station is much faster than adding them one by one.
        sums = sparse.coo_array((np.ones(len(at)), (at, np.arange(len(at)))), shape=(len(self.x), len(at))).tocsr()
        self.matrix += (sums @ (weight[:, None, None] * row[:, :, None] * row[:, None, :]).reshape(-1, 16)).reshape(
            -1, 4, 4
        )
        self.right += sums @ right

    def solved(self, smooth: sparse.csc_array) -> Floats:
        """Return where the lines lie when all pulls and their smoothness are met best."""
        size = len(self.x)
        place = 4 * np.arange(size)[:, None, None]
        zero = np.zeros((1, 4, 4), dtype=np.int64)
        row, column = place + np.arange(4)[None, :, None] + zero, place + np.arange(4)[None, None] + zero
        data = sparse.coo_array((self.matrix.ravel(), (row.ravel(), column.ravel())), shape=(4 * size, 4 * size))
        whole = sparse.csc_array(data.tocsc() + smooth + _HOLD * sparse.eye_array(4 * size))
        return np.asarray(spsolve(whole, self.right.ravel() + _HOLD * self.x.ravel())).reshape(size, 4)

    def step_error(self) -> Floats:
        """Return by how much more each size's step moves it."""
        return self.more / self.norm


def pull_across(pull: Pull, starts: NDArray[np.int64], ink: Ink, t: float) -> None:
    """Pull every station across its line: to a single line of ink, or to the border of ink that several share.

    ``starts`` are the stations at corners, ``t`` grows from 0 in the first round to 1 in the last one.
    """
    x, share, lines, normal = pull.x, pull.share, pull.lines, pull.normal
    reach = between(_REACH_MM, t)
    far = np.arange(-min(_FAR_MM, reach + 1.0), min(_FAR_MM, reach + 1.0) + 1e-9, _ACROSS_MM)
    count = len(far)
    high, wide = ink.mask.shape
    scaled, ways = lines / ink.mm_per_px, normal / ink.mm_per_px
    column, row = (
        np.rint(scaled[:, :, c, None] + far * ways[:, :, c, None]).astype(np.int32) for c in (0, 1)
    )  # fmt: skip
    inside = (column >= 0) & (row >= 0) & (column < wide) & (row < high)
    dark = inside & (ink.mask[np.clip(row, 0, high - 1), np.clip(column, 0, wide - 1)] > 0)
    moved = (x[None, :, 2:] * normal).sum(axis=2)
    apart = np.abs(moved) * float(np.median(np.diff(share)))
    light = _LIGHT_MM * t + (1.0 - t) * np.clip(_LIGHT_STEPS * apart, _LIGHT_MM, _MOST_LIGHT_MM)
    light = np.where(apart > 0.9 * _MOST_LIGHT_MM, _LIGHT_MM, light)
    place = np.arange(count, dtype=np.int32)
    before = np.maximum.accumulate(np.where(dark, place, -10000), axis=-1)
    behind = np.minimum.accumulate(np.where(dark, place, 10000)[..., ::-1], axis=-1)[..., ::-1]
    filled = dark | ((behind - before - 1) * _ACROSS_MM < light[..., None])
    nearest = np.where(filled, np.abs(far), 9.0).argmin(axis=-1)[..., None]
    first = np.maximum.accumulate(np.where(filled, -1, place), axis=-1)
    last = np.minimum.accumulate(np.where(filled, count, place)[..., ::-1], axis=-1)[..., ::-1]
    low = far[np.clip(np.take_along_axis(first, nearest, -1)[..., 0] + 1, 0, count - 1)] - _ACROSS_MM / 2
    top = far[np.clip(np.take_along_axis(last, nearest, -1)[..., 0] - 1, 0, count - 1)] + _ACROSS_MM / 2
    met = np.take_along_axis(filled, nearest, -1)[..., 0] & (np.abs(far[nearest[..., 0]]) < reach)
    met &= (low > -reach - 0.95) & (top < reach + 0.95)
    # Beside a corner the ink across is that of the next span's lines.
    for shift in (-2, -1, 0, 1, 2):
        met[:, (starts + shift) % len(x)] = False
    one = top - low < _ONE_LINE * ink.width_mm
    offset = (share[None, :, None] - share[:, None, None]) * moved[:, None]
    within = (offset <= top[:, None] + _BESIDE_MM) & (offset >= low[:, None] - _BESIDE_MM)
    offset = np.where(within, offset, 0.0)
    stray = between(_STRAY_MM, t)
    middle = (low + top) / 2
    pulls = [(middle, (met & one) / (1.0 + np.square(middle / stray)))]
    for border, sign, outermost in (
        (top - ink.width_mm / 2, 1.0, offset.max(axis=1) < 1e-6),
        (low + ink.width_mm / 2, -1.0, offset.min(axis=1) > -1e-6),
    ):
        weight = np.where(border * sign > 0, 1.0, _INWARDS / (1.0 + np.square(border / 0.3)))
        pulls.append((border, (met & ~one & outermost) * weight / (1.0 + np.square(border / stray))))
    for target, weight in pulls:
        for k in range(len(share)):
            pull.add(k, normal[k], target[k], _RAY * weight[k])


def pull_in_order(pull: Pull, starts: NDArray[np.int64], ink: Ink) -> None:
    """Pull all lines to their own where as many single lines of ink lie side by side as there are sizes.

    There the order of the sizes says which ink is whose, however far off they were laid: by what is nearest alone,
    lines that all lie half a step aside keep to the wrong neighbours.
    """
    middle = len(pull.share) // 2
    normal = pull.normal[middle]
    moved = (pull.x[:, 2:] * normal).sum(axis=1)
    offset = np.outer(moved, pull.share)
    half = np.minimum(np.abs(offset).max(axis=1) + _ORDER_REACH_MM, _WIDEST_MM)
    far = np.arange(-float(half.max()), float(half.max()) + 1e-9, _ACROSS_MM)
    high, wide = ink.mask.shape
    place = (pull.x[:, None, :2] + far[:, None] * normal[:, None]) / ink.mm_per_px
    column, row = np.rint(place).astype(np.int32).transpose(2, 0, 1)
    inside = (column >= 0) & (row >= 0) & (column < wide) & (row < high) & (np.abs(far) <= half[:, None])
    dark = inside & (ink.mask[np.clip(row, 0, high - 1), np.clip(column, 0, wide - 1)] > 0)
    edge = np.diff(dark.astype(np.int8), axis=1, prepend=0, append=0)
    count = (edge > 0).sum(axis=1)
    clear = (count == len(pull.share)) & (np.abs(offset).max(axis=1) < half)
    for shift in (-2, -1, 0, 1, 2):
        clear[(starts + shift) % len(pull.x)] = False
    at = np.flatnonzero(clear)
    if not len(at):
        return
    first = np.nonzero(edge[at] > 0)[1].reshape(len(at), -1)
    last = np.nonzero(edge[at] < 0)[1].reshape(len(at), -1)
    single = ((last - first) * _ACROSS_MM < _ONE_LINE * ink.width_mm).all(axis=1)
    at, first, last = at[single], first[single], last[single]
    ink_at = far[0] + _ACROSS_MM * (first + last - 1) / 2
    ink_at = np.where(moved[at, None] < 0, ink_at[:, ::-1], ink_at)
    to = np.zeros((len(pull.x), len(pull.share)))
    to[at] = ink_at - offset[at]
    weight = np.zeros(len(pull.x))
    weight[at] = _IN_ORDER
    for k in range(len(pull.share)):
        pull.add(k, normal, to[:, k], weight / (1.0 + np.square(to[:, k] / _ORDER_STRAY_MM)))


class Grain:
    """The ink of a bundle as points, and which of it is nearest to any place."""

    def __init__(self, ink: Ink, lines: Floats) -> None:
        self.width_mm = ink.width_mm
        step = max(1, round(_GRAIN_MM / ink.mm_per_px))
        self.step_mm = step * ink.mm_per_px
        self.first_mm = (step - 1) / 2 * ink.mm_per_px
        high, wide = (n // step * step for n in ink.mask.shape)
        small = cv2.resize(ink.mask[:high, :wide], (wide // step, high // step), interpolation=cv2.INTER_AREA)
        dark = np.asarray(small) > np.asarray(small).max(initial=1) / 2
        # Which ink is nearest tells how far it is as well.
        self.nearest = np.asarray(
            ndimage.distance_transform_edt(~dark, return_distances=False, return_indices=True), dtype=np.int64
        )
        self.far_mm = np.hypot(*(self.nearest - np.indices(dark.shape))) * self.step_mm
        row, column = np.nonzero(dark)
        points = np.stack([column, row], axis=1) * self.step_mm + self.first_mm
        near = cKDTree(lines.reshape(-1, 2)).query(points, distance_upper_bound=_WITHOUT_MM[0] + 1.0)[0]
        self.points = points[np.isfinite(near)]

    def without_line_mm(self, lines: Floats) -> Floats:
        """Return how much ink no line runs over, as length of line, nearest to each station, (stations,)."""
        size = lines.shape[1]
        ahead = np.roll(lines, -1, axis=1) - lines
        places = np.concatenate([lines + share * ahead for share in _QUARTERS], axis=1)
        found = cKDTree(places.reshape(-1, 2)).query(self.points, distance_upper_bound=_WITHOUT_MM[0])
        far, which = np.asarray(found[0]), np.asarray(found[1])
        lone = np.isfinite(far) & (far > self.width_mm / 2 + _EDGE_MM)
        count = np.bincount(which[lone] % (4 * size) % size, minlength=size)
        return np.asarray(count * (self.step_mm**2 / self.width_mm), dtype=np.float64)

    def bare_mm(self, lines: Floats) -> float:
        """Return how much of all lines lies on bare paper, mm; dashed ones do for much of their way."""
        ahead = np.roll(lines, -1, axis=1) - lines
        long = np.hypot(ahead[..., 0], ahead[..., 1]) / len(_QUARTERS)
        return sum(float(long[self._is_bare(lines + share * ahead)].sum()) for share in _QUARTERS)

    def _is_bare(self, points: Floats) -> NDArray[np.bool_]:
        place = np.rint((points - self.first_mm) / self.step_mm).astype(np.int64)
        column, row = np.clip(place, 0, np.array(self.far_mm.shape[::-1]) - 1).transpose(2, 0, 1)
        return np.asarray(self.far_mm[row, column] > 1.5 * self.step_mm)

    def pull_without_line(self, pull: Pull, starts: NDArray[np.int64], t: float) -> None:
        """Pull the nearest line to ink that no line runs over: it has to be drawn by something."""
        size = len(pull.x)
        halves = (pull.lines + np.roll(pull.lines, -1, axis=1)) / 2
        places = np.concatenate([pull.lines, halves], axis=1).reshape(-1, 2)
        some = self.points[::_SOME]
        found = cKDTree(places).query(some, distance_upper_bound=between(_WITHOUT_MM, t))
        far, which = np.asarray(found[0]), np.asarray(found[1])
        lone = np.isfinite(far) & (far > self.width_mm / 2)
        far, which, to = far[lone], which[lone], some[lone] - places[which[lone]]
        k, at = which // (2 * size), which % (2 * size)
        half, at = at >= size, at % size
        # At a corner the ink may lie any way, elsewhere it is looked at across the line.
        corner = np.isin(at, starts) & ~half
        normal = pull.normal[k, at]
        across = (to * normal).sum(axis=1)
        way = np.where(corner[:, None], to / np.maximum(far, 1e-9)[:, None], normal * np.sign(across)[:, None])
        rest = np.where(corner, far, np.abs(across)) - self.width_mm / 2
        out = rest > 0.0
        k, at, half, way, rest = k[out], at[out], half[out], way[out], rest[out]
        weight = _SOME * self.step_mm**2 / self.width_mm / (1.0 + np.square(rest / between(_WITHOUT_STRAY_MM, t)))
        pull.add_at(k, at, way, rest, np.where(half, weight / 2, weight))
        pull.add_at(k[half], (at[half] + 1) % size, way[half], rest[half], weight[half] / 2)

    def pull_off_paper(self, pull: Pull, starts: NDArray[np.int64], t: float) -> None:
        """Pull lines that lie on bare paper, for longer than their own spaces, to the nearest ink."""
        place = np.rint((pull.lines - self.first_mm) / self.step_mm).astype(np.int64)
        column, row = np.clip(place, 0, np.array(self.far_mm.shape[::-1]) - 1).transpose(2, 0, 1)
        bare = self.far_mm[row, column] > 1.5 * self.step_mm
        ink = np.stack([self.nearest[1][row, column], self.nearest[0][row, column]], axis=-1)
        to = ink * self.step_mm + self.first_mm - pull.lines
        far = np.hypot(to[..., 0], to[..., 1])
        way = to / np.maximum(far, 1e-9)[..., None]
        share = np.empty(bare.shape)
        for a, b in zip(starts, [*starts[1:], bare.shape[1] + starts[0]], strict=True):
            # Beyond a corner is another side, which may be solid along a fold.
            at = np.arange(a, b) % bare.shape[1]
            share[:, at] = ndimage.uniform_filter1d(
                bare[:, at].astype(float), 2 * round(_SPACES_MM) + 1, axis=1, mode="reflect"
            )
        usual = np.median(share, axis=1)[:, None]
        weight = bare * np.clip((share - usual) / (_SOME_BARE * (1.0 - usual) + 1e-6), 0.0, 1.0)
        weight *= np.square((way * pull.normal).sum(axis=-1))
        rest = far + self.width_mm / 2
        weight /= 1.0 + np.square(rest / between(_BARE_STRAY_MM, t))
        for k in range(len(pull.share)):
            pull.add(k, way[k], rest[k], weight[k])
