"""The stated uncertainties of a traced piece: where its outline lies, its width and height, its area and perimeter.

All are expanded uncertainties (95 %; k = 2, or less where limits outweigh the rest), combined as independent parts
(JCGM 100:2008, 5.1.2) from the scale's share, the measured distance between outline and picture, and what the picture
may hide from both (:class:`Own`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import MmPoints, Sheet
from tracer.measure import OutlineError
from tracer.path import Path
from tracer.piece import Fit


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """The outline's own standard uncertainties, mm.

    ``spread_mm`` is the rms distance of the outline from the line found again in the picture, which varies along it (or
    half of its 95th percentile, where that is more);
    ``shift_mm`` is by how much an edge may lie outside or inside of where the picture shows it, all around alike.
    """

    spread_mm: float = 0.0
    shift_mm: float = 0.0

    @property
    def both_mm(self) -> float:
        """Both together, at one place."""
        return math.hypot(self.spread_mm, self.shift_mm)


def own_of(error: OutlineError, edge_mm: float) -> Own:
    """Return what an outline's measured error and the uncertainty of the edge that the picture shows make together."""
    # Errors that gather in few places have a 95th percentile beyond twice their rms: what is stated covers both.
    return Own(spread_mm=max(error.rms_mm, error.p95_mm / 2), shift_mm=edge_mm)


def stated_fit(error: OutlineError, edge_mm: float, tip_mm: float = 0.0) -> Fit:
    """Return the figures of an outline: what was measured, and what the picture may hide all along it.

    The latter is twice its standard uncertainty. ``tip_mm`` is the expanded uncertainty of the ends of points that are
    too thin to be measured.
    """
    return Fit(
        max_mm=max(error.max_mm, tip_mm) + 2.0 * edge_mm,
        p95_mm=error.p95_mm + 2.0 * edge_mm,
        rms_mm=math.hypot(error.rms_mm, edge_mm),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """An outline, and where the maps that the calibration holds possible lay it.

    Parameters
    ----------
    path : Path
    points : ndarray, shape (N, 2)
        Points all along it, mm.
    possible : ndarray, shape (maps, N, 2)
        The same by each of those maps; none where the calibration names none.
    """

    path: Path
    points: NDArray[np.float64]
    possible: NDArray[np.float64]


def laid(sheet: Sheet, path: Path) -> Laid:
    """Return where an outline may lie."""
    points = np.asarray(path.sample(max(1.0, path.length / 400))[0])
    return Laid(path=path, points=points, possible=sheet.possible_mm(MmPoints(points)))


def outline_uncertainty_mm(sheet: Sheet, outline: Laid, own: Own) -> float:
    """Return the expanded uncertainty (95 %) of where an outline lies relative to its best-fit position.

    The scale's share is the root mean square over the outline, best rigid fit removed.
    """
    at = outline.points
    scale_share = sheet.shape_uncertainty_mm(MmPoints(at), outline.possible)
    reach = float(np.sqrt(((at - at.mean(axis=0)) ** 2).sum(axis=1).mean()))
    return sheet.expanded(math.hypot(float(np.sqrt(np.mean(scale_share**2))), own.both_mm), reach)


def size_uncertainty_mm(sheet: Sheet, outline: Laid, own: Own) -> tuple[float, float]:
    """Return the expanded uncertainty (95 %) of a piece's width and height.

    The scale's share is the spread of the two sizes over the maps that the calibration holds possible (or, where it
    names none, the scale's relative uncertainty); each of the two sides of the box adds the outline's own, and a
    common shift is added to both at once.
    """
    box = outline.path.bounds
    if len(outline.possible):
        sizes = np.ptp(outline.possible, axis=1)
        # About the size that is stated, not about their mean: a bias of the alternatives is part of what is unknown.
        spread = np.sqrt(np.mean((sizes - np.ptp(outline.points, axis=0)) ** 2, axis=0))
    else:
        spread = np.array([box.width, box.height]) * sheet.budget.combined / 1000.0
    width, height = np.hypot(spread, math.hypot(math.sqrt(2.0) * own.spread_mm, 2.0 * own.shift_mm))
    return sheet.expanded(float(width), box.width), sheet.expanded(float(height), box.height)


def extent_uncertainty(
    sheet: Sheet, outline: Laid, holes: Sequence[Laid], own: Own, own_of_holes: Sequence[Own] = ()
) -> tuple[float, float]:
    """Return the expanded uncertainty (95 %) of a piece's area (mm2) and of its outline's perimeter (mm).

    An outline that lies outside by ``e`` all around is larger by ``e`` times its length and longer by ``e`` times the
    angle that it turns through in all; the outline's own uncertainty is taken for ``e``, as if all of it were on one
    side (it cannot be more). The scale's share is the spread of both over the maps that the calibration holds
    possible, or its relative uncertainty, twice for an area.
    """
    rings = (outline, *holes)
    area, perimeter = _extent([r.points for r in rings])
    if len(outline.possible):
        others = np.array([_extent(places) for places in zip(*(r.possible for r in rings), strict=True)])
        area_share, perimeter_share = np.sqrt(np.mean((others - (area, perimeter)) ** 2, axis=0))
    else:
        relative = sheet.budget.combined / 1000.0
        area_share, perimeter_share = 2 * relative * area, relative * perimeter
    borders = own.both_mm * outline.path.length
    # Holes that were not measured by themselves are taken to be as the outline is.
    for i, hole in enumerate(holes):
        borders += (own_of_holes[i] if i < len(own_of_holes) else own).both_mm * hole.path.length
    turned = _turned_rad(outline.points)
    return (
        sheet.expanded(math.hypot(float(area_share), borders), 2.0 * area),
        sheet.expanded(math.hypot(float(perimeter_share), own.both_mm * turned), perimeter),
    )


def _extent(rings: Sequence[NDArray[np.float64]]) -> tuple[float, float]:
    """Return the area of the first ring less the others', and the first one's length."""
    areas = []
    for ring in rings:
        after = np.roll(ring, -1, axis=0)
        areas.append(abs(float((ring[:, 0] * after[:, 1] - ring[:, 1] * after[:, 0]).sum())) / 2)
    first = rings[0]
    return areas[0] - sum(areas[1:]), float(np.hypot(*(np.roll(first, -1, axis=0) - first).T).sum())


def _turned_rad(ring: NDArray[np.float64]) -> float:
    """Return the sum of all turns along a ring, left and right ones alike (2 pi for a convex one)."""
    step = np.roll(ring, -1, axis=0) - ring
    step = step[np.hypot(*step.T) > 1e-9]
    after = np.roll(step, -1, axis=0)
    turn = np.arctan2(step[:, 0] * after[:, 1] - step[:, 1] * after[:, 0], (step * after).sum(axis=1))
    return float(np.abs(turn).sum())
