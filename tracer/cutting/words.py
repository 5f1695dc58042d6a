"""Lengths and angles as they are said in reports: millimetres, and inches beside them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration import format_inches
from tracer.path import Bounds


def both(value_mm: float) -> str:
    """Return a length as ``9.53 mm (3/8 in)``."""
    # 3/8 in is 9.525 mm, which binary numbers hold a little too small: round half up.
    return f"{value_mm + 1e-9:.2f} mm ({format_inches(value_mm)})"


def place(point: Sequence[float] | NDArray[np.float64], box: Bounds) -> str:
    """Return where a point lies on a piece: ``12.0 mm from the left and 98.5 mm from the top``."""
    across, down = float(point[0]) - box.x_min, float(point[1]) - box.y_min
    # Rounding noise makes no minus nought.
    return f"{max(across, 0.0):.1f} mm from the left and {max(down, 0.0):.1f} mm from the top"


def size(width_mm: float, height_mm: float) -> str:
    """Return a size as ``100.00 x 60.00 mm (3 15/16 x 2 3/8 in)``."""
    inches = " x ".join(format_inches(v).removesuffix(" in") for v in (width_mm, height_mm))
    return f"{width_mm:.2f} x {height_mm:.2f} mm ({inches} in)"


def counted(number: int, one: str, many: str = "") -> str:
    """Return ``1 row``, ``2 rows``; ``many`` where the plural is not made with an s."""
    return f"{number} {one if number == 1 else many or one + 's'}"
