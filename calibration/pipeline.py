"""Picture in, Sheet out."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import PlaneMap
from calibration.camera_fit import ModelName, fit_camera
from calibration.errors import ScaleError
from calibration.finding import Finding
from calibration.fitted import FittedMap, from_camera_fit, grid_over, moved
from calibration.picture import MmPoints, Picture, PxPoints
from calibration.references import Reference, ReferenceRequest, SearchPicture
from calibration.sheet import CrossCheck, Sheet
from calibration.uncertainty import Budget, Component
from calibration.units import MM_PER_INCH

_ADVICE = (
    "lay a ruler, a gridded mat, a bank-size card or a printed test square beside the pattern, "
    "or say what is there with --reference"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrateOptions:
    """Options of :func:`calibrate`.

    Parameters
    ----------
    request : ReferenceRequest or None
        What the person named; None looks for every kind and takes the best.
    reference_tolerance_relative, reference_tolerance_mm : float or None
        The reference's own tolerance (half-width of its interval), where the person knows better than the default.
    """

    request: ReferenceRequest | None = None
    reference_tolerance_relative: float | None = None
    reference_tolerance_mm: float | None = None


_KINDS = ("target", "mat", "ruler", "square", "card", "sheet", "density")


def _find(scene: SearchPicture, kind: str, size: str | None) -> list[Reference]:
    module = f"calibration.references.{kind}"
    if importlib.util.find_spec(module) is None:
        return []
    find = getattr(importlib.import_module(module), "find", None)
    return [] if find is None else list(find(scene, size))


def _page_sheet(picture: Picture, sheet_id: str) -> Sheet:
    """A vector page knows its millimetres: its pixels are only a rendering."""
    vectors = picture.vectors
    assert vectors is not None
    step = np.array([vectors.width_mm / picture.width_px, vectors.height_mm / picture.height_px])
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float64)
    size = np.array([vectors.width_mm, vectors.height_mm])
    reference = Reference(
        kind="page",
        size=f"{vectors.width_mm:.4g}x{vectors.height_mm:.4g}mm",
        points_px=PxPoints(corners * [picture.width_px, picture.height_px] - 0.5),
        points_mm=MmPoints(corners * size),
        sigma_px=np.full(4, 1e-3),
        tolerance_relative=1e-6,
        outline_px=PxPoints(np.zeros((0, 2))),
    )
    return Sheet(
        id=sheet_id,
        picture=picture,
        plane=PlaneMap.affine(np.array([[step[0], 0, step[0] / 2], [0, step[1], step[1] / 2]])),
        width_mm=vectors.width_mm,
        height_mm=vectors.height_mm,
        reference=reference,
        budget=Budget(
            components=(
                Component(
                    name="page",
                    standard_uncertainty=0.001,
                    words="the page's own numbers, written to a few decimals of a point",
                ),
            )
        ),
    )


def _with_tolerance(reference: Reference, options: CalibrateOptions) -> Reference:
    """Put the person's own tolerance in: a half-width, taken as rectangular (JCGM 100, 4.3.7)."""
    if options.reference_tolerance_relative is not None:
        half = options.reference_tolerance_relative
    elif options.reference_tolerance_mm is not None:
        half = options.reference_tolerance_mm / float(np.ptp(reference.points_mm, axis=0).max())
    else:
        return reference
    return replace(reference, tolerance_relative=half / np.sqrt(3.0))


def _fit(references: Sequence[Reference], picture: Picture, model: ModelName) -> FittedMap:
    px = np.concatenate([r.points_px for r in references])
    mm = np.concatenate([r.points_mm for r in references])
    straights = [chain for r in references for chain in r.straights_px if len(chain) >= 3]
    fit = fit_camera(
        PxPoints(px),
        MmPoints(mm),
        np.concatenate([r.sigma_px for r in references]),
        width_px=picture.width_px,
        height_px=picture.height_px,
        focal_px=picture.focal_px,
        groups=np.repeat(np.arange(len(references)), [len(r.points_px) for r in references]),
        tolerances_relative=[r.tolerance_relative for r in references],
        straights_px=straights if model != "scan" else (),
        model=model,
    )
    return from_camera_fit(fit)


def _model_for(picture: Picture, reference: Reference) -> ModelName:
    """A scan unless the picture says that a camera took it or the reference is clearly not a scanner's rectangle."""
    if picture.kind == "pdf-raster" or reference.kind == "density":
        return "scan"
    if picture.by_camera or picture.focal_px is not None:
        return "photo"
    if len(reference.points_px) > 8:
        return "auto"
    scan = _fit([reference], picture, "scan").plane
    off = np.asarray(scan.to_px(reference.points_mm)) - reference.points_px
    misfit = float(np.sqrt((off**2).sum(axis=1).mean()))
    side = float(np.ptp(reference.points_px, axis=0).max())
    return "scan" if misfit < max(4 * float(np.median(reference.sigma_px)), 0.1, 5e-4 * side) else "photo"


def _in_sheet_frame(fitted: FittedMap, picture: Picture) -> tuple[FittedMap, float, float]:
    """Shift the millimetres so that no point of the picture is negative; also its width and height."""
    w, h = picture.width_px - 0.5, picture.height_px - 0.5
    t = np.linspace(0.0, 1.0, 21)
    edge = [(-0.5 + t * (w + 0.5), np.full(21, y)) for y in (-0.5, h)]
    edge += [(np.full(21, x), -0.5 + t * (h + 0.5)) for x in (-0.5, w)]
    rim = PxPoints(np.concatenate([np.stack(pair, axis=1) for pair in edge]))
    mm = np.asarray(fitted.plane.to_mm(rim))
    low, high = mm.min(axis=0), mm.max(axis=0)
    shifted = moved(fitted, np.array([[1.0, 0.0, -low[0]], [0.0, 1.0, -low[1]]]))
    return shifted, float(high[0] - low[0]), float(high[1] - low[1])


def _size_by(plane: PlaneMap, reference: Reference) -> float:
    """How large a reference is by a map, over what it should be (root mean square distance from its middle)."""
    seen, true = np.asarray(plane.to_mm(reference.points_px)), np.asarray(reference.points_mm)
    seen, true = seen - seen.mean(axis=0), true - true.mean(axis=0)
    return float(np.sqrt((seen**2).sum() / (true**2).sum()))


def _cross_check(plane: PlaneMap, alternatives: Sequence[PlaneMap], other: Reference) -> CrossCheck:
    ratio = _size_by(plane, other)
    spread = float(np.std([_size_by(a, other) for a in alternatives])) if alternatives else 0.0
    span_px = float(np.sqrt(((other.points_px - other.points_px.mean(axis=0)) ** 2).sum(axis=1).mean()))
    reading = float(np.median(other.sigma_px)) / max(span_px, 1.0)
    combined = float(np.sqrt(spread**2 + other.tolerance_relative**2 + reading**2))
    return CrossCheck(
        kind=other.kind,
        size=other.size,
        difference_percent=100.0 * (ratio - 1.0),
        expanded_uncertainty_percent=200.0 * combined,
    )


def _name(kind: str, size: str) -> str:
    if kind == "density":
        return f"stated density of {size} per inch"
    return f"{size} {kind}" if size else kind


def _disagreements(chosen: Reference, checks: Sequence[CrossCheck], sheet_id: str) -> list[Finding]:
    findings = []
    for check in checks:
        if abs(check.difference_percent) <= max(1.5 * check.expanded_uncertainty_percent, 0.05):
            continue
        findings.append(
            Finding(
                code="density-contradicted" if check.kind == "density" else "references-disagree",
                where=sheet_id,
                message=f"the {_name(check.kind, check.size)} comes out {check.difference_percent:+.2f} % by the "
                f"{_name(chosen.kind, chosen.size)}, which is used; more than the "
                f"{check.expanded_uncertainty_percent:.2f} % that both allow: check both",
            )
        )
    return findings


def _density_contradicted(picture: Picture, sheet_mm_per_px: float, chosen: Reference, sheet_id: str) -> list[Finding]:
    """A density that the file states and nobody asked for, seen to be wrong."""
    density = picture.density
    if density is None or chosen.kind == "density" or picture.by_camera or picture.focal_px is not None:
        return []
    stated = MM_PER_INCH / float(np.sqrt(density.x_per_inch * density.y_per_inch))
    if abs(stated / sheet_mm_per_px - 1) < 0.01:
        return []
    return [
        Finding(
            code="density-contradicted",
            where=sheet_id,
            message=f"the file states {density.x_per_inch:g} pixels per inch, but by the "
            f"{_name(chosen.kind, chosen.size)} it is {MM_PER_INCH / sheet_mm_per_px:.1f}; "
            f"the {chosen.kind} is believed",
        )
    ]


def _gather(scene: SearchPicture, request: ReferenceRequest | None) -> tuple[Reference, list[Reference]]:
    if request is not None:
        named = _find(scene, request.kind, request.size or None)
        if not named:
            what = _name(request.kind, request.size)
            raise ScaleError(f"no {what} was found in the picture; {_ADVICE}")
        return named[0], [r for r in _find(scene, "density", None) if request.kind != "density"]
    found = [r for kind in _KINDS for r in _find(scene, kind, None)]
    if not found:
        raise ScaleError(f"nothing of known size was found in the picture; {_ADVICE}")
    return found[0], found[1:]


def calibrate(picture: Picture, options: CalibrateOptions, *, sheet_id: str = "s1") -> Sheet:
    """Find the scale of a picture.

    Raises
    ------
    ScaleError
        When no usable reference is found; the message says what to lay beside the pattern next time.
    """
    if picture.kind == "pdf-vector":
        return _page_sheet(picture, sheet_id)
    scene = SearchPicture(picture=picture)
    chosen, others = _gather(scene, options.request)
    chosen = _with_tolerance(chosen, options)
    model = _model_for(picture, chosen)
    fitted, width_mm, height_mm = _in_sheet_frame(_fit([chosen], picture, model), picture)
    alternatives = fitted.alternatives()
    plane = fitted.plane
    checks = [_cross_check(plane, alternatives, other) for other in others]
    sheet = Sheet(
        id=sheet_id,
        picture=picture,
        plane=plane,
        width_mm=width_mm,
        height_mm=height_mm,
        reference=chosen,
        others=tuple(others),
        cross_checks=tuple(checks),
        residual_rms_mm=fitted.residual_rms_mm,
        budget=fitted.budget(grid_over(picture.width_px, picture.height_px)),
        alternatives=alternatives,
    )
    findings = _disagreements(chosen, checks, sheet_id)
    if not any(f.code == "density-contradicted" for f in findings):
        findings += _density_contradicted(picture, sheet.mm_per_px, chosen, sheet_id)
    return replace(sheet, findings=tuple(findings))
