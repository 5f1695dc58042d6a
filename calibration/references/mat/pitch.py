"""Tell the pitch of a grid: an inch, half an inch, a centimetre.

A grid by itself has no size. What a cutting mat shows of its pitch:

- how lines differ in strength: half inches with every second line heavier, quarters with every fourth, eighths with
  every eighth, centimetres with every fifth or tenth;
- fine lines between the lines of the lattice (the same evidence seen from the coarse side);
- every how many lines a figure stands at the border: inches and centimetres are counted, no halves;
- how many cells it has from border to border: 36 x 24 is the commonest inch mat, 90 x 60 its metric sister;
- how far the camera was, where EXIF gives a focal length: people stand over a table.

Each is worth so much evidence (natural logarithm of odds). The figures are common practice, no source; they are set so
that no single weak hint decides. Tables, lines to quilt along, checked cloth and tiled floors are grids too, mostly of
few cells: a small grid needs positive evidence of its pitch, and one that is seen whole and has the number of cells of
no known mat is none. How many cells dark lines on light have counts for nothing where neither figures nor ticks stand
along their border, unless there are many.

Dark lines on light may as well be those of squared or millimetre paper, which comes in pitches of its own and is as
common. It is never taken for known by itself: 5 mm paper looks like a mat of half the distance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.references.mat.grow import GridPicture, Lattice
from calibration.references.mat.profiles import measure

Array = NDArray[np.float64]

AMBIGUOUS = 1.5
"""Pitches whose evidence differs by less (odds of 4.5 to 1) are not told apart."""
_FEW_CELLS = 20
"""Tables and lines to quilt along have fewer cells along their longer side; mats of an A3 sheet and larger have more in
centimetres, 24 in ones in inches (common practice, no source)."""
_TABLE_CELLS = 12
"""Dark on light and so small, any number of cells is common: it says next to nothing."""
_DRAWN_CELLS = 24
"""So many cells or fewer a drawn grid has by chance as often as a mat of that size; larger ones of a mat's number of
cells both ways are rare (9 of some 300 pairs)."""
_LEAST = 1.0
_UNSURE_SPAN = 3.0

_INCH_CELLS = {
    (11, 8), (12, 9), (17, 11), (18, 12), (23, 17), (24, 18), (35, 23), (36, 24), (12, 12), (18, 18), (24, 24),
    (6, 6), (8, 6), (16, 10), (22, 16), (34, 22),
}  # fmt: skip
"""Mats sold in inches, and the same with the grid one inch short of the mat; from memory."""
_RARE_INCH_CELLS = {(47, 35), (48, 36), (58, 39), (59, 39), (60, 40), (72, 36), (72, 48)}
"""Mats that cover a table: so rare that the same lattice may as well be half of the size."""
_CENTIMETRE_CELLS = {
    (28, 20), (27, 19), (28, 19), (29, 20), (30, 22), (42, 29), (40, 28), (41, 28), (43, 28), (45, 30), (44, 29),
    (57, 40), (58, 43), (59, 42), (58, 42), (60, 45), (88, 58), (90, 60), (91, 60), (91, 61), (89, 59), (82, 57),
    (85, 56), (120, 90), (100, 70),
}  # fmt: skip
"""Metric mats after A4, A3, A2, A1 and 90 x 60 cm; from memory."""

_ALL_HEAVY = 0.4
"""Of the lines that are said to be heavier the weakest are so by this share of what is usual among them (judgement)."""
_EVERY = (2, 4, 5, 6, 8, 10, 12)
# Evidence of (pitch in mm, every how many lines is heavier); 1 is 'all alike'. Half inches of which every sixth inch is
# heavier, or every second, and no inch, are as strange as half inches all alike. Inches with every fourth line heavier
# are rarer than quarters, but a part of such a mat looks like them, and is not to be taken for a fourth of its size; so
# are those with every fifth against centimetres.
_PATTERN: dict[float, dict[int, float]] = {
    25.4: {1: 0.3, 2: -2.0, 4: 1.1, 5: 1.1, 6: 0.0, 12: 0.3, 8: -2.0, 10: -2.0},
    12.7: {1: -3.0, 2: 2.5, 4: -3.0, 8: -2.5, 12: -3.0},
    6.35: {1: -3.5, 2: -0.5, 4: 2.5, 8: 0.0},
    3.175: {1: -5.0, 2: -2.0, 4: -0.5, 8: 2.5},
    10.0: {1: 0.0, 2: -2.0, 5: 2.5, 10: 2.0},
    5.0: {1: -2.5, 2: 0.5, 4: -2.0, 10: 0.5},
    50.0: {1: -4.0, 2: -2.0},
}
# The same of squared paper: 5 mm, 1/4 in and their like, all alike or with a bold line every centimetre or inch, and of
# 1 mm and 2 mm paper (common practice, no source).
_PAPER: dict[float, dict[int, float]] = {
    1.0: {1: 0.0, 2: 0.0, 5: 2.0, 10: 2.5},
    2.0: {1: 0.0, 5: 2.5, 10: 1.0},
    2.54: {1: 0.0, 5: 1.0, 10: 2.5},
    3.175: {1: 0.0, 2: 0.0, 4: 1.0, 8: 2.5},
    4.0: {1: 1.0, 5: 1.0},
    5.0: {1: 2.0, 2: 2.0, 4: 0.5, 5: 1.0, 10: 1.5},
    5.08: {1: 0.5, 5: 2.0},
    6.35: {1: 1.5, 2: 0.5, 4: 2.5, 8: 0.5},
    8.0: {1: 0.5},
    10.0: {1: 1.0, 2: 0.5, 5: 1.0, 10: 1.0},
    25.4: {1: 1.0, 2: 0.5, 4: 0.5, 12: 0.5},
    50.0: {1: 0.5, 2: 0.5},
}
_SHEETS_MM = (
    (148.0, 210.0),
    (210.0, 297.0),
    (297.0, 420.0),
    (420.0, 594.0),
    (594.0, 841.0),
    (215.9, 279.4),
    (279.4, 431.8),
)
"""ISO 216 A5 to A1, Letter and Tabloid."""
_MARGINS_MM = 20.0
"""Squares end so much before the sheet does, both margins together, or less (judgement)."""
_UNHEARD_OF = -3.5
_COUNTED_MM = {25.4: 0.0, 10.0: 0.0, 50.0: 0.0, 20.0: -0.5, 100.0: -0.5, 50.8: -1.0}
_NOT_COUNTED = -5.0
"""Evidence of what lies between two figures at the border; of all else (common practice, no source)."""
_CLEAR_LEAD = 4.0
"""A pitch that leads by so much needs no further evidence."""
WORDS = {25.4: "1in", 12.7: "1/2in", 6.35: "1/4in", 3.175: "1/8in", 10.0: "10mm", 5.0: "5mm", 50.0: "50mm"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What a lattice shows of itself.

    Parameters
    ----------
    cells : tuple of int
        Cells seen along columns and rows.
    closed : tuple of bool
        Whether both borders across each direction are in view (lines end there on a border line).
    heavier_every : int
        1 where all lines are alike.
    divided_by : int
        Fine lines divide each cell of the lattice in so many; 1 for none.
    distance_cells : float or None
        Distance of the camera in cells, where the focal length was stated.
    light_on_dark : bool
        Lines lighter than the ground, which nothing printed on paper has.
    marked : bool
        Figures or ticks stand along its border, as nobody draws them beside lines to quilt along. Only asked of dark
        lines on light.
    figures_every : int or None
        Every how many lines of the lattice a figure stands at the border, where that was asked and is plain.
    """

    cells: tuple[int, int]
    closed: tuple[bool, bool]
    heavier_every: int
    divided_by: int
    distance_cells: float | None
    light_on_dark: bool = True
    marked: bool = True
    figures_every: int | None = None


def _strengths(lattice: Lattice) -> tuple[dict[int, float], dict[int, float]]:
    """Log strength of each line over its neighbours beside it, for lines of constant column and constant row."""
    present = lattice.present
    heights = np.where(present, lattice.stretches.heights, np.nan)
    some = present.any(axis=1)
    level = np.full(len(heights), np.nan)
    level[some] = np.log(np.nanmean(heights[some], axis=1))
    upright = lattice.starts[:, 0] == lattice.ends[:, 0]
    out = []
    for mine, line_axis in ((upright, 0), (~upright, 1)):
        use = mine & some
        line = np.rint(lattice.starts[use, line_axis]).astype(int)
        place = np.rint(lattice.starts[use, 1 - line_axis]).astype(int)
        values: dict[int, float] = {}
        if use.any():
            l0, p0 = line.min(), place.min()
            table = np.full((np.ptp(line) + 1, np.ptp(place) + 1), np.nan)
            table[line - l0, place - p0] = level[use]
            for k in range(len(table)):
                beside = table[max(0, k - 5) : k + 6]
                enough = (np.isfinite(beside).sum(axis=0) >= 5) & np.isfinite(table[k])
                if enough.sum() >= 3:
                    values[k + int(l0)] = float(np.median(table[k, enough] - np.nanmean(beside[:, enough], axis=0)))
        out.append(values)
    return out[0], out[1]


def _explained(values: dict[int, float], every: int) -> tuple[float, float, int]:
    """How much heavier every so-many-th line is, the scatter left, and the lines it rests on; best phase."""
    lines, strengths = np.asarray(list(values)), np.asarray(list(values.values()))
    best = (0.0, 1.0, 0)
    for phase in range(every):
        heavy = lines % every == phase
        # Of few lines only one may be such.
        if heavy.sum() < (2 if np.ptp(lines) >= 2 * every else 1) or (~heavy).sum() < 2:
            continue
        light = float(np.median(strengths[~heavy]))
        more = float(np.median(strengths[heavy]) - light)
        if float(np.percentile(strengths[heavy], 15)) - light < _ALL_HEAVY * more:
            continue
        if heavy.sum() == 1 and float(strengths[~heavy].max()) - light > (1 - _ALL_HEAVY) * more:
            continue
        # Where those between them are as heavy, they come more often.
        often = [d for d in _EVERY if d < every and every % d == 0]
        between = [strengths[~heavy & (lines % d == phase % d)] for d in often]
        if any(len(b) and float(np.median(b)) - light > (1 - _ALL_HEAVY) * more for b in between):
            continue
        left = np.concatenate([strengths[heavy] - np.median(strengths[heavy]), strengths[~heavy] - light])
        scatter = float(1.4826 * np.median(np.abs(left))) + 0.03
        if more > best[0]:
            best = (more, scatter, len(lines))
    return best


def heavier_every(lattice: Lattice) -> int:
    """Return every how many lines a heavier one comes; 1 where all are alike."""
    tables = []
    for axis, values in enumerate(_strengths(lattice)):
        low, high = int(lattice.nodes[:, axis].min()), int(lattice.nodes[:, axis].max())
        tables.append({k: v for k, v in values.items() if low < k < high})  # a border line is often heavier by itself
    best, found = 0.0, 1
    for every in _EVERY:
        shares = [_explained(t, every) for t in tables if len(t) >= every + 2]
        if not shares:
            continue
        more = min(s[0] for s in shares)
        clear = min(s[0] / s[1] for s in shares)
        # Of 2, 4 and 8 (or 5 and 10) the true one leaves the least scatter; a larger one must be clearly better.
        if more > 0.15 and clear > 2.5 and clear > 1.15 * best:
            best, found = clear, every
    return found


def divided_by(picture: GridPicture, lattice: Lattice, rng: np.random.Generator) -> int:
    """Return into how many parts fine lines divide each cell."""
    both = lattice.present.all(axis=1)
    upright = lattice.starts[:, 0] == lattice.ends[:, 0]
    seen = {(bool(u), *np.rint(s).astype(int)) for u, s in zip(upright[both], lattice.starts[both], strict=True)}
    across = [k for k in seen if (k[0], k[1] + (1 if k[0] else 0), k[2] + (0 if k[0] else 1)) in seen]
    if len(across) < 8:
        return 1
    picked = [across[i] for i in rng.permutation(len(across))[:150]]
    steps = np.asarray([[1.0, 0.0] if k[0] else [0.0, 1.0] for k in picked])
    along = steps[:, ::-1]
    origin = np.asarray([k[1:] for k in picked], dtype=np.float64)
    heights = float(np.median(lattice.stretches.heights[lattice.present]))

    def share(fraction: float) -> float:
        starts = origin + steps * fraction
        got = measure(
            picture.light,
            lattice.fit.plane,
            starts,
            starts + along,
            reach_px=1.5,
            line_sigma_px=lattice.line_sigma_px,
            light_on_dark=lattice.light_on_dark,
            samples=16,
            step_px=0.5,
        )
        with np.errstate(invalid="ignore"):
            line = (
                (got.significance > 5)
                & (np.abs(got.offsets_px) < 1.0)
                & (got.heights > 0.05 * heights)
                & (got.sigmas_px < 0.5)
            )
        known = np.isfinite(got.offsets_px)
        return float(line[known].mean()) if known.any() else 0.0

    pixels = float(np.median(1 / lattice.fit.plane.mm_per_px(lattice.points_px)))  # type: ignore[arg-type]
    possible = [k for k in (2, 4, 5, 8, 10) if pixels / k > 5 * lattice.line_sigma_px]
    shares = {k: share(1 / k) for k in possible}
    halves = shares.get(2, 0.0) > 0.5
    if halves and shares.get(8, 0.0) > 0.5:
        return 8
    if halves and shares.get(4, 0.0) > 0.5:
        return 4
    if shares.get(5, 0.0) > 0.5:
        return 10 if shares.get(10, 0.0) > 0.5 else 5
    return 2 if halves else 1


def _extent_evidence(cells: tuple[float, float], closed: tuple[bool, bool], known: set[tuple[int, int]]) -> float:
    whole = [round(c) if abs(c - round(c)) < 1e-6 else None for c in cells]
    pairs = [tuple(-1 if c is None else c for c in whole)]
    rare = known is _INCH_CELLS and any((a, b) in _RARE_INCH_CELLS or (b, a) in _RARE_INCH_CELLS for a, b in pairs)
    if all(closed) and rare:
        return 1.0
    if all(closed):
        return 4.0 if any((a, b) in known or (b, a) in known for a, b in pairs) else -1.0
    for axis, (value, shut) in enumerate(zip(whole, closed, strict=True)):
        if shut and value is not None and value >= 9:
            # The other direction has at least the cells that are seen.
            least = cells[1 - axis] - 1e-6
            others = {b if value == a else a for a, b in known if value in (a, b) and (b if value == a else a) >= least}
            if not others:
                return -1.0
            # A mat that ends where the picture shows its last line accounts for that line being the last.
            return 1.8 if any(abs(b - cells[1 - axis]) < 1e-6 for b in others) else 1.3
    return 0.0


def evidence(shape: Shape) -> dict[float, float]:
    """Return the evidence for each pitch of the *lattice's* cells, in mm."""
    out = _mat_evidence(shape)
    if not shape.light_on_dark:
        for cell, value in _paper_evidence(shape).items():
            out[cell] = max(value, out.get(cell, -math.inf))
    return out


def _paper_evidence(shape: Shape) -> dict[float, float]:
    out: dict[float, float] = {}
    for fine, pattern in _PAPER.items():
        every = shape.divided_by if shape.divided_by > 1 else shape.heavier_every
        cell = fine * shape.divided_by
        value = pattern.get(every, _UNHEARD_OF) + _sheet_evidence(shape, cell) + _distance_evidence(shape, cell)
        value += _figures_evidence(shape, cell)
        out[cell] = max(value, out.get(cell, -math.inf))
    return out


def _sheet_evidence(shape: Shape, cell_mm: float) -> float:
    """Whether the borders that are seen are as far apart as they are on a sheet of paper."""
    if not any(shape.closed):
        return 0.0
    fits = [
        all(
            not shut or side - _MARGINS_MM <= count * cell_mm <= side
            for count, shut, side in zip(shape.cells, shape.closed, sides, strict=True)
        )
        for sheet in _SHEETS_MM
        for sides in (sheet, sheet[::-1])
    ]
    return 1.0 if any(fits) else -1.0


def _distance_evidence(shape: Shape, cell_mm: float) -> float:
    """People hold a camera some 700 mm above a table, give or take a factor of two."""
    if shape.distance_cells is None:
        return 0.0
    return -0.5 * min(9.0, (math.log(shape.distance_cells * cell_mm / 700.0) / 0.8) ** 2)


def _mat_evidence(shape: Shape) -> dict[float, float]:
    out: dict[float, float] = {}
    for fine, pattern in _PATTERN.items():
        # With fine lines between, the lattice's own lines are the heavier ones.
        every = shape.divided_by if shape.divided_by > 1 else shape.heavier_every
        cell = fine * shape.divided_by
        value = pattern.get(every, _UNHEARD_OF)
        metric = fine in (10.0, 5.0, 50.0)
        unit = 10.0 if metric else 25.4
        size = (shape.cells[0] * cell / unit, shape.cells[1] * cell / unit)
        extent = _extent_evidence(size, shape.closed, _CENTIMETRE_CELLS if metric else _INCH_CELLS)
        if not shape.light_on_dark and max(shape.cells) <= (_TABLE_CELLS if shape.marked else _DRAWN_CELLS):
            extent = min(extent, 0.3)
        value += extent
        longest = max(shape.cells) * cell
        if longest > 1600 or (all(shape.closed) and longest < 140):
            value -= 4.0
        value += _distance_evidence(shape, cell) + _figures_evidence(shape, cell)
        out[cell] = max(value, out.get(cell, -math.inf))
    return out


def _figures_evidence(shape: Shape, cell_mm: float) -> float:
    if shape.figures_every is None:
        return 0.0
    counted = shape.figures_every * cell_mm
    return next((v for mm, v in _COUNTED_MM.items() if abs(mm - counted) < 1e-6), _NOT_COUNTED)


def leads_clearly(shape: Shape) -> bool:
    """Whether the likeliest pitch of a mat leads the next by so much that no further evidence is needed."""
    ranked = sorted(_mat_evidence(shape).values(), reverse=True)
    return ranked[0] - ranked[1] >= _CLEAR_LEAD


def plausible(shape: Shape) -> list[float]:
    """Return the pitches (mm of the lattice's cells) that a grid may have, likeliest first; one where it is known.

    Empty where the grid is no mat's: small, all lines alike, and either seen whole and of no known mat's size, or dark
    on light as a printed table is. A person who knows better names the pitch. Never one where it may be squared paper.
    """
    ranked = sorted(_mat_evidence(shape).items(), key=lambda item: -item[1])
    best, most = ranked[0]
    # How far people hold a camera is no evidence that this is a mat at all.
    borne_out = _mat_evidence(replace(shape, distance_cells=None))
    if max(shape.cells) < _FEW_CELLS and borne_out[best] < _LEAST:
        printed = not shape.light_on_dark and max(shape.cells) <= _TABLE_CELLS
        if printed or (all(shape.closed) and max(borne_out.values()) < 0.0):
            return []
        ranked = sorted(evidence(shape).items(), key=lambda item: -item[1])
        near = [cell for cell, value in ranked if value > ranked[0][1] - _UNSURE_SPAN]
        return near if len(near) > 1 else [cell for cell, _ in ranked[:2]]
    if shape.light_on_dark or max(_paper_evidence(shape).values()) <= most - AMBIGUOUS:
        return [cell for cell, value in ranked if value > most - AMBIGUOUS]
    # It may be paper, and paper's pitch nothing tells for sure.
    ranked = sorted(evidence(shape).items(), key=lambda item: -item[1])
    near = [cell for cell, value in ranked if value > ranked[0][1] - AMBIGUOUS]
    return near if len(near) > 1 else [cell for cell, _ in ranked[:2]]
