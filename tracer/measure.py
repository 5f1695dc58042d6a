"""Error of a traced outline, measured against the picture.

The outline is projected back into the original picture and the line or edge is found there again, by another estimator
than the one it was traced with: the centre of mass of the line's darkness (drawn), or the place that shares the light
of a window between the levels of its two sides (edge: area-preserving), in single profiles that know nothing of the
fit. Means over as much of the line as the profiles agree on (:mod:`tracer.lasting`) then separate the outline's error
from the profiles' noise. What they are still uncertain by is in the figures: the fit was led through the same light.

Where a reader of its own told the points of an edge, the picture shows it only as it was filled in around the rough
outline before. There the error is how far those points lie from the outline; what it leaves open follows from how well
they hold the fit (:meth:`OutlineError.with_leeway`).

At corners profiles see two arms; there the error is that of the corner point displaced so that both arms' errors, as
measured beyond the rounded part, agree with it.

Limits: an error that both estimators share (ink that spread, a crease along the line) cannot show. The sampling bound
of the reported worst is the error's change over half a sample distance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from calibration.picture import MmPoints, PxPoints
from tracer.lasting import each_arm, lasting_mean, scatter_of_reading
from tracer.measured_corners import KINK_DEG, corners_at, fill_corners, near_corners, rounded_at_corners
from tracer.outline import LEAST_SHARE
from tracer.path import Path
from tracer.piece import Fit
from tracer.profiles import Points, on_grid, running_median, sample_profiles
from tracer.shade import shade_shift
from tracer.told import Readings, told_along
from tracer.unseen import unseen_allowance

_STEP_PX = 0.5
_SIDE_PX = 2.0
"""Width of the plateau read on each side of the window."""
_SPIKES_MM = 1.0
_OBSCURED_PX = 5.0
"""Reach of an obscured place: the rough outline may be so far from the line there."""
_LEFT_MM = 2.0
"""Places of the fit lie nearer to the outline than this unless it was led on beyond them (judgement)."""
_ONE_PLACE = 2 / 3
"""Share of it at one place by itself: two standard uncertainties instead of three (JCGM 100:2008, 6.3.3)."""
_NOISE = 2.0
"""Standard uncertainties of the readings that are allowed for: 95 % (JCGM 100:2008, 6.3.3)."""
_ON_IT_PX = 1.5
_NO_MORE_INK = 1.1
"""With no more than this of the line's usual darkness nothing else lies on it: a space, or the end of a dash."""
_LIGHTER = 2.0
"""What is lighter than the ground by more than so many standard deviations of its noise is no lack of ink: a mat's
light line that shines through the paper beside a drawn one had its darkness taken for missing."""
_SHADE_PX = 2.5
"""A soft shadow may hold so much light that all of it together, shared between two levels, lies this far off."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineStyle:
    """How an outline looks in the picture: kind, width of its line (px), weights of its colour, blur, line choice.

    ``shift_px`` is how far outside of the edge the signal changes over, where that is known; ``hole`` whether the piece
    lies outside of the outline.
    """

    kind: Literal["drawn", "edge"]
    line_width_px: float
    colour_weights: NDArray[np.float64]
    blur_px: float = 0.75
    line: Literal["centre", "outer", "inner"] = "centre"
    shift_px: float = 0.0
    hole: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutlineError:
    """Error along an outline.

    Parameters
    ----------
    points_mm : MmPoints
        Points of the outline, shape (N, 2).
    error_mm : ndarray, shape (N,)
        Signed distance from the outline to the line in the picture along the outward normal: positive where the line
        lies outside of the outline. Interpolated where not valid.
    sigma_mm : ndarray, shape (N,)
        Standard uncertainty of the error.
    valid : ndarray of bool, shape (N,)
    allowed_mm : ndarray, shape (N,)
        How much farther the line may lie, for all that the picture shows: by the uncertainty of what was read, and
        where nothing was read by how far it is to what was.
    told : ndarray of bool, shape (N,)
        Where the error is that of points that a reader of its own told.
    p95_mm, max_mm, rms_mm : float
        Of the errors' magnitudes along the whole outline: where the picture could not be read, of the interpolated
        error plus an allowance that grows with the distance to what could; where no line was found within the
        window that was searched, of that window's reach.
    where_max : tuple of float
        Place of the largest error, mm.
    """

    points_mm: MmPoints
    error_mm: NDArray[np.float64]
    sigma_mm: NDArray[np.float64]
    valid: NDArray[np.bool_]
    allowed_mm: NDArray[np.float64]
    told: NDArray[np.bool_]
    p95_mm: float
    max_mm: float
    rms_mm: float
    where_max: tuple[float, float]

    @property
    def readable(self) -> float:
        """Share of the outline along which the picture could be read again."""
        return float(self.valid.mean())

    def with_leeway(self, places_mm: MmPoints, leeway_mm: NDArray[np.float64]) -> OutlineError:
        """Return the error with figures that allow also for what the fit cannot know.

        Where points hold an outline badly (:mod:`tracer.curves.leeway`), the line may lie aside although what was
        measured is small: a few readings are all that there is, and the fit went through them. The worst allows for it
        everywhere, the 95th percentile and the rms where the picture itself was not asked: at points that a reader of
        its own told, and where nothing was read.

        Parameters
        ----------
        places_mm : MmPoints
            Places of the fit, shape (N, 2). Where the outline has left them, it was led by other means, which say
            themselves how surely.
        leeway_mm : ndarray, shape (N,)
            How far the line may lie aside of the fit there, at all places at once (95 %).
        """
        away, near = cKDTree(np.asarray(places_mm)).query(np.asarray(self.points_mm), distance_upper_bound=_LEFT_MM)
        aside = np.where(np.isfinite(away), np.append(leeway_mm, 0.0)[near], 0.0)
        values = np.abs(self.error_mm) + self.allowed_mm
        most = values + aside
        values = values + np.where(self.told | ~self.valid, _ONE_PLACE * aside, 0.0)
        worst = int(np.argmax(most))
        x, y = (float(v) for v in self.points_mm[worst])
        return replace(
            self,
            p95_mm=float(np.percentile(values, 95)),
            rms_mm=float(np.sqrt((values**2).mean())),
            max_mm=float(most[worst]),
            where_max=(x, y),
        )

    def with_end(self, end_mm: float, length_mm: float) -> OutlineError:
        """Return the error with a 95th percentile that allows for a point that may end farther out.

        Both sides of the point go on for so long beyond the outline, evenly near and far from where it ends.

        Parameters
        ----------
        end_mm, length_mm : float
            How far the point may go on, and the length of the outline.
        """
        share = 2 * end_mm / max(length_mm, 1e-9)
        beyond = end_mm * (1 - 0.05 / share) if share > 0.05 else 0.0
        return replace(self, p95_mm=max(self.p95_mm, beyond))

    @property
    def fit(self) -> Fit:
        """The figures that a piece carries."""
        return Fit(max_mm=self.max_mm, p95_mm=self.p95_mm, rms_mm=self.rms_mm)


def measure_outline(
    pixels: NDArray[np.uint8],
    path: Path,
    style: LineStyle,
    *,
    to_px: Callable[[MmPoints], PxPoints],
    obscured_px: PxPoints | None = None,
    ends_mm: MmPoints | None = None,
    told: Readings | None = None,
    spacing_mm: float | None = None,
) -> OutlineError:
    """Measure a closed outline against the picture it was traced from.

    Parameters
    ----------
    pixels : ndarray of uint8
        The original picture, sRGB-encoded.
    path : Path
        Positively oriented, mm.
    style : LineStyle
    to_px : callable
        Millimetres to pixels, points (N, 2).
    obscured_px : PxPoints or None
        Places at which the line cannot be read (bridged gaps, text); 5 px around them are left out.
    ends_mm : MmPoints or None
        Ends of points that were found by other means (:mod:`tracer.tips`): how far the arms' errors would carry them is
        not said, since the arms are not seen so far out. Whoever found them says how surely.
    told : Readings or None
        Points of an edge that were told by a reader of its own.
    spacing_mm : float or None
        Distance of the samples; None for about 1 px.

    Returns
    -------
    OutlineError
    """
    probe = np.array([path.segments[0][0], path.segments[0][0] + [0.5, 0.0], path.segments[0][0] + [0.0, 0.5]])
    q = np.asarray(to_px(MmPoints(probe)))
    mm_per_px = 0.5 / float(np.sqrt(np.abs(np.linalg.det(np.stack([q[1] - q[0], q[2] - q[0]])))))
    if style.hole:
        # Everything is read outward from the piece.
        path = path.reversed()
    points, normals, arms = _samples(path, spacing_mm or mm_per_px)
    at = np.asarray(to_px(MmPoints(points)))
    step = 0.25 * mm_per_px
    ahead = np.asarray(to_px(MmPoints(points + normals * step)))
    behind = np.asarray(to_px(MmPoints(points - normals * step)))
    across = (ahead - behind) / (2 * step)
    px_per_mm = np.hypot(*across.T)
    # The picture's normal to the line is that of the line's image, not the image of the normal.
    along_mm = np.stack([-normals[:, 1], normals[:, 0]], axis=1) * step
    tangent = np.asarray(to_px(MmPoints(points + along_mm))) - np.asarray(to_px(MmPoints(points - along_mm)))
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    image_normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
    image_normal *= np.where((image_normal * across).sum(axis=1) >= 0, 1.0, -1.0)[:, None]
    taken = on_grid(at)
    hidden = np.zeros((0, 2)) if obscured_px is None else np.asarray(obscured_px)
    there = _near(at, hidden, _ON_IT_PX)
    offset, valid, absent, alone = _find_again(pixels, taken, image_normal, style, there)
    offset = offset + ((taken - at) * image_normal).sum(axis=1) - style.shift_px
    cosine = np.clip((across * image_normal).sum(axis=1) / px_per_mm, 0.2, 1.0)
    error = offset / (px_per_mm * cosine)
    error += (style.blur_px * mm_per_px) ** 2 / 2 * _curvature_of(points, normals)
    near_corner = near_corners(path, points, _window_px(style) * mm_per_px, _SIDE_PX * mm_per_px)
    valid &= ~near_corner
    obscured = np.zeros(len(points), dtype=bool)
    if len(hidden):
        # A space in a line hides nothing of the dashes beside it.
        empty = alone[cKDTree(at).query(hidden)[1]]
        obscured = there | _near(at, hidden[~empty], _OBSCURED_PX)
        valid &= ~obscured
    excused = near_corner | obscured
    spacing = path.length / len(points)
    error = _without_spikes(error, valid, max(3, round(_SPIKES_MM / spacing) | 1), arms)
    doubt = np.full(len(points), scatter_of_reading(error, valid, spacing))
    by_reader = np.zeros(len(points), dtype=bool)
    if told is not None and len(told.points_mm):
        by_reader, its_error, its_doubt = told_along(told, points, normals, mm_per_px)
        by_reader &= ~near_corner
        error, doubt = np.where(by_reader, its_error, error), np.where(by_reader, its_doubt, doubt)
        valid, absent = valid | by_reader, absent & ~by_reader
    smooth, sigma = lasting_mean(error, doubt, valid, arms, spacing)
    known = corners_at(path, ends_mm, mm_per_px)
    fill_corners(path, points, smooth, sigma, valid, near_corner, normals, known)
    # Where no line is found at all, it is at least as far away as was looked.
    stretch = max(3, round(2.0 / spacing))
    lost = ndimage.uniform_filter1d((absent & ~excused).astype(np.float64), stretch, mode="wrap") > 0.9
    window_mm = _window_px(style) * mm_per_px
    smooth[lost] = np.where(smooth[lost] < 0, -window_mm, window_mm)
    read = valid | near_corner
    # The outline was led through the same light: where it follows its noise, nothing is left of it in the readings.
    noise = np.where(read & ~lost & ~by_reader, _NOISE * sigma, 0.0)
    doubted = np.hypot(smooth, noise) - np.abs(smooth)
    carried = np.full(len(points), window_mm)
    if valid.any():
        half_width_mm = style.line_width_px / 2 * mm_per_px
        shown = valid | (
            near_corner & ~there & ~rounded_at_corners(path, points, half_width_mm, style.blur_px * mm_per_px)
        )
        carried = unseen_allowance(path, points, valid, near_corner, spacing, known, shown=shown)
    sigma = np.hypot(sigma, carried)
    allowed = carried + doubted
    values = np.abs(smooth) + allowed
    worst = int(np.argmax(values))
    return OutlineError(
        points_mm=MmPoints(points),
        error_mm=-smooth if style.hole else smooth,
        sigma_mm=sigma,
        valid=read & ~lost,
        allowed_mm=allowed,
        told=by_reader,
        p95_mm=float(np.percentile(values, 95)),
        max_mm=float(values.max()),
        rms_mm=float(np.sqrt((values**2).mean())),
        where_max=(float(points[worst, 0]), float(points[worst, 1])),
    )


def _samples(path: Path, spacing_mm: float) -> tuple[Points, Points, NDArray[np.intp]]:
    """Return samples with outward normals, and for each the number of its smooth arm (corner to corner)."""
    points, normals = path.sample(spacing_mm)
    arm, starts = 0, []
    corner_nodes = {c.node for c in path.corners_sharper_than(KINK_DEG)}
    counts = _sample_counts(path, spacing_mm)
    for k, count in enumerate(counts):
        if k in corner_nodes and k > 0:
            arm += 1
        starts.append(np.full(count, arm))
    arms = np.concatenate(starts)
    if 0 not in corner_nodes and arm > 0:
        arms[arms == arm] = 0
    return np.asarray(points), normals, arms


def _sample_counts(path: Path, spacing_mm: float) -> list[int]:
    return [
        len(Path((s, np.array([s[-1], s[0]]))).sample(spacing_mm)[0]) - _closing(s, spacing_mm) for s in path.segments
    ]


def _closing(segment: NDArray[np.float64], spacing_mm: float) -> int:
    return max(1, int(np.ceil(float(np.hypot(*(segment[-1] - segment[0]))) / spacing_mm)))


def _window_px(style: LineStyle) -> float:
    """Return how far from its middle the line or edge changes the light."""
    return style.line_width_px / 2 + 2.5 * style.blur_px + 1.0


def _find_again(
    pixels: NDArray[np.uint8], at: Points, normal: Points, style: LineStyle, hidden: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where the line or edge lies in each profile, px from the given point along the normal.

    Also whether that can be believed, whether there is no line or edge at all, and whether no other ink lies there.
    """
    half, window = style.line_width_px / 2, _window_px(style)
    reach = window + _SIDE_PX + 1.0
    count = int(np.ceil(reach / _STEP_PX))
    offsets = np.arange(-count, count + 1).astype(np.float64) * _STEP_PX
    profiles = sample_profiles(pixels, at, normal, offsets, style.colour_weights).astype(np.float64)
    rows, columns = pixels.shape[:2]
    inside = ((at > 1.5) & (at < np.array([columns, rows]) - 2.5)).all(axis=1)
    outer = running_median(profiles[:, offsets > window].mean(axis=1), 16)
    inner = running_median(profiles[:, offsets < -window].mean(axis=1), 16)
    if style.kind == "edge":
        # All the light of the window, shared between the two levels: where the change-over lies.
        within = np.abs(offsets) <= window
        contrast = outer - inner
        mean = profiles[:, within].mean(axis=1)
        width = within.sum() * _STEP_PX
        fraction = (outer - mean) / np.where(np.abs(contrast) > 1e-6, contrast, 1e-6)
        found = (fraction - 0.5) * width
        usual = float(np.median(contrast))
        noise = 1.4826 * float(np.median(np.abs(np.diff(profiles[:, 0])))) / np.sqrt(2)
        least = max(LEAST_SHARE * usual, 4 * noise)
        absent = (contrast < least) | (np.abs(found) >= window) | (usual < 4 * noise)
        if np.ndim(style.colour_weights) == 1:
            found = found + shade_shift(profiles, offsets, found, ~absent & inside, at_px=at, most_px=_SHADE_PX)
        return found, ~absent & inside, absent, np.zeros(len(at), dtype=bool)
    noise = 1.4826 * float(np.median(np.abs(np.diff(profiles[:, 0])))) / np.sqrt(2)
    position = np.zeros(len(at))
    mass = np.ones(len(at))
    for _ in range(3):
        rel = offsets[None, :] - position[:, None]
        taper = np.clip((window + 0.5 * _STEP_PX - np.abs(rel)) / _STEP_PX, 0, 1)
        blend = np.clip(0.5 + rel / (2 * max(half, 0.5)), 0, 1)
        dark = (inner[:, None] * (1 - blend) + outer[:, None] * blend) - profiles
        dark = np.maximum(dark, -_LIGHTER * noise) * taper
        mass = dark.sum(axis=1)
        moment = (dark * rel).sum(axis=1)
        position = position + np.clip(moment / np.where(mass > 1e-6, mass, 1e-6), -1.0, 1.0)
    usual = float(np.median(mass[~hidden] if not hidden.all() else mass))
    absent = (mass < 0.6 * usual) | (np.abs(position) >= window) | (usual < 4 * noise * np.sqrt(window / _STEP_PX))
    valid = ~absent & (mass < 1.5 * usual)
    if style.line != "centre":
        depth = (outer + inner) / 2 - profiles[:, np.abs(offsets) <= max(0.5, half)].min(axis=1)
        width = mass * _STEP_PX / np.where(depth > 1e-6, depth, 1e-6)
        width = np.where(style.line_width_px > 4 * style.blur_px, width, style.line_width_px)
        position = position + (0.5 if style.line == "outer" else -0.5) * width
    return position, valid & inside, absent, mass < _NO_MORE_INK * usual


def _without_spikes(
    error: NDArray[np.float64], valid: NDArray[np.bool_], size: int, arms: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return readings no farther from the median of their neighbours than three times what they scatter by."""
    out = error.copy()
    for pick in each_arm(arms):
        v = valid[pick]
        if not v.any():
            continue
        e = np.interp(np.arange(len(pick)), np.nonzero(v)[0], error[pick][v])
        middle = ndimage.median_filter(e, size=min(size, len(e) - (1 - len(e) % 2)), mode="nearest")
        scatter = 1.4826 * float(np.median(np.abs(e[v] - middle[v])))
        out[pick] = np.clip(e, middle - 3 * scatter - 1e-6, middle + 3 * scatter + 1e-6)
    return out


def _curvature_of(points: Points, normals: Points) -> NDArray[np.float64]:
    """Curvature along samples (1/mm), positive where convex; bounded, smooth over a few samples."""
    turn = np.roll(normals, -2, axis=0) - np.roll(normals, 2, axis=0)
    along = np.roll(points, -2, axis=0) - np.roll(points, 2, axis=0)
    length = np.maximum(np.hypot(*along.T), 1e-9)
    bend = (turn * along).sum(axis=1) / length**2
    return np.asarray(np.clip(ndimage.uniform_filter1d(np.clip(bend, -2, 2), 5, mode="wrap"), -1.0, 1.0))


def _near(points: Points, places: Points, reach: float) -> NDArray[np.bool_]:
    if not len(places):
        return np.zeros(len(points), dtype=bool)
    return np.asarray(cKDTree(places).query(points, distance_upper_bound=reach)[0] <= reach)
