"""Sub-pixel places of thin lines from profiles across them.

A line is symmetrical, so the place of a Gaussian fitted with a free floor and slope is its centre whatever its true
width; soft shading goes into the floor and the slope.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_STEPS = 4


def fit_profiles(
    profiles: Array, u: Array, reach: float, sigma: float, step_px: float
) -> tuple[Array, Array, Array, Array]:
    """Fit a light line (a Gaussian of known width on a sloping floor) to each profile.

    Parameters
    ----------
    profiles : ndarray, shape (N, U)
        Light across the line; negate it for dark lines.
    u : ndarray, shape (U,)
        Distances across at which it was taken, ``step_px`` apart.
    reach : float
        The line is sought within this distance of zero.
    sigma : float
        Standard deviation of the line's profile.
    step_px : float

    Returns
    -------
    tuple of ndarray, each of shape (N,)
        Place of the line, its standard uncertainty from the scatter about the fit, the line's height, and the height
        over its own standard uncertainty.
    """
    window = 3.0 * sigma + 0.5
    shifts = u[np.abs(u) <= reach + 1e-9]
    # Where the line is at all: the shift at which a bump explains most, floor and slope taken out of both.
    templates = _templates(u, shifts, sigma, window)
    centre = shifts[np.argmax(profiles @ templates.T, axis=1)]
    steps = np.arange(-np.floor(window / step_px), np.floor(window / step_px) + 1)
    aside = _aside_of_a_floor(len(steps))
    index0 = np.arange(len(profiles))[:, None]
    for _ in range(_STEPS):
        first = np.clip(np.rint((centre - u[0]) / step_px), -steps[0], len(u) - 1 - steps[-1])
        index = (first[:, None] + steps).astype(int)
        x = u[index] - centre[:, None]
        bump = np.exp(-0.5 / sigma**2 * x**2)
        # Height and shift, with floor and slope taken out of them and of what was read: two unknowns are left.
        y, rise, shift = profiles[index0, index] @ aside, bump @ aside, (bump * x / sigma**2) @ aside
        rise2, shift2, both = (_dot(a, b) for a, b in ((rise, rise), (shift, shift), (rise, shift)))
        of_rise, of_shift = _dot(rise, y), _dot(shift, y)
        determinant = rise2 * shift2 - both**2
        height = (shift2 * of_rise - both * of_shift) / determinant
        moved = (rise2 * of_shift - both * of_rise) / determinant
        step = np.where(height > 0, moved / np.where(height > 0, height, 1), 0.0)
        centre = np.clip(centre + np.clip(step, -0.7, 0.7), -reach - 1, reach + 1)
    residual = y - height[:, None] * rise - moved[:, None] * shift
    # Samples half a pixel apart share their light: there are about as many independent ones as pixels.
    free = len(steps) * min(1.0, step_px)
    noise = np.sqrt(_dot(residual, residual) / len(steps) * free / max(1.0, free - 4)) + 1e-7
    shared = np.sqrt(len(steps) / free)
    sigma_height = noise * np.sqrt(shift2 / determinant) * shared
    with np.errstate(divide="ignore", invalid="ignore"):
        sigma_offset = noise * np.sqrt(rise2 / determinant) * shared / np.abs(height)
    return centre, sigma_offset, height, height / sigma_height


def _dot(a: Array, b: Array) -> Array:
    """Return the scalar product of each row of one with that of the other."""
    return np.asarray(np.einsum("nk,nk->n", a, b))


def _aside_of_a_floor(count: int) -> Array:
    """Return the matrix that takes any sloping floor out of samples an even step apart."""
    line = np.linspace(-1.0, 1.0, count)
    flat, slope = np.full(count, count**-0.5), line / np.linalg.norm(line)
    return np.asarray(np.eye(count) - np.outer(flat, flat) - np.outer(slope, slope))


def _templates(u: Array, shifts: Array, sigma: float, window: float) -> Array:
    """Bumps at some shifts as far as they differ from a sloping floor, each of length one; shape (shifts, U)."""
    x = u - shifts[:, None]
    near = np.abs(x) <= window
    x = np.where(near, x, 0.0)
    bump = np.where(near, np.exp(-0.5 * (x / sigma) ** 2), 0.0)
    # The floor of least squares in closed form.
    n, sx, sxx = near.sum(axis=1), x.sum(axis=1), (x**2).sum(axis=1)
    sb, sxb = bump.sum(axis=1), (x * bump).sum(axis=1)
    scale = n * sxx - sx**2
    level, slope = (sxx * sb - sx * sxb) / scale, (n * sxb - sx * sb) / scale
    bump = np.where(near, bump - level[:, None] - slope[:, None] * x, 0.0)
    return np.asarray(bump / np.linalg.norm(bump, axis=1, keepdims=True))
