"""A calibration target of our own, as pure geometry in millimetres.

A board of black and white squares with a marker in every white one: the markers say which corner is which, however
little of the board is in view; the corners where squares meet are saddle points of light and can be read to a few
hundredths of a pixel. The board is the same on every paper; only its place on the page differs. Beneath it runs a line
of stated length with which a person checks, with any ruler, that the printer did not scale the page.

Markers are those of the 5x5 dictionary of a hundred in OpenCV's ``aruco`` module (Garrido-Jurado et al. 2014).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from calibration.picture import MmPoints

DICTIONARY = cv2.aruco.DICT_5X5_100
MODULES = 7
"""Modules along a marker's side, with its black border."""
COLUMNS, ROWS = 8, 11
SQUARE_MM = 22.0
MARKER_MM = 16.1
"""Seven modules of 2.3 mm: 5 px each in a 12-megapixel photo of a 36 in mat at half resolution."""
CHECK_LINE_MM = 150.0
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""A4 after ISO 216; US Letter, 8 1/2 x 11 in (ANSI Y14.1, from memory)."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetText:
    """A line of words centred at (x, y), its capitals ``height_mm`` high."""

    text: str
    x_mm: float
    y_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetLayout:
    """What is to be drawn on one page, in millimetres, y down, origin at the page's top-left corner.

    Parameters
    ----------
    paper : str
    width_mm, height_mm : float
        Of the page.
    black_boxes_mm : tuple of (x, y, width, height)
        Areas to be filled black; everything else stays white.
    lines_mm : tuple of (x0, y0, x1, y1)
        Thin lines to be drawn ``line_width_mm`` wide: the check line and its end ticks.
    line_width_mm : float
    check_line_mm : float
        Length of the check line, between the middles of its end ticks.
    texts : tuple of TargetText
    board_at_mm : tuple of float
        Where the board's own frame (see :func:`corner_points_mm`) begins on the page.
    """

    paper: str
    width_mm: float
    height_mm: float
    black_boxes_mm: tuple[Box, ...]
    lines_mm: tuple[Box, ...]
    line_width_mm: float
    check_line_mm: float
    texts: tuple[TargetText, ...]
    board_at_mm: tuple[float, float]


def corner_points_mm() -> MmPoints:
    """Return the inner corners of the board in its own frame, row by row, shape ((ROWS - 1) * (COLUMNS - 1), 2)."""
    x, y = np.meshgrid(np.arange(1, COLUMNS) * SQUARE_MM, np.arange(1, ROWS) * SQUARE_MM)
    return MmPoints(np.stack([x.ravel(), y.ravel()], axis=1))


def is_black(column: int, row: int) -> bool:
    """Return whether a square of the board is black; the top-left one is."""
    return (column + row) % 2 == 0


def marker_corners_mm() -> dict[int, MmPoints]:
    """Return the four corners of every marker in the board's frame, clockwise from its top-left corner."""
    margin = (SQUARE_MM - MARKER_MM) / 2
    out = {}
    white = [(c, r) for r in range(ROWS) for c in range(COLUMNS) if not is_black(c, r)]
    for number, (column, row) in enumerate(white):
        x, y = column * SQUARE_MM + margin, row * SQUARE_MM + margin
        box = [[x, y], [x + MARKER_MM, y], [x + MARKER_MM, y + MARKER_MM], [x, y + MARKER_MM]]
        out[number] = MmPoints(np.asarray(box, dtype=np.float64))
    return out


@lru_cache(maxsize=128)
def _black_modules(number: int) -> tuple[tuple[int, int, int], ...]:
    """Runs of black modules of a marker: (row, first column, length)."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    bits = np.asarray(cv2.aruco.generateImageMarker(dictionary, number, MODULES))
    runs = []
    for row in range(MODULES):
        column = 0
        while column < MODULES:
            length = 0
            while column + length < MODULES and bits[row, column + length] == 0:
                length += 1
            if length:
                runs.append((row, column, length))
            column += max(1, length)
    return tuple(runs)


def target_layout(paper: str) -> TargetLayout:
    """Return the target for a paper.

    Parameters
    ----------
    paper : str
        ``A4`` or ``Letter`` (capitals do not matter).

    Raises
    ------
    ValueError
        For any other paper.
    """
    name = next((p for p in PAPERS_MM if p.lower() == paper.strip().lower()), None)
    if name is None:
        raise ValueError(f"there is no target for the paper '{paper}'; choose one of {', '.join(PAPERS_MM)}")
    width, height = PAPERS_MM[name]
    board = (COLUMNS * SQUARE_MM, ROWS * SQUARE_MM)
    left, top = (width - board[0]) / 2, 10.0
    boxes: list[Box] = [
        (left + c * SQUARE_MM, top + r * SQUARE_MM, SQUARE_MM, SQUARE_MM)
        for r in range(ROWS)
        for c in range(COLUMNS)
        if is_black(c, r)
    ]
    module = MARKER_MM / MODULES
    for number, corners in marker_corners_mm().items():
        x, y = corners[0]
        boxes.extend(
            (left + float(x) + c * module, top + float(y) + r * module, n * module, module)
            for r, c, n in _black_modules(number)
        )
    line_y = top + board[1] + 8.0
    x0, x1 = (width - CHECK_LINE_MM) / 2, (width + CHECK_LINE_MM) / 2
    return TargetLayout(
        paper=name,
        width_mm=width,
        height_mm=height,
        black_boxes_mm=tuple(boxes),
        lines_mm=(
            (x0, line_y, x1, line_y),
            (x0, line_y - 3.0, x0, line_y + 3.0),
            (x1, line_y - 3.0, x1, line_y + 3.0),
        ),
        line_width_mm=0.2,
        check_line_mm=CHECK_LINE_MM,
        texts=(
            TargetText(
                text=f"Check with a ruler: this line is {CHECK_LINE_MM:g} mm (5 29/32 in) from tick to tick.",
                x_mm=width / 2,
                y_mm=line_y + 5.5,
                height_mm=2.6,
            ),
            TargetText(
                text="Print at 100 % (actual size), not fitted to the page. Lay it flat beside the pattern.",
                x_mm=width / 2,
                y_mm=line_y + 9.5,
                height_mm=2.2,
            ),
        ),
        board_at_mm=(left, top),
    )
