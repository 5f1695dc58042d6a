"""Linear light.

Light adds up linearly and pixel values do not: a pixel half covered by black and half by white holds the encoded value
of *half the light*, about 188 of 255 in sRGB. Edges are therefore sought in linear light. The transfer curve is that of
IEC 61966-2-1 (sRGB).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_CODE = np.arange(256, dtype=np.float64) / 255.0
SRGB_TO_LINEAR: NDArray[np.float32] = np.where(
    _CODE <= 0.04045, _CODE / 12.92, ((_CODE + 0.055) / 1.055) ** 2.4
).astype(np.float32)
"""Linear light (0..1) of each 8-bit sRGB code, shape (256,); IEC 61966-2-1."""
SRGB_TO_LINEAR.setflags(write=False)

LUMINANCE_WEIGHTS: NDArray[np.float32] = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
"""Relative luminance of linear R, G, B; ITU-R BT.709."""
LUMINANCE_WEIGHTS.setflags(write=False)


def decode_srgb(encoded: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return linear light 0..1 of 8-bit sRGB values, same shape, float32."""
    return SRGB_TO_LINEAR[encoded]
