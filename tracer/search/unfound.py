"""Where something lies on a mat that was not found: the mat's lines are not seen there.

White card on a white mat may have no edge that can be seen; that its lines end under it still tells that it is there.
"""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Finding, PxPoints, Sheet
from tracer.search.bodies import LEAST_SIDE_MM, Bodies
from tracer.search.mat_ground import covered_part
from tracer.search.raster import apart, as_mask, opened

_FOUND_SHARE = 0.5
"""What was found accounts for a place when it covers so much of it (judgement)."""


def unfound_findings(sheet: Sheet, bodies: Bodies, known: Iterable[NDArray[np.floating]]) -> list[Finding]:
    """Say where the lines of a mat are not seen although nothing that is known lies there.

    Parameters
    ----------
    sheet : Sheet
    bodies : Bodies
    known : iterable of ndarray, each of shape (N, 2)
        Outlines, in pixels of the picture, of all that is known to lie on the mat.
    """
    if bodies.grid is None:
        return []
    factor, scale = bodies.ground.factor, bodies.ground.mm_per_px
    covered = opened(covered_part(bodies.grid, factor, bodies.ground.foreign.shape), LEAST_SIDE_MM / scale)
    if not covered.any():
        return []
    there = np.zeros_like(covered)
    for ring in (r for r in known if len(r) >= 3):
        cv2.fillPoly(there, [np.rint((np.asarray(ring) + 0.5) / factor - 0.5).astype(np.int32)], 1)
    labels, stats = apart(covered)
    found = np.bincount(labels[there > 0], minlength=len(stats))
    out = []
    for label in range(1, len(stats)):
        if found[label] < _FOUND_SHARE * stats[label, cv2.CC_STAT_AREA]:
            y, x = (float(v.mean()) for v in np.nonzero(as_mask(labels == label)))
            px = (np.array([[x, y]]) + 0.5) * factor - 0.5
            at = np.asarray(sheet.to_mm(PxPoints(px)))[0]
            out.append(
                Finding(
                    code="covered-unfound",
                    severity="warning",
                    where=sheet.id,
                    message=f"the mat's lines are not seen near ({at[0]:.0f}, {at[1]:.0f}) mm: what lies there has "
                    "nearly the mat's colour and was left out; photograph it on a ground of another colour",
                )
            )
    return out
