"""Lines and slightly bowed lines through measured points: least squares, robust, and how sure.

Offsets across a chord are fitted as a polynomial of the place along it: degree 1 for a straight side (the chord is
within milliradians of the line, so this is the orthogonal fit to rounding), higher degrees for the bow that a lens
puts in.

The covariance comes from the scatter of the means of blocks of neighbouring points, not of single points: paper
grain, JPEG blocks and printed dots make neighbours agree with each other more than noise would.

Source: biweight, Beaton and Tukey 1974.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_BIWEIGHT = 4.685
"""Tuning constant of the biweight: 95 % efficient on normal errors (Beaton and Tukey 1974)."""
_TIGHTEST_PX = 0.02
_ENOUGH_FOR_THIRDS = 36
_ROUNDS = 12
_POINTS_A_BLOCK = 4
_MOST_BLOCKS = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PolynomialFit:
    """``y = c0 + c1 x + ...`` with the covariance of the coefficients and the residual standard deviation."""

    coefficients: Floats
    covariance: Floats
    residual_sd: float

    @property
    def standard_deviations(self) -> Floats:
        """Standard deviation of each coefficient."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


def _from_scaled(degree: int, middle: float, half: float) -> Floats:
    """Matrix from coefficients in ``(x - middle) / half`` to coefficients in ``x``."""
    matrix = np.zeros((degree + 1, degree + 1))
    power = np.array([1.0])
    for k in range(degree + 1):
        matrix[: len(power), k] = power
        power = np.convolve(power, np.array([-middle / half, 1.0 / half]))
    return matrix


def fit_polynomial(x: Floats, y: Floats, degree: int = 1, weights: Floats | None = None) -> PolynomialFit:
    """Fit a polynomial by weighted least squares, in a centred and scaled variable so that no digits are lost.

    Parameters
    ----------
    x, y : ndarray, shape (N,)
    degree : int
    weights : ndarray, shape (N,), optional
        Of the squared residuals.

    Raises
    ------
    ValueError
        With too few points, or all at one place.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    w = np.ones(len(x)) if weights is None else np.asarray(weights, dtype=np.float64)
    used = int((w > 0).sum())
    if used < degree + 2 or np.ptp(x[w > 0]) == 0:
        raise ValueError(
            f"a fit of degree {degree} with its uncertainty needs {degree + 2} points apart; there are {used}"
        )
    middle, half = float(x.mean()), float(np.ptp(x)) / 2
    basis = np.vander((x - middle) / half, degree + 1, increasing=True)
    root = np.sqrt(w)
    q, r = np.linalg.qr(basis * root[:, None])
    scaled = np.linalg.solve(r, q.T @ (y * root))
    residual = (y - basis @ scaled) * root
    variance = float(residual @ residual) / (used - degree - 1)
    inverse = np.linalg.inv(r)
    back = _from_scaled(degree, middle, half)
    return PolynomialFit(
        coefficients=back @ scaled,
        covariance=back @ (inverse @ inverse.T * variance) @ back.T,
        residual_sd=float(np.sqrt(variance)),
    )


def fit_robust(t: Floats, y: Floats, degree: int) -> tuple[Floats, NDArray[np.bool_], float]:
    """Fit a polynomial of which part of the points may be wrong.

    Returns
    -------
    coefficients : ndarray, shape (degree + 1,)
    kept : ndarray of bool, shape (N,)
        Points with any weight.
    scatter : float
        Robust standard deviation of single points.
    """
    basis = np.vander(t, degree + 1, increasing=True)
    coefficients: Floats = np.zeros(degree + 1)
    coefficients[0] = float(np.median(y))
    if len(t) >= _ENOUGH_FOR_THIRDS:
        # Medians of thirds: a start that a cluster of outliers at one end cannot pull over.
        thirds = np.array_split(np.argsort(t), 3)
        places = np.array([np.median(t[i]) for i in thirds])
        heights = np.array([np.median(y[i]) for i in thirds])
        coefficients[:2] = np.polyfit(places, heights, 1)[::-1]
    scatter, weights = 1.0, np.ones(len(t))
    for _ in range(_ROUNDS):
        residual = y - basis @ coefficients
        scatter = max(1.4826 * float(np.median(np.abs(residual))), _TIGHTEST_PX)
        u = residual / (_BIWEIGHT * scatter)
        weights = np.where(np.abs(u) < 1, (1 - u * u) ** 2, 0.0)
        if (weights > 0).sum() < degree + 2:
            break
        # Along a chord, from 0 to 1, the normal equations are well conditioned.
        weighted = basis.T * weights
        new = np.asarray(np.linalg.solve(weighted @ basis, weighted @ y), dtype=np.float64)
        settled = float(np.abs(new - coefficients).max()) < 1e-6
        coefficients = new
        if settled:
            break
    return coefficients, np.asarray(weights > 0), scatter


def block_covariance(t: Floats, residual: Floats, degree: int, scatter: float, *, shared: int = 1) -> Floats:
    """Return the covariance of the coefficients from the means of blocks of neighbouring residuals.

    Never better than independent points of the given scatter would make it: few blocks can agree by chance. ``shared``
    is how many neighbouring points have most of what they were read from in common; a block is then no shorter.
    """
    order = np.argsort(t)
    t, residual = t[order], residual[order]
    blocks = max(degree + 4, min(len(t) // max(_POINTS_A_BLOCK, shared), _MOST_BLOCKS))
    size, rest = divmod(len(t), blocks)
    first = np.unique(np.arange(blocks) * size + np.minimum(np.arange(blocks), rest))
    counts = np.diff(first, append=len(t))
    means, places = (np.add.reduceat(values, first) / counts for values in (residual, t))
    variance = float(means @ means) / max(1, len(first) - degree - 1)
    variance = max(variance, scatter**2 * len(first) * shared / max(1, len(t)))
    basis = np.vander(places, degree + 1, increasing=True)
    return np.asarray(np.linalg.pinv(basis.T @ basis) * variance)
