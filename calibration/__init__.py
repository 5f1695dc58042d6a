"""Pixels to millimetres: references, cameras and an honest uncertainty. Knows nothing about patterns."""

from __future__ import annotations

from calibration.camera import PlaneMap
from calibration.errors import CalibrationError, PictureError, ScaleError, UnitError
from calibration.finding import Finding
from calibration.intake import IntakeLimits, read_pictures
from calibration.page_choice import parse_pages
from calibration.picture import (
    Density,
    DrawnPath,
    DrawnText,
    MmPoints,
    Picture,
    PxPoints,
    Source,
    VectorPage,
)
from calibration.pipeline import CalibrateOptions, PointedRectangle, calibrate, look_through, with_square_of
from calibration.references import Reference, ReferenceKind, ReferenceRequest
from calibration.references.target import TargetLayout, TargetText, target_layout
from calibration.request import parse_request, parse_tolerance
from calibration.sheet import CrossCheck, Sheet
from calibration.uncertainty import Budget, Component
from calibration.units import MM_PER_INCH, format_inches, format_uncertainty, parse_length_mm, parse_size_mm
from calibration.warp import SmoothWarp

__all__ = [
    "MM_PER_INCH",
    "Budget",
    "CalibrateOptions",
    "CalibrationError",
    "Component",
    "CrossCheck",
    "Density",
    "DrawnPath",
    "DrawnText",
    "Finding",
    "IntakeLimits",
    "MmPoints",
    "Picture",
    "PictureError",
    "PlaneMap",
    "PointedRectangle",
    "PxPoints",
    "Reference",
    "ReferenceKind",
    "ReferenceRequest",
    "ScaleError",
    "Sheet",
    "SmoothWarp",
    "Source",
    "TargetLayout",
    "TargetText",
    "UnitError",
    "VectorPage",
    "calibrate",
    "format_inches",
    "format_uncertainty",
    "look_through",
    "parse_length_mm",
    "parse_pages",
    "parse_request",
    "parse_size_mm",
    "parse_tolerance",
    "read_pictures",
    "target_layout",
    "with_square_of",
]
