"""What is brought in: received in limited chunks, named safely, kept in the job's own inbox."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path

from calibration.intake import file_kind
from tracer.errors import JobError
from tracer.files.names import file_stem

LARGEST_BYTES = 400_000_000
"""Larger than any picture this tool takes: A0 at 300 per inch as uncompressed RGB."""

_HEAD_BYTES = 1024

_ACTIVE = re.compile(rb"<\s*(?:\w+:)?script|javascript:|\son\w+\s*=|<!ENTITY|<!DOCTYPE[^>]*\[", re.IGNORECASE)
"""What has no place in a drawing of outlines. Nothing of it would be run or expanded here; it is not even kept."""


class UploadError(JobError):
    """An upload that is not taken; ``status`` is the HTTP status that says so."""

    def __init__(self, message: str, *, status: int) -> None:
        super().__init__(message)
        self.status = status


def safe_name(given: str) -> str:
    """Return a file name without any folder in it for what a browser calls a file."""
    last = given.replace("\\", "/").rsplit("/", maxsplit=1)[-1]
    stem, dot, ending = last.rpartition(".")
    if not dot:
        stem, ending = last, ""
    suffix = "." + file_stem(ending)[:8] if ending else ""
    return file_stem(stem) + suffix


def plain_name(given: str) -> str:
    """Return a name that names no folder; raises :class:`UploadError` (400) for one that does.

    No browser sends such a name for a file of its own, so whoever does means harm.
    """
    if "/" in given or "\\" in given or given in ("", ".", "..") or "\0" in given:
        raise UploadError("a file is brought in by its name alone, without folders", status=400)
    return given


async def receive(
    folder: Path,
    name: str,
    chunks: AsyncIterator[bytes],
    *,
    stated_bytes: int | None,
    largest_bytes: int = LARGEST_BYTES,
) -> Path:
    """Keep an upload.

    Raises
    ------
    UploadError
        413 when it is too large (said at once where the size is stated), 415 when it is no picture or document that
        this tool reads.
    """
    if stated_bytes is not None and stated_bytes > largest_bytes:
        raise UploadError(_too_large(largest_bytes), status=413)
    folder.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=folder, prefix=".coming.")
    size = 0
    head = b""
    try:
        with os.fdopen(handle, "wb") as stream:
            async for chunk in chunks:
                size += len(chunk)
                if size > largest_bytes:
                    raise UploadError(_too_large(largest_bytes), status=413)
                if len(head) < _HEAD_BYTES:
                    head += chunk[: _HEAD_BYTES - len(head)]
                stream.write(chunk)
        kind = file_kind(head)
        if kind is None:
            raise UploadError("this is no picture or document that this tool reads", status=415)
        if kind == "svg" and _ACTIVE.search(Path(temporary).read_bytes()):
            raise UploadError(
                "this drawing holds a script or entities of its own; save it as plain SVG and bring it in again",
                status=422,
            )
        target = _free_name(folder, safe_name(name))
        Path(temporary).replace(target)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return target


def _too_large(largest_bytes: int) -> str:
    return f"this file is larger than {largest_bytes // 1_000_000} MB; scan at a lower density or split it"


def _free_name(folder: Path, name: str) -> Path:
    target = folder / name
    number = 2
    while target.exists():
        target = folder / f"{Path(name).stem} ({number}){Path(name).suffix}"
        number += 1
    return target
