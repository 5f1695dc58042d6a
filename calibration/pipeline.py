"""Picture in, Sheet out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import PlaneMap
from calibration.checks import (
    cross_check,
    density_findings,
    disagreements,
    line_findings,
    mistakable_squares,
    paper_findings,
    square_findings,
)
from calibration.errors import ScaleError
from calibration.evidence import (
    Evidence,
    Looked,
    bears_out,
    completed,
    gather,
    look_around,
    mat_decided_by,
    unsized_reference,
    with_mat,
)
from calibration.fitted import FittedMap, grid_over, moved
from calibration.flatness import flatness_findings
from calibration.picture import MmPoints, Picture, PxPoints
from calibration.references import Reference, ReferenceRequest, SearchPicture
from calibration.references.density import credible_density
from calibration.references.square import as_reference_of_size
from calibration.sheet import Sheet
from calibration.solve import solve
from calibration.threads import one_thread
from calibration.uncertainty import Budget, Component


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointedRectangle:
    """A rectangle whose four corners a person set in the picture.

    Parameters
    ----------
    corners_px : PxPoints
        Top left, top right, bottom right, bottom left, shape (4, 2).
    width_mm, height_mm : float
    sigma_px : float
        Standard uncertainty of each corner along each axis; half a pixel for a corner set under a magnifier
        (judgement).
    """

    corners_px: PxPoints
    width_mm: float
    height_mm: float
    sigma_px: float = 0.5

    def __post_init__(self) -> None:
        corners = np.asarray(self.corners_px)
        if corners.shape != (4, 2) or not np.isfinite(corners).all():
            raise ScaleError("a rectangle is pointed at by its four corners")
        if not (0.5 <= self.width_mm <= 10_000 and 0.5 <= self.height_mm <= 10_000):
            raise ScaleError("the rectangle pointed at has no size; give its width and height like 50x50mm")

    @property
    def reference(self) -> Reference:
        """It as a reference; its own size is believed to 0.1 % (judgement)."""
        corners = np.array([[0, 0], [self.width_mm, 0], [self.width_mm, self.height_mm], [0, self.height_mm]])
        square = abs(self.width_mm / self.height_mm - 1) < 1e-6
        size = f"{self.width_mm:g}mm" if square else f"{self.width_mm:g}x{self.height_mm:g}mm"
        return Reference(
            kind="square" if square else "sheet",
            size=size,
            points_px=self.corners_px,
            points_mm=MmPoints(corners.astype(np.float64)),
            sigma_px=np.full(4, self.sigma_px),
            tolerance_relative=0.001 / np.sqrt(3.0),
            outline_px=self.corners_px,
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
    pointed : PointedRectangle or None
        A rectangle of known size that the person pointed at; it is the reference then.
    square_px : PxPoints or None
        Corners (4, 2) of the printed square that ``request`` is about, about where they are, where that is known.
    """

    request: ReferenceRequest | None = None
    reference_tolerance_relative: float | None = None
    reference_tolerance_mm: float | None = None
    pointed: PointedRectangle | None = None
    square_px: PxPoints | None = None


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


def _evidence(looked: Looked, options: CalibrateOptions) -> Evidence:
    if options.pointed is None:
        return gather(looked, options.request, options.square_px)
    chosen = options.pointed.reference
    try:
        found = gather(looked, None)
    except ScaleError:
        # Nothing else is there to check it by.
        return Evidence(chosen=chosen)
    middle = np.asarray(chosen.outline_px).mean(axis=0)
    reach = float(np.ptp(np.asarray(chosen.outline_px), axis=0).max()) / 4
    others = tuple(
        r
        for r in (found.chosen, *found.others)
        if len(r.outline_px) == 0 or np.hypot(*(np.asarray(r.outline_px).mean(axis=0) - middle)) > reach
    )
    return replace(found, chosen=chosen, others=others)


def _by_mat(
    evidence: Evidence, fitted: FittedMap, looked: Looked, options: CalibrateOptions
) -> tuple[Evidence, FittedMap]:
    """Measure by a mat whose pitch was open until something else decided it, and which bears that out."""
    reading = mat_decided_by(evidence, fitted.plane)
    if reading is None:
        return evidence, fitted
    anew = with_mat(evidence, _with_tolerance(reading, options))
    fitted_anew = solve(anew, looked.scene.picture, looked.scene)
    return (anew, fitted_anew) if bears_out(fitted_anew.plane, evidence.chosen) else (evidence, fitted)


@one_thread
def look_through(picture: Picture, options: CalibrateOptions) -> Looked | None:
    """Find everything in a picture that may tell its scale; None for a vector page, which tells it itself."""
    if picture.kind == "pdf-vector":
        return None
    named = options.request.kind if options.request is not None and options.pointed is None else None
    return look_around(SearchPicture(picture=picture), named)


@one_thread
def calibrate(
    picture: Picture, options: CalibrateOptions, *, sheet_id: str = "s1", looked: Looked | None = None
) -> Sheet:
    """Find the scale of a picture.

    ``looked`` is what :func:`look_through` found, where the same picture may have to be asked about twice: once more
    with what the first time did not tell.

    Raises
    ------
    ScaleError
        When no usable reference is found; the message says what to lay beside the pattern next time.
    """
    if picture.kind == "pdf-vector":
        return _page_sheet(picture, sheet_id)
    looked = looked or look_through(picture, options)
    assert looked is not None
    evidence = _evidence(looked, options)
    evidence = replace(evidence, chosen=_with_tolerance(evidence.chosen, options))
    fitted = solve(evidence, picture, looked.scene)
    if options.request is None and options.pointed is None and looked.is_mats:
        evidence, fitted = _by_mat(evidence, fitted, looked, options)
    fitted, width_mm, height_mm = _in_sheet_frame(fitted, picture)
    plane, alternatives = fitted.plane, fitted.alternatives()
    evidence = completed(evidence, plane)
    checks = tuple(cross_check(plane, alternatives, other) for other in evidence.others)
    sheet = Sheet(
        id=sheet_id,
        picture=picture,
        plane=plane,
        width_mm=width_mm,
        height_mm=height_mm,
        reference=evidence.chosen,
        others=(*evidence.others, *(unsized_reference(s, plane) for s in evidence.unsized)),
        cross_checks=checks,
        residual_rms_mm=fitted.residual_rms_mm,
        budget=fitted.budget(grid_over(picture.width_px, picture.height_px), evidence.chosen.points_px),
        alternatives=alternatives,
    )
    findings = disagreements(evidence.chosen, checks, sheet_id)
    if not any(f.code == "density-contradicted" for f in findings):
        findings += density_findings(picture, fitted, sheet.mm_per_px, evidence.chosen, sheet_id)
    findings += flatness_findings(evidence, fitted, sheet_id)
    findings += line_findings(fitted, sheet_id)
    findings += square_findings(evidence, plane, sheet_id)
    findings += paper_findings(evidence, plane, picture, sheet_id)
    if options.request is not None and options.square_px is None and credible_density(picture) is None:
        findings += mistakable_squares(evidence, plane, sheet_id)
    return replace(sheet, findings=tuple(findings))


def with_square_of(sheet: Sheet, square: Reference, size: str) -> Sheet:
    """Return a sheet on which one of its further squares is of a size that was read: it checks the scale as others do.

    What was said of it before, when its size was unknown or taken for another one, is left out.
    """
    sized = as_reference_of_size(square, size)
    check = cross_check(sheet.plane, sheet.alternatives, sized)
    kept = [c for c in sheet.cross_checks if c.kind != "square" or c.size != square.size]
    return replace(
        sheet,
        others=tuple(sized if o is square else o for o in sheet.others),
        cross_checks=(*kept, check),
        findings=(*sheet.findings, *disagreements(sheet.reference, [check], sheet.id)),
    )
