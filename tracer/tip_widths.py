"""How wide a thin point of a cut-out thing is along its way, and where that comes to nothing.

The widths are read from the light: all of it across the point, or a blurred stroke laid over it. Where the outline's
arms are seen apart they tell it better; where a line of a mat was taken out of the picture, or lies beside, nothing is
read. What the end is sure to comes from how the readings differ, from what the light loses where the arms tell it, and
from where touching arms meet (:mod:`tracer.touching`).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize, special

from tracer.touching import Touching

Floats = NDArray[np.float64]

STEP_PX = 0.5
"""Distance of the places along a point and of the offsets across it."""
SIDE_PX = 2.0
"""Width of the ground that is read on each side of a point."""
_LEAST_STROKE_PX = 0.6
_SEEN_PX = 0.7
"""Least width whose middle is believed."""
_SURER = 3.0
"""How much surer than the width that the light of one profile tells it is how far apart the traced arms are (judgement:
profiles scatter by some tenths of a pixel, edges that are seen apart by less than a tenth)."""
_FILLED_CODES = 8
"""Where a picture differs by more than this from the one that was taken, it was laid anew (judgement: JPEG's noise)."""
_ODD_GROUND, _BESIDE_PX = 0.3, 4.0
"""Share of a point's own step by which the ground is another, and how far beside that it disturbs (judgement)."""
_ALIKE = 16.0
"""How many neighbouring widths are disturbed alike: JPEG codes blocks of eight pixels."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class End:
    """Where a width comes to nothing: the place, its standard uncertainty, and the courses of width and middle (px)."""

    place: float
    doubt: float
    growth: tuple[float, float]
    middle: Floats

    def width_at(self, places: Floats) -> Floats:
        """Return the fitted width."""
        away = np.maximum(self.place - places, 0.0)
        return np.asarray(self.growth[0] * away + self.growth[1] * away**2)

    def thinner_than(self, width: float) -> float:
        """Return how long the end is that is thinner than some width."""
        slope, bend = self.growth
        if bend < 1e-9:
            return width / max(slope, 1e-9)
        return float((np.sqrt(slope**2 + 4.0 * bend * width) - slope) / (2.0 * bend))

    def aside_at(self, places: Floats) -> Floats:
        """Return the fitted middle; beyond the end it goes straight on."""
        within = np.minimum(places, self.place)
        slope = float(np.polyval(np.polyder(self.middle), self.place))
        return np.asarray(np.polyval(self.middle, within) + slope * (places - within))


def filled_in(pixels: NDArray[np.uint8], taken: NDArray[np.uint8], points: Floats) -> NDArray[np.bool_]:
    """Return at which points (N, 2), px, a picture was laid anew: what it shows there was not seen."""
    if pixels is taken:
        return np.zeros(len(points), dtype=bool)
    rows, columns = pixels.shape[:2]
    filled = np.zeros(len(points), dtype=bool)
    for dx, dy in itertools.product((-1, 0, 1), repeat=2):
        x = np.clip(np.rint(points[:, 0]).astype(np.intp) + dx, 0, columns - 1)
        y = np.clip(np.rint(points[:, 1]).astype(np.intp) + dy, 0, rows - 1)
        apart = np.abs(pixels[y, x].astype(np.int16) - taken[y, x].astype(np.int16))
        filled |= apart.reshape(len(points), -1).max(axis=1) > _FILLED_CODES
    return filled


def on_another(ground: Floats, places: Floats, step: float) -> NDArray[np.bool_]:
    """Return where the ground beside a point is another than along most of its way: a line of the mat, or its end."""
    beyond = places > 0
    odd = np.abs(ground - np.median(ground[beyond])) > _ODD_GROUND * step
    return np.asarray(ndimage.maximum_filter1d(odd & beyond, round(2 * _BESIDE_PX / STEP_PX) + 1))


def missed_by_light(places: Floats, width: Floats, arms: Floats) -> float:
    """Return by how much widths read from light differ, on average, from how far apart the arms are seen, px.

    Beside a thing lie shadows, and under it a ground that is hardly darker; where the arms are near each other but
    still seen apart, they show how much of its width the light of a profile loses or gains by that.

    Parameters
    ----------
    places, width : ndarray, shape (N,)
        Places along a point, and the width that light tells there.
    arms : ndarray, shape (M, 2)
        Places, and how far apart the arms are there.
    """
    order = np.argsort(arms[:, 0])
    at, apart = arms[order, 0], arms[order, 1]
    both = (places >= (at[0] + at[-1]) / 2) & (places <= at[-1])
    if not both.any():
        return 0.0
    return abs(float((width[both] - np.interp(places[both], at, apart)).mean()))


def with_touching(end: End, touch: Touching, *, missed_px: float = 0.0) -> End:
    """Return an end as read from the light and as the arms foretell it, each as far as it is sure.

    Where the light loses some of the width, it does not see touching arms as far as they go: what is thinner than that
    is long. Where both cannot be right even so the thing ends as the light says, by so much less surely: its end may
    have been cut off, or what is faint of it lost.
    """
    apart = touch.place - end.place
    unseen = float(np.sqrt(missed_px / touch.growth))
    by_light = float(np.hypot(end.doubt, unseen))
    if abs(apart) > 2.0 * np.hypot(by_light, touch.doubt):
        return replace(end, doubt=float(np.hypot(end.doubt, max(0.0, apart) / np.sqrt(3.0))))
    one, other = 1 / by_light**2, 1 / touch.doubt**2
    place = (one * end.place + other * touch.place) / (one + other)
    return replace(end, place=float(place), doubt=float(1 / np.sqrt(one + other)), growth=(0.0, touch.growth))


def with_spread(readings: list[End]) -> End:
    """Return the last of several readings of one end, as doubtful as they differ.

    All light across a point and a stroke fitted to it are disturbed differently by a shadow beside the point and by
    what lies on the ground; each by itself says nothing of it.
    """
    last = readings[-1]
    apart = max(abs(r.place - last.place) for r in readings)
    return replace(last, doubt=float(np.hypot(last.doubt, apart / np.sqrt(3.0))))


def as_strokes(
    light: Floats, across: Floats, places: Floats, end: End, step: float, blur_px: float
) -> tuple[Floats, Floats, Floats]:
    """Return the width of a blurred stroke of about the fitted width in each profile, where it lies, and its ground.

    Its own ground, level or sloping, is fitted with it: less of what lies beside it disturbs.
    """
    wide = np.maximum(end.width_at(places), _LEAST_STROKE_PX)[:, None]
    middle = end.aside_at(places)
    t = across[None, :] - middle[:, None]
    low, high = (t - wide / 2) / blur_px, (t + wide / 2) / blur_px
    stroke = special.ndtr(high) - special.ndtr(low)
    moved = (np.exp(-(low**2) / 2) - np.exp(-(high**2) / 2)) / (blur_px * np.sqrt(2 * np.pi))
    rows = np.stack([np.ones_like(t), t, stroke, moved], axis=2)
    rows = rows * (np.abs(t) <= wide / 2 + 2.5 * blur_px + SIDE_PX)[:, :, None]
    normal = np.einsum("nki,nkj->nij", rows, rows) + 1e-9 * np.eye(4)
    solved = np.linalg.solve(normal, np.einsum("nki,nk->ni", rows, light)[:, :, None])[:, :, 0]
    depth, slide = -solved[:, 2], -solved[:, 3]
    return depth / step * wide[:, 0], middle + np.clip(slide / np.maximum(depth, 0.2 * step), -1.0, 1.0), solved[:, 0]


def fit_end(
    places: Floats,
    width: Floats,
    aside: Floats,
    arms: Floats | None = None,
    *,
    clear: NDArray[np.bool_] | None = None,
) -> End | None:
    """Fit a width that grows from nothing with the distance and its square; None where it is hardly seen.

    Parameters
    ----------
    places, width, aside : ndarray, shape (N,)
        Evenly spaced places along the point, the width read there and the place of its middle, px.
    arms : ndarray, shape (M, 2), optional
        Places, and how far apart the outline's arms are there, px: surer than any width that is read from light.
    clear : ndarray of bool, shape (N,), optional
        Where the light tells the width at all; all along where it is not given.
    """
    clear = np.ones(len(places), dtype=bool) if clear is None else clear
    known = np.zeros((0, 2)) if arms is None else arms
    if len(known):
        # Evenly, and as many as there are readings of the same stretch.
        at = np.arange(known[:, 0].min(), known[:, 0].max(), STEP_PX)
        order = np.argsort(known[:, 0])
        known = np.column_stack([at, np.interp(at, known[order, 0], known[order, 1])])
        # Where the arms tell it, the light does not.
        read = clear & (places > known[-1, 0]) if len(known) else clear
    else:
        read = clear
    candidates = np.arange(0.0, places[-1] - 4.0, STEP_PX)
    costs, grown = np.empty(len(candidates)), np.empty((len(candidates), 2))
    for i, candidate in enumerate(candidates):
        away = np.maximum(candidate - places[read], 0.0)
        # What the ground leaves everywhere may have either sign.
        rows = np.stack([np.ones_like(away), -np.ones_like(away), away, away**2], axis=1)
        back = candidate - known[:, 0]
        sure = _SURER * np.stack([np.zeros_like(back), np.zeros_like(back), back, back**2], axis=1)
        found, rest = optimize.nnls(np.vstack([rows, sure]), np.concatenate([width[read], _SURER * known[:, 1]]))
        costs[i], grown[i] = rest**2, found[2:]
    best = int(np.argmin(costs))
    place = float(candidates[best])
    likely = candidates[costs <= costs[best] * (1.0 + 4.0 * _ALIKE / max(clear.sum(), 1))]
    seen = clear & (width > _SEEN_PX) & (places < place)
    if seen.sum() < 6:
        return None
    weight = np.sqrt(np.minimum(width[seen], 4.0))
    return End(
        place=place,
        doubt=float(np.abs(likely - place).max()) / 2 + STEP_PX,
        growth=(float(grown[best, 0]), float(grown[best, 1])),
        middle=np.polyfit(places[seen], aside[seen], 2 if seen.sum() > 20 else 1, w=weight),
    )
