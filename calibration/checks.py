"""Cross-checks: every other thing of known size, measured with the chosen one."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration.camera import PlaneMap
from calibration.evidence import Evidence, side_by_plane, size_ratio
from calibration.finding import Finding
from calibration.fitted import FittedMap
from calibration.picture import Picture
from calibration.references import Reference
from calibration.references.density import is_default
from calibration.references.quad import side_lengths
from calibration.references.sheet import any_size_fits, names_by_proportion
from calibration.references.square import USUAL_SIZES, side_mm
from calibration.sheet import CrossCheck
from calibration.units import MM_PER_INCH

_LEAST_PERCENT = 0.05
"""Smaller differences are of no consequence to a pattern and are not reported (1/32 in on 1.5 m)."""
_DENSITY_OFF = 0.01
_USUAL_WITHIN = 0.008
"""2 in and 5 cm are 1.6 % apart."""
_AS_GOOD = 0.8
"""Scores of squares that differ by less tell nothing (judgement)."""
_LARGE_PAPER = 0.4
"""A smaller rectangle of a scan may be anything (judgement)."""
_PAPER_PROPORTIONS, _PAPER_OFF = 0.008, 0.03
"""ISO 216 allows 0.8 % on each side of A4; what is as near to a size as that may be that paper, trimmed."""


def cross_check(plane: PlaneMap, alternatives: Sequence[PlaneMap], other: Reference) -> CrossCheck:
    """Measure another reference with a map; the uncertainty is the map's, the other's own and its reading's."""
    ratio = size_ratio(plane, other)
    spread = (
        float(np.sqrt(np.mean([(size_ratio(a, other) - ratio) ** 2 for a in alternatives]))) if alternatives else 0.0
    )
    px = np.asarray(other.points_px)
    span_px = float(np.sqrt(((px - px.mean(axis=0)) ** 2).sum(axis=1).mean()))
    reading = float(np.median(other.sigma_px)) / max(span_px * np.sqrt(len(px)), 1.0)
    combined = float(np.sqrt(spread**2 + other.tolerance_relative**2 + other.edges_relative**2 + reading**2))
    return CrossCheck(
        kind=other.kind,
        size=other.size,
        difference_percent=100.0 * (ratio - 1.0),
        expanded_uncertainty_percent=200.0 * combined,
    )


def name_of(kind: str, size: str) -> str:
    """Name a reference in words: ``1in square``, ``A4 sheet``, ``stated density of 300 per inch``."""
    if kind == "density":
        return f"stated density of {size} per inch"
    return f"{size} {kind}" if size else kind


def disagreements(chosen: Reference, checks: Sequence[CrossCheck], sheet_id: str) -> list[Finding]:
    """Findings for differences beyond the expanded uncertainties."""
    findings = []
    for check in checks:
        if abs(check.difference_percent) <= max(check.expanded_uncertainty_percent, _LEAST_PERCENT):
            continue
        findings.append(
            Finding(
                code="density-contradicted" if check.kind == "density" else "references-disagree",
                where=sheet_id,
                message=f"the {name_of(check.kind, check.size)} comes out {check.difference_percent:+.2f} % by the "
                f"{name_of(chosen.kind, chosen.size)}, which is used; that is more than the "
                f"{check.expanded_uncertainty_percent:.2f} % that both allow: check both with a ruler",
            )
        )
    return findings


def density_findings(
    picture: Picture, fitted: FittedMap, mm_per_px: float, chosen: Reference, sheet_id: str
) -> list[Finding]:
    """Say that a stated density is wrong.

    Cameras state none that is right, which is not worth a word; nor are the defaults worth a warning.
    """
    density = picture.density
    if density is None or chosen.kind == "density" or picture.by_camera or picture.focal_px is not None:
        return []
    empty = is_default(density)
    if empty and fitted.perspective:
        return []
    stated = MM_PER_INCH / float(np.sqrt(density.x_per_inch * density.y_per_inch))
    if abs(stated / mm_per_px - 1) < _DENSITY_OFF:
        return []
    return [
        Finding(
            code="density-contradicted",
            severity="note" if empty else "warning",
            where=sheet_id,
            message=f"the file states {density.x_per_inch:g} pixels per inch, but by the "
            f"{name_of(chosen.kind, chosen.size)} it is {MM_PER_INCH / mm_per_px:.1f}; the {chosen.kind} is believed",
        )
    ]


def line_findings(fitted: FittedMap, sheet_id: str) -> list[Finding]:
    """Say that straight lines told of the lens: whoever drew them bent would have to know."""
    if fitted.straight_lines == 0:
        return []
    return [
        Finding(
            code="lens-by-lines",
            severity="note",
            where=sheet_id,
            message=f"{fitted.straight_lines} straight lines on the sheet agree on how the lens bends them, and that "
            "was taken out",
        )
    ]


def square_findings(evidence: Evidence, plane: PlaneMap, sheet_id: str) -> list[Finding]:
    """Squares that nothing sizes, beside a scale that comes from a mere statement or from a square of a named size."""
    if not evidence.unsized:
        return []
    chosen = evidence.chosen
    if chosen.kind == "square":
        rival = max(evidence.unsized, key=lambda s: s.score)
        if rival.score < _AS_GOOD * chosen.score:
            return []
        return [
            Finding(
                code="other-square",
                where=sheet_id,
                message=f"another square, {side_by_plane(rival, plane):.1f} mm wide by the {chosen.size} one that is "
                "used, looks as much like a test square and has no usual size: check on the overlay that the right one "
                "was taken, or point at the right one on the page",
            )
        ]
    if chosen.kind != "density":
        return []
    return [
        Finding(
            code="square-not-used",
            severity="note",
            where=sheet_id,
            message=f"a printed square {evidence.unsized[0].side_px:.0f} px wide is of none of the usual sizes at the "
            "stated density; if it is a test square, say its size, like --reference square=1in",
        )
    ]


def paper_findings(evidence: Evidence, plane: PlaneMap, picture: Picture, sheet_id: str) -> list[Finding]:
    """A sheet that fills the scan, of the proportions of a paper but of no paper's size by the stated density."""
    if evidence.chosen.kind != "density":
        return []
    for sheet in evidence.sheets:
        corners_px = np.asarray(sheet.quad.corners_px)
        if cv2.contourArea(corners_px.astype(np.float32)) < _LARGE_PAPER * picture.width_px * picture.height_px:
            continue
        sides = side_lengths(np.asarray(plane.to_mm(sheet.quad.corners_px)))
        size_mm = (float(sides[0] + sides[2]) / 2, float(sides[1] + sides[3]) / 2)
        names = names_by_proportion(sheet, within=_PAPER_PROPORTIONS)
        if not names or any_size_fits(size_mm, _PAPER_OFF):
            continue
        return [
            Finding(
                code="paper-not-used",
                where=sheet_id,
                message=f"a sheet in the proportions of {' or '.join(names)} is {size_mm[0]:.0f} x {size_mm[1]:.0f} mm "
                f"by the stated density, which is no size of paper: the density may be wrong. If it is "
                f"{names[-1]}, say so with --reference sheet={names[-1]}, or check a length with a ruler",
            )
        ]
    return []


def mistakable_squares(evidence: Evidence, plane: PlaneMap, sheet_id: str) -> list[Finding]:
    """Squares of which another one may as well be that of the named size, which then would have a usual size too."""
    chosen = evidence.chosen
    if chosen.kind != "square":
        return []
    size_mm = side_mm(chosen.size)
    for other in evidence.others:
        if other.kind != "square" or not other.size:
            continue
        as_named_mm = size_mm / side_mm(other.size) * size_mm
        usual = next((s for s in USUAL_SIZES if abs(as_named_mm / side_mm(s) - 1) < _USUAL_WITHIN), None)
        if usual is not None:
            return [
                Finding(
                    code="other-square",
                    where=sheet_id,
                    message=f"two squares are there of which each may be the {chosen.size} one: the one that is used "
                    f"makes the other {other.size}, the other would make it {usual}. Check a length with a ruler, or "
                    "point at the right one on the page",
                )
            ]
    return []
