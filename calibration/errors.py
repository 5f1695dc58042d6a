"""Errors of the calibration package.

CalibrationError
├── UnitError (ValueError)          a length that cannot be read
├── PictureError                    a file that cannot be used as a picture
└── ScaleError                      a picture from which no scale can be had

Every message is one line: what was seen, what was needed, what to do next.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class CalibrationError(Exception):
    """Root of all errors raised on purpose by this package."""


class UnitError(CalibrationError, ValueError):
    """A length, a tolerance or a reference as a person wrote it cannot be understood."""


class PictureError(CalibrationError):
    """A file cannot be used as a picture (missing, damaged, too large, of no known kind)."""


class ScaleError(CalibrationError):
    """No usable reference was found, or what was found does not determine a scale.

    ``unsized_px`` holds the corners (each of shape (4, 2), pixels) of printed squares whose size nothing tells.
    """

    def __init__(self, message: str, *, unsized_px: tuple[NDArray[np.float64], ...] = ()) -> None:
        super().__init__(message)
        self.unsized_px = unsized_px
