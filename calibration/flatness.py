"""Whether the page lies flat: what should be straight or lie on one plane, and does not.

Everything here is measured on one plane. A page that bulges by a few millimetres is off by as many in a hundred, and a
small reference says nothing of it; the edges of the sheet, which then bend in a way that no lens does, the nodes of a
grid and a lens that is like none in use do. Only photos are asked: a scanner's lid presses the page flat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.camera import PlaneMap
from calibration.evidence import Evidence
from calibration.finding import Finding
from calibration.fitted import FittedMap
from calibration.picture import PxPoints

MOST_BOW_MM = 0.5
"""Paper is cut straighter than this by a few times (judgement); A3 lifted by 4 mm in its middle bows by 0.8 mm in a
rendered photo, flat A3 by 0.01 mm."""
UNEVEN_SHARE = 0.2
"""Edges of paper that stray from a smooth bow by more of it are torn, or cut by hand (measured on rendered photos: of
bulging pages those that bend most 0.01 to 0.1, torn tissue 0.25 to 2)."""
MOST_RESIDUAL_MM = 0.25
"""Root mean square; grids of flat mats leave 0.05 mm and less."""
MOST_K1 = 0.08
"""Phones and cameras stay below it by far, wide angles reach it; only a grid may show more (common practice)."""
_GRIDS = ("mat", "target")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bow:
    """How a chain of points bends on the plane, mm.

    ``across`` is how far a cubic through it strays from its chord, peak to peak; ``rest`` how far the points stray from
    the cubic, root mean square.
    """

    across: float
    rest: float

    @property
    def smooth(self) -> bool:
        """Whether it bends as cut paper does that is curved, and is not torn or cut by hand."""
        return self.rest < UNEVEN_SHARE * self.across


def bow_mm(plane: PlaneMap, points_px: PxPoints) -> Bow:
    """Measure how a chain of points (N, 2) bends."""
    mm = np.asarray(plane.to_mm(points_px))
    centred = mm - mm.mean(axis=0)
    axes = np.linalg.svd(centred, full_matrices=False)[2]
    along, across = centred @ axes[0], centred @ axes[1]
    curve = np.polynomial.Polynomial.fit(along, across, 3)
    places = np.linspace(float(along.min()), float(along.max()), 41)
    values = curve(places)
    chord = np.interp(places, places[[0, -1]], values[[0, -1]])
    rest = float(np.sqrt(((across - curve(along)) ** 2).mean()))
    return Bow(across=float(np.ptp(values - chord)), rest=rest)


def flatness_findings(evidence: Evidence, fitted: FittedMap, sheet_id: str) -> list[Finding]:
    """Return a warning where the page seems not to lie flat, and a note where that was measured and taken out."""
    notes = _waves_taken_out(evidence, fitted, sheet_id)
    if not fitted.perspective:
        return notes
    edges = [bow_mm(fitted.plane, PxPoints(s.points_px)) for sheet in evidence.sheets for s in sheet.quad.sides]
    kind = evidence.chosen.kind
    # Where a grid shows that what lies there is flat, the torn edges of tissue on it say nothing.
    bows = [edge.across for edge in edges if edge.smooth or kind not in _GRIDS]
    if bows and max(bows) > MOST_BOW_MM:
        seen = f"an edge of the sheet of paper bends by {max(bows):.1f} mm in a way no lens explains"
    elif fitted.uneven_by_lines:
        seen = "straight lines on it bend differently by the way they run, and no lens does that"
    elif kind in _GRIDS and fitted.residual_rms_mm > MOST_RESIDUAL_MM:
        seen = f"the {kind} does not lie on one plane (it is {fitted.residual_rms_mm:.1f} mm off on average)"
    elif kind not in _GRIDS and abs(fitted.plane.distortion[0]) > MOST_K1:
        seen = f"straight things seem to bend as no usual lens bends them (k1 {fitted.plane.distortion[0]:+.2f})"
    else:
        return notes
    return [
        *notes,
        Finding(
            code="page-not-flat",
            where=sheet_id,
            message=f"{seen}: the page seems to be curved, or its edges are not straight; sizes may be off by more "
            "than is stated. Press it flat, under glass if need be, and take the picture again",
        ),
    ]


def _waves_taken_out(evidence: Evidence, fitted: FittedMap, sheet_id: str) -> list[Finding]:
    plane, px = fitted.plane, evidence.chosen.points_px
    if plane.warp is None:
        return []
    most = float((np.hypot(*plane.warp.shift(np.asarray(px)).T) * plane.mm_per_px(px)).max())
    return [
        Finding(
            code="waves-taken-out",
            severity="note",
            where=sheet_id,
            message=f"the {evidence.chosen.kind} does not lie quite flat, or the lens is an unusual one: its points "
            f"show where, by up to {most:.1f} mm, and that was taken out; away from its points it cannot be",
        )
    ]
