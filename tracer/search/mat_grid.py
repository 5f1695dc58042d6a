"""The printed grid of a mat in the picture: where each line lies, how it looks, what the bare mat looks like beside it.

The lines of a mat are known from the reference to a fraction of a pixel. Each is read where nothing lies on it, as a
share of the light of the mat beside it, so the light of the mat with its lines is known also where a piece meets them.

Lines printed aslant are found besides (:mod:`tracer.search.slant_finder`).

Limits: what else is printed (numbers, curves, dashed lines between) stays.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import MmPoints, PxPoints, Sheet
from calibration.light import SRGB_TO_LINEAR
from calibration.references import Reference
from tracer.search.lattice import Lattice, find_lattice, mat_reference
from tracer.search.raster import Window
from tracer.search.slant import Slant

Floats = NDArray[np.float64]

_COARSE_PX = 16
"""Distance of the places where the map is worked out; between them it is as good as straight (a lens of |k1| 0.12
bends it by 0.006 px)."""
_BAND_ROWS = 128
"""So many rows of a whole picture are worked out at a time: memory that is used again costs no new pages."""
_REACH_PX, _STEP_PX = 6.0, 0.5
_HEAVY_MM, _BLURRED_PX = 1.0, 3.0
"""Width of the heaviest lines (common practice, no source), and how far beyond its border one changes the light. Lines
are looked at across so much, at least: looked at too closely, a heavy one in a near photo was never seen to lie bare,
was taken for a thin one, and what was left of it belonged to the card beside it."""
_MOST_ROWS = 30_000
"""More than this cv2 does not take in one map."""
_ALONG_PX = 4.0
_SECTION_PX = 500.0
_FLANK_SHORT_PX = 1.5
"""The light beside a line is read so far from the end of what is looked at."""
BARE, NOISE = 0.12, 0.004
"""Share of the mat's light by which the flanks of a line may differ where nothing lies on it, nor a shadow; and noise
of linear light after JPEG (2 to 3 codes; judgement). A teal mat has so little red that this is half of it."""
_CROSSING_PX = 5.0
_FEWEST_ROWS = 12
_FLANK_OF_PITCH, _FLANK_MM = 0.25, 3.0
_QUADRANTS = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
_CORNERS = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
_FEWEST_TOLD, _CLEARLY, _GONE = 12, 0.5, 0.3
"""A line tells where it is not seen by so many readings, of which two thirds have more than the second share of what
is usual along it; less than the third is nothing (judgement)."""
_FEWEST_LISTED, _BESIDE_MM, _AS_CLEAR = 12, 1.3, 0.7
_ALONG_ARM = np.array([0.12, 0.2, 0.28])
"""Crossings by which the others are judged; how far beside a line it is looked at; what share of the usual contrast its
arms have at least (judgement); and where along them that is, in pitches."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MatGrid:
    """Where the grid of a mat lies in a picture.

    Parameters
    ----------
    sheet : Sheet
    lattice : Lattice
    outline_px : ndarray, shape (M, 2)
        Of the grid in the picture.
    coarse : ndarray of float32, shape (rows, columns, 4)
        Every sixteen pixels: place in the grid, in pitches, across and down, and how many pitches a pixel is, across
        each.
    flanks_px : ndarray, shape (N, 4, 2)
        Four places beside each crossing of lines that was seen, within the cells.
    bare : ndarray of bool, shape (N, 4)
        Which of these lie between two arms of the crossing that are seen: there the mat itself is.
    hidden_px : ndarray, shape (M, 4, 2)
        Corners of the quarters of cells that have no arm of their crossing although their lines are seen clearly
        elsewhere: there something lies on the mat, whatever its colour.
    """

    sheet: Sheet
    lattice: Lattice
    outline_px: Floats
    coarse: NDArray[np.float32]
    flanks_px: Floats
    bare: NDArray[np.bool_]
    hidden_px: Floats = field(default_factory=lambda: np.zeros((0, 4, 2)))

    @property
    def flank_pitches(self) -> float:
        """How far from both lines of a crossing the places beside it lie."""
        return min(_FLANK_OF_PITCH, _FLANK_MM / self.lattice.pitch_mm)

    def places(self, window: Window) -> NDArray[np.float32]:
        """Return what ``coarse`` holds for each pixel of a window, shape (rows, columns, 4)."""
        scale = window.step / _COARSE_PX
        first = [(at + (window.step - 1) / 2) / _COARSE_PX for at in (window.x, window.y)]
        warp = np.array([[scale, 0, first[0]], [0, scale, first[1]]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (window.columns, window.rows)
        return np.asarray(
            cv2.warpAffine(self.coarse, warp, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32
        )

    def places_at(self, points_px: Floats) -> NDArray[np.float32]:
        """Return what ``coarse`` holds for points (N, 2) of the picture, shape (N, 4)."""
        at = (points_px / _COARSE_PX).astype(np.float32)
        parts = [
            cv2.remap(self.coarse, p[:, :1], p[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:, 0]
            for p in np.array_split(at, max(1, -(-len(at) // _MOST_ROWS)))
        ]
        return np.asarray(np.concatenate(parts), dtype=np.float32)

    def lines_mask(self, step_px: int, within_mm: float) -> NDArray[np.uint8]:
        """Return 255 where a line of the grid is so close, on the whole picture reduced by a step."""
        picture = self.sheet.picture
        columns, rows = (max(1, -(-side // step_px)) for side in (picture.width_px, picture.height_px))
        out = np.zeros((rows, columns), dtype=np.uint8)
        for top in range(0, rows, _BAND_ROWS):
            band = out[top : top + _BAND_ROWS]
            window = Window(x=0, y=top * step_px, columns=columns, rows=len(band), step=step_px)
            across, down = (np.abs(side - np.rint(side)) for side in cv2.split(self.places(window))[:2])
            band[np.minimum(across, down) * np.float32(self.lattice.pitch_mm) < within_mm] = 255
        return out

    def to_px(self, places: Floats) -> Floats:
        """Map places in the grid (N, 2), in pitches, to pixels."""
        lattice = self.lattice
        mm = (places * lattice.pitch_mm - lattice.shift) @ lattice.turn
        return np.asarray(self.sheet.to_px(MmPoints(mm)), dtype=np.float64)


def find_grid(sheet: Sheet) -> MatGrid | None:
    """Return the grid of the mat under a sheet; None when there is no mat."""
    lattice, mat = find_lattice(sheet), mat_reference(sheet)
    if lattice is None or mat is None:
        return None
    rows, columns = (side // _COARSE_PX + 2 for side in (sheet.picture.height_px, sheet.picture.width_px))
    y, x = np.mgrid[0:rows, 0:columns] * float(_COARSE_PX)
    at = _places(sheet, lattice, np.stack([x.ravel(), y.ravel()], axis=1)).reshape(rows, columns, 2)
    down, across = (np.asarray(np.gradient(at, _COARSE_PX, axis=axis)) for axis in (0, 1))
    per_px = np.hypot(across, down)
    grid = MatGrid(
        sheet=sheet,
        lattice=lattice,
        outline_px=np.asarray(mat.outline_px, dtype=np.float64),
        coarse=np.concatenate([at, per_px], axis=2).astype(np.float32),
        flanks_px=np.zeros((0, 4, 2)),
        bare=np.zeros((0, 4), dtype=bool),
    )
    return _with_flanks(grid, mat)


def _places(sheet: Sheet, lattice: Lattice, px: Floats) -> Floats:
    mm = np.asarray(sheet.to_mm(PxPoints(px)), dtype=np.float64)
    return np.asarray((mm @ lattice.turn.T + lattice.shift) / lattice.pitch_mm)


def _with_flanks(grid: MatGrid, mat: Reference) -> MatGrid:
    listed = np.unique(np.rint(_places(grid.sheet, grid.lattice, np.asarray(mat.points_px, dtype=np.float64))), axis=0)
    if len(listed) < _FEWEST_LISTED:
        nodes, seen = listed, np.zeros((len(listed), 4), dtype=bool)
        hidden = np.zeros((0, 4, 2))
    else:
        all_nodes, known, contrast = _arms(grid, listed)
        nodes, seen = _seen_arms(all_nodes, known, contrast)
        quarters = all_nodes[:, None, None] + 0.5 * _QUADRANTS[:, None] * _CORNERS
        hidden = quarters[_between(_hidden_arms(all_nodes, known, contrast))]
    flanks = grid.to_px((nodes[:, None] + _QUADRANTS * grid.flank_pitches).reshape(-1, 2)).reshape(-1, 4, 2)
    hidden_px = grid.to_px(hidden.reshape(-1, 2)).reshape(-1, 4, 2)
    return replace(grid, flanks_px=flanks, bare=_between(seen), hidden_px=hidden_px)


def _between(arms: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which quadrants lie between two arms with a property, (N, 4)."""
    left, right, up, down = arms.T
    return np.stack([left & up, right & up, right & down, left & down], axis=1)


def _arms(grid: MatGrid, listed: Floats) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return all crossings that listed ones (M, 2) span, (N, 2), which are listed, and how their arms stand out.

    The last, (4, 2, N), is for the arms left, right, up, down, each against the mat on both of its sides: logarithms of
    light.
    """
    (x0, y0), (x1, y1) = listed.min(axis=0), listed.max(axis=0)
    columns = int(x1 - x0) + 1
    nodes = np.stack(np.meshgrid(np.arange(x0, x1 + 1), np.arange(y0, y1 + 1)), axis=2).reshape(-1, 2)
    seen = np.zeros((int(y1 - y0) + 1, columns), dtype=bool)
    seen[tuple((listed - [x0, y0]).astype(np.intp).T[::-1])] = True
    known = _with_those_between(seen, grid.lattice.parts).ravel()
    beside = _BESIDE_MM / grid.lattice.pitch_mm
    pixels = grid.sheet.picture.pixels
    picture = pixels if pixels.ndim == 2 else np.ascontiguousarray(pixels[:, :, 1])
    contrast = []
    for way, sign in itertools.product(np.eye(2), (-1.0, 1.0)):
        at = nodes[:, None] + sign * _ALONG_ARM[:, None] * way
        line, left, right = (
            _log_light(picture, grid.to_px((at + o * way[::-1]).reshape(-1, 2))) for o in (0.0, -beside, beside)
        )
        contrast.append(np.stack([line - left, line - right]).reshape(2, len(nodes), -1).mean(axis=2))
    return nodes, known, np.array(contrast)


def _with_those_between(known: NDArray[np.bool_], parts: int) -> NDArray[np.bool_]:
    """Return crossings (rows, columns) and those between any two of them that are so many apart, along both axes."""
    out = known.copy()
    for here in (out, out.T):
        both = here[:-parts] & here[parts:]
        for k in range(1, parts):
            here[k : k - parts] |= both
    return out


def _seen_arms(nodes: Floats, known: NDArray[np.bool_], contrast: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return crossings (N, 2), those listed and what others are seen, and which of their four arms are, (N, 4).

    They are seen where they are as clear as those of the listed ones mostly are: a shadow takes light of a line and of
    the mat beside it in one measure, lines seen through paper are weaker.
    """
    usual = np.median(contrast[:, :, known])
    seen = np.asarray((contrast / usual > _AS_CLEAR).all(axis=1)).T
    kept = known | (seen.sum(axis=1) >= 3)
    return nodes[kept], seen[kept]


def _hidden_arms(nodes: Floats, known: NDArray[np.bool_], contrast: Floats) -> NDArray[np.bool_]:
    """Return which arms of crossings are not there, (N, 4): nothing on either side where their line is usually clear.

    Each line is asked by itself, as heavy ones are clearer; one that is not clear by far tells nothing.
    """
    out = np.zeros((len(nodes), 4), dtype=bool)
    for arm in range(4):
        number = nodes[:, 1 - arm // 2]
        pair = slice(arm - arm % 2, arm - arm % 2 + 2)
        for line in np.unique(number):
            mine = number == line
            told = contrast[pair, :, mine & known].ravel()
            if len(told) < _FEWEST_TOLD:
                continue
            usual = float(np.median(told))
            if np.percentile(told / usual, 35) > _CLEARLY:
                out[mine, arm] = (np.abs(contrast[arm][:, mine]) < _GONE * abs(usual)).all(axis=0)
    return out


def _log_light(picture: NDArray[np.uint8], points_px: Floats) -> Floats:
    """Return the logarithm of linear light at points (N, 2) of a grey picture."""
    at = points_px.astype(np.float32)
    parts = [
        cv2.remap(picture, p[:, :1], p[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:, 0]
        for p in np.array_split(at, max(1, -(-len(at) // _MOST_ROWS)))
    ]
    return np.asarray(np.log(SRGB_TO_LINEAR[np.concatenate(parts)] + 0.01), dtype=np.float64)


# -- the look of the lines ---------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridLook:
    """How the lines of a grid look: by how much they are lighter than the mat, as a share of its light.

    Parameters
    ----------
    gains : tuple of ndarray of float32, each of shape (lines, sections, samples, 3)
        For lines that run down and for lines that run across; samples every half pixel across a line, equally far to
        both sides.
    first : tuple of int
        The number in the grid of the first line of each direction.
    section : float
        Length of a section along a line, in pitches; sections begin with the first line of the other direction.
    overlap : ndarray, shape (3,)
        How much less two lines are together where they cross, as a share of the product of their gains.
    slants : tuple of Slant
        Lines printed aslant.
    """

    gains: tuple[NDArray[np.float32], NDArray[np.float32]]
    first: tuple[int, int]
    section: float
    overlap: NDArray[np.float32]
    slants: tuple[Slant, ...] = ()

    @property
    def reach_px(self) -> float:
        """How far to both sides of a line it changes the light at most."""
        return float(self.gains[0].shape[2] - 1) / 2 * _STEP_PX

    def gain(self, places: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the gain at places in the grid, (N, 4) as :class:`MatGrid` has them; shape (N, 3)."""
        down, across = self.along(places, 0), self.along(places, 1)
        both = down + across - self.overlap * down * across
        for slant in self._slants_by(places):
            aslant = slant.gains(places)
            both = both + aslant - self.overlap * both * aslant
        return np.asarray(both, dtype=np.float32)

    def away_px(self, places: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return how far places in the grid, (..., 4), are from the middle of the nearest line, px."""
        # Each of the four is read by itself several times, which is faster where it lies in one piece.
        places = np.moveaxis(np.ascontiguousarray(np.moveaxis(places, -1, 0)), 0, -1)
        off = np.abs(places[..., :2] - np.rint(places[..., :2])) / np.maximum(places[..., 2:], np.float32(1e-9))
        out = np.minimum(off[..., 0], off[..., 1])
        for slant in self._slants_by(places):
            out = np.minimum(out, np.abs(slant.away_px(places)))
        return np.asarray(out, dtype=np.float32)

    def _slants_by(self, places: NDArray[np.float32]) -> list[Slant]:
        """Return the lines aslant that come near to any of some places."""
        if not self.slants or places.size == 0:
            return []
        flat = places.reshape(-1, 4)
        low, high = ([float(ends(flat[:, k])) for k in (0, 1)] for ends in (np.min, np.max))
        return [slant for slant in self.slants if slant.comes_by(np.array(low), np.array(high))]

    def along(self, places: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
        """Return the gain of the lines of one direction alone."""
        out: NDArray[np.float32] = np.zeros((len(places), 3), dtype=np.float32)
        gains = self.gains[axis]
        line = np.rint(places[:, axis])
        away_px = (places[:, axis] - line) / np.maximum(places[:, 2 + axis], np.float32(1e-9))
        index = line.astype(np.intp) - self.first[axis]
        reach = self.reach_px
        here = np.flatnonzero((np.abs(away_px) < reach - _STEP_PX) & (index >= 0) & (index < len(gains)))
        at = (away_px[here] + np.float32(reach)) / np.float32(_STEP_PX)
        low = at.astype(np.intp)
        share = (at - low)[:, None]
        along = (places[here, 1 - axis] - self.first[1 - axis]) / self.section
        section = np.clip(along, 0, gains.shape[1] - 1).astype(np.intp)
        out[here] = gains[index[here], section, low] * (1 - share) + gains[index[here], section, low + 1] * share
        return out

    @property
    def contrast(self) -> float:
        """How much lighter (above 1) or darker (below) than the mat the middle of a usual line is."""
        middle = self.gains[0].shape[2] // 2
        both = np.concatenate([g[:, :, middle].reshape(-1, 3) for g in self.gains])
        return float(1 + np.median(both.mean(axis=1)))


def read_look(grid: MatGrid, pixels: NDArray[np.uint8], light: NDArray[np.float32], factor: int) -> GridLook:
    """Read how the lines look where the mat is bare.

    Parameters
    ----------
    grid : MatGrid
    pixels : ndarray of uint8, shape (rows, columns, 3)
    light : ndarray of float32, shape (rows, columns, 3)
        Linear light of the mat without its lines, on a picture reduced by ``factor``.
    factor : int
    """
    middle = np.median(grid.flanks_px.reshape(-1, 2), axis=0)
    nodes = _places(grid.sheet, grid.lattice, grid.flanks_px.mean(axis=1))
    low, high = np.rint(nodes.min(axis=0)).astype(int), np.rint(nodes.max(axis=0)).astype(int)
    here = np.array([middle, middle + [1.0, 0.0], middle + [0.0, 1.0]])
    at = _places(grid.sheet, grid.lattice, here)
    per_px = float(np.hypot(*(at[1:] - at[0])[:, 0]))
    section = _SECTION_PX * per_px
    gains = []
    for axis in (0, 1):
        numbers = np.arange(low[axis], high[axis] + 1)
        length = float(high[1 - axis] - low[1 - axis])
        along = low[1 - axis] + np.arange(0.0, length, _ALONG_PX * per_px)
        rows = _strips(grid, pixels, light, factor, axis, numbers, along, per_px)
        part = ((along - low[1 - axis]) / section).astype(np.intp)
        gains.append(_averaged(rows, part))
    look = GridLook(
        gains=(gains[0], gains[1]),
        first=(int(low[0]), int(low[1])),
        section=section,
        overlap=np.zeros(3, dtype=np.float32),
    )
    return replace(look, overlap=_overlap(look, grid, pixels, light, factor, per_px))


def _overlap(
    look: GridLook,
    grid: MatGrid,
    pixels: NDArray[np.uint8],
    light: NDArray[np.float32],
    factor: int,
    per_px: float,
) -> NDArray[np.float32]:
    """Return the overlap of lines where they cross, from the crossings that lie bare."""
    rows, columns = light.shape[:2]

    def bare_at(px: Floats) -> NDArray[np.float32]:
        x, y = np.rint((px + 0.5) / factor - 0.5).astype(np.intp).T
        return np.asarray(light[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)])

    def seen_at(px: Floats) -> NDArray[np.float32]:
        x, y = np.rint(px).astype(np.intp).T
        inside = (np.clip(y, 0, pixels.shape[0] - 1), np.clip(x, 0, pixels.shape[1] - 1))
        return np.asarray(SRGB_TO_LINEAR[pixels[inside]])

    flanks = grid.flanks_px.reshape(-1, 2)
    there = np.maximum(bare_at(flanks), 1e-3)
    is_bare = (np.abs(seen_at(flanks) - there) < 2 * (BARE * there + NOISE)).all(axis=1).reshape(-1, 4).all(axis=1)
    centre = grid.flanks_px.mean(axis=1)[is_bare]
    if len(centre) < _FEWEST_ROWS:
        return np.zeros(3, dtype=np.float32)
    steps = np.array([[x, y] for x in range(-2, 3) for y in range(-2, 3)], dtype=np.float64)
    px = np.rint((centre[:, None] + steps).reshape(-1, 2))
    at = _places(grid.sheet, grid.lattice, px)
    places = np.concatenate([at, np.full_like(at, per_px)], axis=1).astype(np.float32)
    down, across = look.along(places, 0), look.along(places, 1)
    seen = seen_at(px) / np.maximum(bare_at(px), 1e-3) - 1
    both = down * across
    return np.asarray((both * (down + across - seen)).sum(axis=0) / np.maximum((both**2).sum(axis=0), 1e-6))


def _strips(
    grid: MatGrid,
    pixels: NDArray[np.uint8],
    light: NDArray[np.float32],
    factor: int,
    axis: int,
    numbers: NDArray[np.int_],
    along: Floats,
    per_px: float,
) -> NDArray[np.float32]:
    """Return the gain across each line at each place along it, (lines, places, samples, 3); NaN where not bare."""
    count = len(along)
    places = np.empty((len(numbers), count, 2))
    places[:, :, axis], places[:, :, 1 - axis] = numbers[:, None], along
    centre = grid.to_px(places.reshape(-1, 2)).reshape(len(numbers), count, 2)
    way = np.asarray(np.gradient(centre, axis=1))
    normal = np.stack([-way[:, :, 1], way[:, :, 0]], axis=2)
    normal /= np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-9)
    ahead = _places(grid.sheet, grid.lattice, (centre[:, ::50] + normal[:, ::50]).reshape(-1, 2))
    if float(np.median(ahead[:, axis] - places[:, ::50, axis].ravel())) < 0:
        normal = -normal
    reach = _reach_px(per_px * grid.lattice.pitch_mm)
    offsets = np.arange(-reach, reach + 1e-9, _STEP_PX)
    at = (centre[:, :, None] + normal[:, :, None] * offsets[:, None]).astype(np.float32)
    # Line by line: OpenCV takes maps of less than 32767 columns.
    seen = np.stack(
        [cv2.remap(pixels, own[..., 0], own[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE) for own in at]
    )
    reduced = ((centre + 0.5) / factor - 0.5).astype(np.float32)
    bare = cv2.remap(light, reduced[..., 0], reduced[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    lit = SRGB_TO_LINEAR[seen]
    gain = np.asarray(lit / np.maximum(bare, 1e-3)[:, :, None] - 1, dtype=np.float32)
    # In fine grids the next line comes soon: nothing is asked beyond the middle of the cell.
    flank = min(reach - _FLANK_SHORT_PX, 0.5 / per_px - 1.0)
    one, other = offsets <= -flank, offsets >= flank
    free = np.abs(along - np.rint(along)) / per_px > min(max(_CROSSING_PX, reach - 1.0), 0.25 / per_px)
    most = BARE + NOISE / np.maximum(bare, 1e-3)
    plain = (np.abs(np.median(gain[:, :, one], axis=2)) < most) & (np.abs(np.median(gain[:, :, other], axis=2)) < most)
    height, width = pixels.shape[:2]
    inside = ((centre > reach) & (centre < [width - 1 - reach, height - 1 - reach])).all(axis=2)
    gain[~(plain.all(axis=2) & free & inside)] = np.nan
    return gain


def _reach_px(mm_per_px: float) -> float:
    """Return how far from their middle lines are looked at, px: in whole steps."""
    return max(_REACH_PX, float(np.ceil((_HEAVY_MM / 2 / mm_per_px + _BLURRED_PX) / _STEP_PX)) * _STEP_PX)


def _averaged(rows: NDArray[np.float32], part: NDArray[np.intp]) -> NDArray[np.float32]:
    """Return the median gain of each section of each line; of the whole line, or of all, where too little is bare."""
    lines, _, samples, _ = rows.shape
    sections = int(part.max()) + 1
    out = np.zeros((lines, sections, samples, 3), dtype=np.float32)
    known = np.isfinite(rows[:, :, 0, 0])
    whole = np.full((lines, samples, 3), np.nan, dtype=np.float32)
    for line in range(lines):
        if known[line].sum() >= _FEWEST_ROWS:
            whole[line] = np.median(rows[line][known[line]], axis=0)
    if not np.isfinite(whole).any():
        return out
    usual = np.nanmedian(whole, axis=0)
    for line in range(lines):
        own = whole[line] if np.isfinite(whole[line]).all() else usual
        for section in range(sections):
            pick = known[line] & (part == section)
            out[line, section] = np.median(rows[line][pick], axis=0) if pick.sum() >= _FEWEST_ROWS else own
    return out
