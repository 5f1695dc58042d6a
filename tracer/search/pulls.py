"""What pulls the lines of nested sizes to their ink when their grading is fitted to it.

Every size's line is a middle line and its own step times how far one step moves it, both known at the same stations.
Each pull is a direction, a distance and a weight at one station of one size; all of them are met by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ACROSS_MM, _FAR_MM = 0.06, 3.0
_REACH_MM, _STRAY_MM = (2.2, 0.5), (0.8, 0.12)
"""How far ink is looked for across, and from where it counts less, in the first and in the last round."""
_LIGHT_MM, _MOST_LIGHT_MM, _LIGHT_STEPS = 0.09, 1.0, 1.5
"""Light that parts ink; in the first round so many steps of grading do not, where the lines lie close."""
_ONE_LINE, _BESIDE_MM, _INWARDS = 1.45, 0.25, 0.15
"""Ink no wider than so many lines is one; a border farther in may be another size's where a line has a space."""
_RAY = 0.5
_IN_ORDER, _ORDER_REACH_MM, _ORDER_STRAY_MM, _WIDEST_MM = 0.5, 1.0, 1.0, 12.0
_ORDER_PARTS = 4
"""What a line is pulled by to its own ink where all lie side by side; how far beyond them ink is looked for, from where
it counts less, and how wide a bundle is looked across on each side (judgement)."""


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

    def add(self, way: Floats, far: Floats, weight: Floats) -> None:
        """Pull all stations of all sizes: directions (sizes, stations, 2), distances and weights (sizes, stations)."""
        powers = np.stack([np.ones(len(self.share)), self.share, np.square(self.share)])
        (x, y), to = way.transpose(2, 0, 1), weight * (far + (way * self.lines).sum(axis=-1))
        xx, xy, yy = (powers @ (weight * v) for v in (x * x, x * y, y * y))
        self._put(xx, xy, yy, *(powers[:2] @ (to * v) for v in (x, y)))
        moved = (way * self.x[None, :, 2:]).sum(axis=-1)
        self.more += (weight * moved * far).sum(axis=1)
        self.norm += (weight * moved * moved).sum(axis=1)

    def add_at(self, k: NDArray[np.int64], at: NDArray[np.int64], way: Floats, far: Floats, weight: Floats) -> None:
        """Pull some stations of some sizes: which ones, and directions, distances and weights for each."""
        (x, y), to = way.T, weight * (far + (way * self.lines[k, at]).sum(axis=1))
        share = self.share[k]

        def summed(values: Floats, powers: int) -> Floats:
            sums = [np.bincount(at, values * share**n, minlength=len(self.x)) for n in range(powers)]
            return np.array(sums, dtype=np.float64)

        xx, xy, yy = (summed(weight * v, 3) for v in (x * x, x * y, y * y))
        self._put(xx, xy, yy, *(summed(to * v, 2) for v in (x, y)))

    def step_error(self) -> Floats:
        """Return by how much more each size's step moves it."""
        return self.more / self.norm

    def _put(self, xx: Floats, xy: Floats, yy: Floats, right_x: Floats, right_y: Floats) -> None:
        """Add sums over all pulls at each station, by the powers of the sizes' steps in them, (powers, stations)."""
        for row, column, power in ((0, 0, 0), (0, 2, 1), (2, 0, 1), (2, 2, 2)):
            block = self.matrix[:, row : row + 2, column : column + 2]
            block[:, 0, 0] += xx[power]
            block[:, 0, 1] += xy[power]
            block[:, 1, 0] += xy[power]
            block[:, 1, 1] += yy[power]
        for power in (0, 1):
            self.right[:, 2 * power] += right_x[power]
            self.right[:, 2 * power + 1] += right_y[power]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Runs:
    """Where ink is met on rays, in the order of the rays: on which, from which place of it to before which one."""

    ray: NDArray[np.int64]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]


def _met(ink: Ink, at: Floats, way: Floats, far: Floats, within: Floats | None = None) -> _Runs:
    """Return the ink that is met on rays from places (rays, 2) in directions (rays, 2), so ``far`` along them, mm.

    Ink farther off than each ray leads, ``within`` (rays,), does not count.
    """
    high, wide = ink.mask.shape
    start, step = ((v / ink.mm_per_px).astype(np.float32)[:, None] for v in (at, way))
    start += np.float32(0.5)
    reach = far.astype(np.float32)
    place = (reach * step[..., 1] + start[..., 1]).astype(np.intp)
    place *= wide
    place += (reach * step[..., 0] + start[..., 0]).astype(np.intp)
    # The rays are the rows of a table that ends with bare paper, so that no run leads on into the next ray.
    dark = np.zeros((len(at), len(far) + 1), dtype=bool)
    np.greater(ink.mask.ravel().take(place, mode="clip"), 0, out=dark[:, :-1])
    ends = start + reach[[0, -1], None] * step
    leaves = ((ends < 0.0) | (ends >= (wide, high))).any(axis=(1, 2))
    if leaves.any():
        there = start[leaves] + reach[:, None] * step[leaves]
        dark[leaves, :-1] &= ((there >= 0.0) & (there < (wide, high))).all(axis=2)
    if within is not None:
        dark[:, :-1] &= np.abs(far) <= within[:, None]
    flat = dark.ravel()
    change = np.flatnonzero(flat[1:] != flat[:-1]) + 1
    if len(flat) and flat[0]:
        change = np.concatenate([[0], change])
    ray, begin = np.divmod(change[::2], dark.shape[1])
    return _Runs(ray=ray, begin=begin, end=change[1::2] - ray * dark.shape[1])


def _closed(runs: _Runs, far_mm: float, light: Floats) -> _Runs:
    """Return runs without the light between them that is narrower than each ray's; places lie so far apart."""
    bare = (runs.begin[1:] - runs.end[:-1]) * far_mm
    parted = (runs.ray[1:] != runs.ray[:-1]) | ~(bare < light[runs.ray[1:]])
    first, last = np.concatenate([[True], parted]), np.concatenate([parted, [True]])
    return _Runs(ray=runs.ray[first], begin=runs.begin[first], end=runs.end[last])


def _nearest(runs: _Runs, far: Floats, rays: int) -> tuple[Floats, Floats, Floats]:
    """Return for each ray how far along it the nearest ink begins and ends and how far off it is; infinite for none."""
    count = len(far)
    middle = int(np.abs(far).argmin())
    order = runs.ray * count + runs.begin
    before = np.searchsorted(order, np.arange(rays) * count + middle, side="right") - 1
    off, chosen = np.full(rays, np.inf), np.zeros(rays, dtype=np.int64)
    for which, inner in ((before, True), (before + 1, False)):
        there = (which >= 0) & (which < len(order))
        run = which[there]
        there[there] = mine = runs.ray[run] == np.flatnonzero(there)
        run = run[mine]
        place = np.minimum(runs.end[run] - 1, middle) if inner else runs.begin[run]
        new = np.full(rays, np.inf)
        new[there] = np.abs(far[place])
        nearer = new < off
        off[nearer] = new[nearer]
        chosen[nearer] = which[nearer]
    if not len(order):
        return np.zeros(rays), np.zeros(rays), off
    half = _ACROSS_MM / 2
    return far[runs.begin[chosen]] - half, far[runs.end[chosen] - 1] + half, off


def beside_corners(starts: NDArray[np.int64], size: int) -> NDArray[np.bool_]:
    """Return which stations are corners or right beside one: the ink across there is that of the next span's lines."""
    out = np.zeros(size, dtype=bool)
    for shift in (-2, -1, 0, 1, 2):
        out[(starts + shift) % size] = True
    return out


def pull_across(pull: Pull, starts: NDArray[np.int64], ink: Ink, t: float) -> None:
    """Pull every station across its line: to a single line of ink, or to the border of ink that several share.

    ``starts`` are the stations at corners, ``t`` grows from 0 in the first round to 1 in the last one.
    """
    x, share, lines, normal = pull.x, pull.share, pull.lines, pull.normal
    reach = between(_REACH_MM, t)
    far = np.arange(-min(_FAR_MM, reach + 1.0), min(_FAR_MM, reach + 1.0) + 1e-9, _ACROSS_MM)
    moved = (x[None, :, 2:] * normal).sum(axis=2)
    apart = np.abs(moved) * float(np.median(np.diff(share)))
    light = _LIGHT_MM * t + (1.0 - t) * np.clip(_LIGHT_STEPS * apart, _LIGHT_MM, _MOST_LIGHT_MM)
    light = np.where(apart > 0.9 * _MOST_LIGHT_MM, _LIGHT_MM, light)
    runs = _closed(_met(ink, lines.reshape(-1, 2), normal.reshape(-1, 2), far), _ACROSS_MM, light.ravel())
    low, top, off = (v.reshape(light.shape) for v in _nearest(runs, far, light.size))
    met = (off < reach) & (low > -reach - 0.95) & (top < reach + 0.95) & ~beside_corners(starts, len(x))
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
        pull.add(normal, target, _RAY * weight)


def pull_in_order(pull: Pull, starts: NDArray[np.int64], ink: Ink) -> None:
    """Pull all lines to their own where as many single lines of ink lie side by side as there are sizes.

    There the order of the sizes says which ink is whose, however far off they were laid: by what is nearest alone,
    lines that all lie half a step aside keep to the wrong neighbours.
    """
    count = len(pull.share)
    normal = pull.normal[count // 2]
    moved = (pull.x[:, 2:] * normal).sum(axis=1)
    offset = np.outer(moved, pull.share)
    widest = np.abs(offset).max(axis=1)
    half = np.minimum(widest + _ORDER_REACH_MM, _WIDEST_MM)
    far = np.arange(-float(half.max()), float(half.max()) + 1e-9, _ACROSS_MM)
    asked = np.flatnonzero((widest < half) & ~beside_corners(starts, len(pull.x)))
    to, weight = np.zeros(offset.shape), np.zeros(len(pull.x))
    # Those where the lines lie close together are not looked at as far out as those where they lie apart.
    for some in np.array_split(asked[np.argsort(half[asked], kind="stable")], _ORDER_PARTS):
        if not len(some):
            continue
        here = far[np.abs(far) <= half[some].max()]
        runs = _met(ink, pull.x[some, :2], normal[some], here, half[some])
        found = np.bincount(runs.ray, minlength=len(some)) == count
        at, mine = some[found], found[runs.ray]
        first, last = (v[mine].reshape(-1, count) for v in (runs.begin, runs.end))
        single = ((last - first) * _ACROSS_MM < _ONE_LINE * ink.width_mm).all(axis=1)
        at, first, last = at[single], first[single], last[single]
        ink_at = here[0] + _ACROSS_MM * (first + last - 1) / 2
        to[at] = np.where(moved[at, None] < 0, ink_at[:, ::-1], ink_at) - offset[at]
        weight[at] = _IN_ORDER
    pull.add(np.broadcast_to(normal, pull.lines.shape), to.T, weight / (1.0 + np.square(to.T / _ORDER_STRAY_MM)))
