"""A gridded cutting mat: ruler and lens chart in one."""

from __future__ import annotations

from calibration.references.mat.finder import find, look

__all__ = ["find", "look"]
