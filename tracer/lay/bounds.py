"""What no lay can beat: proofs that something does not fit, and the least length it could have.

A body that fits at no allowed turn is proved by its box (for free turns: by boxes at many turns and the most a box
can change between two of them). A strip's least length is proved level by level: at every level of the strip the
longest unbroken chords of the pieces lying there, each with its gap, share the width, so any dual feasible function
of the chords adds up to at most the whole (Fekete and Schepers, "New classes of fast lower bounds for bin packing
problems", 2001).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.lay.bodies import Body
from tracer.lay.rows import SLACK_MM
from tracer.lay.shapes import Solid, as_solid, hull_points, turned

_BANDS = 48
_BANDS_IN_ALL = 2400
_TURN_STEP_DEG = 0.05


def fits_alone(body: Body, width_mm: float, length_mm: float | None, *, base_degs: Sequence[float] = (0.0,)) -> bool:
    """Return False where a body certainly goes at no allowed turn into a rectangle.

    True is no promise for free turns.
    """
    if body.turns is not None:
        return any(
            body.box((t + base) % 360).width <= width_mm + SLACK_MM
            and (length_mm is None or body.box((t + base) % 360).height <= length_mm + SLACK_MM)
            for t in body.turns
            for base in base_degs
        )
    # The fine polygon may reach 0.004 mm beyond the piece; between two steps a side changes by at most diameter x
    # step / 2.
    hull = hull_points(body.fine)
    diameter = 2 * float(np.hypot(hull[:, 0], hull[:, 1]).max())
    slack = diameter * math.radians(_TURN_STEP_DEG) / 2 + 0.02
    angles = np.radians(np.arange(0.0, 180.0, _TURN_STEP_DEG))
    along = hull @ np.stack([np.cos(angles), np.sin(angles)])
    across = hull @ np.stack([-np.sin(angles), np.cos(angles)])
    widths, lengths = np.ptp(along, axis=0), np.ptp(across, axis=0)
    fits = widths <= width_mm + slack
    if length_mm is not None:
        fits &= lengths <= length_mm + slack
    return bool(fits.any())


def least_length_mm(bodies: Sequence[Body], demands: Sequence[int], width_mm: float, *, base_deg: float = 0.0) -> float:
    """Return a length in mm that no lay of these bodies in a strip of this width can go below."""
    gap = max((b.gap_mm for b in bodies), default=0.0)
    whole = width_mm + gap
    any_free = any(b.turns is None and demands[i] for i, b in enumerate(bodies))
    tallest = 0.0
    sums = np.zeros(_FUNCTIONS)
    bands = min(_BANDS, max(6, _BANDS_IN_ALL // max(len(bodies), 1)))
    for i, body in enumerate(bodies):
        if not demands[i]:
            continue
        inner = _inner(body)
        if body.turns is None:
            sums += demands[i] * inner.area / whole
            tallest = max(tallest, _least_extent(body.fine))
            continue
        distinct = {round((t + base_deg) % 180, 6): (t + base_deg) % 360 for t in body.turns}.values()
        sums += demands[i] * np.min([_band_sums(turned(inner, t), whole, bands) for t in distinct], axis=0)
        tallest = max(tallest, min(body.box(t).height for t in distinct))
    if not sums.any():
        return tallest
    return max(tallest, float(sums[0] if any_free else sums.max()) - gap)


def least_mats(bodies: Sequence[Body], demands: Sequence[int], width_mm: float, length_mm: float) -> int:
    """Return a number of mats below which no lay can go, by area."""
    gap = max((b.gap_mm for b in bodies), default=0.0)
    area = sum(demands[i] * _inner(b).area for i, b in enumerate(bodies) if demands[i])
    return max(1, math.ceil(area / ((width_mm + gap) * (length_mm + gap)) - 1e-6))


def _inner(body: Body) -> Solid:
    """Return what a body surely keeps for itself: itself grown by half the gap, round at its corners, never more.

    Two bodies that keep the gap have disjoint inner polygons, which lie in the strip grown by half the gap. The fine
    polygon of a curved body may be 0.004 mm too large; arcs drawn by chords are too small.
    """
    curved = any(len(s) == 4 for m in body.members for s in m.piece.outline.segments)
    grow = body.gap_mm / 2 * (1 - 1e-6) - (0.005 if curved else 0.0)
    return body.fine if grow == 0 else as_solid(body.fine.buffer(grow, quad_segs=8))


def _least_extent(solid: Solid) -> float:
    hull = hull_points(solid)
    edges = np.roll(hull, -1, axis=0) - hull
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    normals = np.stack([-edges[:, 1], edges[:, 0]])[:, lengths > 1e-9] / lengths[lengths > 1e-9]
    return float(np.ptp(hull @ normals, axis=0).min()) - 0.01


_FUNCTIONS = 13


def _band_sums(inner: Solid, whole: float, bands: int) -> NDArray[np.float64]:
    """Return the integral over the levels of each dual feasible function of the chord; index 0 is the chord itself."""
    x0, y0, x1, y1 = inner.bounds
    levels = np.linspace(y0, y1, bands + 1)
    # The chord that every level of a band has: what no part outside the solid casts a shadow on.
    left, right = np.full(bands, x0), np.full(bands, x1)
    outside = shapely.difference(shapely.box(left, levels[:-1], right, levels[1:]), inner)
    parts, band = shapely.get_parts(outside, return_index=True)
    shadows = shapely.bounds(parts)[:, [0, 2]]
    solid = shapely.area(parts) > 1e-9
    free = np.zeros(bands)
    reached = np.full(bands, x0)
    order = np.argsort(shadows[:, 0], kind="stable")
    for n in order[solid[order]].tolist():
        k = band[n]
        free[k] = max(free[k], shadows[n, 0] - reached[k])
        reached[k] = max(reached[k], shadows[n, 1])
    shares = np.minimum(1.0, np.maximum(free, x1 - reached) / whole)
    sums = np.empty(_FUNCTIONS)
    sums[0] = inner.area / whole
    for k in range(1, _FUNCTIONS):
        scaled = (k + 1) * shares
        even = np.abs(scaled - np.round(scaled)) < 1e-9
        sums[k] = float(np.where(even, shares, np.floor(scaled) / k).sum()) * (y1 - y0) / bands
    return sums
