"""How well places of an edge on a mat foretell the codes of the picture, colours halved as JPEG halves them.

Light put together from all colours lies beside the edge of coloured things (:mod:`tracer.edge_signal`): luma is sharp,
but differences of colour are averaged over neighbouring pixels after encoding. So what each place of the edge would
show is mixed in light, encoded, its colour softened, and only then compared. Near the levels that are already known of
the light (:mod:`tracer.search.mat_light`) this is as good as linear in them.

Sources: IEC 61966-2-1 (the encoding); ITU-R BT.601 and JFIF (luma and differences of colour).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, special

from tracer.own_colour import SHARES
from tracer.search.mat_light import SEEN, TO_Y, Floats, Light, OnMat, shares_beyond

PLACES = np.arange(-2.5, 2.51, 0.5, dtype=np.float32)
"""Where the edge may lie, px outward."""
FINE = np.arange(-2.5, 2.51, 0.1)
"""The same, finer: what is said against a place changes smoothly from one to the next."""
_TO_FINE = interpolate.CubicSpline(PLACES.astype(np.float64), np.eye(len(PLACES)), axis=0)(FINE)
_TO_YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]], dtype=np.float32)
_LUMA_NOISE, _COLOUR_NOISE = 0.006, 0.015
"""Noise of luma and of colours, encoded (1.5 codes of luma after JPEG; that of colours is in common over pixels)."""
_LOOK_ERROR = 0.05
"""How well the look of a line is known, as a share of its contrast (judgement)."""
_SOFTENED_PX = 1.0
"""Blur of colours halved and interpolated again."""
_LEAST_LUMA, _LEAST_SHARE, _THIN = 18 / 255, 0.35, 101
"""Least step of luma, by itself and against the largest step of a colour, as for edges anywhere."""
_NEARLY_SHADE = 20 / 255
"""A thing so near to its mat's colour in shade may be hidden by its shadow (grey card on a pale mat; judgement)."""
_BEND = 0.0031308
_SOFT = np.exp(-0.5 * ((SEEN[:, None] - SEEN) / _SOFTENED_PX) ** 2)
_SOFT = (_SOFT / _SOFT.sum(axis=0)).astype(np.float32)
_TO_RGB = np.linalg.inv(TO_Y).astype(np.float32)
_OVER_SAMPLES = "cnps,cnps->np"
"""Sum over colours and samples, for each point and place."""


def _encoded(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the code, 0..1, of linear light."""
    return _code_and_power(np.clip(light, 0, 1))[0]


def _encoded_with_slope(light: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the code, 0..1, of linear light, and by how much it grows with it."""
    light = np.clip(light, 0, 1)
    code, power = _code_and_power(light)
    slope = np.where(
        light < _BEND, np.float32(12.92), np.float32(1.055 / 2.4) * power / np.maximum(light, np.float32(_BEND))
    )
    return code, slope


def _code_and_power(light: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the code, 0..1, of linear light 0..1, and the power that is the most of it."""
    above = np.maximum(light, np.float32(_BEND))
    # OpenCV's power takes a fifth of the time of NumPy's.
    power = np.asarray(cv2.pow(above.reshape(len(above), -1), 1 / 2.4), dtype=np.float32).reshape(above.shape)
    code = np.where(light < _BEND, np.float32(12.92) * light, np.float32(1.055) * power - np.float32(0.055))
    return code, power


def told_by_luma(on: OnMat) -> bool:
    """Return whether luma alone, which is sharp, shows a thing on its mat well."""
    mat = np.median(on.ground.light.reshape(-1, 3)[::_THIN], axis=0)
    codes = [_encoded(np.asarray(light, dtype=np.float32)) for light in (mat, mat * on.thing)]
    step = np.abs(codes[1] - codes[0])
    luma = abs(float((codes[1] - codes[0]) @ _TO_YCC[0]))
    return luma >= max(_LEAST_LUMA, _LEAST_SHARE * float(step.max()))


def looks_shaded(on: OnMat) -> bool:
    """Return whether a thing is nearly as its mat looks in some shade: halfway from a shadow to it lies no edge."""
    mat = np.median(on.ground.light.reshape(-1, 3)[::_THIN], axis=0)
    light = np.concatenate([(mat * on.thing)[None], mat * SHARES[SHARES < 1.0, None]])
    codes = _encoded(np.asarray(light, dtype=np.float32))
    return bool(np.linalg.norm(codes[1:] - codes[0], axis=1).min() < _NEARLY_SHADE)


def code_misfits(light: Light, blur_px: float, levels: Floats, sigma: Floats) -> Floats:
    """Return how badly each place of ``FINE`` foretells what is seen, (N, places).

    Parameters
    ----------
    light : Light
    blur_px : float
    levels : ndarray, shape (N, 4)
        As :data:`tracer.search.mat_light.USUAL` has them, nearly.
    sigma : ndarray, shape (4,)
        How far they may be from that.
    """
    seen, own, lined, bare = (_by_colour(part) for part in (light.seen, light.own, light.lined, light.bare))
    cover = special.ndtr((PLACES[:, None] - SEEN) / blur_px).astype(np.float32)
    mat = [((1 - cover) * part.T).astype(np.float32) for part in shares_beyond(PLACES)]
    at = levels.astype(np.float32)[:, :, None, None]
    mixed = (at[:, 0] * cover) * own[:, :, None]
    mixed += sum(at[:, k] * part for k, part in enumerate(mat, start=1)) * lined[:, :, None]
    code, slope = _encoded_with_slope(mixed)
    contrast = np.abs(_luma_first(_encoded(lined) - _encoded(bare)))
    noise = np.array([_LUMA_NOISE, _COLOUR_NOISE, _COLOUR_NOISE], dtype=np.float32)[:, None, None]
    weight = ((light.weight[:, :, 0] > 0) / (noise**2 + (_LOOK_ERROR * contrast) ** 2)).astype(np.float32)[:, :, None]
    rest = _luma_first(_encoded(seen))[:, :, None] - _softened(_luma_first(code))
    of_own, of_mat = (_luma_first(slope * part[:, :, None]) for part in (own, lined))
    grows = [_softened(of_own * cover), *(_softened(of_mat * part) for part in mat)]
    weighted = rest * weight
    normal = np.empty((len(at), len(PLACES), len(grows), len(grows)))
    right = np.empty(normal.shape[:3])
    for k, a in enumerate(grows):
        right[..., k] = np.einsum(_OVER_SAMPLES, a, weighted)
        counted = a * weight
        for j, b in enumerate(grows[: k + 1]):
            normal[..., j, k] = normal[..., k, j] = np.einsum(_OVER_SAMPLES, counted, b)
    better = np.linalg.solve(normal + np.diag(1 / sigma**2), right[..., None])[..., 0]
    cost = np.einsum(_OVER_SAMPLES, rest, weighted) - (right * better).sum(axis=2)
    return np.asarray(cost @ _TO_FINE.T, dtype=np.float64)


def _by_colour(light: Floats) -> NDArray[np.float32]:
    """Return R, G, B (3, N, samples) of Y and two differences of colour (N, samples, 3)."""
    rgb = _TO_RGB @ light.reshape(-1, 3).T.astype(np.float32)
    return np.asarray(np.clip(rgb, 0, 1).reshape(3, *light.shape[:2]))


def _luma_first(codes: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return luma and two differences of colour of R, G, B (3, ...)."""
    return np.asarray((_TO_YCC @ codes.reshape(3, -1)).reshape(codes.shape))


def _softened(ycc: NDArray[np.float32]) -> NDArray[np.float32]:
    """Soften the colours of codes (3, N, places, samples), in place."""
    colours = ycc[1:]
    ycc[1:] = (colours.reshape(-1, len(SEEN)) @ _SOFT).reshape(colours.shape)
    return ycc
