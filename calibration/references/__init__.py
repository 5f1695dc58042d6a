"""References: things of known size in a picture. One file a kind."""

from __future__ import annotations

from calibration.references.reference import Reference, ReferenceKind, ReferenceRequest, SearchPicture

__all__ = ["Reference", "ReferenceKind", "ReferenceRequest", "SearchPicture"]
