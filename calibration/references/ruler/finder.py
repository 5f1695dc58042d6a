"""Find a ruler or a tape by its ticks.

Two references with the same points, different sizes and a score of at most one half come back where eighths and
sixteenths of an inch cannot be told apart; a caller must let something else decide.

Large pictures are looked at once more at a half and a quarter of their size where nothing sure is seen.

Limits: ticks at least three and a half pixels apart; about two dozen in view and more than one period of the longest;
a ruler that lies flat. Its face stands above the paper by its thickness: 1 mm at 500 mm is 0.2 %, which nothing in the
picture tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import UnitError
from calibration.picture import MmPoints, PxPoints
from calibration.references.reference import Reference, SearchPicture
from calibration.references.ruler.figures import has_figures
from calibration.references.ruler.graduation import Graduation, rank
from calibration.references.ruler.rows import Row, find_rows
from calibration.references.ruler.ticks import Ticks, read_ticks
from calibration.units import parse_length_mm

Array = NDArray[np.float64]

TOLERANCE_RELATIVE = 0.0007
"""Standard uncertainty of a rule's own length: limits of 0.36 mm on 300 mm (class II of the European rules for material
measures, 2014/32/EU annex X; from memory), taken as rectangular."""
_FEWEST_TICKS = 24
_LEAST_EXPLAINED = 0.75
_SURE = 0.5
"""Readings that cannot be told apart have no higher score."""
_REDUCED, _LEAST_TO_REDUCE_PX = (2, 4), 2400
"""Ticks farther apart than rows of them are sought (eighths of an inch from 300 pixels an inch on) are found in a
smaller copy, down to some 1200 px; they are read there too, to a tenth of a fine one's pixel."""
_SHORTEST_AGAIN_PX = 10.0
"""Ticks nearer to each other in a smaller copy have been sought where they are twice as far apart."""
_MOST_AGAIN = 4
"""So many of the most convincing rows are read again in a smaller copy, to save time (judgement)."""
_UNBROKEN = 0.7
"""Share of ticks whose next one was read too: where most are missed the picture is too coarse for them."""
_NO_FIGURES = (
    "a row of strokes as on a ruler was found, but no figures stand along it, so that it may be drawn: if it is a "
    "ruler, say it, like --reference ruler={words}"
)
_LITTLE = 3.0
"""So many times less sure, all points together tell a tenth of what something else tells."""
_SIGMA_FLOOR_PX = 0.06
"""The edge by which the ticks are placed across the row is read less well than the ticks themselves."""


def find(scene: SearchPicture, size: str | None = None) -> list[Reference]:
    """Find rulers and tapes.

    Parameters
    ----------
    scene : SearchPicture
    size : str or None
        What one tick is: ``mm``, ``1/16in``, ``1/8in``; None lets the lengths of the ticks tell.

    Returns
    -------
    list of Reference
        One for each graduated edge, the surest first; one that has no figures beside its ticks is doubted.
    """
    first: list[Reference] = []
    for factor in (1, *_REDUCED):
        grey = scene.grey if factor == 1 else _reduced(scene.grey, factor)
        rows = find_rows(grey) if factor == 1 else find_rows(grey, _SHORTEST_AGAIN_PX)[:_MOST_AGAIN]
        found = [_at_full_size(r, factor) for r in _find_in(grey, size, rows)]
        if any(not r.doubt and r.score > _SURE for r in found):
            return found
        first = first or found
        if max(grey.shape) < _LEAST_TO_REDUCE_PX:
            break
    return first


def _reduced(grey: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """Each ``factor`` x ``factor`` pixels as one; what is left over at the right and bottom is cut off."""
    rows, columns = (n // factor for n in grey.shape)
    whole = grey[: rows * factor, : columns * factor]
    return np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _at_full_size(reference: Reference, factor: int) -> Reference:
    """Turn a reference found in a reduced picture into one of the picture (pixel centres at whole numbers in both)."""
    if factor == 1:
        return reference

    def full(points: PxPoints) -> PxPoints:
        return PxPoints((np.asarray(points) + 0.5) * factor - 0.5)

    return replace(
        reference,
        points_px=full(reference.points_px),
        sigma_px=reference.sigma_px * factor,
        outline_px=full(reference.outline_px),
        straights_px=tuple(full(line) for line in reference.straights_px),
        straight_sigma_px=reference.straight_sigma_px * factor,
        aside_px=reference.aside_px * factor,
        crossings_px=tuple(full(stroke) for stroke in reference.crossings_px),
    )


def _find_in(grey: NDArray[np.uint8], size: str | None, rows: Sequence[Row]) -> list[Reference]:
    found: list[tuple[Ticks, list[tuple[float, Graduation]]]] = []
    for row in rows:
        for ticks in read_ticks(grey, row):
            if len(ticks.numbers) < _FEWEST_TICKS or (np.diff(ticks.numbers) == 1).mean() < _UNBROKEN:
                continue
            ranked = [r for r in rank(ticks.numbers, ticks.lengths) if r[0] >= _LEAST_EXPLAINED]
            if ranked:
                found.append((ticks, ranked))
    found.sort(key=lambda f: -len(f[0].numbers))
    references: list[Reference] = []
    taken: list[Ticks] = []
    for ticks, ranked in found:
        if any(_same_row(ticks, other) for other in taken):
            continue
        taken.append(ticks)
        doubt = "" if has_figures(grey, ticks, ranked[0][1]) else _NO_FIGURES.format(words=ranked[0][1].words)
        references.extend(replace(r, doubt=doubt) for r in _references(ticks, ranked, size))
    # Where one edge is certain, another that could be read two ways adds nothing but doubt.
    certain = [r for r in references if r.score > _SURE]
    return sorted(certain or references, key=lambda r: (r.doubt != "", -r.score))


def _same_row(a: Ticks, b: Ticks) -> bool:
    """Whether most ticks of one row are ticks of another, found twice."""
    distance = np.linalg.norm(a.points_px[:, None] - b.points_px[None], axis=2).min(axis=1)
    return bool((distance < 0.4 * b.period_px).mean() > 0.5)


def _references(ticks: Ticks, ranked: list[tuple[float, Graduation]], size: str | None) -> list[Reference]:
    share = ranked[0][0]
    score = float(min(0.98, 0.6 + 0.4 * share) * min(1.0, len(ticks.numbers) / 40))
    step = _asked_step(size) if size else None
    if step is not None:
        return [_reference(ticks, step, str(size), score)]
    equal = [g for value, g in ranked if value > share - 1e-9]
    if len(equal) > 1:
        score = min(0.5, score / 2)
    return [_reference(ticks, g.step_mm, g.words, score) for g in equal]


def _asked_step(size: str) -> float | None:
    """Millimetres from tick to tick as a person wrote it; a bare unit of the trade is its usual division."""
    bare = {"mm": 1.0, "cm": 1.0, "metric": 1.0}
    if size.strip().lower() in bare:
        return bare[size.strip().lower()]
    if size.strip().lower() in ("in", "inch", "inches"):
        return None
    step = parse_length_mm(size)
    if not 0.2 <= step <= 12.8:
        raise UnitError(f"a ruler's ticks are not {size} apart; write what one tick is, like ruler=mm or ruler=1/16in")
    return step


def _reference(ticks: Ticks, step_mm: float, words: str, score: float) -> Reference:
    numbers = ticks.numbers - ticks.numbers.min()
    first, last = ticks.points_px[np.argmin(numbers)], ticks.points_px[np.argmax(numbers)]
    far = ticks.far_px
    if np.linalg.norm(far[0] - first) > np.linalg.norm(far[1] - first):
        far = far[::-1]
    return Reference(
        kind="ruler",
        size=words,
        points_px=PxPoints(ticks.points_px),
        points_mm=MmPoints(np.column_stack([numbers * step_mm, np.zeros(len(numbers))])),
        sigma_px=np.hypot(ticks.sigma_px, _SIGMA_FLOOR_PX),
        tolerance_relative=TOLERANCE_RELATIVE,
        outline_px=PxPoints(np.vstack([first, last, far[1], far[0]])),
        score=score,
        straights_px=(PxPoints(ticks.edge_px),),
        straight_sigma_px=ticks.edge_sigma_px,
        # The points were put on the edge's parabola: where that lies the edge tells, and they must not tell it again.
        aside_px=_LITTLE * ticks.edge_sigma_px * float(np.sqrt(len(numbers) / len(ticks.edge_px))),
        crossings_px=tuple(PxPoints(stroke) for stroke in ticks.strokes_px),
        crossings_sigma_rad=tuple(float(v) for v in ticks.strokes_sigma_rad),
    )
