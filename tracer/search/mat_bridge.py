"""Laying an edge across places beside a mat's lines where the light does not tell it, from both sides.

Where a printed line has nearly the thing's own light and ends at its edge, or where something ends there that is not
foretold (a slanting line, a figure), the light of a single point says little or the wrong thing, and its neighbours err
as it does: outlines were dented by 1 to 4 px over 5 to 20 px at every such end. A straight or gently bent edge is told
better by what is seen plainly on both sides. So points in doubt are laid on the parabola through both sides, if one
goes through them within their uncertainty (at a corner or a notch none does) and if the light, where it is foretold,
does not speak against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.curves.carry import runs_of
from tracer.profiles import Points

Floats = NDArray[np.float64]

_LONGEST_PX, _JOINED_PX = 44, 5
"""Doubtful runs are laid anew up to so many points; those less apart are one."""
_SIDE_PX, _SIDE_SHARE, _SHORT_SIDE_PX, _GAP_PX = 13, 0.6, 6, 2
"""A side has so many points, or this share of the run's; one of both may be short, beside a corner. The points next to
the run are left out: what misleads there begins gradually."""
_FIT_RMS, _FIT_MOST = 0.6, 1.8
"""Both sides lie on one parabola when they leave it by so many standard uncertainties at most, in the root mean square
and anywhere. Less than 1 is usual: neighbours err alike, which their uncertainty allows for."""
_LEAST_SIGMA_PX = 0.2
"""Of points that were not read here, because no line is near: the rough outline is good there (judgement)."""
_FARTHEST_PX = 4.0
"""The edge is not laid farther than this from where it was looked for."""
_MOST_AGAINST = 4.0
"""Mean of what the light may say against it, as minus twice the logarithm of a likelihood."""
_SQUARE = 0.3
"""Least cosine between a point's normal and the parabola's for which it is laid along its normal."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Where a closed line, a point a pixel, was read across itself.

    Parameters
    ----------
    points, normals : ndarray, shape (N, 2)
        px; unit normals.
    offset_px, sigma_px : ndarray, shape (N,)
        Place along the normal and its standard uncertainty.
    against : ndarray, shape (N, places)
        What the light says against each of ``at_px``, minus twice the logarithm of its likelihood against the best; 0
        where nothing is foretold.
    at_px : ndarray, shape (places,)
        Evenly spaced.
    """

    points: Points
    normals: Points
    offset_px: Floats
    sigma_px: Floats
    against: Floats
    at_px: Floats

    @property
    def found(self) -> Points:
        """Where the line lies, px."""
        return np.asarray(self.points + self.normals * self.offset_px[:, None])

    def mean_against(self, run: NDArray[np.intp], offset_px: Floats) -> float:
        """Return what the light says against places of a run of points, on average."""
        share = (offset_px - self.at_px[0]) / (self.at_px[1] - self.at_px[0])
        column = np.clip(np.rint(share), 0, len(self.at_px) - 1).astype(np.intp)
        return float(self.against[run, column].mean())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parabola:
    """``y = c0 + c1 x + c2 x^2`` in a frame with an origin and an x axis; ``inverse``: the covariance of c."""

    origin: NDArray[np.float64]
    axis: NDArray[np.float64]
    c: Floats
    inverse: Floats

    @property
    def square(self) -> NDArray[np.float64]:
        return np.array([-self.axis[1], self.axis[0]])

    def along(self, points: Points, normals: Points) -> tuple[Floats, Floats]:
        """Return how far along their normals points meet the parabola (not a number where hardly), and its sigma."""
        here = points - self.origin
        offset = np.zeros(len(points))
        for _ in range(2):
            at = here + normals * offset[:, None]
            x = at @ self.axis
            gap = at @ self.square - (self.c[0] + x * (self.c[1] + x * self.c[2]))
            slope = normals @ self.square - (normals @ self.axis) * (self.c[1] + 2 * x * self.c[2])
            offset = offset - gap / np.where(np.abs(slope) > _SQUARE, slope, np.nan)
        terms = np.stack([np.ones_like(x), x, x * x], axis=1)
        return offset, np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", terms, self.inverse, terms), 0.0))


def laid_from_sides(places: Places, doubtful: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return the offsets and standard uncertainties of places, doubtful runs laid anew where both sides agree."""
    offset, sigma, found, total = places.offset_px.copy(), places.sigma_px.copy(), places.found, len(doubtful)
    room = 2 * _JOINED_PX
    joined = ndimage.binary_closing(np.pad(doubtful, room, mode="wrap"), np.ones(_JOINED_PX, dtype=np.uint8))[
        room:-room
    ]
    grown = np.asarray(ndimage.maximum_filter1d(joined.astype(np.uint8), 3, mode="wrap") > 0)
    for first, count in runs_of(grown, closed=True):
        if count > _LONGEST_PX:
            continue
        run = (first + np.arange(count)) % total
        # A run that was laid anew is as sure for the next as its sides made it.
        sides = _agreeing_sides(found, sigma, first, count)
        if sides is None:
            continue
        parabola, usual = sides
        off, spread = parabola.along(places.points[run], places.normals[run])
        if not np.abs(off).max() <= _FARTHEST_PX or places.mean_against(run, off) > _MOST_AGAINST:
            continue
        offset[run], sigma[run] = off, np.hypot(spread, usual)
    return offset, sigma


def _agreeing_sides(found: Points, sigma: Floats, first: int, count: int) -> tuple[_Parabola, float] | None:
    """Return the parabola through both sides of a run, and their usual uncertainty; None where none goes through."""
    long = max(_SIDE_PX, round(_SIDE_SHARE * count))
    for before, after in ((long, long), (_SHORT_SIDE_PX, long), (long, _SHORT_SIDE_PX)):
        one = (first - _GAP_PX - np.arange(before)) % len(found)
        other = (first + count - 1 + _GAP_PX + np.arange(after)) % len(found)
        both = np.concatenate([one, other])
        origin, across = found[one[0]], found[other[0]] - found[one[0]]
        axis = across / max(float(np.hypot(*across)), 1e-9)
        x, y = (found[both] - origin) @ axis, (found[both] - origin) @ np.array([-axis[1], axis[0]])
        weight = 1 / np.maximum(sigma[both], _LEAST_SIGMA_PX)
        design = np.stack([np.ones_like(x), x, x * x], axis=1)
        inverse = np.linalg.pinv((design * weight[:, None]).T @ (design * weight[:, None]))
        c = inverse @ (design.T @ (y * weight**2))
        left = np.abs(y - design @ c) * weight
        if np.sqrt(np.mean(left**2)) <= _FIT_RMS and left.max() <= _FIT_MOST:
            return _Parabola(origin=origin, axis=axis, c=c, inverse=inverse), float(np.median(sigma[both]))
    return None
