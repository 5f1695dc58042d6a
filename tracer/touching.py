"""Where two arms touch that close in on each other without an angle, as two arcs do at the foot of a clamshell.

Where they are seen apart, the arms tell more of that place than the light does beyond. Between touching arms the width
grows with the square of the distance. A width that is off by as much all along moves the place by ten times as much
where only a short stretch of the arms is looked at, and hardly where they are looked at until they are far apart; so it
is an unknown of its own, held by how well edges are told.

Limits: two arcs or two parabolas. Arms that meet at an angle of a few degrees while they bend look alike until the end;
they meet some ten pixels before the place at which they would touch, and only the light tells that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

Floats = NDArray[np.float64]

FAR_PX = 30.0
"""How far apart arms may be where they are still looked at (judgement: three times what light resolves)."""
_WIDTH_PX = 0.25
"""Standard uncertainty of how far two edges are apart all along: each lies where its light says to a tenth or two, and
on the same side of it (judgement; on eighteen rendered points it was 0.15 px rms, and 0.42 px once)."""
_PLACE_PX, _ALIKE_PX = 0.07, 10.0
"""The same at one place beside others, and over what length it is alike: JPEG codes blocks of eight pixels."""
_SHARES = (1.0, 0.67, 0.4)
"""Where arms do not close in like arcs as far back as that, such shares of the way are tried."""
_FITS = 2.0
_CLEARLY = 4.0
"""Arms that meet at an angle explain the widths better by so much (two standard uncertainties)."""
_ARC = (1.0, 0.0)
"""What two arcs have of the fourth power of the distance, and two parabolas."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Touching:
    """Where arms touch: the place, its standard uncertainty, and the width at a distance of one from it (px)."""

    place: float
    doubt: float
    growth: float


def touching(arms: Floats) -> Touching | None:
    """Return where two arms touch, if they close in on each other as touching ones do; None where straight ones fit.

    Parameters
    ----------
    arms : ndarray, shape (N, 2)
        Places along a point, and how far apart its arms are there, px.
    """
    for share in _SHARES:
        near = arms[arms[:, 1] <= max(share * float(arms[:, 1].max()), 2.0 * float(arms[:, 1].min()))]
        at, wide = near[:, 0], near[:, 1]
        straight, root = np.polyfit(at, wide, 1), np.polyfit(at, np.sqrt(wide), 1)
        miss = np.polyval(root, at) ** 2 - wide
        if root[0] >= 0 or float((miss**2).sum()) > float(((np.polyval(straight, at) - wide) ** 2).sum()):
            return None
        start = float(-root[1] / root[0]), float(root[0])
        fits = sorted((_fitted(at, wide, start, arc) for arc in _ARC), key=lambda fit: fit.cost)
        best, other = fits
        if best.miss > _FITS:
            continue
        if _cost_of_meeting(at, wide) < best.cost - _CLEARLY:
            return None
        # As likely as the other is, the place may be where that has it.
        likely = float(np.exp((best.cost - other.cost) / 2))
        shape = abs(best.place - other.place) * np.sqrt(likely / (1.0 + likely))
        return Touching(place=best.place, doubt=float(np.hypot(best.doubt, shape)), growth=best.growth)
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """A fitted width: the place where it ends and its uncertainty, its growth, and by how much all of it is wider.

    ``miss`` is how far the widths lie from it, in standard uncertainties; ``cost`` the sum of squares.
    """

    place: float
    doubt: float
    growth: float
    wider: float
    miss: float
    cost: float


def _fitted(at: Floats, wide: Floats, start: tuple[float, float], arc: float) -> _Fit:
    """Fit the width between two touching arcs (or parabolas), and by how much all widths are off."""
    alone = max(1.0, float(np.ptp(at)) / _ALIKE_PX)
    weight = _weight(at)

    def off(p: Floats) -> Floats:
        away, root = p[0] - at, p[1]
        width = (root * away) ** 2 + arc * root**6 * away**4 / 4 + p[2]
        return np.append((width - wide) * weight, p[2] / _WIDTH_PX)

    found = optimize.least_squares(off, np.array([*start, 0.0]), x_scale=np.array([1.0, 0.01, 0.1]))
    slopes = np.asarray(found.jac, dtype=np.float64)
    covariance = np.linalg.inv(slopes.T @ slopes)
    return _Fit(
        place=float(found.x[0]),
        doubt=float(np.sqrt(covariance[0, 0])),
        growth=float(found.x[1] ** 2),
        wider=float(found.x[2]),
        miss=float(np.sqrt((found.fun[:-1] ** 2).sum() / alone)),
        cost=float((found.fun**2).sum()),
    )


def _cost_of_meeting(at: Floats, wide: Floats) -> float:
    """Return what a width costs that comes to nothing at an angle, as bent arms have it that cross; inf for none."""
    found = np.polyfit(at, wide, 2)
    if found[1] ** 2 < 4 * found[0] * found[2]:
        return float("inf")
    return float((((np.polyval(found, at) - wide) * _weight(at)) ** 2).sum())


def _weight(at: Floats) -> float:
    """Return the weight of each of so many evenly spaced widths."""
    return float(np.sqrt(max(1.0, float(np.ptp(at)) / _ALIKE_PX) / len(at)) / _PLACE_PX)
