"""What is brought in: received in limited chunks, named safely, kept in the job's own inbox."""

from __future__ import annotations

import os
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path

from calibration.intake import file_kind
from tracer.errors import JobError
from tracer.files.names import file_stem

LARGEST_BYTES = 400_000_000
"""Larger than any picture this tool takes: A0 at 300 per inch as uncompressed RGB."""

_HEAD_BYTES = 1024


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


async def receive(folder: Path, name: str, chunks: AsyncIterator[bytes], *, stated_bytes: int | None) -> Path:
    """Keep an upload.

    Raises
    ------
    UploadError
        413 when it is too large (said at once where the size is stated), 415 when it is no picture or document that
        this tool reads.
    """
    if stated_bytes is not None and stated_bytes > LARGEST_BYTES:
        raise UploadError(_too_large(), status=413)
    folder.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=folder, prefix=".coming.")
    size = 0
    head = b""
    try:
        with os.fdopen(handle, "wb") as stream:
            async for chunk in chunks:
                size += len(chunk)
                if size > LARGEST_BYTES:
                    raise UploadError(_too_large(), status=413)
                if len(head) < _HEAD_BYTES:
                    head += chunk[: _HEAD_BYTES - len(head)]
                stream.write(chunk)
        if file_kind(head) is None:
            raise UploadError("this is no picture or document that this tool reads", status=415)
        target = _free_name(folder, safe_name(name))
        Path(temporary).replace(target)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return target


def _too_large() -> str:
    return f"this file is larger than {LARGEST_BYTES // 1_000_000} MB; scan at a lower density or split it"


def _free_name(folder: Path, name: str) -> Path:
    target = folder / name
    number = 2
    while target.exists():
        target = folder / f"{Path(name).stem} ({number}){Path(name).suffix}"
        number += 1
    return target
