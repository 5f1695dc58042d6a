"""How well places of an edge on a mat foretell the codes of the picture, colours halved as JPEG halves them.

Light put together from all colours lies beside the edge of coloured things (:mod:`tracer.edge_signal`): luma is sharp,
but differences of colour are averaged over neighbouring pixels after encoding. So what each place of the edge would
show is mixed in light, encoded, its colour softened, and only then compared. Near the levels that are already known of
the light (:mod:`tracer.search.mat_light`) this is as good as linear in them.

Sources: IEC 61966-2-1 (the encoding); ITU-R BT.601 and JFIF (luma and differences of colour).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, special

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
_BEND = 0.0031308
_SOFT = np.exp(-0.5 * ((SEEN[:, None] - SEEN) / _SOFTENED_PX) ** 2)
_SOFT = (_SOFT / _SOFT.sum(axis=0)).astype(np.float32)


def _encoded(light: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the code, 0..1, of linear light, and by how much it grows with it."""
    light = np.clip(light, 0, 1)
    power = np.maximum(light, np.float32(_BEND)) ** np.float32(1 / 2.4)
    low = light < _BEND
    code = np.where(low, np.float32(12.92) * light, np.float32(1.055) * power - np.float32(0.055))
    slope = np.where(low, np.float32(12.92), np.float32(1.055 / 2.4) * power / np.maximum(light, np.float32(_BEND)))
    return code, slope


def told_by_luma(on: OnMat) -> bool:
    """Return whether luma alone, which is sharp, shows a thing on its mat well."""
    mat = np.median(on.ground.light.reshape(-1, 3)[::_THIN], axis=0)
    codes = [_encoded(np.asarray(light, dtype=np.float32))[0] for light in (mat, mat * on.thing)]
    step = np.abs(codes[1] - codes[0])
    luma = abs(float((codes[1] - codes[0]) @ _TO_YCC[0]))
    return luma >= max(_LEAST_LUMA, _LEAST_SHARE * float(step.max()))


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
    to_rgb = np.linalg.inv(TO_Y).T
    seen, own, lined, bare = (
        np.clip(a @ to_rgb, 0, 1).astype(np.float32) for a in (light.seen, light.own, light.lined, light.bare)
    )
    cover = special.ndtr((PLACES[:, None] - SEEN) / blur_px).astype(np.float32)
    mat = [((1 - cover) * part.T).astype(np.float32) for part in shares_beyond(PLACES)]
    at = levels.astype(np.float32)[:, :, None, None]
    mixed = (at[:, 0] * cover)[..., None] * own[:, None]
    for k, part in enumerate(mat, start=1):
        mixed += (at[:, k] * part)[..., None] * lined[:, None]
    code, slope = _encoded(mixed)
    foretold = _softened(code @ _TO_YCC.T)
    target = _encoded(seen)[0] @ _TO_YCC.T
    contrast = np.abs((_encoded(lined)[0] - _encoded(bare)[0]) @ _TO_YCC.T)
    weight = 1 / (np.array([_LUMA_NOISE, _COLOUR_NOISE, _COLOUR_NOISE]) ** 2 + (_LOOK_ERROR * contrast) ** 2)
    weight = (weight * (light.weight[:, :, :1] > 0)).astype(np.float32)
    rest = target[:, None] - foretold
    by_level = [cover[..., None] * own[:, None]] + [part[..., None] * lined[:, None] for part in mat]
    count = (len(at), len(PLACES), -1)
    grows = np.stack([_softened((slope * part) @ _TO_YCC.T).reshape(count) for part in by_level], axis=-1)
    weighted = (rest * weight[:, None]).reshape(count)
    spread = np.broadcast_to(weight[:, None], rest.shape).reshape(count)
    normal = np.swapaxes(grows, 2, 3) @ (grows * spread[..., None]) + np.diag(1 / sigma**2).astype(np.float32)
    right = (np.swapaxes(grows, 2, 3) @ weighted[..., None])[..., 0]
    better = np.linalg.solve(normal.astype(np.float64), right[..., None].astype(np.float64))[..., 0]
    cost = (rest.reshape(count) * weighted).sum(axis=2) - (right * better).sum(axis=2)
    return np.asarray(cost @ _TO_FINE.T, dtype=np.float64)


def _softened(ycc: NDArray[np.float32]) -> NDArray[np.float32]:
    """Soften the colours of codes (N, places, samples, 3)."""
    out = ycc.copy()
    out[..., 1:] = np.einsum("npsc,st->nptc", ycc[..., 1:], _SOFT, optimize=True)
    return out
