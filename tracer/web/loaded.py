"""Pattern files as they were read last: a page asks for the same one many times a second while a piece is dragged.

A file is read again as soon as it is another one; each is written whole under a new name and renamed, so that inode,
time and size tell. Patterns are never changed in place, so one may be given to several at once.
"""

from __future__ import annotations

from pathlib import Path
from threading import Lock

from tracer.pattern import PATTERN_FILE, Pattern, load

_MOST = 4


class _Kept:
    def __init__(self) -> None:
        self._lock = Lock()
        self._known: dict[tuple[str, int, int, int], Pattern] = {}

    def get(self, job: Path, name: str) -> Pattern:
        status = (job / name).stat()
        key = (str(job / name), status.st_ino, status.st_mtime_ns, status.st_size)
        with self._lock:
            found = self._known.get(key)
        if found is None:
            found = load(job, name=name)
            with self._lock:
                self._known[key] = found
                while len(self._known) > _MOST:
                    del self._known[next(iter(self._known))]
        return found


_KEPT = _Kept()


def loaded(job: Path, *, name: str = PATTERN_FILE) -> Pattern:
    """Return a pattern file of a job.

    Raises
    ------
    JobError
        When it is missing or damaged.
    """
    return _KEPT.get(job, name) if (job / name).exists() else load(job, name=name)
