"""A ruler or a tape."""

from __future__ import annotations

from calibration.references.ruler.finder import find

__all__ = ["find"]
