"""Cut-out pieces: things lying on a ground, found by colour and by their sharp edge.

A thing is foreign to the ground, thick somewhere (no line, no lettering) and does not run off the picture. Its edge
is sought at full size by a watershed on the picture itself: what is surely thing and surely ground is marked, and the
border settles on the sharpest step between. So a shadow beside the thing, whose own border is soft, stays outside.

Source: Meyer, "Color image segmentation", 1992 (the watershed of OpenCV).
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.ink import reduced
from tracer.own_colour import Colours
from tracer.search.graph import Points
from tracer.search.ground import DEEPEST_SHADOW, Ground, read_ground, to_rgb
from tracer.search.loops import polygon_area
from tracer.search.mat_clear import BAND_PX, Clear, Lined, lined, without_lines
from tracer.search.mat_edge import EdgeLine, find_edge_line
from tracer.search.mat_grid import GridLook, MatGrid, read_look
from tracer.search.mat_ground import read_mat_ground
from tracer.search.mat_light import OnMat, Words
from tracer.search.mat_points import colours_on_mat, evened, points_on_mat, printed_beside
from tracer.search.necks import joined_cores, with_narrow_parts
from tracer.search.raster import (
    Mask,
    Window,
    apart,
    as_mask,
    closed,
    filled,
    grown,
    most_apart,
    opened,
    shrunk,
    to_size,
    weighted,
)
from tracer.search.slant_finder import find_slants
from tracer.search.spurs import without_spurs

LEAST_SIDE_MM = 15.0
"""Things smaller than this are no pieces (common practice, no source)."""
LEAST_HOLE_MM2 = 3.0
"""Holes smaller than this are dirt or a gleam (common practice, no source)."""
THICK_MM = 9.0
"""A template is this thick somewhere; the strokes of display text are not (common practice, no source)."""
LEAST_OPEN_MM, LEAST_SLIT_MM, _SLIT = 0.9, 2.0, 1.6
"""Holes narrower than the first, and slits (longer than wide by the third) narrower than the second, are drawn dashes
more often than holes (our own choice)."""
_WIDE_HOLE_MM = 6.0
"""From this width on a hole's inside is seen apart from its edge (judgement)."""
LEAST_STEP = 0.35
"""At the edge of a thing so much of its difference from the ground comes within a millimetre (half of it, and a shadow
that hides some)."""
LEAST_SHEET_MM2 = 10_000.0
"""Sheets of paper are no smaller (a postcard)."""
LINE_MM = 2.4
"""Foreign marks thinner than this are lines printed on the ground (common practice, no source)."""
LONG_LINE_MM = 70.0
"""A ground is lined when some of its lines are longer than this (common practice, no source)."""
DRAWN_MM = 5.0
"""Lines and letters on a thing are narrower (common practice, no source)."""
_MOST_PIXELS = 8_000_000
_MOST_SEEN = 50_000
"""Pixels that tell the usual light of a thing and of its ground well enough."""
_FACE_UP_MM = 1.5
_SHADOW_MM = 4.0
"""How far the shadow of a thing that lies flat may reach from its edge (judgement)."""

_WORD_MM, _BETWEEN_LETTERS = 60.0, 0.25
"""Words printed on a mat are shorter, or fall apart; and so much of what their letters span is mat (judgement)."""
_LETTER_RIM_PX = 5
"""Letters are blurred two pixels wide (picture in focus)."""
_RIM_MM = 1.5
"""Nearer to the picture's border than this nothing is taken to be whole (our own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Thing:
    """A cut-out thing.

    ``points`` and ``holes`` are in pixels of the picture; ``weights`` are on linear R, G, B and make it darker than the
    ground; ``light`` is its own lightness (0..1, linear); ``runs_off`` tells whether it crosses the picture's border.
    ``beyond_px`` is where and how far its colour goes on beyond ``points`` (:class:`tracer.candidate.RoughOutline`).
    ``clear`` is the picture around it without the lines of the mat it lies on; ``lines`` are its outline and its holes
    where they are known beside those lines; ``colour`` is linear R, G, B as a share of the ground's light.
    """

    points: Points
    holes: tuple[Points, ...]
    weights: NDArray[np.float64]
    light: float
    runs_off: bool = False
    beyond_px: tuple[float, float, float] | None = None
    clear: Clear | None = None
    lines: tuple[EdgeLine | None, ...] = ()
    colour: NDArray[np.floating] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bodies:
    """What lies on the ground, seen coarsely: the ground, its printed lines and one mask with its corner a thing.

    Where the ground is a mat, ``grid`` and ``look`` tell its grid.
    """

    ground: Ground
    lines: Mask
    things: tuple[tuple[NDArray[np.bool_], tuple[int, int]], ...]
    grid: MatGrid | None = None
    look: GridLook | None = None

    def outline_px(self, index: int) -> Points:
        """Return the coarse outline of a thing in pixels of the picture."""
        body, (x, y) = self.things[index]
        contours, _ = cv2.findContours(as_mask(body), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        largest = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
        return (largest + [x, y] + 0.5) * self.ground.factor - 0.5

    def light(self, index: int) -> float:
        """Return the lightness of a thing, linear 0..1."""
        body, (x, y) = self.things[index]
        window = (slice(y, y + body.shape[0]), slice(x, x + body.shape[1]))
        own = self.ground.ratio[window][body] * self.ground.light[window][body]
        return float(np.median(own.mean(axis=1)))


def find_bodies(
    pixels: NDArray[np.uint8],
    mm_per_px: float,
    excluded: NDArray[np.uint8] | None = None,
    grid: MatGrid | None = None,
) -> Bodies:
    """Find the things that lie on the ground, coarsely.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    mm_per_px : float
    excluded : ndarray of uint8, optional
        Non-zero where a reference lies, on a grid of any size that covers the picture.
    grid : MatGrid, optional
        The grid of the mat that is the ground.
    """
    ground = None if grid is None else read_mat_ground(pixels, mm_per_px, grid)
    if ground is None:
        ground = read_ground(pixels, mm_per_px, None if grid is None else grid.outline_px)
        grid = None
    if grid is None:
        lines, things = _find_things(ground, excluded)
        return Bodies(ground=ground, lines=lines, things=things)
    # How the lines look is read beside it: both spend their time in compiled code.
    with ThreadPoolExecutor(max_workers=1) as pool:
        reading = pool.submit(_look_of, grid, to_rgb(pixels), ground)
        lines, things = _find_things(ground, excluded)
        return Bodies(ground=ground, lines=lines, things=things, grid=grid, look=reading.result())


def _look_of(grid: MatGrid, pixels: NDArray[np.uint8], ground: Ground) -> GridLook:
    look = read_look(grid, pixels, ground.light, ground.factor)
    return replace(look, slants=find_slants(grid, pixels, ground))


def _find_things(
    ground: Ground, excluded: NDArray[np.uint8] | None
) -> tuple[NDArray[np.uint8], tuple[tuple[NDArray[np.bool_], tuple[int, int]], ...]]:
    """Return the long thin lines printed on a ground, and the things that lie on it."""
    scale = ground.mm_per_px
    foreign = as_mask(ground.foreign)
    if excluded is not None:
        there = to_size(excluded, foreign.shape[1], foreign.shape[0])
        foreign[there > 0] = 0
    no_lines = opened(foreign, LINE_MM / scale)
    # Lines drawn on a thing may have the look of a shadow; closed over, they do not cut it up.
    lit = opened(no_lines & as_mask(~ground.shadow), LINE_MM / scale)
    lit = closed(lit, DRAWN_MM / scale) & no_lines
    proper = opened(lit, THICK_MM / scale)
    core = opened(no_lines, THICK_MM / scale)
    # Cores that a neck joins (the stalk of a leaf) are one thing.
    joined = joined_cores(no_lines, core, ground.ratio)
    labels = np.where(core > 0, joined, 0)
    # What is thick but has no core is a crossing of lines, a letter, a blot.
    cored = np.zeros(int(joined.max()) + 1, dtype=bool)
    cored[labels[core > 0]] = True
    cored[0] = False
    lines = _printed_lines(foreign, as_mask(cored[joined]), scale)
    things = []
    for label in np.flatnonzero(cored):
        mine = labels == label
        at_y, at_x = np.flatnonzero(mine.any(axis=1)), np.flatnonzero(mine.any(axis=0))
        x, y = int(at_x[0]), int(at_y[0])
        wide, high = int(at_x[-1]) + 1 - x, int(at_y[-1]) + 1 - y
        if max(wide, high) < LEAST_SIDE_MM / scale:
            continue
        window = (slice(y, y + high), slice(x, x + wide))
        body = mine[window]
        # Where part of it is surely no shadow, that part is the thing and the rest its shadow.
        sure = body & (proper[window] > 0)
        if sure.sum() > 0.02 * body.sum():
            body = sure
        if not _is_rag(body, foreign.shape):
            things.append(with_narrow_parts(body, (x, y), joined == label, ground.ratio))
    return lines, tuple(things)


def ground_sheets(bodies: Bodies) -> list[Points]:
    """Return the outlines of parts of the ground that end within the picture: a sheet on a mat taken for the ground.

    In pixels of the picture.
    """
    ground = bodies.ground
    scale, (rows, columns) = ground.mm_per_px, ground.foreign.shape
    ragged = closed(opened(as_mask(ground.foreign), LINE_MM / scale), LINE_MM / scale)
    labels, stats = apart(as_mask(ragged == 0), connectivity=4)
    out = []
    for label in range(1, len(stats)):
        x, y, wide, high, area = (int(v) for v in stats[label])
        inside = x > 1 and y > 1 and x + wide < columns - 1 and y + high < rows - 1
        if inside and area * scale * scale > LEAST_SHEET_MM2:
            contours, _ = cv2.findContours(as_mask(labels == label), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            largest = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
            out.append((largest + 0.5) * ground.factor - 0.5)
    return out


def _is_rag(body: NDArray[np.bool_], view: tuple[int, ...]) -> bool:
    """Return whether a body is a ring or a rag, as a ground of more than one colour leaves them; a thing is whole."""
    area = float(body.sum())
    if area < 0.5 * float(filled(as_mask(body)).sum()):
        return True
    corners = np.argwhere(body)[:, ::-1].astype(np.int32)
    hull = float(cv2.contourArea(cv2.convexHull(corners.reshape(-1, 1, 2))))
    spans = body.shape[0] > 0.9 * view[0] and body.shape[1] > 0.9 * view[1]
    return area < (0.6 if spans else 0.2) * hull


def find_edge(pixels: NDArray[np.uint8], mm_per_px: float, bodies: Bodies, index: int) -> Thing | None:
    """Find a thing's edge and holes at full size; None when it has no edge that can be found."""
    body, corner = bodies.things[index]
    return _edge_of(pixels, mm_per_px, bodies, index, body, corner)


def _printed_lines(foreign: NDArray[np.uint8], no_lines: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    """Return the long thin marks printed on the ground (the grid of a mat)."""
    thin = foreign & as_mask(grown(no_lines, 2 * _FACE_UP_MM / scale) == 0)
    labels, stats = apart(thin)
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    long = extent > 12.0 / scale
    long[0] = False
    if not (extent[long] > LONG_LINE_MM / scale).any():
        # A stalk, a sharp tip: no lined ground has lines as short as this only.
        return np.zeros_like(thin)
    return np.asarray(long[labels], dtype=np.uint8)


def _edge_of(
    pixels: NDArray[np.uint8],
    mm_per_px: float,
    bodies: Bodies,
    index: int,
    body: NDArray[np.bool_],
    corner: tuple[int, int],
) -> Thing | None:
    """Find a thing's edge and holes at full size."""
    ground, lines = bodies.ground, bodies.lines
    scale = ground.mm_per_px
    margin = max(4, round(8.0 / scale))
    rows, columns = ground.foreign.shape
    x0, y0 = max(0, corner[0] - margin), max(0, corner[1] - margin)
    x1, y1 = min(columns, corner[0] + body.shape[1] + margin), min(rows, corner[1] + body.shape[0] + margin)
    view = np.zeros((y1 - y0, x1 - x0), np.uint8)
    view[corner[1] - y0 : corner[1] - y0 + body.shape[0], corner[0] - x0 : corner[0] - x0 + body.shape[1]] = body
    as_found = view
    # Whatever is drawn on it belongs to it; bare ground seen through it is found again below.
    view = filled(closed(view, DRAWN_MM / scale))
    # Only what is thick is surely thing: narrow parts are followed from it.
    sure = shrunk(opened(view, THICK_MM / scale), 2.5 / scale)
    if not sure.any():
        return None
    colour = np.median(ground.ratio[y0:y1, x0:x1][sure > 0], axis=0)
    axis = colour - 1.0
    length = float(np.linalg.norm(axis))
    if length < 0.02:
        return None
    # A share that shadow on the bare ground can reach says nothing: the step decides there.
    shaded = max(0.0, float((np.full(3, DEEPEST_SHADOW) - 1.0) @ axis / length**2))
    if shaded >= 0.6:
        # Seen coarsely, a thing that looks like shadow has its own shadow with it: only its depth is surely it.
        deep = shrunk(view, 2 * _SHADOW_MM / scale)
        sure = deep if deep.any() else sure
    zoom = ground.factor
    step = max(1, int(np.ceil(np.sqrt(view.size * zoom * zoom / _MOST_PIXELS))))
    window = (slice(y0 * zoom, y1 * zoom), slice(x0 * zoom, x1 * zoom))
    crop = pixels[window]
    with_lines: Lined | None = None
    on: OnMat | None = None
    colours: Colours | None = None
    if bodies.grid is not None and bodies.look is not None:
        whole = Window(x=x0 * zoom, y=y0 * zoom, columns=crop.shape[1], rows=crop.shape[0])
        others = _others(bodies, index, (x0, y0), view.shape)
        with_lines = lined(pixels, whole, bodies.grid, bodies.look, ground, colour, others)
        crop = without_lines(with_lines).pixels
        on = OnMat(pixels=to_rgb(pixels), grid=bodies.grid, look=bodies.look, ground=ground, thing=colour)
    picture = to_rgb(reduced(crop, step))
    size = (picture.shape[1], picture.shape[0])
    per_px = mm_per_px * step
    light = np.asarray(cv2.resize(ground.light[y0:y1, x0:x1], size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
    calm = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.8), dtype=np.uint8)
    ratio = np.asarray(cv2.LUT(calm, SRGB_TO_LINEAR) / np.maximum(light, 1e-3), dtype=np.float32)
    share = np.asarray(weighted(ratio, axis / length**2) - np.float32(axis.sum() / length**2), dtype=np.float32)
    # Grown on the coarse grid: at full size so large a disc would cost more than all the rest.
    near = to_size(grown(view, 16.0 / scale), *size) > 0
    mean = weighted(ratio, np.full(3, 1 / 3))
    spread = most_apart(ratio, [mean, mean, mean]) / np.maximum(mean, 1e-3)
    grey = (spread < 0.12) & (mean < 0.97)
    inside = share > np.where(grey, max(0.75, min(0.9, shaded + 0.15)), 0.7)
    if with_lines is not None and _is_lettering(share, to_size(as_found, *size), per_px):
        return None
    off_axis = most_apart(ratio, [1.0 + share * np.float32(a) for a in axis])
    outside = (share < 0.25) & (off_axis < 0.6 * length + 0.1)
    outside |= grey & (share < min(0.4, 0.3 + shaded)) if shaded < 0.6 else np.zeros_like(outside)
    # What is drawn on a thing is thin; bare ground is not.
    outside = opened(as_mask(outside), 1.6 / per_px) > 0
    markers = np.zeros((size[1], size[0]), np.int32)
    printed = to_size(lines[y0:y1, x0:x1], *size) > 0
    seed = to_size(sure, *size)
    markers[~near | (outside & (seed == 0))] = 2
    if printed.any():
        printed |= _stubs(~outside & near, printed, per_px)
        # The line's own blurred flanks go with it.
        printed = grown(as_mask(printed), 5) > 0
        printed &= seed == 0
    if on is not None:
        ring = bodies.outline_px(index)
        colours = colours_on_mat(ring, on)
        if colours is not None:
            # One colour stands for the thing: on a large one the lamp's light falls off by more than print differs.
            shown = evened(picture, light, ring, on)
            words, among = _words_beside(printed_beside(shown, on, ring, colours), seed, per_px)
            taken = words & (seed > 0)
            seed[among] = 0
            markers[outside & near & (seed == 0)] = 2
            printed |= words & near
            on = replace(on, words=_told_nothing_by(words, taken, (x0 * zoom, y0 * zoom), per_px, step))
    markers[printed] = 2
    inner = as_mask(inside & near & ~printed)
    # Beside a shadow the whole step from the thing into it must be left open, or only its foot would count.
    # The blur of a plain edge is no shadow: it is thinner.
    shade = grown(opened(as_mask(grey & ~inside & ~outside), max(5.0, 0.8 / per_px)), 13)
    inner = np.where(shade > 0, shrunk(inner, 5), inner)
    labels, _ = apart(inner, connectivity=4)
    own = np.unique(labels[(seed > 0) & (inner > 0)])
    keep = np.zeros(labels.max() + 1, dtype=bool)
    keep[own[own > 0]] = True
    markers[keep[labels] & (markers == 0)] = 1
    markers[seed > 0] = 1
    bare = (share < 0.3) & (off_axis < 0.25 * length + 0.05) & (mean > DEEPEST_SHADOW)
    markers[(seed > 0) & bare] = 0
    markers[_hole_seeds(bare, seed, per_px)] = 2
    cv2.watershed(_relief(calm, ratio, mean), markers)
    region = as_mask(markers == 1)
    if on is not None:
        shown = to_rgb(reduced(pixels[window], step))
        if colours is not None:
            shown = evened(shown, light, bodies.outline_px(index), on)
        region = without_spurs(region, per_px, shown, colours)
    thing = _trace(region, markers, per_px, step, (x0 * zoom, y0 * zoom), pixels.shape, (light, ratio, seed))
    if thing is None or thing.runs_off:
        return thing

    def at(points: Points) -> Points:
        return (points - [x0 * zoom, y0 * zoom] + 0.5) / step - 0.5

    thing = replace(
        thing,
        holes=tuple(h for h in thing.holes if _is_open(share, at(h), per_px) and _is_sharp(share, at(h), per_px)),
    )
    if with_lines is not None and on is not None:
        # Now that the edge is known nearly, it is sought among the mat's lines themselves.
        points, beyond_px = points_on_mat(thing.points, on, mm_per_px)
        shape = to_size(region, crop.shape[1], crop.shape[0])
        if points is not thing.points:
            cv2.fillPoly(shape, [np.rint(points - [x0 * zoom, y0 * zoom]).astype(np.int32)], 1)
        thing = replace(thing, points=points, beyond_px=beyond_px)
        rings, found = [], []
        for ring, hole in ((thing.points, False), *((h, True) for h in thing.holes)):
            found.append(find_edge_line(ring, replace(on, hole=hole)))
            rings.append(ring if found[-1] is None else found[-1].within(ring))
        known = [line for line in found if line is not None]
        clear = without_lines(with_lines, shape, known)
        thing = replace(thing, clear=clear, points=rings[0], holes=tuple(rings[1:]), lines=tuple(found), colour=colour)
    return thing if _step_across(share, at(thing.points), per_px) > LEAST_STEP else None


def _words_beside(printed: NDArray[np.bool_], seed: Mask, per_px: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return what is printed beside a thing, also where the coarse search took it for surely thing; and what is not.

    What lies within the thing is drawn on it; so is what goes on deep into it. The latter are the words with their
    blurred rims and the mat among their letters, which had been closed over and taken for surely thing with them.
    """
    labels, stats = apart(as_mask(printed))
    deep = (cv2.distanceTransform(seed, cv2.DIST_L2, 5) > DRAWN_MM / per_px) & printed
    words, among = np.zeros_like(printed), seed == 0
    count = -1
    while int(words.sum()) > count:
        # A line of the mat may cut a letter in two: what is left of it lies beside the part that is none of the thing.
        count = int(words.sum())
        outside = np.bincount(labels[among], minlength=len(stats)) > 0
        outside[0] = False
        words = outside[labels] & ~deep
        if words.any():
            among |= _among(words, seed, per_px)
    return words, among


def _told_nothing_by(
    words: NDArray[np.bool_], taken: NDArray[np.bool_], corner_px: tuple[int, int], per_px: float, step: int
) -> Words | None:
    """Return the words whose light foretells no edge, near where they were taken for the thing; None where none were.

    Elsewhere what looks like print is as often the thing's own blurred edge, or the mat unevenly lit.
    """
    if not taken.any():
        return None
    away = cv2.distanceTransform(as_mask(~taken), cv2.DIST_L2, 5)
    here = words & (away < DRAWN_MM / per_px)
    return Words(mask=grown(as_mask(here), _LETTER_RIM_PX) > 0, corner_px=corner_px, step=step)


def _among(words: NDArray[np.bool_], seed: Mask, per_px: float) -> NDArray[np.bool_]:
    """Return words beside a thing with their blurred rims, and the small parts of it that they cut off."""
    x, y, wide, high = cv2.boundingRect(as_mask(words))
    room = round(2 * DRAWN_MM / per_px)
    here = (slice(max(0, y - room), y + high + room), slice(max(0, x - room), x + wide + room))
    rims = grown(as_mask(words[here]), _LETTER_RIM_PX) > 0
    labels, stats = apart(seed[here] & as_mask(~rims))
    depth = np.zeros(len(stats), np.float32)
    np.maximum.at(depth, labels, cv2.distanceTransform(as_mask(labels > 0), cv2.DIST_L2, 5))
    lost = np.zeros(len(stats), dtype=bool)
    lost[labels[grown(as_mask(rims), 3) > 0]] = True
    lost &= depth < DRAWN_MM / 2 / per_px
    lost[0] = False
    out = np.zeros_like(words)
    out[here] = rims | lost[labels]
    return out


def _is_lettering(share: NDArray[np.float32], body: Mask, per_px: float) -> bool:
    """Return whether a small body on a mat is a printed word: the mat is seen between its letters."""
    x, y, wide, high = cv2.boundingRect(body)
    if max(wide, high) * per_px > _WORD_MM:
        return False
    inside = share[y : y + high, x : x + wide][body[y : y + high, x : x + wide] > 0]
    return bool(len(inside) and (inside < 0.5).mean() > _BETWEEN_LETTERS)


def _others(bodies: Bodies, index: int, corner: tuple[int, int], shape: tuple[int, ...]) -> Mask:
    """Return where in a part of the view other things lie."""
    out = np.zeros(bodies.ground.foreign.shape, np.uint8)
    for other, (body, (x, y)) in enumerate(bodies.things):
        if other != index:
            out[y : y + body.shape[0], x : x + body.shape[1]] |= as_mask(body)
    return out[corner[1] : corner[1] + shape[0], corner[0] : corner[0] + shape[1]]


def without_grid(pixels: NDArray[np.uint8], things: Sequence[Thing]) -> NDArray[np.uint8]:
    """Return the picture without the lines of a mat along the edges of things that lie on it."""
    cleared = [t for t in things if t.clear is not None]
    if not cleared:
        return pixels
    out = to_rgb(pixels).copy()
    for thing in cleared:
        assert thing.clear is not None
        crop, (x, y) = thing.clear.pixels, thing.clear.at
        band = np.zeros(crop.shape[:2], np.uint8)
        for ring in (thing.points, *thing.holes):
            at = np.rint(ring - [x, y]).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(band, [at], isClosed=True, color=1, thickness=2 * BAND_PX + 1)
        part = out[y : y + crop.shape[0], x : x + crop.shape[1]]
        part[band > 0] = crop[band > 0]
    return out


def _is_open(share: NDArray[np.float32], ring: Points, per_px: float) -> bool:
    """Return whether a hole is one, and no dash.

    A dash drawn in the ground's own grey is as dark in its middle as a hole, and blurred as broad as one, but less
    light is missing in it for its length.
    """
    inside = _inside_mask(ring, share.shape)
    missing = float((1.0 - np.clip(share[inside], 0.0, 1.0)).sum()) * per_px * per_px
    short, long = sorted(cv2.minAreaRect(ring.astype(np.float32))[1])
    wide_mm = missing / max(float(long) * per_px, 1e-6)
    return wide_mm > (LEAST_SLIT_MM if long > _SLIT * short else LEAST_OPEN_MM)


def _is_sharp(share: NDArray[np.float32], ring: Points, per_px: float) -> bool:
    """Return whether a hole has an edge, where it is wide enough to tell that: a shadow on the thing has none."""
    wide = min(cv2.minAreaRect(ring.astype(np.float32))[1]) * per_px
    return wide < _WIDE_HOLE_MM or _step_across(share, ring, per_px) > LEAST_STEP


def _step_across(share: NDArray[np.float32], outline: Points, per_px: float) -> float:
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


def _relief(calm: NDArray[np.uint8], ratio: NDArray[np.float32], mean: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return the picture whose steps the watershed follows: lightness, and twice the colour whatever the light.

    A shadow changes lightness only, so the step from a coloured thing into its shadow outweighs the shadow's border.
    """
    factor = np.float32(90.0) / (mean + np.float32(0.15))
    relief = np.empty_like(calm)
    # A thousandth more, so that thirds which add up to a whole number are not cut down to the one below.
    relief[:, :, 0] = weighted(calm.astype(np.float32), np.full(3, 1 / 3)) + np.float32(1e-3)
    for plane, k in ((1, 0), (2, 2)):
        relief[:, :, plane] = np.clip(128.0 + factor * (ratio[:, :, k] - mean), 0, 255)
    return relief


def _hole_seeds(bare: NDArray[np.bool_], seed: NDArray[np.uint8], per_px: float) -> NDArray[np.bool_]:
    """Return the patches of bare ground seen through a thing; lines drawn on it are thinner than a hole."""
    inside = opened(as_mask(bare & (seed > 0)), 2.0 / per_px)
    labels, stats = apart(inside, connectivity=4)
    large = stats[:, cv2.CC_STAT_AREA] * per_px * per_px > 0.4 * LEAST_HOLE_MM2
    large[0] = False
    return np.asarray(large[labels], dtype=bool)


def _stubs(inside: NDArray[np.bool_], printed: NDArray[np.bool_], per_px: float) -> NDArray[np.bool_]:
    """Return the last stretch of each printed line before it runs under a thing.

    Thin parts that go on as a printed line are such; thin parts that do not are tips of the thing itself.
    """
    region = as_mask(inside | printed)
    smooth = opened(region, LINE_MM / per_px)
    extra = region & as_mask(grown(smooth, 0.4 / per_px) == 0)
    labels, _ = apart(extra)
    touched = np.unique(labels[printed])
    keep = np.zeros(labels.max() + 1, dtype=bool)
    keep[touched[touched > 0]] = True
    return np.asarray(keep[labels], dtype=bool)


def _trace(
    region: NDArray[np.uint8],
    markers: NDArray[np.int32],
    per_px: float,
    step: int,
    origin: tuple[int, int],
    shape: tuple[int, ...],
    look: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.uint8]],
) -> Thing | None:
    light, ratio, seed = look
    labels, _ = apart(region, connectivity=4)
    counts = np.bincount(labels[seed > 0], minlength=labels.max() + 1)
    counts[0] = 0
    best = int(np.argmax(counts))
    if not counts[best]:
        return None
    body = as_mask(labels == best)
    contours, tree = cv2.findContours(body, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    least = LEAST_SIDE_MM / per_px
    edge: Points | None = None
    openings: list[Points] = []
    for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True):
        points = contour.reshape(-1, 2).astype(np.float64)
        if len(points) < 8:
            continue
        area = abs(polygon_area(points))
        if parent < 0:
            if edge is None or area > abs(polygon_area(edge)):
                edge = points
        elif area * per_px * per_px >= LEAST_HOLE_MM2:
            openings.append(points)
    if edge is None or np.ptp(edge, axis=0).max() < least or abs(polygon_area(edge)) < 0.2 * least * least:
        return None
    holes = [h for h in openings if (markers[_inside_mask(h, body.shape)] == 2).mean() > 0.5]

    def to_picture(points: Points) -> Points:
        return (points + 0.5) * step - 0.5 + np.array(origin, dtype=np.float64)

    some = np.flatnonzero(seed)
    some = some[:: max(1, len(some) // _MOST_SEEN)]
    core = np.median(ratio.reshape(-1, 3)[some], axis=0).astype(np.float64)
    ground_light = np.median(light.reshape(-1, 3)[some], axis=0).astype(np.float64)
    difference = ground_light * (1.0 - core)
    weights = difference / max(1e-9, float(np.abs(difference).sum()))
    outline = to_picture(edge)
    low, high = outline.min(axis=0), outline.max(axis=0)
    # The coarse border stops short of the picture's; what comes this near to it is cut off by it.
    rim = max(3.0, _RIM_MM / per_px) * step
    runs_off = bool((low <= rim).any() or high[0] >= shape[1] - 1 - rim or high[1] >= shape[0] - 1 - rim)
    return Thing(
        points=outline,
        holes=tuple(to_picture(h) for h in holes),
        weights=weights,
        light=float((ground_light * core).mean()),
        runs_off=runs_off,
    )


def _inside_mask(points: Points, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    mask = np.zeros(shape, np.uint8)
    cv2.drawContours(mask, [np.rint(points).astype(np.int32).reshape(-1, 1, 2)], -1, 1, cv2.FILLED)
    cv2.drawContours(mask, [np.rint(points).astype(np.int32).reshape(-1, 1, 2)], -1, 0, 2)
    return mask > 0
