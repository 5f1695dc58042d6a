"""The edges of cut-out things: where what lies on a ground ends, at full size.

A thing's edge is sought by a watershed on the picture itself: what is surely thing and surely ground is marked, and the
border settles on the sharpest step between. So a shadow beside the thing, whose own border is soft, stays outside.

Source: Meyer, "Color image segmentation", 1992 (the watershed of OpenCV).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.ink import reduced
from tracer.own_colour import Colours
from tracer.search.bodies import LEAST_SIDE_MM, LINE_MM, Bodies
from tracer.search.closeup import LIKE_SHADOW, Look, Place, look_at, place_of
from tracer.search.graph import Points
from tracer.search.ground import to_rgb
from tracer.search.loops import polygon_area
from tracer.search.mat_clear import BAND_PX, Clear, Lined, lined, without_lines
from tracer.search.mat_edge import EdgeLine, find_edge_line
from tracer.search.mat_light import OnMat
from tracer.search.mat_points import colours_on_mat, evened, points_on_mat, printed_beside
from tracer.search.openings import (
    LEAST_HOLE_MM2,
    LEAST_STEP,
    Openings,
    find_openings,
    inside_mask,
    is_open,
    is_set_in,
    is_sharp,
    step_across,
)
from tracer.search.raster import (
    Mask,
    Window,
    apart,
    as_mask,
    grown,
    opened,
    shrunk,
    to_size,
    weighted,
)
from tracer.search.spurs import without_spurs
from tracer.search.words_beside import is_lettering, told_nothing_by, words_beside

_MOST_SEEN = 50_000
"""Pixels that tell the usual light of a thing and of its ground well enough."""
_NEAR_MM = 16.0
"""So far from a thing all is ground."""
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
    ``lettered`` tells that letters of the ground's colour on it might have passed for holes.
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
    lettered: bool = False


def find_edge(pixels: NDArray[np.uint8], mm_per_px: float, bodies: Bodies, index: int) -> Thing | None:
    """Find a thing's edge and holes at full size; None when it has no edge that can be found.

    Parameters
    ----------
    pixels : ndarray of uint8
        The picture.
    mm_per_px : float
    bodies : Bodies
    index : int
        Which of the things.
    """
    place = place_of(bodies, index)
    if place is None:
        return None
    zoom = bodies.ground.factor
    down, across = place.window
    window = (slice(down.start * zoom, down.stop * zoom), slice(across.start * zoom, across.stop * zoom))
    crop = pixels[window]
    with_lines: Lined | None = None
    on: OnMat | None = None
    if bodies.grid is not None and bodies.look is not None:
        whole = Window(x=across.start * zoom, y=down.start * zoom, columns=crop.shape[1], rows=crop.shape[0])
        others = _others(bodies, index, place)
        with_lines = lined(pixels, whole, bodies.grid, bodies.look, bodies.ground, place.colour, others)
        crop = without_lines(with_lines).pixels
        on = OnMat(pixels=to_rgb(pixels), grid=bodies.grid, look=bodies.look, ground=bodies.ground, thing=place.colour)
    look = look_at(crop, mm_per_px, bodies.ground, place, None if with_lines is None else with_lines.mask)
    if on is not None and is_lettering(look.share, to_size(place.found, *look.size), look.per_px):
        return None
    marked = _marked(look, place, bodies, index, on)
    markers, seed, on = marked.markers, marked.seed, marked.on
    cv2.watershed(_relief(look), markers)
    region = as_mask(markers == 1)
    if on is not None:
        shown = to_rgb(reduced(pixels[window], look.step))
        if marked.colours is not None:
            shown = evened(shown, look.light, bodies.outline_px(index), on)
        region = without_spurs(region, look.per_px, shown, marked.colours)
    thing = _trace(region, markers, seed, look, pixels.shape)
    if thing is None or thing.runs_off:
        return thing
    openings = marked.openings
    holes = tuple(h for h in thing.holes if _is_hole(look, openings.bare, look.within(h)))
    thing = replace(thing, holes=holes, lettered=openings.letters)
    if with_lines is not None and on is not None:
        thing = _among_lines(thing, with_lines, on, to_size(region, crop.shape[1], crop.shape[0]), mm_per_px)
    return thing if step_across(look.share, look.within(thing.points), look.per_px) > LEAST_STEP else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Marked:
    """What is surely thing (1) and surely ground (2) in ``markers``, all between 0, for the watershed.

    ``seed`` is what the coarse search is sure of, without words beside it; ``on`` tells of these words, where there is
    a mat, and ``colours`` are the thing's and the mat's there; ``openings`` is ground seen through the thing.
    """

    markers: NDArray[np.int32]
    seed: Mask
    on: OnMat | None
    colours: Colours | None
    openings: Openings


def _marked(look: Look, place: Place, bodies: Bodies, index: int, on: OnMat | None) -> _Marked:
    """Mark what is surely thing and surely ground."""
    per_px, share, off_axis, grey, shaded, length = (
        look.per_px,
        look.share,
        look.off_axis,
        look.grey,
        place.shaded,
        place.length,
    )
    # Grown on the coarse grid: at full size so large a disc would cost more than all the rest.
    near = to_size(grown(place.whole, _NEAR_MM / bodies.ground.mm_per_px), *look.size) > 0
    inside = share > np.where(grey, max(0.75, min(0.9, shaded + 0.15)), 0.7)
    outside = (share < 0.25) & (off_axis < 0.6 * length + 0.1)
    outside |= grey & (share < min(0.4, 0.3 + shaded)) if shaded < LIKE_SHADOW else np.zeros_like(outside)
    # What is drawn on a thing is thin; bare ground is not.
    outside = opened(as_mask(outside), 1.6 / per_px) > 0
    markers = np.zeros(share.shape, np.int32)
    printed = to_size(bodies.lines[place.window], *look.size) > 0
    seed = to_size(place.sure, *look.size)
    markers[~near | (outside & (seed == 0))] = 2
    if printed.any():
        printed |= _stubs(~outside & near, printed, per_px)
        # The line's own blurred flanks go with it.
        printed = grown(as_mask(printed), 5) > 0
        printed &= seed == 0
    colours: Colours | None = None
    if on is not None:
        ring = bodies.outline_px(index)
        colours = colours_on_mat(ring, on)
        if colours is not None:
            # One colour stands for the thing: on a large one the lamp's light falls off by more than print differs.
            shown = evened(look.shown, look.light, ring, on)
            words, among = words_beside(printed_beside(shown, on, ring, colours), seed, per_px)
            taken = words & (seed > 0)
            seed[among] = 0
            markers[outside & near & (seed == 0)] = 2
            printed |= words & near
            on = replace(on, words=told_nothing_by(words, taken, look.corner_px, per_px, look.step))
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
    openings = find_openings(look, place, seed, inside, lined=bodies.grid is not None or bool(bodies.lines.any()))
    markers[openings.open] = 0
    markers[openings.bare] = 2
    return _Marked(markers=markers, seed=seed, on=on, colours=colours, openings=openings)


def _is_hole(look: Look, bare: NDArray[np.bool_], ring: Points) -> bool:
    """Return whether a hole, in pixels of the look, is one: no dash and no shadow."""
    is_known = bool((bare & inside_mask(ring, bare.shape)).any())
    is_one = is_known or is_open(look.share, ring, look.per_px)
    return is_one and is_sharp(look.share, ring, look.per_px) and is_set_in(look.share, ring, look.per_px)


def _among_lines(thing: Thing, with_lines: Lined, on: OnMat, shape: Mask, mm_per_px: float) -> Thing:
    """Return a thing whose edge, known nearly, has been sought among the mat's lines themselves.

    ``shape`` is the thing's mask in the window of the lines.
    """
    window = with_lines.window
    points, beyond_px = points_on_mat(thing.points, on, mm_per_px)
    if points is not thing.points:
        cv2.fillPoly(shape, [np.rint(points - [window.x, window.y]).astype(np.int32)], 1)
    rings, found = [], []
    for ring, hole in ((points, False), *((h, True) for h in thing.holes)):
        line = find_edge_line(ring, replace(on, hole=hole))
        laid = ring if line is None else line.within(ring)
        # What shrinks away where the mat's lines are known was no hole.
        if not hole or abs(polygon_area(laid)) * mm_per_px**2 >= LEAST_HOLE_MM2:
            found.append(line)
            rings.append(laid)
    known = [line for line in found if line is not None]
    return replace(
        thing,
        points=rings[0],
        holes=tuple(rings[1:]),
        beyond_px=beyond_px,
        clear=without_lines(with_lines, shape, known),
        lines=tuple(found),
        colour=np.asarray(on.thing),
    )


def _others(bodies: Bodies, index: int, place: Place) -> Mask:
    """Return where in a part of the view other things lie."""
    out = np.zeros(bodies.ground.foreign.shape, np.uint8)
    for other, (body, (x, y)) in enumerate(bodies.things):
        if other != index:
            out[y : y + body.shape[0], x : x + body.shape[1]] |= as_mask(body)
    return out[place.window]


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


def _relief(look: Look) -> NDArray[np.uint8]:
    """Return the picture whose steps the watershed follows: lightness, and twice the colour whatever the light.

    A shadow changes lightness only, so the step from a coloured thing into its shadow outweighs the shadow's border.
    """
    calm, ratio, mean = look.calm, look.ratio, look.mean
    factor = np.float32(90.0) / (mean + np.float32(0.15))
    relief = np.empty_like(calm)
    # A thousandth more, so that thirds which add up to a whole number are not cut down to the one below.
    relief[:, :, 0] = weighted(calm.astype(np.float32), np.full(3, 1 / 3)) + np.float32(1e-3)
    for plane, k in ((1, 0), (2, 2)):
        relief[:, :, plane] = np.clip(128.0 + factor * (ratio[:, :, k] - mean), 0, 255)
    return relief


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
    seed: Mask,
    look: Look,
    shape: tuple[int, ...],
) -> Thing | None:
    """Return the thing that a region of the watershed is, with its holes."""
    light, ratio, per_px, step = look.light, look.ratio, look.per_px, look.step
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
    holes = [h for h in openings if (markers[inside_mask(h, body.shape)] == 2).mean() > 0.5]

    def to_picture(points: Points) -> Points:
        return (points + 0.5) * step - 0.5 + np.array(look.corner_px, dtype=np.float64)

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
