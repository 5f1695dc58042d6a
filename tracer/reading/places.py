"""Places with words: cut out level, laid out on pages, and the way back from a page to the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.reading.models import LEAST_PAGE_PX, LINE_PX

GLYPH_PX = 18.0
"""Height to which lettering is brought where lines are looked for."""
SHEET_PX = 1400
"""Side of the picture on which crops are laid out for reading."""
_APART_PX = 56
"""Crops laid closer to each other are read as one line."""
_ALONG, _ACROSS = 1.3, 0.8
"""Margin around a place along and across its lines, in glyphs: letters of thin strokes may not be among its glyphs."""
_FEWEST_CROPS = 4
"""With fewer crops for each a page is not divided."""
_LONGER = 4.0
"""A line that runs on is looked at in a crop that is longer by so many glyphs at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Where to read.

    Parameters
    ----------
    box : tuple of float
        (u0, v0, u1, v1) in pixels of the picture, along and across the lines: the picture's own x and y for level
        lines, those axes turned about the picture's first pixel by ``turn_rad`` for others.
    glyph_px : float
        Height of a glyph there in pixels.
    turn_rad : float
        Direction of the lines, clockwise from the picture's x. Which of the two ways along it they run is found out.
    letters : int
        So many letters are about there; 0 where that is not known.
    cells : bool
        Words beside each other stand in cells of a table and make no line.
    glyphs : ndarray, shape (N, 4), or None
        Boxes of the glyphs there as far as they are known: x, y, width, height in pixels of the picture.
    """

    box: tuple[float, float, float, float]
    glyph_px: float
    turn_rad: float = 0.0
    letters: int = 0
    cells: bool = False
    glyphs: NDArray[np.float64] | None = field(default=None, compare=False, repr=False)

    def across(self) -> Region:
        """Return the same place for lines that run across."""
        u0, v0, u1, v1 = self.box
        return replace(self, box=(v0, -u1, v1, -u0), turn_rad=self.turn_rad + math.pi / 2)

    def longer(self, before: bool, behind: bool) -> Region:
        """Return a longer place at the beginning or end of its lines."""
        u0, v0, u1, v1 = self.box
        more = max(_LONGER * self.glyph_px, u1 - u0)
        return replace(self, box=(u0 - more * before, v0, u1 + more * behind, v1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A line's box: middle, half length and half height in pixels of the picture, and its direction."""

    u: float
    v: float
    long: float
    high: float
    turn_rad: float

    def across(self) -> Box:
        """Return the same box for a line that runs across."""
        return replace(self, long=self.high, high=self.long, turn_rad=self.turn_rad + math.pi / 2)

    def corners(self) -> NDArray[np.float64]:
        """Return its corners in the picture, shape (4, 2)."""
        local = np.array([[-self.long, -self.high], [self.long, -self.high], [self.long, self.high],
                          [-self.long, self.high]])  # fmt: skip
        return np.asarray(local @ lines_axes(self.turn_rad) + np.array([self.u, self.v]))


def lines_axes(turn_rad: float) -> NDArray[np.float64]:
    """Return the directions along and across lines as rows."""
    c, s = float(np.cos(turn_rad)), float(np.sin(turn_rad))
    return np.array([[c, s], [-s, c]])


def crop(pixels: NDArray[np.uint8], box: Box) -> NDArray[np.uint8]:
    """Cut a line out of the picture, level and as high as the model takes it, its channels in OpenCV's order."""
    middle = lines_axes(box.turn_rad) @ np.array([box.u, box.v])
    around = (middle[0] - box.long, middle[1] - box.high, middle[0] + box.long, middle[1] + box.high)
    return _cut(pixels, around, box.turn_rad, LINE_PX / max(2.0 * box.high, 1.0))


def _cut(
    pixels: NDArray[np.uint8], box: tuple[float, float, float, float], turn_rad: float, zoom: float
) -> NDArray[np.uint8]:
    """Cut a turned box out of the picture and bring it to another size."""
    axes = lines_axes(turn_rad)
    corners = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]]) @ axes
    low = np.clip(np.floor(corners.min(axis=0)).astype(int) - 2, 0, [pixels.shape[1] - 1, pixels.shape[0] - 1])
    high = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 3, low + 1, [pixels.shape[1], pixels.shape[0]])
    part = pixels[low[1] : high[1], low[0] : high[0]]
    smaller = min(1.0, zoom)
    if smaller < 1.0:
        # The mean of what each pixel covers; turning alone would leave out most of them.
        size = (max(1, round(part.shape[1] * smaller)), max(1, round(part.shape[0] * smaller)))
        part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    own = np.array([part.shape[1], part.shape[0]]) / (high - low)
    wide, tall = max(4, round((box[2] - box[0]) * zoom)), max(4, round((box[3] - box[1]) * zoom))
    # Pixel of the crop -> picture -> pixel of the part.
    linear = axes.T / zoom * own[:, None]
    shift = (np.array([box[0] + 0.5 / zoom, box[1] + 0.5 / zoom]) @ axes - low) * own - 0.5
    matrix = np.column_stack([linear, shift])
    how = cv2.INTER_CUBIC if zoom > 1.0 else cv2.INTER_LINEAR
    crop = cv2.warpAffine(part, matrix, (wide, tall), flags=how | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    if crop.ndim == 2:
        crop = cv2.cvtColor(crop, cv2.COLOR_GRAY2RGB)
    return np.ascontiguousarray(crop[:, :, ::-1], dtype=np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A crop on a page, and how to get back from there to the picture."""

    number: int
    left: int
    top: int
    right: int
    bottom: int
    zoom: float
    u0: float
    v0: float
    turn_rad: float
    cells: bool

    def box_of(self, quad: NDArray[np.float64]) -> Box:
        """Return what the detector found as a box in the picture."""
        axes = lines_axes(self.turn_rad)
        local = (quad - [self.left, self.top] + 0.5) / self.zoom + [self.u0, self.v0]
        along, down = local[1] - local[0] + local[2] - local[3], local[3] - local[0] + local[2] - local[1]
        middle = local.mean(axis=0) @ axes
        return Box(
            u=float(middle[0]) - 0.5,
            v=float(middle[1]) - 0.5,
            long=max(1.0, float(np.hypot(*along)) / 4),
            high=max(1.0, float(np.hypot(*down)) / 4),
            turn_rad=self.turn_rad + float(np.arctan2(along[1], along[0])),
        )


def lay_out(
    pixels: NDArray[np.uint8], regions: Sequence[Region], larger: float, shares: int = 1
) -> list[tuple[NDArray[np.uint8], list[Place]]]:
    """Lay crops out on pages, in so many shares of about the same size if there are enough of them."""
    crops = sorted(
        (_place_of(pixels, region, larger, number) for number, region in enumerate(regions)),
        key=lambda c: -c[0].shape[0],
    )
    shares = max(1, min(shares, len(crops) // _FEWEST_CROPS))
    return [page for k in range(shares) for page in _on_shelves(crops[k::shares])]


def _place_of(pixels: NDArray[np.uint8], region: Region, larger: float, number: int) -> tuple[NDArray[np.uint8], Place]:
    """Cut a region out at the size of lettering in which lines are looked for; its place on a page is still open."""
    zoom = min(1.5 * larger, larger * GLYPH_PX / max(region.glyph_px, 1.0))
    along, across = _ALONG * region.glyph_px, _ACROSS * region.glyph_px
    u0, v0, u1, v1 = region.box
    box = (u0 - along, v0 - across, u1 + along, v1 + across)
    zoom = min(zoom, (SHEET_PX - 8) / max(box[2] - box[0], box[3] - box[1]))
    cut = _cut(pixels, box, region.turn_rad, zoom)
    place = Place(
        number=number,
        left=0,
        top=0,
        right=cut.shape[1],
        bottom=cut.shape[0],
        zoom=zoom,
        u0=box[0],
        v0=box[1],
        turn_rad=region.turn_rad,
        cells=region.cells,
    )
    return cut, place


def _on_shelves(crops: Sequence[tuple[NDArray[np.uint8], Place]]) -> list[tuple[NDArray[np.uint8], list[Place]]]:
    """Lay crops, tallest first, on shelves of pages."""
    pages: list[tuple[NDArray[np.uint8], list[Place]]] = []
    x = y = shelf = 0
    for cut, place in crops:
        high, wide = cut.shape[:2]
        if pages and x + wide > SHEET_PX:
            x, y, shelf = 0, y + shelf + _APART_PX, 0
        if not pages or y + high > SHEET_PX:
            pages.append((np.full((SHEET_PX, SHEET_PX, 3), 245, dtype=np.uint8), []))
            x = y = shelf = 0
        page, places = pages[-1]
        page[y : y + high, x : x + wide] = cut
        places.append(replace(place, left=x, top=y, right=x + wide, bottom=y + high))
        x, shelf = x + wide + _APART_PX, max(shelf, high)
    return [(_trimmed(page, places), places) for page, places in pages]


def _trimmed(page: NDArray[np.uint8], places: Sequence[Place]) -> NDArray[np.uint8]:
    """Cut off a page's empty margin: the finder would look at it too."""
    rows = max(LEAST_PAGE_PX, *(p.bottom for p in places))
    columns = max(LEAST_PAGE_PX, *(p.right for p in places))
    return np.ascontiguousarray(page[:rows, :columns])
