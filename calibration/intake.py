"""Picture files and PDF pages to pictures, one at a time.

The kind of a file is judged by its first bytes, never by its name. The file is only ever read.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.drawing_file import DrawingFileReader
from calibration.errors import PictureError
from calibration.image_file import ImageFileReader, IntakeLimits
from calibration.page_choice import choose_pages
from calibration.picture import Picture

if TYPE_CHECKING:
    from calibration.pdf_page import PdfReader

__all__ = ["IntakeLimits", "read_pictures"]

_HEAD_BYTES = 1024
_READABLE = "JPEG, PNG, TIFF, HEIC, WebP, BMP, PDF, SVG or DXF"
_DXF_HEAD = re.compile(rb"\A(?:\s*999\r?\n[^\r\n]*\r?\n)*\s*0\r?\nSECTION\r?\n")
_HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")


def file_kind(head: bytes) -> str | None:
    """Return the kind of a file from its first bytes, or None.

    Signatures: JPEG ISO/IEC 10918-1; PNG third edition 5.2; TIFF 6.0 and its 64-bit form; HEIF ISO/IEC 23008-12
    (``ftyp`` brands); PDF ISO 32000-1 annex H (the header may lie within the first 1024 bytes).
    """
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff"
    if head[4:8] == b"ftyp" and any(head[i : i + 4] in _HEIF_BRANDS for i in range(8, 64, 4)):
        return "heic"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "webp"
    if head.startswith(b"BM") and head[6:10] == b"\0\0\0\0":
        return "bmp"
    if b"%PDF-" in head:
        return "pdf"
    if b"<svg" in head.lower() or (head.lstrip().startswith(b"<?xml") and b"svg" in head.lower()):
        return "svg"
    if _DXF_HEAD.match(head) or head.startswith(b"AutoCAD Binary DXF"):
        return "dxf"
    return None


def _looks_like(head: bytes) -> str:
    if head.lstrip()[:5].lower() in (b"<?xml", b"<svg ", b"<html", b"<!doc"):
        return "is a web document"
    if head.startswith(b"PK"):
        return "is a zip archive"
    if head.startswith((b"GIF8", b"8BPS", b"%!PS")):
        return "is of a kind that is not read"
    try:
        text = head[: _HEAD_BYTES - 4].decode("utf-8")
    except UnicodeDecodeError:
        return "is no picture of a known kind"
    return "is a text file" if text.isprintable() or "\n" in text else "is no picture of a known kind"


def read_pictures(path: Path, *, pages: str | None = None, limits: IntakeLimits | None = None) -> Iterator[Picture]:
    """Read the pictures of a file, one at a time.

    What can be said without decoding (no such file, of no known kind, no such page) is said at once, not at the first
    picture.

    Parameters
    ----------
    path : Path
        JPEG, PNG, TIFF (several pages), HEIC, WebP, BMP, PDF, SVG or DXF.
    pages : str, optional
        Such as ``2,4-6``; all by default.
    limits : IntakeLimits, optional
        Sizes that are refused.

    Returns
    -------
    iterator of Picture
        Upright, 8-bit, sRGB; decoded when asked for, so only one is in memory if the caller keeps only one.

    Raises
    ------
    PictureError
        One line: what was seen, what was needed, what to do.
    """
    limits = limits or IntakeLimits()
    head, sha256 = _look_at(path, limits)
    kind = file_kind(head)
    if kind is None:
        raise PictureError(f"{path.name} {_looks_like(head)}; give a picture or document: {_READABLE}")
    reader: ImageFileReader | PdfReader | DrawingFileReader
    if kind in ("svg", "dxf"):
        reader = DrawingFileReader(path, kind=kind, sha256=sha256)
    elif kind == "pdf":
        from calibration.pdf_page import PdfReader  # its libraries are loaded for documents only

        reader = PdfReader(path, sha256=sha256, limits=limits)
    else:
        reader = ImageFileReader(path, kind=kind, sha256=sha256, limits=limits)
    chosen = choose_pages(pages, reader.page_count, file=path.name)
    return (reader.page(number) for number in chosen)


def _look_at(path: Path, limits: IntakeLimits) -> tuple[bytes, str]:
    """Return the first bytes and the SHA-256 of a file."""
    try:
        if path.is_dir():
            raise PictureError(f"{path} is a folder; give the picture file itself")
        if not path.is_file():
            raise PictureError(f"there is no file {path}; check its name and folder")
        size = path.stat().st_size
        if size == 0:
            raise PictureError(f"{path.name} is empty; copy or scan it again")
        if size > limits.max_file_bytes:
            raise PictureError(
                f"{path.name} has {size / 1e9:.1f} GB and at most {limits.max_file_bytes / 1e9:.1f} GB are read; "
                "split it or save it compressed"
            )
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
            stream.seek(0)
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise PictureError(f"cannot read {path}: {error.strerror or error}; check its permissions") from error
    return head, digest
