"""Whether a picture is sharp enough to read anything in it."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.references.reference import SearchPicture

BLURRED_PX = 8.0
"""Edges wider than this: ticks and thin lines are gone, and a square's sides can no longer be told from shadows."""

_MOST_PX = 1600


def edge_width_px(scene: SearchPicture) -> float:
    """Return about how many pixels the picture's sharpest strong edges take from dark to light.

    The range of light in the picture's middle part over its steepest slopes; noise alone looks sharp, so that blank
    paper is not called blurred.
    """
    grey = scene.grey
    rows, columns = grey.shape
    top, left = max(0, (rows - _MOST_PX) // 2), max(0, (columns - _MOST_PX) // 2)
    part = grey[top : top + _MOST_PX, left : left + _MOST_PX].astype(np.float32)
    low, high = np.percentile(part, (0.5, 99.5))
    slopes = cv2.magnitude(
        cv2.filter2D(part, cv2.CV_32F, np.array([[-0.5, 0.0, 0.5]])),
        cv2.filter2D(part, cv2.CV_32F, np.array([[-0.5], [0.0], [0.5]])),
    )
    steepest = float(np.percentile(slopes, 99.95))
    return float(high - low) / max(steepest, 1e-6)
