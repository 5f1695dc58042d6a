"""A calibration target of our own to print: its geometry and how it is found."""

from __future__ import annotations

from calibration.references.target.finder import find
from calibration.references.target.layout import TargetLayout, TargetText, target_layout

__all__ = ["TargetLayout", "TargetText", "find", "target_layout"]
