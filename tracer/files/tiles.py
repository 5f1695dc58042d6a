"""A drawing on many sheets of paper, to be printed at home and put together.

The drawing is cut by a grid of lines; every tile shows its own cell and, on the right and below, a strip of the next.
Where grid lines cross there is a mark: a small cross that is printed on every tile that shows the place, so that tiles
are put together by laying cross on cross. Rows are numbered, columns have letters. The first page carries what a person
needs to trust the printer: two test squares, a ruler, and a map of the tiles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from calibration import MM_PER_INCH
from tracer.cutting.words import counted
from tracer.errors import FileFormatError
from tracer.files.drawing import Drawing, DrawnPiece
from tracer.files.pdf import PdfPages, PdfStyle, draw_piece
from tracer.path import OpenPath, Path

Paper = Literal["A4", "A3", "Letter", "Legal", "Tabloid"]

PAPERS_MM: dict[str, tuple[float, float]] = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "Letter": (215.9, 279.4),
    "Legal": (215.9, 355.6),
    "Tabloid": (279.4, 431.8),
}
"""Width and height; ISO 216, and the North American sizes from memory (8 1/2 x 11, 8 1/2 x 14, 11 x 17 in)."""

_EDGE_MM = 10.0
"""What home printers leave white at the edge, with some to spare (common practice, no source)."""

_OVERLAP_MM = 10.0
_MARK_MM = 4.0
_LINE_MM = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class TileOptions:
    """How a drawing is cut into tiles.

    Parameters
    ----------
    paper : str
        One of :data:`PAPERS_MM`.
    overlap_mm : float
        Strip that neighbouring tiles share.
    edge_mm : float
        White edge of the paper.
    """

    paper: str = "A4"
    overlap_mm: float = _OVERLAP_MM
    edge_mm: float = _EDGE_MM

    def __post_init__(self) -> None:
        if self.paper not in PAPERS_MM:
            raise FileFormatError(f"the paper '{self.paper}' is not known; choose one of {', '.join(PAPERS_MM)}")
        if self.overlap_mm < 0 or self.edge_mm < 0 or min(self.cell_mm) < 50:
            raise FileFormatError("these tiles have no room left; take a smaller overlap or edge")

    @property
    def cell_mm(self) -> tuple[float, float]:
        """Width and height of the grid's cells."""
        width, height = PAPERS_MM[self.paper]
        return width - 2 * self.edge_mm - self.overlap_mm, height - 2 * self.edge_mm - self.overlap_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One tile: its name, and its upper left corner on the drawing in mm."""

    name: str
    row: int
    column: int
    left_mm: float
    top_mm: float


def column_name(index: int) -> str:
    """Return A, B, ... Z, AA, AB, ... for 0, 1, ..."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def tiles_of(drawing: Drawing, options: TileOptions) -> tuple[tuple[int, int], list[Tile]]:
    """Return the grid (rows, columns) and the tiles on which something is drawn, row by row."""
    placed = drawing.at_origin()
    cell_w, cell_h = options.cell_mm
    columns = max(1, math.ceil((placed.frame.width - options.overlap_mm) / cell_w - 1e-9))
    rows = max(1, math.ceil((placed.frame.height - options.overlap_mm) / cell_h - 1e-9))
    ink = shapely.union_all([_ink(p) for p in placed.pieces])
    shapely.prepare(ink)
    tiles = []
    for row in range(rows):
        for column in range(columns):
            left, top = column * cell_w, row * cell_h
            window = shapely.box(left, top, left + cell_w + options.overlap_mm, top + cell_h + options.overlap_mm)
            if ink.intersects(window):
                name = f"{column_name(column)}{row + 1}"
                tiles.append(Tile(name=name, row=row, column=column, left_mm=left, top_mm=top))
    return (rows, columns), tiles


def _ink(piece: DrawnPiece) -> shapely.Geometry:
    lines: list[shapely.Geometry] = [
        shapely.LinearRing(np.asarray(p.flatten(0.1))) for p in (piece.outline, *piece.holes)
    ]
    lines += [shapely.LineString(np.asarray(line.flatten(0.1))) for _, line in piece.lines]
    words = [shapely.Point(t.at).buffer(t.height_mm * max(1, len(t.words)) / 2) for t in piece.texts]
    return shapely.union_all([*lines, *words])


def pdf_tiles(drawing: Drawing, *, options: TileOptions | None = None, style: PdfStyle | None = None) -> bytes:
    """Return a drawing as tiles with a first page to check the printer by."""
    options = options or TileOptions()
    placed = drawing.at_origin()
    grid, tiles = tiles_of(placed, options)
    pages = PdfPages(title=drawing.title)
    _first_page(pages, placed, options, grid, tiles)
    for tile in tiles:
        _tile_page(pages, placed, options, grid, tile, style or PdfStyle())
    return pages.close()


def _rectangle(x: float, y: float, width: float, height: float) -> Path:
    return Path.polygon([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])


def _cross(x: float, y: float, size: float = _MARK_MM) -> list[OpenPath]:
    return [
        OpenPath.polyline([(x - size, y), (x + size, y)]),
        OpenPath.polyline([(x, y - size), (x, y + size)]),
    ]


def _tile_page(
    pages: PdfPages, drawing: Drawing, options: TileOptions, grid: tuple[int, int], tile: Tile, style: PdfStyle
) -> None:
    width, height = PAPERS_MM[options.paper]
    cell_w, cell_h = options.cell_mm
    pages.begin(width, height)
    canvas = pages.canvas
    shown_w, shown_h = cell_w + options.overlap_mm, cell_h + options.overlap_mm
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(options.edge_mm, pages.up(options.edge_mm + shown_h), shown_w, shown_h)
    canvas.clipPath(clip, stroke=0, fill=0)
    dx, dy = options.edge_mm - tile.left_mm, options.edge_mm - tile.top_mm
    window = shapely.box(tile.left_mm, tile.top_mm, tile.left_mm + shown_w, tile.top_mm + shown_h)
    for piece in drawing.pieces:
        # Half a pen's width of a line beside the tile shows on it.
        if shapely.dwithin(_ink(piece), window, style.line_mm):
            draw_piece(pages, piece.moved(dx, dy), style)
    canvas.restoreState()
    canvas.setStrokeColorRGB(0.45, 0.45, 0.45)
    for i in range(grid[1] + 1):
        for j in range(grid[0] + 1):
            x, y = i * cell_w + dx, j * cell_h + dy
            if -_MARK_MM <= x - options.edge_mm <= shown_w + _MARK_MM and (
                -_MARK_MM <= y - options.edge_mm <= shown_h + _MARK_MM
            ):
                pages.stroke(_cross(x, y), width_mm=_LINE_MM)
    canvas.setStrokeColorRGB(0, 0, 0)
    canvas.setFillColorRGB(0.35, 0.35, 0.35)
    pages.words(f"tile {tile.name}", (width / 2, options.edge_mm / 2), 3.0)
    canvas.setFillColorRGB(0, 0, 0)
    pages.end()


def _first_page(
    pages: PdfPages, drawing: Drawing, options: TileOptions, grid: tuple[int, int], tiles: list[Tile]
) -> None:
    width, height = PAPERS_MM[options.paper]
    pages.begin(width, height)
    pages.words("Print at 100 %, not fitted to the page", (width / 2, 18.0), 4.5)
    pages.words("Measure the squares and the ruler before cutting.", (width / 2, 27.0), 3.2)
    top = 36.0
    pages.stroke([_rectangle(25.0, top, 50.0, 50.0)], width_mm=_LINE_MM)
    pages.words("5 cm", (50.0, top + 25.0), 3.2)
    pages.stroke([_rectangle(90.0, top, MM_PER_INCH, MM_PER_INCH)], width_mm=_LINE_MM)
    pages.words("1 in", (90.0 + MM_PER_INCH / 2, top + MM_PER_INCH / 2), 3.2)
    _ruler(pages, 25.0, top + 62.0)
    _map(pages, drawing, options, grid, tiles, top_mm=top + 88.0)
    pages.end()


def _ruler(pages: PdfPages, left: float, top: float) -> None:
    """150 mm above, 6 in below, one line between."""
    ticks = [OpenPath.polyline([(left, top), (left + 6 * MM_PER_INCH, top)])]
    for mm in range(151):
        long = 5.0 if mm % 10 == 0 else 3.5 if mm % 5 == 0 else 2.0
        ticks.append(OpenPath.polyline([(left + mm, top), (left + mm, top - long)]))
    for eighth in range(49):
        long = 5.0 if eighth % 8 == 0 else 3.5 if eighth % 4 == 0 else 2.0
        x = left + eighth * MM_PER_INCH / 8
        ticks.append(OpenPath.polyline([(x, top), (x, top + long)]))
    pages.stroke(ticks, width_mm=0.1)
    for cm in range(0, 16, 5):
        pages.words(f"{cm} cm", (left + 10 * cm, top - 8.0), 2.2)
    for inch in range(7):
        pages.words(f"{inch} in", (left + inch * MM_PER_INCH, top + 8.0), 2.2)


def _map(
    pages: PdfPages, drawing: Drawing, options: TileOptions, grid: tuple[int, int], tiles: list[Tile], *, top_mm: float
) -> None:
    """The whole drawing, small, with the tiles' names; tiles that are left out have none."""
    width, height = PAPERS_MM[options.paper]
    cell_w, cell_h = options.cell_mm
    whole_w, whole_h = grid[1] * cell_w, grid[0] * cell_h
    scale = min((width - 50.0) / whole_w, (height - top_mm - 20.0) / whole_h)
    left = (width - scale * whole_w) / 2
    matrix = np.array([[scale, 0.0, left], [0.0, scale, top_mm]])
    pages.canvas.setStrokeColorRGB(0.6, 0.6, 0.6)
    cells = [
        _rectangle(left + scale * t.left_mm, top_mm + scale * t.top_mm, scale * cell_w, scale * cell_h) for t in tiles
    ]
    pages.stroke(cells, width_mm=_LINE_MM)
    pages.canvas.setStrokeColorRGB(0, 0, 0)
    pages.stroke((p.outline.transformed(matrix) for p in drawing.pieces), width_mm=_LINE_MM)
    for tile in tiles:
        at = (left + scale * (tile.left_mm + cell_w / 2), top_mm + scale * (tile.top_mm + cell_h / 2))
        pages.words(tile.name, at, min(5.0, scale * cell_h / 4))
    skipped = grid[0] * grid[1] - len(tiles)
    parts = (counted(len(tiles), "tile"), counted(grid[0], "row"), counted(grid[1], "column"))
    note = ", ".join(parts) + (f"; {skipped} with nothing on them left out" if skipped else "")
    pages.words(note, (width / 2, height - 12.0), 2.8)
