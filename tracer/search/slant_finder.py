"""Find the straight lines printed aslant on a mat (30, 45, 60 degrees and whatever), as its grid is known already.

What is thin and foreign to the bare mat votes for the lines through it (Hough transform, in the grid, where all of them
are straight); each is then read across in the picture, where nothing lies on it.

Source: Duda and Hart, "Use of the Hough transformation to detect lines and curves in pictures", 1972.

Limits: lines within four degrees of the grid's own, curves, and what is shorter than 60 mm are not looked for.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import SRGB_TO_LINEAR
from tracer.search.ground import Ground
from tracer.search.mat_grid import BARE, NOISE, MatGrid
from tracer.search.raster import Window, as_mask, grown, opened
from tracer.search.slant import Slant

Floats = NDArray[np.float64]

_THIN_MM, _THIN_PX = 2.4, 5.0
"""Printed lines are thinner than the larger of these two (common practice, no source; a blurred one that runs aslant
covers squares of three pixels)."""
_TURN_RAD, _LEAST_TURN_RAD = np.radians(0.25), np.radians(4.0)
_BIN_MM, _NEAR_MM = 1.0, 1.2
_SHORTEST_MM, _PIECE_MM = 60.0, 2.0
"""A line is seen along so much, counted in pieces so long."""
_MOST_POINTS, _MOST_LINES = 20_000, 12
_REACH_PX, _STEP_PX, _ALONG_PX = 6.0, 0.5, 2.0
_CLEAR_PX = 2.5
"""Half the width of a line of the grid in the picture, with its blur (measured on photos of 3 to 4 px a millimetre)."""
_SECTION_ROWS, _FEWEST_ROWS, _FEWEST_IN_SECTION = 20, 30, 3
_FAINTEST, _AS_CLEAR, _MOSTLY = 0.05, 0.4, 0.6
"""A line is so much lighter or darker than the mat at least; seen where it has this share of what is usual along it;
and mostly seen (judgement)."""
_OFF_PX = 2.0


def find_slants(grid: MatGrid, pixels: NDArray[np.uint8], ground: Ground) -> tuple[Slant, ...]:
    """Return the lines printed aslant on a mat.

    Parameters
    ----------
    grid : MatGrid
    pixels : ndarray of uint8, shape (rows, columns, 3)
    ground : Ground
        The mat's.
    """
    if not len(grid.flanks_px):
        return ()
    places = _thin_places(grid, ground)
    pitch = grid.lattice.pitch_mm
    out = []
    for _ in range(_MOST_LINES):
        line = _strongest(places, pitch)
        if line is None:
            break
        normal, offset = line
        near = np.abs(places @ normal - offset) * pitch < _NEAR_MM
        slant = _read(grid, pixels, ground, *_through(places[near]))
        if slant is not None:
            out.append(slant)
        places = places[~near]
    return tuple(out)


def _thin_places(grid: MatGrid, ground: Ground) -> Floats:
    """Return where in the grid something thin is foreign to the mat."""
    scale = ground.mm_per_px
    foreign = as_mask(ground.foreign)
    wide = max(_THIN_MM / scale, _THIN_PX)
    thin = foreign & as_mask(grown(opened(foreign, wide), 2 * wide) == 0)
    rows, columns = thin.shape
    window = Window(x=0, y=0, columns=columns, rows=rows, step=ground.factor)
    places = grid.places(window)[:, :, :2][thin > 0].astype(np.float64)
    return places[:: max(1, -(-len(places) // _MOST_POINTS))]


def _strongest(places: Floats, pitch_mm: float) -> tuple[Floats, float] | None:
    """Return normal and offset of the line on which most of the places lie; None where none is long enough."""
    if len(places) < _SHORTEST_MM / _PIECE_MM:
        return None
    wide = _BIN_MM / pitch_mm
    best, found = 0, None
    for turn in np.arange(_LEAST_TURN_RAD, np.pi, _TURN_RAD):
        if abs(turn - np.pi / 2) < _LEAST_TURN_RAD or turn > np.pi - _LEAST_TURN_RAD:
            continue
        normal = np.array([np.cos(turn), np.sin(turn)])
        at = places @ normal / wide
        low = np.floor(at.min())
        votes = np.bincount((at - low).astype(np.intp))
        # A line may lie across the border of two bins.
        votes = votes[:-1] + votes[1:] if len(votes) > 1 else votes
        top = int(np.argmax(votes))
        if votes[top] > best:
            best, found = int(votes[top]), (normal, float((low + top + 1) * wide))
    if found is None:
        return None
    normal, offset = found
    mine = np.abs(places @ normal - offset) * pitch_mm < _NEAR_MM
    along = places[mine] @ [-normal[1], normal[0]] * pitch_mm / _PIECE_MM
    return found if len(np.unique(np.floor(along))) >= _SHORTEST_MM / _PIECE_MM else None


def _through(places: Floats) -> tuple[Floats, float]:
    """Return normal and offset of the straight line through places (least squares across it)."""
    middle = places.mean(axis=0)
    normal = np.linalg.svd(places - middle, full_matrices=False)[2][1]
    return normal, float(middle @ normal)


def _read(grid: MatGrid, pixels: NDArray[np.uint8], ground: Ground, normal: Floats, offset: float) -> Slant | None:
    """Return a line as it is seen in the picture; None where there is none."""
    for _ in range(2):
        along, gain, plain = _strips(grid, pixels, ground, normal, offset)
        if plain.sum() < _FEWEST_ROWS:
            return None
        steps = (np.arange(gain.shape[1]) - gain.shape[1] // 2) * _STEP_PX
        middle = np.abs(steps) <= 1.0
        strength = gain.mean(axis=2)
        usual = float(np.median(strength[plain][:, middle].mean(axis=1)))
        if abs(usual) < _FAINTEST:
            return None
        clear = plain & (strength[:, middle].mean(axis=1) / usual > _AS_CLEAR)
        if clear.sum() < _FEWEST_ROWS:
            return None
        # Laid anew through its middle as it is seen.
        weight = np.maximum(strength[clear] / usual, 0)
        centre = (weight * steps).sum(axis=1) / weight.sum(axis=1)
        bend = np.polyfit(along[clear], np.clip(centre, -_OFF_PX, _OFF_PX), 1)
        way = np.array([-normal[1], normal[0]])
        ends = along[[0, -1]]
        per_px = np.median(grid.places_at(grid.to_px(normal * offset + ends[:, None] * way))[:, 2:])
        a, b = (normal * (offset + np.polyval(bend, t) * per_px) + t * way for t in ends)
        turned = (b - a) / np.hypot(*(b - a))
        normal = np.array([turned[1], -turned[0]])
        offset = float(a @ normal)
    seen = _seen_sections(plain, clear)
    if clear.sum() < _MOSTLY * (plain & np.repeat(seen, _SECTION_ROWS)[: len(plain)]).sum() or not seen.any():
        return None
    along, gain, plain = _strips(grid, pixels, ground, normal, offset)
    rows = gain[plain & np.repeat(seen, _SECTION_ROWS)[: len(plain)]]
    if len(rows) < _FEWEST_ROWS:
        return None
    step = float(along[1] - along[0])
    profile = np.median(rows, axis=0)
    # Nothing of it is left at the ends of what is looked at.
    profile -= (profile[0] + profile[-1]) / 2
    return Slant(
        normal=normal, offset=offset, first=float(along[0] - step / 2), section=_SECTION_ROWS * step, seen=seen,
        gain=profile.astype(np.float32), step_px=_STEP_PX,
    )  # fmt: skip


def _seen_sections(plain: NDArray[np.bool_], clear: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return in which sections a line is seen; where too little is bare, as in the nearest where it is not."""
    count = -(-len(plain) // _SECTION_ROWS)
    part = np.arange(len(plain)) // _SECTION_ROWS
    bare = np.bincount(part[plain], minlength=count)
    there = np.bincount(part[clear], minlength=count)
    known = np.flatnonzero(bare >= _FEWEST_IN_SECTION)
    if not len(known):
        return np.zeros(count, dtype=bool)
    nearest = known[np.argmin(np.abs(np.arange(count)[:, None] - known), axis=1)]
    return np.asarray(there[nearest] > bare[nearest] / 2)


def _strips(
    grid: MatGrid, pixels: NDArray[np.uint8], ground: Ground, normal: Floats, offset: float
) -> tuple[Floats, NDArray[np.float32], NDArray[np.bool_]]:
    """Return places along a line, the gain across it at each, (places, samples, 3), and where it lies bare."""
    way = np.array([-normal[1], normal[0]])
    crossings = np.rint(grid.places_at(grid.flanks_px.mean(axis=1))[:, :2]).astype(np.float64)
    low, high = crossings.min(axis=0), crossings.max(axis=0)
    ends = np.sort(np.stack([(low - normal * offset) / way, (high - normal * offset) / way]), axis=0)
    begin, end = float(ends[0].max()), float(ends[1].min())
    here = grid.to_px(normal * offset + np.array([[begin], [end]]) * way)
    count = max(2, int(np.hypot(*(here[1] - here[0])) / _ALONG_PX))
    along = np.linspace(begin, end, count)
    centre = grid.to_px(normal * offset + along[:, None] * way)
    aside = grid.to_px(normal * (offset + 0.05) + along[:, None] * way) - centre
    run = np.asarray(np.gradient(centre, axis=0))
    across = np.stack([-run[:, 1], run[:, 0]], axis=1)
    across *= np.sign((across * aside).sum(axis=1))[:, None]
    across /= np.maximum(np.hypot(*across.T), 1e-9)[:, None]
    steps = np.arange(-_REACH_PX, _REACH_PX + 1e-9, _STEP_PX)
    at = (centre[:, None] + across[:, None] * steps[:, None]).astype(np.float32)
    seen = cv2.remap(pixels, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    reduced = ((at + 0.5) / ground.factor - 0.5).astype(np.float32)
    light = cv2.remap(ground.light, reduced[..., 0], reduced[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    gain = np.asarray(SRGB_TO_LINEAR[seen] / np.maximum(light, 1e-3) - 1, dtype=np.float32)
    places = grid.places_at(centre)
    off = np.abs(places[:, :2] - np.rint(places[:, :2])) / np.maximum(places[:, 2:], 1e-9)
    # What is looked at across lies so far from the grid's own lines as these are wide.
    reach = _REACH_PX * np.abs(normal) + _CLEAR_PX
    plain = (off > np.minimum(reach, 0.25 / places[:, 2:])).all(axis=1)
    flank = steps <= -_REACH_PX + 1.5, steps >= _REACH_PX - 1.5
    most = BARE + NOISE / np.maximum(light[:, light.shape[1] // 2], 1e-3)
    plain &= np.stack([(np.abs(np.median(gain[:, f], axis=1)) < most).all(axis=1) for f in flank]).all(axis=0)
    height, width = pixels.shape[:2]
    plain &= ((centre > _REACH_PX) & (centre < [width - 1 - _REACH_PX, height - 1 - _REACH_PX])).all(axis=1)
    return along, gain, plain
