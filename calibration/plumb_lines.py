"""Whether lines in a picture agree on one lens, and what each of them may then say about it.

Straight things look bowed by the lens alone (the plumb-line principle: Devernay and Faugeras, "Straight lines have to
be straight", Machine Vision and Applications 13, 2001). But a drawing is full of gentle curves, a line drawn by hand is
not quite straight, and nothing says which is which. So it is asked whether one lens makes most of the lines straight
that a lens could have bowed as much as they are. How straight they are then is taken from themselves: a line may bend
by an angle that is the same for all, unknown, and told by their scatter (a random effect; the angle and the lens are
integrated over a grid). Lines that scatter much, or few of them, so say little about the lens, and lines that do not
agree say nothing.

Sides of one figure are one witness: whoever drew a large piece with all sides curved outward a little drew what a lens
makes of a straight one. Lines that do not join it must bear out what they say.

A sheet that lies in a bow or in waves bends lines too, those across the bend only (:mod:`calibration.sheet_shapes`).
It may lie in any such way beside whatever lens there is: how sure the lens is follows from all of them together, and
where lying flat is not the likeliest, no lens is told. Lines that run all one way do not show it, and are believed
less. What such a sheet does to sizes besides is in no statement, but where it is sure, it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

from calibration.camera import PlaneMap
from calibration.picture import PxPoints
from calibration.references.straight_lines import FoundLine
from calibration.sheet_shapes import ways_to_lie
from calibration.uncertainty import COVERAGE

Floats = NDArray[np.floating]

_STRONGEST = 0.15
"""No lens that people photograph patterns with is stronger (common practice, no source)."""
_LENSES = np.linspace(-0.06, 0.06, 81)
"""Those tried: beyond what is usual far enough to see that a lens is not usual."""
_HOW_USUAL = np.exp(-0.5 * (_LENSES / 0.02) ** 2)
"""Where a flat sheet behind a strong lens and an uneven one behind a weak lens explain lines alike (judgement)."""
_BENDS_RAD = np.geomspace(0.0006, 0.04, 9)
"""How far directions at both ends of a straight line may differ. The least is 0.008 mm of bow over 100 mm, no worse
than a printer's line is likely to be; the most is 0.5 mm over 100 mm, a line drawn freehand (judgement)."""
_CURVE = 0.03
"""Bow over length of lines that are meant to be curved, as a standard deviation (judgement)."""
_CURVED_SHARE = 0.3
_AGREE = 0.6
_FEWEST = 2.5
"""So many lines of those that may be straight must agree, as a share and as a number (judgement)."""
_USUAL = 0.04
_WORST_SIGMA = 0.01
"""Lines that know the lens no better than this add nothing to what is usual."""
_POINTS = 9
"""Points that hand a line's parabola over: it has no more to say than three."""
_ONE_FIGURE, _JOINED = 0.9, 0.1
"""Lines of which one figure's tell more of all that is told are no second witness; ends closer than this part of the
shorter line join it to its neighbour (lines are measured up to near their ends; judgement)."""
_ONE_WAY = 0.9
"""Resultant of the lines' directions, doubled, by what they tell: above this all run one way."""
_UNEVEN, _BULGE = 0.0015, 0.004
"""Sheets of A3 that bulge by a fifth and by half a millimetre bend lines across the bow like lenses of this k1
(4 h D / S^2, with the camera's distance D = 0.33 m and the sheet's width S = 0.42 m; the height h is judgement). The
first is allowed for always, for sheets lie in more ways than are tried and a lens has more terms than one, the second
where lines run one way and nothing shows it."""
_LEAST = np.float32(1e-30)
_SURELY_FLAT, _SURELY_UNEVEN = 0.5, 0.05
"""How likely it must be at least that the sheet is flat for a lens to be told, and at most for the sheet to be said not
to lie flat."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlumbLines:
    """Lines that agree on a lens.

    Parameters
    ----------
    chains_px : tuple of PxPoints
    sigmas_px : tuple of float
        What each point of these may lie off a straight line, for the fit to weigh a line's bow rightly.
    k1, k1_sigma : float
        The lens that they agree on, and its standard uncertainty by them alone, on a sheet that lies fairly flat.
    """

    chains_px: tuple[PxPoints, ...]
    sigmas_px: tuple[float, ...]
    k1: float
    k1_sigma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnevenSheet:
    """Lines that agree that their sheet does not lie flat."""


def bow_by_lens(line: FoundLine, plane: PlaneMap) -> float:
    """Return the bow (px) that a lens of k1 = 1 puts into a line, to first order."""
    points = (np.asarray(line.points_px) - plane.centre_px) / plane.focal_px
    moved = points * (points**2).sum(axis=1, keepdims=True) * plane.focal_px
    along = points[-1] - points[0]
    along = along / np.hypot(*along)
    offset = moved @ np.array([-along[1], along[0]])
    place = (points - points[0]) @ along
    t = 2 * (place - place.mean()) / np.ptp(place)
    return float(-np.polyfit(t, offset, 2)[0])


def agreeing(lines: Sequence[FoundLine], plane: PlaneMap) -> PlumbLines | UnevenSheet | None:
    """Return the lines that one lens makes straight, or that they show an uneven sheet; None where they do neither.

    Parameters
    ----------
    lines : sequence of FoundLine
    plane : PlaneMap
        The map as far as it is known: its focal length, principal point and scale.
    """
    if len(lines) < _FEWEST:
        return None
    bow, sigma, length = np.array([(x.bow_px, x.bow_sigma_px, x.length_px) for x in lines]).T
    lever = np.array([bow_by_lens(line, plane) for line in lines])
    # A parabola that turns by an angle from end to end bows by an eighth of it, times its length.
    variance = sigma**2 + (_BENDS_RAD[:, None] * length / 8) ** 2
    curved = sigma**2 + (_CURVE * length) ** 2
    by_sheet, chance = ways_to_lie(lines, plane)
    miss = bow - by_sheet[:, None] - _LENSES[:, None] * lever
    log_likely = np.array([_log_likely(m, variance, curved) for m in miss])
    likely = np.exp(log_likely - log_likely.max()) * chance[:, None, None]
    likely /= likely.sum()
    by_lens = likely.sum(axis=(0, 2))
    low, k1, high = np.interp([(1 - COVERAGE) / 2, 0.5, (1 + COVERAGE) / 2], np.cumsum(by_lens), _LENSES)
    # Few lines leave long tails: what counts is what holds the lens in 95 % of cases.
    k1_sigma = float(max(high - k1, k1 - low)) / 2
    usual = (likely * _HOW_USUAL[:, None]).sum(axis=(1, 2))
    flat = float(usual[0] / usual.sum())
    # Which way it lies most likely, and which of the lines are straight then.
    way = int(np.argmax(usual)) if flat < _SURELY_FLAT else 0
    here = likely[way] / likely[way].sum()
    straight = _straight(miss[way], variance)
    is_straight = np.einsum("ij,ijn->n", here, straight / (straight + _curved(miss[way], curved)))
    may_be = np.abs(bow) <= np.abs(lever) * _STRONGEST + _BENDS_RAD[-1] * length / 8
    if is_straight.sum() < max(_FEWEST, _AGREE * float(may_be.sum())) or abs(k1) > _USUAL:
        return None
    used = [int(i) for i in np.flatnonzero(is_straight > 0.5)]
    spread = np.sqrt(np.exp(here.sum(axis=0) @ np.log(variance)))[used]
    told = (lever[used] / spread) ** 2
    if _most_of_one_figure([lines[i] for i in used], told) > _ONE_FIGURE:
        return None
    turn = np.array([_direction(lines[i]) for i in used])
    one_way = abs(complex((told * np.exp(2j * turn)).sum())) > _ONE_WAY * told.sum()
    if flat < _SURELY_FLAT:
        return UnevenSheet() if flat < _SURELY_UNEVEN and not one_way else None
    if k1_sigma > _WORST_SIGMA:
        return None
    k1_sigma = float(np.hypot(k1_sigma, _BULGE if one_way else _UNEVEN))
    spread = spread * max(1.0, k1_sigma * float(np.sqrt(told.sum())))
    # What is left of a parabola in so many points when its middle is taken out: a bow is told as well as one of that
    # size by one point.
    parabola = np.linspace(-1.0, 1.0, _POINTS) ** 2
    to_point = float(np.linalg.norm(parabola - parabola.mean()))
    return PlumbLines(
        chains_px=tuple(_thinned(lines[i].points_px) for i in used),
        sigmas_px=tuple(float(s) * to_point for s in spread),
        k1=float(k1),
        k1_sigma=float(k1_sigma),
    )


def _log_likely(miss: Floats, variance: Floats, curved: Floats) -> Floats:
    """Return how likely lines miss (L, N) each lens by so much, for each bend (B, N): logarithms, shape (L, B)."""
    # In single precision it takes a quarter of the time, and is as good where whole units count.
    each = _straight(miss.astype(np.float32), variance.astype(np.float32))
    each += _curved(miss.astype(np.float32), curved.astype(np.float32))
    return np.asarray(np.log(np.maximum(each, _LEAST)).sum(axis=2, dtype=np.float64))


def _straight(miss: Floats, variance: Floats) -> Floats:
    """Return how likely lines (L, N) that are straight as far as each variance (B, N) are off so: (L, B, N)."""
    return (1 - _CURVED_SHARE) * _density(miss[:, None, :], variance[None])


def _curved(miss: Floats, variance: Floats) -> Floats:
    return _CURVED_SHARE * _density(miss, variance)[:, None, :]


def _most_of_one_figure(lines: Sequence[FoundLine], told: Floats) -> float:
    """Return the largest share of what lines tell that comes from such as join each other end to end."""
    ends = np.array([[np.asarray(line.points_px)[0], np.asarray(line.points_px)[-1]] for line in lines])
    lengths = np.array([line.length_px for line in lines])
    gaps = np.linalg.norm(ends[:, None, :, None] - ends[None, :, None], axis=-1).min(axis=(2, 3))
    joined = gaps < _JOINED * np.minimum(lengths[:, None], lengths[None])
    figure = connected_components(joined)[1]
    return float(np.bincount(figure, weights=told).max() / told.sum())


def _density(miss: Floats, variance: Floats) -> Floats:
    return np.asarray(np.exp(miss**2 * (-0.5 / variance)) * (1.0 / np.sqrt(2 * np.pi * variance)))


def _thinned(points_px: PxPoints) -> PxPoints:
    points = np.asarray(points_px)
    return PxPoints(points[np.linspace(0, len(points) - 1, _POINTS).round().astype(int)])


def _direction(line: FoundLine) -> float:
    along = np.asarray(line.points_px)[-1] - np.asarray(line.points_px)[0]
    return float(np.arctan2(along[1], along[0]))
