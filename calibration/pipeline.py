"""Picture in, Sheet out."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.errors import ScaleError
from calibration.picture import Picture
from calibration.references import ReferenceRequest
from calibration.sheet import Sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrateOptions:
    """Options of :func:`calibrate`.

    Parameters
    ----------
    request : ReferenceRequest or None
        What the person named; None looks for every kind and takes the best.
    reference_tolerance_relative, reference_tolerance_mm : float or None
        The reference's own tolerance (half-width of its interval), where the person knows better than the default.
    """

    request: ReferenceRequest | None = None
    reference_tolerance_relative: float | None = None
    reference_tolerance_mm: float | None = None


def calibrate(picture: Picture, options: CalibrateOptions, *, sheet_id: str = "s1") -> Sheet:
    """Find the scale of a picture.

    Raises
    ------
    ScaleError
        When no usable reference is found; the message says what to lay beside the pattern next time.
    """
    raise ScaleError("no reference was found")
