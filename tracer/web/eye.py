"""The eye: a process that keeps a picture open and says where its lines are, for points that are set by hand.

Like the worker it decodes what came from outside, with limits; unlike it, it lives on between requests, since a point
that is dragged cannot wait for a picture to be decoded anew. It ends when its input does.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from pathlib import Path
from typing import Any

SECONDS = 30.0
MEMORY_BYTES = 6_000_000_000


class Eye:
    """The server's side: one process, started when first needed, one question at a time."""

    def __init__(self) -> None:
        self._process: asyncio.subprocess.Process | None = None
        self._lock = asyncio.Lock()

    async def ask(self, question: dict[str, Any]) -> dict[str, Any]:
        """Return the answer; ``{"error": words}`` when there is none."""
        async with self._lock:
            if self._process is None or self._process.returncode is not None:
                self._process = await asyncio.create_subprocess_exec(
                    sys.executable,
                    "-m",
                    "tracer.web.eye",
                    stdin=asyncio.subprocess.PIPE,
                    stdout=asyncio.subprocess.PIPE,
                    stderr=asyncio.subprocess.DEVNULL,
                )
            process = self._process
            assert process.stdin is not None
            assert process.stdout is not None
            try:
                process.stdin.write((json.dumps(question) + "\n").encode())
                async with asyncio.timeout(SECONDS):
                    line = await process.stdout.readline()
                answer = json.loads(line)
            except (TimeoutError, ValueError, OSError):
                await self._end()
                return {"error": "the picture could not be looked at"}
            return dict(answer)

    async def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None and process.returncode is None:
            process.kill()
            await process.wait()

    async def close(self) -> None:
        """End the process."""
        async with self._lock:
            await self._end()


def _answer(question: dict[str, Any], seen: dict[str, Any]) -> dict[str, Any]:
    import numpy as np

    from calibration.intake import read_pictures
    from tracer.report.shown import map_from_json
    from tracer.snap import snap_point

    key = f"{question['file']} {question['page']}"
    if seen.get("key") != key:
        seen.clear()
        page = question["page"]
        picture = next(iter(read_pictures(Path(question["file"]), pages=None if page is None else str(page))))
        seen.update(key=key, pixels=picture.pixels)
    back, forth = (np.array(a, dtype=np.float64) for a in question["arms"])
    at = np.array(question["at"], dtype=np.float64)
    found = snap_point(seen["pixels"], map_from_json(question["map"]), at, (back, forth), reach_mm=question["reach"])
    return {"at": at.tolist(), "found": False} if found is None else {"at": found.round(4).tolist(), "found": True}


def main() -> None:
    """Answer questions, one a line, until the input ends."""
    from calibration.errors import CalibrationError
    from tracer.web.worker import limit_resources

    limit_resources(MEMORY_BYTES, 3600)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    seen: dict[str, Any] = {}
    for line in sys.stdin:
        try:
            answer = _answer(json.loads(line), seen)
        except (CalibrationError, MemoryError, KeyError, ValueError, StopIteration) as error:
            answer = {"error": f"the picture could not be looked at: {error}"}
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
