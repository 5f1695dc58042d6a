"""The ground of a picture with a mat: the mat's own colour, read between the lines of its grid.

Beside crossings of lines that are seen lies the mat itself, whatever covers the rest of it and however much: so its
colour is known, and neither the table nor a large sheet of paper can be taken for the ground.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.ground import (
    CLASS_REACH,
    DEEPEST_SHADOW,
    LEAST_DIFFERENCE,
    NOISE_FACTOR,
    Ground,
    View,
    compared,
    grow_class,
    spread_light,
    to_lab,
    view_of,
)
from tracer.search.mat_grid import MatGrid
from tracer.search.mat_shade import light_under
from tracer.search.raster import Mask, Window, apart, as_mask, filled, grown, lengths, opened, shrunk

Floats = NDArray[np.float64]

LINE_HALF_MM = 0.5
"""Half the width of the heavier lines of a mat (common practice, no source)."""
_MOST_CROSSINGS = 700
_SEEDS = 60
_REACH = 3.0 * CLASS_REACH
"""How far the colour of a small place of the mat may be from the smooth surface through all, CIE Lab."""
_TERMS = 6
_FOLLOWED_REACH = 4.0
"""And from the mat's colour as it is there, CIE Lab: white card on a light mat differs by 7 (judgement)."""
_FEWEST_BARE = 24
_LEAST_APART_MM = 20.0
"""Crossings that lie closer are taken together: what one shows has the grain of the picture."""
_CALMED_MM, _LEAST_FAINT, _FAINT_FACTOR, _MOSTLY_COVERED = 2.5, 2.4, 3.0, 0.4
"""Where the mat is surely covered colours are averaged over so much; what mostly differs by so much, CIE Lab, nowhere
by less than half of it or so many times as much as the mat itself mostly does, and lies so far within it, is no mat
(judgement; the edge of what differs by less, six codes, is led astray by noise)."""
_CLEARLY_FOREIGN = 0.95
"""What covers a mat is clearly seen where so much of it is foreign; the rest is drawn on it (judgement)."""
_RIM = 0.8
"""What covers a mat ends so far, in pitches, from where it surely covers it (geometry: quarters of cells that are all
covered, none of them alone)."""
_KNOWN = 0.4
_WIDTHS = (0.5, 1.0, 1.5, 2.2, 3.3, 5.0)
"""In distances between crossings: so near to a place beside one the mat is known; and averages are taken so wide."""


def read_mat_ground(pixels: NDArray[np.uint8], mm_per_px: float, grid: MatGrid) -> Ground | None:
    """Return the ground that a mat is; None where too few of its crossings are seen.

    Parameters
    ----------
    pixels : ndarray of uint8
    mm_per_px : float
    grid : MatGrid
    """
    view = view_of(pixels, mm_per_px)
    rows, columns = view.lab.shape[:2]
    surface = _surface(view, grid)
    if surface is None:
        return None
    scale, factor = view.mm_per_px, view.factor
    places = grid.places(Window(x=0, y=0, columns=columns, rows=rows, step=factor))
    off_line = np.abs(places[:, :, :2] - np.rint(places[:, :, :2]))
    away = np.minimum(off_line[:, :, 0], off_line[:, :, 1]) * np.float32(grid.lattice.pitch_mm)
    # A pixel of the view and the median over three have something of a line up to one and a half away.
    on_line = away < LINE_HALF_MM + 1.5 * scale
    inside = np.zeros((rows, columns), np.uint8)
    corners = np.rint((grid.outline_px + 0.5) / factor - 0.5).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(inside, [corners], 1)
    followed, known = _followed(view, grid, surface)
    covered = covered_part(grid, factor, (rows, columns))
    mat = (lengths(view.lab - followed) < _FOLLOWED_REACH) & (inside > 0) & ~on_line & known & (covered == 0)
    light = _light_of(view, mat, inside > 0)
    distance, ratio, shadow = compared(view, light)
    foreign = _is_foreign(distance, mat) & (inside > 0)
    hidden = _hardly_seen(covered, foreign)
    if hidden.any():
        # Its edge is no steeper than a shadow's: the light is asked again, and does not change across it.
        rims = (grown(hidden, 2 * _RIM * grid.lattice.pitch_mm / scale) > 0) & (shrunk(hidden, 3) == 0)
        light = _light_of(view, mat, inside > 0, rims)
        distance, ratio, shadow = compared(view, light)
        foreign = _is_foreign(distance, mat) | _faint(view, light, mat, hidden, grid.lattice.pitch_mm)
        foreign &= inside > 0
    # Whether a line of the grid is covered is told by what lies on both sides of it.
    side = 2 * int(np.ceil(LINE_HALF_MM / scale + 1.5)) + 3
    around = as_mask(~on_line & (inside > 0)).astype(np.float32)
    beside = cv2.boxFilter(around, -1, (side, side), normalize=False)
    lying = cv2.boxFilter(around * foreign, -1, (side, side), normalize=False)
    foreign = np.where(on_line, (lying > 0.5 * beside) & (inside > 0), foreign)
    return Ground(
        factor=factor, mm_per_px=scale, light=light, ratio=ratio, foreign=np.asarray(foreign, dtype=bool), shadow=shadow
    )


def _light_of(
    view: View, mat: NDArray[np.bool_], inside: NDArray[np.bool_], rims: NDArray[np.bool_] | None = None
) -> NDArray[np.float32]:
    """Return the light of the bare mat everywhere on a view."""
    course = light_under(view.linear, mat, inside, view.mm_per_px, rims)
    # What is left of the light beside each place is known more finely than in cells.
    beside = spread_light(np.asarray(view.linear / course, dtype=np.float32), mat, view.mm_per_px)
    return np.asarray(course * beside, dtype=np.float32)


def _is_foreign(distance: NDArray[np.float32], mat: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what differs from the mat by more than its own unevenness."""
    calm = distance[mat]
    typical = float(np.median(calm)) if len(calm) else 1.0
    return np.asarray(distance > max(LEAST_DIFFERENCE, NOISE_FACTOR * typical))


def covered_part(grid: MatGrid, factor: int, shape: tuple[int, ...]) -> Mask:
    """Return where a mat is surely covered, on a view: more than a quarter of a cell, its lines not seen there.

    Parameters
    ----------
    grid : MatGrid
    factor : int
        Pixels of the picture per pixel of the view, along each axis.
    shape : tuple of int
        Rows and columns of the view.
    """
    out = np.zeros(shape, np.uint8)
    corners = np.rint(((grid.hidden_px + 0.5) / factor - 0.5) * 16).astype(np.int32)
    for quarter in corners:
        cv2.fillConvexPoly(out, quarter, 1, shift=4)
    if not len(corners):
        return out
    side_px = float(np.median(np.ptp(grid.hidden_px, axis=1))) / factor
    return opened(out, 1.5 * side_px)


def _hardly_seen(covered: Mask, foreign: NDArray[np.bool_]) -> Mask:
    """Return the parts where the mat is covered by what is not foreign to it throughout."""
    labels, stats = apart(covered)
    seen = np.bincount(labels[foreign], minlength=len(stats))
    hardly = seen < _CLEARLY_FOREIGN * stats[:, cv2.CC_STAT_AREA]
    hardly[0] = False
    return as_mask(hardly[labels])


def _faint(
    view: View, light: NDArray[np.float32], mat: NDArray[np.bool_], covered: Mask, pitch_mm: float
) -> NDArray[np.bool_]:
    """Return what differs little from the mat where it is surely covered: white card on a white mat.

    There less of a difference tells where its edge is, averaged over some millimetres.
    """
    if not mat.any():
        return np.zeros(mat.shape, dtype=bool)
    side = max(1, 2 * round(_CALMED_MM / view.mm_per_px / 2) + 1)
    weight = cv2.blur(mat.astype(np.float32), (side, side))[:, :, None]
    apart_by = view.lab - to_lab(light)
    distance = lengths(np.asarray(cv2.blur(apart_by, (side, side)), dtype=np.float32))
    calm = lengths(np.asarray(cv2.blur(apart_by * mat[:, :, None], (side, side)) / np.maximum(weight, 0.1), np.float32))
    least = max(_LEAST_FAINT / 2, _FAINT_FACTOR * float(np.median(calm[mat])))
    near = grown(covered, 2 * pitch_mm / view.mm_per_px)
    labels, stats = apart(opened(as_mask(distance > least) & near, 2 * _CALMED_MM / view.mm_per_px), connectivity=4)
    within = np.bincount(labels[covered > 0], minlength=len(stats))
    clear = np.bincount(labels[distance > max(least, _LEAST_FAINT)], minlength=len(stats))
    kept = (within > _MOSTLY_COVERED * stats[:, cv2.CC_STAT_AREA]) & (clear > 0.5 * stats[:, cv2.CC_STAT_AREA])
    kept[0] = False
    found = as_mask(kept[labels])
    # Lines drawn on it make up for what it is lighter than the mat, and may be taken for the mat's; and where most of
    # what covers the mat is found the rest, which has the mat's own lightness, belongs to it.
    parts, stats = apart(covered)
    mostly = np.bincount(parts[found > 0], minlength=len(stats)) > 0.5 * stats[:, cv2.CC_STAT_AREA]
    mostly[0] = False
    return np.asarray(filled(as_mask((found > 0) | mostly[parts])) > 0, dtype=bool)


def _surface(view: View, grid: MatGrid) -> NDArray[np.float32] | None:
    """Return the colour that the mat has everywhere, CIE Lab: a smooth surface through what is seen in its cells."""
    rows, columns = view.lab.shape[:2]
    flanks, colours, _ = _flanks(view, grid)
    if len(flanks) < 12:
        return None
    some = slice(None, None, max(1, len(flanks) // _MOST_CROSSINGS))
    flanks = flanks[some]
    # The middle one of the four: one or two of them may be covered.
    colour = np.median(colours[some], axis=1)
    place = flanks.mean(axis=1) / [columns, rows] * 2 - 1
    ones = np.ones(len(colour))
    alike = (np.linalg.norm(colour[:, None] - colour[None], axis=2) < _REACH).sum(axis=1)
    best = np.zeros(len(colour), dtype=bool)
    for seed in np.argsort(-alike)[:: max(1, len(alike) // _SEEDS)][:3]:
        member = grow_class(int(seed), ones, place, colour, reach=_REACH)
        if member.sum() > best.sum():
            best = member
    if best.sum() < 12:
        return None
    terms = _terms(place[best])
    hold = np.diag([0.0, 0.02, 0.02, 0.1, 0.1, 0.1]) * 0.2
    normal = terms.T @ terms / best.sum() + hold + 1e-9 * np.eye(_TERMS)
    solution = np.linalg.solve(normal, terms.T @ colour[best] / best.sum())
    return _spread(solution, rows, columns)


def _flanks(view: View, grid: MatGrid) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return the four places beside each crossing that is seen, (N, 4, 2) on the view, and their CIE Lab, (N, 4, 3).

    Also at which of them the bare mat is, (N, 4).
    """
    rows, columns = view.lab.shape[:2]
    flanks = (grid.flanks_px + 0.5) / view.factor - 0.5
    within = ((flanks >= 1) & (flanks < [columns - 2, rows - 2])).all(axis=(1, 2))
    x, y = np.rint(flanks[within]).astype(np.intp).transpose(2, 0, 1)
    return flanks[within], cv2.blur(view.lab, (3, 3))[y, x].astype(np.float64), grid.bare[within]


def _followed(view: View, grid: MatGrid, surface: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return the mat's colour everywhere, CIE Lab, where the shadow of a hand or the edge of a lamp's light lies on it.

    No smooth surface over all of a mat follows those; but beside each crossing that is seen lies the mat itself. Where
    something covers it there, what is seen beside the crossings around tells. Also returns what is near such places:
    elsewhere what has the mat's colour may be a thing in the shadow.
    """
    flanks, colours, bare = _flanks(view, grid)
    x, y = np.rint(flanks).astype(np.intp).transpose(2, 0, 1)
    usual = surface[y, x].astype(np.float64)
    left = colours - usual
    sure = bare & ((np.linalg.norm(left, axis=2) < _REACH) | _is_shade(colours, usual))
    if sure.sum() < _FEWEST_BARE:
        return surface, np.ones(surface.shape[:2], dtype=bool)
    pitch_px = grid.lattice.pitch_mm / view.mm_per_px
    apart_px = max(pitch_px, _LEAST_APART_MM / view.mm_per_px)
    for _ in range(2):
        more = _averaged(flanks[sure], left[sure], surface.shape, apart_px)
        sure &= np.linalg.norm(left - more[y, x], axis=2) < _FOLLOWED_REACH
    far = np.ones(surface.shape[:2], np.uint8)
    far[y[sure], x[sure]] = 0
    away = cv2.distanceTransform(far, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return surface + more, np.asarray(away < _KNOWN * pitch_px)


def _is_shade(colours: Floats, light: Floats) -> NDArray[np.bool_]:
    """Return which colours are others with less light on them, all CIE Lab.

    Less light makes the three signals that Lab is made of smaller in one measure.
    """
    share = (colours[..., 0] + 16.0) / (light[..., 0] + 16.0)
    beside = np.hypot(*(colours - share[..., None] * light)[..., 1:].transpose(2, 0, 1))
    return np.asarray((share > DEEPEST_SHADOW ** (1 / 3)) & (share < 1.0) & (beside < LEAST_DIFFERENCE))


def _averaged(places: Floats, values: Floats, shape: tuple[int, ...], apart_px: float) -> NDArray[np.float32]:
    """Return values (N, 3) at places (N, 2) everywhere on a view: averages over as little as there are values in."""
    step = max(1.0, apart_px / 4)
    rows, columns = int(shape[0] / step) + 1, int(shape[1] / step) + 1
    at = np.rint(places / step).astype(np.intp)
    flat = np.minimum(at[:, 1], rows - 1) * columns + np.minimum(at[:, 0], columns - 1)
    sums = [np.bincount(flat, weights=w, minlength=rows * columns) for w in (*values.T, np.ones(len(flat)))]
    known = np.stack(sums, axis=1).reshape(rows, columns, 4).astype(np.float32)
    out = np.zeros((rows, columns, 3), dtype=np.float32)
    for width in _WIDTHS[::-1]:
        mean = np.asarray(cv2.GaussianBlur(known, (0, 0), width * apart_px / step, borderType=cv2.BORDER_CONSTANT))
        here = mean[:, :, 3:]
        # As many values as one crossing has, spread as wide as this.
        share = np.clip(here * 2 * np.pi * (width * apart_px / step) ** 2 / 4 - 0.5, 0.0, 1.0)
        out += share * (mean[:, :, :3] / np.maximum(here, 1e-9) - out)
    warp = np.array([[1 / step, 0, 0], [0, 1 / step, 0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    whole = cv2.warpAffine(out, warp, (shape[1], shape[0]), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(whole, dtype=np.float32)


def _spread(solution: Floats, rows: int, columns: int) -> NDArray[np.float32]:
    """Return a surface of the terms of :func:`_terms` everywhere, shape (rows, columns, 3).

    Along each row it is a polynomial of the place across, with coefficients that are polynomials of the place down.
    """
    across, down = np.arange(columns) / columns * 2 - 1, (np.arange(rows) / rows * 2 - 1)[:, None]
    one, x, y, xx, xy, yy = solution
    along = np.stack([one + y * down + yy * down**2, x + xy * down, np.broadcast_to(xx, (rows, 3))], axis=2)
    powers = np.stack([np.ones(columns), across, across**2]).astype(np.float32)
    return np.ascontiguousarray((along.astype(np.float32) @ powers).transpose(0, 2, 1))


def _terms(place: Floats) -> Floats:
    x, y = place[:, 0], place[:, 1]
    return np.stack([np.ones(len(place)), x, y, x**2, x * y, y**2], axis=1)
