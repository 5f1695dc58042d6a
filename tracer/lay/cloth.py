"""The print of a cloth: a picture of it at true size, how it repeats, and where it lies under the pieces."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import MmPoints, Sheet
from tracer.errors import LayError

_VIEW_MM_PER_PX = 0.5
_MOST_PX = 3000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cloth:
    """A print.

    Parameters
    ----------
    repeat_mm : tuple of float or None
        Width and length of its repeat; None for a print that is known only where its picture shows it.
    pixels : ndarray of uint8, shape (rows, columns, 3), or None
        The cloth seen from above, RGB, each pixel ``mm_per_px`` square.
    mm_per_px : float
    origin_mm : tuple of float
        Where the picture's top-left corner (and the repeat's) lies on the surface.
    """

    repeat_mm: tuple[float, float] | None = None
    pixels: NDArray[np.uint8] | None = None
    mm_per_px: float = _VIEW_MM_PER_PX
    origin_mm: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if self.repeat_mm is not None and not all(math.isfinite(r) and r >= 1.0 for r in self.repeat_mm):
            raise LayError("a print's repeat must be at least 1 mm each way, e.g. 60x80mm")
        if self.repeat_mm is None and self.pixels is None:
            raise LayError("a print needs a repeat (60x80mm) or a photo of the cloth")

    @property
    def size_mm(self) -> tuple[float, float] | None:
        """Width and length of the picture."""
        if self.pixels is None:
            return None
        return self.pixels.shape[1] * self.mm_per_px, self.pixels.shape[0] * self.mm_per_px

    def same_places(
        self, at_mm: tuple[float, float], low: tuple[float, float], high: tuple[float, float]
    ) -> list[tuple[float, float]]:
        """Return every place in a box where the print is as at ``at_mm``, from the top, then from the left.

        Without a repeat the one place itself.
        """
        if self.repeat_mm is None:
            return [at_mm]
        spans = [
            np.arange(math.ceil((low[k] - at_mm[k]) / r - 1e-9), math.floor((high[k] - at_mm[k]) / r + 1e-9) + 1) * r
            + at_mm[k]
            for k, r in enumerate(self.repeat_mm)
        ]
        return [(float(x), float(y)) for y in spans[1] for x in spans[0]]


def cloth_from_sheet(
    sheet: Sheet,
    *,
    repeat_mm: tuple[float, float] | None = None,
    origin_mm: tuple[float, float] = (0.0, 0.0),
    mm_per_px: float = _VIEW_MM_PER_PX,
) -> Cloth:
    """Return the print of a photographed cloth whose scale is known, seen straight from above.

    Colours are taken from the nearest pixel: the view is for people, the millimetres come from the sheet's maps.
    """
    step = max(mm_per_px, sheet.width_mm / _MOST_PX, sheet.height_mm / _MOST_PX)
    columns, rows = max(1, int(sheet.width_mm / step)), max(1, int(sheet.height_mm / step))
    x, y = np.meshgrid((np.arange(columns) + 0.5) * step, (np.arange(rows) + 0.5) * step)
    px = sheet.to_px(MmPoints(np.stack([x.ravel(), y.ravel()], axis=1)))
    picture = sheet.picture.pixels
    column = np.clip(np.round(px[:, 0]), 0, picture.shape[1] - 1).astype(int)
    row = np.clip(np.round(px[:, 1]), 0, picture.shape[0] - 1).astype(int)
    seen = picture[row, column]
    rgb = np.repeat(seen[:, None], 3, axis=1) if seen.ndim == 1 else seen[:, :3]
    return Cloth(
        repeat_mm=repeat_mm,
        pixels=np.ascontiguousarray(rgb.reshape(rows, columns, 3)),
        mm_per_px=step,
        origin_mm=origin_mm,
    )
