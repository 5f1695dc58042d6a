"""The ink of nested sizes in grains: which of it no line runs over, and which lines lie on bare paper."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from tracer.search.pulls import Floats, Ink, Pull, beside_corners, between

_QUARTERS = (0.0, 0.25, 0.5, 0.75)
_GRAIN_MM = 0.13
"""The ink is looked at in grains of this size, but only every second one pulls."""
_AHEAD_MM, _BOWED_MM = 0.3, 0.02
"""A place of its line is no farther ahead of what a line runs over, and a line bows no more between its places."""
_WITHOUT_MM, _WITHOUT_STRAY_MM = (3.0, 1.0), (1.2, 0.15)
"""How far off ink without a line pulls the nearest line, and from where it counts less."""
_EDGE_MM = 0.08
"""Ink so little outside of a line's width is its ragged edge."""
_BARE_STRAY_MM, _SPACES_MM, _SOME_BARE = (1.0, 0.3), 8.0, 0.3
"""From where bare paper under a line counts less; a dashed line is as bare as this within so much of its way."""


class Grain:
    """The ink of a bundle as points, and which of it is nearest to any place.

    What no line runs over is found faster from the lines that ran over it when that was asked last.
    """

    def __init__(self, ink: Ink, lines: Floats) -> None:
        self.width_mm = ink.width_mm
        step = max(1, round(_GRAIN_MM / ink.mm_per_px))
        self.step_mm = step * ink.mm_per_px
        self.first_mm = (step - 1) / 2 * ink.mm_per_px
        high, wide = (n // step * step for n in ink.mask.shape)
        small = cv2.resize(ink.mask[:high, :wide], (wide // step, high // step), interpolation=cv2.INTER_AREA)
        dark = (np.asarray(small) > np.asarray(small).max(initial=1) / 2).astype(np.uint8)
        self.bare = cv2.dilate(dark, np.ones((3, 3), np.uint8)) == 0
        row, column = np.nonzero(dark)
        points = np.stack([column, row], axis=1) * self.step_mm + self.first_mm
        near = cKDTree(lines.reshape(-1, 2)).query(points, distance_upper_bound=_WITHOUT_MM[0] + 1.0)[0]
        self.points = points[np.isfinite(near)]
        # Like the squares of one colour of a chessboard.
        self.some = points[np.isfinite(near) & ((row + column) % 2 == 0)]
        self._tree = cKDTree(self.points)
        self._over, self._beside = (np.zeros(len(p), dtype=np.int64) for p in (self.points, self.some))

    def without_line_mm(self, lines: Floats) -> Floats:
        """Return how much ink no line runs over, as length of line, nearest to each station, (stations,)."""
        size = lines.shape[1]
        ahead = np.roll(lines, -1, axis=1) - lines
        places = np.concatenate([lines + share * ahead for share in _QUARTERS], axis=1).reshape(-1, 2)
        # Whatever place was nearest last, a place so near leaves nothing to look for.
        last = self.points - places[np.minimum(self._over, len(places) - 1)]
        least = self.width_mm / 2 + _EDGE_MM
        asked = np.flatnonzero(np.square(last).sum(axis=1) > least * least)
        found = cKDTree(places).query(self.points[asked], distance_upper_bound=_WITHOUT_MM[0])
        far, which = np.asarray(found[0]), np.asarray(found[1])
        near = np.isfinite(far)
        self._over[asked[near]] = which[near]
        count = np.bincount(which[near & (far > least)] % (4 * size) % size, minlength=size)
        return np.asarray(count * (self.step_mm**2 / self.width_mm), dtype=np.float64)

    def bare_mm(self, lines: Floats) -> float:
        """Return how much of all lines lies on bare paper, mm; dashed ones do for much of their way."""
        ahead = np.roll(lines, -1, axis=1) - lines
        long = np.hypot(ahead[..., 0], ahead[..., 1]) / len(_QUARTERS)
        return sum(float(long[self._is_bare(lines + share * ahead)].sum()) for share in _QUARTERS)

    def _is_bare(self, points: Floats) -> NDArray[np.bool_]:
        place = np.rint((points - self.first_mm) / self.step_mm).astype(np.int64)
        column, row = np.clip(place, 0, np.array(self.bare.shape[::-1]) - 1).transpose(2, 0, 1)
        return np.asarray(self.bare[row, column])

    def pull_without_line(self, pull: Pull, starts: NDArray[np.int64], t: float) -> None:
        """Pull the nearest line to ink that no line runs over: it has to be drawn by something."""
        size = len(pull.x)
        halves = (pull.lines + np.roll(pull.lines, -1, axis=1)) / 2
        places = np.concatenate([pull.lines, halves], axis=1).reshape(-1, 2)
        asked = np.flatnonzero(~self._still_under(pull, starts, places))
        found = cKDTree(places).query(self.some[asked], distance_upper_bound=between(_WITHOUT_MM, t))
        far, which = np.asarray(found[0]), np.asarray(found[1])
        near = np.isfinite(far)
        self._beside[asked[near]] = which[near]
        lone = near & (far > self.width_mm / 2)
        some = self.some[asked]
        far, which, to = far[lone], which[lone], some[lone] - places[which[lone]]
        k, at = which // (2 * size), which % (2 * size)
        half, at = at >= size, at % size
        # At a corner the ink may lie any way, elsewhere it is looked at across the line.
        turns = np.zeros(size, dtype=bool)
        turns[starts] = True
        corner = turns[at] & ~half
        normal = pull.normal[k, at]
        across = (to * normal).sum(axis=1)
        rest = np.where(corner, far, np.abs(across)) - self.width_mm / 2
        out = rest > 0.0
        k, at, half, rest = k[out], at[out], half[out], rest[out]
        way = normal[out] * np.sign(across[out])[:, None]
        way[corner[out]] = (to[out] / np.maximum(far[out], 1e-9)[:, None])[corner[out]]
        weight = 2.0 * self.step_mm**2 / self.width_mm / (1.0 + np.square(rest / between(_WITHOUT_STRAY_MM, t)))
        # What is nearest to a place between two stations pulls both of them, half each.
        weight = np.where(half, weight / 2, weight)
        both = np.concatenate([np.arange(len(k)), np.flatnonzero(half)])
        at = np.concatenate([at, (at[half] + 1) % size])
        pull.add_at(k[both], at, way[both], rest[both], weight[both])

    def _still_under(self, pull: Pull, starts: NDArray[np.int64], places: Floats) -> NDArray[np.bool_]:
        """Return which ink is surely under the line that was nearest to it last: no other one comes so near there."""
        half = self.width_mm / 2
        moved = np.abs((pull.x[:, 2:] * pull.normal).sum(axis=2)) * np.abs(np.diff(pull.share)).min()
        alone = moved > half + np.hypot(half, _AHEAD_MM)
        alone[:, beside_corners(starts, len(pull.x))] = False
        at = np.minimum(self._beside, len(places) - 1)
        to = self.some - places[at]
        x, y = np.tile(pull.normal, (1, 2, 1)).reshape(-1, 2)[at].T
        across, ahead = np.abs(to[:, 0] * x + to[:, 1] * y), np.abs(to[:, 0] * y - to[:, 1] * x)
        return np.asarray(np.tile(alone, (1, 2)).ravel()[at] & (across < half - _BOWED_MM) & (ahead < _AHEAD_MM))

    def pull_off_paper(self, pull: Pull, starts: NDArray[np.int64], t: float) -> None:
        """Pull lines that lie on bare paper, for longer than their own spaces, to the nearest ink."""
        bare = self._is_bare(pull.lines)
        if not len(self.points) or not bare.any():
            return
        share = np.empty(bare.shape)
        for a, b in zip(starts, [*starts[1:], bare.shape[1] + starts[0]], strict=True):
            # Beyond a corner is another side, which may be solid along a fold.
            at = np.arange(a, b) % bare.shape[1]
            share[:, at] = ndimage.uniform_filter1d(
                bare[:, at].astype(float), 2 * round(_SPACES_MM) + 1, axis=1, mode="reflect"
            )
        usual = np.median(share, axis=1)[:, None]
        weight = bare * np.clip((share - usual) / (_SOME_BARE * (1.0 - usual) + 1e-6), 0.0, 1.0)
        k, at = np.nonzero(weight > 0.0)
        if not len(k):
            return
        far, ink = self._tree.query(pull.lines[k, at])
        way, rest = np.zeros(pull.lines.shape), np.zeros(bare.shape)
        way[k, at] = (self.points[ink] - pull.lines[k, at]) / np.maximum(far, 1e-9)[:, None]
        rest[k, at] = far + self.width_mm / 2
        weight *= np.square((way * pull.normal).sum(axis=-1))
        pull.add(way, rest, weight / (1.0 + np.square(rest / between(_BARE_STRAY_MM, t))))
