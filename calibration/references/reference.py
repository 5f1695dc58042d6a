"""What a found reference is, and how a person asks for one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.picture import MmPoints, PxPoints

ReferenceKind = Literal["square", "ruler", "mat", "card", "sheet", "target", "density", "page"]
"""``page`` is the exact millimetre space of a vector PDF page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRequest:
    """What the person said about the reference: ``square=50mm`` is kind ``square`` and size ``50mm``."""

    kind: ReferenceKind
    size: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """A thing of known size found in a picture.

    Parameters
    ----------
    kind : str
    size : str
        In the words of the command line: ``1in``, ``A4``, ``1in`` (grid pitch), ``300`` (density).
    points_px : PxPoints
        Measured points, shape (N, 2).
    points_mm : MmPoints
        The same points in the reference's own frame (x right, y down), shape (N, 2). May be arbitrary up to a rotation
        and shift.
    sigma_px : ndarray, shape (N,)
        Standard uncertainty of each measured point along each axis, pixels.
    tolerance_relative : float
        Standard uncertainty of the reference's own size, as a fraction of it.
    outline_px : PxPoints
        Polygon around the reference in the picture, shape (M, 2); nothing inside is part of a piece for small
        references.
    score : float
        0..1, how sure it is that this is what it seems.
    straights_px : tuple of PxPoints
        Chains of measured points that lie on straight lines in the world (edges of a sheet, of a ruler).
    """

    kind: ReferenceKind
    size: str
    points_px: PxPoints
    points_mm: MmPoints
    sigma_px: NDArray[np.float64]
    tolerance_relative: float
    outline_px: PxPoints
    score: float = 1.0
    straights_px: tuple[PxPoints, ...] = ()
