"""The light that falls on a mat under what lies on it: shadows of a hand and of the phone go on over things.

Light changes slowly over a picture, the colours of things change at their edges. So the slow changes that are seen on a
thing are those of the light on it, and together with the mat's own light around it they tell what light the mat would
have there. Without them white card in the shade, which is as light as the mat in the light, is taken for the mat.

Sources: Land and McCann, "Lightness and retinex theory", 1971 (light changes slowly); Perez et al., "Poisson image
editing", 2003 (filling in by known gradients).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.linalg import splu

from tracer.search.raster import as_mask, grown

Floats = NDArray[np.float64]

_CELL_MM, _MOST_CELLS = 2.0, 20_000
"""The light is worked out in cells of this side, larger ones where that would be too many."""
_SLOW = 0.06
"""What changes by more in a millimetre, as a logarithm, is no light (a soft shadow that takes 40 % of the light over a
centimetre changes by 0.05; judgement)."""
_SLOW_AT_RIM, _RIM_PX = 0.2, 7.0
"""Share of that where something surely ends, and how far an edge is blurred (judgement)."""
_LEAST_SHARE = 0.3
"""Share of a cell that must be bare mat for its light to be known."""
_CALM_CELLS = 2.0
_DARKEST = 1e-3


def light_under(
    linear: NDArray[np.float32],
    bare: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    mm_per_px: float,
    rims: NDArray[np.bool_] | None = None,
) -> NDArray[np.float32]:
    """Return the light of the bare mat everywhere, linear RGB, shape (rows, columns, 3).

    Parameters
    ----------
    linear : ndarray of float32, shape (rows, columns, 3)
        The picture.
    bare : ndarray of bool, shape (rows, columns)
        Where the mat itself is seen.
    inside : ndarray of bool, shape (rows, columns)
        Where the mat is at all.
    mm_per_px : float
    rims : ndarray of bool, shape (rows, columns), optional
        Where what covers the mat ends somewhere: there also what changes more slowly is its edge, seen blurred.
    """
    rows, columns = bare.shape
    side_mm = max(_CELL_MM, float(np.sqrt(bare.size * mm_per_px**2 / _MOST_CELLS)))
    side = max(1, round(side_mm / mm_per_px))
    high, wide = rows // side, columns // side
    log = np.log(np.maximum(cv2.GaussianBlur(linear, (0, 0), 1.0), _DARKEST)).astype(np.float32)
    slow = _SLOW * mm_per_px

    def in_cells(values: NDArray[Any]) -> Floats:
        cut = np.ascontiguousarray(values[: high * side, : wide * side], dtype=np.float32)
        return np.asarray(cv2.resize(cut, (wide, high), interpolation=cv2.INTER_AREA), dtype=np.float64)

    def steps(axis: int) -> Floats:
        """Return by how much the light grows from each cell to the next one."""
        change = np.diff(log, axis=axis, append=np.take(log, [-1], axis=axis))
        red, green, blue = cv2.split(np.abs(change))
        steep = np.asarray(cv2.max(cv2.max(red, green), blue))
        change[steep > slow] = 0.0
        if rims is not None:
            change[(grown(as_mask(steep > _SLOW_AT_RIM * slow), _RIM_PX) > 0) & rims] = 0.0
        mean = in_cells(change) * side
        ahead = np.roll(mean, -1, axis=axis)
        return np.asarray((mean + ahead) / 2)

    share = in_cells(bare)
    known = share > _LEAST_SHARE
    # The noise of single cells would go on into all that is filled in from them.
    seen = np.dstack([in_cells(linear * bare[:, :, None]), share]) * known[:, :, None]
    seen = np.asarray(cv2.GaussianBlur(seen, (0, 0), _CALM_CELLS))
    value = np.log(np.maximum(seen[:, :, :3] / np.maximum(seen[:, :, 3:], 1e-9), _DARKEST))
    within = in_cells(inside) > 0.5
    field = _carried_out(_solved(value, known, within, steps(1), steps(0)), within | known)
    warp = np.array([[1 / side, 0, 0.5 / side - 0.5], [0, 1 / side, 0.5 / side - 0.5]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    whole = cv2.warpAffine(
        np.exp(field).astype(np.float32), warp, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(whole, dtype=np.float32)


def _carried_out(field: Floats, within: NDArray[np.bool_]) -> Floats:
    """Return values (rows, columns, 3), the nearest where there is no grid: things at its rim reach beyond it."""
    nearest = ndimage.distance_transform_edt(~within, return_distances=False, return_indices=True)
    return np.asarray(field[tuple(nearest)])


def _solved(value: Floats, known: NDArray[np.bool_], inside: NDArray[np.bool_], right: Floats, down: Floats) -> Floats:
    """Return values (rows, columns, 3): where known as they are, elsewhere such that their steps are as given.

    By least squares over all neighbours of which one is not known (Poisson's equation). What no known cell is joined to
    gets the usual value.
    """
    rows, columns = known.shape
    usual = np.median(value[known], axis=0) if known.any() else np.zeros(3)
    out = np.where(known[:, :, None], value, usual)
    index = np.full((rows, columns), -1)
    sought = inside & ~known
    index[sought] = np.arange(int(sought.sum()))
    count = int(sought.sum())
    if not count or not known.any():
        return out
    there = inside | known
    pairs = []
    for a, b, step in (
        ((slice(None), slice(None, -1)), (slice(None), slice(1, None)), right[:, :-1]),
        ((slice(None, -1), slice(None)), (slice(1, None), slice(None)), down[:-1]),
    ):
        joined = there[a] & there[b] & (sought[a] | sought[b])
        pairs.append((index[a][joined], index[b][joined], out[a][joined], out[b][joined], step[joined]))
    one, other, at_one, at_other, step = (np.concatenate(part) for part in zip(*pairs, strict=True))
    diagonal, total = np.full(count, 1e-6), np.tile(1e-6 * usual, (count, 1))
    both = (one >= 0) & (other >= 0)
    for mine, yours, at_yours, sign in ((one, other, at_other, -1.0), (other, one, at_one, 1.0)):
        mine_sought = mine >= 0
        np.add.at(diagonal, mine[mine_sought], 1.0)
        np.add.at(total, mine[mine_sought], sign * step[mine_sought])
        fixed = mine_sought & (yours < 0)
        np.add.at(total, mine[fixed], at_yours[fixed])
    links = np.full(int(both.sum()), -1.0)
    matrix = sparse.coo_matrix((links, (one[both], other[both])), shape=(count, count))
    matrix = (matrix + matrix.T + sparse.diags(diagonal)).tocsc()
    out[sought] = splu(matrix).solve(total)
    return out
