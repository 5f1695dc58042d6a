"""The picture as it would be if the mat had no grid.

At an edge on a mat three lights mix: the thing's, the mat's, and that of a printed line that runs into the edge or
along it. What the mat with its lines looks like is known (:mod:`tracer.search.mat_grid`), and so is the thing's colour;
how much of a pixel the thing covers follows from the pixel's light, and then what it would be without the line:
``covered * thing + (1 - covered) * mat``. A shadow on the mat darkens the mat and its lines alike and stays.

Limits: where a line has the thing's own colour nothing tells one from the other; the coarse shape of the thing decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.spatial import cKDTree

from calibration.light import SRGB_TO_LINEAR
from tracer.search.ground import Ground, to_rgb
from tracer.search.mat_edge import EdgeLine
from tracer.search.mat_grid import GridLook, MatGrid
from tracer.search.mat_light import SEEN
from tracer.search.raster import Mask, Window, blurred, weighted

_LEAST_GAIN = 0.02
"""Weaker traces of a line are left alone: less than the noise of a picture."""
_PRIOR_ERROR = 0.25
"""How well what lies beside a line tells how far it is covered (judgement)."""
_LOOK_ERROR = 0.05
"""How well the look of a line is known, as a share of its contrast (judgement)."""
_PRIOR_SIGMAS_PX = (1.5, 4.0)
_CODES = 4096


_DARKEST, _LIGHTEST = 0.25, 1.12
"""Shares of its light that a bare mat may have in a shadow and for its unevenness (judgement)."""
_SHADE_SIGMAS_PX = (1.5, 4.0, 12.0)
_COARSE_SIGMA = 4.0
"""Coarse pixels of a wide average: a quarter of its standard deviation."""
_NOISE = 0.012
"""Usual noise of linear light after JPEG (judgement)."""
_EDGE_PX, _FADE_PX = float(SEEN[-1]), 2.0
"""So near to a known edge the picture is laid anew, as far as it was looked at; gradually less over some of it."""
BAND_PX = 16
"""So far from its edge a thing and its ground are looked at to find it to a fraction of a pixel."""
_MATTERS = 0.1
"""Square of a line's contrast against the edge's from which on the line matters (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clear:
    """A window of a picture without lines.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    at : tuple of int
        Its first pixel in the picture, x and y.
    """

    pixels: NDArray[np.uint8]
    at: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lined:
    """A window of a picture with the lines of a mat's grid in it, and what is known of both.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    window : Window
        At full size, on whole pixels of the ground's view.
    light, thing : ndarray of float32, shape (rows, columns, 3)
        Linear light that the bare mat and the thing have at each pixel.
    picked : ndarray of int, shape (N,)
        Pixels, counted row by row, in which something of a line is seen and no other thing.
    gain : ndarray of float32, shape (N, 3)
        By how much they are lighter for it, as a share of the mat's light.
    """

    pixels: NDArray[np.uint8]
    window: Window
    light: NDArray[np.float32]
    thing: NDArray[np.float32]
    picked: NDArray[np.intp]
    gain: NDArray[np.float32]

    @property
    def mask(self) -> Mask:
        """1 where something of a line is."""
        out = np.zeros(self.pixels.shape[:2], dtype=np.uint8)
        out.ravel()[self.picked] = 1
        return out


def lined(
    pixels: NDArray[np.uint8],
    window: Window,
    grid: MatGrid,
    look: GridLook,
    ground: Ground,
    thing: NDArray[np.floating],
    others: Mask,
) -> Lined:
    """Find the lines of a mat's grid in a window of a picture.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        The whole picture.
    window : Window
        At full size, on whole pixels of the ground's view.
    grid : MatGrid
    look : GridLook
    ground : Ground
    thing : ndarray, shape (3,)
        Linear R, G, B of the thing as a share of the mat's.
    others : ndarray of uint8
        1 where other things are, on the window at any size; what lies there is left alone.
    """
    seen = to_rgb(pixels[window.y : window.y + window.rows, window.x : window.x + window.columns])
    size = (window.columns, window.rows)
    places = grid.places(window)
    near = look.away_px(places) < look.reach_px
    near &= cv2.resize(others, size, interpolation=cv2.INTER_NEAREST) == 0
    picked = np.flatnonzero(near)
    gain = look.gain(places.reshape(-1, 4)[picked])
    strong = np.abs(gain).max(axis=1) > _LEAST_GAIN
    x, y = window.x // ground.factor, window.y // ground.factor
    part = ground.light[y : y + window.rows // ground.factor, x : x + window.columns // ground.factor]
    light = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
    return Lined(
        pixels=seen,
        window=window,
        light=light,
        thing=light * thing.astype(np.float32),
        picked=picked[strong],
        gain=gain[strong],
    )


def without_lines(lined: Lined, shape: Mask | None = None, edges: Sequence[EdgeLine] = ()) -> Clear:
    """Return a window of a picture without the lines of a mat's grid.

    Parameters
    ----------
    lined : Lined
    shape : ndarray of uint8, shape (rows, columns), optional
        1 where the thing is, once it is known; then its shadow on the mat is known too.
    edges : sequence of EdgeLine
        The thing's outlines, once they are known; then only what lies near to them is laid anew.
    """
    out, window = lined.pixels.copy(), lined.window
    clear = Clear(pixels=out, at=(window.x, window.y))
    picked, gain = lined.picked, lined.gain
    if edges:
        beside = near_edges(edges, window).ravel()[picked] > 0
        picked, gain = picked[beside], gain[beside]
    if not len(picked):
        return clear
    free = np.ones(out.shape[:2], dtype=bool)
    free.ravel()[picked] = False
    if shape is None:
        shade = np.ones((len(picked), 1), dtype=np.float32)
        cover = _along(_linear(out) - lined.light, lined.thing - lined.light)
    else:
        shade = _shade(out, lined.light, free & (shape == 0)).ravel()[picked][:, None]
        cover = np.asarray(cv2.GaussianBlur(shape.astype(np.float32), (0, 0), 1.0), dtype=np.float32)
    prior = _from_beside(np.clip(cover, 0, 1), free, _PRIOR_SIGMAS_PX, 0.5).ravel()[picked]
    light, own = lined.light.reshape(-1, 3)[picked], lined.thing.reshape(-1, 3)[picked]
    mat = light * shade
    on_line = mat * (1 + gain)
    seen = SRGB_TO_LINEAR[out.reshape(-1, 3)[picked]]
    step = own - on_line
    size2 = (step**2).sum(axis=1)
    # How well the light of a lined pixel is foretold, against how well what lies beside it tells how far it is covered.
    noise2 = _NOISE**2 + ((_LOOK_ERROR * (mat - on_line)) ** 2).sum(axis=1)
    trust = noise2 / _PRIOR_ERROR**2
    covered = (((seen - on_line) * step).sum(axis=1) + trust * prior) / (size2 + trust)
    covered = np.clip(covered, 0, 1)[:, None]
    # What the thing does not cover is taken for lined mat. A light line is divided out, whatever shadow lies there; to
    # divide by a dark one would blow up the noise, so there the difference is added.
    divided = covered * own + (seen - covered * own) / np.maximum(1 + gain, 1)
    added = seen + (1 - covered) * (mat - on_line)
    out.reshape(-1, 3)[picked] = encoded(np.where(gain > 0, divided, added))
    if edges:
        _at_edges(clear, picked, (light, own, gain, seen), edges)
    return clear


def near_edges(edges: Sequence[EdgeLine], window: Window) -> Mask:
    """Return 1 near outlines in a window: so far as a thing and its ground are looked at to find its edge."""
    band = np.zeros((window.rows, window.columns), np.uint8)
    for edge in edges:
        at = np.rint(edge.points_px - [window.x, window.y]).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(band, [at], isClosed=True, color=1, thickness=2 * BAND_PX + 1)
    return band


def _at_edges(
    clear: Clear,
    picked: NDArray[np.intp],
    lights: tuple[NDArray[np.float32], ...],
    edges: Sequence[EdgeLine],
) -> None:
    """Lay what is seen near a known edge anew as it would be without lines: the thing up to it, the mat beyond."""
    light, own, gain, seen = lights
    out = clear.pixels.reshape(-1, 3)
    px = np.stack([picked % clear.pixels.shape[1] + clear.at[0], picked // clear.pixels.shape[1] + clear.at[1]], axis=1)
    points = np.concatenate([e.points_px for e in edges])
    nearest = np.asarray(cKDTree(points).query(px, distance_upper_bound=_EDGE_PX)[1], dtype=np.intp)
    first = 0
    for edge in edges:
        count = len(edge.points_px)
        mine = np.flatnonzero((nearest >= first) & (nearest < first + count))
        index = nearest[mine] - first
        first += count
        known = edge.is_straight[index] & (edge.sigma_px[index] > 0)
        mine, index = mine[known], index[known]
        distance = ((px[mine] - edge.points_px[index]) * edge.normals[index]).sum(axis=1)
        cover = special.ndtr(-distance / edge.blur_px)[:, None]
        mat = light[mine] * edge.mat_level(index, distance)[:, None]
        thing = own[mine] * edge.levels[index, :1]
        laid = cover * thing + (1 - cover) * mat
        # What is seen otherwise than foretold stays where a line matters less than the edge itself: then it tells more
        # about the edge than the line hides.
        rest_of = seen[mine] - cover * thing - (1 - cover) * mat * (1 + gain[mine])
        ratio2 = ((mat * gain[mine]) ** 2).sum(axis=1) / np.maximum(((thing - mat) ** 2).sum(axis=1), 1e-6)
        laid += rest_of / (1 + (ratio2[:, None] / _MATTERS) ** 2)
        rest = SRGB_TO_LINEAR[out[picked[mine]]]
        share = np.clip((_EDGE_PX - np.abs(distance)) / _FADE_PX, 0, 1)[:, None]
        out[picked[mine]] = encoded((share * laid + (1 - share) * rest).astype(np.float32))


def _shade(seen: NDArray[np.uint8], mat: NDArray[np.float32], bare: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the share of its light that the mat has everywhere, from where it is seen bare nearby."""
    share = _along(_linear(seen), mat)
    bare = bare & (share > _DARKEST) & (share < _LIGHTEST)
    return _from_beside(share, bare, _SHADE_SIGMAS_PX, 1.0)


def _linear(seen: NDArray[np.uint8]) -> NDArray[np.float32]:
    return np.asarray(cv2.LUT(seen, SRGB_TO_LINEAR), dtype=np.float32)


def _along(image: NDArray[np.float32], toward: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how far an image goes along a direction of colour, everywhere, in lengths of that."""
    ones = np.ones(3)
    length2 = np.maximum(weighted(np.square(toward), ones), np.float32(1e-6))
    return np.asarray(weighted(image * toward, ones) / length2, dtype=np.float32)


def _from_beside(
    values: NDArray[np.float32], known: NDArray[np.bool_], sigmas_px: tuple[float, ...], otherwise: float
) -> NDArray[np.float32]:
    """Return what is known nearby, as near as there is any (normalised averaging at several widths)."""
    weight = known.astype(np.float32)
    values = values * weight
    out, done = np.zeros_like(values), np.zeros_like(values)
    for sigma in sigmas_px:
        mass = blurred(weight, sigma, _COARSE_SIGMA)
        mean = blurred(values, sigma, _COARSE_SIGMA) / np.maximum(mass, np.float32(1e-6))
        own = np.clip((mass - 0.01) / 0.05, 0, 1) * (1 - done)
        out += own * mean
        done += own
    return np.asarray(out + (1 - done) * np.float32(otherwise), dtype=np.float32)


def encoded(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return the sRGB code of linear light."""
    # By its square root, so that dark codes are as far apart in the table as light ones.
    table = np.interp(np.linspace(0, 1, _CODES), np.sqrt(SRGB_TO_LINEAR), np.arange(256))
    at = np.rint(np.sqrt(np.clip(light, 0, 1)) * (_CODES - 1)).astype(np.intp)
    return np.asarray(np.rint(table).astype(np.uint8)[at], dtype=np.uint8)
