"""Cutting off loops in which a closed line crosses itself.

The outline of a thing never does. Where a rough outline strayed along something else and back (a printed line that ends
at the edge), both ways of the stray come to lie on the same edge and cross as soon as each is moved onto it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracer.profiles import Points


def without_loops(points: Points, *, longest: int) -> Points:
    """Return a closed line without the loops in which it crosses itself.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
    longest : int
        Steps between the crossing steps at most; a longer way around is no loop that hangs on the line.

    Returns
    -------
    ndarray, shape (M, 2)
        M <= N; of each loop the point before and the point after it remain.
    """
    count = len(points)
    apart = np.arange(2, min(longest, count // 2 - 1) + 1)
    if not len(apart):
        return points
    ahead = np.roll(points, -1, axis=0)
    first = np.arange(count)[:, None]
    other = (first + apart) % count
    crosses = _cross(points[:, None], ahead[:, None], points[other], ahead[other])
    if not crosses.any():
        return points
    kept, skipped_to = np.ones(count, dtype=bool), 0
    # From where nothing crosses, so that no loop lies across the ends of the array.
    for step in range(count):
        if step < skipped_to or not crosses[step].any():
            continue
        skipped_to = step + int(apart[np.flatnonzero(crosses[step])[-1]])
        kept[np.arange(step + 1, skipped_to + 1) % count] = False
    return points[kept]


def _cross(a: Points, b: Points, c: Points, d: Points) -> NDArray[np.bool_]:
    """Return whether the steps from a to b and from c to d cross."""

    def side(p: Points, q: Points, r: Points) -> NDArray[np.float64]:
        return np.asarray(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    return np.asarray((side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0))
