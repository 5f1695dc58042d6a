"""The light across an edge on a mat: what is seen there, and what each place of the edge would show.

Three lights mix: the thing's, the mat's in whatever shadow lies there, and that of printed lines that run into the edge
or along it. All three are known (:mod:`tracer.search.mat_grid`) but for the shadow and small differences of the thing's
own light, so for each place where the edge might lie follows what would be seen, and how well what is seen fits to it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.spatial import cKDTree

from calibration.light import SRGB_TO_LINEAR
from tracer.profiles import Points
from tracer.search.ground import Ground
from tracer.search.mat_grid import GridLook, MatGrid

Floats = NDArray[np.float64]

SEEN = np.arange(-9.0, 9.01, 1.0, dtype=np.float32)
"""Where light is taken across the rough outline, px."""
_KNOTS_PX = (0.0, 3.5, 9.0)
"""A shadow on the mat changes straight between these distances from the edge."""
_NOISE, _NOISE_OF_LIGHT = 0.004, 0.02
"""Noise of linear light after JPEG, and its share of the light (2 to 3 codes; judgement)."""
_LOOK_ERROR = 0.08
"""How well the look of a line is known, as a share of its contrast (judgement)."""
USUAL = np.array([1.0, 1.0, 0.0, 0.0])
"""The light of the thing, of the mat at the edge, and by how much it grows up to each further knot, as shares."""
USUAL_SIGMA = np.array([0.03, 0.3, 0.5, 0.3])
"""How far these may be from what is usual (judgement)."""
_PLAIN = 0.02
_ROWS = 30000
TO_Y = np.array([[0.299, 0.587, 0.114], [0.701, -0.587, -0.114], [-0.299, -0.587, 0.886]])
"""Luma and two differences of colour, here of linear light (weights of ITU-R BT.601)."""
_NOISE_OF = np.array([1.0, 2.0, 2.0])
"""Noise of each against that of the first: JPEG halves the colours."""
_OTHER_PX, _BLURRED_PX = 1.5, 2.5
"""A sample nearer by so much to another part of the outline is another part's; and so near to one it is mixed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Words:
    """Where words and figures are printed on a mat: a mask of a part of the picture, reduced by a whole number.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, columns)
    corner_px : tuple of int
        x and y of its corner in the picture.
    step : int
    """

    mask: NDArray[np.bool_]
    corner_px: tuple[int, int]
    step: int

    def cover(self, points: Floats) -> NDArray[np.bool_]:
        """Return which points (..., 2) of the picture lie on words."""
        at = np.rint((points - self.corner_px + 0.5) / self.step - 0.5).astype(np.intp)
        rows, columns = self.mask.shape
        x, y = at[..., 0], at[..., 1]
        inside = (x >= 0) & (y >= 0) & (x < columns) & (y < rows)
        return np.asarray(inside & self.mask[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnMat:
    """A thing on a mat in a picture.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    grid, look, ground
    thing : ndarray, shape (3,)
        Linear R, G, B of the thing as a share of the mat's.
    hole : bool
        What is asked for is the edge of a hole in it: the thing lies outside.
    words : Words, optional
        What else is printed beside it, blurred rims and all: nothing is told by that.
    """

    pixels: NDArray[np.uint8]
    grid: MatGrid
    look: GridLook
    ground: Ground
    thing: NDArray[np.floating]
    hole: bool = False
    words: Words | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light:
    """What is seen and foretold across an outline, each of shape (N, samples, 3): Y, and two differences of colour.

    ``weight`` is the inverse variance of what is seen, 0 where a sample tells about another part of the outline;
    ``plain``, of shape (N,), is where no line is near.
    """

    seen: Floats
    own: Floats
    lined: Floats
    bare: Floats
    weight: Floats
    plain: NDArray[np.bool_]

    def __getitem__(self, index: NDArray[np.intp]) -> Light:
        parts = {n: getattr(self, n)[index] for n in ("seen", "own", "lined", "bare", "weight", "plain")}
        return replace(self, **parts)

    def alike(self, index: NDArray[np.intp], offset_px: NDArray[np.floating]) -> Floats:
        """Return how much a line looks like the thing at places across the outline: 0 where none is, 1 the same."""
        at = np.clip(np.rint(offset_px - SEEN[0]), 0, len(SEEN) - 1).astype(np.intp)
        own, lined, bare = (a[index, at] for a in (self.own, self.lined, self.bare))
        left = ((own - lined) ** 2).sum(axis=1) / np.maximum(((own - bare) ** 2).sum(axis=1), 1e-9)
        return np.asarray(np.clip(1 - left, 0, 1))


def light_across(on: OnMat, points: Points, normals: Points, ring: Points) -> Light:
    """Return what is seen across an outline, and what the thing and the lined mat would show there.

    Parameters
    ----------
    on : OnMat
    points, normals : ndarray, shape (N, 2)
        Some points of the outline; normals away from the thing.
    ring : ndarray, shape (M, 2)
        All of it, closed.
    """
    count, samples = len(points), len(SEEN)
    at = points[:, None] + normals[:, None] * SEEN[:, None]
    x, y = at.astype(np.float32).transpose(2, 0, 1)
    seen = _linear_at(on.pixels, x, y)
    reduced = ((at + 0.5) / on.ground.factor - 0.5).astype(np.float32)
    bare = cv2.remap(
        on.ground.light, reduced[..., 0], reduced[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float64)
    gain = on.look.gain(on.grid.places_at(at.reshape(-1, 2))).reshape(count, samples, 3).astype(np.float64)
    noise = _NOISE + _NOISE_OF_LIGHT * (seen @ TO_Y[0])
    unsure = _LOOK_ERROR * np.abs((bare * gain) @ TO_Y[0])
    variance = (noise**2)[..., None] * _NOISE_OF**2 + (unsure**2)[..., None]
    own_part = ~_of_others(at, ring, on.hole)
    if on.words is not None:
        # What is printed as the grid's lines are is foretold with them.
        own_part &= ~on.words.cover(at) | (np.abs(gain).max(axis=2) > _PLAIN)
    return Light(
        seen=seen @ TO_Y.T,
        own=(bare * on.thing) @ TO_Y.T,
        lined=(bare * (1 + gain)) @ TO_Y.T,
        bare=bare @ TO_Y.T,
        weight=own_part[..., None] / variance,
        plain=np.abs(gain).max(axis=(1, 2)) < _PLAIN,
    )


def _of_others(at: Floats, ring: Points, hole: bool) -> NDArray[np.bool_]:
    """Return which samples (N, samples) lie at or beyond another part of the outline than the one asked for."""
    low = np.floor(ring.min(axis=0)).astype(int) - 12
    size = np.ceil(ring.max(axis=0)).astype(int) + 13 - low
    inside = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(inside, [np.rint((ring - low) * 16).astype(np.int32)], 1, shift=4)
    x, y = np.rint(at - low).astype(np.intp).transpose(2, 0, 1)
    within = inside[np.clip(y, 0, size[1] - 1), np.clip(x, 0, size[0] - 1)] > 0
    own_side = within == ((SEEN < 0) != hole)
    away = np.asarray(cKDTree(ring).query(at.reshape(-1, 2))[0]).reshape(at.shape[:2])
    nearer = away < np.abs(SEEN) - _OTHER_PX
    return np.asarray(nearer & (~own_side | (away < _BLURRED_PX)))


def _linear_at(pixels: NDArray[np.uint8], x: NDArray[np.float32], y: NDArray[np.float32]) -> Floats:
    """Return the linear light of the picture at places (N, samples)."""
    # cv2 takes maps of less than 32767 rows.
    parts = [
        cv2.remap(pixels, x[k : k + _ROWS], y[k : k + _ROWS], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        for k in range(0, len(x), _ROWS)
    ]
    return SRGB_TO_LINEAR[np.concatenate(parts)].astype(np.float64)


def misfits(
    light: Light, places: NDArray[np.floating], blur_px: float, usual: Floats = USUAL, sigma: Floats = USUAL_SIGMA
) -> tuple[Floats, Floats]:
    """Return how badly each place of the edge foretells what is seen, (N, places), and the levels, (N, places, 4).

    The levels (:data:`USUAL`) are those that foretell it best, held to what is usual; so all is linear in them, and
    sums over the samples are products of arrays.

    Parameters
    ----------
    light : Light
    places : ndarray, shape (places,)
        Where the edge might lie, px outward.
    blur_px : float
    usual, sigma : ndarray, shape (4,) or (N, 4)
    """
    cover = special.ndtr((places[:, None] - SEEN) / blur_px).T.astype(np.float64)
    bare = 1 - cover
    mat = [bare * part for part in shares_beyond(places)]
    w = light.weight
    oo, ol, ll = (
        (w * a * b).sum(axis=2)
        for a, b in ((light.own, light.own), (light.own, light.lined), (light.lined, light.lined))
    )
    oi, li, ii = ((w * a * light.seen).sum(axis=2) for a in (light.own, light.lined, light.seen))
    terms = len(USUAL)
    normal = np.empty((len(w), len(places), terms, terms))
    right = np.empty((len(w), len(places), terms))
    normal[..., 0, 0], right[..., 0] = oo @ cover**2, oi @ cover
    for k, u in enumerate(mat, start=1):
        normal[..., 0, k] = normal[..., k, 0] = ol @ (cover * u)
        right[..., k] = li @ u
        for j, v in enumerate(mat[:k], start=1):
            normal[..., j, k] = normal[..., k, j] = ll @ (u * v)
    hold = np.broadcast_to(1 / sigma**2, (len(w), terms))
    usual = np.broadcast_to(usual, (len(w), terms))
    normal[..., range(terms), range(terms)] += hold[:, None]
    right += (hold * usual)[:, None]
    levels = np.linalg.solve(normal, right[..., None])[..., 0]
    cost = (ii.sum(axis=1) + (hold * usual**2).sum(axis=1))[:, None] - (right * levels).sum(axis=2)
    return np.asarray(cost), np.asarray(levels)


def shares_beyond(places: NDArray[np.floating]) -> list[Floats]:
    """Return by what share of each level of the mat its light changes at the samples, (samples, places) each."""
    beyond = (SEEN - places[:, None]).T.astype(np.float64)
    return [np.ones_like(beyond)] + [np.clip((beyond - a) / (b - a), 0, 1) for a, b in itertools.pairwise(_KNOTS_PX)]


def mat_share(levels: Floats, distance_px: NDArray[np.floating]) -> Floats:
    """Return the share of the mat's light at distances (N,) outside of an edge with levels (N, 4)."""
    out = levels[:, 1].copy()
    for k, (a, b) in enumerate(itertools.pairwise(_KNOTS_PX), start=2):
        out += levels[:, k] * np.clip((distance_px - a) / (b - a), 0, 1)
    return np.asarray(out)
