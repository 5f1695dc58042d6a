"""From what was found to one fitted map: which camera model, and what each thing may say about it.

The chosen reference alone sets the scale. Everything else of known size keeps its shape but may be larger or smaller
(its scale is free), so that it tells of tilt and lens and its size stays an independent check. Sides of sheets are
straight and meet at right angles, whatever their size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.camera_fit import Angle, CameraFit, ModelName, fit_camera
from calibration.camera_model import Priors
from calibration.evidence import Evidence, rivals
from calibration.fitted import EDGES_ALIKE, LENS_BY_LINES, FittedMap, from_camera_fit, grid_over
from calibration.picture import MmPoints, Picture, PxPoints
from calibration.plumb_lines import UnevenSheet, agreeing
from calibration.references import Reference, SearchPicture
from calibration.references.card import THICKNESS_MM
from calibration.references.density import credible_density
from calibration.references.mat.grow import GRID_PRIORS
from calibration.references.quad import inner_angles_deg, side_lengths
from calibration.references.reference import STRAIGHT_SIGMA_PX
from calibration.references.sheet import FoundSheet, any_size_fits
from calibration.references.straight_lines import find_lines
from calibration.uncertainty import RECTANGULAR
from calibration.units import MM_PER_INCH
from calibration.warp_fit import with_warp

SCANNING_DENSITIES = (75.0, 100.0, 150.0, 200.0, 240.0, 300.0, 400.0, 600.0, 800.0, 1200.0)
"""Densities that scanners are set to, per inch (common practice, no source)."""

_DENSITY_MATCH = 0.007
_CAMERA_SHAPES = (4 / 3, 3 / 2, 16 / 9)
"""Proportions of cameras' pictures, true to a pixel (common practice, no source)."""
_SKEWED = 0.004
"""Relative; 1 mm on an A4 sheet's width."""
_FREE_SCALE = 0.05
_RIGHT_ANGLE_SIGMA_DEG = 0.04
"""Squareness of cut paper: 0.2 mm over 300 mm (judgement)."""
_LEAST_CHAIN = 12
_HEIGHTS_MM = {"card": THICKNESS_MM, "square": 0.2, "ruler": 0.5}
"""A card's thickness (ISO/IEC 7810); paper that does not lie quite flat; the bevelled edge of a ruler (judgement)."""
_SHEET_SLACK = 0.015
_FEW_POINTS = 8
_TOLERANCE = "reference tolerance"
_CHARTS = ("mat", "target")
"""References with points all over them."""
_LENS_OPEN_MM_PER_M = 0.5
"""With the lens known better than this it is not worth looking for lines (a card's own size is good to 1.5)."""
_WORSE = 9.0
"""Three standard deviations: lines that cost the known points more are not what they seem."""


def _fit(
    references: Sequence[Reference],
    tolerances: Sequence[float],
    picture: Picture,
    model: ModelName,
    straights: Sequence[PxPoints] = (),
    straight_sigmas_px: Sequence[float] = (),
    angles: Sequence[Angle] = (),
    start: CameraFit | None = None,
) -> CameraFit:
    # A grid is a lens chart: it tells of any lens, and is not drawn towards the usual ones.
    priors = GRID_PRIORS if references[0].kind == "mat" else None
    return fit_camera(
        PxPoints(np.concatenate([r.points_px for r in references])),
        MmPoints(np.concatenate([r.points_mm for r in references])),
        np.concatenate([r.sigma_px for r in references]),
        width_px=picture.width_px,
        height_px=picture.height_px,
        focal_px=picture.focal_px,
        groups=np.repeat(np.arange(len(references)), [len(r.points_px) for r in references]),
        loose_px=np.concatenate([r.loose_px for r in references]),
        tolerances_relative=tolerances,
        straights_px=straights,
        straight_sigma_px=straight_sigmas_px,
        angles=angles,
        model=model,
        priors=priors,
        start=start,
    )


def _fits_a_scanner(picture: Picture, reference: Reference, sheets: Sequence[FoundSheet]) -> bool:
    """Whether a reference is, within its reading, what a scanner would make of it, at a density scanners are set to.

    Without a density to believe, no picture of a camera's proportions is taken for a scan, and none in which a sheet of
    paper is no rectangle.
    """
    plane = _fit([reference], [reference.tolerance_relative], picture, "scan").plane
    off = np.asarray(plane.to_px(reference.points_mm)) - reference.points_px
    misfit = float(np.sqrt((off**2).sum(axis=1).mean()))
    side = float(np.ptp(reference.points_px, axis=0).max())
    if misfit > max(4.0 * float(np.median(reference.sigma_px)), 0.12, 4e-4 * side):
        return False
    if credible_density(picture) is not None:
        return True
    if _has_a_cameras_shape(picture) or any(_is_skewed(sheet) for sheet in sheets):
        return False
    middle = PxPoints(np.asarray(reference.points_px).mean(axis=0, keepdims=True))
    density = MM_PER_INCH / float(plane.mm_per_px(middle)[0])
    return any(abs(density / known - 1) < _DENSITY_MATCH for known in SCANNING_DENSITIES)


def _has_a_cameras_shape(picture: Picture) -> bool:
    long, short = max(picture.width_px, picture.height_px), min(picture.width_px, picture.height_px)
    return any(abs(short * ratio - long) <= 1.0 for ratio in _CAMERA_SHAPES)


def _is_skewed(sheet: FoundSheet) -> bool:
    """Whether a sheet's opposite sides, or its angles, differ by more than a scanner and cutting allow.

    Where both ends of one side are square, tilt is not what makes the opposite side run askew: it was cut so, or the
    scanner's frame or a shadow was seen in its place.
    """
    corners = np.asarray(sheet.quad.corners_px)
    square = np.abs(inner_angles_deg(corners) - 90) < _RIGHT_ANGLE_SIGMA_DEG
    if bool((square & np.roll(square, 1)).any()):
        return False
    lengths = side_lengths(corners)
    uneven = max(abs(float(np.log(lengths[0] / lengths[2]))), abs(float(np.log(lengths[1] / lengths[3]))))
    return uneven > _SKEWED or float(np.radians(np.abs(inner_angles_deg(corners) - 90)).max()) > 2 * _SKEWED


def model_for(picture: Picture, chosen: Reference, sheets: Sequence[FoundSheet] = ()) -> ModelName:
    """Tell a scan from a photo.

    A file that records an exposure is a photo. Otherwise it is a scan when the chosen reference looks as a scanner
    would show it *and* the density that follows is the file's own or one that scanners are set to; a photo taken
    squarely enough to pass the first test passes the second by chance in about one of twelve. A photo as it comes from
    a camera is known by its proportions all the same, and a tilted one by any sheet in it.
    """
    if picture.kind == "pdf-raster" or chosen.kind == "density":
        return "scan"
    if picture.by_camera or picture.focal_px is not None:
        return "photo"
    if _fits_a_scanner(picture, chosen, sheets):
        return "scan"
    return "photo" if len(chosen.points_px) <= _FEW_POINTS else "auto"


def _decided_by_tolerance(reference: Reference) -> Reference:
    """A sheet's corners are as uncertain as its cutting, each on its own: its proportions are not exact either."""
    px, mm = np.asarray(reference.points_px), np.asarray(reference.points_mm)
    px_per_mm = float(np.sqrt(((px - px.mean(axis=0)) ** 2).sum() / ((mm - mm.mean(axis=0)) ** 2).sum()))
    side_mm = np.sqrt(np.prod(np.ptp(mm, axis=0)))
    # A side's length is the mean over its two ends of a difference of two corners: as uncertain as one corner.
    sigma = reference.tolerance_relative * side_mm * px_per_mm
    # The scale follows from both sides, each between limits of its own and weighing as its square.
    weights = np.ptp(mm, axis=0) ** 2
    kurtosis = reference.tolerance_kurtosis * float((weights**2).sum() / weights.sum() ** 2)
    return replace(
        reference,
        sigma_px=np.hypot(reference.sigma_px, sigma),
        tolerance_relative=1e-6,
        tolerance_kurtosis=kurtosis,
    )


def _raised(reference: Reference, picture: Picture) -> Reference:
    """Allow for a reference's upper face lying nearer to the camera than the pattern, by anything up to its height.

    What is nearer looks larger, by the height over the camera's distance. One-sided and not corrected, since a card may
    as well lie under the tissue; rectangular (JCGM 100, 4.3.7).
    """
    height_mm = _HEIGHTS_MM.get(reference.kind, 0.0)
    px, mm = np.asarray(reference.points_px), np.asarray(reference.points_mm)
    px_per_mm = float(np.sqrt(((px - px.mean(axis=0)) ** 2).sum() / ((mm - mm.mean(axis=0)) ** 2).sum()))
    focal_px = picture.focal_px or Priors().focal_over_long_side * max(picture.width_px, picture.height_px)
    relative = float(height_mm / (focal_px / px_per_mm) / np.sqrt(3.0))
    both = float(np.hypot(reference.tolerance_relative, relative))
    fourth = reference.tolerance_kurtosis * reference.tolerance_relative**4 + RECTANGULAR * relative**4
    return replace(reference, tolerance_relative=both, tolerance_kurtosis=fourth / max(both, 1e-12) ** 4)


def _is_same_sheet(sheet: FoundSheet, reference: Reference) -> bool:
    return bool(np.abs(np.asarray(reference.points_px) - sheet.quad.corners_px).max() < 2.0)


def _confirmed(sheets: Sequence[FoundSheet], fitted: FittedMap, picture: Picture) -> list[FoundSheet]:
    """Return the rectangles that are sheets of a standard size as far as the map without them can say.

    Their right angles are relied on, which a piece of card of any other shape does not have.
    """
    budget = fitted.budget(grid_over(picture.width_px, picture.height_px))
    slack = _SHEET_SLACK + 2.0 * budget.combined / 1000.0
    out = []
    for sheet in sheets:
        corners = np.asarray(fitted.plane.to_mm(sheet.quad.corners_px))
        lengths = side_lengths(corners)
        square_to = float(np.abs(inner_angles_deg(corners) - 90).max())
        alike = abs(float(lengths[0] / lengths[2]) - 1) < slack and abs(float(lengths[1] / lengths[3]) - 1) < slack
        size = (float(lengths[0] + lengths[2]) / 2, float(lengths[1] + lengths[3]) / 2)
        if alike and square_to < np.degrees(slack) and any_size_fits(size, slack):
            out.append(sheet)
    return out


def solve(evidence: Evidence, picture: Picture, scene: SearchPicture | None = None) -> FittedMap:
    """Fit the map that the evidence supports.

    Where that leaves the lens open and the picture is at hand (``scene``), straight lines in it are asked too.
    """
    chosen = evidence.chosen
    model = model_for(picture, chosen, evidence.sheets)
    by_tolerance = chosen.kind == "sheet"
    if model == "scan":
        lone = _decided_by_tolerance(chosen) if by_tolerance else chosen
        fitted = _map(_fit([lone], [lone.tolerance_relative], picture, model), lone, picture)
        return _renamed(fitted) if by_tolerance else fitted
    helping = [
        r
        for r in evidence.others
        if r.kind not in ("density", "sheet")
        and len(r.points_px) >= 4
        and not r.doubt
        and not rivals(r, evidence.others)
    ]
    first = _decided_by_tolerance(chosen) if by_tolerance else _raised(chosen, picture)
    tolerances = [first.tolerance_relative, *[_FREE_SCALE] * len(helping)]
    own = [
        (chain, r.straight_sigma_px)
        for r in (chosen, *helping)
        if r.kind != "sheet"
        for chain in r.straights_px
        if len(chain) >= _LEAST_CHAIN
    ]
    sheets = [s for s in evidence.sheets if by_tolerance and _is_same_sheet(s, chosen)]
    if not by_tolerance and evidence.sheets:
        # Straight sides cost most of a fit's time and are not needed to recognise a sheet.
        alone = from_camera_fit(_fit([first, *helping], tolerances, picture, model))
        sheets = _confirmed(evidence.sheets, alone, picture)
    straights: list[PxPoints] = []
    angles: list[Angle] = []
    for sheet in sheets:
        base = len(straights)
        straights += [PxPoints(side.points_px) for side in sheet.quad.sides]
        angles += [
            Angle(first=base, second=base + other, degrees=degrees, sigma_degrees=_RIGHT_ANGLE_SIGMA_DEG)
            for other, degrees in ((1, 90.0), (2, 0.0), (3, 90.0))
        ]
    edge = len(straights)
    sigmas = [STRAIGHT_SIGMA_PX] * edge + [sigma for _, sigma in own]
    straights += [chain for chain, _ in own]
    if chosen.crossings_px and len(chosen.straights_px[0]) >= _LEAST_CHAIN:
        # A row of ticks tells of no tilt about itself; that the ticks run together towards one end does.
        angles += [
            Angle(first=edge, second=len(straights) + k, degrees=90.0, sigma_degrees=float(np.degrees(sigma)))
            for k, sigma in enumerate(chosen.crossings_sigma_rad)
        ]
        straights += list(chosen.crossings_px)
        sigmas += [chosen.straight_sigma_px] * len(chosen.crossings_px)
    fit = _fit([first, *helping], tolerances, picture, model, straights, sigmas, angles)
    fitted = _map(fit, first, picture)
    if scene is not None and chosen.kind not in _CHARTS and _leaves_lens_open(fitted, picture):
        lines = agreeing(find_lines(scene, [r.outline_px for r in (chosen, *helping)]), fit.plane)
        if isinstance(lines, UnevenSheet):
            fitted = replace(fitted, uneven_by_lines=True)
        elif lines is not None:
            straights, sigmas = [*straights, *lines.chains_px], [*sigmas, *lines.sigmas_px]
            closer = _fit([first, *helping], tolerances, picture, model, straights, sigmas, angles, start=fit)
            if _as_true(closer, fit):
                told = _map(closer, first, picture)
                fitted = replace(told, words=told.words | {"lens": LENS_BY_LINES}, straight_lines=len(lines.chains_px))
    return _renamed(fitted) if by_tolerance else fitted


def _leaves_lens_open(fitted: FittedMap, picture: Picture) -> bool:
    """Whether so little is known of the lens that lines are worth looking for."""
    budget = fitted.budget(grid_over(picture.width_px, picture.height_px))
    return any(c.name == "lens" and c.standard_uncertainty > _LENS_OPEN_MM_PER_M for c in budget.components)


def _as_true(closer: CameraFit, before: CameraFit) -> bool:
    """Whether a fit that was told more still explains the points of known things about as well as the one before."""

    def misses(fit: CameraFit) -> float:
        data, kept = fit.data, before.inliers
        off = fit.camera.project(fit.parameters, data.mm, data.groups) - data.px
        return float((data.in_sigmas(off)[kept] ** 2).sum()) / max(1.0, before.reduced_chi2)

    return bool(closer.inliers.sum() >= before.inliers.sum()) and misses(closer) - misses(before) < _WORSE


def _map(fit: CameraFit, chosen: Reference, picture: Picture) -> FittedMap:
    """Return a fit as a map; one of many points on a sheet may show that the sheet does not lie quite flat."""
    warped = with_warp(fit, (picture.width_px, picture.height_px)) if chosen.kind in _CHARTS else None
    fitted = replace(warped or from_camera_fit(fit), kurtosis={_TOLERANCE: chosen.tolerance_kurtosis})
    return _with_edges_alike(fitted, fit, chosen) if chosen.edges_px > 0.0 and warped is None else fitted


def _with_edges_alike(fitted: FittedMap, fit: CameraFit, chosen: Reference) -> FittedMap:
    """Add what it does to the map if all edges of the reference are seen as far outside of where they are.

    Doubts of single corners are independent and partly average out; this one does not. It is one quantity by which all
    corners move together, so its part of the covariance is the product of what it does to the parameters with itself
    (JCGM 100, 5.2 and F.1.2.3: correlated inputs are replaced by what they have in common).
    """
    moves = np.zeros_like(fit.data.px)
    moves[: len(chosen.points_px)] = chosen.with_edges_moved(chosen.edges_px) - np.asarray(chosen.outline_px)
    change = fit.moved_parameters(moves)
    return replace(fitted, shares={**fitted.shares, EDGES_ALIKE: np.outer(change, change)})


def _renamed(fitted: FittedMap) -> FittedMap:
    """Put a sheet's cutting under the reference's tolerance, where it went in as the reading of its corners."""
    shares = dict(fitted.shares)
    reading = shares.pop("reading")
    shares[_TOLERANCE] = shares.get(_TOLERANCE, np.zeros_like(reading)) + reading
    return replace(fitted, shares=shares)
