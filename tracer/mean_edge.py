"""The mean profile across the edges of a picture, and in which values its two halves are alike.

Blur spreads an edge to both sides alike, whatever its kernel, in the values that were mixed: light behind a lens, codes
where a program blurred what it had drawn. In the others one half of the profile is longer than the other. Along an
outline there are thousands of pixels at all distances from the edge, so that their mean shows this through noise and
JPEG, which leave the mean nearly as it is.

Limits: a shadow beside the thing, or light from one side, makes the halves unlike in all values, and then nothing is
said. What was mixed in codes first and blurred in light afterwards looks like light.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.profiles import Points, closed_normals, resample_closed, smooth_closed

Floats = NDArray[np.float64]

_REACH_PX, _BIN_PX, _STEP_PX = 6.0, 0.125, 0.5
_SIDE_PX = 4.5
"""Beyond it the profile is level."""
_HALFWAY_PX = np.arange(-4.0, 4.01, _STEP_PX)
_ALONG_PX = 4.0
"""How far along the outline (standard deviation) places where it passes halfway are put together."""
_STRAIGHT_RAD = 0.02
"""The outline turns by no more than this from one pixel to the next: no corner is near."""
_FEWEST = 30
"""Least pixels at each distance."""
_MIDDLES_PX = np.arange(-1.2, 1.2001, 0.02)
_HALVES_PX = np.arange(_BIN_PX / 2, 3.6, _BIN_PX)
_TOGETHER = round(1.0 / _BIN_PX)
"""Distances that are put together: a pixel. Along rows and columns JPEG and resampling leave waves of a pixel in a mean
profile; what codes and light make unlike goes on over all of a blurred edge."""


@dataclass(frozen=True, slots=True, eq=False)
class MeanEdge:
    """Shares of the step of luma at distances outward from about where an edge lies, px, and from how many places."""

    at_px: Floats
    shares: Floats
    places: int

    @classmethod
    def of(cls, edges: Sequence[MeanEdge]) -> MeanEdge:
        """Return the mean of several; there must be one."""
        places = sum(e.places for e in edges)
        return cls(edges[0].at_px, np.asarray(sum(e.shares * (e.places / places) for e in edges)), places)


def led_to_edge(luma: Callable[[Points], Floats], rough_px: Points, thing: float, ground: float) -> Points:
    """Return a closed line led to where the luma passes halfway, smooth and a pixel apart.

    Parameters
    ----------
    luma : callable
        Gives the luma of the nearest pixels to points (N, 2), codes.
    rough_px : ndarray, shape (N, 2)
        To within two pixels; outward is as :mod:`tracer.profiles` has it.
    thing, ground : float
        Their luma, codes; they differ.
    """
    points = smooth_closed(resample_closed(rough_px, 1.0)[0], 2.5)
    for _ in range(2):
        normals = closed_normals(points)
        points = points + normals * _halfway(luma, points, normals, thing, ground)[:, None]
        points = resample_closed(smooth_closed(points, 1.0), 1.0)[0]
    return points


def mean_edge(luma: Callable[[Points], Floats], points: Points) -> MeanEdge | None:
    """Return the mean profile across a closed line that was led to an edge, None where there is too little of it."""
    normals = closed_normals(points, reach=4)
    direction = np.arctan2(normals[:, 1], normals[:, 0])
    turn = np.abs((np.roll(direction, -8) - np.roll(direction, 8) + np.pi) % (2 * np.pi) - np.pi) / 16
    straight = ndimage.maximum_filter1d(turn, 17, mode="wrap") < _STRAIGHT_RAD
    points, normals = points[straight], normals[straight]
    count = round(2 * _REACH_PX / _BIN_PX)
    total, number = np.zeros(count), np.zeros(count)
    for offset in np.arange(-_REACH_PX, _REACH_PX + _STEP_PX / 2, _STEP_PX):
        at = np.rint(points + normals * offset)
        which = np.floor((((at - points) * normals).sum(axis=1) + _REACH_PX) / _BIN_PX).astype(np.intp)
        here = (which >= 0) & (which < count)
        total += np.bincount(which[here], luma(at)[here], count)
        number += np.bincount(which[here], minlength=count)
    if number.min() < _FEWEST:
        return None
    centres = (np.arange(count, dtype=np.float64) + 0.5) * _BIN_PX - _REACH_PX
    mean = np.asarray(total / number, dtype=np.float64)
    low, high = float(mean[centres < -_SIDE_PX].mean()), float(mean[centres > _SIDE_PX].mean())
    if abs(high - low) <= 1.0:
        return None
    return MeanEdge(centres, (mean - low) / (high - low), len(points))


def _halfway(luma: Callable[[Points], Floats], points: Points, normals: Points, thing: float, ground: float) -> Floats:
    """Return how far outward the luma passes halfway, put together along the outline.

    All of the thing's share of a profile, laid together from its inner end, ends where the edge is.
    """
    seen = np.stack([luma(points + normals * offset) for offset in _HALFWAY_PX])
    thing_share = 1.0 - np.clip((seen - thing) / (ground - thing), 0.0, 1.0)
    found = thing_share.sum(axis=0) * _STEP_PX + _HALFWAY_PX[0] - _STEP_PX / 2
    return smooth_closed(ndimage.median_filter(found, 9, mode="wrap"), _ALONG_PX)


def unlike_halves(edge: MeanEdge, shares: Floats, light: Floats) -> tuple[float, float]:
    """Return how unlike the halves of a profile are in codes and in light, each about the middle that suits it best.

    Parameters
    ----------
    edge : MeanEdge
    shares, light : ndarray, shape (K,)
        Shares of the step of luma, rising, and how much of the ground's light makes each.

    Returns
    -------
    tuple of float
        Root mean square over the halves, as a share of the step.
    """
    out = []
    for seen in (edge.shares, np.interp(edge.shares, shares, light)):
        before = np.interp(_MIDDLES_PX[:, None] - _HALVES_PX, edge.at_px, seen)
        after = np.interp(_MIDDLES_PX[:, None] + _HALVES_PX, edge.at_px, seen)
        unlike = ndimage.uniform_filter1d(before + after - 1.0, _TOGETHER, axis=1, mode="reflect")
        out.append(float(np.sqrt((unlike**2).mean(axis=1)).min()))
    return out[0], out[1]
