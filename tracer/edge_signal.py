"""In which signal the edge of a thing is sought: its light, its luma, or its colour.

A picture that went through JPEG (or HEIC) has sharp luma and colours that were averaged over neighbouring pixels
*after* encoding. Light put together from both lies beside the edge: up to 0.025 mm at 300 dpi on red card (measured).
The luma alone does not; what each of its codes stands for, as a share of the way from the thing's colour to the
ground's, follows from the two colours and the encoding (IEC 61966-2-1; luma as ITU-R BT.601 and JFIF have it).

Where the luma of a shadow beside the thing comes near the thing's own, as with brown card on a white lid, only colour
tells them apart. A shadow takes away light and leaves a grey ground without colour, so the encoded colour difference
shows the thing and no shadow. It is soft and does not lie midway where the edge is; by how much follows from the two
colours (:attr:`EdgeSignal.half_shift_px`).

A picture that a program drew has its pixels mixed in encoded values (:mod:`tracer.blending`): there the code itself is
the signal.

Where neither shows the thing, the light weighted by the difference of the two colours is used, as for grey pictures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from calibration.light import SRGB_TO_LINEAR
from tracer.blending import Blending, light_shares
from tracer.candidate import RoughOutline
from tracer.profiles import Points, closed_area, closed_normals, resample_closed, smooth_closed

Floats = NDArray[np.float64]

_LUMA = np.array([0.299, 0.587, 0.114])
_COLOUR = np.array([[-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])
_BRIGHTNESS = np.array([0.2126, 0.7152, 0.0722])
_LEAST_LUMA, _LEAST_COLOUR = 18 / 255, 14 / 255
"""Least steps of luma and of colour, encoded, that are worth an edge: several times the noise of a scan after JPEG."""
_LEAST_SHARE = 0.35
"""Least step of luma against the largest step of a colour: below it the luma's noise and its own bend tell more."""
_COLOUR_SHARE = 0.5
"""Least step of colour against that of the luma for which a soft signal is worth more than a disturbed sharp one."""
_CLEAR = 0.5
"""The ground beside the thing must keep this share of the luma's step, or a shadow is taken for the thing."""
_GROUND_BY_COLOUR = 0.85
"""What has so much of the step of colour behind it is ground, in the light or not."""
_FAR_PX, _DEEP_PX, _NEAR_PX, _AT_PX = (8, 10, 12), (-9, -7, -5), (3, 4, 5, 6, 7, 8), (-2, -1, 0, 1, 2)
_STRETCHES = 24
_BLUR_PX, _SOFTENED_PX = 0.75, 1.0
"""Usual blur of a picture, and that of colours halved and interpolated again (JFIF's usual sampling; the sum of their
variances)."""
_RUN_PX = 8.0
_GREY_PX, _LUMA_PX, _COLOUR_PX, _MIXED_PX = 0.02, 0.04, 0.15, 0.15
"""How far the edge may lie from where each signal shows it, px, standard (measured on discs of nine colours of card on
six grounds, as they are and after JPEG of quality 92 and 80 with halved colours)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeSignal:
    """A signal that rises from a thing outward.

    Parameters
    ----------
    codes : ndarray, shape (3,), (256,) or (256, 3)
        Weights on linear R, G, B; or the signal of each code of the luma; or of each code of R, G and B, to be added.
    half_shift_px : float
        How far outside of the edge the signal passes halfway.
    mass_shift_px : float
        How far outside of it the signal as a whole, shared between its two levels, changes over.
    uncertainty_px : float
        Standard uncertainty of the edge along a whole outline that comes with the signal.
    run_px : float
        Along how many pixels the noise of the signal is much the same: colours are coded in blocks of sixteen.
    """

    codes: Floats
    half_shift_px: float = 0.0
    mass_shift_px: float = 0.0
    uncertainty_px: float = _GREY_PX
    run_px: float = 1.0


def edge_signal(pixels: NDArray[np.uint8], rough: RoughOutline, blending: Blending | None = None) -> EdgeSignal:
    """Choose the signal for the edge of a thing.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        sRGB-encoded.
    rough : RoughOutline
        Of an edge; its weights are kept where no better signal is found.
    blending : Blending, optional
        How the picture's pixels were mixed; in light, if nothing is said.

    Returns
    -------
    EdgeSignal
    """
    blending = blending or Blending()
    plain = EdgeSignal(codes=np.asarray(rough.colour_weights, dtype=np.float64))
    if pixels.ndim == 2:
        return _of_codes(float(plain.codes.sum())) if blending.in_codes else plain
    points = np.asarray(rough.points_px, dtype=np.float64)
    if (closed_area(points) < 0) != rough.hole:
        points = points[::-1]
    points = smooth_closed(resample_closed(points, 1.0)[0], 2.5)
    normals = closed_normals(points)
    thing = np.median(_codes(pixels, points, normals, _DEEP_PX), axis=(0, 1)) / 255
    ground = np.median(_codes(pixels, points, normals, _FAR_PX), axis=(0, 1)) / 255
    near = _codes(pixels, points, normals, _NEAR_PX) / 255
    step = float(_LUMA @ (ground - thing))
    largest = float(np.abs(ground - thing).max())
    told_by_luma = abs(step) >= max(_LEAST_LUMA, _LEAST_SHARE * largest)
    left = 0.0
    if told_by_luma:
        beside = (near @ _LUMA - float(_LUMA @ thing)) / step
        at = _codes(pixels, points, normals, _AT_PX) / 255
        hidden = _shaded_to_the_thing(at, thing, ground, step)
        left = _least_of_stretches(np.concatenate([beside, hidden]))
        if left >= _CLEAR:
            return _of_luma(thing, ground, blending)
    seen = np.median(near.reshape(-1, 3), axis=0)
    colour = float(np.hypot(*(_COLOUR @ (seen - thing))))
    # The less of the luma's step a shadow leaves, the softer a signal is worth more than it.
    if colour >= max(_LEAST_COLOUR, _COLOUR_SHARE * abs(step) * max(left, 0.0) / _CLEAR):
        return _of_colour(thing, seen, blending)
    if told_by_luma:
        return _of_luma(thing, ground, blending)
    return EdgeSignal(codes=plain.codes, uncertainty_px=_MIXED_PX if largest > 1.5 * abs(step) else _LUMA_PX)


def _codes(pixels: NDArray[np.uint8], points: Points, normals: Points, offsets: tuple[int, ...]) -> Floats:
    """Return the nearest pixels at offsets outward, shape (offsets, N, 3)."""
    rows, columns = pixels.shape[:2]
    out = []
    for offset in offsets:
        at = np.rint(points + normals * offset)
        x = np.clip(at[:, 0], 0, columns - 1).astype(np.intp)
        y = np.clip(at[:, 1], 0, rows - 1).astype(np.intp)
        out.append(pixels[y, x].astype(np.float64))
    return np.stack(out)


def _shaded_to_the_thing(at: Floats, thing: Floats, ground: Floats, step: float) -> Floats:
    """Return the share of the luma's step at pixels that are ground by their colour, 1 at all others.

    A rough outline that ran along a shadow leaves the shadow inside, where nothing beside the outline shows it.
    """
    direction = _COLOUR @ (ground - thing)
    whole = float(direction @ direction)
    if whole < max(_LEAST_COLOUR, _COLOUR_SHARE * abs(step)) ** 2:
        return np.ones(at.shape[:2])
    is_ground = (at - thing) @ (_COLOUR.T @ direction) > _GROUND_BY_COLOUR * whole
    return np.where(is_ground, (at @ _LUMA - float(_LUMA @ thing)) / step, 1.0)


def _least_of_stretches(beside: Floats) -> float:
    """Return the least over the offsets, by the median of each stretch of the outline, of the worst but two.

    A shadow darkens a good part of an outline; a number or a line beside it disturbs a stretch or two.
    """
    least = beside.min(axis=0)
    medians = sorted(float(np.median(part)) for part in np.array_split(least, min(_STRETCHES, len(least))))
    return medians[min(2, len(medians) - 1)]


def _linear(encoded: Floats) -> Floats:
    return np.interp(encoded * 255, np.arange(256), SRGB_TO_LINEAR)


def _encoded(light: Floats) -> Floats:
    return np.interp(np.clip(light, 0, 1), SRGB_TO_LINEAR, np.arange(256)) / 255


def _of_codes(direction: float) -> EdgeSignal:
    """Return the code of the luma itself as the signal, rising in a direction."""
    return EdgeSignal(codes=np.copysign(np.arange(256) / 255, direction), uncertainty_px=_LUMA_PX)


def _of_luma(thing: Floats, ground: Floats, blending: Blending) -> EdgeSignal:
    """Return what each code of the luma stands for, in shares of the step of linear brightness."""
    if blending.in_codes:
        return _of_codes(float(_LUMA @ (ground - thing)))
    a, b = _linear(thing), _linear(ground)
    share = np.linspace(-1.0, 2.0, 901)
    luma = _encoded(a + (b - a) * share[:, None]) @ _LUMA
    sign = 1.0 if float(_LUMA @ (ground - thing)) > 0 else -1.0
    # Beyond the two colours the mixture is clipped and may stand still; interpolation needs it to rise.
    rising = np.maximum.accumulate(sign * luma) + np.arange(len(share)) * 1e-9
    seen = sign * np.arange(256) / 255
    codes = np.interp(seen, rising, share) * abs(float(_BRIGHTNESS @ (b - a)))
    # Where more light falls on it a pale thing is lighter than any mixture, often by more than the step to its ground:
    # one code for all that would cut off the profile on its side and move the edge outward.
    beyond = _linear(np.abs(seen)) - _linear(np.abs(np.clip(seen, rising[0], rising[-1])))
    signal = EdgeSignal(codes=codes + sign * beyond, uncertainty_px=_LUMA_PX)
    if not blending.open:
        return signal
    # A pixel covered by half lies so far outside of the middle of the codes where the light's middle is: as likely as
    # not the edge is there, and midway it is off by half of that in either case.
    middle = float(light_shares(255 * thing, 255 * ground, np.array([0.5]))[0])
    half_px = blending.ramp_px * (0.5 - middle) / 2.0
    return replace(
        signal,
        half_shift_px=half_px,
        mass_shift_px=half_px,
        uncertainty_px=float(np.hypot(_LUMA_PX, half_px)),
    )


def _of_colour(thing: Floats, ground: Floats, blending: Blending) -> EdgeSignal:
    """Return the encoded colour difference along the step from one to the other."""
    direction = _COLOUR @ (ground - thing)
    weights = _COLOUR.T @ direction / float(np.hypot(*direction))
    at = np.arange(-12.0, 12.001, 0.02)
    a, b = _linear(thing), _linear(ground)
    passed = special.ndtr(at / _BLUR_PX)[:, None]
    profile = (thing + (ground - thing) * passed if blending.in_codes else _encoded(a + (b - a) * passed)) @ weights
    low, high = float(profile[0]), float(profile[-1])
    soft = ndimage.gaussian_filter1d(profile, _SOFTENED_PX / 0.02, mode="nearest")
    return EdgeSignal(
        codes=np.arange(256)[:, None] / 255 * weights,
        half_shift_px=float(np.interp((low + high) / 2, np.maximum.accumulate(soft), at)),
        mass_shift_px=float((high - profile).sum() * 0.02 / (high - low)) - 12.0,
        uncertainty_px=_COLOUR_PX,
        run_px=_RUN_PX,
    )
